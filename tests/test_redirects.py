"""Redirects: what each kind comes to, who hears the headers, and the caps of every host by its own ledger.

Statuses and Location: RFC 9110, sections 15.4 and 10.2.2; robots.txt: RFC 9309. That contents networks sign each
address and that sign-in networks lead back by the address that was asked for is common practice, no source.
"""

from __future__ import annotations

import asyncio
from bisect import bisect_left
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from urllib.parse import quote, urlsplit

import pytest

from packer.errors import TermsError
from packer.fetching.answers.outcome import WrongContent
from packer.fetching.answers.redirects import Onward, RedirectPattern, RedirectRules, UnnamedHost, next_hop
from packer.fetching.hosts import shared_caps
from packer.fetching.hosts.tile_asker import open_asker
from packer.fetching.reports import FetchReport, LayerProgress, Options
from packer.fetching.run import run_fetch
from packer.fetching.transports import Response, Result, TransportName
from packer.geometry.tileset import Tile
from packer.planning.brief import Brief
from packer.planning.plan import plan
from packer.store.pack_summary import read_summary
from tests.conftest import BriefMaker
from tests.fakes import REFUSED, VirtualClock, no_tile, page, tile_answer
from tests.tile_server import TileServer, answer

OWN, CDN, OTHER = "tiles.example.org", "cdn.example.net", "portal.example.com"
KEY, SIGNATURE = "k3y-Hawthorn-77", "sg-Juniper-4417"
URL = f"https://{OWN}/survey/{{z}}/{{x}}/{{y}}.png?key=${{KEY}}"
AREA = "box = [12.30, 47.00, 12.34, 47.03]\ndeepest = 15"
HEADERS = 'headers = { "X-Key" = "${KEY}" }'
NAMED = f'{HEADERS}\ntile-hosts = ["{CDN}"]'
DAY_S = 86_400.0

Answer = Callable[[str, Tile | None, float], Result]
"""The answer to an address, for a tile where it is one's, at a time."""


def sent_to(url: str, status: int = 302) -> Response:
    return Response(status, {"location": url, "content-length": "0"}, b"")


def tile_of(url: str) -> Tile | None:
    parts = urlsplit(url).path.removesuffix(".png").split("/")[-3:]
    return Tile(*map(int, parts)) if len(parts) == 3 and all(p.isdigit() for p in parts) else None


@dataclass
class Hosts:
    """Every host there is, by name and port, each with a ledger of its own: when which path came with which headers."""

    clock: VirtualClock
    answer: Answer
    robots: Mapping[str, bytes] = field(default_factory=dict)
    ledger: dict[str, list[tuple[float, str, Mapping[str, str]]]] = field(default_factory=dict)
    dead: frozenset[str] = frozenset()
    open: dict[str, int] = field(default_factory=dict)
    most: dict[str, int] = field(default_factory=dict)

    def __call__(self, *_: object, **__: object) -> Hosts:
        return self

    async def fetch(
        self, url: str, headers: Mapping[str, str], deadline_s: float, limit_bytes: int
    ) -> Result:
        host = urlsplit(url).netloc
        self.ledger.setdefault(host, []).append((self.clock.now(), url, dict(headers)))
        self.open[host] = self.open.get(host, 0) + 1
        self.most[host] = max(self.most.get(host, 0), self.open[host])
        await self.clock.sleep(0.05)
        self.open[host] -= 1
        if url.endswith("/robots.txt"):
            if host in self.dead:
                return REFUSED
            text = self.robots.get(host)
            return no_tile(404) if text is None else Response(200, {"content-type": "text/plain"}, text)
        return self.answer(url, tile_of(url), self.clock.now())

    def tiles(self, host: str) -> list[str]:
        return [url for _, url, _ in self.ledger.get(host, []) if not url.endswith("/robots.txt")]

    async def aclose(self) -> None:
        pass


@pytest.fixture
def brief_for(brief_for: BriefMaker) -> BriefMaker:
    return partial(brief_for, overview='overview = false\ncontact = "maps@example.org"')


