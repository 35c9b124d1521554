"""A plan with its size, time and room: what `lastbar plan` shows, as text or as JSON."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from packer.planning.brief import Brief
from packer.planning.plan import Plan
from packer.survey.crew_sizes import CrewSize
from packer.survey.estimate import Bytes, Estimate, seconds_for
from packer.survey.speed import AssumedSpeed
from packer.survey.tradeoffs import Fit

__all__ = ["WorkedPlan"]


@dataclass(frozen=True, slots=True)
class WorkedPlan:
    """All that is shown of a plan. `areas` has the size of each, tiles that areas share in each of them."""

    brief: Brief
    plan: Plan
    estimate: Estimate
    store: Path
    free_bytes: int
    speed: AssumedSpeed | None
    warnings: list[str]
    fit: Fit | None
    areas: Mapping[str, Bytes]
    crews: tuple[CrewSize, ...] = ()

    def seconds(self, size: float) -> float | None:
        """Time to fetch what is missing if it weighs `size` bytes; None without a speed."""
        if self.speed is None:
            return None
        return seconds_for(self.brief, self.estimate.layers, size, self.speed)
