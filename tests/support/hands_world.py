"""Planning machines and hands in one process, on a clock that jumps, over a network that is cut and hosts that are
scripted. What dies, freezes or is cut off costs no time, and happens at the very moment that a test names."""

from __future__ import annotations

import asyncio
import random
from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from typing import Any

import msgpack
import pytest

from packer.fetching import batch_writer
from packer.fetching.hands import hand as hand_module
from packer.fetching.hands import hand_layers, hands_fetcher, host
from packer.fetching.hands.dealer import Dealer, Message
from packer.fetching.hands.hand import HandNews, Joined
from packer.fetching.hands.host import Hands
from packer.fetching.reports import FetchReport, LayerProgress, Options
from packer.fetching.run import run_fetch
from packer.fetching.transports import Response, Result
from packer.geometry.tileset import Tile
from packer.planning.brief import Brief
from packer.planning.plan import plan
from tests.fakes import VirtualClock, no_tile, tile_answer
from tests.support.lease_ledger import LeaseLedger, recorded_leases

__all__ = ["HandMachine", "HandsWorld", "Script", "tile_of"]

Script = Callable[[str, Mapping[str, str]], Result]
_UNHEARD_S = 10.0  # after which whoever asks over a cut line hears that nobody answers


def tile_of(url: str) -> Tile | None:
    """The tile that an address ends with, None if it is that of another thing."""
    parts = url.partition("?")[0].removesuffix(".png").split("/")[-3:]
    return Tile(*map(int, parts)) if all(part.isdigit() for part in parts) else None


def usual(url: str, _headers: Mapping[str, str]) -> Result:
    """A tile of its own at each place, and no robots.txt."""
    tile = tile_of(url)
    return no_tile(404) if tile is None else tile_answer(tile)


class HandsWorld:
    """One server, one planning machine at a time, and hands. `asked` is the server's ledger: when each tile was asked
    for; `leases` the planning machine's."""

    def __init__(self, clock: VirtualClock, script: Script = usual) -> None:
        self.clock, self.script, self.chance = clock, script, random.Random(3)
        self.asked: list[tuple[float, Tile]] = []
        self.requests: list[tuple[float, str, Mapping[str, str]]] = []
        self.received: list[tuple[float, int]] = []  # when answers came, and of how many bytes
        self.open = self.most_open = self.busy = self.most_at_once = 0
        self.delay_s = 0.02
        self.leases = LeaseLedger()
        self.dealer: Dealer | None = None
        self.closes = asyncio.Event()  # once set, connections that are to be closed are
        self.closes.set()

    def patch(self, monkeypatch: pytest.MonkeyPatch) -> None:
        """Have planning machine and hands talk to each other, and to the server, through this world alone."""
        monkeypatch.setattr(host, "_joining", self._joining)
        monkeypatch.setattr(hand_module, "open_channel", self._open_channel)
        monkeypatch.setattr(hand_layers, "open_transport", self._transport_of)
        monkeypatch.setattr(batch_writer, "BATCH_AGE_S", 0.0)  # it goes by the machine's clock
        monkeypatch.setattr(hands_fetcher, "TileLeases", recorded_leases(self._note, self.clock.now))

    def _note(self, what: str, name: str, when: float, tiles: list[Tile]) -> None:
        if what == "granted":
            self.leases.granted(name, tiles, when)
        elif what == "extended":
            self.leases.extended(name, when)
        else:
            self.leases.ended(name, tiles, when, what)

    @asynccontextmanager
    async def _joining(self, _place: str, _identity: object, dealer: Dealer) -> AsyncIterator[str]:
        self.dealer = dealer
        try:
            yield "code"
        finally:
            if self.dealer is dealer:
                self.dealer = None

    async def _open_channel(self, _place: str, context: Any, _within_s: float) -> WorldChannel:
        machine: HandMachine = context
        return await machine.open_channel()

    def _transport_of(self, transport: Any, **_: object) -> WorldTransport:
        return WorldTransport(self, transport)

    def transport(self, *_: object, **__: object) -> WorldTransport:
        """That of a planning machine."""
        return WorldTransport(self, None)

    @asynccontextmanager
    async def planning(self, brief: Brief, options: Options | None = None) -> AsyncIterator[WorldPlanner]:
        """A planning machine at work, ended whatever becomes of it."""
        planner = WorldPlanner(self, brief, options or Options(log=True))
        try:
            async with asyncio.timeout(240):
                yield planner
        finally:
            await planner.end()

    def most_in(self, seconds: float) -> int:
        """The most requests for tiles within so long a time."""
        times = [when for when, _ in sorted(self.asked)]
        return max((sum(t <= other < t + seconds for other in times) for t in times), default=0)


class WorldPlanner:
    """A run with hands: where it stands, and its report once it has ended."""

    def __init__(self, world: HandsWorld, brief: Brief, options: Options) -> None:
        self.world, self.brief, self.stop = world, brief, asyncio.Event()
        self.layers: list[LayerProgress] = []
        run = run_fetch(
            brief,
            plan(brief),
            options,
            clock=world.clock,
            stop=self.stop,
            on_progress=self._note,
            make_transport=world.transport,
            hands=Hands(0, "here"),
        )
        self.run: asyncio.Task[FetchReport] = asyncio.create_task(run)

    def _note(self, layers: list[LayerProgress]) -> None:
        self.layers = layers

    @property
    def stored(self) -> int:
        """Tiles that came in this run."""
        return sum(layer.counts.stored for layer in self.layers)

    async def until(self, there: Callable[[], bool]) -> None:
        """Until then, or the end of the run."""
        while not there() and not self.run.done():
            await self.world.clock.sleep(0.05)

    def log(self) -> str:
        """What the run has written down."""
        return (self.brief.store_folder / "lastbar.log.jsonl").read_text(encoding="utf-8")

    async def end(self) -> None:
        """As if its process died: nobody hears of it."""
        self.world.dealer = None
        self.run.cancel()
        await asyncio.gather(self.run, return_exceptions=True)
        self.world.leases.restarted()


