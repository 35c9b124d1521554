"""Redirects: which one to follow for a tile, and what one means that is not followed.

A server may send each tile on to another host, such as a network that delivers contents, or to another path. A network
that wants a sign-in sends everything to one place. So a redirect is followed to the layer's own hosts and to those that
the brief names, and nowhere else. Of another host it is found out, by several tiles and without asking that host,
whether it was each tile that was sent on.

Every kind of redirect is followed for the one request only. 301 and 308 say that a tile has moved for good (RFC 9110,
section 15.4), but an address is never learnt from a server: the next tile is asked for where the brief says, since
whoever changes an answer once would otherwise keep the layer.

Pure: nothing here waits, asks or knows the time.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Sequence
from dataclasses import dataclass, field
from urllib.parse import unquote, urljoin, urlsplit

from packer.fetching.answers.outcome import SentOn, SignIn, WrongContent
from packer.fetching.transports import Response
from packer.geometry.grid import quadkey, tms_row
from packer.geometry.tileset import Tile
from packer.sources.address import host_with_port, with_canonical_host, without_usual_port

__all__ = ["MOST_HOPS", "Onward", "RedirectPattern", "RedirectRules", "UnnamedHost", "meaning", "next_hop"]

MOST_HOPS = 3
_STATUSES = (301, 302, 303, 307, 308)
_FOR_GOOD = (301, 308)
_HOST = re.compile(r"[a-z0-9._:\[\]-]{1,80}")
_TELLING = 3  # tiles that were each sent to a place of their own
_MOST_KEPT = 16
_TILE_NAME = re.compile(r"\.(png|jpe?g|webp|avif|gif|pbf|mvt)$")
_LEAST_DIGITS = 3  # of column and row together: fewer stand in any address by chance
_LEAST_QUADKEY = 5


@dataclass(frozen=True, slots=True)
class RedirectRules:
    """Where a layer's redirects may lead: its `own` hosts and those that the brief has `named`, with their ports.

    `origins` are the schemes, hosts and ports of its own address, "https://tiles.example.org:443": only they get its
    headers.
    """

    own: frozenset[str]
    named: frozenset[str]
    origins: frozenset[str]

    @classmethod
    def of(cls, urls: Sequence[str], named: Collection[str]) -> RedirectRules:
        """For a layer with `urls` at all its hosts. A named host without a port has those of http and https."""
        hosts = {host_with_port(url) for url in urls}
        own = {twin for host in hosts for twin in _with_twin(host)}
        others = {twin for host in named for twin in _ports(host.lower())}
        return cls(frozenset(own), frozenset(others), frozenset(map(_origin, urls)))


def _with_twin(host: str) -> tuple[str, ...]:
    """http and https on their usual ports are one host."""
    plain = without_usual_port(host)
    return (host,) if plain == host else (f"{plain}:80", f"{plain}:443")


def _ports(host: str) -> tuple[str, ...]:
    return (host,) if re.search(r":\d+$", host) else (f"{host}:80", f"{host}:443")


def _origin(url: str) -> str:
    return f"{url.partition(':')[0]}://{host_with_port(url)}"


@dataclass(frozen=True, slots=True)
class Onward:
    """The next address to ask, at `host`. `own` holds if the layer's headers may go there. `for_good` holds if the
    server says that the tile has moved for good."""

    url: str = field(repr=False)
    host: str
    own: bool
    for_good: bool


@dataclass(frozen=True, slots=True)
class UnnamedHost:
    """A redirect to a host that the brief does not name, which is not asked."""

    url: str = field(repr=False)
    host: str
    status: int


def next_hop(
    response: Response, asked: Sequence[str], rules: RedirectRules
) -> Onward | UnnamedHost | WrongContent | None:
    """Where an answer sends a tile on to; None for an answer that is no redirect. `asked` are the addresses that were
    asked for it, in order; the last one gave this answer. A relative Location is taken from there (RFC 9110, section
    10.2.2).
    """
    status = response.status
    if not 300 <= status < 400 or status == 304:
        return None
    location = response.headers.get("location", "").strip()
    if not location or status not in _STATUSES:
        return WrongContent(f"the server redirects without giving an address ({status})")
    url = _joined(asked[-1], location)
    if url is None:
        return WrongContent(f"the server redirects to an address that cannot be read ({status})")
    host = host_with_port(url)
    if asked[-1].startswith("https:") and not url.startswith("https:"):
        return WrongContent(
            f"the server sends the tile on from https to plain http ({status}), which is not followed"
        )
    if host not in rules.own and host not in rules.named:
        return UnnamedHost(url, host, status)
    if url in asked:
        return WrongContent(f"the server sends the tile round in a circle ({status})")
    if len(asked) > MOST_HOPS:
        return WrongContent(f"the server sends the tile on more than {MOST_HOPS} times ({status})")
    return Onward(url, host, _origin(url) in rules.origins, status in _FOR_GOOD)


def _joined(base: str, location: str) -> str | None:
    """The address that a Location leads to, without its fragment; None for one that cannot be asked."""
    if not location.isprintable() or any(c in location for c in ' \\"<>'):
        return None
    try:
        url = urljoin(base, location).partition("#")[0]
        parts = urlsplit(url)
        fit = parts.scheme in ("http", "https") and parts.hostname and _HOST.fullmatch(parts.hostname)
        # A user part would be a key that the server chose; of the layer's own address it goes along on its host.
        strange = "@" in parts.netloc and parts.netloc != urlsplit(base).netloc
        return with_canonical_host(url) if fit and not strange and parts.port != 0 else None
    except ValueError:
        return None


class RedirectPattern:
    """Where the redirects of one layer to hosts that the brief does not name lead: each tile to a place of its own, or
    all to one place, as a sign-in page is."""

    def __init__(self) -> None:
        self._places: dict[str, dict[Tile, str]] = {}

    def note(self, tile: Tile, asked: str, elsewhere: UnnamedHost) -> bool:
        """Take in where a tile was sent on to when `asked` was; whether it is sure by now that each tile is sent on to
        that host."""
        places = self._places.setdefault(elsewhere.host, {})
        if not _is_tiles_own(tile, asked, elsewhere.url):
            places.clear()
            return False
        if len(places) < _MOST_KEPT:
            places[tile] = elsewhere.url
        return len(set(places.values())) >= _TELLING


def _is_tiles_own(tile: Tile, asked: str, target: str) -> bool:
    """Whether an address is one of this tile's own, by its looks: it has the tile's numbers or ends as pictures do, and
    does not repeat the whole address or path that was asked for as a value, as sign-in pages do to lead back."""
    parts, before = urlsplit(target), urlsplit(asked)
    path, query = _plain(parts.path), _plain(parts.query)
    if (before.hostname or "").lower() in f"{path}?{query}" or _plain(before.path) in query:
        return False
    if _TILE_NAME.search(path):
        return True
    numbers = set(re.findall(r"\d+", f"{path} {query}"))
    x, rows = str(tile.x), (str(tile.y), str(tms_row(tile.zoom, tile.y)))
    telling = len(x) + len(rows[0]) >= _LEAST_DIGITS
    if telling and x in numbers and not numbers.isdisjoint(rows):
        return True
    return tile.zoom >= _LEAST_QUADKEY and quadkey(tile.zoom, tile.x, tile.y) in numbers


def _plain(text: str) -> str:
    """A text as it reads, percent-decoded up to three times, in small letters."""
    for _ in range(3):
        if "%" not in text or (decoded := unquote(text)) == text:
            break
        text = decoded
    return text.lower()


def meaning(elsewhere: UnnamedHost, name: str, *, each_tile: bool) -> SentOn | SignIn:
    """What a redirect to a host that the brief does not name means for its tile; `name` is what is shown of the
    host."""
    if each_tile:
        return SentOn(
            name,
            f"sent on to {name} ({elsewhere.status}), a host that the brief does not name under tile-hosts",
        )
    return SignIn(name, f"redirected to {name} ({elsewhere.status}): a sign-in page, or the layer has moved")
