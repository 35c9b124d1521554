"""Messages between the planning machine and its hands, over the comm layer of Dask's `distributed`.

The only module that imports it. Of `distributed` the listeners, connectors and TLS streams are used, and none of what
is built on them: its own messages may hold pickles, and to read one of those is to run what whoever sent it wants. So
streams here have a reader of their own, which takes one frame of plain values in MessagePack, of bounded size, and
refuses all else. Nothing but None, numbers, texts, bytes, lists and tables comes out of it.
"""

from __future__ import annotations

import asyncio
import logging
import struct
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager, suppress
from ssl import SSLContext, SSLError
from typing import Any, ClassVar

import msgpack
from distributed.comm.core import Comm, CommClosedError, connect
from distributed.comm.registry import backends
from distributed.comm.tcp import TLS, BaseTCPBackend, TLSConnector, TLSListener
from tornado.iostream import StreamClosedError

__all__ = ["CLOSED", "Channel", "Message", "listening", "open_channel"]

Message = dict[str, Any]
CLOSED = (OSError, TimeoutError)
"""What a broken channel raises: closed by the other side or the network, too late, or what came was no message."""

for _name in ("distributed.comm.tcp", "distributed.comm.core", "distributed.core"):
    logging.getLogger(_name).setLevel(logging.CRITICAL)  # whoever knocks without the code is no news

_SCHEME = "lastbar"
_LENGTH = struct.Struct(">I")
_MOST_BYTES = 48_000_000  # of one message: a batch of tiles, and more than that of the largest single one
_MOST_ITEMS = 100_000
_HANDSHAKE_S = 10.0


class PlainStream(TLS):
    """A TLS stream of plain messages, each with its length before it."""

    def handshake_info(self) -> dict[str, Any]:
        """What both sides tell each other first; nothing of it is used here."""
        return {"compression": None, "pickle-protocol": 0}

    async def read(self, deserializers: object = None) -> Any:
        """The next message. Raises OSError once the stream is closed, which it is too after what is no message. If
        cancelled: it is closed."""
        del deserializers  # there is one form alone
        if self.stream is None:
            raise CommClosedError
        try:
            (size,) = _LENGTH.unpack(await self.stream.read_bytes(_LENGTH.size))
            if size > _MOST_BYTES:
                raise CommClosedError(f"a message of {size} bytes")
            return _read(await self.stream.read_bytes(size))
        except (StreamClosedError, SSLError) as fault:
            self.abort()
            raise CommClosedError(str(fault)) from fault
        except BaseException:
            self.abort()  # how much of a message was read is not known
            raise

    async def write(self, msg: Any, serializers: object = None, on_error: str = "message") -> int:
        """Send a message, and wait until the network has taken it: whoever sends is held to its pace. Raises OSError
        once the stream is closed. If cancelled: it is closed."""
        del serializers, on_error
        if self.stream is None:
            raise CommClosedError
        data = msgpack.packb(msg, use_bin_type=True)
        try:
            await self.stream.write(_LENGTH.pack(len(data)) + data)
        except (StreamClosedError, SSLError) as fault:
            self.abort()
            raise CommClosedError(str(fault)) from fault
        except BaseException:
            self.abort()
            raise
        return len(data)


def _read(data: bytes) -> Any:
    """Raises CommClosedError for what is no message."""
    try:
        return msgpack.unpackb(
            data, raw=False, strict_map_key=True, max_array_len=_MOST_ITEMS, max_map_len=_MOST_ITEMS
        )
    except Exception as fault:
        raise CommClosedError("no message of plain values") from fault


class _Connector(TLSConnector):
    comm_class = PlainStream


class _Listener(TLSListener):
    comm_class = PlainStream

    async def _prepare_stream(self, stream: Any, address: str) -> Any:
        try:
            async with asyncio.timeout(_HANDSHAKE_S):
                return await super()._prepare_stream(stream, address)
        except TimeoutError:
            stream.close()
            return None

    async def _handle_stream(self, stream: Any, address: Any) -> None:
        with suppress(ValueError, TypeError, KeyError, OSError):  # what came first was no greeting
            await super()._handle_stream(stream, address)


class _Backend(BaseTCPBackend):
    _connector_class: ClassVar[type] = _Connector
    _listener_class: ClassVar[type] = _Listener

    def get_listener(self, loc: str, handle_comm: Any, deserialize: bool, **connection_args: Any) -> Any:
        return _Listener(loc, handle_comm, deserialize, default_port=0, **connection_args)


backends[_SCHEME] = _Backend()


class Channel:
    """A hand's way to the planning machine: questions and answers, one at a time."""

    def __init__(self, comm: Comm) -> None:
        self._comm = comm

    async def ask(self, message: Message) -> Message:
        """Send a message and wait for what comes back. Raises one of CLOSED. If cancelled: the channel is closed."""
        await self._comm.write(message)
        found = await self._comm.read()
        if not isinstance(found, dict):
            self._comm.abort()
            raise CommClosedError("no answer of plain values")
        return found

    def close(self) -> None:
        """Break it off."""
        self._comm.abort()


async def open_channel(place: str, context: SSLContext, within_s: float) -> Channel:
    """Connect to the planning machine at HOST:PORT. Raises one of CLOSED. If cancelled: nothing is open."""
    host, _, port = place.rpartition(":")
    async with asyncio.timeout(within_s):
        # `connect` below tries for as long as it may, and leaves the last try's socket to the garbage collector.
        _, knocking = await asyncio.open_connection(host.strip("[]"), int(port))
        knocking.close()
        await knocking.wait_closed()
    try:
        comm = await connect(
            f"{_SCHEME}://{place}", timeout=within_s, ssl_context=context, require_encryption=True
        )
    except ValueError as fault:  # what tornado says of a connection that was closed before TLS began
        raise CommClosedError(str(fault)) from fault
    return Channel(comm)


def _closed_there(fault: BaseException) -> bool:
    """Whether the other machine closed the stream, as its system does for a process that dies. One that froze, sleeps
    or is cut off says nothing, and its stream ends in another error after a while."""
    cause = fault.__cause__
    if not isinstance(cause, StreamClosedError):
        return False
    return cause.real_error is None or isinstance(cause.real_error, ConnectionResetError | BrokenPipeError)


@asynccontextmanager
async def listening(
    place: str,
    context: SSLContext,
    answer: Callable[[Message], Awaitable[Message]],
    hung_up: Callable[[str], None] = lambda _hand: None,
) -> AsyncIterator[int]:
    """Answer hands at HOST:PORT, port 0 for any free one, while the context lasts; gives the port. `hung_up` is told of
    a hand whose last stream was closed at its end. Raises OSError if nobody can listen there. If cancelled: every
    stream is closed."""
    streams: dict[Comm, str] = {}  # with the number of each one's hand

    async def handle(comm: Comm) -> None:
        streams[comm] = ""
        closed_there = False
        try:
            while True:
                message = await comm.read()
                if not isinstance(message, dict):
                    return
                streams[comm] = str(message.get("hand") or streams[comm])
                await comm.write(await answer(message))
        except CLOSED as fault:
            closed_there = _closed_there(fault)
        finally:
            hand = streams.pop(comm)
            comm.abort()
            if closed_there and hand and hand not in streams.values():
                hung_up(hand)

    listener = _Listener(place, handle, ssl_context=context, require_encryption=True)
    await listener.start()
    try:
        yield int(listener.get_host_port()[1])
    finally:
        listener.stop()
        listener.abort_handshaking_comms()
        for comm in list(streams):
            comm.abort()
