"""Workers of a cluster in place of this machine's processes. Only this module loads Dask's client: an extra.

Each worker reads the pack for itself, on storage that all of them reach, and says first that it sees the very file that
this machine sees. What it finds is taken as found: a cluster is trusted as this machine is. See docs/hands.md.
"""

from __future__ import annotations

import contextlib
import logging
from collections.abc import Iterator
from concurrent.futures import Executor
from dataclasses import dataclass
from urllib.parse import urlsplit

from packer.errors import InputError, LastbarError, StoreError
from packer.sources.own_names import is_loopback
from packer.version import __version__

__all__ = ["ClusterPool", "cluster_faults", "cluster_pool"]

_CONNECT_S = 10
_TALKATIVE = ("distributed", "distributed.client", "tornado.application")


@dataclass(frozen=True, slots=True)
class ClusterPool:
    """An executor over the workers at `address`, which have so many threads together."""

    address: str
    executor: Executor
    threads: int


@contextlib.contextmanager
def cluster_pool(address: str | None) -> Iterator[ClusterPool | None]:
    """The workers of the Dask scheduler at an address such as "tls://10.0.0.5:8786"; None where no address is given.

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
        versions: dict[str, str] = client.run(_version)
        if not versions:
            raise InputError(
                f"The scheduler at {address} has no worker yet. Start some: dask worker {address}"
            )
        for worker, version in versions.items():
            if version != __version__:
                raise InputError(
                    f"The worker {worker} has version {version} of lastbar, this machine has {__version__}. Put the "
                    "same version on all."
                )
        threads = sum(client.nthreads().values())
        yield ClusterPool(address, client.get_executor(pure=False), threads)


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


def _version() -> str:
    from packer.version import __version__ as version

    return version
