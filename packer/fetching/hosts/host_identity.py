"""The hosts of a run: one gate for all layers that share one, and whether it is the host itself that answers.

Why the second. On a network that wants a sign-in any request may be answered by the network in the host's name, and
over plain HTTP nothing in the answer gives that away. But a network answers everything alike, and it does not know
what the host's own robots.txt says. So that file is read while tiles come, when the host is surely itself, and kept as
a sample. Later the host is taken for itself if its robots.txt answers as the sample did.

When a sample is believed to be the host's own: see `host_sample`. Over HTTPS the host proves its name by itself; there
the sample only tells a host at work from one in trouble."""

from __future__ import annotations

import asyncio
import hashlib
import math
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from urllib.parse import urlsplit

from packer.common.clock import Clock
from packer.content.codings import unwrap
from packer.content.damage import Damaged
from packer.fetching.answers.judging import judge
from packer.fetching.answers.outcome import LinkDown, RetryAfter, TileRules, TryAgain
from packer.fetching.hosts.host_sample import HostReading, HostSample, OwnAnswer, SeenBeside
from packer.fetching.hosts.source import LIMIT_BYTES, Source
from packer.fetching.pacing.gate import Gate, Permit
from packer.fetching.pacing.signals import Failed, PauseKind, Throttled
from packer.fetching.transports import Response, Result, Transport, TransportFailure
from packer.geometry.tileset import Tile
from packer.planning.brief import Brief, Layer
from packer.planning.terms import ROBOTS_BYTES, disallowed, host_of
from packer.sources.address import Address
from packer.sources.own_names import capped_host, is_loopback

__all__ = ["HostIdentity", "SharedGate", "gates_for", "layers_at", "onward_gates", "report", "robots_url"]


_ANY = Tile(0, 0, 0)
_LEARN_EVERY_S = 30.0
_DEADLINE_S = 20.0


@dataclass(frozen=True, slots=True)
class SharedGate:
    """A gate, the most requests that it lets through at once, the layers that share it and its hosts."""

    gate: Gate
    cap: int
    layers: tuple[str, ...]
    hosts: frozenset[str] = frozenset()


def gates_for(
    brief: Brief, sources: Mapping[str, Source], clock: Clock, make: type[Gate] = Gate
) -> dict[str, SharedGate]:
    """One gate for each group of layers that share a host, with the lowest caps of all layers of the brief there.

    http and https on their usual ports are one host, whose operator stated one cap; any other port is another.
    """
    groups: list[tuple[set[str], list[str]]] = []
    for name, source in sources.items():
        hosts, names = {capped_host(host) for host in source.address.hosts}, [name]
        for other in [g for g in groups if g[0] & hosts]:
            groups.remove(other)
            hosts |= other[0]
            names = other[1] + names
        groups.append((hosts, names))
    gates: dict[str, SharedGate] = {}
    for behind, names in groups:
        layers = [*(brief.layers[n] for n in names), *layers_at(brief, behind)]
        cap = min(layer.connections for layer in layers)
        several = len({host for n in names for host in sources[n].address.hosts}) > 1
        secure = any(url.startswith("https:") for n in names for url in sources[n].urls(_ANY))
        rate = min(layer.requests_per_second for layer in layers)
        gate = make(cap, rate, clock, several=several, secure=secure)
        gates |= dict.fromkeys(names, SharedGate(gate, cap, tuple(names), frozenset(behind)))
    return gates


