"""Pictures that servers send where they have nothing, drawn for the tests."""

from __future__ import annotations

from PIL import Image, ImageDraw, ImageFont

from tests.imagery_samples.labelled import encode

__all__ = ["EVEN", "NOTICES", "PATTERNS", "placeholder"]

EVEN = ("grey", "black", "white", "sea", "clear")
NOTICES = ("notice", "small notice", "refusal")
PATTERNS = ("chequers", "crossed frame")

_COLOURS = {"grey": (229, 227, 223), "black": (0, 0, 0), "white": (255, 255, 255), "sea": (170, 211, 223)}


def placeholder(kind: str, coding: str) -> bytes:
    """One of the pictures, 256 px; "clear" is fully transparent and always a PNG."""
    if kind in _COLOURS:
        return encode(Image.new("RGB", (256, 256), _COLOURS[kind]), coding)
    if kind == "clear":
        return encode(Image.new("RGBA", (256, 256), (0, 0, 0, 0)), "png")
    if kind in NOTICES:
        return encode(_notice(kind), coding)
    return encode(_pattern(kind), coding)


def _notice(kind: str) -> Image.Image:
    image = Image.new("RGB", (256, 256), (242, 239, 233) if kind != "refusal" else (250, 250, 250))
    pen = ImageDraw.Draw(image)
    words, size, ink = {
        "notice": ("Map data\nnot yet available", 22, (120, 120, 120)),
        "small notice": ("Zoom level not supported", 12, (150, 60, 60)),
        "refusal": ("Access blocked.\nSee the terms of use,\nthen write to us.", 18, (200, 30, 30)),
    }[kind]
    pen.multiline_text((128, 128), words, ink, ImageFont.load_default(size), anchor="mm", align="center")
    return image


def _pattern(kind: str) -> Image.Image:
    image = Image.new("RGB", (256, 256), (225, 225, 225))
    pen = ImageDraw.Draw(image)
    if kind == "chequers":
        for x in range(0, 256, 16):
            for y in range((x // 16 % 2) * 16, 256, 32):
                pen.rectangle((x, y, x + 15, y + 15), fill=(205, 205, 205))
    else:
        pen.rectangle((60, 60, 196, 196), outline=(160, 160, 160), width=5)
        pen.line((60, 60, 196, 196), fill=(160, 160, 160), width=5)
        pen.line((60, 196, 196, 60), fill=(160, 160, 160), width=5)
    return image
