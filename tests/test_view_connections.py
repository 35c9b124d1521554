"""A neighbour who opens connections and says nothing takes the page from nobody who has the code."""

from __future__ import annotations

import asyncio
import socket
import threading
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from urllib.parse import urlsplit

import httpx
import pytest
from hypothesis import given
from hypothesis import strategies as st
from starlette.types import ASGIApp, Receive, Scope, Send

from packer.view import Sharing, ViewServer
from packer.view.connections import ConnectionLimits, ConnectionTable
from packer.view.server import LOOPBACK, ServerThread
from tests.fakes import PLAIN
from tests.view_board import Board, build

HEAD = b"GET /board.json HTTP/1.1\r\nHost: 127.0.0.2\r\nCookie: a"
SMALL = ConnectionLimits(strangers_each=2, strangers=4, admitted_each=2, admitted=3)


@pytest.fixture(scope="module")
def board(tmp_path_factory: pytest.TempPathFactory) -> Board:
    return build(tmp_path_factory.mktemp("view"), leave_out=lambda layer, t: layer != "aerial" or t.zoom > 10)


def half_open(to: tuple[str, int], address: str, sent: bytes = HEAD) -> socket.socket:
    line = socket.create_connection(to, timeout=5, source_address=(address, 0))
    line.sendall(sent)
    return line


@pytest.mark.parametrize(
    "neighbours",
    [["127.0.0.9"], ["127.0.0.1"], [f"127.0.1.{n}" for n in range(1, 101)]],
    ids=["one neighbour", "behind the phone's own address", "a hundred addresses"],
)
def test_phone_with_the_code_gets_its_tiles_beside_400_half_sent_requests(
    board: Board, neighbours: list[str]
) -> None:
    tile = next(iter(board.plan.layers["aerial"].tiles))
    with (
        ViewServer(board.brief, board.plan, share=Sharing("127.0.0.2", "ABCD2345EFGH")) as view,
        ExitStack() as open_lines,
        httpx.Client(trust_env=False, timeout=5, verify=PLAIN) as early,
        httpx.Client(trust_env=False, timeout=5, verify=PLAIN) as late,
    ):
        to = "127.0.0.2", urlsplit(view.url).port or 0
        assert early.get(view.link).status_code == 303
        assert early.get(f"{view.url}board.json").status_code == 200
        for n in range(400):
            open_lines.enter_context(half_open(to, neighbours[n % len(neighbours)]))
        assert late.get(view.link).status_code == 303
        for phone in (early, late):
            for _ in range(3):
                answer = phone.get(f"{view.url}tiles/aerial/{tile}")
                assert (answer.status_code, answer.content[:3]) == (200, b"\xff\xd8\xff")


class Lines:
    """A table over connections that are numbers; `dropped` are those that had to make room."""

    def __init__(self, limits: ConnectionLimits) -> None:
        self.dropped: list[int] = []
        self.table = ConnectionTable(limits, self.dropped.append)


def test_a_stranger_over_the_limit_of_its_address_takes_the_place_of_its_oldest() -> None:
    lines = Lines(SMALL)
    for number, address in enumerate(["a", "b", "a", "a", "a"]):
        lines.table.opened(number, address)
    assert lines.dropped == [0, 2]


def test_strangers_of_many_addresses_share_one_room() -> None:
    lines = Lines(SMALL)
    for number in range(7):
        lines.table.opened(number, str(number))
    assert lines.dropped == [0, 1, 2]


def test_who_has_shown_the_code_makes_room_for_no_stranger() -> None:
    lines = Lines(SMALL)
    lines.table.opened(0, "a")
    lines.table.admit(0)
    for number in range(1, 30):
        lines.table.opened(number, "a")
    assert 0 not in lines.dropped


def test_with_the_code_too_an_address_has_so_many_and_those_that_wait_for_answers_stay() -> None:
    lines = Lines(SMALL)
    for number in range(4):
        lines.table.opened(number, "a")
        lines.table.set_busy(number, number != 1)
        lines.table.admit(number)
    assert lines.dropped == [1, 3], "first the one that waits for nothing, then the newest"


