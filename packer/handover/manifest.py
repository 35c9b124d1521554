"""`manifest.json`: what a handed-over copy is made of, so that any machine can hold the copy against it.

It guards against accidents: a short copy, a changed byte, a part left behind. It is not signed, so that
whoever changes a file on purpose can change it as well. It is read as coming from anyone: size, types, ranges
and every name in it are checked before anything is opened on its word.
"""

from __future__ import annotations

import re
from pathlib import Path, PurePosixPath
from typing import Annotated, Literal

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    FailFast,
    Field,
    ValidationError,
    model_validator,
)

from packer.common.links import is_link
from packer.errors import StoreError
from packer.geometry.grid import MAX_ZOOM

__all__ = [
    "CARD",
    "CREWS",
    "CREWS_LOCK",
    "MANIFEST",
    "RESERVED",
    "AreaEntry",
    "FileEntry",
    "LayerEntry",
    "Manifest",
    "SoftwareEntry",
    "read_manifest",
]

MANIFEST = "manifest.json"
CARD = "ON THIS CARD.txt"
CREWS = "crews.json"
CREWS_LOCK = f".{CREWS}.lock"
RESERVED = frozenset(name.casefold() for name in (MANIFEST, CARD, CREWS))
_LARGEST_BYTES = 8_000_000  # twenty thousand files
_MOST_FAULTS = 1000
_CONTROL = re.compile(r"[\x00-\x1f\x7f]")


def _plain_name(name: str) -> str:
    parts = PurePosixPath(name).parts
    safe = (
        parts
        and "/".join(parts) == name
        and not name.startswith("/")
        and not any(part in ("..", ".") or len(part.encode()) > 255 for part in parts)
        and not re.search(r'[\\:*?"<>|]', name)
        and not _CONTROL.search(name)
    )
    if not safe:
        raise ValueError("the name of a file should be a plain path inside the folder")
    return name


Count = Annotated[int, Field(ge=0, lt=2**53)]  # what every reader of JSON keeps exactly
Zooms = dict[Annotated[str, Field(pattern=r"^(\d|1\d|2[0-4])$")], Count]
Sha256 = Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
Name = Annotated[str, Field(min_length=1, max_length=1000), AfterValidator(_plain_name)]
Text = Annotated[str, Field(max_length=4000)]
Degrees = Annotated[float, Field(ge=-180, le=180, allow_inf_nan=False)]
Box = tuple[Degrees, Degrees, Degrees, Degrees]
KindOfFile = Literal["mbtiles", "gpkg", "folder", "text"]


class _Entry(BaseModel):
    model_config = ConfigDict(strict=True, extra="forbid", frozen=True)


class SoftwareEntry(_Entry):
    """What wrote the copy."""

    name: Text
    version: Text


ZoomLevel = Annotated[int, Field(ge=0, le=MAX_ZOOM)]


class AreaEntry(_Entry):
    """One area of a layer: how deep it was planned, and its tiles, those shared with other areas included.

    `asked` is the deepest zoom in the brief, `held` the one that every place of the area has on this copy, `floor` the
    one that it should have at least; `in_words` says it for people, and `below_floor` where it is less, "" if nowhere.
    `planned_sha256` stands for the area's planned tiles. Version 1 has none of these.
    """

    name: Text
    deepest: ZoomLevel
    tiles: Count
    asked: ZoomLevel | None = None
    floor: ZoomLevel | None = None
    held: ZoomLevel | None = None
    in_words: Text = ""
    below_floor: Text = ""
    planned_sha256: Sha256 | None = None


class BlendEntry(_Entry):
    """What was blended into a layer: layers that lie over it. `tiles` of the layer show them; `sha256` is over a line
    "z/x/y UPPER LOWER" for each of those, the SHA-256 of both bodies, "-" where there was none below. With several
    layers it is over their digests, as hexadecimal digits with spaces between. `areas` is what was planned of each of
    the layers, for comparing it with a later plan."""

    over: Annotated[tuple[Text, ...], Field(max_length=1000)]
    tiles: Count
    sha256: Sha256
    areas: dict[Text, Annotated[tuple[AreaEntry, ...], FailFast()]]


class LayerEntry(_Entry):
    """One layer of the copy. planned = on_board + absent + missing + damaged; `absent` are the tiles that the
    server said it does not have. `fetched` is the first and the last date, None if nothing is on board. `wrong_ground`
    are signs that the layer is no map of the ground that was planned; version 1 has none. `shows` is the date of what
    the tiles show, where their source has several. `pictures` are those that tiles were cut from."""

    format: Text
    attribution: Text
    permission: Text
    licence_ends: Text | None
    fetched: tuple[Text, Text] | None
    planned: Count
    on_board: Count
    absent: Count
    missing: Count
    damaged: Count
    by_zoom: Zooms
    areas: Annotated[tuple[AreaEntry, ...], FailFast()]
    wrong_ground: Text = ""
    shows: Text | None = None
    pictures: Annotated[tuple[Text, ...], Field(max_length=1000)] = ()
    blended: BlendEntry | None = None


