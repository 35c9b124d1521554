# what is made up here is easier to read in one piece
"""Damaged and hostile texts: bytes gone wrong, and XML, JSON, TOML and zip files made to hurt."""

from __future__ import annotations

import io
import itertools
import json
import random
import re
import struct
import zipfile
from collections.abc import Callable, Sequence
from typing import Any

from tests.hostile_samples import BRIEF, GEOJSON, GPX, KML

__all__ = [
    "HOSTILE_NUMBERS",
    "damaged",
    "hostile_brief",
    "hostile_json",
    "hostile_markup",
    "hostile_xml",
    "hostile_zip",
    "worded",
]

HOSTILE_NUMBERS = (
    *(
        "1e999",
        "-1e999",
        "1e308",
        "5e-324",
        "-0",
        "-0.0",
        "nan",
        "NaN",
        "inf",
        "Infinity",
        "-inf",
        "1_0",
        "0x10",
    ),
    *("٣", "12,5", "", " ", "+1", "1e", "1e+", "--1", "9" * 30, "9" * 400, "9" * 5000, "0." + "1" * 5000),
    *("180.0000001", "-181", "361", "90", "85.06", "89.999", "1e15", "4294967296", "9223372036854775808"),
)
_NUMBER = re.compile(r"-?\d+(?:\.\d+)?")
_HOSTILE_TEXTS = (
    *(
        "\x00",
        "\x1b[2J",
        "\u202e",
        "\ufffe",
        "a" * 5000,
        "../../etc/passwd",
        "/etc/passwd",
        "${HOME}",
        "%s%n",
        "]]>",
    ),
    *(
        "<!--",
        "&amp;",
        "&#0;",
        "&#x110000;",
        '"',
        "'",
        "\\",
        "\r\n",
        "\ud800",
        "🗺",
        "e\u0301" * 50,
        "{{}}",
        "\\u0000",
    ),
)


def damaged(chance: random.Random, data: bytes, other: bytes = b"") -> bytes:
    """The bytes with one to four accidents: flips, cuts, splices, insertions, runs of zeros."""
    content = bytearray(data)
    for _ in range(chance.randint(1, 4)):
        at = chance.randrange(len(content) + 1)
        span = min(chance.choice((1, 4, 16, 100, 1000)), len(content) - at)
        match chance.randrange(9):
            case 0 if at < len(content):
                content[at] ^= 1 << chance.randrange(8)
            case 1:
                del content[at:]
            case 2:
                del content[at : at + span]
            case 3:
                content[at:at] = chance.randbytes(chance.choice((1, 8, 100)))
            case 4:
                content[at : at + span] = bytes(span)
            case 5:
                start = chance.randrange(len(content) + 1)
                content[at : at + span] = content[start : start + span]
            case 6:
                content[at : at + 4] = chance.choice(
                    (b"\xff" * 4, b"\x7f\xff\xff\xff", b"\x80\0\0\0", b"\0\0\0\1")
                )
            case 7 if other:
                start = chance.randrange(len(other))
                content[at : at + span] = other[start : start + max(span, 1)]
            case 8:
                content[at:at] = content[at : at + span] * chance.choice((1, 3, 50))
    return bytes(content)


def worded(chance: random.Random, text: str) -> bytes:
    """A text with some of its numbers and words replaced by hostile ones."""
    for _ in range(chance.randint(1, 3)):
        spots = [m.span() for m in _NUMBER.finditer(text)]
        if chance.random() < 0.6 and spots:
            start, stop = chance.choice(spots)
            text = text[:start] + chance.choice(HOSTILE_NUMBERS) + text[stop:]
        else:
            at = chance.randrange(len(text) + 1)
            text = text[:at] + chance.choice(_HOSTILE_TEXTS) + text[at:]
    return text.encode("utf-8", chance.choice(("surrogatepass", "replace")))


# --- XML -------------------------------------------------------------------------------------------------


def _laughs(chance: random.Random, text: str) -> str:
    names = [f"e{i}" for i in range(chance.randint(3, 12))]
    told = '<!ENTITY e0 "ha">' + "".join(
        f'<!ENTITY {name} "{f"&{before};" * 10}">' for before, name in itertools.pairwise(names)
    )
    return _doctype(text, f"[{told}]").replace("hut", f"&{names[-1]};")


def _doctype(text: str, inside: str) -> str:
    root = "kml" if "<kml" in text else "gpx"
    return re.sub(r"\?>", f"?><!DOCTYPE {root} {inside}>", text, count=1)


