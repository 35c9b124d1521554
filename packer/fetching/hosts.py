"""The hosts of a run: one gate for all layers that share one, and a look at whether it is itself."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from urllib.parse import urlsplit

from packer.brief import Brief
from packer.fetching.clock import Clock
from packer.fetching.crew import DEADLINE_S, LIMIT_BYTES, Source
from packer.fetching.gate import Gate
from packer.net import Answer, Door
from packer.tileset import Tile

__all__ = ["SharedGate", "Wellness", "gates_for"]


@dataclass(frozen=True, slots=True)
class SharedGate:
    gate: Gate
    cap: int


def gates_for(brief: Brief, sources: Mapping[str, Source], clock: Clock) -> dict[str, SharedGate]:
    """One gate for each group of layers that share a host, with the lowest of their caps."""
    groups: list[tuple[set[str], list[str]]] = []
    for name, source in sources.items():
        hosts, names = set(source.address.hosts), [name]
        for other in [g for g in groups if g[0] & hosts]:
            groups.remove(other)
            hosts |= other[0]
            names = other[1] + names
        groups.append((hosts, names))
    gates: dict[str, SharedGate] = {}
    for _, names in groups:
        layers = [brief.layers[n] for n in names]
        cap = min(layer.connections for layer in layers)
        shared = SharedGate(Gate(cap, min(layer.requests_per_second for layer in layers), clock), cap)
        gates |= dict.fromkeys(names, shared)
    return gates


class Wellness:
    """Whether a host is itself: does its robots.txt answer as it did when tiles came?

    Asked only where no tile can tell: when nothing is left but tiles that have failed. A page that stands in
    between, or a server in trouble, answers otherwise.
    """

    def __init__(self, source: Source, door: Door, gate: Gate) -> None:
        parts = urlsplit(source.address.url(Tile(0, 0, 0)))
        self._url = f"{parts.scheme}://{parts.netloc}/robots.txt"
        self._door, self._gate = door, gate
        self._well: tuple[int, bytes] | None = None

    async def remember(self) -> None:
        """Take the host's answer of now for its own. If cancelled: nothing is remembered."""
        self._well = await self._look()

    async def check(self) -> bool:
        """Ask once, through the gate as any request. If cancelled: the pass is given back."""
        found = await self._look()
        return found is not None and found == self._well

    async def _look(self) -> tuple[int, bytes] | None:
        leave = await self._gate.enter()
        if leave is None:
            return None
        try:
            reply = await self._door.fetch(self._url, {}, DEADLINE_S, LIMIT_BYTES)
        finally:
            self._gate.dropped(leave)
        if isinstance(reply, Answer) and reply.status < 500:
            return reply.status, hashlib.sha256(reply.body).digest()
        return None
