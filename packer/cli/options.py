"""Arguments and options with their help: those that several commands share, and those of a fetch."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

import typer

__all__ = [
    "Against",
    "AllowGaps",
    "AskAbsentAgain",
    "AtMost",
    "Blend",
    "BriefPath",
    "BriefPaths",
    "ByZoom",
    "Cluster",
    "Debug",
    "Depart",
    "FetchHands",
    "GiveUpAfter",
    "Json",
    "LetSleep",
    "MaxBytes",
    "NewBrief",
    "NoBrowser",
    "Over",
    "Parts",
    "PartsFolder",
    "Port",
    "Recent",
    "RefreshOlderThan",
    "ReportFolder",
    "Route",
    "Share",
    "ShareAddress",
    "Store",
    "TimeLimit",
    "TransportChoice",
    "Until",
    "WalkFile",
]

Against = Annotated[
    Path | None,
    typer.Option("--against", metavar="BRIEF", help="Also check the copy against the brief as it is now."),
]
AllowGaps = Annotated[
    bool, typer.Option("--allow-gaps", help="Write what is on board, and list on the card what is missing.")
]
NewBrief = Annotated[
    Path | None,
    typer.Argument(metavar="[NEW]", help="The brief as it is now; without it, OLD against its last fetch."),
]
BriefPath = Annotated[
    Path, typer.Argument(metavar="BRIEF", help="The brief, or a folder with a brief.toml in it.")
]
Port = Annotated[int, typer.Option(min=0, max=65535, help="Port to listen on; 0 takes a free one.")]
NoBrowser = Annotated[bool, typer.Option("--no-browser", help="Print the address only.")]
Recent = Annotated[
    bool, typer.Option("--recent", help="Open the trip that was on the desk last, or begin a first one.")
]
Share = Annotated[
    bool, typer.Option("--share", help="Let phones on the local network see the map, with an access code.")
]
ShareAddress = Annotated[
    str | None,
    typer.Option("--address", metavar="ADDR", help="Share on this local address. Implies --share."),
]
BriefPaths = Annotated[
    list[Path] | None,
    typer.Argument(
        metavar="[BRIEF]...", help="The brief, or a folder with a brief.toml in it, or several of them."
    ),
]
Store = Annotated[
    Path | None,
    typer.Option("--store", metavar="DIR", help="Folder of the packs, instead of the one in the brief."),
]
TransportChoice = Annotated[
    Literal["pyreqwest", "httpx"] | None,
    typer.Option("--transport", help="HTTP client to use, instead of the fastest one that works here."),
]
Json = Annotated[
    bool, typer.Option("--json", help="Print one JSON document on stdout, and nothing else there.")
]
ByZoom = Annotated[bool, typer.Option("--by-zoom", help="Also show the tables zoom by zoom.")]
Cluster = Annotated[
    str | None,
    typer.Option(
        "--cluster",
        metavar="ADDRESS",
        help='Have the workers of a Dask scheduler do it, "tls://10.0.0.5:8786".',
    ),
]
ReportFolder = Annotated[
    Path | None,
    typer.Option("--report", metavar="DIR", help="Write a report page with pictures, for screen or paper."),
]
WalkFile = Annotated[
    Path | None, typer.Option("--walk", metavar="FILE", help="Write the route walk as GeoJSON.")
]
Debug = Annotated[bool, typer.Option("--debug", help="Show where an error came from.")]

Depart = Annotated[
    str | None, typer.Option(metavar="WHEN", help='Stop by "05:30", or by "2026-12-01 05:30", local time.')
]
TimeLimit = Annotated[
    str | None, typer.Option("--for", metavar="TIME", help='Stop after this time, for example "45m".')
]
MaxBytes = Annotated[
    str | None,
    typer.Option(
        metavar="SIZE",
        help='Stop after this many bytes, for example "2GB". A tile that breaks off may count in full.',
    ),
]
AtMost = Annotated[
    str | None,
    typer.Option(
        metavar="SPEED", help='Leave room for others: take at most so much, such as "2Mbit" a second.'
    ),
]
Until = Annotated[
    str | None,
    typer.Option(
        metavar="WHEN", help='Until when --at-most holds, for example "23:00"; without it, to the end.'
    ),
]
FetchHands = Annotated[
    str | None,
    typer.Option(
        "--hands",
        metavar="WHO",
        help='Several fetch: "3" processes here, or with "share" other machines, see docs/hands.md.',
    ),
]
GiveUpAfter = Annotated[
    str | None,
    typer.Option(metavar="TIME", help='Stop waiting for a lost link after this time, for example "20m".'),
]
AskAbsentAgain = Annotated[
    bool,
    typer.Option("--ask-absent-again", help="Ask again for tiles that the server said it does not have."),
]
Blend = Annotated[
    bool, typer.Option("--blend", help="Make one layer of each that lies over another and the one below.")
]
Over = Annotated[
    bool,
    typer.Option(
        "--over", help="Lay a picture over stored tiles. Without it, it fills only what is missing."
    ),
]
Route = Annotated[
    Path | None,
    typer.Option(
        "--route", metavar="FILE", help="Track or route file. The first area is a corridor along it."
    ),
]
Parts = Annotated[int, typer.Option(min=2, max=100, help="How many parts.")]
PartsFolder = Annotated[
    Path | None,
    typer.Option("--to", metavar="DIR", help="Folder for the parts, instead of beside the brief."),
]
LetSleep = Annotated[
    bool, typer.Option("--let-sleep", help="Do not keep the machine awake while the fetch runs.")
]
RefreshOlderThan = Annotated[
    str | None,
    typer.Option(metavar="AGE", help='Also refresh stored tiles older than this, for example "30d".'),
]
