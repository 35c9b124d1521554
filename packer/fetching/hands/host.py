"""The planning machine's end of hands in a run: who may join, where, and the processes that are started here."""

from __future__ import annotations

import asyncio
import os
import subprocess
import sys
from collections.abc import AsyncIterator, Callable
from contextlib import AsyncExitStack, asynccontextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from packer.common.clock import Clock
from packer.common.own_process import own_command
from packer.errors import DiskError, InputError
from packer.fetching.hands.dealer import Dealer
from packer.fetching.hands.hands_fetcher import HandsFetcher
from packer.fetching.hands.one_request_transport import OneRequestTransport
from packer.fetching.hands.orders import Orders, Place, gate_orders, layer_order
from packer.fetching.hosts.address_trial import TELLING_ZOOM, trial_tiles
from packer.fetching.hosts.host_identity import SharedGate
from packer.fetching.layer_run import LayerRun
from packer.fetching.run_log import RunLog
from packer.planning.brief import Brief
from packer.planning.plan import Plan

if TYPE_CHECKING:
    from packer.fetching.hands.join_code import Identity

__all__ = ["CODE_VARIABLE", "MOST_HERE", "SHARE", "Hands", "RunParts", "check_hands", "hands_at_work"]

MOST_HERE = 64
"""Processes that may be started on this machine."""

SHARE = "share"
"""In place of an address: the only one that this machine has in a local network."""

CODE_VARIABLE = "LASTBAR_JOIN_CODE"
"""In which a process that is started here gets the code: other users see the arguments of a process."""

_LOOK_EVERY_S = 1.0
_GOODBYE_S = 1.5  # until every hand has asked how it goes, and was told
_END_S = 5.0
_LOOPBACK = "127.0.0.1"


@dataclass(frozen=True, slots=True)
class Hands:
    """Who is to fetch in place of this process: `count` processes here, and with `place`, as HOST or HOST:PORT, other
    machines that reach it there. `on_code` is given the code by which those join."""

    count: int = 0
    place: str | None = None
    on_code: Callable[[str], None] = lambda _code: None


def check_hands() -> None:
    """Raises InputError where what hands need is not installed."""
    try:
        import cryptography
        import distributed  # noqa: F401
        import msgpack  # noqa: F401

        del cryptography
    except ImportError as fault:
        raise InputError(
            f"Fetching with several machines needs packages that are not installed here ({fault}). Install them with: "
            'pip install "lastbar[hands]"'
        ) from None


@asynccontextmanager
async def hands_at_work(
    hands: Hands,
    run: RunParts,
    all_gates: tuple[dict[str, SharedGate], dict[str, SharedGate]],
) -> AsyncIterator[Dealer]:
    """Let hands join while the context lasts. Raises InputError where nobody can listen at the place, DiskError. If
    cancelled, or once it ends: hands are told that the run has ended, and processes that were started here end."""
    from packer.fetching.hands.join_code import kept_identity

    await _close_idle(run)
    dealer = _dealer(run, all_gates)
    identity = await asyncio.to_thread(kept_identity, run.store)
    async with _joining(hands.place or _LOOPBACK, identity, dealer) as code:
        if hands.place is not None:
            hands.on_code(code)
        processes = [_start(code, number, hands.count) for number in range(hands.count)]
        looking = asyncio.create_task(_look(dealer))
        try:
            yield dealer
        finally:
            dealer.ended = dealer.ended or "stopped"
            await dealer.all_told(_GOODBYE_S)
            looking.cancel()
            await asyncio.gather(looking, return_exceptions=True)
            await asyncio.to_thread(_end, processes)


async def _close_idle(run: RunParts) -> None:
    """What robots.txt came by counts at its server as long as it is open: nothing is lent before it is closed. If
    cancelled: it closes all the same."""
    for transport in {
        id(la.fetcher.requests.transport): la.fetcher.requests.transport for la in run.layers
    }.values():
        if isinstance(transport, OneRequestTransport):
            await transport.close_idle()


def _dealer(run: RunParts, all_gates: tuple[dict[str, SharedGate], dict[str, SharedGate]]) -> Dealer:
    """What deals for the layers of a run that are lent; their gates lend from now on."""
    fetchers = {la.layer.name: la.fetcher for la in run.layers if isinstance(la.fetcher, HandsFetcher)}
    at = [{name: s for name, s in gates.items() if fetchers.keys() & set(s.layers)} for gates in all_gates]
    named, told = gate_orders(at[0], at[1])
    layers_at = {
        name: sorted(
            {la for gates in at for s in gates.values() if s.gate is gate for la in s.layers}
            & fetchers.keys()
        )
        for name, gate in named.items()
    }
    dealer = Dealer(run.clock, fetchers, named, layers_at, lambda: run.orders(told), run.log.event)
    lag_s = max((gate.book.lag_s for gate in named.values()), default=0.0)
    for fetcher in fetchers.values():
        fetcher.lend(dealer.roster, lag_s)
    for gate in named.values():
        gate.lending = True
    return dealer