class FileEntry(_Entry):
    """One file. `folder` files are lists of checksums that stand for the loose files of a layer.

    `tiles_sha256` is over a line "zoom/x/y body-sha256" for each tile, in order of zoom, row from the top and
    column. `ground` is west, south, east, north of what is in the file beyond the overview.
    """

    name: Name
    kind: KindOfFile
    layer: Text | None
    part: Annotated[int, Field(ge=1, le=100_000)]
    parts: Annotated[int, Field(ge=1, le=100_000)]
    size_bytes: Count
    sha256: Sha256
    tiles_sha256: Sha256 | None
    by_zoom: Zooms
    ground: Box | None


class Manifest(_Entry):
    """The whole document. `bounds` is west, south, east, north; west > east crosses the antimeridian."""

    manifest: Literal["lastbar handover"] = "lastbar handover"
    manifest_version: Literal[1, 2] = 2
    software: SoftwareEntry
    title: Text
    crew: Text | None
    complete: bool
    plan: Text
    rule: Text
    bounds: Box
    layers: dict[Text, LayerEntry]
    files: Annotated[tuple[FileEntry, ...], FailFast(), Field(max_length=100_000)]

    @model_validator(mode="after")
    def _each_once(self) -> Manifest:
        names = [file.name.casefold() for file in self.files]
        if len(set(names)) != len(names):
            raise ValueError("a file is named twice")
        if any(file.part > file.parts for file in self.files):
            raise ValueError("a part has a higher number than there are parts")
        return self

    @property
    def lacks(self) -> str:
        """What a copy that is not complete lacks, in words; "" for a complete one."""
        if self.complete:
            return ""
        layers = self.layers.values()
        gaps = any(layer.missing or layer.damaged for layer in layers)
        low = any(area.below_floor for layer in layers for area in layer.areas)
        wrong = any(layer.wrong_ground for layer in layers)
        what = ["a layer does not show the ground that was planned"] * wrong
        what += ["planned tiles are missing"] * gaps + ["places are less deep than their floor"] * low
        return " and ".join(what) or "planned tiles are missing"

    def as_text(self) -> str:
        """The document as it is written: the same content gives the same text."""
        return self.model_dump_json(indent=1) + "\n"


def read_manifest(folder: Path) -> Manifest:
    """Read the manifest of a handed-over copy.

    Raises StoreError if there is none, or if it is not one that this version can trust to be well formed.
    """
    path = folder / MANIFEST
    try:
        if is_link(path) or not path.is_file():
            raise StoreError(
                f"{folder} has no {MANIFEST}: it is not a handed-over copy, or its handover did not finish. Copy the "
                "whole folder again, or run lastbar handover again."
            )
        if path.stat().st_size > _LARGEST_BYTES:
            raise StoreError(
                f"{path} is over {_LARGEST_BYTES // 1_000_000} MB, so it is not a manifest written by Lastbar."
            )
        text = path.read_bytes()
    except OSError as fault:
        raise StoreError(
            f"{path} cannot be read: {fault.strerror}. Check the card and its reader."
        ) from fault
    try:
        return Manifest.model_validate_json(text)
    except ValidationError as fault:
        where, reason = _first(fault)
        raise StoreError(
            f"{path} cannot be used as a manifest, at {where}: {reason}. It is damaged, or another version "
            "wrote it. No other file was opened. Copy the folder again."
        ) from None


def _first(fault: ValidationError) -> tuple[str, str]:
    """Where the first fault of a manifest is, and what it is; a flood of them is not looked through."""
    if fault.error_count() > _MOST_FAULTS:
        return "the document", f"it has {fault.error_count():,} errors"
    first = fault.errors(include_url=False, include_input=False, include_context=False)[0]
    parts = [_plain(str(part))[:40] for part in first["loc"][:6] if part not in ("", "[key]")]
    if first["type"] == "string_pattern_mismatch":
        reason = "it does not have the right form"
    else:
        reason = _plain(first["msg"].removeprefix("Value error, ")[:120])
    return ".".join(parts) or "the document", reason.rstrip(".")


def _plain(text: str) -> str:
    return "".join(c if c.isprintable() else "?" for c in text[:200])
