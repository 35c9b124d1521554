"""How many connections a page served from this machine keeps, for whom, and for how long without progress.

Anybody near the camp's Wi-Fi can open connections and send half a request on each. uvicorn has a limit for all
connections together, over which it answers 503, also to those who have the code, and none for the time that a
request takes to come. So here a connection that has not shown the code counts in a small room of its own, in which a
new one takes the place of the oldest: whoever has the code needs it only for the moment until the code is read.
"""

from __future__ import annotations

import asyncio
import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol, RequestResponseCycle

__all__ = ["ConnectionLimits", "ConnectionTable", "ServedConnection", "protocol_of"]


@dataclass(frozen=True, slots=True)
class ConnectionLimits:
    """The most connections of strangers and of those who have the code, for each address and in all; and times.

    A browser opens six connections to a host. `head_s` is for the whole head of a request, `idle_s` from an answer to
    the end of the next head, `body_s` for a whole body, and `stall_s` for an answer of which nothing is read.
    """

    strangers_each: int = 16
    strangers: int = 48
    admitted_each: int = 48
    admitted: int = 160
    head_s: float = 10.0
    idle_s: float = 15.0
    body_s: float = 30.0
    stall_s: float = 30.0


class ConnectionTable:
    """The open connections of one server, oldest first. A connection is any object; `drop` is called with those that
    have to make room."""

    def __init__(self, limits: ConnectionLimits, drop: Callable[[Any], None]) -> None:
        self.limits = limits
        self._drop = drop
        self._strangers: dict[Any, str] = {}
        self._admitted: dict[Any, str] = {}
        self._busy: set[Any] = set()

    def __len__(self) -> int:
        return len(self._strangers) + len(self._admitted)

    def opened(self, connection: Any, address: str) -> None:
        """A new connection, as yet a stranger's."""
        self._strangers[connection] = address
        self._make_room(self._strangers, address, self.limits.strangers_each, self.limits.strangers)

    def admit(self, connection: Any) -> None:
        """The connection has shown the code."""
        if (address := self._strangers.pop(connection, None)) is not None:
            self._admitted[connection] = address
            self._make_room(self._admitted, address, self.limits.admitted_each, self.limits.admitted)

    def set_busy(self, connection: Any, busy: bool) -> None:
        """Whether the connection waits for an answer."""
        (self._busy.add if busy else self._busy.discard)(connection)

    def closed(self, connection: Any) -> None:
        """The connection is gone."""
        self._strangers.pop(connection, None)
        self._admitted.pop(connection, None)
        self._busy.discard(connection)

    def _make_room(self, room: dict[Any, str], address: str, most_each: int, most: int) -> None:
        of_address = [c for c, a in room.items() if a == address]
        crowd = of_address if len(of_address) > most_each else list(room) if len(room) > most else []
        if crowd:
            # The newest comes last: it goes only where all others wait for answers.
            leaving = next((c for c in crowd if c not in self._busy), crowd[-1])
            self.closed(leaving)
            self._drop(leaving)


class ServedConnection(H11Protocol):
    """uvicorn's connection with a place in the table and time limits. `protocol_of` makes the class that is used."""

    table: ConnectionTable
    admits: Callable[[str], bool]

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """A new connection has until `head_s` to send the head of a request."""
        super().connection_made(transport)
        self._alarm: asyncio.TimerHandle | None = None
        self._seen: Any = None  # the request that was last looked at
        self._stage: tuple[str, Any] = ("", None)
        self._unsent = math.inf
        self._limit(self.table.limits.head_s)
        self.table.opened(self, self.client[0] if self.client else "")

    def connection_lost(self, exc: Exception | None) -> None:
        """The place in the table is free."""
        self._limit(None)
        self.table.closed(self)
        super().connection_lost(exc)

    def handle_events(self) -> None:
        """After uvicorn has dealt with what came: see whose connection this is, and what it waits for."""
        super().handle_events()
        if self.cycle is not self._seen:
            self._seen = self.cycle
            if self.admits(_cookies(self.headers)):
                self.table.admit(self)
        self._follow()

    def on_response_complete(self) -> None:
        """An answer is out."""
        super().on_response_complete()
        self._follow()

    def pause_writing(self) -> None:
        """The answer is not read as fast as it is written."""
        super().pause_writing()
        self._limit(self.table.limits.stall_s)

    def resume_writing(self) -> None:
        """The answer is read."""
        super().resume_writing()
        self._stage = ("", None)
        self._follow()

    def _follow(self) -> None:
        """Set the time limit of what is waited for, if that is something new."""
        limits = self.table.limits
        cycle: RequestResponseCycle | None = self.cycle
        answering = cycle is not None and not cycle.response_complete
        self.table.set_busy(self, answering)
        limit_s: float | None
        if cycle is not None and self.conn.their_state is h11.SEND_BODY:
            stage, limit_s = "body", limits.body_s
        elif answering:
            stage, limit_s = "answer", None  # of events there is no end
        elif cycle is None:
            return  # still the first head
        else:
            stage, limit_s = "idle", limits.idle_s
        if (stage, cycle) != self._stage and not self.flow.write_paused:
            self._stage = stage, cycle
            self._limit(limit_s)

    def _limit(self, seconds: float | None) -> None:
        if self._alarm is not None:
            self._alarm.cancel()
        self._unsent = math.inf
        self._alarm = None if seconds is None else self.loop.call_later(seconds, self._overdue)

    def _overdue(self) -> None:
        """Drop the connection, unless more of an answer has been read since the last look."""
        unsent = self.transport.get_write_buffer_size()
        if 0 < unsent < self._unsent:
            self._unsent = unsent
            self._alarm = self.loop.call_later(self.table.limits.stall_s, self._overdue)
        else:
            self.transport.abort()


def protocol_of(admits: Callable[[str], bool], limits: ConnectionLimits) -> type[ServedConnection]:
    """The class of the connections of one server. `admits` tells by a Cookie header who has the code."""
    table = ConnectionTable(limits, lambda connection: connection.transport.abort())
    return type(
        ServedConnection.__name__, (ServedConnection,), {"table": table, "admits": staticmethod(admits)}
    )


def _cookies(headers: list[tuple[bytes, bytes]]) -> str:
    return next((value.decode("latin-1") for name, value in headers if name == b"cookie"), "")
