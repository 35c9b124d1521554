"""The report's files, put into a folder one by one, each under its name only once it is whole."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterator
from pathlib import Path

from packer.common.atomic_write import write_atomic
from packer.errors import DiskError, InputError
from packer.planning.brief import Brief
from packer.planning.plan import Plan
from packer.proof.report.map_picture import map_picture
from packer.proof.report.markup import png
from packer.proof.report.page import Exhibits, page
from packer.proof.report.samples import samples
from packer.proof.report.strip_picture import strip_picture
from packer.proof.results import VerifyReport

__all__ = ["PAGE", "report_page", "write_report"]

PAGE = "report.html"
_BLOCK = 1 << 20


def write_report(folder: Path, brief: Brief, plan: Plan, found: VerifyReport, now: float) -> Path:
    """Write the page and its pictures into `folder`, made if need be, and give the page's path.

    `now` is in seconds since 1970. Files of an earlier report are replaced, others left alone; nothing outside
    the folder is written, and the packs are only read. Raises DiskError, or InputError if `folder` is a file.
    If the process dies: each file is the old or the new one, and some may end in `.part`.
    """
    if folder.exists() and not folder.is_dir():
        raise InputError(f"{folder} is a file. Name a folder for the report.")
    shown = _exhibits(plan, found)
    text = page(brief, plan, found, shown, now)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, data in shown.maps.items():
            write_atomic(folder / f"coverage {_plain(name)}.png", data)
        for number, data in enumerate(shown.strips.values(), 1):
            write_atomic(folder / f"route {number}.png", data)
        write_atomic(folder / PAGE, text)  # last, so that a new page never stands beside old pictures
    except OSError as fault:
        raise DiskError(
            f"The report cannot be written to {folder}: {fault.strerror or fault}. Name another folder, or make room "
            "there; what was verified above holds."
        ) from fault
    return folder / PAGE


def report_page(brief: Brief, plan: Plan, found: VerifyReport, now: float) -> str:
    """The page as one document of HTML, as `write_report` writes it; the packs are only read. Raises DiskError."""
    return page(brief, plan, found, _exhibits(plan, found), now)


def _exhibits(plan: Plan, found: VerifyReport) -> Exhibits:
    return Exhibits(
        maps={n: png(map_picture(plan, plan.layers[n], la)) for n, la in found.layers.items()},
        strips=dict(_strips(found)),
        samples={n: list(samples(plan, la)) for n, la in found.layers.items() if la.size_bytes},
        hashes={n: {p.name: _sha256(p) for p in la.files} for n, la in found.layers.items() if la.size_bytes},
    )


def _strips(found: VerifyReport) -> Iterator[tuple[tuple[str, int], bytes]]:
    for area, line in dict.fromkeys((w.area, w.line) for w in found.walk):
        walks = [w for w in found.walk if (w.area, w.line) == (area, line)]
        yield (area, line), png(strip_picture(walks))


def _plain(name: str) -> str:
    """A layer's name as part of a file's name; the brief allows little else."""
    return re.sub(r"[^\w .-]", "_", name)


def _sha256(path: Path) -> str:
    digest = hashlib.sha256()
    try:
        with path.open("rb") as file:
            while block := file.read(_BLOCK):
                digest.update(block)
    except OSError as fault:
        raise DiskError(f"{path} cannot be read: {fault.strerror or fault}.") from fault
    return digest.hexdigest()
