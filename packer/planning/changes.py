"""What has changed since the last fetch, and what that means, in words. Told to people; no verdict rests on it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from packer.common.shell import shell_command
from packer.common.units import counted
from packer.planning.brief import OVERVIEW, Brief
from packer.planning.brief_errors import quote_value
from packer.planning.comparison import AreaChange, Comparison, RouteStretch, compare
from packer.planning.fetched_for import FetchedFor, content_hashes, recall_fetch
from packer.planning.plan import Plan

__all__ = ["FetchChanges", "area_text", "changes_since_fetch"]

_NAMED = 6


@dataclass(frozen=True, slots=True)
class FetchChanges:
    """What is different from the last fetch. `comparison` is None where the plan is the same all the same; `crews` are
    those of today that one of the changed areas is for."""

    fetched: int
    brief: Path
    brief_changed: bool
    files: tuple[str, ...]
    comparison: Comparison | None
    crews: tuple[str, ...]

    @property
    def sentences(self) -> tuple[str, ...]:
        """What has changed, what that means area by area, and which cards are out of date."""
        return tuple(self._sentences())

    def _sentences(self) -> Iterator[str]:
        named = [*self.files[:_NAMED], *(["the brief"] if self.brief_changed else [])]
        if len(self.files) > _NAMED:
            named.insert(_NAMED, counted(len(self.files) - _NAMED, "more file"))
        what = " and ".join(filter(None, (", ".join(named[:-1]), named[-1]))) if named else "What is planned"
        what = what if self.files else what[:1].upper() + what[1:]
        since = datetime.fromtimestamp(self.fetched, UTC).strftime("%Y-%m-%d %H:%M UTC")
        same = "" if self.comparison else "; the plan is the same"
        have = "have" if len(named) > 1 else "has"
        yield f"{what} {have} changed since the last fetch ({since}){same}."
        if self.comparison is None:
            return
        for change in self.comparison.areas[:_NAMED]:
            yield area_text(change)
        if more := len(self.comparison.areas[_NAMED:]):
            yield f"{more:,} more {'area has' if more == 1 else 'areas have'} changed."
        whose = f" for crew{'s' if len(self.crews) > 1 else ''} {', '.join(self.crews)}" if self.crews else ""
        command = shell_command("inspect", "CARD", "--against", self.brief)
        yield f"Cards handed over{whose} before this may be out of date. To look: {command}"

    def to_dict(self) -> dict[str, Any]:
        """One plain document."""
        return {
            "last_fetch": self.fetched,
            "brief_changed": self.brief_changed,
            "files_changed": list(self.files),
            "plan_changed": self.comparison is not None,
            "areas": [a.to_dict() for a in self.comparison.areas] if self.comparison else [],
            "crews": list(self.crews),
            "sentences": list(self.sentences),
        }


def changes_since_fetch(brief: Brief, plan: Plan, store: Path | None = None) -> FetchChanges | None:
    """What has changed since the packs were last fetched for this brief; None if nothing has, or nothing is known.

    `store` stands in for the folder of packs that the brief names.
    """
    known = recall_fetch(brief, store or brief.store_folder)
    return None if known is None else _against(known, brief, plan)


def _against(known: FetchedFor, brief: Brief, plan: Plan) -> FetchChanges | None:
    now = content_hashes(brief)
    files = tuple(n for n in now if n and n in known.hashes and known.hashes[n] != now[n])
    brief_changed = known.hashes.get("") != now.get("")
    same_plan = known.fingerprint == plan.fingerprint
    if same_plan and not files and not brief_changed:
        return None
    comparison = None if same_plan else compare(known.plan, plan)
    changed = {area.name for area in comparison.areas} if comparison else set()
    crews = tuple(c.name for c in brief.crews if c.areas is None or changed & {*c.areas, OVERVIEW})
    return FetchChanges(known.fetched, brief.path, brief_changed, files, comparison, crews if changed else ())


def area_text(change: AreaChange) -> str:
    """What became of one area, in a sentence."""
    name = "The overview" if change.name == OVERVIEW else f"Area {quote_value(change.name)}"
    parts = []
    if change.added:
        parts.append(f"{_km(change.added)} new ({_where(change.added)})")
    if change.dropped:
        parts.append(f"{_km(change.dropped)} dropped ({_where(change.dropped)} of the old line)")
    if change.state == "changed":
        parts += [
            f"{layer} to zoom {now} instead of {was}" if was is not None and now is not None
            else f"{layer} {'added' if was is None else 'left out'}"
            for layer, (was, now) in change.depths.items()
        ]  # fmt: skip
    tiles = [f"{change.tiles_added:,} more tiles"] if change.tiles_added else []
    tiles += [f"{change.tiles_dropped:,} tiles no longer needed"] if change.tiles_dropped else []
    state = {"new": " is new", "gone": " is gone", "changed": ""}[change.state]
    return f"{name}{state}: {', '.join([*parts, *tiles])}."


def _km(stretches: Sequence[RouteStretch]) -> str:
    return f"{sum(s.length_m for s in stretches) / 1000:.1f} km"


def _where(stretches: Sequence[RouteStretch]) -> str:
    lines = {s.line for s in stretches} != {1}
    named = [
        f"{f'line {s.line} ' if lines else ''}km {s.from_m / 1000:.1f} to {s.to_m / 1000:.1f}"
        for s in stretches[:_NAMED]
    ]
    more = [f"{len(stretches) - _NAMED:,} more"] if len(stretches) > _NAMED else []
    return ", ".join([*named, *more])