def _outside(chance: random.Random, text: str) -> str:
    address = chance.choice(("file:///etc/passwd", "http://127.0.0.1:9/x", "//host/share/x", "x.ent"))
    inside = chance.choice(
        (
            f'[<!ENTITY x SYSTEM "{address}">]',
            f'[<!ENTITY % x SYSTEM "{address}"> %x;]',
            f'SYSTEM "{address}"',
            f'PUBLIC "-//X//X" "{address}" []',
        )
    )
    return _doctype(text, inside).replace("hut", "&x;")


def _defaults(chance: random.Random, text: str) -> str:
    """Default attributes: each element of the flood carries them all."""
    many = chance.choice((10, 1000, 3000))
    told = "<!ATTLIST b " + " ".join(f'a{i} CDATA "{i}"' for i in range(many)) + ">"
    return (
        _doctype(text, f"[{told}]").replace("<wpt", "<b/>" * many + "<wpt").replace("<Folder>", "<b/>" * many)
    )


def _deep(chance: random.Random, text: str) -> str:
    depth = chance.choice((40, 500, 5000, 100_000))
    tag = chance.choice(("a", "Folder", "MultiGeometry", "trk", "wpt", "Placemark", "Document"))
    inside = f"<{tag}>" * depth + f"</{tag}>" * depth
    place = chance.choice(("<Folder>", "<MultiGeometry>", "<wpt", "</trk>", "</Document>"))
    return text.replace(place, inside + place, 1)


def _many(chance: random.Random, text: str) -> str:
    """Points by the hundred thousand, near one another or all over the globe."""
    count = chance.choice((1000, 30_000, 150_000))
    wide = chance.random() < 0.4

    def place() -> tuple[float, float]:
        if wide:
            return chance.uniform(-180, 180), chance.uniform(-85, 85)
        return 12 + chance.random() / 100, 47 + chance.random() / 100

    if "<kml" in text:
        row = " ".join("{:.4f},{:.4f}".format(*place()) for _ in range(count))
        return re.sub(r"<coordinates>[^<]*", f"<coordinates>{row}", text, count=chance.choice((1, 9)))
    tag = chance.choice(("trkpt", "wpt", "rtept"))
    parts = "".join('<{} lon="{:.4f}" lat="{:.4f}"/>'.format(tag, *place()) for _ in range(count))
    ends = {"trkpt": "<trkseg>", "wpt": "<rte>", "rtept": "<rte>"}
    return text.replace(ends[tag], ends[tag] + parts if tag != "wpt" else parts + ends[tag], 1)


def _tangle(chance: random.Random, text: str) -> str:
    """A ring that crosses itself many thousand times."""
    count = chance.choice((50, 1000, 5000))
    row = " ".join(f"{chance.random():.5f},{chance.random():.5f}" for _ in range(count))
    return re.sub(r"(?s)(<LinearRing><coordinates>)[^<]*", rf"\g<1>{row}", text, count=1)


def _links(chance: random.Random, text: str) -> str:
    href = chance.choice(("http://127.0.0.1:9/x.kml", "/etc/passwd", "../x.kml", "file:///dev/zero"))
    link = (
        f"<NetworkLink><Link><href>{href}</href></Link></NetworkLink><Style><IconStyle><Icon><href>{href}</href>"
        f'</Icon></IconStyle></Style><Schema name="x" id="x"><SimpleField type="int" name="n"/></Schema>'
    )
    return text.replace("<Folder>", f"{link}<Folder>", 1).replace("<wpt", f'<link href="{href}"/><wpt', 1)


def _encoded(chance: random.Random, text: str) -> str:
    name = chance.choice(
        ("UTF-7", "UTF-16", "UTF-32", "EBCDIC-CP-US", "idna", "rot13", "zlib", "x" * 500, "UTF-8")
    )
    return text.replace('encoding="UTF-8"', f'encoding="{name}"')


_XML: Sequence[Callable[[random.Random, str], str]] = (
    *(_laughs, _outside, _defaults, _deep, _many, _tangle, _links, _encoded),
)


def hostile_xml(chance: random.Random, ending: str) -> bytes:
    """A KML or GPX file made to hurt."""
    text = KML if ending == ".kml" else GPX
    text = chance.choice(_XML)(chance, text)
    return text.encode("utf-8", "replace") if chance.random() < 0.9 else damaged(chance, text.encode())


def hostile_markup(chance: random.Random, text: str) -> bytes:
    """Any other XML file made to hurt: too deep, too many elements, entities, a flood of numbers."""
    tag = chance.choice(re.findall(r"<([A-Za-z:]+)[ >]", text))
    many = chance.choice((40, 5000, 150_000))
    flood = chance.choice(
        (f"<{tag}>" * many + f"</{tag}>" * many, f"<{tag}>1</{tag}>" * many, "47.0 12.3 " * many)
    )
    place = chance.choice(re.findall(r"</[A-Za-z:]+>", text))
    harms: tuple[Callable[[], str], ...] = (
        lambda: text.replace(place, flood + place, 1),
        lambda: text.replace("?>", f'?><!DOCTYPE x [<!ENTITY e "{"x" * many}">]>', 1).replace(
            "ridge", "&e;&e;"
        ),
        lambda: text.replace(
            "EPSG::4326", chance.choice(("EPSG::999999", "EPSG::3857", "x" * many, "OGC:1.3:CRS84"))
        ),
        lambda: text.replace(
            f"<{tag}", f'<{tag} srsDimension="{chance.choice(("0", "-1", "9" * many, "3"))}" ', 1
        ),
    )
    return chance.choice(harms)().encode("utf-8", "replace")


