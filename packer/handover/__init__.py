"""Handing packs over to devices, and looking at such a copy afterwards."""

from packer.handover.crews import Crew
from packer.handover.delivery import Copy, HandoverReport, handover
from packer.handover.inspection import FileFinding, InspectReport, copies_in, inspect_folder

__all__ = [
    "Copy",
    "Crew",
    "FileFinding",
    "HandoverReport",
    "InspectReport",
    "copies_in",
    "handover",
    "inspect_folder",
]
