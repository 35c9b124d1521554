"""Redirects and sign-in pages: is it a network that wants a sign-in, or a layer whose address has changed?

A network that wants a sign-in (a hotel's, a harbour's) answers in place of the tile server: with a redirect to
its own host, or with a page. Both look like an answer of the server. What tells them apart is where they lead:
a redirect to the layer's own host is the layer's affair, one to any other host is taken for a sign-in.
"""

from __future__ import annotations

import re
from urllib.parse import SplitResult, urlsplit

from packer.fetching.answers.outcome import SignIn, TileRules, WrongContent
from packer.fetching.transports import Response

__all__ = ["login_link", "redirected"]


def _split(url: str) -> SplitResult | None:
    """The parts of a URL whose host and port are fit to be shown, else None."""
    try:
        parts = urlsplit(url.strip())
        fit = parts.hostname and re.fullmatch(r"[a-z0-9._:-]{1,80}", parts.hostname)
        return parts if fit and parts.port != 0 else None  # reading `port` raises for an impossible one
    except ValueError:
        return None


def _authority(parts: SplitResult) -> str:
    host = parts.hostname or ""
    host = f"[{host}]" if ":" in host else host
    return host if parts.port is None else f"{host}:{parts.port}"


def _is_own(parts: SplitResult, rules: TileRules) -> bool:
    """Whether a target is the layer's own host; http and https on their usual ports count as one."""
    own = _split(f"//{rules.host}")
    if own is None or parts.hostname != own.hostname:
        return False
    ports = {own.port or 443, parts.port or {"http": 80, "https": 443}.get(parts.scheme, own.port or 443)}
    return len(ports) == 1 or ports == {80, 443}


def redirected(response: Response, rules: TileRules) -> SignIn | WrongContent:
    """3xx other than 304 (RFC 9110 section 15.4); Location may be relative (section 10.2.2)."""
    location = response.headers.get("location", "").strip()
    if not location or response.status not in (301, 302, 303, 307, 308):
        return WrongContent(f"the server redirects without giving an address ({response.status})")
    target = _split(location)
    if target is None and re.match(r"([a-z][a-z0-9+.-]*:)?//", location, re.IGNORECASE):
        return WrongContent(f"the server redirects to an address that cannot be read ({response.status})")
    if target is None or _is_own(target, rules):
        return WrongContent(f"the tiles have moved ({response.status}): put the new address in the brief")
    where = _authority(target)
    return SignIn(
        where, f"redirected to another host ({response.status}): a sign-in page, or the layer has moved"
    )


_LINK_PLACES = tuple(
    re.compile(
        tag + rb"""[^>]{0,200}\b""" + name + rb"""\s{0,8}=\s{0,8}["']?\s{0,8}(https?://[^"'<>\s;]{1,500})""",
        re.IGNORECASE,
    )
    for tag, name in ((rb"<meta\s", rb"url"), (rb"<form\s", rb"action"), (rb"<a\s", rb"href"))
)
# A path is shown only if it is as plain as "/guest/login.html": a portal may put the tile's own address, and
# with it a key, into the path it chooses.
_PLAIN_PATH = re.compile(r"(/[A-Za-z._-]{0,20}){1,4}")


def login_link(body: bytes, *, anchors: bool) -> str | None:
    """The absolute address that a sign-in page refreshes to, posts to or (with `anchors`) links to, without
    its query, fragment and userinfo."""
    for place in _LINK_PLACES[: 3 if anchors else 2]:
        found = place.search(body[:65536])
        parts = _split(found[1].decode("latin-1")) if found else None
        if parts is not None:
            path = parts.path if _PLAIN_PATH.fullmatch(parts.path) else "/"
            return f"{parts.scheme}://{_authority(parts)}{path}"
    return None
