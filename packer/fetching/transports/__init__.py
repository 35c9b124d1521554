"""The room for the network: the only place that knows an HTTP library."""

from __future__ import annotations

from functools import cache
from typing import Literal

from packer.errors import InputError
from packer.fetching.transports.transport import FailureKind, Response, Result, Transport, TransportFailure

__all__ = [
    "FailureKind",
    "Response",
    "Result",
    "Transport",
    "TransportFailure",
    "TransportName",
    "open_transport",
    "why_no_pyreqwest",
]

TransportName = Literal["pyreqwest", "httpx"]


@cache
def why_no_pyreqwest() -> str | None:
    """Why pyreqwest cannot be loaded on this system; None where it can."""
    try:
        import pyreqwest.client  # noqa: F401  # there are systems that it has no wheel for
    except ImportError as fault:  # also where its library does not fit the system's
        return str(fault)
    return None


def open_transport(
    kind: TransportName | None,
    *,
    connections: int,
    user_agent: str,
    connect_timeout_s: float = 10.0,
    read_timeout_s: float = 20.0,
    proxy: str | None = None,
) -> Transport:
    """Open one client for a whole run; `None` takes pyreqwest, which is many times faster, or httpx where
    pyreqwest cannot be loaded.

    `connections` caps the requests under way at once, and so the open connections to any one server.
    `user_agent`, `Accept: */*` and `Accept-Encoding: gzip` are the only headers sent beyond what the caller
    gives, and give way to it.
    `proxy` is an address that all traffic goes through; without it HTTP_PROXY, HTTPS_PROXY, ALL_PROXY and
    NO_PROXY are read once, here. Servers are trusted by the system's certificates, or by SSL_CERT_FILE.
    Raises NetworkError if the proxy or the certificates named there cannot be used, and InputError if pyreqwest is
    asked for and cannot be loaded.
    """
    # The libraries load here and not above: `--help` and the offline commands need neither.
    missing = None if kind == "httpx" else why_no_pyreqwest()
    if kind == "pyreqwest" and missing is not None:
        raise InputError(
            f"The transport pyreqwest cannot be loaded on this system: {missing}. Leave --transport out: httpx then "
            "does the same work, more slowly."
        )
    if kind == "httpx" or missing is not None:
        from packer.fetching.transports.httpx_transport import HttpxTransport as Chosen
    else:
        from packer.fetching.transports.pyreqwest_transport import PyreqwestTransport as Chosen  # type: ignore[assignment]  # same signature
    return Chosen(
        connections=connections,
        user_agent=user_agent,
        connect_timeout_s=connect_timeout_s,
        read_timeout_s=read_timeout_s,
        proxy=proxy,
    )
