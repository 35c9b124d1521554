#!/usr/bin/env python3
"""How near a survey comes to the native zoom of ten places at night or out of focus, and what that costs in requests.

Run from the project's folder: `.venv/bin/python scripts/bench_survey.py [--places 3] [--anew 1]`. The places are
those of `tests/imagery_samples/places.py`, each along a route of some 1,700 km; a server on this machine gives their
tiles, and the survey is the one of the command. Prints a table as it stands in docs/benchmarks.md.
"""

from __future__ import annotations

import argparse
import asyncio
import math
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from packer.geometry.tileset import Tile
from packer.planning.brief import Brief
from packer.planning.plan import plan
from packer.survey.evidence import Worth, worth_to
from packer.survey.inspection import SurveyReport, chosen
from packer.survey.rounds import SURVEY_SEED, survey_rounds
from tests.imagery_samples.places import PLACES, Place
from tests.tile_server import TileServer, answer

_BRIEF = """
title = "{name}"
overview = false

[layers.aerial]
url = "{url}"
attribution = "made on this machine"
permission = "own server"
zooms = [6, {last}]
requests-per-second = 100000
format = "{format}"
connections = 2

[[areas]]
name = "route"
line = {line}
half-width = "500 m"
deepest = {last}
"""
_LINE = [[round(-118.0 + 0.2 * n, 4), round(37.0 + 2.0 * math.sin(n / 9), 4)] for n in range(90)]


def served(place: Place) -> Callable[[str], bytes | None]:
    """The answers of a server that has this place."""
    kind, known = "image/png" if place.coding == "png" else "image/jpeg", dict[Tile, bytes]()

    def give(path: str) -> bytes | None:
        parts = path.removesuffix(".png").split("/")[-3:]
        if not all(part.isdigit() for part in parts):
            return None
        tile = Tile(*map(int, parts))
        if tile not in known:
            known[tile] = place.tile(tile)
        return answer("200 OK", known[tile], kind)

    return give


def surveyed(place: Place, deepest: int) -> tuple[Worth, Worth, SurveyReport, int]:
    """The verdict by the first, evenly spread samples, the final one, the report, and the tiles planned."""
    with tempfile.TemporaryDirectory() as folder, TileServer(served(place)) as server:
        path, form = Path(folder) / "brief.toml", "png" if place.coding == "png" else "jpg"
        path.write_text(_BRIEF.format(name=place.name, url=server.url, last=deepest, line=_LINE, format=form))
        brief = Brief.read(path)
        worked_out = plan(brief)
        report = asyncio.run(survey_rounds(brief, worked_out))
        layer = report.layers["aerial"]
        even = chosen(worked_out, None, SURVEY_SEED)["aerial"]
        first = {tile: one for tile, one in layer.judged.items() if tile in even}
        tiles = worked_out.layers["aerial"].tiles.by_zoom()
        return worth_to(first, tiles, deepest), layer.areas["route"].worth, report, worked_out.count


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--places", type=int, default=len(PLACES), help="only the first so many places")
    options.add_argument(
        "--anew", type=int, default=0, help="other ground of the same kinds: nothing was tuned on any but 0"
    )
    chosen_options = options.parse_args()
    few = chosen_options.places
    places = [replace(place, seed=place.seed + 1000 * chosen_options.anew) for place in PLACES[:few]]
    print("| place | coding | native | asked | first samples say | survey says | requests | seconds |")
    print("|---|---|--:|--:|--:|--:|--:|--:|", flush=True)
    near, deep, most = 0, 0, 0
    for number, place in enumerate(places):
        deepest, began = place.native + 2 + number % 3, time.monotonic()
        first, last, report, _ = surveyed(place, deepest)
        requests = report.fetched.total("requests") if report.fetched else 0
        near += abs(last.zoom - place.native) <= 1
        deep += last.zoom > place.native + 1
        most = max(most, requests)
        told = [f"{worth.zoom}{'' if worth.judged else ' (undecided)'}" for worth in (first, last)]
        row = (
            place.name,
            place.coding,
            place.native,
            deepest,
            *told,
            requests,
            f"{time.monotonic() - began:.0f}",
        )
        print(f"| {' | '.join(map(str, row))} |", flush=True)
    print(
        f"\nwithin one zoom: {near} of {few}; deeper than one below the truth: {deep}; most requests: {most}"
    )


if __name__ == "__main__":
    main()
