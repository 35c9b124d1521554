"""FIT files of a few positions, written byte by byte."""

from __future__ import annotations

import struct

__all__ = ["fit_file"]


def _crc(data: bytes) -> int:
    """The checksum of the FIT protocol: CRC-16 with the polynomial x^16 + x^15 + x^2 + 1, reflected (from memory)."""
    value = 0
    for byte in data:
        value ^= byte
        for _ in range(8):
            value = value >> 1 ^ (0xA001 if value & 1 else 0)
    return value


def fit_file(*places: tuple[float, float] | None) -> bytes:
    """A FIT file of records with just a position: one definition message (global number 20, fields 0 and 1), then a
    data message each; a position that is not known has the largest signed number."""
    body = bytes([0x40, 0, 0]) + struct.pack("<HB", 20, 2) + bytes([0, 4, 0x85, 1, 4, 0x85])
    for place in places:
        lat, lon = (0x7FFFFFFF,) * 2 if place is None else (round(d / 180 * 2**31) for d in place)
        body += b"\0" + struct.pack("<ii", lat, lon)
    head = struct.pack("<BBHI4s", 14, 0x20, 2132, len(body), b".FIT")
    head += struct.pack("<H", _crc(head))
    return head + body + struct.pack("<H", _crc(head + body))
