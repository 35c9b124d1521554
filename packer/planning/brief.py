"""The brief: what a planner wants on board, as `brief.toml` says it.

Reading checks everything that can be checked without touching the shape files or the network. Each fault
becomes one sentence that names the file, the key, what was found and what would be right.
"""

from __future__ import annotations

import contextlib
import errno
import re
import tomllib
from pathlib import Path
from typing import Annotated, Literal, cast

from pydantic import (
    BaseModel,
    ConfigDict,
    Discriminator,
    Field,
    PrivateAttr,
    Tag,
    ValidationError,
    field_validator,
    model_validator,
)
from pydantic.config import JsonDict

from packer.common.regular_file import refuse_special
from packer.common.shell import shell_command
from packer.errors import BriefError, DiskError
from packer.planning.brief_area import FLOOR, OVERVIEW, USES, Area
from packer.planning.brief_errors import format_errors, nearest, quote_value, syntax
from packer.planning.brief_forms import ASCII_TEXT
from packer.planning.brief_layer import Layer, Table, key_of
from packer.planning.brief_pictures import check_over
from packer.planning.brief_times import Leaving
from packer.planning.brief_values import (
    Budget,
    LayerNames,
    Margin,
    Part,
    Text,
    Zoom,
)
from packer.planning.collection import FROM, fill_in_kept
from packer.planning.layer_names import LAYER_NAME_FORM, check_layer_name

__all__ = ["FLOOR", "OVERVIEW", "USES", "Area", "Brief", "Crew", "Layer", "Overview"]

_LARGEST_BRIEF_BYTES = 1_000_000  # ten thousand areas
_KEY_PART = r"""(?:[\w-]{1,80}+|"[^"\n]{0,80}+"|'[^'\n]{0,80}+')"""
_LONG_KEY = re.compile(rf"(?<![\w.-]){_KEY_PART}(?:[ \t]*+\.[ \t]*+{_KEY_PART}){{100}}")


class Overview(Table):
    """The coarse block round everything, so that zooming out is never empty."""

    margin: Margin = Field(default=10_000.0, examples=["10 km"])
    """How far the block reaches beyond the outermost areas. Without it, 10 km."""
    deepest: Zoom = Field(default=12, examples=[12])
    """The deepest zoom of the block. Without it, 12."""


class Crew(Table):
    """People who leave with a device of their own, and what of the maps goes on it."""

    name: Text = Field(examples=["Search team north"])
    """What the crew is called; its folder on the card is named after it. It has to be there, and only once."""
    areas: LayerNames | None = Field(default=None, examples=[["course", "base camp"]])
    """The areas that the crew gets, by name. Without it, the crew gets all areas."""
    layers: LayerNames | None = Field(default=None, examples=[["aerial"]])
    """The layers that the crew gets, by name. Without it, the crew gets all layers."""
    budget: Budget | None = Field(default=None, examples=["32 GB"])
    """What the card or device of the crew takes. A handover that would be larger is refused.
    Without it, there is no limit."""


def _overview_kind(value: object) -> str:
    return "off" if value is False else "table"