def run(
    brief: Brief,
    answer: Answer,
    options: Options | None = None,
    *,
    robots: Mapping[str, bytes] | None = None,
    dead: frozenset[str] = frozenset(),
    seen: list[list[LayerProgress]] | None = None,
) -> tuple[FetchReport, Hosts]:
    async def go() -> tuple[FetchReport, Hosts]:
        async with VirtualClock() as clock:
            hosts = Hosts(clock, answer, robots or {}, dead=dead)
            report = await run_fetch(
                brief,
                plan(brief),
                options,
                clock=clock,
                make_transport=hosts,
                environment={"KEY": KEY},
                on_progress=None if seen is None else seen.append,
            )
            return report, hosts

    return asyncio.run(go())


def per_tile(
    url: str, tile: Tile | None, now: float, *, to: str = f"https://{CDN}", status: int = 302
) -> Result:
    """The own host sends each tile on with a signature; the other gives it to who has that."""
    assert tile is not None
    if urlsplit(url).hostname == OWN:
        return sent_to(f"{to}/{tile.zoom}/{tile.x}/{tile.y}.png?sig={SIGNATURE}-{tile.x}", status)
    return tile_answer(tile) if SIGNATURE in url else no_tile(403)


def assert_headers_stay(hosts: Hosts) -> None:
    """The layer's key, in its header or its address, is sent to no host but its own."""
    for host, came in hosts.ledger.items():
        for _, url, headers in came:
            asks = not url.endswith("/robots.txt")
            assert (KEY in f"{url}{headers}") == (host == OWN and asks), (host, url, headers)


def assert_secrets_stay(folder: Path, report: FetchReport) -> None:
    held = b"".join(path.read_bytes() for path in folder.rglob("*") if path.is_file())
    held += repr(report).encode()
    for secret in (KEY, SIGNATURE):
        assert secret.encode() not in held


# ------------------------------------------------------------------------------------------------ the matrix


@pytest.mark.parametrize("status", [301, 302, 303, 307, 308])
def test_tiles_sent_on_to_a_named_host_come_and_the_key_stays_at_home(
    brief_for: BriefMaker, tmp_path: Path, status: int
) -> None:
    brief = brief_for(URL, area=AREA, layer=NAMED)
    report, hosts = run(brief, partial(per_tile, status=status), Options(log=True))
    planned = plan(brief).layers["survey"].tiles
    assert report.complete
    assert read_summary(brief.store_folder / "survey.mbtiles").held == planned
    # Also where it is said to be for good, each tile is asked for at the brief's address.
    assert len(hosts.tiles(OWN)) == len(hosts.tiles(CDN)) == len(planned)
    assert report.layers["survey"].requests == 2 * len(planned)
    assert any("moved for good" in remark for remark in report.remarks) == (status in (301, 308))
    assert_headers_stay(hosts)
    assert_secrets_stay(tmp_path, report)


@pytest.mark.parametrize("scheme", ["https", "http"])
def test_tiles_sent_on_to_a_host_without_a_name_stop_the_layer_with_that_name(
    brief_for: BriefMaker, tmp_path: Path, scheme: str
) -> None:
    brief = brief_for(URL.replace("https", scheme), area=AREA, layer=HEADERS)
    report, hosts = run(brief, partial(per_tile, to=f"{scheme}://{CDN}"), Options(log=True))
    failure = report.layers["survey"].failure or ""
    assert f"sends each tile on to {CDN}" in failure
    assert f'tile-hosts = ["{CDN}"]' in failure
    assert report.seconds < 60
    assert len(hosts.tiles(OWN)) <= 16
    assert set(hosts.ledger) == {OWN}
    assert_secrets_stay(tmp_path, report)


SIGN_IN: dict[str, Callable[[str, Tile | None], str]] = {
    "one place": lambda _url, _tile: f"http://{OTHER}/login",
    "one place, a session each": lambda url, _tile: f"http://{OTHER}/login?session={abs(hash(url))}",
    "the address in its query": lambda url, _tile: f"http://{OTHER}/login?from={quote(url, safe='')}",
    "the path in its query": lambda url, _tile: f"http://{OTHER}/login?next={urlsplit(url).path}",
    "the address in its path": lambda url, _tile: f"http://{OTHER}/to/{quote(quote(url, safe=''), safe='')}",
    "the path kept": lambda url, _tile: f"http://{OTHER}{urlsplit(url).path}",
}


