"""The list of commands. Each loads what it needs only when it is called, so that --help is quick."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from packer.cli.output import BriefPath, Debug, Json, Store, command
from packer.version import __version__

__all__ = ["app"]

app = typer.Typer(
    name="lastbar",
    help=(
        "Ready map tiles for a crew that is about to leave phone coverage: plan them, fetch them through "
        "bad Wi-Fi, and prove that nothing is missing.\n\n"
        "Exit codes: 0 done or ready; 1 not complete or not ready, go on with the same command; 2 the input is "
        "wrong; 3 disk or store trouble; 4 refused on the layer's terms."
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
    route: Annotated[
        Path | None,
        typer.Option("--route", metavar="FILE", help="A track or route to make the corridor from."),
    ] = None,
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
        str | None, typer.Option(metavar="SPEED", help='Reckon the time at this speed, such as "3Mbit".')
    ] = None,
    measured: Annotated[
        bool, typer.Option("--measure", help="Measure the speed on a few planned tiles, which are kept.")
    ] = False,
    fit_to: Annotated[
        str | None, typer.Option("--fit", metavar="GOAL", help='Propose what to leave out for "2h" or "8GB".')
    ] = None,
    store: Store = None,
    as_json: Json = False,
    debug: Debug = False,
) -> int:
    """Work out which tiles the brief asks for, their size and time."""
    from packer.cli import show_plan

    return show_plan.run(brief, listed, store, as_json, speed, measured, fit_to)


@app.command()
@command
def survey(
    brief: BriefPath = Path("brief.toml"),
    samples: Annotated[
        int | None, typer.Option(min=1, max=100_000, help="Look at no more than so many tiles of each layer.")
    ] = None,
    apply: Annotated[
        bool, typer.Option("--apply", help="Write the depths that are worth having into the brief.")
    ] = False,
    sheets: Annotated[
        Path | None, typer.Option(metavar="DIR", help="Folder for the sheets of sample tiles.")
    ] = None,
    store: Store = None,
    as_json: Json = False,
    debug: Debug = False,
) -> int:
    """Look at samples: is the imagery there, and how deep is it real?"""
    from packer.cli import run_survey

    return run_survey.run(brief, store, samples, apply, sheets, as_json)


@app.command()
@command
def fetch(
    brief: BriefPath = Path("brief.toml"),
    depart: Annotated[
        str | None,
        typer.Option(metavar="WHEN", help='Be done by "05:30", or by "2026-12-01 05:30", local time.'),
    ] = None,
    time_limit: Annotated[
        str | None, typer.Option("--for", metavar="TIME", help='Stop cleanly after so long, such as "45m".')
    ] = None,
    max_bytes: Annotated[
        str | None,
        typer.Option(
            metavar="SIZE",
            help='Stop cleanly after so many bytes, such as "2GB"; a body that breaks off may count in full.',
        ),
    ] = None,
    give_up_after: Annotated[
        str | None,
        typer.Option(
            metavar="TIME", help='Stop waiting for a lost link after so long, such as "20m" or "2h".'
        ),
    ] = None,
    ask_absent_again: Annotated[
        bool,
        typer.Option("--ask-absent-again", help="Ask once more for tiles that the server said it lacks."),
    ] = False,
    refresh_older_than: Annotated[
        str | None,
        typer.Option(metavar="AGE", help='Ask anew for tiles on board that are older, such as "30d".'),
    ] = None,
    store: Store = None,
    as_json: Json = False,
    debug: Debug = False,
) -> int:
    """Fetch what the plan asks for and the packs lack. Run it again to go on."""
    from packer.cli import run_fetch

    return run_fetch.run(
        brief,
        store,
        give_up_after,
        ask_absent_again,
        as_json,
        depart,
        time_limit,
        max_bytes,
        refresh_older_than,
    )


@app.command()
@command
def status(
    brief: BriefPath = Path("brief.toml"), store: Store = None, as_json: Json = False, debug: Debug = False
) -> int:
    """Show how far the packs are, by their own books. Works while a fetch runs."""
    from packer.cli import show_status

    return show_status.run(brief, store, as_json)


@app.command()
@command
def verify(
    brief: BriefPath = Path("brief.toml"),
    quick: Annotated[bool, typer.Option("--quick", help="Books and structure only; takes seconds.")] = False,
    full: Annotated[bool, typer.Option("--full", help="Decode every image as well, on all cores.")] = False,
    for_time: Annotated[
        str | None,
        typer.Option("--for", metavar="TIME", help='Check for so long, such as "60s", and go on next time.'),
    ] = None,
    report: Annotated[
        Path | None,
        typer.Option("--report", metavar="DIR", help="Write a page and pictures to look at or print."),
    ] = None,
    walk: Annotated[
        Path | None, typer.Option("--walk", metavar="FILE", help="Write the route walk as GeoJSON.")
    ] = None,
    store: Store = None,
    as_json: Json = False,
    debug: Debug = False,
) -> int:
    """Prove that every planned tile is on board and sound, or name what is not."""
    from packer.cli import run_verify

    return run_verify.run(brief, store, as_json, quick, full, for_time, report, walk)


@app.command()
@command
def view(
    brief: BriefPath = Path("brief.toml"),
    store: Store = None,
    port: Annotated[int, typer.Option(min=0, max=65535, help="Port to listen on; 0 takes a free one.")] = 0,
    share: Annotated[
        bool, typer.Option("--share", help="Let phones on the local network look, with an access code.")
    ] = False,
    address: Annotated[
        str | None, typer.Option(metavar="ADDR", help="Which local address to share on; implies --share.")
    ] = None,
    debug: Debug = False,
) -> int:
    """Show in a browser exactly what is on board."""
    from packer.cli import run_view

    return run_view.run(brief, store, port, share, address)


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
        typer.Option(metavar="SIZE", help='Split files over this, such as "4GiB"; "none" for never.'),
    ] = None,
    crews: Annotated[
        list[str] | None, typer.Option("--crew", metavar="NAME", help="Only for this crew; may be repeated.")
    ] = None,
    allow_gaps: Annotated[
        bool, typer.Option("--allow-gaps", help="Write what there is, and say on the card what is missing.")
    ] = False,
    store: Store = None,
    as_json: Json = False,
    debug: Debug = False,
) -> int:
    """Write sealed files for the crew's devices, with a manifest."""
    from packer.cli import run_handover
    from packer.errors import InputError

    if to is None:
        raise InputError("Where to? Name the card or folder to write to: --to DIR")
    return run_handover.run(brief, store, to, kind, max_file, crews, allow_gaps, as_json)