@given(
    st.lists(
        st.tuples(st.sampled_from(["open", "admit", "busy", "close"]), st.integers(0, 30), st.integers(0, 3))
    )
)
def test_the_table_never_holds_more_than_its_limits(steps: list[tuple[str, int, int]]) -> None:
    lines, number = Lines(SMALL), 0
    for step, which, address in steps:
        if step == "open":
            number += 1
            lines.table.opened(number, str(address))
        elif step == "admit":
            lines.table.admit(which)
        elif step == "busy":
            lines.table.set_busy(which, bool(address))
        else:
            lines.table.closed(which)
        assert len(lines.table) <= SMALL.strangers + SMALL.admitted


# ------------------------------------------------------------------------------------------------- times


@contextmanager
def served(app: ASGIApp, limits: ConnectionLimits) -> Iterator[tuple[str, int]]:
    server = ServerThread(app, "view", lambda cookies: cookies == "pass", limits)
    port = server.start(LOOPBACK, 0)
    try:
        yield LOOPBACK, port
    finally:
        server.stop()


async def answer_after_the_body(scope: Scope, receive: Receive, send: Send) -> None:
    while (await receive()).get("more_body"):
        pass
    await send({"type": "http.response.start", "status": 200, "headers": []})
    await send({"type": "http.response.body", "body": b"ok"})


def is_dropped(line: socket.socket) -> bool:
    """Wait for the end of a connection, which comes without an answer."""
    line.settimeout(5)
    try:
        return line.recv(100) == b""
    except ConnectionResetError:
        return True


@pytest.mark.parametrize(
    "sent",
    [b"", b"GET / HT", HEAD, b"POST / HTTP/1.1\r\nHost: a\r\nContent-Length: 9\r\n\r\nhalf"],
    ids=["nothing", "a few letters", "half a head", "half a body"],
)
def test_a_request_that_does_not_come_to_its_end_is_dropped(sent: bytes) -> None:
    limits = ConnectionLimits(head_s=0.05, body_s=0.05)
    with served(answer_after_the_body, limits) as to, half_open(to, LOOPBACK, sent) as line:
        assert is_dropped(line)


def test_a_second_request_has_its_time_limit_too() -> None:
    with (
        served(answer_after_the_body, ConnectionLimits(idle_s=0.05)) as to,
        half_open(to, LOOPBACK, b"GET / HTTP/1.1\r\nHost: a\r\n\r\n") as line,
    ):
        answer = b""
        while not answer.endswith(b"0\r\n\r\n"):
            answer += line.recv(1000)
        line.sendall(b"GET / HTTP/1.1\r\nHo")
        assert is_dropped(line)


def test_an_answer_that_nobody_reads_is_dropped() -> None:
    gone = threading.Event()

    async def app(scope: Scope, receive: Receive, send: Send) -> None:
        await send({"type": "http.response.start", "status": 200, "headers": []})
        await send({"type": "http.response.body", "body": bytes(20_000_000), "more_body": True})
        while (await receive())["type"] != "http.disconnect":
            pass
        gone.set()

    with (
        served(app, ConnectionLimits(stall_s=0.05)) as to,
        half_open(to, LOOPBACK, b"GET / HTTP/1.1\r\nHost: a\r\n\r\n"),
    ):
        assert gone.wait(10)


def test_an_answer_that_takes_its_time_is_waited_for() -> None:
    """As the desk's events do."""
    limits = ConnectionLimits(head_s=0.02, idle_s=0.02, body_s=0.02, stall_s=0.02)

    async def app(scope: Scope, receive: Receive, send: Send) -> None:
        await send({"type": "http.response.start", "status": 200, "headers": []})
        await send({"type": "http.response.body", "body": b"first", "more_body": True})
        await asyncio.sleep(0.1)
        await send({"type": "http.response.body", "body": b"last"})

    with (
        served(app, limits) as to,
        half_open(to, LOOPBACK, b"GET / HTTP/1.1\r\nHost: a\r\nConnection: close\r\n\r\n") as line,
    ):
        answer = b""
        while part := line.recv(1000):
            answer += part
        assert b"first" in answer
        assert b"last" in answer
