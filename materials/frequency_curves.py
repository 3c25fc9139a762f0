"""Curves over frequency given as points, shared by grounds, dielectrics and wood."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from .checks import require_number
from .errors import MaterialError

Points = tuple[tuple[float, float, float], ...]
"""Rows of frequency [Hz], relative permittivity, and conductivity [S/m] or loss tangent."""


def check_points(
    points: Sequence[Sequence[float]],
    *,
    of: str,
    third: str,
    unit: str = "",
    fewest: int = 1,
    may_be_lossless: bool = False,
) -> Points:
    """Return the points of a curve as floats, or say which one is wrong.

    Parameters
    ----------
    points : sequence of (frequency [Hz], relative permittivity, third), length N
        Frequencies rising.
    of : str
        What the curve belongs to, for messages: "a ground".
    third, unit : str
        What the third number is, and its unit.
    fewest : int
        How many points there must be.
    may_be_lossless : bool
        Whether the third numbers may all be zero. Zeros beside losses are refused, for the
        logarithm of the loss is what is interpolated.

    Raises
    ------
    MaterialError
        If there are too few points, frequencies do not rise, a permittivity is below 1 or a third
        number is out of range.
    """
    number = {1: "one or more points", 2: "two or more points"}[fewest]
    of_unit = f" in {unit}" if unit else ""
    try:
        rows = tuple(tuple(row) for row in points)
    except TypeError:
        rows = ()
    if len(rows) < fewest or any(len(row) != 3 for row in rows):
        raise MaterialError(
            f"the curve of {of} needs {number} of (frequency in Hz, relative permittivity, "
            f"{third}{of_unit}); given: {points!r}."
        )
    checked: list[tuple[float, float, float]] = []
    for row in rows:
        cure = "Correct that point of the curve."
        point = f"of the curve's point {row!r} of {of}"
        f = require_number(row[0], what=f"frequency {point}", unit="Hz", above=0.0, cure=cure)
        er = require_number(row[1], what=f"permittivity {point}", unit="", least=1.0, cure=cure)
        loss = require_number(row[2], what=f"{third} {point}", unit=unit, least=0.0, cure=cure)
        if checked and f <= checked[-1][0]:
            raise MaterialError(
                f"frequencies of the curve of {of} must rise; {f:g} Hz follows "
                f"{checked[-1][0]:g} Hz. Sort the points."
            )
        checked.append((f, er, loss))
    zeros = [loss == 0.0 for _, _, loss in checked]
    if any(zeros) and not (may_be_lossless and all(zeros)):
        rule = "must be above 0 at every point" + (" or 0 at all" if may_be_lossless else "")
        where = checked[zeros.index(True)][0]
        raise MaterialError(
            f"{third} of the curve's point at {where:g} Hz of {of} is 0; it {rule}. "
            "Give a small value there."
        )
    return tuple(checked)


def interpolate(
    points: Points, frequencies: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return permittivity and third number, each the shape of the frequencies.

    Permittivity is straight over log f, and so is the logarithm of the third number.
    """
    f, er, loss = np.array(points).T
    where, known = np.log(frequencies), np.log(f)
    permittivity = np.interp(where, known, er)
    if not np.any(loss):
        return np.asarray(permittivity), np.zeros_like(frequencies)
    return np.asarray(permittivity), np.asarray(np.exp(np.interp(where, known, np.log(loss))))


def require_in_range(
    frequencies: NDArray[np.float64], *, within: tuple[float, float], what: str, cure: str
) -> None:
    """Raise a MaterialError if a frequency is outside the range [Hz] that `what` is known for."""
    low, high = within
    bad = (frequencies < low) | (frequencies > high)
    if np.any(bad):
        raise MaterialError(
            f"{what} is known from {low / 1e6:g} to {high / 1e6:g} MHz; asked for "
            f"{float(np.atleast_1d(frequencies)[np.atleast_1d(bad)][0]) / 1e6:g} MHz. {cure}"
        )
