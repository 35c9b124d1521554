"""Every way to give a key to a layer, as layers of one brief, and a server that repeats the keys wherever it can."""

from __future__ import annotations

import base64
import json
import sys
from collections.abc import Iterable
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from urllib.parse import quote, quote_plus

from packer.practice.catalogue import wmts_capabilities
from tests.tile_server import TileServer, answer, png

__all__ = ["ENVIRONMENT", "RING", "WAYS", "EchoServer", "Way", "brief_text", "hits", "needles"]


@dataclass(frozen=True)
class Way:
    """A layer that is given keys: by what the brief says (`keys`, with `{host}` for the server), and by the server.

    `in_full` are secrets that stand in the brief, `unseen` those that come from variables or from the server.
    """

    name: str
    keys: str
    in_full: tuple[str, ...] = ()
    unseen: tuple[str, ...] = ()
    issued: str = ""

    @property
    def secrets(self) -> tuple[str, ...]:
        return self.in_full + self.unseen

    @property
    def given(self) -> tuple[str, ...]:
        """Those that the server does not give itself."""
        return tuple(
            s for s in self.secrets if s in self.in_full or s in ENVIRONMENT.values() or not self.issued
        )


def _basic(text: str) -> str:
    return base64.b64encode(text.encode()).decode("ascii")


ENVIRONMENT = {
    "QUERY_VAR": "qv%2Fhazel+77=",
    "PATH_VAR": "pv-rowan.51",
    "HEADER_VAR": "hv;maple 93",
    "BEARER_VAR": "bv.Aspen-4417.x",
    "BASIC_VAR": _basic("crew:bs/willow@62"),
    "USER_VAR": "larchuser5",
    "PASS_VAR": "up!poplar38",
    "TOLD_VAR": "tv~linden84",
}
RING = {"RING_VAR": "rv.Tamarisk-2208"}
_COMMANDED = "cv-larkspur-6641"
_TEMPLATE = "/{z}/{x}/{y}.png"
WAYS = (
    # By name, by nothing but its place, and under a name that says nothing.
    Way(
        "query",
        f'url = "http://{{host}}/query{_TEMPLATE}?key=lq-alder-16&lbJuniper29&k=Hawthorn&style=winter"',
        ("lq-alder-16", "lbJuniper29", "Hawthorn"),
    ),
    # By its looks, after a word that names it, and a UUID.
    Way(
        "path",
        'url = "http://{host}/path/p7Xk2Qm9Zt4B/token/elm-tree-8/6fa459ea-ee8a-4ca4-894e-db77e160355e'
        f'{_TEMPLATE}"',
        ("p7Xk2Qm9Zt4B", "elm-tree-8", "6fa459ea-ee8a-4ca4-894e-db77e160355e"),
    ),
    Way(
        "header",
        f'url = "http://{{host}}/header{_TEMPLATE}"\nheaders = {{ "X-Api-Key" = "lh-cedar-40", Accept = "image/png", '
        f'Referer = "http://maps.example.org/?token=lrTamarack7", Cookie = "lang=de; sid=lcSpruce55", '
        f'Authorization = "Basic {_basic("crew:lb-chestnut-70")}" }}',
        ("lh-cedar-40", "lcSpruce55", "lrTamarack7", _basic("crew:lb-chestnut-70"), "lb-chestnut-70"),
    ),
    Way(
        "vars",
        f'url = "http://{{host}}/vars/${{PATH_VAR}}{_TEMPLATE}?k=${{QUERY_VAR}}"\n'
        'headers = { "X-Key" = "${HEADER_VAR}", Authorization = "Bearer ${BEARER_VAR}" }',
        (),
        (*(ENVIRONMENT[f"{name}_VAR"] for name in ("PATH", "QUERY", "HEADER", "BEARER")), "qv/hazel+77="),
    ),
    Way(
        "user",
        f'url = "http://crew:lu-sycamore-3@{{host}}/user{_TEMPLATE}"\n'
        'headers = { Authorization = "Basic ${BASIC_VAR}" }',
        ("lu-sycamore-3",),
        (ENVIRONMENT["BASIC_VAR"], "bs/willow@62"),
    ),
    Way(
        "uservar",
        f'url = "http://${{USER_VAR}}:${{PASS_VAR}}@{{host}}/uservar{_TEMPLATE}"',
        (),
        (ENVIRONMENT["PASS_VAR"], ENVIRONMENT["USER_VAR"]),
    ),
    # By a program, whose arguments are not the key, and by the system's keyring.
    Way(
        "command",
        f'url = "http://{{host}}/command{_TEMPLATE}?k=${{COMMAND_VAR}}"\n'
        f"key-command = [{sys.executable!r}, '-S', '-E', '-c', 'print(\"{_COMMANDED[::-1]}\"[::-1])']",
        (),
        (_COMMANDED,),
    ),
    Way(
        "ring",
        f'url = "http://{{host}}/ring{_TEMPLATE}"\nheaders = {{ Authorization = "Bearer ${{RING_VAR}}" }}',
        (),
        (RING["RING_VAR"],),
    ),
    # A variable in the address of a description, and keys that the server gives in a path and in a query.
    Way(
        "told",
        'tilejson = "http://{host}/told/tile.json?key=${TOLD_VAR}"',
        (),
        (ENVIRONMENT["TOLD_VAR"], "iq-dogwood-21", "i9Kd3Wq7Lx2Z"),
        "/told/i9Kd3Wq7Lx2Z/{z}/{x}/{y}.png?key=tv~linden84&sig=iq-dogwood-21",
    ),
    Way(
        "literaltold",
        'tilejson = "http://{host}/literaltold/tile.json?access_token=lt-mulberry-8"',
        ("lt-mulberry-8",),
        (),
        "/literaltold/{z}/{x}/{y}.png?access_token=lt-mulberry-8",
    ),
    Way(
        "wmts",
        'wmts = "http://{host}/wmts/caps?apikey=lw-hornbeam-6"\nwmts-layer = "relief"\n'
        'wmts-matrix-set = "WebMercatorQuad"',
        ("lw-hornbeam-6",),
        ("iw8Rz4Nc6Vt1",),
        "/wmts/iw8Rz4Nc6Vt1/{TileMatrix}/{TileCol}/{TileRow}.png?apikey=lw-hornbeam-6",
    ),
)


