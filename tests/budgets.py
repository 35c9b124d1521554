"""How much work a test may cause, in processor time of this process, and how often it tries its luck."""

from __future__ import annotations

import os
import time
from collections.abc import Iterator
from contextlib import contextmanager

__all__ = ["little_work", "tries"]

_LONG = os.environ.get("LASTBAR_TESTS_LONG") == "1"


def tries(few: int, many: int) -> int:
    """How often a test does what chance decides: `few` times, with LASTBAR_TESTS_LONG=1 `many` times."""
    return many if _LONG else few


@contextmanager
def little_work(seconds: float) -> Iterator[None]:
    """Fails if the work inside takes more than so many seconds of processor time, in all threads together."""
    began = time.process_time()
    yield
    took = time.process_time() - began
    assert took < seconds, f"{took:.1f} s of processor time"
