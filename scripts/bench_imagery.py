#!/usr/bin/env python3
"""How often the judging of imagery is right, how long it takes, and how far the size guess can be trusted.

Run from the project's folder: `.venv/bin/python scripts/bench_imagery.py [--sheet FILE.png]`. All pictures
judged are the evaluation set of `tests/imagery_samples`; thresholds were tuned on the calibration set alone.
"""

from __future__ import annotations

import argparse
import random
import statistics
import sys
import time
from collections import Counter
from collections.abc import Callable, Sequence
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from packer.geometry.tileset import Tile
from packer.survey.imagery import (
    BUDGET,
    Detail,
    choose,
    detail,
    detail_alone,
    look,
    repeated,
    sheet,
    size_interval,
)
from tests.imagery_samples.jobs import job
from tests.imagery_samples.labelled import (
    CODINGS,
    EVALUATION,
    FLAT,
    WAYS,
    Case,
    cases,
    encode,
    flat_cases,
    sheet_rows,
)
from tests.imagery_samples.placeholders import EVEN, NOTICES, PATTERNS, placeholder

_VERDICTS = ("native", "enlarged", "undecided")
_Row = tuple[Case, Detail]


def judged(case: Case, alone: bool = False) -> Detail:
    return detail_alone(case.child) if alone else detail(case.child, case.parent, case.quadrant)


def percent(part: int, whole: int) -> str:
    return f"{100 * part / whole:5.1f} %" if whole else "      –"


def confusion(title: str, rows: Sequence[_Row]) -> None:
    print(f"\n{title}\n{'truth':22}" + "".join(f"{verdict:>11}" for verdict in _VERDICTS) + f"{'right':>12}")
    for truth in ("native", "enlarged"):
        for decidable in (True, False):
            told = [
                found.verdict.value
                for case, found in rows
                if (case.truth, case.decidable) == (truth, decidable)
            ]
            counts = Counter(told)
            label = f"{truth}{'' if decidable else ', too plain'}"
            print(
                f"{label:22}"
                + "".join(f"{counts[verdict]:11}" for verdict in _VERDICTS)
                + f"{percent(counts[truth], len(told)) if decidable else '':>12}"
            )
    decidable_rows = [row for row in rows if row[0].decidable]
    right = sum(found.verdict == case.truth for case, found in decidable_rows)
    native = [found.verdict.value for case, found in rows if case.truth == "native"]
    print(f"decidable tiles right: {percent(right, len(decidable_rows))} of {len(decidable_rows)}")
    print(f"native tiles called enlarged: {percent(native.count('enlarged'), len(native))} of {len(native)}")


def factors(rows: Sequence[_Row]) -> None:
    found = [(case, told) for case, told in rows if case.truth == told.verdict == "enlarged"]
    print(
        f"\nof {len(found)} enlarged tiles found enlarged\n{'true':>6}"
        + "".join(f"{f'×{f}':>8}" for f in (2, 4, 8))
    )
    for factor in (2, 4, 8):
        told = Counter(told.factor for case, told in found if case.factor == factor)
        print(f"{f'×{factor}':>6}" + "".join(f"{told[f]:8}" for f in (2, 4, 8)))
    kinds = ("nearest", "bilinear", "bicubic")
    print(f"{'true':>10}" + "".join(f"{kind:>10}" for kind in (*kinds, "not told")))
    for kind in kinds:
        named = Counter(told.kind or "not told" for case, told in found if case.kind == kind)
        print(f"{kind:>10}" + "".join(f"{named[one]:10}" for one in (*kinds, "not told")))


def enlarged(each: int) -> None:
    every = list(cases(EVALUATION, each, seed=1))
    for alone, title in ((False, "with the parent at hand"), (True, "alone")):
        rows = [(case, judged(case, alone)) for case in every]
        confusion(f"Detail, {title}", rows)
        factors(rows)
        print(f"\n{'coding':10}{'decidable right':>18}{'native called enlarged':>26}")
        for coding in CODINGS:
            some = [row for row in rows if row[0].coding == coding]
            firm = [row for row in some if row[0].decidable]
            native = [row for row in some if row[0].truth == "native"]
            right = percent(sum(told.verdict == case.truth for case, told in firm), len(firm))
            wrong = percent(sum(told.verdict == "enlarged" for _, told in native), len(native))
            print(f"{coding:10}{right:>18}{wrong:>26}")
    for coding, ways, title in (
        ("webp80", WAYS, "WebP, quality 80"),
        ("palette", WAYS, "PNG of 256 colours"),
        ("jpeg80", ((2, "lanczos"), (4, "lanczos")), "JPEG 80, enlarged by Lanczos"),
    ):
        beyond = cases(EVALUATION, each, seed=2, codings=(coding,), ways=ways)
        rows = [(case, judged(case)) for case in beyond]
        confusion(f"Beyond what was tuned for: {title}", rows)