# --- JSON ------------------------------------------------------------------------------------------------


def _spots(value: Any) -> list[tuple[Any, Any]]:
    """Every (container, key) in a document."""
    pairs = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    return [found for key, inner in pairs for found in [(value, key), *_spots(inner)]]


_DEEP = "@deep@"  # stands for brackets in brackets until the document is text


def hostile_value(chance: random.Random) -> Any:
    """Anything but what belongs there."""
    simple: tuple[Any, ...] = (
        *(
            None,
            True,
            0,
            -1,
            1.5,
            10**25,
            -(10**400),
            1e308,
            5e-324,
            "",
            "x",
            "\x1b[2J",
            "\ud800",
            "a" * 5000,
            [],
            {},
        ),
        *(
            [[]],
            [[[]]],
            {"type": "Point"},
            ["Point"],
            [1, 2, 3],
            ["12.3", "47"],
            [True, False],
            "../../x",
            2**63,
            2**53,
        ),
    )
    return _DEEP if chance.random() < 0.1 else chance.choice(simple)


def hostile_json(chance: random.Random, document: Any) -> bytes:
    """The document with some of its values replaced, gone or doubled, or a bomb in its place."""
    if chance.random() < 0.12:
        return _json_bomb(chance)
    document = json.loads(json.dumps(document))
    for _ in range(chance.randint(1, 3)):
        spots = _spots(document)
        if not spots:
            break
        where, key = chance.choice(spots)
        match chance.randrange(6):
            case 0:
                del where[key]
            case 1 if isinstance(where, list):
                where.extend([where[key]] * chance.choice((1, 20)))
            case 2:
                where[key] = [where[key]]
            case 3 if isinstance(where, dict):
                where[chance.choice(("type", "crs", "x", "a" * 300))] = where.pop(key)
            case _:
                where[key] = hostile_value(chance)
    depth, (first, last) = chance.choice((50, 900, 5000)), chance.choice((("[", "]"), ('{"a":', "}")))
    text = json.dumps(document).replace(f'"{_DEEP}"', f"{first * depth}[]{last * depth}")
    if chance.random() < 0.3:
        return worded(chance, text)
    return text.encode()


