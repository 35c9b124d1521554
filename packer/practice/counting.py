"""What a practice server was asked: the other side's view of a fetch, for tests to hold it to."""

from __future__ import annotations

import threading
from collections import Counter
from typing import Any

__all__ = ["Counts"]


class Counts:
    """Requests and connections since the start or the last `clear`. Safe to read from any thread.

    `paths` counts requests by path without its query and `statuses` by status; `starts_s` holds the clock's
    reading at each request's start, in seconds. `most_requests` and `most_connections` are the greatest
    numbers in being at one moment; `connections` is the number of TCP connections ever opened.
    """

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._busy = 0
        self._open = 0
        self.clear()

    def clear(self) -> None:
        """Start counting again; requests and connections in being still count towards the next maxima."""
        with self._lock:
            self.paths: Counter[str] = Counter()
            self.statuses: Counter[int] = Counter()
            self.starts_s: list[float] = []
            self.connections = 0
            self.most_requests = self._busy
            self.most_connections = self._open

    @property
    def requests(self) -> int:
        """Requests begun."""
        return len(self.starts_s)

    def begin(self, path: str, now_s: float) -> None:
        """A request has arrived."""
        with self._lock:
            self.paths[path] += 1
            self.starts_s.append(now_s)
            self._busy += 1
            self.most_requests = max(self.most_requests, self._busy)

    def end(self, status: int) -> None:
        """A request is over; status 0 stands for an answer that is not HTTP."""
        with self._lock:
            self.statuses[status] += 1
            self._busy -= 1

    def opened(self) -> None:
        """A connection has been accepted."""
        with self._lock:
            self.connections += 1
            self._open += 1
            self.most_connections = max(self.most_connections, self._open)

    def closed(self) -> None:
        """A connection is gone."""
        with self._lock:
            self._open -= 1

    def per_second(self) -> list[int]:
        """Requests begun in each whole second since the first one, gaps included."""
        with self._lock:
            if not self.starts_s:
                return []
            first = min(self.starts_s)
            seconds = Counter(int(start - first) for start in self.starts_s)
        return [seconds[n] for n in range(max(seconds) + 1)]

    def to_dict(self) -> dict[str, Any]:
        """The same as plain values, for `/counts`."""
        rates = self.per_second()
        with self._lock:
            return {
                "requests": len(self.starts_s),
                "paths": dict(self.paths),
                "statuses": {str(status): n for status, n in self.statuses.items()},
                "most_requests": self.most_requests,
                "connections": self.connections,
                "most_connections": self.most_connections,
                "per_second": rates,
            }
