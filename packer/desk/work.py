"""The jobs of the desk: the same functions as the commands call, with their progress and results as plain data."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any, Literal, TypeVar, cast, get_args

from packer.common.links import is_link
from packer.common.units import seconds, size_bytes
from packer.desk.body import typed_path
from packer.desk.fetch_apart import fetch_apart
from packer.desk.fetch_order import FetchOrder, fetch_progress
from packer.desk.hands_choice import hands_asked
from packer.desk.jobs import Reporter, Work
from packer.desk.known_cards import KnownCard, KnownCards
from packer.desk.transport import DESK_TRANSPORT
from packer.desk.wording import on_page
from packer.errors import InputError
from packer.fetching.departure import departure_time
from packer.fetching.hosts.offer_reading import read_offers
from packer.fetching.looked_at import LookedAt
from packer.fetching.pacing.speed_limit import SpeedLimit
from packer.fetching.reports import LayerProgress, Options
from packer.fetching.run import fast_loop
from packer.handover import DeviceCrew, handover, inspect_tree
from packer.handover.kinds import As
from packer.handover.manifest import CARD
from packer.planning.brief import Brief
from packer.planning.plan import Plan, plan
from packer.proof.depth_words import depth_text
from packer.proof.proving import verify
from packer.proof.results import Depth, VerifyReport
from packer.sources.key_sources import given_keys
from packer.survey.inspection import LayerFinding, SurveyReport
from packer.survey.rounds import survey_rounds
from packer.survey.sheets import write_sheet

__all__ = [
    "FetchSupport",
    "describe_work",
    "fetch_work",
    "handover_work",
    "inspect_work",
    "survey_work",
    "verify_work",
]

T = TypeVar("T")

_TELL_EVERY_S = 0.5
_LONGEST_TEXT = 100_000
_DEPTHS = {"quick": Depth.QUICK, "usual": Depth.HASH, "full": Depth.FULL}


class _Sparing:
    """Lets progress through at most twice a second."""

    def __init__(self) -> None:
        self._next = 0.0

    def due(self) -> bool:
        now = time.monotonic()
        if now < self._next:
            return False
        self._next = now + _TELL_EVERY_S
        return True


@dataclass(frozen=True, slots=True)
class FetchSupport:
    """What the desk gives a fetch: `at_most` is what it may take of the link, `looked_at` the tiles that came for a
    look, and `run` carries it out."""

    at_most: SpeedLimit = field(default_factory=SpeedLimit)
    looked_at: Callable[[], Iterable[LookedAt]] = tuple
    run: Callable[[FetchOrder, Reporter], Mapping[str, Any]] = fetch_apart


def fetch_work(
    brief: Brief, store: Path | None, options: Mapping[str, Any], support: FetchSupport | None = None
) -> Work:
    """A fetch; options `depart` ("05:30"), `ask_absent_again`, `refresh_older_than` ("30d"), `max_bytes` ("2 GB"),
    `give_up_after` ("2h") and `hands` ("share", an address or a number). Raises InputError for one that cannot be read,
    or be had with the others.

    If the process dies: the packs hold every committed batch, and the next fetch asks only for the rest.
    """
    support = support or FetchSupport()
    hands = hands_asked(options)
    chosen = Options(
        store=store,
        depart_at=_departure(options.get("depart")),
        ask_absent_again=bool(options.get("ask_absent_again")),
        refresh_older_s=_quantity(options, "refresh_older_than", seconds),
        max_bytes=_quantity(options, "max_bytes", size_bytes),
        give_up_after_s=_quantity(options, "give_up_after", seconds),
        log=True,
        keep_awake=True,
        speed_limit=support.at_most,
    )
    return lambda reporter: support.run(
        FetchOrder(brief, chosen, tuple(support.looked_at()), given_keys(), hands), reporter
    )


def _quantity(options: Mapping[str, Any], key: str, read: Callable[[str], T]) -> T | None:
    text = options.get(key)
    try:
        return read(str(text)) if text else None
    except ValueError as fault:
        raise InputError(f"{key.replace('_', ' ').capitalize()}: {fault}.") from None


def _departure(text: object) -> float | None:
    try:
        return departure_time(str(text), datetime.now()) if text else None
    except ValueError as fault:
        raise InputError(f"The departure {text} cannot be used: {fault}.") from None


def verify_work(
    brief: Brief,
    worked_out: Plan,
    store: Path | None,
    options: Mapping[str, Any],
    keep: Callable[[VerifyReport], None],
) -> Work:
    """A check of the packs; option `depth` is "quick", "usual" or "full". It cannot be stopped half-way.

    `keep` is given what was found, before the job ends.
    """
    depth = _DEPTHS.get(str(options.get("depth", "usual")))
    if depth is None:
        raise InputError(f"A check is {', '.join(_DEPTHS)}; {options.get('depth')} is none of them.")

    def work(reporter: Reporter) -> Mapping[str, Any]:
        sparing = _Sparing()

        def show(layer: str, done: int, every: int) -> None:
            if sparing.due():
                reporter.progress({"layer": layer, "done": done, "all": every})

        report = verify(brief, worked_out, store, depth=depth, on_progress=show)
        keep(report)
        depths = [{**one.to_dict(), "text": depth_text(one)} for one in report.depths]
        found = report.to_dict()
        return {**found, "depths": depths, "not_checked": [on_page(text) for text in found["not_checked"]]}

    return work


def describe_work(brief: Brief, store: Path | None) -> Work:
    """Ask the servers of those layers that they describe themselves what they offer, and keep it beside the packs.

    If the process dies: each layer's old offer is kept, or its new one.
    """

    def work(_reporter: Reporter) -> Mapping[str, Any]:
        with asyncio.Runner(loop_factory=fast_loop()) as runner:
            _, remarks = runner.run(read_offers(brief, store, transport=DESK_TRANSPORT))
        return {"remarks": remarks}

    return work


def survey_work(brief: Brief, store: Path | None, _options: Mapping[str, Any]) -> Work:
    """A survey of every layer. If the process dies: what was fetched is stored."""

    def work(reporter: Reporter) -> Mapping[str, Any]:
        def show(layers: Sequence[LayerProgress]) -> None:
            reporter.progress(fetch_progress(layers, time.time()))

        async def go() -> SurveyReport:
            settled, _ = await read_offers(brief, store, transport=DESK_TRANSPORT)
            surveying = asyncio.ensure_future(
                survey_rounds(settled, plan(settled), store, transport=DESK_TRANSPORT, on_progress=show)
            )
            while not surveying.done():
                await asyncio.wait([surveying], timeout=0.25)
                if reporter.stop.is_set():
                    surveying.cancel()  # once: a second time would cut short what it closes at its end
                    await asyncio.wait([surveying])
            if surveying.cancelled():
                raise InputError("The survey was stopped. What came is kept; start it again to go on.")
            return await surveying

        with asyncio.Runner(loop_factory=fast_loop()) as runner:
            report = runner.run(go())
        fetched = report.fetched.layers if report.fetched else {}
        failures = {name: layer.failure for name, layer in fetched.items()}
        folder = store or brief.store_folder
        drawn = [name for name, layer in report.layers.items() if write_sheet(brief, layer, folder, store)]
        return {
            "sheets": drawn,
            "layers": {
                name: _survey_layer(layer, failures.get(name)) for name, layer in report.layers.items()
            },
        }

    return work


def _survey_layer(layer: LayerFinding, failure: str | None) -> dict[str, Any]:
    return {
        "notices": [*([failure] if failure else []), *layer.notices],
        "areas": {
            area.name: {
                "deepest": area.deepest,
                "worth_to": area.worth.zoom,
                "evidence": area.worth.evidence,
                "judged": area.worth.judged,
                "saves": {"tiles": area.saves_tiles, "bytes": round(area.saves_bytes)},
                "zooms": {str(zoom): counts.to_dict() for zoom, counts in area.zooms.items()},
            }
            for area in layer.areas.values()
        },
    }


def handover_work(
    brief: Brief, worked_out: Plan, store: Path | None, options: Mapping[str, Any], cards: KnownCards
) -> Work:
    """A handover; options `to` (a folder), `as`, `crews` (names), `max_file`, `allow_gaps`, `blend`.

    Raises InputError for options that cannot be used. If the process dies: as `handover` says.
    """
    kind = str(options.get("as", "mbtiles"))
    if kind not in get_args(As):
        raise InputError(f"A handover is {', '.join(get_args(As))}; {kind} is none of them.")
    to = _folder(options)
    crews = _crews(brief, options.get("crews"))
    limit = _max_file(options.get("max_file"))

    def work(reporter: Reporter) -> Mapping[str, Any]:
        sparing = _Sparing()

        def show(doing: str, done: int, every: int) -> None:
            if sparing.due():
                reporter.progress({"doing": doing, "done": done, "all": every})

        found = handover(
            brief,
            worked_out,
            store,
            to,
            as_=cast(As, kind),
            max_file_bytes=limit,
            crews=crews,
            allow_gaps=bool(options.get("allow_gaps")),
            blend=bool(options.get("blend")),
            on_progress=show,
        )
        cards.note(KnownCard(copy.folder, copy.manifest) for copy in found.copies)
        return found.to_dict()

    return work


def _folder(options: Mapping[str, Any]) -> Path:
    return typed_path(options, "to", "Say which folder the files go to.")


def _crews(brief: Brief, names: Sequence[str] | None) -> list[DeviceCrew]:
    if names is not None and not names:
        raise InputError("No crew is chosen, so there is nothing to write.")
    known = {crew.name: crew for crew in brief.crews}
    if unknown := [name for name in names or () if name not in known]:
        raise InputError(f'The brief has no crew "{unknown[0]}".')
    picked = [known[name] for name in known if names is None or name in names]
    return [DeviceCrew(c.name, c.areas, c.layers, c.budget) for c in picked]


def _max_file(text: object) -> int | Literal["auto"] | None:
    if text is None or text == "":
        return "auto"
    if text == "none":
        return None
    try:
        return size_bytes(str(text))
    except ValueError as fault:
        raise InputError(f"The largest file {text} cannot be used: {fault}.") from None


def inspect_work(options: Mapping[str, Any], cards: KnownCards) -> Work:
    """A look at a card; option `to` is its folder. Never writes there. `texts` is what each card says to its crew."""
    folder = _folder(options)

    def work(reporter: Reporter) -> Mapping[str, Any]:
        sparing = _Sparing()

        def show(name: str, done: int, every: int) -> None:
            if sparing.due():
                reporter.progress({"doing": name, "done": done, "all": every})

        found = inspect_tree(folder, on_progress=show)
        cards.note(KnownCard(copy.folder, copy.manifest) for copy in found.copies)
        texts = {str(copy.folder): _card_text(copy.folder) for copy in found.copies}
        return {**found.to_dict(), "texts": texts}

    return work


def _card_text(folder: Path) -> str:
    """What the card tells its crew; "" where it cannot be read. It comes from anybody's card, and is shown as text."""
    path = folder / CARD
    try:
        if is_link(path) or not path.is_file():
            return ""
        with path.open("rb") as file:
            return file.read(_LONGEST_TEXT).decode("utf-8", "replace")
    except OSError:
        return ""