def looks() -> None:
    print(
        "\nLook at plain ground, generated\n"
        + f"{'surface':12}{'blank':>8}{'not blank':>11}{'undecided':>11}"
    )
    for surface in FLAT:
        bodies = [body for name, _, body in flat_cases(8, seed=2) if name == surface]
        blank = sum(look(body).blank for body in bodies)
        undecided = sum(detail_alone(body).verdict == "undecided" for body in bodies)
        print(f"{surface:12}{blank:8}{len(bodies) - blank:11}{undecided:11}")
    real = [case.child for case in cases(EVALUATION, 8, seed=3)]
    print(f"real and drawn tiles called blank: {sum(look(body).blank for body in real)} of {len(real)}")
    print(f"\nPlaceholders, each at 5 places among {len(set(real))} tiles")
    print(f"{'picture':16}{'found':>7}{'blank':>7}{'notice':>8}")
    ground = {Tile(15, n, 0): body for n, body in enumerate(sorted(set(real)))}
    for kind in (*EVEN, *NOTICES, *PATTERNS):
        found = [
            repeat
            for coding in CODINGS
            for repeat in repeated(ground | {Tile(16, n, 0): placeholder(kind, coding) for n in range(5)})
        ]
        blank = sum(repeat.look is not None and repeat.look.blank for repeat in found)
        notice = sum(repeat.notice for repeat in found)
        print(f"{kind:16}{len(found):5}/{len(CODINGS)}{blank:7}{notice:8}")


def speed() -> None:
    some = list(cases(EVALUATION, 2, seed=4))
    works: list[tuple[str, Callable[[Case], object]]] = [
        ("look", lambda case: look(case.child)),
        ("detail", judged),
        ("detail_alone", lambda case: judged(case, alone=True)),
    ]
    print(f"\nMilliseconds a tile ({len(some)} tiles)\n{'':16}{'median':>8}{'90 %':>8}{'processor':>11}")
    for name, work in works:
        work(some[0])
        taken, start = [], time.process_time()
        for case in some:
            began = time.perf_counter()
            work(case)
            taken.append(1000 * (time.perf_counter() - began))
        processor = 1000 * (time.process_time() - start) / len(some)
        tenths = statistics.quantiles(taken, n=10)
        print(f"{name:16}{statistics.median(taken):8.1f}{tenths[8]:8.1f}{processor:11.1f}")


def sizes(jobs: int) -> None:
    print(f"\nSize guess, level 90 %, {jobs} generated jobs for each budget (none used in fitting)")
    print(f"{'requests':>9}{'inside':>10}{'below':>7}{'above':>7}{'half-width':>12}{'error':>9}{'bias':>8}")
    for budget in (80, 150, BUDGET):
        where, widths, errors = Counter[str](), [], []
        for seed in range(10_000, 10_000 + jobs):
            one = job(seed)
            sample: dict[int, list[int]] = {}
            for tile in choose(one.areas, budget, random.Random(seed)):
                sample.setdefault(tile.zoom, []).append(one.sizes[tile])
            guess, true = size_interval(sample, one.counts), one.total_bytes
            where["below" if true < guess.low else "above" if true > guess.high else "inside"] += 1
            widths.append((guess.high - guess.low) / 2 / true)
            errors.append(guess.expected / true - 1)
        print(
            f"{budget:9}{percent(where['inside'], jobs):>10}{where['below']:7}{where['above']:7}"
            f"{100 * statistics.median(widths):10.1f} %"
            f"{100 * statistics.median(map(abs, errors)):7.1f} %{100 * statistics.fmean(errors):+6.1f} %"
        )


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--each", type=int, default=10, help="cases for each picture, coding and truth")
    options.add_argument("--jobs", type=int, default=200, help="generated jobs for the size guess")
    options.add_argument("--sheet", type=Path, help="also write a contact sheet to this file")
    chosen = options.parse_args()
    if chosen.sheet:
        chosen.sheet.write_bytes(sheet(sheet_rows(lambda image: encode(image, "jpeg80"))))
    enlarged(chosen.each)
    looks()
    speed()
    sizes(chosen.jobs)


if __name__ == "__main__":
    main()
