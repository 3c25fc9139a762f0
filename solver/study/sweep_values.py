"""Values of a sweep: from what people write to SI units, and back to what the file says."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

import numpy as np

from ...geometry import GeometryError, Length, metres
from ...geometry.text_edits import exact_text
from ...materials import MaterialError
from ...materials.checks import read_conductivity, read_per_cent
from ...materials.impedances import capacitance, inductance, resistance

__all__ = ["plain", "read_quantity", "written"]

_READERS: tuple[tuple[str, Callable[[str], float]], ...] = (
    ("", lambda text: read_per_cent(text, what="", cure="")),
    ("m", metres),
    ("H", inductance),
    ("F", capacitance),
    ("ohm", resistance),
    ("S/m", read_conductivity),
)
"""How a text with a unit becomes a number of SI units."""

_NUMBER = re.compile(r"[-+]?(\d+\.?\d*|\.\d+)(e[-+]?\d+)?", re.IGNORECASE)

DIGITS = 12
"""Significant ones of what is computed from ends and steps, so that 9 + 3 x 0.05 is 9.15."""


def read_quantity(told: object) -> tuple[float, str] | None:
    """A number of SI units and its unit, from a number or a text; None if it is neither.

    The unit is "" for plain numbers and per cent (a part of one), else "m", "H", "F", "ohm", "S/m".

    Examples
    --------
    >>> read_quantity("35 cm"), read_quantity("14 %"), read_quantity("12 uH")
    ((0.35, 'm'), (0.14, ''), (1.2e-05, 'H'))
    >>> read_quantity("medium dry ground") is None
    True
    """
    if isinstance(told, bool):
        return None
    if isinstance(told, int | float):
        return float(told), "m" if isinstance(told, Length) else ""
    if not isinstance(told, str):
        return None
    text = told.strip()
    if _NUMBER.fullmatch(text):
        return float(text), ""
    for unit, read in _READERS:
        try:
            return rounded(read(text)), unit
        except (GeometryError, MaterialError):
            continue
    return None


def rounded(value: float) -> float:
    """To `DIGITS` significant digits."""
    return float(f"{value:.{DIGITS}g}")


def plain(value: Any) -> Any:
    """A value as a file can say it: numpy's numbers and arrays as Python's, tuples as lists."""
    if isinstance(value, np.generic | np.ndarray):
        return value.tolist()
    if isinstance(value, Length):
        return exact_text(value)
    if isinstance(value, list | tuple):
        return [plain(one) for one in value]
    return value


def written(value: float, unit: str, *, like: object = None) -> Any:
    """A number of SI units as the file says it.

    Parameters
    ----------
    value : float
    unit : str
        See `read_quantity`.
    like : optional
        What stands in the file: lengths keep to its unit.
    """
    value = float(value)
    if unit == "m":
        kept = "m"
        if isinstance(like, str):
            try:
                kept = Length(like).unit
            except GeometryError:
                kept = "m"
        return exact_text(Length(value, kept))
    if unit == "H":
        return f"{1e6 * value:.{DIGITS}g} uH"
    if unit == "F":
        return f"{1e12 * value:.{DIGITS}g} pF"
    return int(value) if value.is_integer() else value