class Brief(Table):
    """A whole brief. Paths in it are relative to `folder`."""

    model_config = ConfigDict(
        json_schema_extra={
            "description": "What should be on board: layers, areas, and who gets which part.",
            "dependentRequired": {"part-tiles": ["part"]},
        }
    )

    title: Text = Field(examples=["Ketterling Basin reconnaissance"])
    """What the trip is called, on every page, report and card. It has to be there."""
    contact: Text | None = Field(
        default=None, examples=["maps@example.org"], json_schema_extra=cast(JsonDict, ASCII_TEXT)
    )
    """How the operator of a server can reach you; it is sent with each request.
    Without it, only a server on this machine is asked."""
    departs: Leaving | None = Field(default=None, examples=["2026-12-01 05:30"])
    """When the crew leaves, local time. Of several briefs that are fetched together, the one that leaves first is
    fetched first. Without it, it comes after those that have it."""
    store: Text = Field(default="packs", examples=["packs"])
    """The folder for the packs, relative to the brief. Without it, "packs"."""
    max_pack_file: Budget | None = Field(default=None, examples=["3.5 GB"])
    """How large a file of the packs may get, for disks that take no larger ones, such as FAT32 with 4 GB. A layer that
    needs more goes on in further files beside the first, "NAME (file 2).mbtiles", up to 64 of them; all commands take
    them for one pack. Without it, each layer has one file."""
    layers: dict[str, Layer] = Field(
        json_schema_extra={
            "propertyNames": LAYER_NAME_FORM,
            "minProperties": 1,
            "$comment": "tables [layers.NAME]",
        }
    )
    """The map layers, each below a heading of its own with its name in it. At least one has to be there."""
    areas: tuple[Area, ...] = Field(json_schema_extra={"minItems": 1, "$comment": "tables [[areas]]"})
    """Where you go: each area below a heading of its own. At least one has to be there."""
    overview: Annotated[
        Annotated[Overview, Tag("table")] | Annotated[Literal[False], Tag("off")],
        Discriminator(_overview_kind),
    ] = Field(
        default=Overview(),
        examples=[False],
        json_schema_extra={"$comment": "a table [overview], or false, without quotes, at the top"},
    )
    """The coarse block around everything. Without it, it is there, with a margin of 10 km, to zoom 12."""
    crews: tuple[Crew, ...] = Field(default=(), json_schema_extra={"$comment": "tables [[crews]]"})
    """Who gets which part at the handover: each crew below its own heading. Without it, everyone gets everything."""
    part: Part | None = Field(default=None, examples=["2 of 3"])
    """Which part of a plan this brief is; `lastbar split` writes it. Without it, the brief asks for all of its plan."""
    part_tiles: Text | None = Field(default=None, examples=["part-tiles.json"])
    """The file that lists the tiles of the part; `lastbar split` writes it, and it goes with `part`.
    Without it, the part follows from the plan alone."""
    _path: Path = PrivateAttr(default=Path("brief.toml"))

    @field_validator("layers", mode="before")
    @classmethod
    def _named(cls, value: object) -> object:
        if not isinstance(value, dict) or not value:
            raise ValueError("each layer needs its own heading, for example [layers.aerial]")
        seen: dict[str, str] = {}
        for name, table in value.items():
            if not isinstance(table, dict):
                raise ValueError(
                    f"{quote_value(name)} is where the name of a layer should be; "
                    "start each layer with a heading, for example [layers.aerial]"
                )
            check_layer_name(name, seen)
            if "name" in table:
                raise ValueError(
                    f'the name of layer "{name}" is already in its heading; leave the key "name" out'
                )
        return {n: {**t, "name": n} for n, t in value.items()}

    @field_validator("areas", mode="before")
    @classmethod
    def _some(cls, value: object) -> object:
        if not isinstance(value, list) or not value:
            raise ValueError("each area needs its own heading [[areas]], in double brackets")
        return value

    @field_validator("overview", mode="before")
    @classmethod
    def _table_or_off(cls, value: object) -> object:
        if not isinstance(value, dict) and value is not False:
            raise ValueError(
                "it should be a heading [overview] with margin and deepest below it, or overview = false at the top"
            )
        return value

    @field_validator("contact")
    @classmethod
    def _commentable(cls, value: str | None) -> str | None:
        # It goes out as a comment of the User-Agent header; RFC 9110 5.6.5 gives these three a meaning there.
        if value is not None and not (value.isascii() and not set(value) & set("()\\")):
            raise ValueError("it is sent with each request, so it should be plain ASCII without ( ) and \\")
        return value

    @model_validator(mode="after")
    def _known_names(self) -> Brief:
        names: set[str] = set()
        for area in self.areas:
            if area.name in names:
                raise ValueError(f"two areas are named {quote_value(area.name)}; give each its own name")
            names.add(area.name)
            for layer in area.layers or ():
                if layer not in self.layers:
                    raise ValueError(
                        f"In area {quote_value(area.name)}, layers names {quote_value(layer)}, "
                        f"which is not a layer of this brief{nearest(layer, self.layers)}"
                    )
            self._check_depths(area)
        return self

    def _check_depths(self, area: Area) -> None:
        place = f"In area {quote_value(area.name)}"
        used = [name for name in self.layers if area.uses(name)]
        for key, by_layer in (("deepest", area.deepest), ("at-least", area.at_least)):
            for name in by_layer if isinstance(by_layer, dict) else ():
                if name not in self.layers:
                    raise ValueError(
                        f"{place}, {key} names {quote_value(name)}, which is not a layer of this brief"
                        f"{nearest(name, self.layers)}"
                    )
                if name not in used:
                    raise ValueError(
                        f"{place}, {key} names layer {quote_value(name)}, which the area does not use; "
                        "add it to layers, or take it out there"
                    )
        for name in used:
            if isinstance(area.deepest, dict) and name not in area.deepest:
                raise ValueError(
                    f"{place}, deepest gives no zoom for layer {quote_value(name)}, which the area uses; add "
                    f"one, or name the layers that it uses: layers = {quote_value(list(area.deepest))}"
                )
            least = area.least_for(name)
            if least is not None and least > area.deepest_for(name):
                raise ValueError(
                    f"{place}, at-least is {least} for layer {quote_value(name)}, which is deeper than the "
                    f"{area.deepest_for(name)} that the area asks for"
                )

    @model_validator(mode="after")
    def _known_layers_below(self) -> Brief:
        check_over(self.layers)
        return self

    @model_validator(mode="after")
    def _part_of_what(self) -> Brief:
        if self.part_tiles is not None and self.part is None:
            raise ValueError(
                "part-tiles lists the tiles of a part, so it needs part as well; leave both out for a plan"
            )
        return self

    @model_validator(mode="after")
    def _known_crews(self) -> Brief:
        areas, names = {area.name for area in self.areas}, set()
        for crew in self.crews:
            if crew.name in names:
                raise ValueError(f"two crews are named {quote_value(crew.name)}; give each its own name")
            names.add(crew.name)
            for key, found, known in (
                ("areas", crew.areas, areas),
                ("layers", crew.layers, set(self.layers)),
            ):
                for name in sorted(set(found or ()) - known):
                    raise ValueError(
                        f"For crew {quote_value(crew.name)}, {key} names {quote_value(name)}, which this brief does "
                        f"not have{nearest(name, sorted(known))}"
                    )
        return self

    @property
    def path(self) -> Path:
        """Where the brief lies, or would lie."""
        return self._path

    @property
    def folder(self) -> Path:
        """The folder that the brief lies in."""
        return self.path.parent

    @property
    def store_folder(self) -> Path:
        """Where the packs go unless the command says otherwise."""
        return self.folder / self.store

    @property
    def as_written(self) -> Brief:
        """The brief as its file has it, without what servers offer."""
        return self.model_copy(update={"layers": {n: la.as_written for n, la in self.layers.items()}})

    @classmethod
    def read(cls, path: Path | str) -> Brief:
        """Read and check a brief; a folder stands for the brief.toml in it.

        Raises BriefError with every fault found, one sentence a line.
        """
        path = Path(path)
        with contextlib.suppress(OSError):  # such as a folder that may not be looked into: reading tells why
            path = path / "brief.toml" if path.is_dir() else path
        return cls.from_text(_read_text(path), path)

    @classmethod
    def from_text(cls, text: str, path: Path | str = "brief.toml") -> Brief:
        """As `read`, from TOML text that lies, or would lie, at `path`."""
        if _LONG_KEY.search(text):  # such a one takes the parser the square of its length
            raise BriefError(
                f"{path} has a key of over a hundred parts with dots between. Correct it and try again."
            )
        try:
            table = tomllib.loads(text)
        except (ValueError, RecursionError) as fault:  # TOMLDecodeError is a ValueError
            raise BriefError(
                f"{path} is not valid TOML{syntax(fault, text)}. Correct it and try again."
            ) from fault
        if isinstance(layers := table.get("layers"), dict):
            fill_in_kept(layers)
        try:
            brief = cls.model_validate(table)
        except ValidationError as fault:
            faults = format_errors(fault.errors(include_url=False), table, _KEYS)
            one = len(faults) == 1
            text = f"{path}: {faults[0]}" if one else f"{path} has these errors:\n- " + "\n- ".join(faults)
            raise BriefError(text) from None  # the cause would repeat what may hold a key
        brief._path = Path(path)
        return brief


