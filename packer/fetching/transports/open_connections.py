"""How many connections each server has from us, whatever names it is asked under: pure counts."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from functools import lru_cache

from packer.sources.own_names import capped_host

__all__ = ["OpenConnections", "Origin", "server_of"]

Origin = tuple[str, str, int]  # scheme, host, port


@lru_cache(maxsize=256)
def server_of(origin: Origin) -> str:
    """The server behind an origin: its host, and its port if that is an unusual one for http and https."""
    _, host, port = origin
    return capped_host(f"[{host}]:{port}" if ":" in host else f"{host}:{port}")


@dataclass(slots=True)
class _InUse:
    busy: int = 0
    most: int = 0  # busy ones at once
    open: int = 0  # idle ones too


class OpenConnections:
    """Holds the connections to each server to the most that were ever in use at once."""

    def __init__(self) -> None:
        self._servers: defaultdict[str, _InUse] = defaultdict(_InUse)

    def begin(self, origin: Origin) -> None:
        """A request begins."""
        counts = self._servers[server_of(origin)]
        counts.busy += 1
        counts.most = max(counts.most, counts.busy)

    def end(self, origin: Origin) -> None:
        """A request has ended; its connection stays."""
        self._servers[server_of(origin)].busy -= 1

    def made(self, origin: Origin) -> bool:
        """A connection is to be made. Whether another one to the same server has to be closed before."""
        counts = self._servers[server_of(origin)]
        counts.open += 1
        return counts.open > counts.most

    def closed(self, origin: Origin) -> None:
        """A connection is closed, or was not made."""
        self._servers[server_of(origin)].open -= 1

    def idle_closed(self) -> None:
        """All that nothing used were closed, since another process is to have their places."""
        for counts in self._servers.values():
            counts.open = counts.most = counts.busy
