"""Limits on work that hold on a busy machine: processor time of this process, in place of time on the wall."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager

__all__ = ["little_work"]


@contextmanager
def little_work(seconds: float) -> Iterator[None]:
    """Fails if the work inside takes more than so many seconds of processor time, in all threads together."""
    began = time.process_time()
    yield
    took = time.process_time() - began
    assert took < seconds, f"{took:.1f} s of processor time"
