"""The list of commands. Each loads what it needs only when it is called, so that --help is quick."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from packer.cli.speech import BriefPath, Debug, Json, Store, command
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
    store: Store = None,
    as_json: Json = False,
    debug: Debug = False,
) -> int:
    """Work out which tiles the brief asks for, and how many."""
    from packer.cli import show_plan

    return show_plan.run(brief, listed, store, as_json)


@app.command()
@command
def fetch(
    brief: BriefPath = Path("brief.toml"),
    store: Store = None,
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
    as_json: Json = False,
    debug: Debug = False,
) -> int:
    """Fetch what the plan asks for and the packs lack. Run it again to go on."""
    from packer.cli import run_fetch

    return run_fetch.run(brief, store, give_up_after, ask_absent_again, as_json)


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
    brief: BriefPath = Path("brief.toml"), store: Store = None, as_json: Json = False, debug: Debug = False
) -> int:
    """Prove that every planned tile is on board and sound, or name what is not."""
    from packer.cli import run_verify

    return run_verify.run(brief, store, as_json)


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
