"""The fault proxy: each fault read back byte by byte from a socket, and the link by its timetable."""

from __future__ import annotations

import asyncio
import io
import json
import zlib
from collections.abc import Awaitable, Callable, Mapping
from email.utils import parsedate_to_datetime

import pytest
from PIL import Image, ImageFile, UnidentifiedImageError

from packer.content.damage import Damaged, NotATile
from packer.content.payload import examine
from packer.errors import InputError
from packer.practice.counting import Counts
from packer.practice.layers import Survey
from packer.practice.server import PracticeServer, practice_app
from tests.fakes import VirtualClock
from tests.support.fault_proxy import FaultProxy, is_tile
from tests.support.fault_script import FaultShare, Link, Outage, SignInFault, Word, read_script
from tests.support.link import SharedLink
from tests.support.upstream import Handler, app_handler

_TILE = Survey().tile("aerial", 12, 2190, 1438)
assert _TILE is not None
JPEG = _TILE.body
PATH = "/aerial/12/2190/1438.jpg"
_LONGEST_S = 20  # a test that hangs fails instead


async def survey(path: str, headers: Mapping[str, str]) -> tuple[int, Mapping[str, str], bytes]:
    if headers.get("if-none-match") == '"it"':
        return 304, {"ETag": '"it"'}, b""
    return 200, {"Content-Type": "image/jpeg", "ETag": '"it"'}, JPEG


class Client:
    """One connection of a client that sees bytes."""

    def __init__(self, proxy: FaultProxy) -> None:
        self._port = proxy.port

    async def __aenter__(self) -> Client:
        streams = await asyncio.open_connection("127.0.0.1", self._port, limit=1 << 22)
        self.reader: asyncio.StreamReader = streams[0]
        self.writer: asyncio.StreamWriter = streams[1]
        return self

    async def __aexit__(self, *_: object) -> None:
        self.writer.transport.abort()

    def ask(self, path: str = PATH, *headers: str, method: str = "GET") -> None:
        lines = [f"{method} {path} HTTP/1.1", "Host: 127.0.0.1", *headers]
        self.writer.write(("\r\n".join(lines) + "\r\n\r\n").encode())

    async def head(self) -> tuple[int, dict[str, str]]:
        lines = (await self.reader.readuntil(b"\r\n\r\n")).decode().split("\r\n")
        named = {k.lower(): v.strip() for k, _, v in (line.partition(":") for line in lines[1:] if line)}
        return int(lines[0].split()[1]), named

    async def answer(self) -> tuple[int, dict[str, str], bytes]:
        status, headers = await self.head()
        return status, headers, await self.reader.readexactly(int(headers.get("content-length", "0")))

    async def get(self, path: str = PATH, *headers: str) -> tuple[int, dict[str, str], bytes]:
        self.ask(path, *headers)
        return await self.answer()


def played(
    script: str,
    go: Callable[[FaultProxy, Client], Awaitable[None]],
    upstream: str | Handler = survey,
    seed: int = 0,
) -> Counts:
    """Run `go` with a client of a proxy that follows `script`, within `_LONGEST_S`."""

    async def run() -> Counts:
        proxy = FaultProxy(upstream, script, seed=seed)
        async with proxy, Client(proxy) as client:
            await go(proxy, client)
        return proxy.counts

    return asyncio.run(asyncio.wait_for(run(), _LONGEST_S))


def raw(word: str) -> tuple[dict[str, str], bytes]:
    """Headers and everything after them, up to the end of the connection."""
    found: list[tuple[dict[str, str], bytes]] = []

    async def go(_: FaultProxy, client: Client) -> None:
        client.ask()
        status, headers = await client.head()
        assert status == 200
        found.append((headers, await client.reader.read(-1)))

    played(word, go)
    return found[0]


