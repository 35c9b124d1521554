"""The brief: what a planner wants on board, as `brief.toml` says it.

Reading checks everything that can be checked without touching the shape files or the network. Each fault
becomes one sentence that names the file, the key, what was found and what would be right.
"""

from __future__ import annotations

import difflib
import re
import tomllib
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    ValidationError,
    field_validator,
    model_validator,
)
from pydantic.alias_generators import to_snake

from packer.address import check_template
from packer.errors import BriefError
from packer.grid import MAX_LATITUDE, MAX_ZOOM, LonLatBox
from packer.quantities import metres

__all__ = ["USES", "Area", "Brief", "Layer", "Overview"]

USES = {"on foot": 18, "trail": 17, "road": 15}  # common practice, no source
_LARGEST_BRIEF = 4_000_000
_LAYER_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9 _.-]{0,63}")
_DEVICE_NAMES = {"con", "prn", "aux", "nul", *(f"{n}{i}" for n in ("com", "lpt") for i in range(1, 10))}
_HEADER_NAME = re.compile(r"[!#$%&'*+.^_`|~0-9A-Za-z-]+")  # token, RFC 9110 5.6.2
_OWN_HEADERS = {"host", "connection", "content-length", "transfer-encoding", "accept-encoding", "range"}


def _distance(value: object) -> float:
    if not isinstance(value, str):
        raise ValueError('a length is a number with its unit in quotes, such as "250 m" or "2 km"')
    return metres(value)


def _within(low: float, high: float) -> AfterValidator:
    def check(value: float) -> float:
        if not low <= value <= high:
            raise ValueError(f"it has to be between {low:g} m and {high / 1000:g} km")
        return value

    return AfterValidator(check)


Reach = Annotated[float, BeforeValidator(_distance), _within(1.0, 100_000.0)]
Margin = Annotated[float, BeforeValidator(_distance), _within(0.0, 1_000_000.0)]
Zoom = Annotated[int, Field(ge=0, le=MAX_ZOOM, strict=True)]
Text = Annotated[str, Field(strict=True, min_length=1, max_length=2000)]


def _key(name: str) -> str:
    return name.replace("_", "-")


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, alias_generator=_key, populate_by_name=False)


class Layer(_Table):
    """One source of tiles and the terms on which it may be asked."""

    name: str
    url: Text = Field(repr=False)
    attribution: Text
    permission: Text
    zooms: tuple[Zoom, Zoom]
    connections: int = Field(default=4, ge=1, le=64, strict=True)
    requests_per_second: float = Field(default=20.0, gt=0, le=100_000)
    headers: dict[str, str] = Field(default={}, repr=False)
    subdomains: tuple[Annotated[str, Field(pattern=r"^[A-Za-z0-9-]{1,63}$")], ...] = ()
    format: Literal["png", "jpg", "webp", "pbf"] | None = None

    @field_validator("permission")
    @classmethod
    def _says_something(cls, value: str) -> str:
        if not value.strip():
            raise ValueError("it has to say in words by what right these tiles may be kept offline")
        return value

    @field_validator("zooms", mode="before")
    @classmethod
    def _pair(cls, value: object) -> object:
        if not (isinstance(value, list) and len(value) == 2):
            raise ValueError("it is the first and the last zoom that the server offers, such as [0, 19]")
        return tuple(value)

    @field_validator("zooms")
    @classmethod
    def _ascending(cls, value: tuple[int, int]) -> tuple[int, int]:
        if value[0] > value[1]:
            raise ValueError("the first zoom comes before the last, such as [0, 19]")
        return value

    @field_validator("headers")
    @classmethod
    def _sendable(cls, value: dict[str, str]) -> dict[str, str]:
        for name, text in value.items():
            if not _HEADER_NAME.fullmatch(name) or any(c in text for c in "\r\n\0"):
                raise ValueError(f"{name!r} is not a header that can be sent on one line")
            if name.lower() in _OWN_HEADERS or name.lower().startswith("if-"):
                raise ValueError(f"{name} is set by Lastbar itself; leave it out")
        return value

    @model_validator(mode="after")
    def _addresses_tiles(self) -> Layer:
        try:
            check_template(self.url, self.subdomains)
        except ValueError as fault:
            raise ValueError(f"url: {fault}") from None
        return self


