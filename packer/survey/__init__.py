"""Looking before fetching: a small sample of every area, and what it says about depth."""

from packer.survey.edits import (
    Deepest,
    Edit,
    HalfWidth,
    Layers,
    OverviewTo,
    Split,
    edited,
    limits,
    rewrite,
    rewritten,
)
from packer.survey.evidence import Judged, Sort, Tally, Worth, tallies, worth_to
from packer.survey.looking import AreaFinding, LayerFinding, chosen, fetch_samples, judge_layer, sample_plan
from packer.survey.pace import Speed, measure
from packer.survey.record import Record, read_record, save_record
from packer.survey.sheets import write_sheet

__all__ = [
    "AreaFinding",
    "Deepest",
    "Edit",
    "HalfWidth",
    "Judged",
    "LayerFinding",
    "Layers",
    "OverviewTo",
    "Record",
    "Sort",
    "Speed",
    "Split",
    "Tally",
    "Worth",
    "chosen",
    "edited",
    "fetch_samples",
    "judge_layer",
    "limits",
    "measure",
    "read_record",
    "rewrite",
    "rewritten",
    "sample_plan",
    "save_record",
    "tallies",
    "worth_to",
    "write_sheet",
]
