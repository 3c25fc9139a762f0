"""What follows from a scene: currents, impedance, power budget, fields, answers and pictures."""

from .errors import SolverError
from .solution import Solution
from .solve import solve

__all__ = ["Solution", "SolverError", "solve"]
