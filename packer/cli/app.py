"""The list of commands. Each loads what it needs only when it is called, which keeps --help fast."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from packer.cli.briefless_commands import add_briefless
from packer.cli.options import (
    Against,
    AllowGaps,
    AskAbsentAgain,
    AtMost,
    Blend,
    BriefPath,
    BriefPaths,
    ByZoom,
    Cluster,
    Debug,
    Depart,
    FetchHands,
    GiveUpAfter,
    Json,
    LetSleep,
    MaxBytes,
    NewBrief,
    NoBrowser,
    Over,
    Parts,
    PartsFolder,
    Port,
    Recent,
    RefreshOlderThan,
    ReportFolder,
    Route,
    Share,
    ShareAddress,
    Store,
    TimeLimit,
    TransportChoice,
    Until,
    WalkFile,
)
from packer.cli.output import command, warn
from packer.version import __version__

__all__ = ["app"]

_HERE = Path("brief.toml")

app = typer.Typer(
    name="lastbar",
    help=(
        "Prepare map tiles for a crew that is about to leave phone coverage: plan them, fetch them through "
        "bad Wi-Fi, and prove that nothing is missing.\n\n"
        "Exit codes: 0 done or ready; 1 not complete or not ready: the output says what to do next; 2 wrong "
        "input; 3 disk or pack trouble; 4 refused by the layer's terms."
    ),
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"lastbar {__version__}")
        raise typer.Exit


@app.callback()
def _main(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version.")
    ] = False,
) -> None:
    pass


@app.command()
@command
def new(
    brief: Annotated[Path, typer.Argument(metavar="BRIEF", help="The brief to write, or a folder for it.")],
    route: Route = None,
    debug: Debug = False,
) -> int:
    """Write a first brief, ready to fill in."""
    from packer.cli import new_brief

    return new_brief.run(brief, route)


@app.command()
@command
def plan(
    brief: BriefPath = Path("brief.toml"),
    listed: Annotated[bool, typer.Option("--list", help="Print every tile as a line: layer z/x/y.")] = False,
    speed: Annotated[
        str | None,
        typer.Option(metavar="SPEED", help='Estimate the time at this speed, for example "3Mbit".'),
    ] = None,
    measured: Annotated[
        bool, typer.Option("--measure", help="Measure the speed on a few planned tiles. They are kept.")
    ] = False,
    fit_to: Annotated[
        str | None, typer.Option("--fit", metavar="GOAL", help='Propose what to leave out for "2h" or "8GB".')
    ] = None,
    by_zoom: ByZoom = False,
    transport: TransportChoice = None,
    store: Store = None,
    as_json: Json = False,
    debug: Debug = False,
) -> int:
    """Work out which tiles the brief asks for, their size and time."""
    from packer.cli import show_plan

    return show_plan.run(brief, listed, store, as_json, speed, measured, fit_to, transport, by_zoom)


@app.command()
@command
def survey(
    brief: BriefPath = Path("brief.toml"),
    samples: Annotated[
        int | None, typer.Option(min=1, max=100_000, help="Sample at most this many tiles of each layer.")
    ] = None,
    apply: Annotated[
        bool, typer.Option("--apply", help="Write the depths that are worth fetching into the brief.")
    ] = False,
    sheets: Annotated[
        Path | None, typer.Option(metavar="DIR", help="Folder for the sheets of sample tiles.")
    ] = None,
    transport: TransportChoice = None,
    store: Store = None,
    as_json: Json = False,
    debug: Debug = False,
) -> int:
    """Sample the imagery: is it there, and how deep does it go?"""
    from packer.cli import run_survey

    return run_survey.run(brief, store, samples, apply, sheets, as_json, transport)


@app.command()
@command
def fetch(
    brief: BriefPaths = None,
    depart: Depart = None,
    time_limit: TimeLimit = None,
    max_bytes: MaxBytes = None,
    give_up_after: GiveUpAfter = None,
    ask_absent_again: AskAbsentAgain = False,
    refresh_older_than: RefreshOlderThan = None,
    at_most: AtMost = None,
    until: Until = None,
    let_sleep: LetSleep = False,
    hands: FetchHands = None,
    transport: TransportChoice = None,
    store: Store = None,
    as_json: Json = False,
    debug: Debug = False,
) -> int:
    """Fetch the planned tiles that the packs do not have yet. To continue, run it again."""
    from packer.cli import fetch_options, run_fetch

    asked = fetch_options.FetchOptions(
        depart,
        time_limit,
        max_bytes,
        give_up_after,
        refresh_older_than,
        at_most,
        until,
        ask_absent_again,
        let_sleep,
        transport,
        hands,
    )
    return run_fetch.run(brief or [_HERE], store, as_json, asked, debug)


@app.command()
@command
def status(
    brief: BriefPaths = None,
    by_zoom: ByZoom = False,
    store: Store = None,
    as_json: Json = False,
    debug: Debug = False,
) -> int:
    """Show how much of the plan is recorded as stored. Works while a fetch runs."""
    from packer.cli import show_status

    return show_status.run_each(brief or [_HERE], store, as_json, by_zoom)


@app.command()
@command
def verify(
    brief: BriefPaths = None,
    quick: Annotated[
        bool,
        typer.Option("--quick", help="Check records, structure and a sample. Takes seconds."),
    ] = False,
    full: Annotated[bool, typer.Option("--full", help="Also decode every picture, on all cores.")] = False,
    for_time: Annotated[
        str | None,
        typer.Option(
            "--for", metavar="TIME", help='Check for this long, for example "60s", and continue next time.'
        ),
    ] = None,
    report: ReportFolder = None,
    walk: WalkFile = None,
    by_zoom: ByZoom = False,
    cluster: Cluster = None,
    store: Store = None,
    as_json: Json = False,
    debug: Debug = False,
) -> int:
    """Prove that every planned tile is on board and intact."""
    from packer.cli import run_verify

    return run_verify.run_each(
        brief or [_HERE], store, as_json, quick, full, for_time, report, walk, by_zoom, cluster
    )


@app.command()
@command
def view(
    brief: BriefPath = Path("brief.toml"),
    store: Store = None,
    port: Port = 0,
    share: Share = False,
    address: ShareAddress = None,
    debug: Debug = False,
) -> int:
    """Show on a map page in the browser what is on board."""
    from packer.cli import run_view

    return run_view.run(brief, store, port, share, address)


@app.command()
@command
def desk(
    brief: BriefPath = Path("brief.toml"),
    port: Port = 0,
    no_browser: NoBrowser = False,
    recent: Recent = False,
    store: Store = None,
    debug: Debug = False,
) -> int:
    """Do the whole job on one page, with a map in front of you."""
    from packer.cli import run_desk

    path = run_desk.recent_trip() if recent else brief
    return run_desk.run(path, store, port, not no_browser, ends_unused=recent)


@app.command()
@command
def handover(
    brief: BriefPath = Path("brief.toml"),
    to: Annotated[
        Path | None, typer.Option("--to", metavar="DIR", help="The card or folder to write to; required.")
    ] = None,
    kind: Annotated[
        str, typer.Option("--as", metavar="KIND", help="mbtiles, gpkg (GeoPackage) or folder (z/x/y files).")
    ] = "mbtiles",
    max_file: Annotated[
        str | None,
        typer.Option(metavar="SIZE", help='Split larger files, for example at "4GiB". "none": never split.'),
    ] = None,
    crews: Annotated[
        list[str] | None,
        typer.Option("--crew", metavar="NAME", help="Only for this crew. May be given several times."),
    ] = None,
    allow_gaps: AllowGaps = False,
    blend: Blend = False,
    cluster: Cluster = None,
    store: Store = None,
    as_json: Json = False,
    debug: Debug = False,
) -> int:
    """Write sealed files for the crew's devices, with a manifest."""
    from packer.cli import run_handover

    return run_handover.run(brief, store, to, kind, max_file, crews, allow_gaps, as_json, blend, cluster)


