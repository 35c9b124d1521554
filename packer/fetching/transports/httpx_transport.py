"""The transport over httpx: slower, all Python, and the one that can be watched with the usual tools."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import operator
import os
import socket
import ssl
from collections.abc import Iterator, Mapping
from http.cookiejar import CookieJar, DefaultCookiePolicy
from typing import Any

import certifi
import httpx

from packer.errors import NetworkError
from packer.fetching.transports.failures import (
    DEFAULT_HEADERS,
    IDLE_S,
    head_failure,
    joined,
    kind_of_errno,
    safe_wording,
)
from packer.fetching.transports.proxies import Proxies
from packer.fetching.transports.transport import FailureKind, Response, Result, TransportFailure

__all__ = ["HttpxTransport"]

CLOSE_S = 2.0

# httpx has no public way to ask for bytes past the end of a body, see `_has_surplus`.
_surplus = operator.attrgetter("_stream._httpcore_stream._stream._connection._h11_state.trailing_data")


class HttpxTransport:
    """A `Transport` over one `httpx.AsyncClient`, HTTP/1.1 only."""

    def __init__(
        self,
        *,
        connections: int,
        user_agent: str,
        connect_timeout_s: float = 10.0,
        read_timeout_s: float = 20.0,
        proxy: str | None = None,
    ) -> None:
        # Both log whole addresses, query and all, at levels that a debugging user turns on.
        for name in ("httpx", "httpcore"):
            logging.getLogger(name).setLevel(logging.WARNING)
        self._proxies = Proxies.given_or_from_environment(proxy)
        # The pool's work grows with the square of its queue, so the queue stands before it. Were fewer idle
        # connections kept than open ones, most would be closed after one tile.
        self._slots = asyncio.Semaphore(connections)
        limits = httpx.Limits(
            max_connections=connections, max_keepalive_connections=connections, keepalive_expiry=IDLE_S
        )
        try:
            self._client = httpx.AsyncClient(
                headers={"User-Agent": user_agent, **DEFAULT_HEADERS},
                timeout=httpx.Timeout(read_timeout_s, connect=connect_timeout_s, pool=None),
                limits=limits,
                verify=_trust(),
                proxy=proxy,
                follow_redirects=False,
                cookies=CookieJar(DefaultCookiePolicy(allowed_domains=[])),  # takes no cookie from anyone
            )
        except (ImportError, ValueError, httpx.InvalidURL):
            raise NetworkError(
                "The proxy address in the settings or in HTTP_PROXY, HTTPS_PROXY or ALL_PROXY cannot be used "
                "here. Write it as http://host:port; for a SOCKS proxy take the pyreqwest transport."
            ) from None
        del self._client.headers["Connection"]  # keep-alive is the rule in HTTP/1.1 and need not be said

    async def fetch(
        self, url: str, headers: Mapping[str, str], deadline_s: float, limit_bytes: int
    ) -> Result:
        """See `Transport.fetch`. Raises ValueError for an address or a header that cannot be sent.

        If cancelled: the connection is closed unless the body was read to its end, and the slot is free.
        """
        progress = _BodyProgress(
            waiting_for_proxy=url.startswith("https:") and bool(self._proxies.for_url(url))
        )
        try:
            async with asyncio.timeout(deadline_s) as timer, self._slots:
                return await self._exchange(url, headers, limit_bytes, progress)
        except TimeoutError as error:
            if not timer.expired():
                return self._failure(error, url, headers, progress)
            return TransportFailure(
                FailureKind.DEADLINE, f"no end after {deadline_s:g} s", progress.size_bytes
            )
        except (httpx.HTTPError, httpx.InvalidURL, httpx.StreamError, OSError, RuntimeError) as error:
            return self._failure(error, url, headers, progress)

    async def aclose(self) -> None:
        """See `Transport.aclose`.

        If cancelled: the client goes on closing until the loop ends.
        """
        # httpx shields its closing from cancellation, so it is left behind rather than cut off.
        closing = asyncio.ensure_future(self._client.aclose())
        await asyncio.wait({closing}, timeout=CLOSE_S)

    async def _exchange(
        self, url: str, headers: Mapping[str, str], limit_bytes: int, progress: _BodyProgress
    ) -> Result:
        """One exchange, raising what httpx raises. If cancelled: httpx closes the connection."""
        extensions = {"trace": progress.note} if progress.waiting_for_proxy else {}
        async with self._client.stream("GET", url, headers=headers, extensions=extensions) as response:
            got = joined(response.headers.multi_items())
            if response.status_code == 407 and self._proxies.for_url(url):
                return TransportFailure(FailureKind.PROXY, "407 Proxy Authentication Required")
            if failure := head_failure(response.status_code, got, limit_bytes):
                return failure
            body = []
            # `aiter_raw` reads this same stream, but gives the connection back before it can be looked at.
            async for chunk in _stream_of(response):
                body.append(chunk)
                progress.size_bytes += len(chunk)
                if progress.size_bytes > limit_bytes:
                    said = f"over {limit_bytes} bytes, no length given"
                    return TransportFailure(FailureKind.TOO_BIG, said, progress.size_bytes)
            if _has_surplus(response) and (wire := response.extensions.get("network_stream")):
                await wire.aclose()
            return Response(response.status_code, got, b"".join(body))

    def _failure(
        self, error: Exception, url: str, headers: Mapping[str, str], progress: _BodyProgress
    ) -> TransportFailure:
        if isinstance(error, httpx.InvalidURL | httpx.UnsupportedProtocol) or "Illegal header" in str(error):
            raise ValueError("The address or a header of a request is not well-formed.") from None
        proxy = self._proxies.for_url(url)
        kind = _kind_of(error, proxied=proxy is not None, waiting_for_proxy=progress.waiting_for_proxy)
        words = [type(error).__name__, str(error), *(str(cause) for cause in _system_errors(error))]
        detail = safe_wording(": ".join(dict.fromkeys(filter(None, words))), url, headers, proxy)
        return TransportFailure(kind, detail, progress.size_bytes)


class _BodyProgress:
    """How far an exchange has come: through a tunnel, where errors before it stands are the proxy's, and in bytes
    of the body."""

    def __init__(self, *, waiting_for_proxy: bool) -> None:
        self.waiting_for_proxy = waiting_for_proxy
        self.size_bytes = 0

    async def note(self, event: str, _info: Mapping[str, Any]) -> None:
        """If cancelled: cannot be, it awaits nothing."""
        if event == "proxy.start_tls.started":
            self.waiting_for_proxy = False


def _stream_of(response: httpx.Response) -> httpx.AsyncByteStream:
    assert isinstance(response.stream, httpx.AsyncByteStream)  # an AsyncClient gives no other
    return response.stream


def _has_surplus(response: httpx.Response) -> bool:
    """Whether bytes came past the end of the body, or may have.

    httpcore keeps them and would read them as the answer to the next request on that connection: another
    tile's bytes, or anything a server in between likes to say.
    """
    try:
        return bool(_surplus(response.stream)[0])
    except AttributeError:
        return True  # another httpcore inside: give up the connection rather than the certainty


def _causes(error: BaseException | None) -> Iterator[BaseException]:
    """An error and what lies behind it, through chains and groups, without going round in circles."""
    seen: set[int] = set()
    waiting = [error]
    while waiting:
        error = waiting.pop(0)
        if error is None or id(error) in seen:
            continue
        seen.add(id(error))
        yield error
        waiting += [error.__cause__ or error.__context__]
        if isinstance(error, BaseExceptionGroup):
            waiting += error.exceptions


def _system_errors(error: BaseException) -> list[OSError]:
    """What the system or its TLS library reported, without Python's own "more bytes wanted"."""
    ordinary = (ssl.SSLWantReadError, ssl.SSLWantWriteError)
    return [
        cause for cause in _causes(error) if isinstance(cause, OSError) and not isinstance(cause, ordinary)
    ]


