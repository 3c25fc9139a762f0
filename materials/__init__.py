"""What things are made of: conductors, dielectrics, wood and earth, each value with its source.

Also the impedances of lumped parts: resistors, coils, capacitors, traps, chokes.

SI units throughout; time dependence exp(+jwt).
"""

from __future__ import annotations

from .conductors import Conductor
from .dielectrics import Dielectric, Spread
from .earth import Earth
from .errors import MaterialError
from .ground import Ground
from .impedances import (
    Capacitor,
    Coil,
    FerriteChoke,
    Impedance,
    ImpedanceTable,
    ParallelParts,
    Resistor,
    SeriesParts,
)
from .line_types import LineType
from .sheet_conductors import SheetConductor
from .wood import Wood

__all__ = [
    "Capacitor",
    "Coil",
    "Conductor",
    "Dielectric",
    "Earth",
    "FerriteChoke",
    "Ground",
    "Impedance",
    "ImpedanceTable",
    "LineType",
    "MaterialError",
    "ParallelParts",
    "Resistor",
    "SeriesParts",
    "SheetConductor",
    "Spread",
    "Wood",
]
