"""What things are made of: conductors and earth, each value with its source.

SI units throughout; time dependence exp(+jwt).
"""

from __future__ import annotations

from .conductors import Conductor
from .earth import Earth
from .errors import MaterialError
from .ground import Ground

__all__ = ["Conductor", "Earth", "Ground", "MaterialError"]