@pytest.mark.parametrize("kind", SIGN_IN)
def test_a_sign_in_page_is_waited_for_however_it_repeats_the_address(
    brief_for: BriefMaker, kind: str
) -> None:
    url = f"http://{OWN}/survey/{{z}}/{{x}}/{{y}}.png"
    brief = brief_for(url, area=AREA, connections=1, rate=10)

    def answer(url: str, tile: Tile | None, now: float) -> Result:
        assert tile is not None
        return sent_to(SIGN_IN[kind](url, tile)) if 1001 < now < 1400 else tile_answer(tile)

    seen: list[list[LayerProgress]] = []

    async def go() -> tuple[FetchReport, Hosts]:
        async with VirtualClock() as clock:
            hosts = Hosts(clock, answer)
            ordinary = hosts.fetch

            async def all_of_it(url: str, *rest: object) -> Result:  # also what is no tile
                if url.endswith("/robots.txt") and 1001 < clock.now() < 1400:
                    return sent_to(SIGN_IN[kind](url, None))
                return await ordinary(url, *rest)  # type: ignore[arg-type]

            hosts.fetch = all_of_it  # type: ignore[method-assign, assignment]
            report = await run_fetch(
                brief, plan(brief), clock=clock, make_transport=hosts, on_progress=seen.append
            )
            return report, hosts

    report, hosts = asyncio.run(go())
    assert report.complete
    assert report.seconds > 390
    assert set(hosts.ledger) == {OWN}
    kinds = {str(layer.pause.kind) for layers in seen for layer in layers if layer.pause}
    assert kinds == {"sign-in"}


def test_a_sign_in_page_at_a_named_host_is_waited_for_and_nothing_of_it_is_stored(
    brief_for: BriefMaker,
) -> None:
    brief = brief_for(URL.replace("https", "http"), area=AREA, layer=NAMED)
    seen: list[list[LayerProgress]] = []

    def answer(url: str, tile: Tile | None, now: float) -> Result:
        if urlsplit(url).hostname == CDN and 1000.3 < now < 1300:
            return page()
        return per_tile(url, tile, now, to=f"http://{CDN}")

    report, hosts = run(brief, answer, seen=seen)
    assert report.complete
    assert report.seconds > 290
    waits = {(str(la.pause.kind), la.host) for layers in seen for la in layers if la.pause}
    assert waits == {("sign-in", CDN)}
    assert_headers_stay(hosts)


def test_pages_that_a_named_host_gives_over_https_are_its_own_and_end_the_layer(
    brief_for: BriefMaker,
) -> None:
    def answer(url: str, tile: Tile | None, now: float) -> Result:
        return page() if CDN in url else per_tile(url, tile, now)

    report, hosts = run(brief_for(URL, area=AREA, layer=NAMED), answer)
    assert "were no tiles" in (report.layers["survey"].failure or "")
    assert report.layers["survey"].stored == 0
    assert_headers_stay(hosts)


def _loop(url: str, tile: Tile | None, now: float) -> Result:
    assert tile is not None
    if urlsplit(url).hostname == OWN:
        return sent_to(f"https://{CDN}/{tile.zoom}/{tile.x}/{tile.y}.png")
    return sent_to(f"https://{OWN}/survey/{tile.zoom}/{tile.x}/{tile.y}.png?key={KEY}")


def _hops(hops: int) -> Answer:
    def answer(url: str, tile: Tile | None, now: float) -> Result:
        assert tile is not None
        before = int((urlsplit(url).path.split("/")[1] or "h0").removeprefix("h") if CDN in url else 0)
        if before == hops:
            return tile_answer(tile)
        return sent_to(f"https://{CDN}/h{before + 1}/{tile.zoom}/{tile.x}/{tile.y}.png")

    return answer


