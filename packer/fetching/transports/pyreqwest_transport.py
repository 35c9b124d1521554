"""The transport for everyday use, over pyreqwest: the network runs in a thread of its own, outside Python."""

from __future__ import annotations

import asyncio
import os
import re
from collections.abc import Mapping
from dataclasses import replace
from datetime import timedelta
from functools import lru_cache
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import certifi
from pyreqwest.client import Client, ClientBuilder
from pyreqwest.exceptions import (
    BodyDecodeError,
    BuilderError,
    ClientClosedError,
    DetailedPyreqwestError,
    PyreqwestError,
    RequestTimeoutError,
)
from pyreqwest.exceptions import (
    NetworkError as ClientNetworkError,
)
from pyreqwest.http import HeaderMap
from pyreqwest.proxy import ProxyBuilder
from pyreqwest.request import StreamRequest
from pyreqwest.response import Response as ClientResponse

from packer.errors import NetworkError
from packer.fetching.transports.failures import (
    DEFAULT_HEADERS,
    IDLE_S,
    head_failure,
    joined,
    kind_of_errno,
    safe_wording,
)
from packer.fetching.transports.open_connections import OpenConnections, Origin, server_of
from packer.fetching.transports.proxies import Proxies
from packer.fetching.transports.transport import FailureKind, Response, Result, TransportFailure

__all__ = ["PyreqwestTransport"]

CLOSE_S = 2.0

ABANDONED_GRACE_S = 0.1
"""From the moment when the client drops an abandoned exchange until its connection is surely gone."""

_SPARE_CLIENTS = 32
"""Idle clients kept beside those that can be busy at once: for subdomains that take turns, without end to none."""

_DEFAULT_PORTS = {"http": 80, "https": 443}

_ERROR_NUMBER = re.compile(r"\(os error (\d+)\)")
_CUT = ("end of file before message length", "unexpected EOF", "without sending TLS close_notify")


