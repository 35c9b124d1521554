"""A start builds only the command that is asked for."""

from __future__ import annotations

import typer
from typer.main import get_command

from packer.cli.app import app
from packer.cli.asked_command import only_asked


def commands_of(program: typer.Typer) -> dict[str, object]:
    group = get_command(program)
    context = typer.Context(group, info_name="lastbar")
    return {name: group.commands[name].get_help(context) for name in group.commands}  # type: ignore[attr-defined]


def test_the_command_asked_for_is_the_very_one_and_the_only_one() -> None:
    every = commands_of(app)
    alone = {name for name in every if set(commands_of(only_asked(app, [name, "--json"]))) == {name}}
    assert alone == set(every) - {"key"}  # a group of its own
    assert commands_of(only_asked(app, ["take-in"]))["take-in"] == every["take-in"]
    assert commands_of(app) == every


def test_without_a_command_of_that_name_all_are_there_to_be_listed() -> None:
    for arguments in ([], ["--help"], ["-h", "fetch"], ["fech"], ["key", "set"], ["--version"], ["take_in"]):
        assert only_asked(app, arguments) is app