@asynccontextmanager
async def _joining(place: str, identity: Identity, dealer: Dealer) -> AsyncIterator[str]:
    """Answer hands at a place while the context lasts; gives the code by which they join. Raises InputError. If
    cancelled: nobody can join any more."""
    from packer.fetching.hands.channel import listening
    from packer.fetching.hands.join_code import planner_context

    host, port = _host_and_port(place)
    shown = f"[{host}]" if ":" in host else host
    async with AsyncExitStack() as stack:
        ports = [port] if port else [_usual_port(identity.secret), 0]
        for number, wanted in enumerate(ports):
            try:
                found = await stack.enter_async_context(
                    listening(f"{shown}:{wanted}", planner_context(identity), dealer.answer, dealer.hung_up)
                )
                break
            except OSError as fault:
                if number == len(ports) - 1:
                    raise InputError(
                        f"Hands cannot join at {place}: {fault.strerror or fault}. Give the address of this machine in "
                        "the network of the hands, and a free port."
                    ) from None
        yield str(identity.code(f"{shown}:{found}"))


async def _look(dealer: Dealer) -> None:
    """If cancelled: nothing is held."""
    while True:
        await dealer.clock.sleep(_LOOK_EVERY_S)
        dealer.look()


def _usual_port(secret: bytes) -> int:
    """The same at each start, so that hands find their way back: of those that are free for anybody (RFC 6335, section
    6)."""
    return 49_152 + int.from_bytes(secret[:2], "big") % 16_384


def _host_and_port(place: str) -> tuple[str, int]:
    host, colon, port = place.rpartition(":")
    if not colon or (":" in host and not place.startswith("[")):
        return place.strip("[]"), 0
    if not (port.isascii() and port.isdigit() and int(port) < 65_536):
        raise InputError(f"--hands {place}: after the colon the number of a port is to come.")
    return host.strip("[]"), int(port)


def _start(code: str, number: int, count: int) -> subprocess.Popen[bytes]:
    """A hand here. It ends with this process, whose end of its input it watches."""
    name = "this machine" if count == 1 else f"process {number + 1}"
    command = own_command("hand", "--name", name, "--below")
    # Ctrl-C reaches every process of the terminal; when this one ends is for the fetch to say.
    own_group: dict[str, Any] = (
        {"creationflags": 0x200} if sys.platform == "win32" else {"start_new_session": True}
    )
    environment = {**os.environ, CODE_VARIABLE: code}
    quiet = subprocess.DEVNULL
    try:
        return subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=quiet, stderr=quiet, env=environment, **own_group
        )
    except OSError as fault:
        raise DiskError(f"A process for another hand cannot be started: {fault.strerror or fault}.") from None


def _end(processes: list[subprocess.Popen[bytes]]) -> None:
    for process in processes:
        if process.stdin is not None:
            with suppress(OSError):
                process.stdin.close()
    for process in processes:
        try:
            process.wait(_END_S)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()


@dataclass(frozen=True, slots=True)
class RunParts:
    """What of a run the hands have to do with."""

    brief: Brief
    plan: Plan
    store: Path
    clock: Clock
    log: RunLog
    layers: list[LayerRun]
    _trial: dict[str, tuple[Place, ...]] = field(default_factory=dict)

    def orders(self, gates: list[dict[str, Any]]) -> dict[str, Any]:
        """What hands are told just now: other keys and the kind of tile come into it as they are known."""
        layers = [self._order(la) for la in self.layers if isinstance(la.fetcher, HandsFetcher)]
        told = {"title": self.brief.title, "contact": self.brief.contact, "gates": gates, "layers": layers}
        return Orders.model_validate(told).model_dump()

    def _order(self, run: LayerRun) -> dict[str, Any]:
        telling = min(TELLING_ZOOM, run.planned.zooms[-1])
        kind = run.fetcher.reader.kind
        proven = any(zoom >= telling for zoom in run.pack.held.zooms)
        if (name := run.layer.name) not in self._trial:  # to look through a large plan takes a while
            self._trial[name] = tuple(trial_tiles(run.planned))
        return layer_order(
            run.layer,
            run.fetcher.requests.source,
            kind=None if kind is None else kind.value,
            proven=proven or run.fetcher.counts.stored > 0,
            key_came=proven and run.key_wait.keys.renews_itself,
            telling_zoom=telling,
            trial=self._trial[name],
        )