def _plain(url: str, tile: Tile | None, now: float) -> Result:
    return per_tile(url, tile, now, to=f"http://{CDN}")


@pytest.mark.parametrize(
    ("answer", "reason", "most_a_tile"),
    [
        (_loop, "round in a circle", 1),
        (_hops(4), "more than 3 times", 3),
        (_plain, "from https to plain http", 0),
        (lambda *_: sent_to(""), "without giving an address", 0),
        (lambda *_: sent_to(f"https://u:{KEY}@{CDN}/1/2/3.png"), "cannot be read", 0),
        (lambda *_: sent_to("https://[oops/1/2/3.png"), "cannot be read", 0),
        (lambda *_: sent_to("file:///etc/hosts"), "cannot be read", 0),
    ],
    ids=["loop", "four hops", "https to http", "no address", "a user part", "no host", "another scheme"],
)
def test_a_redirect_that_must_not_be_followed_stores_nothing_and_ends_the_layer(
    brief_for: BriefMaker, tmp_path: Path, answer: Answer, reason: str, most_a_tile: int
) -> None:
    brief = brief_for(URL, area=AREA, layer=NAMED)
    report, hosts = run(brief, answer, Options(log=True))
    assert report.layers["survey"].stored == 0
    assert reason in (report.layers["survey"].failure or "")
    assert len(hosts.tiles(CDN)) <= most_a_tile * len(hosts.tiles(OWN))
    assert_headers_stay(hosts)
    assert_secrets_stay(tmp_path, report)


def test_three_hops_are_followed(brief_for: BriefMaker) -> None:
    report, hosts = run(brief_for(URL, area=AREA, layer=NAMED), _hops(3))
    assert report.complete
    assert_headers_stay(hosts)


def test_another_path_on_the_same_host_is_followed_with_the_headers(brief_for: BriefMaker) -> None:
    brief = brief_for(URL, area=AREA, layer=HEADERS)

    def answer(url: str, tile: Tile | None, now: float) -> Result:
        assert tile is not None
        if "/survey/" in url:
            return sent_to(f"/v2/{tile.zoom}/{tile.x}/{tile.y}.png")
        return tile_answer(tile)

    report, hosts = run(brief, answer)
    assert report.complete
    assert all(headers["X-Key"] == KEY for _, url, headers in hosts.ledger[OWN] if "/v2/" in url)


def test_of_a_mixed_layer_all_comes_but_what_is_sent_to_a_host_without_a_name(brief_for: BriefMaker) -> None:
    brief = brief_for(URL, area=AREA, layer=NAMED)

    def answer(url: str, tile: Tile | None, now: float) -> Result:
        assert tile is not None
        if urlsplit(url).hostname == OWN and tile.x % 3 == 0:
            return tile_answer(tile)
        if tile.zoom == 15 and tile.x % 3 == 1 and tile.y % 3 == 0:
            return per_tile(url, tile, now, to=f"https://{OTHER}")
        return per_tile(url, tile, now)

    report, hosts = run(brief, answer)
    lost = [t for t in plan(brief).layers["survey"].tiles if t.zoom == 15 and t.x % 3 == 1 and t.y % 3 == 0]
    layer = report.layers["survey"]
    assert (layer.missing, layer.failure) == (len(lost), None)
    assert all(OTHER in reason for reason in layer.troubles)
    assert OTHER not in hosts.ledger
    assert_headers_stay(hosts)


# ------------------------------------------------------------------------------------------------ the second host


def two_layers(tmp_path: Path) -> Brief:
    """One layer is sent on to the host that another one asks itself, with lower caps."""
    layers = "".join(
        f'[layers.{name}]\nurl = "https://{host}/{name}/{{z}}/{{x}}/{{y}}.png"\nattribution = "A"\n'
        f'permission = "P"\nzooms = [9, 14]\nconnections = {cap}\nrequests-per-second = {rate}\n{more}'
        for name, host, cap, rate, more in (
            ("sent", OWN, 6, 20, f'tile-hosts = ["{CDN}"]\n'),
            ("own", CDN, 3, 8, ""),
        )
    )
    text = (
        f'title = "T"\noverview = false\ncontact = "m@example.org"\n{layers}[[areas]]\nname = "g"\n'
        "box = [12.30, 47.01, 12.38, 47.07]\ndeepest = 14\n"
    )
    (tmp_path / "brief.toml").write_text(text, encoding="utf-8")
    return Brief.read(tmp_path / "brief.toml")