def kept(word: str) -> tuple[int, dict[str, str], bytes]:
    """An answer after which the same connection serves a good one."""
    found: list[tuple[int, dict[str, str], bytes]] = []

    async def go(_: FaultProxy, client: Client) -> None:
        found.append(await client.get())
        assert (await client.get())[2] == JPEG

    played(word, go)
    return found[0]


# --------------------------------------------------------------------------------------------- good answers


def test_without_a_script_every_byte_of_the_answer_behind_goes_through() -> None:
    async def go(proxy: FaultProxy, client: Client) -> None:
        for _ in range(3):
            status, headers, body = await client.get()
            assert (status, headers["etag"], body) == (200, '"it"', JPEG)
        assert (await client.get(PATH, 'If-None-Match: "it"'))[0] == 304
        client.ask(method="HEAD")
        status, headers = await client.head()
        assert (status, int(headers["content-length"])) == (200, len(JPEG))
        client.ask()
        client.ask()  # sent before the first answer is read
        assert [(await client.answer())[2] for _ in range(2)] == [JPEG, JPEG]

    counts = played("", go)
    assert (counts.requests, counts.connections, counts.paths[PATH]) == (7, 1, 7)
    assert counts.statuses == {200: 6, 304: 1}


def test_the_script_goes_by_the_order_of_requests_and_ends_in_good_answers() -> None:
    async def go(proxy: FaultProxy, client: Client) -> None:
        statuses = [(await client.get())[0] for _ in range(6)]
        assert statuses == [200, 200, 503, 404, 204, 200]

    played("ok*2 503 404 204", go)


def test_paths_that_are_no_tiles_and_head_take_no_word_of_the_script() -> None:
    async def go(proxy: FaultProxy, client: Client) -> None:
        assert (await client.get("/robots.txt"))[0] == 200
        client.ask(method="HEAD")
        assert (await client.head())[0] == 200
        assert (await client.get())[0] == 503

    played("503", go)
    assert is_tile("/a/b/3/4/5@2x.png?key=x")
    assert not is_tile("/robots.txt")


def test_an_asgi_application_and_a_server_behind_give_the_same_answers() -> None:
    wanted = Survey().tile("aerial", 12, 2190, 1438)
    assert wanted is not None

    async def go(proxy: FaultProxy, client: Client) -> None:
        for _ in range(2):
            status, headers, body = await client.get()
            assert (status, headers["etag"], body) == (200, wanted.etag, wanted.body)
        assert (await client.get(PATH, f"If-None-Match: {wanted.etag}"))[0] == 304
        assert (await client.get("/aerial/20/0/0.jpg"))[0] == 404

    played("", go, app_handler(practice_app(Survey(), Counts())))
    with PracticeServer() as server:
        played("", go, server.base_url)
        assert server.counts.connections == 1


def test_a_server_on_another_machine_is_refused() -> None:
    with pytest.raises(InputError, match="on this machine"):
        FaultProxy("http://tiles.example.org")


def test_in_a_thread_it_serves_other_threads() -> None:
    async def ask(proxy: FaultProxy) -> list[int]:
        async with Client(proxy) as client:
            return [(await client.get())[0] for _ in range(2)]

    with FaultProxy(survey, "503 ok") as proxy:
        assert asyncio.run(ask(proxy)) == [503, 200]
    assert proxy.counts.requests == 2


# ---------------------------------------------------------------------------------------- cut connections


@pytest.mark.parametrize("word", ["drop", "reset"])
def test_drop_ends_in_good_order_and_reset_breaks_off_without_a_byte(word: str) -> None:
    async def go(proxy: FaultProxy, client: Client) -> None:
        client.ask()
        if word == "reset":
            with pytest.raises(ConnectionResetError):
                await client.reader.read(-1)
        else:
            assert await client.reader.read(-1) == b""

    assert played(word, go).statuses == {0: 1}