class Area(_Table):
    """One stretch of ground and how deep its map goes. Just one of the five shapes is set."""

    name: Text
    line: Text | None = None
    point: tuple[float, float] | None = None
    points: Text | None = None
    box: LonLatBox | None = None
    polygon: Text | None = None
    half_width: Reach | None = None
    radius: Reach | None = None
    deepest: Zoom | None = None
    use: Literal["on foot", "trail", "road"] | None = None
    layers: tuple[str, ...] | None = None

    @field_validator("point", mode="before")
    @classmethod
    def _lon_lat(cls, value: object) -> object:
        if not (isinstance(value, list) and len(value) == 2 and all(_is_number(v) for v in value)):
            raise ValueError("a point is [longitude, latitude] in degrees, such as [12.5012, 47.1023]")
        _check_lon_lat(*value)
        return tuple(value)

    @field_validator("box", mode="before")
    @classmethod
    def _west_south_east_north(cls, value: object) -> object:
        if not (isinstance(value, list) and len(value) == 4 and all(_is_number(v) for v in value)):
            raise ValueError(
                "a box is [west, south, east, north] in degrees, such as [12.30, 47.00, 12.70, 47.25]"
            )
        west, south, east, north = value
        _check_lon_lat(west, south)
        _check_lon_lat(east, north)
        if south >= north or west == east:
            raise ValueError(
                "a box needs south below north and west apart from east: [west, south, east, north]"
            )
        return LonLatBox(west, south, east, north)

    @model_validator(mode="after")
    def _one_shape(self) -> Area:
        shapes = [k for k in ("line", "point", "points", "box", "polygon") if getattr(self, k) is not None]
        if len(shapes) != 1:
            found = " and ".join(shapes) or "none of them"
            raise ValueError(f"an area has just one of line, point, points, box and polygon; found {found}")
        self._check_reach(shapes[0])
        if (self.deepest is None) == (self.use is None):
            raise ValueError(
                'an area says how deep it goes once: deepest = 17, or use = "on foot", "trail" or "road"'
            )
        return self

    def _check_reach(self, shape: str) -> None:
        needed = {"line": "half-width", "point": "radius", "points": "radius"}.get(shape)
        for key, value in (("half-width", self.half_width), ("radius", self.radius)):
            if key == needed and value is None:
                raise ValueError(f'{shape} needs {key}, such as {key} = "250 m"')
            if key != needed and value is not None:
                raise ValueError(f"{key} does not go with {shape}")

    @property
    def deepest_zoom(self) -> int:
        """The deepest zoom asked for, whether given outright or by the crew's use."""
        if self.deepest is not None:
            return self.deepest
        return USES[self.use or "road"]

    @property
    def file(self) -> str | None:
        """The shape file that the area names, as written, if any."""
        return self.line or self.points or self.polygon


class Overview(_Table):
    """The coarse block round everything, so that zooming out is never empty."""

    margin: Margin = 10_000.0
    deepest: Zoom = 12


class Brief(_Table):
    """A whole brief. Paths in it are relative to `folder`."""

    title: Text
    contact: Text | None = None
    store: Text = "packs"
    layers: dict[str, Layer] = Field(min_length=1)
    areas: tuple[Area, ...] = Field(min_length=1)
    overview: Overview | Literal[False] = Overview()
    path: Path = Field(default=Path("brief.toml"), exclude=True)

    @field_validator("layers", mode="before")
    @classmethod
    def _named(cls, value: object) -> object:
        if not isinstance(value, dict):
            raise ValueError("layers are tables, such as [layers.aerial]")
        seen: dict[str, str] = {}
        for name, table in value.items():
            _check_layer_name(name, seen)
            if isinstance(table, dict) and "name" in table:
                raise ValueError(f'layers.{name}: the layer\'s name stands in the heading; leave "name" out')
        return {n: {**t, "name": n} if isinstance(t, dict) else t for n, t in value.items()}

    @field_validator("contact")
    @classmethod
    def _one_line(cls, value: str | None) -> str | None:
        if value is not None and not (value.isascii() and value.isprintable()):
            raise ValueError("it is sent with each request and has to be one line of plain ASCII")
        return value

    @model_validator(mode="after")
    def _known_names(self) -> Brief:
        names: set[str] = set()
        for area in self.areas:
            if area.name in names:
                raise ValueError(f'areas: two areas are named "{area.name}"; give each its own name')
            names.add(area.name)
            for layer in area.layers or ():
                if layer not in self.layers:
                    hint = _nearest(layer, self.layers)
                    raise ValueError(
                        f'areas "{area.name}": layers names "{layer}", which is not a layer{hint}'
                    )
        return self

    @property
    def folder(self) -> Path:
        """The folder that the brief lies in."""
        return self.path.parent

    @property
    def store_folder(self) -> Path:
        """Where the packs go unless the command says otherwise."""
        return self.folder / self.store

    @classmethod
    def read(cls, path: Path | str) -> Brief:
        """Read and check a brief; a folder stands for the brief.toml in it.

        Raises BriefError with every fault found, one sentence a line.
        """
        path = Path(path)
        if path.is_dir():
            path = path / "brief.toml"
        return cls.from_text(_read_text(path), path)

    @classmethod
    def from_text(cls, text: str, path: Path | str = "brief.toml") -> Brief:
        """As `read`, from TOML text that lies, or would lie, at `path`."""
        path = Path(path)
        try:
            table = tomllib.loads(text)
        except (tomllib.TOMLDecodeError, RecursionError) as fault:
            raise BriefError(f"{path} is not valid TOML: {fault}. Mend that line and try again.") from fault
        if "path" in table:
            raise BriefError(f"{path}: path: unknown key.")
        try:
            return cls.model_validate({**table, "path": path})
        except ValidationError as fault:
            lines = [f"{path}: {_sentence(e, table)}" for e in fault.errors(include_url=False)]
            raise BriefError("\n".join(dict.fromkeys(lines))) from None


