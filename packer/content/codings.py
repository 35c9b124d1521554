"""Content codings of an answer, undone with limits and checks; gzip around a vector tile, undone and made."""

from __future__ import annotations

import struct
import zlib

from packer.content.damage import Damaged, TooBig, UnaskedCoding

__all__ = ["GZIP_MAGIC", "MAX_VECTOR_BYTES", "gunzip", "pack_vector", "unwrap"]

GZIP_MAGIC = b"\x1f\x8b"
# A vector tile has tens to hundreds of kilobytes; this is a limit for hostile gzip bodies.
MAX_VECTOR_BYTES = 32 * 1024 * 1024
# Each member costs a copy of the rest of the body; real bodies have one, seldom two.
_MAX_MEMBERS = 256
_MAX_CODINGS = 4
# The HTTP Content Coding Registry of IANA, from memory. No other name is shown: a server may put anything there,
# even the key of the request.
_OTHER_CODINGS = {"aes128gcm", "br", "compress", "dcb", "dcz", "exi", "pack200-gzip", "x-compress", "zstd"}


def unwrap(body: bytes, content_encoding: str | None, limit_bytes: int) -> bytes:
    """The content of `body` after its content codings (RFC 9110 section 8.4) are undone, last one first.

    `content_encoding` is the header's value, such as "gzip" or "gzip, identity"; None or "" means none. Raises
    UnaskedCoding, TooBig (over `limit_bytes` at any step), or Damaged for a coding that does not end exactly
    where the body does, with its checksum right.
    """
    if not content_encoding and len(body) <= limit_bytes:
        return body
    codings = [name.strip().lower() for name in (content_encoding or "").split(",")]
    codings = [name for name in codings if name not in ("", "identity")]
    if len(codings) > _MAX_CODINGS:
        raise UnaskedCoding(f"the server applied {len(codings)} content codings, which was not asked for")
    for name in reversed(codings):
        if name in ("gzip", "x-gzip"):
            body = gunzip(body, limit_bytes)
        elif name == "deflate":
            body = _inflate(body, limit_bytes)
        else:
            known = f'the coding "{name}"' if name in _OTHER_CODINGS else "a coding that is not known"
            raise UnaskedCoding(f"the server sent {known}, which was not asked for")
    if len(body) > limit_bytes:
        raise TooBig(f"over the limit of {limit_bytes} bytes")
    return body


def gunzip(body: bytes, limit_bytes: int) -> bytes:
    """What a gzip file holds: the content of all its members (RFC 1952 section 2.2), at most `limit_bytes`.

    Raises TooBig, or Damaged where a checksum is wrong or the last member does not end where `body` does.
    """
    parts: list[bytes] = []
    room, rest = limit_bytes, body
    for _ in range(_MAX_MEMBERS):
        if not rest.startswith(GZIP_MAGIC):
            raise Damaged("no gzip header" if not parts else "rubbish after the end of the gzip data")
        content, rest = _member(rest, 31, room, "gzip")
        parts.append(content)
        room -= len(content)
        if not rest:
            return b"".join(parts)
    raise TooBig(f"over {_MAX_MEMBERS} gzip members")


def _inflate(body: bytes, limit_bytes: int) -> bytes:
    """Undo "deflate", which is the zlib format (RFC 9110 section 8.4.1.2).

    As that section notes, some senders leave the zlib wrapper out; then there is no checksum, and only the mark
    on the final block proves the end.
    """
    # RFC 1950 section 2.2: method 8 in the low bits, and the first two bytes a multiple of 31.
    wrapped = len(body) >= 2 and body[0] & 15 == 8 and (body[0] << 8 | body[1]) % 31 == 0
    content, rest = _member(body, 15 if wrapped else -15, limit_bytes, "deflate")
    if rest:
        raise Damaged("rubbish after the end of the deflate data")
    return content


def _member(body: bytes, wbits: int, room: int, name: str) -> tuple[bytes, bytes]:
    """One compressed stream's content, at most `room` bytes, and what follows it in `body`."""
    stream = zlib.decompressobj(wbits)
    try:
        # One byte more than allowed tells "full" from "too big"; 0 would mean "no limit" to zlib.
        content = stream.decompress(body, room + 1)
    except zlib.error as error:
        raise Damaged(f"{name} data is damaged") from error
    if len(content) > room:
        raise TooBig("over the size limit once unfolded")
    if not stream.eof:
        raise Damaged(f"{name} data is cut short")
    return content, stream.unused_data


def pack_vector(data: bytes) -> bytes:
    """A vector tile in the form that MBTiles 1.3 stores: gzip, one member, without time or name.

    A body that is one gzip member is returned as it is. Several members are joined into one, since some readers
    stop after the first. Equal content gives equal bytes with the same build of zlib. Raises TooBig or Damaged.
    """
    if data.startswith(GZIP_MAGIC):
        if not _member(data, 31, MAX_VECTOR_BYTES, "gzip")[1]:
            return data
        data = gunzip(data, MAX_VECTOR_BYTES)
    deflate = zlib.compressobj(6, zlib.DEFLATED, -15)
    # RFC 1952 section 2.3: method 8, no flags, mtime 0, no extra flags, system 255 (unknown). Written here
    # because the standard library's header differs between Python versions.
    head = b"\x1f\x8b\x08\0\0\0\0\0\0\xff"
    tail = struct.pack("<II", zlib.crc32(data), len(data) & 0xFFFFFFFF)
    return head + deflate.compress(data) + deflate.flush() + tail
