"""How the planning machine asks hosts for the little that it asks for itself, such as robots.txt."""

from __future__ import annotations

from collections.abc import Mapping

from packer.fetching.transports import Result, Transport

__all__ = ["OneRequestTransport"]

_CLOSE = {"Connection": "close"}


class OneRequestTransport:
    """A transport that asks for everything on a connection of its own.

    By RFC 9112 section 9.6 the server closes it with its answer. So none is open there, and idle here, when the
    connections are lent to hands.
    """

    def __init__(self, inner: Transport) -> None:
        self._inner = inner

    async def fetch(
        self, url: str, headers: Mapping[str, str], deadline_s: float, limit_bytes: int
    ) -> Result:
        """As `Transport.fetch`. If cancelled: as there."""
        return await self._inner.fetch(url, {**headers, **_CLOSE}, deadline_s, limit_bytes)

    def drop_idle(self) -> None:
        """Close the connections that nothing uses: those that a server has left open all the same."""
        getattr(self._inner, "drop_idle", lambda: None)()

    async def close_idle(self) -> None:
        """Likewise, and wait until they are gone. If cancelled: they close all the same."""
        self.drop_idle()
        if (closed := getattr(self._inner, "idle_closed", None)) is not None:
            await closed()

    async def aclose(self) -> None:
        """As `Transport.aclose`. If cancelled: as there."""
        await self._inner.aclose()