class PyreqwestTransport:
    """A `Transport` over pyreqwest, HTTP/1.1 only: in HTTP/2 one stalled tile takes its neighbours with it.

    Each connection has a client of its own. A client with several opens one too many whenever a connection
    falls idle while another is still being made, which a slow handshake brings about again and again. A client
    serves one origin only, since it would keep an idle connection to each that it has served. So no server sees
    more connections than requests were ever under way to it at once, whatever other servers of the run may bear. If it
    is asked under several names, or by http and https, an idle connection under another name is closed first.
    """

    def __init__(
        self,
        *,
        connections: int,
        user_agent: str,
        connect_timeout_s: float = 10.0,
        read_timeout_s: float = 20.0,
        proxy: str | None = None,
    ) -> None:
        self._proxies = Proxies.given_or_from_environment(proxy)
        self._user_agent = user_agent
        self._read_timeout = timedelta(seconds=read_timeout_s)
        # The client counts both limits from the start of a request. The shorter one for the connection has to
        # strike first, or a server that cannot be reached would pass for one that fell silent.
        self._connect_timeout = timedelta(seconds=min(connect_timeout_s, 0.9 * read_timeout_s))
        self._slots = asyncio.Semaphore(connections)
        self._most_clients = connections + _SPARE_CLIENTS
        # Made here, so that a fault in the settings is told at once.
        self._unused: Client | None = self._client()
        self._clients = {self._unused}
        # By origin, each with the time since when it is idle. Last in, first out: warm connections before cold.
        self._idle: dict[Origin, list[tuple[float, Client]]] = {}
        self._open = OpenConnections()
        self._running: set[asyncio.Task[Any]] = set()
        self._ended: set[asyncio.Task[Any]] = set()  # of those, whose exchange `aclose` has ended
        self._closing: set[asyncio.Future[None]] = set()

    async def fetch(
        self, url: str, headers: Mapping[str, str], deadline_s: float, limit_bytes: int
    ) -> Result:
        """See `Transport.fetch`. Raises ValueError for an address or a header that cannot be sent, and NetworkError if
        the certificates can no longer be read when a further connection is needed.

        If cancelled: a body is dropped and its connection closed at once. The client cannot drop an exchange
        whose head has not come; that one ends, unheard, by its deadline or read timeout, and its place is not
        given out before the deadline, so that the cap holds.
        """
        loop = asyncio.get_running_loop()
        ends_at_s = loop.time() + deadline_s
        path_at = url.find("/", len("https://"))
        origin = _origin(url if path_at < 0 else url[:path_at])
        try:
            client = await self._free_client(origin, ends_at_s)
        except TimeoutError:
            return TransportFailure(FailureKind.DEADLINE, "no connection became free")
        abandoned = False
        request: StreamRequest | None = None
        response: ClientResponse | None = None
        come = [0]  # bytes of the body, at most
        task = asyncio.current_task()
        assert task is not None
        self._running.add(task)  # for `aclose`; the client's own clock keeps the deadline
        try:
            request = _request(client, url, headers, max(0.0, ends_at_s - loop.time()))
            async with request as response:
                return await self._read(response, url, limit_bytes, come)
        except asyncio.CancelledError:
            if task in self._ended and task.uncancel() == 0:
                return TransportFailure(FailureKind.RESET, "the transport was closed")
            abandoned = request is not None and response is None
            raise
        except PyreqwestError as error:
            failure = self._failure(error, url, headers, late=loop.time() >= ends_at_s)
            return replace(failure, size_bytes=come[0])
        finally:
            self._running.discard(task)
            self._ended.discard(task)
            if abandoned:
                loop.call_at(ends_at_s + ABANDONED_GRACE_S, self._give_back, origin, client)
            else:
                self._give_back(origin, client)

    def drop_idle(self) -> None:
        """Close every connection that nothing uses, so that another process may open as many."""
        for idle in self._idle.values():
            for _, client in idle:
                self._clients.discard(client)
                closing = asyncio.ensure_future(_close(client))
                self._closing.add(closing)
                closing.add_done_callback(self._closing.discard)
            idle.clear()
        self._open.idle_closed()

    async def idle_closed(self) -> None:
        """Wait until what `drop_idle` has closed is surely gone. If cancelled: it closes all the same."""
        await asyncio.gather(*self._closing)
        await asyncio.sleep(ABANDONED_GRACE_S)

    async def aclose(self) -> None:
        """See `Transport.aclose`: exchanges still running end as RESET.

        If cancelled: the rest of the clients close when they are collected.
        """
        for task in self._running - self._ended:  # a client's own closing lets bodies in the middle run on
            self._ended.add(task)
            task.cancel()
        try:
            async with asyncio.timeout(CLOSE_S):
                await asyncio.gather(*(_close(client) for client in self._clients), *self._closing)
        except TimeoutError:
            return  # the promise is an end in time; the process takes the sockets with it
        finally:
            # A client closes its connection only once it is collected.
            self._unused = None
            self._clients.clear()
            self._idle.clear()

    async def _free_client(self, origin: Origin, ends_at_s: float) -> Client:
        """Wait for leave to use one more connection, and take a client of that origin for it; TimeoutError if
        the deadline passes first.

        If cancelled: none is taken.
        """
        if self._slots.locked():
            async with asyncio.timeout_at(ends_at_s):
                await self._slots.acquire()
        else:
            await self._slots.acquire()  # at once
        self._open.begin(origin)
        if idle := self._idle.get(origin):
            return idle.pop()[1]
        try:
            if self._open.made(origin):
                await self._close_namesake(origin)
            return self._another_client(origin)
        except BaseException:
            self._open.closed(origin)
            self._open.end(origin)
            self._slots.release()
            raise

    async def _close_namesake(self, origin: Origin) -> None:
        """Close the connection to the same server, under another name, that was idle longest, and wait until it is
        surely gone. If cancelled: it closes all the same."""
        server = server_of(origin)
        found = [other for other, idle in self._idle.items() if idle and server_of(other) == server]
        if found:
            longest = min(found, key=lambda other: self._idle[other][0][0])
            _, client = self._idle[longest].pop(0)
            self._clients.discard(client)
            self._open.closed(longest)
            await _close(client)
            del client  # collected, it closes its connection
            await asyncio.sleep(ABANDONED_GRACE_S)

    def _another_client(self, origin: Origin) -> Client:
        """One for an origin that it alone will serve. Raises NetworkError if the certificates cannot be read."""
        if origin[0] == "http" and self._proxies.http is None:
            made = self._client(speaks_tls=False)
        else:
            made, self._unused = self._unused or self._client(), None
        self._clients.add(made)
        if (
            len(self._clients) - (self._unused is not None) > self._most_clients
        ):  # then some are idle: fewer can be busy at once
            longest = min((o for o, idle in self._idle.items() if idle), key=lambda o: self._idle[o][0][0])
            self._clients.discard(self._idle[longest].pop(0)[1])  # collected, it closes its connection
            self._open.closed(longest)
        return made

    def _give_back(self, origin: Origin, client: Client) -> None:
        self._open.end(origin)
        self._idle.setdefault(origin, []).append((asyncio.get_running_loop().time(), client))
        self._slots.release()

    def _client(self, *, speaks_tls: bool = True) -> Client:
        """`speaks_tls` is False for one that will only ever be asked for http, directly and without redirects: it
        need not read the system's certificates, which takes ten milliseconds."""
        builder = (
            ClientBuilder()
            .http1_only()
            .pool_max_idle_per_host(1)
            .pool_idle_timeout(timedelta(seconds=IDLE_S))
            .connect_timeout(self._connect_timeout)
            .read_timeout(self._read_timeout)
            .follow_redirects(False)
            .referer(False)
            .gzip(False)
            .brotli(False)
            .zstd(False)
            .deflate(False)
            .default_headers({"User-Agent": self._user_agent, **DEFAULT_HEADERS})
        )
        builder = builder if speaks_tls else builder.danger_accept_invalid_certs(True)
        return _built(_with_proxies(builder, self._proxies))

    async def _read(self, response: ClientResponse, url: str, limit_bytes: int, come: list[int]) -> Result:
        """The rest of an exchange whose head has come. `come` is kept at the bytes of the body, at most.

        If cancelled: leaving the context of `response` closes the connection.
        """
        status, pairs = response.status, _pairs(response.headers)
        headers = dict(pairs)  # the client's names are lower-case
        if len(headers) < len(pairs):
            headers = joined(pairs)
        if status == 407 and self._proxies.for_url(url):
            return TransportFailure(FailureKind.PROXY, "407 Proxy Authentication Required")
        if failure := head_failure(status, headers, limit_bytes):
            return failure
        if (length := headers.get("content-length", "")).isdecimal():
            come[0] = min(int(length[:18]), limit_bytes)  # longer only where there is no body
            return Response(
                status, headers, bytes(await response.bytes())
            )  # the client holds it to its length
        body = []
        while (chunk := await response.body_reader.read_chunk()) is not None:
            body.append(bytes(chunk))
            come[0] += len(body[-1])
            if come[0] > limit_bytes:
                return TransportFailure(
                    FailureKind.TOO_BIG, f"over {limit_bytes} bytes, no length given", come[0]
                )
        return Response(status, headers, b"".join(body))

    def _failure(
        self, error: PyreqwestError, url: str, headers: Mapping[str, str], *, late: bool
    ) -> TransportFailure:
        if isinstance(error, BuilderError):
            raise ValueError("The address of a request is not one of HTTP.") from None
        details = error.details if isinstance(error, DetailedPyreqwestError) else None
        causes = [cause["message"] for cause in (details and details["causes"]) or ()]
        proxy = self._proxies.for_url(url)
        kind = _kind_of(error, causes, secure=url.startswith("https:"), proxied=proxy is not None, late=late)
        wording = ": ".join(dict.fromkeys([error.message, *causes[1:]]))
        return TransportFailure(kind, safe_wording(wording, url, headers, proxy))


