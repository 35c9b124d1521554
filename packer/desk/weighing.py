"""The brief as it would be, neither saved nor kept: what a shape would weigh, and what a change would leave out."""

from __future__ import annotations

import threading
from collections.abc import Mapping
from typing import Any

from pydantic import ValidationError

from packer.desk.brief_facts import read_table
from packer.desk.changes import SetArea
from packer.desk.figures import SupersededError
from packer.desk.fitting import with_edits
from packer.desk.session import Session
from packer.errors import InputError
from packer.planning.brief import Area, Brief
from packer.planning.brief_edits import Edit
from packer.planning.offers import apply_offers, cached_offers
from packer.view.outlines import outline_feature

__all__ = ["Weighing", "would_go"]


class Weighing:
    """Weighs one would-be area after another. Safe to use from any thread: the newest question makes older ones end."""

    def __init__(self, session: Session) -> None:
        self._session, self._lock, self._turn = session, threading.Lock(), 0

    def weigh(self, change: SetArea) -> dict[str, Any]:
        """`tiles`, `bytes`, `to_fetch`, `time` and `crews` of the whole, and `area`, with new values for an area.

        Raises InputError for values that no area can have, SupersededError once another question has come or the
        brief has changed, else as `Session.plan`.
        """
        with self._lock:
            self._turn += 1
            turn = self._turn
        now = self._session.document.now()

        def wanted() -> bool:
            return turn == self._turn and self._session.document.now().revision == now.revision

        if now.brief is None:
            raise InputError(f"The brief needs {now.lacks} first.")
        table = next(
            (one for one in read_table(now.text).get("areas", []) if one.get("name") == change.name), None
        )
        if table is None:
            raise InputError(f'The brief has no area "{change.name}" any more. Look at the list again.')
        brief = _with_area(now.brief, change.name, {**table, **change.values})
        planner, store = self._session.planner, self._session.store
        brief = apply_offers(brief, cached_offers(brief, store or brief.store_folder))
        plan = planner.plan(brief)
        if not wanted():
            raise SupersededError
        found = planner.figures(brief, plan, self._session.speed, wanted)
        kept = {key: found[key] for key in ("tiles", "bytes", "to_fetch", "time", "crews")}
        return {**kept, "area": found["areas"][str(change.values.get("name", change.name))]}


def _with_area(brief: Brief, name: str, values: Mapping[str, Any]) -> Brief:
    """The brief with an area of these values. Raises InputError where no area can have them."""
    try:
        area = Area.model_validate({key: value for key, value in values.items() if value is not None})
    except ValidationError as fault:
        raise InputError(f"No area can be like that: {fault.errors()[0]['msg']}.") from None
    return brief.model_copy(update={"areas": tuple(area if a.name == name else a for a in brief.areas)})


def would_go(session: Session, edits: list[Edit]) -> dict[str, Any]:
    """Outlines of what proposed changes would leave out, at the deepest zoom of it on each layer, as GeoJSON.

    Raises as `Session.plan` and `with_edits`.
    """
    now, _, before = session.plan()
    text = with_edits(now, edits)
    brief = Brief.from_text(text, session.document.path)
    brief = apply_offers(brief, cached_offers(brief, session.store or brief.store_folder))
    after = session.planner.plan(brief)
    features = []
    for name, layer in before.layers.items():
        gone = layer.tiles - after.layers[name].tiles if name in after.layers else layer.tiles
        if gone:
            found = outline_feature("dropped", gone, gone.zooms[-1], before.middle[0])
            found["properties"]["layer"] = name
            features.append(found)
    return {"type": "FeatureCollection", "features": features}
