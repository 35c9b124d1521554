"""HTML from plain data: everything that is not made here is escaped on its way in."""

from __future__ import annotations

import base64
import html
import io
from collections.abc import Iterable, Sequence

import nh3
from PIL import Image

__all__ = ["Html", "bullets", "el", "embedded", "joined", "pairs", "picture", "plain", "png", "table"]

_LONGEST = 4_000
_FITS_A_PHONE = 6  # columns


class Html(str):
    """Text that is markup already."""

    __slots__ = ()


def el(name: str, *content: str, **attributes: str) -> Html:
    """An element; content and attribute values are escaped unless they are Html. `class_` is "class"."""
    told = "".join(f' {key.rstrip("_")}="{_safe(value)}"' for key, value in attributes.items())
    inside = "".join(_safe(part) for part in content)
    return Html(f"<{name}{told}>{inside}</{name}>")


def joined(parts: Iterable[str]) -> Html:
    """Parts one after the other, escaped unless they are Html."""
    return Html("\n".join(_safe(part) for part in parts))


def _safe(text: str) -> str:
    return text if isinstance(text, Html) else html.escape(text, quote=True)


def plain(text: str) -> Html:
    """What an attribution, which may hold any HTML, says as text: all tags are taken away by `nh3`."""
    return Html(nh3.clean(text[:_LONGEST], tags=set()))


def bullets(texts: Iterable[str]) -> Html:
    """A list."""
    return el("ul", *(el("li", text) for text in texts))


def pairs(entries: Iterable[tuple[str, str]]) -> Html:
    """Names and what they stand for."""
    return el(
        "dl", *(part for name, value in entries for part in (el("dt", name), el("dd", value))), class_="pair"
    )


def table(
    heads: Sequence[str], rows: Iterable[Sequence[str]], foot: Sequence[str] = (), words: Sequence[int] = ()
) -> Html:
    """A table; `words` are the columns besides the first that hold words, not figures. A cell that is Html is
    taken for the whole td. One of many columns becomes a list of rows on a phone, each figure beside its head."""

    def cells(name: str, texts: Sequence[str]) -> Html:
        made = []
        for place, text in enumerate(texts):
            attributes = {"class_": "words"} if place in words else {}
            cell = text if isinstance(text, Html) else el(name, text, **attributes)
            if name == "td":
                head = html.escape(heads[place], quote=True)
                cell = Html(cell.replace("<td", f'<td data-head="{head}"', 1))
            made.append(cell)
        return el("tr", *made)

    parts = [el("thead", cells("th", heads)), el("tbody", *(cells("td", row) for row in rows))]
    many = {"class_": "many"} if len(heads) > _FITS_A_PHONE else {}
    whole = el("table", *parts, *([el("tfoot", cells("td", foot))] if foot else []), **many)
    return el(
        "div", whole, class_="wide", tabindex="0", role="group", **{"aria-label": f"Table by {heads[0]}"}
    )


def png(image: Image.Image) -> bytes:
    """A picture of few colours as a small PNG."""
    out = io.BytesIO()
    image.quantize(128, dither=Image.Dither.NONE).save(out, "PNG", optimize=True)
    return out.getvalue()


def embedded(data: bytes, kind: str, alt: str) -> Html:
    """A picture inside the page itself; `kind` is "png" or "jpeg"."""
    where = f"data:image/{kind};base64,{base64.b64encode(data).decode('ascii')}"
    return Html(f'<img src="{where}" alt="{html.escape(alt, quote=True)}">')


def picture(data: bytes, kind: str, alt: str, caption: str, class_: str = "") -> Html:
    """A figure with a caption."""
    return el("figure", embedded(data, kind, alt), el("figcaption", caption), class_=class_)
