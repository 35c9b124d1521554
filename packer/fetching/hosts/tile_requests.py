"""One tile asked for: by its layer's own address, and on through the hosts that the brief names."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from urllib.parse import urlsplit

from packer.common.clock import Clock
from packer.errors import TermsError
from packer.fetching.answers.outcome import Outcome, Stored, Unchanged
from packer.fetching.answers.redirects import (
    Onward,
    RedirectPattern,
    RedirectRules,
    UnnamedHost,
    meaning,
    next_hop,
)
from packer.fetching.hosts.host_identity import HostIdentity
from packer.fetching.hosts.onward_hosts import OnwardHosts
from packer.fetching.hosts.source import LIMIT_BYTES, Source, without_secrets
from packer.fetching.pacing.gate import Gate, Permit
from packer.fetching.pacing.patience import LEAST_S
from packer.fetching.pacing.signals import Signal, Succeeded, Unverified
from packer.fetching.transports import Response, Result, Transport
from packer.geometry.tileset import Tile
from packer.planning.brief import Layer
from packer.sources.address import without_usual_port
from packer.sources.secrecy import Secrets, literals_of

__all__ = ["Exchange", "TileRequests"]

_STALE_S = 20.0  # an address with a signature in it may end soon: after a longer wait it is asked for again


@dataclass(slots=True)
class Exchange:
    """What came for one tile. `gate` and `permit` are of the host that gave the answer, `before` those of the hosts
    that sent the tile on; `identity` is that of the host. `meaning` is what the answer means where it is a redirect
    that was not followed. `refusal` is why the host may not be asked. `lapsed` holds if the way on was not gone to
    its end: the tile is to be asked for again. `secrets` stand in the addresses that servers gave.
    """

    gate: Gate
    permit: Permit
    identity: HostIdentity
    result: Result | None = None
    before: list[tuple[Gate, Permit]] = field(default_factory=list)
    meaning: Outcome | None = None
    refusal: TermsError | None = None
    lapsed: bool = False
    secrets: Secrets = field(default=Secrets(), repr=False)

    def report(self, signal: Signal) -> None:
        """The exchange is over: what it says of the host that answered. One that has only sent the tile on has answered
        as only it can if the tile came."""
        for gate, permit in self.before:
            gate.report(permit, Succeeded(0) if isinstance(signal, Succeeded) else Unverified())
        self.gate.report(self.permit, signal)

    def drop(self) -> None:
        """The exchange was given up by ourselves: it says nothing of any host."""
        for gate, permit in [*self.before, (self.gate, self.permit)]:
            gate.drop(permit)

    def received(self) -> None:
        """The answer is in; what it says is still to be found out."""
        self.gate.received(self.permit)

    @property
    def is_whole(self) -> bool:
        """Whether the way was gone to its end."""
        return self.meaning is None and self.refusal is None and not self.lapsed

    def without_echo(self, outcome: Outcome) -> Outcome:
        """The outcome without a validator in which a server repeats what it put into an address."""
        if not self.secrets or not isinstance(outcome, Stored | Unchanged):
            return outcome
        return without_secrets(outcome, self.secrets)


@dataclass(slots=True)
class TileRequests:
    """Sends the requests of one layer, whose own host has `gate` and `identity`. `sent` is called for each, `body`
    with the bytes of each answer but the last.

    `used` are the gates of other hosts that tiles were sent on to, `answering` the hosts that gave an answer other than
    to ask elsewhere. `moved` are the hosts of which the server says that
    the tiles have moved there for good.
    """

    layer: Layer
    source: Source
    gate: Gate
    identity: HostIdentity
    transport: Transport
    clock: Clock
    hosts: OnwardHosts
    sent: Callable[[], None] = lambda: None
    body: Callable[[int], None] = lambda _bytes: None
    stopping: Callable[[], bool] = lambda: False
    used: list[Gate] = field(default_factory=list)
    answering: dict[HostIdentity, None] = field(default_factory=dict)
    moved: set[str] = field(default_factory=set)
    _rules: RedirectRules = field(init=False)
    _pattern: RedirectPattern = field(default_factory=RedirectPattern)

    def __post_init__(self) -> None:
        self._rules = RedirectRules.of(self.source.urls(Tile(0, 0, 0)), self.layer.tile_hosts)

    def renew(self, source: Source) -> None:
        """Ask with other keys from now on."""
        self.source = source
        self._rules = RedirectRules.of(source.urls(Tile(0, 0, 0)), self.layer.tile_hosts)

    def sign_in_page(self, where: str | None) -> str | None:
        """What may be shown of where to sign in, by the keys of the moment."""
        return self.source.sign_in_page(where)

    def begin(self, permit: Permit) -> Exchange:
        """An exchange with a permit of the layer's own gate."""
        return Exchange(self.gate, permit, self.identity)

    async def send(
        self,
        tile: Tile,
        url: str,
        conditions: Mapping[str, str],
        exchange: Exchange,
        deadline_s: Callable[[Gate], float],
    ) -> None:
        """Ask for a tile at `url` with the permit of the exchange, and on where servers send it; the outcome is put
        into the exchange. The layer's headers go to its own origins only, and no further once it was left.

        If cancelled, or if anything is raised: every permit is held by the exchange, whose `drop` gives them back.
        """
        asked, headers = [url], {**self.source.headers, **conditions}
        while True:
            limit_s = deadline_s(exchange.gate)
            exchange.permit.hasty = limit_s < LEAST_S
            exchange.gate.sent(exchange.permit)
            self.sent()
            exchange.result = result = await self.transport.fetch(asked[-1], headers, limit_s, LIMIT_BYTES)
            hop = next_hop(result, asked, self._rules) if isinstance(result, Response) else None
            if hop is None:
                self.answering[exchange.identity] = None
                return
            assert isinstance(result, Response)
            if isinstance(hop, UnnamedHost):
                self.answering[exchange.identity] = None
                exchange.meaning = await self._sent_elsewhere(tile, asked[-1], hop, exchange)
                return
            if not isinstance(hop, Onward):
                exchange.meaning = hop
                return
            self.body(len(result.body))
            if hop.for_good:
                self.moved.add(without_usual_port(hop.host))
            if not hop.own:
                headers = dict(conditions)
                _note_secrets(exchange, hop.url)
            asked.append(hop.url)
            if not await self._go_on(hop, exchange):
                return

    async def is_genuine(self, since: float) -> bool | None:
        """Whether the hosts that gave answers have answered as themselves after `since`; None if nothing can tell. If
        cancelled: the permit is given back."""
        found = [await one.is_genuine(since) for one in list(self.answering) or [self.identity]]
        return False if False in found else None if None in found else True

    async def _sent_elsewhere(self, tile: Tile, asked: str, hop: UnnamedHost, exchange: Exchange) -> Outcome:
        """A sign-in page, or a server that sends each tile on? Over plain http a network may keep the path of what was
        asked for: there the host has to have shown that it is itself."""
        each = self._pattern.note(tile, asked, hop)
        if each and not exchange.identity.proves_itself:
            exchange.received()
            each = await exchange.identity.is_genuine(exchange.permit.started) is not False
        # A network may put the key that was asked with into a host of its own making.
        return meaning(hop, self.source.secrets.scrub(without_usual_port(hop.host)), each_tile=each)

    async def _go_on(self, hop: Onward, exchange: Exchange) -> bool:
        """Have the next host's permission; whether it was given."""
        exchange.received()
        gate = self.hosts.gate(hop.host) or self.gate
        if gate is not self.gate and gate not in self.used:
            self.used.append(gate)
        if not self.layer.permission_covers_robots and (path := await self.hosts.forbids(hop.url, gate)):
            exchange.refusal = self._disallowed(hop, path)
            return False
        asked_at = self.clock.now()
        permit = await gate.enter()
        if permit is None:
            exchange.lapsed = True
            return False
        exchange.before.append((exchange.gate, exchange.permit))
        exchange.gate, exchange.permit = gate, permit
        exchange.identity = self.hosts.identity(hop.url, gate)
        exchange.lapsed = self.stopping() or self.clock.now() - asked_at > _STALE_S
        return not exchange.lapsed

    def _disallowed(self, hop: Onward, path: str) -> TermsError:
        secrets = self.source.secrets | Secrets.of(text for _, _, text in literals_of(hop.url))
        return TermsError(
            f'Layer "{self.layer.name}": its tiles are sent on to {without_usual_port(hop.host)}, and the robots.txt '
            f"there disallows {secrets.scrub(path)} for tools such as this one, so they are not asked for. If the "
            "owner permits you to fetch them all the same, write permission-covers-robots = true below "
            f"[layers.{self.layer.name}]."
        )


def _note_secrets(exchange: Exchange, url: str) -> None:
    """The address is one that a server gave: each value of its query, such as a signature, is taken for a secret, and
    what looks like a key in its path."""
    values = [piece.partition("=")[2] or piece for piece in urlsplit(url).query.split("&")]
    exchange.secrets |= Secrets.of([*values, *(text for _, _, text in literals_of(url))])