@lru_cache(maxsize=256)
def _origin(start: str) -> Origin:
    """The origin of an address (RFC 6454 section 4) from its `start`, which ends with the host and its port."""
    try:
        parts = urlsplit(start)
        if parts.hostname and parts.scheme in _DEFAULT_PORTS:
            return parts.scheme, parts.hostname, parts.port or _DEFAULT_PORTS[parts.scheme]
    except ValueError:  # its own words repeat the address
        pass
    raise ValueError("The address of a request is not one of HTTP, or not well-formed.") from None


def _request(client: Client, url: str, headers: Mapping[str, str], timeout_s: float) -> StreamRequest:
    try:
        request = client.get(url).timeout(timedelta(seconds=timeout_s))
        if headers:
            request = request.headers(dict(headers))
        # By default the client would read ahead before it shows the head, and neither a length over the limit
        # nor a cancellation would be heeded meanwhile.
        return request.streamed_read_buffer_limit(0).build_streamed()
    except (ValueError, BuilderError):
        raise ValueError("The address or a header of a request is not well-formed.") from None


async def _close(client: Client) -> None:
    """If cancelled: the client closes when it is collected."""
    await client.close()


def _kind_of(
    error: PyreqwestError, causes: list[str], *, secure: bool, proxied: bool, late: bool
) -> FailureKind:
    """Sort by phase first, then by the system's error number, then by the client's words."""
    text = ": ".join(causes)
    connecting = "client error (Connect)" in causes
    if isinstance(error, RequestTimeoutError) and late:
        return FailureKind.DEADLINE
    if "tunnel error" in text or (connecting and proxied and not secure):
        return FailureKind.PROXY
    if isinstance(error, RequestTimeoutError):
        return FailureKind.CONNECT_TIMEOUT if connecting else FailureKind.STALL
    if "dns error" in causes:
        return FailureKind.NAME
    number = _ERROR_NUMBER.search(text)
    if number and (kind := kind_of_errno(int(number[1]), connecting=connecting)):
        return kind
    if (connecting and secure) or "fatal alert" in text:
        return FailureKind.TLS
    if "request or response body error" in causes and any(cut in text for cut in _CUT):
        return FailureKind.SHORT
    broken_off = isinstance(error, ClientNetworkError | ClientClosedError) and not isinstance(
        error, BodyDecodeError
    )
    return FailureKind.RESET if broken_off else FailureKind.PROTOCOL


