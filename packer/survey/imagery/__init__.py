"""Judging imagery before it is fetched in bulk: is there anything on the tiles, and is it any finer?

Pure functions on bodies and sets; no network, no store.
"""

from packer.survey.imagery.appearance import Appearance, Sight, look
from packer.survey.imagery.contact import sheet
from packer.survey.imagery.detail import Detail, DetailVerdict, detail, detail_alone
from packer.survey.imagery.repeats import Repeat, repeated
from packer.survey.imagery.sampling import BUDGET, choose
from packer.survey.imagery.sizes import SizeInterval, size_interval

__all__ = [
    "BUDGET",
    "Appearance",
    "Detail",
    "DetailVerdict",
    "Repeat",
    "Sight",
    "SizeInterval",
    "choose",
    "detail",
    "detail_alone",
    "look",
    "repeated",
    "sheet",
    "size_interval",
]
