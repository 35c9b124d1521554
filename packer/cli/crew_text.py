"""The crews of a plan in text: what each crew's files take beside its budget."""

from __future__ import annotations

from collections.abc import Sequence

from packer.cli.output import echo, table
from packer.common.units import bytes_text
from packer.survey.crew_sizes import CrewSize

__all__ = ["show_crews"]

_LONGEST_NAME = 18


def show_crews(crews: Sequence[CrewSize]) -> None:
    """Print a table of the crews, if there are any."""
    if not crews:
        return
    echo()
    table(["crew", "tiles", "files", "at most", "budget", ""], [_row(crew) for crew in crews])


def _row(crew: CrewSize) -> list[str]:
    name = crew.name if len(crew.name) <= _LONGEST_NAME else crew.name[: _LONGEST_NAME - 1] + "…"
    budget = "none" if crew.budget is None else bytes_text(crew.budget)
    size, most = bytes_text(crew.bytes.expected), bytes_text(crew.bytes.high)
    return [name, f"{crew.tiles:,}", size, most, budget, _verdict(crew)]


def _verdict(crew: CrewSize) -> str:
    if crew.budget is None:
        return ""
    if crew.over:
        return f"over by {bytes_text(crew.over)}"
    return "may be over" if crew.may_be_over else "fits"