def _known_keys(model: type[BaseModel]) -> list[str]:
    more = [FROM] if model is Layer else []
    return [key_of(name) for name in model.model_fields if (model, name) != (Layer, "name")] + more


_KEYS = {
    room: _known_keys(model)
    for room, model in (
        ("", Brief),
        ("layers", Layer),
        ("areas", Area),
        ("overview", Overview),
        ("crews", Crew),
    )
}


def _read_text(path: Path) -> str:
    refuse_special(path, BriefError)
    try:
        with path.open("rb") as file:  # no more than is asked for, since a device has no end
            text = file.read(_LARGEST_BRIEF_BYTES + 1)
        if len(text) > _LARGEST_BRIEF_BYTES:
            raise BriefError(
                f"{path} is over {_LARGEST_BRIEF_BYTES // 1_000_000} MB, so it is not a brief. Name the TOML file."
            )
        return text.decode("utf-8-sig").replace("\r\n", "\n")
    except FileNotFoundError:
        raise BriefError(
            f"{path} does not exist. Name your brief, or create one: {shell_command('new', path)}"
        ) from None
    except UnicodeDecodeError as fault:
        raise BriefError(
            f"{path} is not UTF-8 text (byte {fault.start + 1} is not). Save it as UTF-8 and try again."
        ) from None
    except (OSError, ValueError) as fault:  # ValueError: a name that no file can have
        if isinstance(fault, OSError) and fault.errno == errno.EIO:
            raise DiskError(
                f"The disk that {path} is on could not be read ({fault.strerror}). Check cable, reader and disk, "
                "then try again."
            ) from fault
        reason = fault.strerror if isinstance(fault, OSError) else "a file cannot have this name"
        raise BriefError(f"{path} cannot be read: {reason}. Check the file and its permissions.") from fault
