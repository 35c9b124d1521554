"""`lastbar new`: a first brief, from nothing or from a route file."""

from __future__ import annotations

import os
from pathlib import Path

from packer.cli.output import echo, echo_wrapped
from packer.common.atomic_write import make_folders, write_atomic
from packer.common.shell import shell_command
from packer.common.units import counted
from packer.errors import BriefError, DiskError, InputError
from packer.planning.brief import Brief
from packer.planning.plan import lines_of, plan

__all__ = ["CAUTIONS", "run"]

CAUTIONS = """\
Before anyone relies on these maps:
- Imagery is dated: roads, water and snow will have changed.
- Web Mercator maps are for viewing, not for positioning or as your only
  navigation.
- Carry an independent means of navigation, and people who can use it.
- Local law, land closures and licensed practice come first.
- Fetch only from servers that you may use, for the use that they permit."""

_STARTER = """\
# A brief for Lastbar: which map layers, where, and how deep.
# Lengths are ground metres. Longitude comes before latitude.

title = "{title}"
contact = "you@example.org"             # sent with every request, so that a server's owner can reach you
store = "packs"                         # folder for the packs, beside this brief

[layers.aerial]
# {{z}}, {{x}}, {{y}} are the tile; {{-y}} counts rows from the bottom, {{quadkey}} is the tile as one key,
# {{s}} is one of subdomains = ["a", "b"]. For a secret key write ${{NAME}}, and set NAME in the environment.
url = "http://127.0.0.1:8123/aerial/{{z}}/{{x}}/{{y}}.jpg"      # the practice server: lastbar practice
attribution = "Ketterling Practice Survey (invented)"
permission = "Practice server on this machine"          # your right to keep these tiles offline, in words
zooms = [0, 19]                         # what the server offers
connections = 4                         # at once, as the server permits
requests-per-second = 20                # as the server permits

{area}
# How deep (common practice, no source): on foot and small trails 17-18, roads 14-15, a town around 16.
#
# [[areas]]
# name = "base camp"
# point = [12.5012, 47.1023]
# radius = "2 km"
# use = "on foot"                       # or "trail", "road"; or deepest = 18
#
# [[areas]]
# name = "valley"
# box = [12.30, 47.00, 12.70, 47.25]    # west, south, east, north
# deepest = 14
#
# [[areas]]
# name = "search sectors"
# polygon = "sectors.geojson"
# deepest = 16

[overview]                              # one coarse block around everything; for none: overview = false, at the top
margin = "10 km"
deepest = 12
"""

_CAMP = """\
[[areas]]
name = "base camp"
point = [12.5012, 47.1023]
radius = "2 km"
use = "on foot"
"""

_ROUTE = """\
[[areas]]
name = "course"
line = "{line}"
half-width = "250 m"                    # either side
use = "trail"                           # or "on foot", "road"; or deepest = 17
"""


def run(path: Path, route: Path | None) -> int:
    """Write a first brief to `path`, which must not exist.

    If the process dies: no brief, or a whole one.
    """
    if path.is_dir() or not path.suffix:
        path = path / "brief.toml"
    if path.exists():
        raise InputError(f"{path} already exists and was not changed. Choose another name.")
    area = _CAMP if route is None else _ROUTE.format(line=_relative(route, path.parent))
    title = "Reconnaissance" if route is None else f"Reconnaissance of {route.stem}"
    text = _STARTER.format(title=title.replace('"', "'").replace("\\", "/"), area=area)
    try:
        # The folder comes first: a relative route cannot be found from a folder that does not exist yet.
        make_folders(path.parent)
        shape = plan(Brief.from_text(text, path))
        write_atomic(path, text)
    except BriefError as fault:
        if route is None:
            raise
        raise BriefError(
            f"{fault} No brief was written. To name the file in a brief yourself, begin without --route: "
            f"{shell_command('new', path)}"
        ) from fault
    except OSError as fault:
        raise DiskError(f"{path} cannot be written: {fault.strerror}. Choose another place.") from fault
    echo(f"Wrote {path}.")
    for corridor in lines_of(shape).values():
        length, tiles = f"{corridor.length_m / 1000:.1f} km", counted(shape.count, "tile")
        echo_wrapped(
            f"The route is {length} long; a first plan has {tiles}. It is read from {route} each time: if the course "
            "changes, overwrite that file.",
            "",
        )
    echo("Put your own layer into it, then look at the plan:")
    echo(f"  {shell_command('plan', path)}")
    echo()
    echo(CAUTIONS)
    return 0


def _relative(route: Path, folder: Path) -> str:
    if route.is_dir():
        raise InputError(f"{route} is a folder. Name the track or route file in it, for example course.gpx.")
    if not route.is_file():
        raise InputError(f"{route} does not exist. Name a track or route file, for example course.gpx.")
    try:
        found = os.path.relpath(route, folder)
    except ValueError:  # another drive
        found = str(route.resolve())
    return found.replace("\\", "/").replace('"', '\\"')