def _pairs(headers: HeaderMap) -> list[tuple[str, str]]:
    try:
        return list(headers.items())
    except ValueError:
        return [pair for name in headers for pair in _readable(headers, name)]


def _readable(headers: HeaderMap, name: str) -> list[tuple[str, str]]:
    """The values under one name, or none: the client shows no value with bytes beyond ASCII."""
    try:
        return [(name, value) for value in headers.getall(name)]
    except ValueError:
        return []


def _with_proxies(builder: ClientBuilder, proxies: Proxies) -> ClientBuilder:
    builder = builder.no_proxy()  # else the client would read the environment again, by its own rules
    try:
        if proxies.http:
            builder = builder.proxy(ProxyBuilder.http(proxies.http).no_proxy(proxies.bypass))
        if proxies.https:
            builder = builder.proxy(ProxyBuilder.https(proxies.https).no_proxy(proxies.bypass))
    except (ValueError, BuilderError):
        raise NetworkError(
            "The proxy address in the settings or in HTTP_PROXY, HTTPS_PROXY or ALL_PROXY cannot be read. "
            "Write it as http://host:port."
        ) from None
    return builder


def _built(builder: ClientBuilder) -> Client:
    try:
        return builder.build()
    except BuilderError as error:
        if os.environ.keys() & {"SSL_CERT_FILE", "SSL_CERT_DIR"}:
            raise NetworkError(
                "No certificate could be read from where SSL_CERT_FILE or SSL_CERT_DIR points, so that no "
                "server can be trusted. Correct the variable, or unset it to use the system's certificates."
            ) from error
    # A bare system without a certificate store: fall back on the roots that come with the other client.
    return builder.add_root_certificate_pem(Path(certifi.where()).read_bytes()).build()
