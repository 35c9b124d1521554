"""What the desk tells its pages as it happens: the latest of each kind, at most so often a second."""

from __future__ import annotations

import asyncio
import json
import threading
from collections.abc import AsyncIterator
from typing import Any

__all__ = ["Events"]

_LEAST_APART_S = 0.25  # a page needs no more; a fetch tells of itself far more often


class Events:
    """A board of the latest event of each kind, which any number of pages follow. Safe from any thread.

    A page that is slow misses what was overtaken, never the last. Nothing is kept for a page that is gone.
    """

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._latest: dict[str, tuple[int, Any]] = {}
        self._count = 0
        self._closed = False
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

    def close(self) -> None:
        """Let every page go, at the end."""
        self._closed = True
        with self._lock:
            followers = list(self._followers)
        for loop, news in followers:
            if not loop.is_closed():
                loop.call_soon_threadsafe(news.set)

    async def follow(self) -> AsyncIterator[dict[str, str]]:
        """Every kind's latest event, then what comes, each as `event` and `data`.

        If cancelled: the page is forgotten.
        """
        news, seen = asyncio.Event(), 0
        news.set()
        follower = asyncio.get_running_loop(), news
        with self._lock:
            self._followers.add(follower)
        try:
            while not self._closed:
                await news.wait()
                news.clear()
                with self._lock:
                    fresh = sorted((at, kind, what) for kind, (at, what) in self._latest.items() if at > seen)
                for at, kind, what in fresh:
                    seen = at
                    yield {"event": kind, "data": json.dumps(what, ensure_ascii=False, separators=(",", ":"))}
                if not self._closed:
                    await asyncio.sleep(_LEAST_APART_S)
        finally:
            with self._lock:
                self._followers.discard(follower)