def test_the_caps_of_both_hosts_hold_by_their_own_ledgers(tmp_path: Path) -> None:
    def answer(url: str, tile: Tile | None, now: float) -> Result:
        assert tile is not None
        if urlsplit(url).hostname == OWN:
            return sent_to(f"https://{CDN}/at/{tile.zoom}/{tile.x}/{tile.y}.png")
        return tile_answer(tile)

    report, hosts = run(two_layers(tmp_path), answer)
    assert report.complete
    for host, cap, rate in ((OWN, 6, 20), (CDN, 3, 8)):
        times = sorted(when for when, _, _ in hosts.ledger[host])
        assert hosts.most[host] <= cap
        assert max(bisect_left(times, when + 1) - n for n, when in enumerate(times)) <= rate


def test_two_processes_share_the_caps_of_the_second_host(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    monkeypatch.setattr(shared_caps, "SystemClock", VirtualClock)
    briefs = []
    for name, own in (("one", OWN), ("two", OTHER)):
        (tmp_path / name).mkdir()
        found = two_layers(tmp_path / name)
        text = found.path.read_text().replace(f"https://{OWN}/", f"https://{own}/")
        found.path.write_text(text[: text.index("[layers.own]")] + text[text.index("[[areas]]") :])
        briefs.append(Brief.read(found.path))

    def answer(url: str, tile: Tile | None, now: float) -> Result:
        assert tile is not None
        if urlsplit(url).hostname in (OWN, OTHER):
            return sent_to(f"https://{CDN}/at/{tile.zoom}/{tile.x}/{tile.y}.png")
        return tile_answer(tile)

    async def go() -> tuple[list[FetchReport], Hosts]:
        async with VirtualClock() as clock:
            hosts = Hosts(clock, answer)
            runs = [run_fetch(b, plan(b), clock=clock, make_transport=hosts) for b in briefs]
            return list(await asyncio.gather(*runs)), hosts

    reports, hosts = asyncio.run(go())
    assert all(report.complete for report in reports)
    times = sorted(when for when, _, _ in hosts.ledger[CDN])
    assert hosts.most[CDN] <= 6
    assert max(bisect_left(times, when + 1) - n for n, when in enumerate(times)) <= 20


@pytest.mark.parametrize("transport", ["pyreqwest", "httpx"])
def test_over_real_connections_the_second_server_never_sees_the_headers(
    brief_for: BriefMaker, transport: TransportName
) -> None:
    with TileServer(keep_heads=True) as second, TileServer(keep_heads=True) as first:

        def onward(path: str) -> bytes | None:
            if "robots" in path:
                return None
            place = f"http://127.0.0.1:{second.port}{path.partition('?')[0]}?sig={SIGNATURE}"
            return answer("302 Found", b"", "text/plain", f"Location: {place}")

        first.fault = onward
        layer = f'headers = {{ "X-Key" = "{KEY}" }}\ntile-hosts = ["127.0.0.1:{second.port}"]'
        brief = brief_for(first.url, area=AREA, layer=layer, connections=3)
        report = asyncio.run(run_fetch(brief, plan(brief), Options(transport=transport)))
        assert report.complete
        assert all(KEY in head for head in first.heads if "/survey/" in head)
        assert not any(KEY in head for head in second.heads)
        assert max(first.most_at_once, second.most_at_once, first.most_open, second.most_open) <= 3


def test_a_second_host_that_asks_for_a_wait_gets_it_while_the_other_layer_goes_on(tmp_path: Path) -> None:
    brief = two_layers(tmp_path)
    text = (tmp_path / "brief.toml").read_text().replace(f"https://{CDN}/own", f"https://{OTHER}/own")
    (tmp_path / "brief.toml").write_text(text)
    brief = Brief.read(tmp_path / "brief.toml")
    quiet: list[float] = []

    def answer(url: str, tile: Tile | None, now: float) -> Result:
        assert tile is not None
        host = urlsplit(url).hostname
        if host == OWN:
            return sent_to(f"https://{CDN}/at/{tile.zoom}/{tile.x}/{tile.y}.png")
        if host == CDN and not quiet and now > 1001:
            quiet.append(now)
            return no_tile(429, retry_after="120")
        return tile_answer(tile)

    report, hosts = run(brief, answer)
    assert report.complete
    came = [when for when, _, _ in hosts.ledger[CDN]]
    assert not [when for when in came if quiet[0] + 0.1 < when < quiet[0] + 120]
    assert [when for when, _, _ in hosts.ledger[OTHER] if quiet[0] < when < quiet[0] + 120]
    # An address that has waited so long is not used any more: its signature may have ended.
    assert len(hosts.tiles(OWN)) > len(plan(brief).layers["sent"].tiles)


def test_a_second_host_out_of_reach_is_named_and_given_up(brief_for: BriefMaker) -> None:
    def answer(url: str, tile: Tile | None, now: float) -> Result:
        return REFUSED if CDN in url else per_tile(url, tile, now)

    report, _ = run(brief_for(URL, area=AREA, layer=NAMED), answer, dead=frozenset([CDN]))
    assert f"no tile from {CDN} for 30 s" in (report.layers["survey"].failure or "")


def test_robots_txt_of_the_second_host_binds_as_that_of_the_first(brief_for: BriefMaker) -> None:
    rules = {CDN: b"User-agent: *\nDisallow: /15/\n"}
    with pytest.raises(TermsError, match=rf"{CDN}.*disallows /15/"):
        run(brief_for(URL, area=AREA, layer=NAMED), per_tile, robots=rules)
    covered = brief_for(URL, area=AREA, layer=f"{NAMED}\npermission-covers-robots = true")
    assert run(covered, per_tile, robots=rules)[0].complete


def test_a_named_host_whose_policy_prohibits_it_is_refused_before_anything_is_asked(
    brief_for: BriefMaker,
) -> None:
    brief = brief_for(URL, area=AREA, layer='tile-hosts = ["tile.openstreetmap.org"]')
    with pytest.raises(TermsError, match="prohibits offline use"):
        run(brief, per_tile)


def test_a_tile_that_the_second_host_lacks_is_noted_and_a_refresh_asks_with_conditions(
    brief_for: BriefMaker,
) -> None:
    brief = brief_for(URL, area=AREA, layer=NAMED)

    def answer(url: str, tile: Tile | None, now: float) -> Result:
        assert tile is not None
        if CDN in url and tile.zoom == 15 and tile.x % 2:
            return no_tile(404)
        return per_tile(url, tile, now)

    first, _ = run(brief, answer)
    assert first.complete
    assert first.layers["survey"].absent > 0
    again, hosts = run(brief, answer, Options(refresh_older_s=0.001))
    assert again.layers["survey"].refresh["unchanged"] > 0
    assert_headers_stay(hosts)


def test_a_validator_that_repeats_the_signature_is_not_kept(brief_for: BriefMaker, tmp_path: Path) -> None:
    def answer(url: str, tile: Tile | None, now: float) -> Result:
        reply = per_tile(url, tile, now)
        if isinstance(reply, Response) and reply.status == 200:
            return Response(200, {**reply.headers, "etag": f'"{SIGNATURE}-{tile and tile.x}"'}, reply.body)
        return reply

    report, _ = run(brief_for(URL, area=AREA, layer=NAMED), answer, Options(log=True))
    assert report.complete
    assert_secrets_stay(tmp_path, report)


def test_a_look_at_a_single_tile_follows_as_a_fetch_does(brief_for: BriefMaker) -> None:
    brief = brief_for(URL, area=AREA, layer=NAMED)

    async def go() -> Hosts:
        async with VirtualClock() as clock:
            hosts = Hosts(clock, per_tile)
            async with open_asker(
                brief, "survey", environment={"KEY": KEY}, clock=clock, make_transport=hosts
            ) as asker:
                assert type(await asker.tile(Tile(12, 2188, 1437))).__name__ == "Stored"
            return hosts

    assert_headers_stay(asyncio.run(go()))


# ------------------------------------------------------------------------------------------------ the rules alone

RULES = RedirectRules.of([f"https://{OWN}/a"], [CDN, "maps.example.net:8443"])


@pytest.mark.parametrize(
    ("location", "asked", "to"),
    [
        ("../b", f"https://{OWN}/a/c", (f"https://{OWN}/b", True)),
        (f"//{CDN}/b#part", f"https://{OWN}/a", (f"https://{CDN}/b", False)),
        (f"https://{CDN.upper()}:443/b", f"https://{OWN}/a", (f"https://{CDN}:443/b", False)),
        ("https://maps.example.net:8443/b", f"https://{OWN}/a", ("https://maps.example.net:8443/b", False)),
        ("https://maps.example.net/b", f"https://{OWN}/a", "maps.example.net:443"),
        (f"https://{OWN}:8443/b", f"https://{OWN}/a", f"{OWN}:8443"),
        (f"https://{OWN}/b", f"http://{OWN}/a", (f"https://{OWN}/b", True)),
        (f"https://{CDN}.evil.example/b", f"https://{OWN}/a", f"{CDN}.evil.example:443"),
    ],
)
def test_a_redirect_is_followed_to_own_and_named_hosts_only(
    location: str, asked: str, to: tuple[str, bool] | str
) -> None:
    hop = next_hop(sent_to(location), [asked], RULES)
    if isinstance(to, str):
        assert isinstance(hop, UnnamedHost)
        assert hop.host == to
    else:
        assert isinstance(hop, Onward)
        assert (hop.url, hop.own) == to


def test_from_http_to_https_of_the_same_host_the_headers_do_not_go_along() -> None:
    rules = RedirectRules.of([f"http://{OWN}/a"], [])
    hop = next_hop(sent_to(f"https://{OWN}/a"), [f"http://{OWN}/a"], rules)
    assert isinstance(hop, Onward)
    assert not hop.own


def test_only_answers_that_redirect_are_redirects() -> None:
    assert next_hop(no_tile(304), [f"https://{OWN}/a"], RULES) is None
    assert next_hop(no_tile(200), [f"https://{OWN}/a"], RULES) is None
    assert isinstance(next_hop(Response(300, {"location": "/b"}, b""), ["https://h/a"], RULES), WrongContent)


PER_TILE = {
    "the same path": "https://c.net/survey/{z}/{x}/{y}.png",
    "numbers in the query": "https://c.net/get?z={z}&x={x}&y={y}&sig=abc",
    "rows from the south": "https://c.net/{z}/{x}/{-y}",
    "a hashed name": "https://c.net/blobs/{hash}.jpg?e=1",
}


@pytest.mark.parametrize("kind", PER_TILE)
def test_a_place_for_each_tile_is_told_after_three_tiles(kind: str) -> None:
    pattern, told = RedirectPattern(), []
    for x in range(4):
        tile = Tile(12, 2180 + x, 1430)
        url = PER_TILE[kind].replace("{z}", "12").replace("{x}", str(tile.x)).replace("{y}", "1430")
        url = url.replace("{-y}", str(4095 - 1430)).replace("{hash}", f"{tile.x * 7919:x}")
        asked = f"https://{OWN}/survey/12/{tile.x}/1430.png"
        told.append(pattern.note(tile, asked, UnnamedHost(url, "c.net:443", 302)))
    assert told == [False, False, True, True]


def test_one_picture_for_all_is_not_a_place_for_each() -> None:
    pattern = RedirectPattern()
    for x in range(6):
        found = pattern.note(
            Tile(12, x, 5),
            f"https://{OWN}/12/{x}/5.png",
            UnnamedHost("https://c.net/none.png", "c.net:443", 302),
        )
        assert not found