def test_reset_mid_breaks_off_after_half_of_the_body() -> None:
    async def go(proxy: FaultProxy, client: Client) -> None:
        client.ask()
        _, headers = await client.head()
        assert int(headers["content-length"]) == len(JPEG)
        assert await client.reader.readexactly(len(JPEG) // 2) == JPEG[: len(JPEG) // 2]
        with pytest.raises(ConnectionResetError):
            await client.reader.read(-1)

    played("reset-mid", go)


@pytest.mark.parametrize(("word", "sent"), [("stall", 0), ("stall-mid", len(JPEG) // 2)])
def test_a_stall_sends_so_much_and_then_nothing_with_the_connection_open(word: str, sent: int) -> None:
    async def go(proxy: FaultProxy, client: Client) -> None:
        client.ask()
        if sent:
            await client.head()
            assert await client.reader.readexactly(sent) == JPEG[:sent]
        async with Client(proxy) as other:  # meanwhile others are served
            assert (await other.get())[2] == JPEG
        with pytest.raises(TimeoutError):
            async with asyncio.timeout(0.05):
                await client.reader.read(1)

    played(word, go)


def test_a_trickle_sends_byte_by_byte_at_its_pace() -> None:
    async def run() -> None:
        async with (
            VirtualClock() as clock,
            FaultProxy(survey, "trickle:500ms", clock) as proxy,
            Client(proxy) as client,
        ):
            client.ask()
            await client.head()
            start = clock.now()
            assert await client.reader.readexactly(20) == JPEG[:20]
            assert clock.now() - start >= 9.5

    asyncio.run(asyncio.wait_for(run(), _LONGEST_S))


def test_short_ends_before_its_content_length() -> None:
    headers, rest = raw("short")
    assert (int(headers["content-length"]), rest) == (len(JPEG), JPEG[: len(JPEG) // 2])


def test_long_runs_past_its_content_length() -> None:
    headers, rest = raw("long")
    assert (int(headers["content-length"]), rest) == (len(JPEG), JPEG + b"surplus")


def test_no_end_is_chunked_without_the_last_chunk() -> None:
    headers, rest = raw("no-end")
    assert headers["transfer-encoding"] == "chunked"
    assert rest == f"{len(JPEG):x}\r\n".encode() + JPEG + b"\r\n"


def test_chunk_cut_ends_inside_a_chunk() -> None:
    headers, rest = raw("chunk-cut")
    size, _, data = rest.partition(b"\r\n")
    assert headers["transfer-encoding"] == "chunked"
    assert int(size, 16) == len(JPEG) > len(data) > 0
    assert JPEG.startswith(data)


def test_close_cut_has_neither_length_nor_chunks() -> None:
    headers, rest = raw("close-cut")
    assert not {"content-length", "transfer-encoding"} & headers.keys()
    assert rest == JPEG[: len(JPEG) // 2]


def test_garbage_is_no_status_line() -> None:
    async def go(proxy: FaultProxy, client: Client) -> None:
        client.ask()
        assert not (await client.reader.read(-1)).startswith(b"HTTP/")

    played("garbage", go)


def test_huge_is_as_long_as_it_says_and_is_not_held_in_memory_at_once() -> None:
    async def go(proxy: FaultProxy, client: Client) -> None:
        client.ask()
        _, headers = await client.head()
        assert int(headers["content-length"]) == 3_000_000
        assert len(await client.reader.readexactly(3_000_000)) == 3_000_000
        assert (await client.get())[2] == JPEG

    played("huge:3MB", go)


# -------------------------------------------------------------------------------------- whole but bad bodies


def test_gzip_faults_break_just_what_they_say() -> None:
    def unfold(data: bytes) -> tuple[bytes, bytes, bool]:
        stream = zlib.decompressobj(31)
        return stream.decompress(data), stream.unused_data, stream.eof

    assert unfold(kept("gzip-ok")[2]) == (JPEG, b"", True)
    cut, _, whole = unfold(kept("gzip-cut")[2])
    assert JPEG.startswith(cut)
    assert not whole
    with pytest.raises(zlib.error, match="incorrect data check"):
        unfold(kept("gzip-crc")[2])
    first, rest, whole = unfold(kept("gzip-two")[2])
    second, nothing, whole_too = unfold(rest)
    assert (first + second, nothing, whole, whole_too) == (JPEG, b"", True, True)
    assert kept("gzip-two")[1]["content-encoding"] == "gzip"


def test_half_an_image_has_a_length_that_fits_it() -> None:
    status, headers, body = kept("half")
    assert (status, headers["content-type"], body) == (200, "image/jpeg", JPEG[: len(JPEG) // 2])
    with pytest.raises(Damaged):
        examine(body)


def test_half_with_an_end_marker_decodes_with_a_grey_rest() -> None:
    body = kept("half-ffd9")[2]
    assert body == JPEG[: len(JPEG) // 2] + b"\xff\xd9"
    assert not ImageFile.LOAD_TRUNCATED_IMAGES
    assert Image.open(io.BytesIO(body)).convert("RGB").size == (256, 256)


def test_pages_and_other_things_come_as_they_say() -> None:
    assert kept("html")[1]["content-type"].startswith("text/html")
    assert kept("html-as-image")[1]["content-type"] == "image/jpeg"
    for word in ("html", "html-as-image", "511"):
        with pytest.raises(NotATile, match="HTML"):
            examine(kept(word)[2])
    assert json.loads(kept("json")[2])["error"] == "quota"
    assert (kept("empty")[1]["content-length"], kept("empty")[0]) == ("0", 200)
    status, headers, _ = kept("redirect")
    assert (status, headers["location"]) == (302, "http://sign-in.invalid/welcome")
    status, headers, body = kept("wrong-type")
    assert headers["content-type"] == "image/jpeg"
    assert Image.open(io.BytesIO(body)).format == "GIF"


def test_an_html_page_is_no_image_to_pillow() -> None:
    with pytest.raises(UnidentifiedImageError):
        Image.open(io.BytesIO(kept("html-as-image")[2]))


@pytest.mark.parametrize("status", [204, 403, 404, 429, 500, 503, 511])
def test_a_status_comes_with_that_status(status: int) -> None:
    assert kept(str(status))[0] == status


def test_retry_after_comes_in_seconds_or_as_a_date() -> None:
    assert kept("503:2s")[1]["retry-after"] == "2"
    assert "retry-after" not in kept("503")[1]

    async def run() -> None:
        async with (
            VirtualClock() as clock,
            FaultProxy(survey, "429:date:30s", clock) as proxy,
            Client(proxy) as client,
        ):
            when = parsedate_to_datetime((await client.get())[1]["retry-after"]).timestamp()
            assert when == int(clock.wall() + 30)

    asyncio.run(asyncio.wait_for(run(), _LONGEST_S))


def test_a_fault_is_one_of_the_whole_answer_even_if_the_client_has_a_copy() -> None:
    async def go(proxy: FaultProxy, client: Client) -> None:
        assert (await client.get(PATH, 'If-None-Match: "it"'))[2] == JPEG[: len(JPEG) // 2]

    played("half", go)


# ----------------------------------------------------------------------------------- times, shares, the link


async def _refused(proxy: FaultProxy) -> bool:
    try:
        async with Client(proxy) as client:
            return (await client.get())[0] != 200
    except (ConnectionError, asyncio.IncompleteReadError):
        return True


@pytest.mark.parametrize("kind", ["drop", "refuse"])
def test_an_outage_breaks_every_connection_and_ends_after_its_time(kind: str) -> None:
    async def run() -> None:
        async with VirtualClock() as clock, FaultProxy(survey, f"ok outage:5s:{kind}", clock) as proxy:
            async with Client(proxy) as idle, Client(proxy) as client:
                assert (await idle.get())[0] == 200
                began = clock.now()
                client.ask()
                with pytest.raises(ConnectionError):
                    await client.head()
                with pytest.raises((ConnectionError, asyncio.IncompleteReadError)):
                    await idle.get()
            if kind == "drop":
                assert await _refused(proxy)
            await clock.sleep(began + 5.001 - clock.now())
            while await _refused(proxy):  # the listener may open again an instant later
                assert clock.now() < began + 6
            assert proxy.counts.statuses[200] == 2

    asyncio.run(asyncio.wait_for(run(), _LONGEST_S))


def test_refuse_is_a_refused_connection() -> None:
    async def go(proxy: FaultProxy, client: Client) -> None:
        client.ask()
        with pytest.raises(ConnectionResetError):
            await client.reader.read(-1)
        with pytest.raises(ConnectionRefusedError):
            await asyncio.open_connection("127.0.0.1", proxy.port)

    played("refuse:60s", go)


def test_a_silent_outage_answers_only_when_it_is_over() -> None:
    async def run() -> None:
        async with (
            VirtualClock() as clock,
            FaultProxy(survey, "outage:5s:silent", clock) as proxy,
            Client(proxy) as lost,
            Client(proxy) as client,
        ):
            began = clock.now()
            lost.ask()
            while proxy.outage() is None:
                await asyncio.sleep(0)
            assert (await client.get())[0] == 200
            assert clock.now() - began >= 5

    asyncio.run(asyncio.wait_for(run(), _LONGEST_S))


@pytest.mark.parametrize(("how", "status"), [("", 200), (":302", 302), (":511", 511)])
def test_a_sign_in_page_stands_before_everything_for_its_time(how: str, status: int) -> None:
    async def run() -> None:
        async with (
            VirtualClock() as clock,
            FaultProxy(survey, f"ok signin:10s{how}", clock) as proxy,
            Client(proxy) as client,
        ):
            assert (await client.get())[2] == JPEG
            for path in (PATH, PATH, "/robots.txt"):
                got = await client.get(path)
                assert got[0] == status
                assert got[2] != JPEG
            client.ask("/robots.txt", method="HEAD")
            assert (await client.head())[0] == status
            await clock.sleep(10)
            assert (await client.get())[2] == JPEG

    asyncio.run(asyncio.wait_for(run(), _LONGEST_S))


def test_a_sign_in_page_for_so_many_requests_is_over_after_them() -> None:
    async def go(proxy: FaultProxy, client: Client) -> None:
        assert [(await client.get())[2] == JPEG for _ in range(4)] == [False, False, False, True]

    played("signin:3", go)


def test_a_share_of_requests_is_hit_the_same_ones_each_time() -> None:
    def hits(seed: int) -> list[int]:
        found: list[int] = []

        async def go(proxy: FaultProxy, client: Client) -> None:
            for n in range(400):
                if (await client.get(f"/aerial/12/{n}/0.jpg"))[0] == 503:
                    found.append(n)

        played("share:10%:503", go, seed=seed)
        return found

    first = hits(1)
    assert 20 <= len(first) <= 60
    assert first == hits(1)
    assert first != hits(2)
    share = FaultShare(0.1, Word("503"))
    assert not all(share.hits(f"/aerial/12/{n}/0.jpg", 2, 1) for n in first)  # asked again, most are served


def test_a_new_script_can_be_followed_from_now_on() -> None:
    async def go(proxy: FaultProxy, client: Client) -> None:
        assert (await client.get())[0] == 200
        proxy.follow("404*")
        assert [(await client.get())[0] for _ in range(3)] == [404] * 3

    played("ok*", go)


@pytest.mark.parametrize(("rate", "bits"), [("4Mbit", 4e6), ("100Mbit", 1e8), ("500kbit", 5e5)])
def test_the_link_gives_its_rate_to_all_connections_together(rate: str, bits: float) -> None:
    async def run() -> None:
        async with VirtualClock() as clock, FaultProxy(survey, f"rate:{rate}", clock) as proxy:
            start = clock.now()

            async def load() -> int:
                async with Client(proxy) as client:
                    total = 0
                    for _ in range(5):
                        client.ask()
                        head = await client.reader.readuntil(b"\r\n\r\n")
                        total += len(head) + len(await client.reader.readexactly(len(JPEG)))
                    return total

            sent = sum(await asyncio.gather(*(load() for _ in range(4))))
            assert clock.now() - start == pytest.approx(sent * 8 / bits, rel=0.02)

    asyncio.run(asyncio.wait_for(run(), _LONGEST_S))


async def mixed(path: str, headers: Mapping[str, str]) -> tuple[int, Mapping[str, str], bytes]:
    """Bodies of 4 to 20 kB, as tiles are: equal ones would keep fair connections in step."""
    return 200, {}, bytes(4000 + zlib.crc32(path.encode()) % 16_000)


def test_the_delay_passes_before_each_answer_and_takes_nothing_of_the_rate() -> None:
    async def load(proxy: FaultProxy, number: int) -> int:
        async with Client(proxy) as client:
            return sum([len((await client.get(f"/t/9/{number}/{n}.png"))[2]) + 150 for n in range(6)])

    async def run() -> None:
        async with VirtualClock() as clock, FaultProxy(mixed, "slow:150ms rate:4Mbit", clock) as proxy:
            start = clock.now()
            alone = await load(proxy, 0)
            assert clock.now() - start == pytest.approx(6 * 0.15 + alone * 8 / 4e6, rel=0.05)
            start = clock.now()
            total = sum(await asyncio.gather(*(load(proxy, n) for n in range(24))))
            # So many connections keep the link full: its time is that of the bytes, the delay shows once.
            assert clock.now() - start == pytest.approx(0.15 + total * 8 / 4e6, rel=0.1)

    asyncio.run(asyncio.wait_for(run(), _LONGEST_S))


def test_connections_take_turns_on_the_link() -> None:
    link = SharedLink(Link(0.0, 8000.0), VirtualClock())  # 1000 bytes a second
    assert link.book(1000, 10.0) == pytest.approx(11.0)
    assert link.book(500, 10.2) == pytest.approx(11.5)  # waits for the first
    assert link.book(1000, 20.0) == pytest.approx(21.0)  # the idle time in between is lost, not saved up
    assert link.book(100, 0.0) == pytest.approx(21.1)
    parts = list(link.arrivals(4000, 30.0))
    assert [p.stop - p.start for p, _ in parts] == [1460, 1460, 1080]
    assert [moment for _, moment in parts] == pytest.approx([27.46, 28.92, 30.0])


# --------------------------------------------------------------------------------------------------- scripts


def test_a_script_reads_as_it_is_written() -> None:
    script = read_script("ok*50 drop 503:2s trickle:100ms huge:5MB slow:150ms rate:4Mbit share:2%:half 404*")
    assert script.steps == (
        (Word("ok"), 50),
        (Word("drop"), 1),
        (Word("503", time_s=2.0), 1),
        (Word("trickle", time_s=0.1), 1),
        (Word("huge", size_bytes=5_000_000), 1),
        (Word("404"), None),
    )
    assert script.link == Link(0.15, 4e6)
    assert script.shares == (FaultShare(0.02, Word("half")),)
    assert read_script("outage:5s signin:2m:511 429:date:30s").steps == (
        (Outage(5.0, "drop"), 1),
        (SignInFault(120.0, Word("511")), 1),
        (Word("429", time_s=30.0, as_date=True), 1),
    )


@pytest.mark.parametrize(
    "text",
    [
        "okay",
        "99",
        "ok:5",
        "404:2s",
        "slow:150",
        "rate:4",
        "outage",
        "outage:5s:loud",
        "signin:x",
        "share:2:503",
        "share:101%:503",
        "share:2%:nothing",
        "huge:5",
        "trickle:fast",
        "refuse",
    ],
)
def test_a_word_that_is_none_is_named(text: str) -> None:
    with pytest.raises(InputError, match="fault script") as told:
        read_script(f"ok {text}")
    assert text in str(told.value) or text.rsplit(":", maxsplit=1)[-1] in str(told.value)
