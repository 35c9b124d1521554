"""The commands that need no brief: the demonstration, the practice server and the schema of a brief."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from packer.cli.options import Debug
from packer.cli.output import command, print_json

__all__ = ["add_practice"]


def add_practice(app: typer.Typer) -> None:
    """Add them to the list of commands."""
    app.command()(demo)
    app.command()(practice)
    app.command()(schema)


@command
def demo(
    folder: Annotated[
        Path | None,
        typer.Option(
            "--into", metavar="DIR", help="Put brief and packs here, instead of in a temporary folder."
        ),
    ] = None,
    desk: Annotated[
        bool, typer.Option("--desk", help="At the end open the desk on it, with the practice server.")
    ] = False,
    no_browser: Annotated[
        bool, typer.Option("--no-browser", help="With --desk: print the address only.")
    ] = False,
    debug: Debug = False,
) -> int:
    """Do the whole job with the practice server, with a kill on the way."""
    from packer.cli import run_demo

    return run_demo.run(folder, desk, not no_browser)


@command
def practice(
    port: Annotated[
        int, typer.Option(min=0, max=65535, help="Port on this machine; 0 takes a free one.")
    ] = 8123,
    debug: Debug = False,
) -> int:
    """Serve an invented place on this machine, to practise with."""
    from packer.cli import run_practice

    return run_practice.run(port)


@command
def schema(debug: Debug = False) -> int:
    """Print the JSON Schema of the brief, for editors that complete and check it."""
    from packer.planning.brief_schema import brief_schema

    print_json(brief_schema())
    return 0