def brief_text(host: str, ways: Iterable[Way] = WAYS, deepest: int = 7) -> str:
    """A brief of these ways over two small areas, with comments that repeat keys."""
    layers = "".join(
        f"[layers.{way.name}]\n{way.keys.replace('{host}', host)}\n"
        f'{"" if way.issued else "zooms = [0, 9]"}\nattribution = "Survey of {way.name}"\npermission = "Own server"\n'
        f"connections = 4\nrequests-per-second = 10000\n"
        for way in ways
    )
    old = "".join(f'# url = "http://{host}/old/{s}/{{z}}?key={s}"\n' for way in ways for s in way.in_full)
    return (
        f'title = "Ways"\noverview = false\n{layers}{old}'
        f'[[areas]]\nname = "camp"\npoint = [12.5012, 47.1023]\nradius = "300 m"\ndeepest = {deepest}\n'
        '[[crews]]\nname = "north"\n'
    )


@dataclass
class EchoServer:
    """A tile server that repeats a layer's secrets in each form by turns, in every header and body that it sends.

    `mode` is "tiles", "refused" (403), "moved" (302), "page", "broken" (500) or "disallowed" (by robots.txt); with
    `described` False descriptions are refused as well, their words being the keys.
    """

    mode: str = "tiles"
    described: bool = True
    _turn: int = 0
    _server: TileServer = field(init=False)

    def __enter__(self) -> EchoServer:
        self._server = TileServer(self._answer)
        self._server.__enter__()
        return self

    def __exit__(self, *_: object) -> None:
        self._server.__exit__(None, None, None)

    @property
    def host(self) -> str:
        """Its host and port."""
        return f"127.0.0.1:{self._server.port}"

    def _answer(self, path: str) -> bytes:
        if path == "/robots.txt":
            rules = (
                b"User-agent: *\nDisallow: /\n" if self.mode == "disallowed" else b"User-agent: *\nAllow: /\n"
            )
            return answer("200 OK", rules, "text/plain")
        name = path.split("/")[1]
        way = next((way for way in WAYS if way.name == name), None)
        if way is None:
            return answer("404 Not Found")
        secrets = way.secrets if self.described else way.given
        forms = [form for secret in secrets for form in needles(secret)] or ["plain"]
        self._turn += 1
        echo = quote(forms[self._turn % len(forms)], safe="!#$%&'*+,/:;=?@[]~ -._")
        if "tile.json" in path or "/caps" in path:
            return self._description(way, echo)
        headers = (f'ETag: "{echo}"', f"Last-Modified: {echo}", f"X-Key: {echo}", f"Server: {echo}")
        match self.mode:
            case "refused":
                return answer("403 Forbidden", f"no {echo}".encode(), "text/plain", *headers)
            case "moved":
                place = f"Location: http://portal.example/{echo}/login?from={echo}"
                return answer("302 Found", b"", "text/plain", place, *headers)
            case "page":
                page = f'<html><form action="https://portal.example/{echo}/x">{echo}</form></html>'
                return answer("200 OK", page.encode(), "text/html", *headers)
            case "broken":
                return answer("500 Internal Server Error", echo.encode(), f"text/{name}", *headers)
            case _:
                return answer("200 OK", png(path.partition("?")[0]), "image/png", *headers)

    def _description(self, way: Way, echo: str) -> bytes:
        if not self.described:
            return answer("200 OK", json.dumps({"tilejson": echo, "tiles": [echo], "error": echo}).encode())
        template = f"http://{self.host}{way.issued}"
        if way.name == "wmts":
            told = wmts_capabilities(f"http://{self.host}")
            start = told.index('template="', told.index("<ows:Identifier>relief</ows:Identifier>")) + len(
                'template="'
            )
            return answer(
                "200 OK", (told[:start] + template + told[told.index('"', start) :]).encode(), "text/xml"
            )
        told_json = {
            "tilejson": "3.0.0", "tiles": [template], "minzoom": 0, "maxzoom": 9, "name": echo, "description": echo,
            "attribution": f'<a href="http://{self.host}/about?x={echo}">Them {echo}</a>',
        }  # fmt: skip
        return answer("200 OK", json.dumps(told_json).encode(), "application/json")