def onward_gates(
    brief: Brief,
    sources: Mapping[str, Source],
    gates: Mapping[str, SharedGate],
    clock: Clock,
    make: type[Gate] = Gate,
) -> dict[str, SharedGate]:
    """A gate for each host that the layers of `sources` may be sent on to, by the name that `capped_host` gives it: the
    one among `gates` where a layer asks that host itself, else one with the lowest caps of all layers that name it."""
    found: dict[str, SharedGate] = {}
    for host in dict.fromkeys(capped_host(h) for name in sources for h in brief.layers[name].tile_hosts):
        at = layers_at(brief, [host])
        behind = next((g for g in gates.values() if host in g.hosts), None)
        if behind is None:
            cap = min(layer.connections for layer in at)
            rate = min(layer.requests_per_second for layer in at)
            gate = make(cap, rate, clock, host=host, secure=True)
            names = tuple(layer.name for layer in at if layer.name in sources)
            behind = SharedGate(gate, cap, names, frozenset([host]))
        found[host] = behind
    return found


def layers_at(brief: Brief, hosts: Collection[str]) -> list[Layer]:
    """The layers of a brief whose address, as it is written, leads to one of these hosts, as `capped_host` has them, or
    whose tiles may be sent on to one."""
    return [
        layer
        for layer in brief.layers.values()
        if any(capped_host(h) in hosts for h in (*_written_hosts(layer), *layer.tile_hosts))
    ]


def _written_hosts(layer: Layer) -> tuple[str, ...]:
    return Address(layer.url, layer.subdomains).hosts if layer.url else ()


def report(gate: Gate, permit: Permit, reply: Result, clock: Clock) -> None:
    """Give the permit back of a request for no tile; a wait that the host asks for is heeded by all."""
    outcome = judge(reply, TileRules(None, "", LIMIT_BYTES, None), clock.wall())
    if isinstance(outcome, RetryAfter):
        explicit = isinstance(reply, Response) and reply.status == 429
        gate.report(permit, Throttled(outcome.reason, outcome.seconds, explicit))
    else:
        gate.drop(permit)


def robots_url(url: str) -> str:
    """Where the robots.txt of a tile's host lies (RFC 9309 section 2.3)."""
    parts = urlsplit(url)
    return f"{parts.scheme}://{parts.netloc}/robots.txt"


