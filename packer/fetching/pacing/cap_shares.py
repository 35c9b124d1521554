"""The caps of a host shared between the processes of one user: who may use how much of them just now.

Each process claims a share in a small record. A share may only be claimed from what nobody else claims, and is given
back only once it is no longer used; so at no moment do the shares add up to more than the cap. Where there are more
processes than connections or starts, they take turns.

Pure: the record is a plain value, times are arguments.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, NamedTuple

__all__ = ["GONE_AFTER_S", "Caps", "Claims", "Share"]

_DEAD_AFTER_S = 15.0  # without a sign of life: a process that is stopped, or on a machine that slept
GONE_AFTER_S = 2.0  # from the last sign of life of a process that is gone, whose last requests still count
_TURN_S = 5.0
_LONGEST_LENT_S = 300.0  # anything beyond is of another start of the machine


class Caps(NamedTuple):
    """The most `connections` at once, and `starts` of requests within a span of about a second."""

    connections: int
    starts: int


Share = Caps


@dataclass(frozen=True, slots=True)
class Claims:
    """What the processes at one host claim, by the name of each: {"pid", "connections", "starts", "most_c", "most_s",
    "beat", "until"}. A claim holds `until` then whatever becomes of its process, which may have lent it. `lost` are the
    claims that hold by that alone.

    Times are seconds since the start of the machine.
    """

    by_name: dict[str, dict[str, Any]]
    lost: frozenset[str] = frozenset()

    @classmethod
    def read(cls, found: object, now: float, is_gone: Mapping[int, bool]) -> Claims:
        """The claims of a record as it was found, without those of the dead. `is_gone` says so of a process."""
        kept: dict[str, dict[str, Any]] = {}
        lost: set[str] = set()
        for name, claim in (found if isinstance(found, dict) else {}).items():
            try:
                age_s = now - float(claim["beat"])
                gone = is_gone.get(int(claim["pid"]), False)
                whole = {
                    "pid": int(claim["pid"]),
                    "beat": float(claim["beat"]),
                    "until": float(claim.get("until", 0.0)),
                    **{key: int(claim[key]) for key in ("connections", "starts", "most_c", "most_s")},
                }
            except (TypeError, ValueError, KeyError):
                continue  # not a claim of ours: somebody else wrote it
            lent = now < whole["until"] <= now + _LONGEST_LENT_S
            if lent or -1.0 <= age_s < (GONE_AFTER_S if gone else _DEAD_AFTER_S):
                kept[str(name)] = whole
            if lent and (gone or not -1.0 <= age_s < GONE_AFTER_S):
                lost.add(str(name))
        return cls(kept, frozenset(lost))

    def due(self, name: str, own: Caps, now: float) -> Share:
        """The share that `name`, whose own caps are `own`, should have beside the others."""
        names = sorted({*self.by_name, name})
        connections = min([own.connections, *(c["most_c"] for c in self.by_name.values())])
        starts = min([own.starts, *(c["most_s"] for c in self.by_name.values())])
        many, rank = len(names), names.index(name)
        places = min(connections, starts)
        if many > places:
            rank = (rank - int(now / _TURN_S) * places) % many
            if rank >= places:
                return Share(0, 0)
            many = places
        return Share(_part(connections, many, rank), _part(starts, many, rank))

    def grant(self, name: str, due: Share) -> Share:
        """As much of what is due as nobody else claims."""
        others = [claim for other, claim in self.by_name.items() if other != name]
        connections = min([c["most_c"] for c in self.by_name.values()], default=due.connections)
        starts = min([c["most_s"] for c in self.by_name.values()], default=due.starts)
        return Share(
            max(0, min(due.connections, connections - sum(c["connections"] for c in others))),
            max(0, min(due.starts, starts - sum(c["starts"] for c in others))),
        )

    def lent_until(self, name: str) -> float | None:
        """The soonest time at which something comes back that a process lent which is not heard any more; None if
        there is no such thing."""
        ends = [
            claim["until"]
            for other, claim in self.by_name.items()
            if other != name and other in self.lost and claim["connections"] and claim["starts"]
        ]
        return min(ends, default=None)

    def put(self, name: str, pid: int, share: Share, own: Caps, now: float, until: float = 0.0) -> None:
        """Note the claim of `name`, as a sign of life too."""
        self.by_name[name] = {
            "pid": pid,
            "connections": share.connections,
            "starts": share.starts,
            "most_c": own.connections,
            "most_s": own.starts,
            "beat": now,
            "until": until,
        }


def _part(whole: int, many: int, rank: int) -> int:
    return whole // many + (rank < whole % many)
