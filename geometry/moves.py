"""Moves that all bodies share: shifts, turns about the vertical, mirrors, scales."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from .errors import GeometryError
from .lengths import PointLike, metres

__all__ = ["mirror_signs", "read_factor", "read_vector", "rotation"]


def read_vector(by: PointLike) -> NDArray[np.float64]:
    """A shift (dx, dy, dz) from whatever a person gave, shape (3,). [m]"""
    vector = np.array([metres(c) for c in by])
    if vector.shape != (3,):
        raise GeometryError(f"A move needs (dx, dy, dz), got {by!r}.")
    return vector


def read_factor(factor: float) -> float:
    """A scale: above 0 and finite."""
    if not (math.isfinite(factor) and factor > 0.0):
        raise GeometryError(
            f"A scale of {factor!r} is out of range; it must be above 0 and finite."
        )
    return float(factor)


def rotation(degrees: float) -> NDArray[np.float64]:
    """Matrix (3, 3) that turns about z, counter-clockwise seen from above. [degree]"""
    if not math.isfinite(degrees):
        raise GeometryError(f"A rotation by {degrees!r} degrees is not finite.")
    turn = math.radians(degrees)
    c, s = math.cos(turn), math.sin(turn)
    return np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])


def mirror_signs(axis: str) -> NDArray[np.float64]:
    """Factors (3,) that change the sign of x or of y."""
    if axis not in ("x", "y"):
        raise GeometryError(f"Cannot mirror along {axis!r}; 'x' or 'y' is possible.")
    return np.array([-1.0, 1.0, 1.0]) if axis == "x" else np.array([1.0, -1.0, 1.0])
