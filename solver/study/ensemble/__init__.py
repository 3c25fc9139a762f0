"""How sure an answer is: all that is not known, drawn many times."""

from .how_sure import HowSureEffort, how_sure
from .measuring import MeasuringSheet, SheetRow, measuring_sheet
from .quantities import QUANTITIES
from .records import BandSureness, Contribution, HowSure
from .sobol import Indices

__all__ = [
    "QUANTITIES",
    "BandSureness",
    "Contribution",
    "HowSure",
    "HowSureEffort",
    "Indices",
    "MeasuringSheet",
    "SheetRow",
    "how_sure",
    "measuring_sheet",
]