@app.command()
@command
def inspect(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="A handed-over folder, on any machine.")],
    against: Against = None,
    store: Store = None,
    as_json: Json = False,
    debug: Debug = False,
) -> int:
    """Check a handed-over copy against its manifest."""
    from packer.cli import run_inspect

    return run_inspect.run(folder, as_json, against, store)


@app.command()
@command
def compare(
    old: Annotated[Path, typer.Argument(metavar="OLD", help="The brief as it was.")],
    new: NewBrief = None,
    store: Store = None,
    as_json: Json = False,
    debug: Debug = False,
) -> int:
    """Show what a changed brief adds and drops. With one brief: since its last fetch."""
    from packer.cli import run_compare

    return run_compare.run(old, new, store, as_json)


@app.command()
@command
def prune(
    briefs: Annotated[list[Path], typer.Argument(metavar="BRIEF...", help="Every brief still in use.")],
    yes: Annotated[
        bool, typer.Option("--yes", help="Remove the listed tiles and free their disk space.")
    ] = False,
    store: Store = None,
    as_json: Json = False,
    debug: Debug = False,
) -> int:
    """List stored tiles that no named brief needs."""
    from packer.cli import run_prune

    return run_prune.run(briefs, store, yes, as_json)


@app.command()
@command
def split(
    brief: BriefPath = Path("brief.toml"),
    parts: Parts = 2,
    to: PartsFolder = None,
    store: Store = None,
    as_json: Json = False,
    debug: Debug = False,
) -> int:
    """Split what is still to be fetched into several briefs. Give each to another person."""
    from packer.cli import run_split

    return run_split.run(brief, parts, to, as_json, store)


@app.command("share", hidden=True)
@command
def split_by_its_old_name(
    brief: BriefPath = Path("brief.toml"),
    parts: Parts = 2,
    to: PartsFolder = None,
    store: Store = None,
    as_json: Json = False,
    debug: Debug = False,
) -> int:
    """The old name of `lastbar split`; it leaves with the next release."""
    from packer.cli import run_split

    warn("Note: lastbar share is now called lastbar split. The old name goes away in the next release.")
    return run_split.run(brief, parts, to, as_json, store)


@app.command("take-in")
@command
def take_in(
    brief: BriefPath,
    layer: Annotated[str, typer.Argument(metavar="LAYER", help="The layer that the tiles belong to.")],
    held: Annotated[
        list[Path],
        typer.Argument(
            metavar="FILE...", help="GeoTIFF pictures, MBTiles or GeoPackage files, or z/x/y folders."
        ),
    ],
    over: Over = False,
    yes: Annotated[bool, typer.Option("--yes", help="Ask nothing; take another layer's file too.")] = False,
    store: Store = None,
    as_json: Json = False,
    debug: Debug = False,
) -> int:
    """Add tiles or a picture that you already have. Each one is checked."""
    from packer.cli import run_take_in

    return run_take_in.run(brief, layer, held, store, as_json, over, yes)


add_briefless(app)
