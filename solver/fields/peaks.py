"""Peaks of a smooth function of two angles."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from ..moments.basis import FloatArray

FLAT = 1e-11
"""Relative rise over a patch that is rounding."""
POLAR_DEG = 75.0
"""Nearer to the zenith azimuths run together."""
FITTED_REACH = 2e-3
"""On a patch of this reach a paraboloid has its peak to better than 1e-6 of it. [degrees]"""


def neighbourhood(grid: FloatArray) -> FloatArray:
    """Greatest of each value and its eight neighbours, (N, M); the first axis is periodic."""
    padded = np.pad(grid, ((1, 1), (0, 0)), mode="wrap")
    padded = np.pad(padded, ((0, 0), (1, 1)), mode="edge")
    return np.lib.stride_tricks.sliding_window_view(padded, (3, 3)).max(axis=(2, 3))


def paraboloid_peak(u: FloatArray, v: FloatArray, values: FloatArray) -> tuple[float, float] | None:
    """Where a paraboloid fitted to values (V, U) on a grid is greatest, None outside of it.

    Along a direction in which it is flat it stays in the middle.
    """
    x, y = (each.ravel() for each in np.meshgrid(u, v))
    terms = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=-1)
    _, gu, gv, uu, uv, vv = np.linalg.lstsq(terms, values.ravel() / values.max(), rcond=None)[0]
    curvature, ways = np.linalg.eigh(np.array([[2.0 * uu, uv], [uv, 2.0 * vv]]))
    slope = ways.T @ np.array([gu, gv])
    if np.any(curvature > FLAT) or np.any((curvature > -FLAT) & (np.abs(slope) > FLAT)):
        return None
    steep = curvature < -FLAT
    shift = ways @ np.where(steep, -slope / np.where(steep, curvature, 1.0), 0.0)
    return (float(shift[0]), float(shift[1])) if np.abs(shift).max() <= 1.0 else None


def climb(
    function: Callable[[FloatArray, FloatArray], FloatArray],
    value: float,
    start: tuple[float, float],
    reach: float,
    *,
    lowest: float = -np.inf,
    highest: float = np.inf,
) -> tuple[float, float, float]:
    """Value and place (two angles) of the peak that is within reach of a start.

    On patches of 5 x 5 directions, each about the peak of a paraboloid through the last.

    Parameters
    ----------
    function : callable
        Of two arrays of angles that it broadcasts; positive. [degrees]
    value : float
        At the start.
    start : pair of float
        [degrees]
    reach : float
        [degrees]
    lowest, highest : float
        Of the first angle. [degrees]
    """
    offsets = np.linspace(-1.0, 1.0, 5)
    best, middle = (value, *start), start
    # The curvature leaves half of the digits: below 1e-6 degrees nothing changes.
    while reach > 1e-6:
        first = np.clip(middle[0] + reach * offsets, lowest, highest)
        second = middle[1] + reach * offsets
        patch = function(first[None, :], second[:, None])
        a, e = np.unravel_index(int(np.argmax(patch)), patch.shape)
        if patch[a, e] > best[0] * (1.0 + 1e-13):
            best = float(patch[a, e]), float(first[e]), float(second[a])
        u = (first - middle[0]) / reach
        shift = paraboloid_peak(u, offsets, patch)
        if shift is None or (best[1:] != middle and max(abs(u[e]), abs(offsets[a])) > 0.6):
            middle, reach = best[1:], 0.5 * reach
            continue
        peak = float(np.clip(middle[0] + reach * shift[0], lowest, highest))
        middle, reach = (peak, middle[1] + reach * shift[1]), 0.2 * reach
        if reach < FITTED_REACH:
            last = float(function(np.asarray(middle[0]), np.asarray(middle[1])))
            return (last, *middle) if last > best[0] * (1.0 + 1e-13) else best
    return best


def climb_directions(
    function: Callable[[FloatArray, FloatArray], FloatArray],
    value: float,
    start: tuple[float, float],
    reach: float,
    *,
    lowest: float,
) -> tuple[float, float, float]:
    """As `climb` for elevation and azimuth; near the zenith by distances from it, two ways.

    Parameters
    ----------
    lowest : float
        Elevation. [degrees]
    """
    elevation, azimuth = start
    if abs(elevation) < POLAR_DEG:
        return climb(function, value, start, reach, lowest=lowest, highest=90.0)
    sign = float(np.sign(elevation))

    def flat(along: FloatArray, across: FloatArray) -> FloatArray:
        off = np.minimum(np.hypot(along, across), 90.0)
        return function(sign * (90.0 - off), np.rad2deg(np.arctan2(across, along)))

    off, turn = 90.0 - abs(elevation), np.deg2rad(azimuth)
    place = (float(off * np.cos(turn)), float(off * np.sin(turn)))
    value, along, across = climb(flat, value, place, reach)
    off = float(np.hypot(along, across))
    return value, sign * (90.0 - off), float(np.rad2deg(np.arctan2(across, along)))