class HostIdentity:
    """Whether a host is itself: does its robots.txt answer as it did when tiles came?

    Asked only where no tile can tell: when nothing is left but tiles that have failed, or when a host says of
    tile after tile that it has none. A sign-in page, or a server in trouble, answers otherwise.
    The same answers also say what the host's robots.txt disallows.
    """

    def __init__(self, url: str, transport: Transport, gate: Gate, clock: Clock) -> None:
        self._url, self._transport, self._gate, self._clock = url, transport, gate, clock
        self._rules = TileRules(None, urlsplit(url).netloc.rpartition("@")[2], LIMIT_BYTES, None)
        # No network on the way can answer in the name of a host that proves who it is, or of this machine.
        self._proven = url.startswith("https:") or is_loopback(host_of(url))
        self._own = OwnAnswer(proven=self._proven)
        self._learn_at = -math.inf
        self._robots = b""
        self._asking = asyncio.Lock()
        self._probed_at: float = -math.inf
        self._genuine: bool | None = False

    async def probe(self) -> bool:
        """Read robots.txt before any tile is asked for; whether the answer can only be the host's own.

        If cancelled: the permit is given back.
        """
        async with self._asking:
            found = await self._read_robots()
            if found is not None:
                self._own.note(found)
        if found is None or self._judge(found.sample) is not True:
            return False
        self._own.set_own(found.sample)
        self._gate.note_reached()
        return True

    def forbids(self, urls: Iterable[str]) -> str | None:
        """The path that the host's robots.txt disallows, as far as it has been read, or None."""
        return disallowed(self._robots, urls) if self._robots else None

    @property
    def proves_itself(self) -> bool:
        """Whether no network on the way can answer in the host's name."""
        return self._proven

    @property
    def needs_sample(self) -> bool:
        """Whether the host's own answer is still to be learnt, and it is time to try."""
        if self._own.is_pending:
            return True
        known = self._own.settled and self._own.sample(self._beside) is not None
        return not known and self._clock.now() >= self._learn_at

    async def learn(self) -> None:
        """A tile has come: what is the host's own answer? If cancelled: nothing is remembered."""
        if self._own.is_pending:
            if self._own.tile_came(self._beside):
                self._learn_at = self._clock.now()  # a second one that agrees settles it
            return
        async with self._asking:
            if self._own.is_pending or not self.needs_sample:
                return
            tile_asked, tile_came = self._gate.last_success, self._clock.now()
            self._learn_at = tile_came + _LEARN_EVERY_S
            found = await self._read_robots()
            if found is not None:
                self._own.learn(found._replace(tile_asked=tile_asked, tile_came=tile_came), self._beside)

    @property
    def _beside(self) -> SeenBeside:
        return SeenBeside(self._gate.last_success, self._gate.foreign_at, self._gate.unsure_at)

    async def is_genuine(self, since: float) -> bool | None:
        """Whether the host has answered as itself at some time after `since`; None if nothing can tell.

        One request through the gate serves all who ask meanwhile. If cancelled: the permit is given back.
        """
        async with self._asking:
            if self._probed_at <= since:
                started = self._clock.now()
                found = await self._read_robots(first=True)
                if found is not None and self._proven:
                    self._own.note_again(found)
                self._probed_at, self._genuine = started, found is not None and self._judge(found.sample)
            return self._genuine

    def _judge(self, found: HostSample) -> bool | None:
        own = self._own.sample(self._beside)
        if own is None:
            sure = self._proven or found.status == 200
            return None if not (sure or found.foreign) else not found.foreign and found.status < 500
        if not (found.head == own.head if self._proven else found.equals(own)):
            # Another answer may be the host's own as well, such as a robots.txt that has changed: the next
            # tile that comes tells.
            self._own.settled, self._learn_at = False, -math.inf
            return False
        return None if own.status >= 500 else True  # a host in trouble would say the same

    async def _read_robots(self, *, first: bool = False) -> HostReading | None:
        permit = await self._gate.enter(first=first)
        if permit is None:
            return None
        try:
            deadline_s = min(_DEADLINE_S, self._gate.deadline_s(first=False))
            self._gate.sent(permit)
            reply = await self._transport.fetch(self._url, {}, deadline_s, LIMIT_BYTES)
        except BaseException:
            self._gate.drop(permit)
            raise
        outcome = judge(reply, self._rules, self._clock.wall())
        if isinstance(outcome, RetryAfter):
            explicit = isinstance(reply, Response) and reply.status == 429
            self._gate.report(permit, Throttled(outcome.reason, outcome.seconds, explicit))
        elif isinstance(reply, TransportFailure) or reply.status >= 500:
            reason = outcome.reason if isinstance(outcome, LinkDown | TryAgain) else "no answer to robots.txt"
            # A host that does not answer even this, when there is doubt, is not there.
            kind = PauseKind.LINK if first and isinstance(reply, TransportFailure) else None
            self._gate.report(permit, Failed(reason, kind, by_server=isinstance(reply, Response)))
        else:
            self._gate.timed(permit)
        found = self._read(reply)
        return None if found is None else HostReading(found, permit.started, self._clock.now())

    def _read(self, reply: Result) -> HostSample | None:
        """What came, if it is an answer at all. Keeps the rules in it."""
        if not isinstance(reply, Response):
            return None
        headers = reply.headers
        kind = headers.get("content-type", "").partition(";")[0].strip().lower()
        foreign = 300 <= reply.status < 400 or reply.status in (429, 511)
        if reply.status == 200:
            try:
                body = unwrap(reply.body, headers.get("content-encoding"), LIMIT_BYTES)
            except Damaged:
                return None
            foreign = kind == "text/html" or body.lstrip()[:1] == b"<"
            if not foreign:
                self._robots = body[:ROBOTS_BYTES]
        digest = hashlib.sha256(reply.body).digest()
        return HostSample(reply.status, kind, headers.get("server", ""), digest, foreign)