def _json_bomb(chance: random.Random) -> bytes:
    many = chance.choice((1000, 100_000))

    def ring(count: int) -> list[list[float]]:
        return [[chance.uniform(0, 1), chance.uniform(0, 1)] for _ in range(count)]

    match chance.randrange(9):
        case 0:
            return b"[" * many
        case 1:
            return b'{"type":' * many
        case 2:
            inner = '{"type":"GeometryCollection","geometries":['
            return (inner * (many // 10) + "]}" * (many // 10)).encode()
        case 3:
            return b'{"type":"Point","coordinates":[' + b"9" * (many + 4301) + b",1]}"
        case 4:
            return json.dumps({"type": "Polygon", "coordinates": [ring(min(many, 4000))]}).encode()
        case 5:
            holes = [[[x, y], [x + 0.01, y], [x, y + 0.01], [x, y]] for x, y in ring(min(many, 3000))]
            outer = [[-1.0, -1.0], [2.0, -1.0], [2.0, 2.0], [-1.0, 2.0], [0.5, 2.5], [0.6, -2], [-1.0, -1.0]]
            return json.dumps({"type": "Polygon", "coordinates": [outer, *holes]}).encode()
        case 6:
            places = [[chance.uniform(-180, 180), chance.uniform(-85, 85)] for _ in range(many)]
            return json.dumps(
                {"type": chance.choice(("LineString", "MultiPoint")), "coordinates": places}
            ).encode()
        case 7:
            name = chance.choice(
                ("EPSG:4978", "EPSG:5703", "EPSG:2056", "EPSG:3857", "EPSG:99999999", "urn:x", "EPSG:4979")
            )
            lines = {"type": "LineString", "coordinates": [[2.6e6, 1.2e6], [2.61e6, 1.21e6]]}
            return json.dumps({**lines, "crs": {"type": "name", "properties": {"name": name}}}).encode()
        case _:
            return json.dumps({**GEOJSON, "x": "y" * many * 10}).encode()


# --- TOML ------------------------------------------------------------------------------------------------


def hostile_brief(chance: random.Random) -> bytes:
    """A brief made to hurt."""
    many = chance.choice((50, 2000, 40_000))
    key = chance.choice(("title", "areas", "layers.survey.url", "overview", "x", "crews"))
    deep = "a." * many + "a"
    texts = (
        lambda: BRIEF + f"\n[{deep}]\nx = 1\n",
        lambda: f"{deep} = 1\n" + BRIEF,
        lambda: f"{key} = {'[' * many}{']' * many}\n" + BRIEF,
        lambda: f"{key} = {'{a=' * many}1{'}' * many}\n" + BRIEF,
        lambda: "\n".join(f"k{i} = {i}" for i in range(many)) + "\n" + BRIEF,
        lambda: BRIEF + "".join(f'\n[[areas]]\nname = "a{i}"\nbox = [{i}]' for i in range(many // 10)),
        lambda: BRIEF + "".join(f'\n[layers.l{i}]\nurl = "x"' for i in range(many // 10)),
        lambda: (
            BRIEF
            + "\n[[crews]]\n"
            + f'name = "c"\nareas = [{", ".join(f"{chr(34)}a{i}{chr(34)}" for i in range(many))}]\n'
        ),
        lambda: f"{key} = {'9' * many}\n" + BRIEF,
        lambda: BRIEF.replace("32 GB", f"{'9' * many} GB"),
        lambda: BRIEF.replace("100000", "9" * many),
        lambda: BRIEF.replace(
            "box = [12.30, 47.00, 12.36, 47.03]\ndeepest = 11", "box = [-180, -85, 180, 85]\ndeepest = 24"
        ),
        lambda: (
            BRIEF.replace('"250 m"', '"100 km"')
            .replace('use = "trail"', "deepest = 24")
            .replace("14]", "24]")
        ),
        lambda: BRIEF.replace('margin = "1 km"\ndeepest = 6', 'margin = "1000 km"\ndeepest = 24').replace(
            "14]", "24]"
        ),
        lambda: BRIEF.replace(
            "survey/{z}", chance.choice(("{z}" * many, "{", "}" * many, "{s}{s}", "${" * many, "\\\\"))
        ),
        lambda: BRIEF.replace(
            '"ground"', '"' + chance.choice(("\\u202e", "\\u0000", "\\u001b[2J", "x" * 3000)) + '"'
        ),
        lambda: BRIEF.replace(
            "[layers.survey]", f'[layers."{chance.choice(("../x", "con", "", "a" * 300, "a/b", "."))}"]'
        ),
        lambda: BRIEF.replace('"packs"', f'"{chance.choice(("/", "..", "a" * 5000, "~", "a/../../b"))}"'),
        lambda: BRIEF.replace(
            "2031-03-01", chance.choice(("0001-01-01", "9999-12-31", "2031-13-01", "12:00:00"))
        ),
        lambda: BRIEF.replace("expires", "# " + "\x00" * 3 + "\nexpires"),
    )
    return chance.choice(texts)().encode("utf-8", "replace")


# --- zip -------------------------------------------------------------------------------------------------


def hostile_zip(chance: random.Random) -> bytes:
    """A KMZ made to hurt: bombs, names that climb out, sizes that lie, members by the thousand."""
    out = io.BytesIO()
    name = chance.choice(
        (
            "doc.kml",
            "../../out.kml",
            "/tmp/out.kml",
            "a/b/c/doc.kml",
            "doc.KML",
            "x" * 300 + ".kml",
            "doc.shp",
        )
    )
    body = KML.encode() if chance.random() < 0.6 else hostile_xml(chance, ".kml")
    choice = chance.randrange(6)
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
        if choice == 0:
            body = body.replace(b"<Folder>", b" " * chance.choice((10**6, 3 * 10**7)) + b"<Folder>", 1)
        archive.writestr(name, body)
        if choice == 1:
            for number in range(chance.choice((10, 3000))):
                archive.writestr(f"{number}.kml", KML)
        if choice == 2:
            archive.writestr("doc.kml" if name != "doc.kml" else "inner.kmz", out.getvalue())
    data = bytearray(out.getvalue())
    if choice == 3:  # the sizes in the directory lie
        at = data.rfind(b"PK\1\2") + chance.choice((20, 24, 28, 30, 42))
        data[at : at + 4] = struct.pack("<I", chance.choice((0, 1, 10**9, 0xFFFFFFFF, len(data))))
    if choice == 4:  # and those in front of the member
        at = chance.choice((6, 8, 14, 18, 22, 26, 28))
        data[at : at + 2] = chance.randbytes(2)
    return damaged(chance, bytes(data)) if choice == 5 else bytes(data)