@app.command()
@command
def inspect(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="A handed-over folder, on any machine.")],
    as_json: Json = False,
    debug: Debug = False,
) -> int:
    """Check a handed-over copy against its manifest."""
    from packer.cli import run_inspect

    return run_inspect.run(folder, as_json)


@app.command()
@command
def compare(
    old: Annotated[Path, typer.Argument(metavar="OLD", help="The brief as it was.")],
    new: Annotated[Path, typer.Argument(metavar="NEW", help="The brief as it is now.")],
    store: Store = None,
    as_json: Json = False,
    debug: Debug = False,
) -> int:
    """Say what a changed brief adds and drops."""
    from packer.cli import run_compare

    return run_compare.run(old, new, store, as_json)


@app.command()
@command
def prune(
    briefs: Annotated[list[Path], typer.Argument(metavar="BRIEF...", help="Every brief still in use.")],
    yes: Annotated[
        bool, typer.Option("--yes", help="Remove what is listed, and give the room back.")
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
def share(
    brief: BriefPath = Path("brief.toml"),
    parts: Annotated[int, typer.Option(min=2, max=100, help="How many parts to deal.")] = 2,
    to: Annotated[
        Path | None,
        typer.Option("--to", metavar="DIR", help="Folder for the parts, instead of beside the brief."),
    ] = None,
    as_json: Json = False,
    debug: Debug = False,
) -> int:
    """Deal the work into briefs that others can fetch with."""
    from packer.cli import run_split

    return run_split.run(brief, parts, to, as_json)


@app.command()
@command
def merge(
    into: Annotated[Path, typer.Argument(metavar="INTO", help="Folder of the packs to add to.")],
    sources: Annotated[list[Path], typer.Argument(metavar="FROM...", help="Packs, or folders of packs.")],
    mix_sources: Annotated[
        bool, typer.Option("--mix-sources", help="Join tiles from different servers in one layer.")
    ] = False,
    as_json: Json = False,
    debug: Debug = False,
) -> int:
    """Join packs that were fetched apart."""
    from packer.cli import run_merge

    return run_merge.run_merge(into, sources, mix_sources, as_json)


@app.command("take-in")
@command
def take_in(
    brief: BriefPath,
    layer: Annotated[str, typer.Argument(metavar="LAYER", help="The layer that the tiles belong to.")],
    held: Annotated[list[Path], typer.Argument(metavar="FILE...", help="MBTiles files or z/x/y folders.")],
    store: Store = None,
    as_json: Json = False,
    debug: Debug = False,
) -> int:
    """Use tiles that you hold already, after a check of each."""
    from packer.cli import run_merge

    return run_merge.run_take_in(brief, layer, held, store, as_json)


@app.command()
@command
def demo(
    folder: Annotated[
        Path | None,
        typer.Option("--into", metavar="DIR", help="Keep brief and packs here, not in a temporary folder."),
    ] = None,
    debug: Debug = False,
) -> int:
    """Run the whole job against the practice server: plan, fetch, kill, resume, verify."""
    from packer.cli import run_demo

    return run_demo.run(folder)


@app.command()
@command
def practice(
    port: Annotated[
        int, typer.Option(min=0, max=65535, help="Port on this machine; 0 takes a free one.")
    ] = 8123,
    debug: Debug = False,
) -> int:
    """Serve the invented Ketterling Basin on this machine, to practise with."""
    from packer.cli import run_practice

    return run_practice.run(port)