@dataclass
class HandMachine:
    """A hand and the machine that it runs on: frozen while `awake` is not set, cut off from the planning machine while
    `line` is not, and deaf for the next `deaf` answers. It reaches the server all the same, unless `link` says no."""

    world: HandsWorld
    name: str
    awake: asyncio.Event = field(default_factory=asyncio.Event)
    line: asyncio.Event = field(default_factory=asyncio.Event)
    stop: asyncio.Event = field(default_factory=asyncio.Event)
    news: HandNews = field(default_factory=HandNews)
    notes: list[str] = field(default_factory=list)
    skew_s: float = 0.0
    deaf: int = 0
    link: Callable[[], Result | None] = lambda: None
    numbers: set[str] = field(default_factory=set)  # by which it has said something

    def __post_init__(self) -> None:
        self.awake.set()
        self.line.set()
        joined = Joined("planner:1", self, self.name, self)  # type: ignore[arg-type]  # which machine it is
        self.task = asyncio.create_task(
            hand_module.hand(joined, MachineClock(self), self.stop, self.news, self.notes.append)
        )

    async def open_channel(self) -> WorldChannel:
        await self.up()
        if self.world.dealer is None:
            raise OSError("nobody is there")
        return WorldChannel(self, self.world.dealer)

    async def up(self) -> None:
        """Wait while the machine is frozen."""
        while not self.awake.is_set():
            await self.awake.wait()

    async def kill(self) -> None:
        """As SIGKILL does: nothing is said any more, and its connections are closed."""
        self.task.cancel()
        await asyncio.gather(self.task, return_exceptions=True)
        if self.world.dealer is not None and self.line.is_set():
            for number in self.numbers:
                self.world.dealer.hung_up(number)


@dataclass
class MachineClock:
    """The clock of a hand's machine: on the wall it may be wrong by `skew_s`."""

    machine: HandMachine

    def now(self) -> float:
        return self.machine.world.clock.now()

    def wall(self) -> float:
        return self.machine.world.clock.wall() + self.machine.skew_s

    def chance(self) -> float:
        return self.machine.world.clock.chance()

    async def sleep(self, seconds: float) -> None:
        await self.machine.world.clock.sleep(seconds)
        await self.machine.up()


def _sent(message: Message) -> Message:
    """As it comes out at the other end, where the keys of tables are texts."""
    found = msgpack.unpackb(msgpack.packb(message, use_bin_type=True), raw=False, strict_map_key=True)
    assert isinstance(found, dict)
    return found


@dataclass
class WorldChannel:
    """A line to the planning machine. While it is cut, what is said arrives once it is whole again, and whoever asked
    has given up by then."""

    machine: HandMachine
    dealer: Dealer
    closed: bool = False

    async def ask(self, message: Message) -> Message:
        world = self.machine.world
        self.machine.numbers.add(message["hand"])
        await world.clock.sleep(0.002)
        await self.machine.up()
        if not self.machine.line.is_set():
            late = asyncio.create_task(self._late(message))
            await world.clock.sleep(_UNHEARD_S)
            del late
            raise OSError("no answer")
        if self.closed or world.dealer is not self.dealer:
            raise OSError("closed")
        told = _sent(await self.dealer.answer(_sent(message)))
        await world.clock.sleep(0.002)
        await self.machine.up()
        if self.machine.deaf and told.get("deal"):
            self.machine.deaf -= 1
            raise OSError("closed")
        if not self.machine.line.is_set():
            await world.clock.sleep(_UNHEARD_S)
            raise OSError("no answer")
        if world.dealer is not self.dealer:
            raise OSError("closed")
        return told

    async def _late(self, message: Message) -> None:
        await self.machine.line.wait()
        if self.machine.world.dealer is self.dealer:
            await self.dealer.answer(message)

    def close(self) -> None:
        self.closed = True


class WorldTransport:
    """Connections to the server, made when needed and kept. `machine` is a hand, None for the planning machine."""

    def __init__(self, world: HandsWorld, machine: HandMachine | None) -> None:
        self.world, self.machine, self.idle = world, machine, 0

    def drop_idle(self) -> None:
        self.world.open -= self.idle
        self.idle = 0

    async def idle_closed(self) -> None:
        await self.world.closes.wait()

    async def fetch(
        self, url: str, headers: Mapping[str, str], deadline_s: float, limit_bytes: int
    ) -> Result:
        world = self.world
        if self.machine is not None and (fault := self.machine.link()) is not None:
            await world.clock.sleep(world.delay_s)
            return fault
        if self.idle:
            self.idle -= 1
        else:
            world.open += 1
            world.most_open = max(world.most_open, world.open)
        world.busy += 1
        world.most_at_once = max(world.most_at_once, world.busy)
        world.requests.append((world.clock.now(), url, dict(headers)))
        if (tile := tile_of(url)) is not None:
            world.asked.append((world.clock.now(), tile))
        try:
            await world.clock.sleep(world.delay_s * (0.5 + world.chance.random()))
            answer = world.script(url, headers)
        except BaseException:
            world.open -= 1
            raise
        finally:
            world.busy -= 1
        if headers.get("Connection") == "close":
            world.open -= 1
        else:
            self.idle += 1
        if isinstance(answer, Response):
            world.received.append((world.clock.now(), len(answer.body)))
        if self.machine is not None:
            await self.machine.up()
        return answer

    async def aclose(self) -> None:
        self.drop_idle()