def needles(secret: str) -> list[str]:
    """The forms of a secret to look for, made here and not by what is tested."""
    raw = secret.encode()
    plain = {
        secret,
        quote(secret, safe=""),
        quote(secret),
        quote_plus(secret),
        quote(quote(secret, safe=""), safe=""),
    }
    plain |= {"".join(f"%{byte:02X}" for byte in raw), "".join(f"%{byte:02x}" for byte in raw)}
    plain |= {form.lower() for form in plain} | {form.upper() for form in plain}
    coded = {code(text).decode() for text in (raw, b"crew:" + raw, raw + b":", b":" + raw) for code in _CODES}
    return sorted(plain) + sorted({form.rstrip("=") for form in coded} | coded)


_CODES = (base64.b64encode, base64.urlsafe_b64encode)


@cache
def _looked_for(secret: str) -> tuple[list[bytes], list[bytes]]:
    """What to look for in a content in small letters, and in it as it is: the forms of a secret, and what stands in its
    base64 together with anything before it."""
    small = sorted({form.lower().encode() for form in needles(secret)})
    codes = (base64.b64encode(bytes(before) + secret.encode()) for before in range(3))
    middles = (code[4 if i else 0 : len(code) // 4 * 4 - 4] for i, code in enumerate(codes))
    return small, [middle for middle in middles if len(middle) >= 8]


def hits(where: str, content: bytes, secrets: Iterable[str]) -> list[str]:
    """Each secret and form that stands in a content, capitals or not, with where."""
    lower = content.lower()
    found = []
    for secret in secrets:
        small, exact = _looked_for(secret)
        found += [f"{where}: {secret} as {form!r}" for form in small if form in lower]
        found += [f"{where}: {secret} in base64 {form!r}" for form in exact if form in content]
    return found


def files_below(folder: Path) -> list[Path]:
    """Every file below a folder."""
    return [path for path in folder.rglob("*") if path.is_file()]