def _read_text(path: Path) -> str:
    try:
        if path.stat().st_size > _LARGEST_BRIEF:
            raise BriefError(
                f"{path} is over {_LARGEST_BRIEF // 1_000_000} MB, so it is no brief. Name the TOML file."
            )
        return path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise BriefError(
            f"{path} does not exist. Name your brief, or write a first one with: lastbar new"
        ) from None
    except UnicodeDecodeError as fault:
        raise BriefError(
            f"{path} is not UTF-8 text (byte {fault.start}). Save it as UTF-8 and try again."
        ) from None
    except OSError as fault:
        raise BriefError(f"{path} cannot be read: {fault.strerror}.") from fault


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _check_lon_lat(lon: float, lat: float) -> None:
    if not -180 <= lon <= 180:
        raise ValueError(f"longitude {lon:g} is outside -180 to 180; the order is longitude, latitude")
    if not -MAX_LATITUDE <= lat <= MAX_LATITUDE:
        raise ValueError(f"latitude {lat:g} is outside ±85.0511, where Web Mercator maps end")


def _check_layer_name(name: str, seen: dict[str, str]) -> None:
    if (
        not _LAYER_NAME.fullmatch(name)
        or name.endswith((".", " "))
        or name.split(".")[0].lower() in _DEVICE_NAMES
    ):
        raise ValueError(
            f'layers: "{name}" cannot name a pack file; use letters, digits, "-", "_", "." and spaces, '
            "starting with a letter or digit"
        )
    twin = seen.setdefault(name.lower(), name)
    if twin != name:
        raise ValueError(f'layers: "{twin}" and "{name}" would be one file on many cards; rename one')


def _nearest(word: str, known: Any) -> str:
    close = difflib.get_close_matches(word, list(known), n=1, cutoff=0.5)
    return f'; did you mean "{close[0]}"?' if close else f"; known are {', '.join(sorted(known))}"


_RIGHT = {
    "title": 'title = "Ketterling Basin reconnaissance"',
    "url": 'url = "https://tiles.example.org/aerial/{z}/{x}/{y}.jpg"',
    "attribution": 'attribution = "Example Survey"',
    "permission": 'permission = "Own server", your right to keep these tiles offline, in words',
    "zooms": "zooms = [0, 19], the first and the last zoom that the server offers",
    "layers": "a table [layers.NAME] for each source of tiles",
    "areas": "a table [[areas]] for each stretch of ground",
    "name": 'name = "course"',
}


def _sentence(error: Any, table: dict[str, Any]) -> str:
    """One fault that pydantic found, in the planner's words."""
    loc = [part for part in error["loc"] if not (isinstance(part, str) and part.startswith("function-"))]
    if loc[:1] == ["overview"]:
        loc = [part for part in loc if part not in ("Overview", "literal[False]")]
        if error["type"] == "literal_error":
            return (
                "overview: it is a table [overview] with margin and deepest, or overview = false at the top."
            )
    where, key = _where(loc, table), str(loc[-1]) if loc else ""
    if error["type"] == "extra_forbidden":
        return f"{where}: unknown key{_nearest(key, _known_keys(loc))}."
    if error["type"] == "missing":
        return f"{where} is missing. It should be there as {_RIGHT.get(key, key)}."
    reason = error["msg"].removeprefix("Value error, ").removeprefix("Input should be ")
    if error["type"] == "value_error" and (
        not loc or not isinstance(error["input"], str | int | float | list)
    ):
        return f"{where}: {reason}." if where else f"{reason}."
    found = repr(error["input"]) if not _may_hold_key(loc) else "a value"
    plain = reason if error["type"] == "value_error" else f"it should be {reason}"
    return f"{where}: found {found[:120]}; {plain}."


def _may_hold_key(loc: list[Any]) -> bool:
    return "url" in loc or "headers" in loc


def _where(loc: list[Any], table: dict[str, Any]) -> str:
    words: list[str] = []
    at: Any = table
    for part in loc:
        at = at[part] if isinstance(at, dict | list) and _has(at, part) else None
        if isinstance(part, int):
            name = at.get("name") if isinstance(at, dict) else None
            words[-1] += f' "{name}"' if isinstance(name, str) else f" number {part + 1}"
        else:
            words.append(str(part))
    return ".".join(words)


def _has(at: Any, part: Any) -> bool:
    return part in at if isinstance(at, dict) else isinstance(part, int) and part < len(at)


def _known_keys(loc: list[Any]) -> list[str]:
    model: type[BaseModel] = Brief
    if loc[0] == "layers" and len(loc) > 2:
        model = Layer
    elif loc[0] == "areas" and len(loc) > 2:
        model = Area
    elif loc[0] == "overview" and len(loc) > 1:
        model = Overview
    hidden = {"path"} | ({"name"} if model is Layer else set())
    return [_key(to_snake(n)) for n in model.model_fields if n not in hidden]
