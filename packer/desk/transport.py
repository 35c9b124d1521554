"""Which HTTP client the server of the desk asks with."""

from __future__ import annotations

from packer.fetching.transports import TransportName

__all__ = ["DESK_TRANSPORT"]

DESK_TRANSPORT: TransportName = "httpx"
"""For what the server's own process asks: looks, trials, surveys. It runs for hours and opens and closes many clients.
The compiled one, pyreqwest 0.15, has crashed a process in which several fetches had been started and stopped; a fetch,
for which it is six times cheaper, has a process of its own (`desk.fetch_apart`)."""
