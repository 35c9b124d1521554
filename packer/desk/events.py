"""What the desk tells its pages as it happens: the latest of each kind, at most so often a second."""

from __future__ import annotations

import asyncio
import json
import threading
from typing import Any, Self

from sse_starlette.sse import EventSourceResponse
from starlette.types import Receive, Scope, Send

__all__ = ["LEAST_APART_S", "MOST_APART_S", "Events", "EventsResponse", "Follower"]

_PING_S = 15
LEAST_APART_S = 0.25  # a page needs no more
MOST_APART_S = 60.0


class Events:
    """A board of the latest event of each kind, which any number of pages follow. Safe from any thread.

    A page that is slow misses what was overtaken, never the last. Nothing is kept for a page that is gone.
    """

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._latest: dict[str, tuple[int, Any]] = {}
        self._count = 0
        self.closed = False
        self._followers: set[tuple[asyncio.AbstractEventLoop, asyncio.Event]] = set()

    def tell(self, kind: str, what: Any) -> None:
        """Put up an event; `what` is plain data."""
        with self._lock:
            self._count += 1
            self._latest[kind] = (self._count, what)
            followers = list(self._followers)
        for loop, news in followers:
            if not loop.is_closed():
                loop.call_soon_threadsafe(news.set)

    def join(self, follower: tuple[asyncio.AbstractEventLoop, asyncio.Event]) -> None:
        """Wake this one at every event from now on."""
        with self._lock:
            self._followers.add(follower)

    def leave(self, follower: tuple[asyncio.AbstractEventLoop, asyncio.Event]) -> None:
        """Wake it no more."""
        with self._lock:
            self._followers.discard(follower)

    @property
    def followed(self) -> bool:
        """Whether any page is open."""
        with self._lock:
            return bool(self._followers)

    def close(self) -> None:
        """Let every page go, at the end."""
        self.closed = True
        with self._lock:
            followers = list(self._followers)
        for loop, news in followers:
            if not loop.is_closed():
                loop.call_soon_threadsafe(news.set)

    def follow(self, apart_s: float = LEAST_APART_S) -> Follower:
        """What one page follows, told of news at most so often; its `forget` has to be called when the page is gone.
        Belongs to the running loop."""
        return Follower(self, apart_s)

    def latest(self, seen: int) -> list[tuple[int, str, Any]]:
        """The kinds with news since number `seen`: number, kind and event, oldest first."""
        with self._lock:
            return sorted((at, kind, what) for kind, (at, what) in self._latest.items() if at > seen)


class Follower:
    """Every kind's latest event, then what comes, each as `event` and `data`: what one page is sent.

    An iterator and no generator: a page may go away at any moment, even while the next event is waited for, and a
    generator that was left there cannot be closed ("asynchronous generator is already running").
    """

    def __init__(self, events: Events, apart_s: float = LEAST_APART_S) -> None:
        self._events, self._seen, self._apart_s = events, 0, apart_s
        self._news, self._fresh = asyncio.Event(), list[tuple[int, str, Any]]()
        self._told = 0.0
        self._key = asyncio.get_running_loop(), self._news
        self._news.set()
        events.join(self._key)

    def forget(self) -> None:
        """The page is gone: nothing is told to it any more."""
        self._events.leave(self._key)

    def __aiter__(self) -> Self:
        return self

    async def __anext__(self) -> dict[str, str]:
        """The next event. If cancelled: none is lost."""
        loop = self._key[0]
        while not self._fresh:
            if self._events.closed:
                raise StopAsyncIteration
            if (soon := self._told + self._apart_s - loop.time()) > 0:
                await asyncio.sleep(soon)
            await self._news.wait()
            self._news.clear()
            self._told = loop.time()
            self._fresh = self._events.latest(self._seen)
        self._seen, kind, what = self._fresh.pop(0)
        return {"event": kind, "data": json.dumps(what, ensure_ascii=False, separators=(",", ":"))}


class EventsResponse(EventSourceResponse):
    """A stream of events for one page, which is forgotten however the stream ends."""

    def __init__(self, follower: Follower) -> None:
        super().__init__(follower, ping=_PING_S)
        self._follower = follower

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Send events until the page goes away. If cancelled: the page is forgotten."""
        try:
            await super().__call__(scope, receive, send)
        finally:
            self._follower.forget()