def _kind_of(error: Exception, *, proxied: bool, waiting_for_proxy: bool) -> FailureKind:
    """Sort by phase first, then by what the system said, then by httpx's own classes and words."""
    system = _system_errors(error)
    insecure = any(isinstance(cause, ssl.SSLError) for cause in system)
    reaching = isinstance(error, httpx.ConnectError | httpx.ConnectTimeout)
    if isinstance(error, httpx.ProxyError) or waiting_for_proxy or (proxied and reaching and not insecure):
        return FailureKind.PROXY
    if isinstance(error, httpx.TimeoutException):
        return FailureKind.CONNECT_TIMEOUT if reaching else FailureKind.STALL
    if any(isinstance(cause, socket.gaierror) for cause in system):
        return FailureKind.NAME
    numbers = (cause.errno for cause in system if not isinstance(cause, ssl.SSLError))
    found = [kind for number in numbers if (kind := kind_of_errno(number, connecting=reaching))]
    if found:  # of several addresses tried, the one that answered says most
        return FailureKind.REFUSED if FailureKind.REFUSED in found else found[0]
    if insecure or reaching:
        return FailureKind.TLS
    return _kind_by_wording(error)


def _kind_by_wording(error: Exception) -> FailureKind:
    if isinstance(error, httpx.RemoteProtocolError):
        if "without sending complete message body" in str(error):
            return FailureKind.SHORT
        return FailureKind.RESET if "disconnected" in str(error) else FailureKind.PROTOCOL
    return FailureKind.PROTOCOL if isinstance(error, httpx.ProtocolError) else FailureKind.RESET


def _trust() -> ssl.SSLContext:
    """The system's certificates, or those that SSL_CERT_FILE or SSL_CERT_DIR names."""
    context = ssl.create_default_context()
    if os.environ.keys() & {"SSL_CERT_FILE", "SSL_CERT_DIR"}:
        if not (context.cert_store_stats()["x509_ca"] or os.environ.get("SSL_CERT_DIR")):
            raise NetworkError(
                "No certificate could be read from where SSL_CERT_FILE points, so that no server can be "
                "trusted. Correct the variable, or unset it to use the system's certificates."
            )
    elif not context.cert_store_stats()["x509_ca"]:
        with contextlib.suppress(OSError):
            context.load_verify_locations(certifi.where())
    return context
