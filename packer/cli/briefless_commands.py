"""The commands that need no brief: joining packs, the collection of layers, the schema of a brief, and to practise."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from packer.cli.options import BriefPath, Debug, Json, TransportChoice
from packer.cli.output import command, print_json

__all__ = ["add_briefless"]


def add_briefless(app: typer.Typer) -> None:
    """Add them to the list of commands."""
    app.command()(merge)
    app.command()(layers)
    app.command()(schema)
    app.command()(demo)
    app.command()(practice)
    app.command()(hand)
    app.add_typer(_keys, name="key")


_keys = typer.Typer(
    help="Keep keys in this computer's keyring, or allow a key-command.",
    no_args_is_help=True,
    rich_markup_mode=None,
)
KeyName = Annotated[
    str, typer.Argument(metavar="NAME", help="As in the brief: ${MAP_KEY} has the name MAP_KEY.")
]


@_keys.command("set")
@command
def key_set(name: KeyName, debug: Debug = False) -> int:
    """Keep a key. It is asked for without being shown, or read from a pipe."""
    from packer.cli import run_key

    return run_key.keep(name)


@_keys.command("forget")
@command
def key_forget(name: KeyName, debug: Debug = False) -> int:
    """Remove a key."""
    from packer.cli import run_key

    return run_key.forget(name)


@_keys.command("allow")
@command
def key_allow(
    brief: BriefPath = Path("brief.toml"),
    yes: Annotated[bool, typer.Option("--yes", help="Allow them without being asked.")] = False,
    debug: Debug = False,
) -> int:
    """Show and allow the programs that a brief runs for its keys. On this computer only."""
    from packer.cli import run_key

    return run_key.allow(brief, yes)


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
    """Do the whole job with the practice server. The fetch is killed on the way."""
    from packer.cli import run_demo

    return run_demo.run(folder, desk, not no_browser)


@command
def hand(
    code: Annotated[
        str | None,
        typer.Argument(
            metavar="[CODE]", help="What lastbar fetch --hands share shows; else it is asked for."
        ),
    ] = None,
    name: Annotated[
        str | None,
        typer.Option(metavar="NAME", help="What the planner sees; without it, this machine's name."),
    ] = None,
    transport: TransportChoice = None,
    below: Annotated[bool, typer.Option("--below", hidden=True)] = False,
    debug: Debug = False,
) -> int:
    """Fetch for another machine, which keeps the packs. It ends on Ctrl-C or when all is on board."""
    from packer.cli import run_hand

    return run_hand.run(code, name, transport, below=below)


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
def layers(
    file: Annotated[
        Path | None, typer.Argument(metavar="[FILE]", help="A colleague's file of layers to take in.")
    ] = None,
    as_json: Json = False,
    debug: Debug = False,
) -> int:
    """List the layers used before, or take in a colleague's."""
    from packer.cli import run_layers

    return run_layers.run(file, as_json)


@command
def schema(debug: Debug = False) -> int:
    """Print the JSON Schema of the brief. Editors use it to complete and check one."""
    from packer.planning.brief_schema import brief_schema

    print_json(brief_schema())
    return 0


@command
def merge(
    into: Annotated[Path, typer.Argument(metavar="INTO", help="Folder of the packs to add to.")],
    sources: Annotated[list[Path], typer.Argument(metavar="FROM...", help="Packs, or folders of packs.")],
    mix_sources: Annotated[
        bool, typer.Option("--mix-sources", help="Join tiles from different servers in one layer.")
    ] = False,
    max_file: Annotated[
        str | None,
        typer.Option(metavar="SIZE", help='Go on in further files where one gets larger, as at "3.5 GB".'),
    ] = None,
    as_json: Json = False,
    debug: Debug = False,
) -> int:
    """Join packs that several people fetched."""
    from packer.cli import run_merge

    return run_merge.run_merge(into, sources, mix_sources, as_json, max_file)
