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
from .station import IdealTransformer, Line, LineStress, Transformer, TwoPort, swr
from .study import Influence, influence

__all__ = [
    "Answer",
    "Band",
    "BandAnswer",
    "BandError",
    "Comparison",
    "IdealTransformer",
    "Influence",
    "Line",
    "LineStress",
    "Solution",
    "SolverError",
    "StoreError",
    "Transformer",
    "TwoPort",
    "answer",
    "band_names",
    "compare",
    "influence",
    "open_answer",
    "read_attic",
    "solve",
    "swr",
]
