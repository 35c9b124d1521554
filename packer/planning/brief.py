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
from typing import Annotated, Literal

from pydantic import (
    BaseModel,
    Discriminator,
    PrivateAttr,
    Tag,
    ValidationError,
    field_validator,
    model_validator,
)

from packer.common.regular_file import refuse_special
from packer.common.shell import shell_command
from packer.errors import BriefError, DiskError
from packer.planning.brief_area import FLOOR, OVERVIEW, USES, Area
from packer.planning.brief_errors import format_errors, nearest, quote_value, syntax
from packer.planning.brief_layer import Layer, Table, key_of
from packer.planning.brief_values import (
    Budget,
    LayerNames,
    Margin,
    Part,
    Text,
    Zoom,
    check_layer_name,
)

__all__ = ["FLOOR", "OVERVIEW", "USES", "Area", "Brief", "Crew", "Layer", "Overview"]

_LARGEST_BRIEF_BYTES = 1_000_000  # ten thousand areas
_KEY_PART = r"""(?:[\w-]{1,80}+|"[^"\n]{0,80}+"|'[^'\n]{0,80}+')"""
_LONG_KEY = re.compile(rf"(?<![\w.-]){_KEY_PART}(?:[ \t]*+\.[ \t]*+{_KEY_PART}){{100}}")


class Overview(Table):
    """The coarse block round everything, so that zooming out is never empty."""

    margin: Margin = 10_000.0
    deepest: Zoom = 12


class Crew(Table):
    """People who leave with a device of their own, and what of the maps goes on it."""

    name: Text
    areas: LayerNames | None = None
    layers: LayerNames | None = None
    budget: Budget | None = None


def _overview_kind(value: object) -> str:
    return "off" if value is False else "table"


class Brief(Table):
    """A whole brief. Paths in it are relative to `folder`."""

    title: Text
    contact: Text | None = None
    store: Text = "packs"
    layers: dict[str, Layer]
    areas: tuple[Area, ...]
    overview: Annotated[
        Annotated[Overview, Tag("table")] | Annotated[Literal[False], Tag("off")],
        Discriminator(_overview_kind),
    ] = Overview()
    crews: tuple[Crew, ...] = ()
    part: Part | None = None
    part_tiles: Text | None = None
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
    return [key_of(name) for name in model.model_fields if (model, name) != (Layer, "name")]


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
