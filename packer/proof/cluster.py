"""Workers of a cluster in place of this machine's processes. Only this module loads Dask's client: an extra.

Each worker reads the pack for itself, on storage that all of them reach, and says first that it sees the very file that
this machine sees. What it finds is taken as found: a cluster is trusted as this machine is. See docs/hands.md.
"""

from __future__ import annotations

import contextlib
import logging
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Executor
from dataclasses import dataclass
from datetime import datetime
from typing import Any, TypeVar
from urllib.parse import urlsplit

from packer.errors import InputError, LastbarError, StoreError
from packer.sources.own_names import is_loopback
from packer.version import __version__

__all__ = ["LOOK_EVERY_S", "ClusterPool", "WorkerWait", "at_same_version", "cluster_faults", "cluster_pool"]

T = TypeVar("T")

LOOK_EVERY_S = 1.0
"""How long results are waited for before a look at whether anybody is there to bring them."""

_CONNECT_S = 10
_NONE_LEFT_S = 900.0  # a worker's node may have to boot; after that nobody can be said to be at it
_RESTART_S = 3.0  # a worker that died is back by then, where something watches over it
_TELL_EVERY_S = 300.0
_TALKATIVE = ("distributed", "distributed.client", "tornado.application")


@dataclass(frozen=True, slots=True)
class ClusterPool:
    """An executor over the workers at `address`, which have so many threads together. `count` counts those there are
    just now; `on_wait` is told while there are none."""

    address: str
    executor: Executor
    threads: int
    count: Callable[[], int] = lambda: 1
    on_wait: Callable[[str], None] = lambda _text: None


class WorkerWait:
    """Watches over one piece of work on a cluster: says so while no worker is left, and ends it once none has joined
    for 15 minutes. `again` is what to do then, as for `cluster_faults`."""

    def __init__(
        self, pool: ClusterPool, what: str, again: str, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._pool, self._what, self._again, self._clock = pool, what, again, clock
        self._since: float | None = None
        self._tell_at = 0.0
        self.told = ""

    def look(self) -> None:
        """To be called while nothing comes; `told` is then what is waited for, "" where a worker is there. Raises
        StoreError once it was waited for in vain, and what tells of a scheduler that is gone."""
        now = self._clock()
        if self._pool.count():
            if self.told:
                self._pool.on_wait("A worker has joined the cluster. Going on.")
            self._since, self.told = None, ""
            return
        if self._since is None:
            self._since, self._tell_at = now, now + _RESTART_S
        if now - self._since >= _NONE_LEFT_S:
            address, waited = self._pool.address, f"{_NONE_LEFT_S / 60:.0f} min"
            raise StoreError(
                f"No worker has joined the cluster at {address} for {waited}, so it did not finish {self._what}. Start "
                f"some (dask worker {address}) and {self._again} again, or do it without --cluster."
            )
        if now >= self._tell_at:
            until = datetime.fromtimestamp(time.time() + self._since + _NONE_LEFT_S - now)
            self.told = f"no worker is left; waiting until {until:%H:%M} for one to join"
            self._tell_at = now + _TELL_EVERY_S
            self._pool.on_wait(
                f"No worker of the cluster is left. Waiting until {until:%H:%M} for one to join; this starts one: dask "
                f"worker {self._pool.address}\nCtrl-C ends the wait. Nothing that was written is lost."
            )


def at_same_version(version: str, task: Callable[..., T], /, *given: Any, **named: Any) -> T:
    """A task at a worker, which may have joined later: done only where this program has the same version. Raises
    StoreError, and what the task raises."""
    if version != __version__:
        raise StoreError(
            f"A worker of the cluster has version {__version__} of lastbar, the machine that it works for has "
            f"{version}. Put the same version on all."
        )
    return task(*given, **named)


@contextlib.contextmanager
def cluster_pool(
    address: str | None, on_wait: Callable[[str], None] = lambda _text: None
) -> Iterator[ClusterPool | None]:
    """The workers of the Dask scheduler at an address such as "tls://10.0.0.5:8786"; None where no address is given.
    `on_wait` is told while the last of them is gone.

    The certificates for TLS are those of Dask's own settings. Raises InputError for an address without TLS that is not
    on this machine, where nobody answers, where there is no worker, and where one has another version of Lastbar.
    """
    if address is None:
        yield None
        return
    _check(address)
    try:
        from distributed import Client
    except ImportError:
        raise InputError("--cluster needs the package distributed: pip install 'lastbar[hands]'") from None
    for name in _TALKATIVE:  # they write tracebacks of what is told in a sentence here
        logging.getLogger(name).setLevel(logging.CRITICAL)
    try:
        client = Client(address, timeout=_CONNECT_S, set_as_default=False)
    except (OSError, ValueError, TypeError) as fault:
        raise InputError(
            f"No Dask scheduler answers at {address} ({fault}). Check the address, and the certificates in Dask's "
            "settings, or leave out --cluster to do it on this machine."
        ) from None
    with client:
        _check_workers(client, address)
        threads = sum(client.nthreads().values())
        yield ClusterPool(
            address, client.get_executor(pure=False), threads, lambda: len(client.nthreads()), on_wait
        )


@contextlib.contextmanager
def cluster_faults(pool: ClusterPool, what: str, again: str) -> Iterator[None]:
    """What is done with the results of workers: raises StoreError for whatever ends a worker, a scheduler or the way
    there. `what` did not come to its end then, and `again` is what to do once more."""
    try:
        yield
    except LastbarError:
        raise
    except Exception as fault:
        raise StoreError(
            f"The cluster at {pool.address} did not finish {what} ({type(fault).__name__}). {again.capitalize()} "
            "again, or without --cluster."
        ) from fault


def _check(address: str) -> None:
    try:
        parts = urlsplit(address)
        safe = parts.scheme == "tls" or (parts.scheme == "tcp" and is_loopback(parts.hostname or ""))
        if parts.port and safe:
            return
    except ValueError:
        pass
    raise InputError(
        f'--cluster {address}: it should be the address of a Dask scheduler, such as "tls://10.0.0.5:8786". Without '
        'TLS only one on this machine is used: "tcp://127.0.0.1:8786".'
    )


def _check_workers(client: Any, address: str) -> None:
    """Raises InputError where there is no worker, or one that does not have this version of Lastbar."""
    try:
        versions: dict[str, str] = client.run(_version)
    except Exception as fault:
        raise InputError(
            f"A worker of the cluster at {address} cannot run this program ({type(fault).__name__}: {fault}). Put "
            f"version {__version__} of lastbar on all, with what it needs."
        ) from fault
    if not versions:
        raise InputError(f"The scheduler at {address} has no worker yet. Start some: dask worker {address}")
    for worker, version in versions.items():
        if version != __version__:
            raise InputError(
                f"The worker {worker} has version {version} of lastbar, this machine has {__version__}. Put the "
                "same version on all."
            )


def _version() -> str:
    from packer.version import __version__ as version

    return version
