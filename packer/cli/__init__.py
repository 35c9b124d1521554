"""The command `lastbar`: what a planner types and reads. Everything it does is in the packages below it."""

from __future__ import annotations

__all__ = ["main"]


def main() -> None:
    """Run the command line; ends the process with the documented exit code."""
    from packer.cli.app import app  # typer is worth loading only when there is a command to run

    app()
