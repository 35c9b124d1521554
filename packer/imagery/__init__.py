"""Judging imagery before it is fetched in bulk: is there anything on the tiles, and is it any finer?

Pure functions on bodies and sets; no network, no store.
"""

from packer.imagery.appearance import Look, Sight, look
from packer.imagery.contact import sheet
from packer.imagery.detail import Detail, Verdict, detail, detail_alone
from packer.imagery.repeats import Repeat, repeated
from packer.imagery.sampling import BUDGET, choose
from packer.imagery.sizes import SizeInterval, size_interval

__all__ = [
    "BUDGET",
    "Detail",
    "Look",
    "Repeat",
    "Sight",
    "SizeInterval",
    "Verdict",
    "choose",
    "detail",
    "detail_alone",
    "look",
    "repeated",
    "sheet",
    "size_interval",
]
