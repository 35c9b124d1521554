"""The view's server: one thread, stopped within a second, reading packs and writing nothing."""

from __future__ import annotations

import ipaddress
import os
import socket
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Self

import ifaddr
import uvicorn
from starlette.types import ASGIApp

from packer.errors import InputError
from packer.planning.brief import Brief
from packer.planning.plan import Plan
from packer.view.board import Board
from packer.view.connections import ConnectionLimits, protocol_of
from packer.view.endpoints import endpoints
from packer.view.guard import Access, Guard, new_code

__all__ = ["LOOPBACK", "ServerThread", "Sharing", "ViewServer", "only_address", "shareable_addresses"]

LOOPBACK = "127.0.0.1"
_PATIENCE_S = 0.5  # for answers under way when a stop is asked for; the rest of the second is uvicorn's tick
_BACKLOG = 128
_MOST_TASKS = 512  # far over the limit of connections: answers under way of which the asker has gone


@dataclass(frozen=True, slots=True)
class Sharing:
    """How a view is shared on the local network: `address` None takes this machine's only one there.

    Whoever opens the view has to know `code`, which is a fresh one unless given.
    """

    address: str | None = None
    code: str = field(default_factory=new_code)


class ViewServer:
    """The view of one brief, as long as the block lasts: `with ViewServer(brief, plan) as view: view.link`.

    `port` 0 takes a free one. The view listens on loopback alone, or with `share` on one address of the local
    network. `url` is the page, `link` the same with the access code in it. If the process dies: nothing is lost.
    """

    def __init__(
        self,
        brief: Brief,
        plan: Plan,
        store: Path | None = None,
        *,
        port: int = 0,
        share: Sharing | None = None,
    ) -> None:
        """Raises InputError if there is no address to share on."""
        self._host = _address_to_share(share.address) if share else LOOPBACK
        self._port = port
        self._access = Access(frozenset({self._host}), share.code if share else None)
        guard = Guard(endpoints(Board(brief, plan, store)), self._access)
        self._serving = ServerThread(guard, "view", self._access.admits)
        self.url = self.link = ""

    def __enter__(self) -> Self:
        """Listen and start to answer. Raises InputError if the port cannot be had."""
        port = self._serving.start(self._host, self._port)
        self.url = f"http://{self._host}:{port}/"
        code = self._access.code
        self.link = self.url if code is None else f"{self.url}open?code={code}"
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Stop within a second: answers under way get half of it, then their connections are dropped."""
        self._serving.stop()

    def wait(self) -> None:
        """Wait until the server ends or the process is told to stop (KeyboardInterrupt)."""
        self._serving.wait()


class ServerThread:
    """An application served by a thread of its own. `name` is the thread's; `admits` tells by a Cookie header whose
    connections are not those of strangers."""

    def __init__(
        self,
        app: ASGIApp,
        name: str,
        admits: Callable[[str], bool],
        limits: ConnectionLimits = ConnectionLimits(),  # noqa: B008  # a value
    ) -> None:
        self._server = uvicorn.Server(server_config(app, admits, limits))
        self._name = name
        self._thread: threading.Thread | None = None

    def start(self, host: str, port: int) -> int:
        """Listen and start to answer; the port, where 0 asked for a free one. Raises InputError if it cannot be had."""
        listening = listen(host, port)
        taken: int = listening.getsockname()[1]
        # The socket listens already: a request that comes before the loop runs waits in its queue.
        self._thread = threading.Thread(
            target=run_on, args=(self._server, listening), name=self._name, daemon=True
        )
        self._thread.start()
        return taken

    def stop(self) -> None:
        """Stop within a second: answers under way get half of it, then their connections are dropped."""
        assert self._thread is not None
        self._server.should_exit = True
        self._thread.join(_PATIENCE_S)
        self._server.force_exit = True
        self._thread.join(_PATIENCE_S)

    def wait(self, goes_on: Callable[[], bool] = lambda: True) -> None:
        """Wait until the server ends, `goes_on` says no or the process is told to stop (KeyboardInterrupt)."""
        while self._thread is not None and self._thread.is_alive() and goes_on():
            self._thread.join(0.5)  # without a limit, Ctrl-C would not be heard on Windows


def run_on(server: uvicorn.Server, listening: socket.socket) -> None:
    """Serve on a socket that listens already, until told to exit."""
    try:
        server.run(sockets=[listening])
    finally:
        listening.close()


def server_config(app: ASGIApp, admits: Callable[[str], bool], limits: ConnectionLimits) -> uvicorn.Config:
    """proxy_headers are off: a header must not tell the server who is asking. h11 is strict about Host."""
    return uvicorn.Config(
        app,
        http=protocol_of(admits, limits),
        ws="none",
        lifespan="off",
        log_config=None,
        access_log=False,
        proxy_headers=False,
        server_header=False,
        limit_concurrency=_MOST_TASKS,
        timeout_graceful_shutdown=1,
    )


def shareable_addresses() -> list[str]:
    """This machine's IPv4 addresses on private networks, loopback aside; nothing is sent to find them."""
    found = []
    for adapter in ifaddr.get_adapters():
        for one in adapter.ips:
            if isinstance(one.ip, str) and _is_private(one.ip) and not one.ip.startswith("127."):
                found.append(one.ip)
    return found


def _is_private(text: str) -> bool:
    return ipaddress.ip_address(text).is_private


def only_address(found: Sequence[str], unreached: str, choose: str) -> str:
    """The address by which others reach this machine, where it has just one. Raises InputError for none, which says who
    is `unreached`, and for several, of which to `choose` one."""
    if len(found) == 1:
        return found[0]
    if not found:
        raise InputError(
            f"This machine is not on a local network, so {unreached} reach it. Join the camp's Wi-Fi, or make this "
            "machine its hotspot, and try again."
        )
    raise InputError(f"This machine has several local addresses: {', '.join(found)}. {choose}")


def _address_to_share(wanted: str | None) -> str:
    if wanted is None:
        choose = "Choose the one that the phones can reach with --address."
        return only_address(shareable_addresses(), "phones cannot", choose)
    try:
        private = _is_private(wanted) and ipaddress.ip_address(wanted).version == 4
    except ValueError:
        private = False
    if not private:
        raise InputError(
            f"{wanted} is not an IPv4 address of a local network. The view is for the camp's own network only."
        )
    return wanted


def listen(host: str, port: int) -> socket.socket:
    """A socket that listens; port 0 takes a free one. Raises InputError if it cannot be had."""
    listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        if os.name != "nt":  # there the option would let another program take the port over
            listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listening.bind((host, port))
        listening.listen(_BACKLOG)
    except (OSError, OverflowError) as fault:
        listening.close()
        reason = getattr(fault, "strerror", None) or "there is no such port"
        raise InputError(
            f"The page cannot be served on {host} port {port}: {reason}. Choose another with --port."
        ) from fault
    return listening
