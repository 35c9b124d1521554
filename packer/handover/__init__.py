"""Handing packs over to devices, and looking at such a copy afterwards."""

from packer.handover.crews import DeviceCrew
from packer.handover.delivery import Copy, HandoverReport, handover
from packer.handover.inspection import FileFinding, InspectReport, inspect_folder
from packer.handover.tree_inspection import (
    CardVerdict,
    FolderFinding,
    InspectionSummary,
    copies_in,
    inspect_tree,
)

__all__ = [
    "CardVerdict",
    "Copy",
    "DeviceCrew",
    "FileFinding",
    "FolderFinding",
    "HandoverReport",
    "InspectReport",
    "InspectionSummary",
    "copies_in",
    "handover",
    "inspect_folder",
    "inspect_tree",
]
