"""What things are made of: conductors, dielectrics, wood and earth, each value with its source.

SI units throughout; time dependence exp(+jwt).
"""

from __future__ import annotations

from .conductors import Conductor
from .dielectrics import Dielectric, Spread
from .earth import Earth
from .errors import MaterialError
from .ground import Ground
from .sheet_conductors import SheetConductor
from .wood import Wood

__all__ = [
    "Conductor",
    "Dielectric",
    "Earth",
    "Ground",
    "MaterialError",
    "SheetConductor",
    "Spread",
    "Wood",
]
