"""What follows from a scene: currents, impedance, power budget, fields, answers and pictures."""

from .answer import answer
from .answer_records import Answer, BandAnswer
from .answer_store import open_answer
from .bands import Band, band_names
from .comparison import Comparison, compare
from .errors import BandError, SolverError, StoreError
from .settings import read_attic
from .solution import Solution
from .solve import solve
from .station import (
    CapacitorRange,
    CoilRange,
    IdealTransformer,
    LadderEntry,
    LadderRow,
    Line,
    LineStress,
    LNetwork,
    Match,
    MatchMap,
    PiNetwork,
    PowerLadder,
    Stage,
    TNetwork,
    Transformer,
    TunerPlaces,
    TwoPort,
    WindowMatcher,
    WindowVerdict,
    compare_tuner_places,
    match_map,
    power_ladder,
    swr,
)
from .study import Influence, influence

__all__ = [
    "Answer",
    "Band",
    "BandAnswer",
    "BandError",
    "CapacitorRange",
    "CoilRange",
    "Comparison",
    "IdealTransformer",
    "Influence",
    "LNetwork",
    "LadderEntry",
    "LadderRow",
    "Line",
    "LineStress",
    "Match",
    "MatchMap",
    "PiNetwork",
    "PowerLadder",
    "Solution",
    "SolverError",
    "Stage",
    "StoreError",
    "TNetwork",
    "Transformer",
    "TunerPlaces",
    "TwoPort",
    "WindowMatcher",
    "WindowVerdict",
    "answer",
    "band_names",
    "compare",
    "compare_tuner_places",
    "influence",
    "match_map",
    "open_answer",
    "power_ladder",
    "read_attic",
    "solve",
    "swr",
]
