"""Of all commands the one that is asked for: typer takes 40 ms to build them all, on each start."""

from __future__ import annotations

import copy
from collections.abc import Sequence

import typer
from typer.main import get_command_name

__all__ = ["only_asked"]


def only_asked(app: typer.Typer, arguments: Sequence[str]) -> typer.Typer:
    """`app` with just the command that the first of the arguments names, or as it is if that names none. `app` itself
    is not changed."""
    first = next(iter(arguments), None)
    commands = [
        one
        for one in app.registered_commands
        if one.callback and first == (one.name or get_command_name(one.callback.__name__))
    ]
    if not commands:
        return app
    program = copy.copy(app)
    program.registered_commands, program.registered_groups = commands, []
    return program
