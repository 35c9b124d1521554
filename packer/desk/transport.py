"""Which HTTP client the desk asks with."""

from __future__ import annotations

from packer.fetching.transports import TransportName

__all__ = ["DESK_TRANSPORT"]

DESK_TRANSPORT: TransportName = "httpx"
"""The desk runs for hours and opens and closes many clients. The compiled one, pyreqwest 0.15, has crashed a process
in which several fetches had been started and stopped; a command ends with its fetch and is not at risk. httpx is slower
for each request, which no link of a hotel or a phone lets one feel."""
