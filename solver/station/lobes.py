"""Where an antenna sends and where it does not: lobes, nulls, and gains side by side."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike
from scipy.constants import c as LIGHT_SPEED
from scipy.constants import epsilon_0

from ...geometry.attic import azimuth_of, bearing_of
from ..answer_records import BandAnswer
from ..comparison import DECIBELS_PER_S_UNIT
from ..errors import SolverError
from ..fields.far import FarField
from ..fields.peaks import climb_directions, neighbourhood
from ..moments.basis import FloatArray

NEAR_VERTICAL_DEG = (70.0, 90.0)
"""What is called near-vertical (common practice): up to some 200 km by a layer 300 km high."""

RING_DECIBELS = 0.1
"""A ring of directions that differs by less has no bearing."""

FINENESS = 2.0
"""On a grid half as fine a shallow null aslant of it is lost."""

NOTHING = 1e-9
"""Part of the greatest intensity below which a ring is a null all around."""

POLE_DEG = 1e-3
"""That near to the zenith a direction is overhead."""

AROUND = np.linspace(0.0, 360.0, 24, endpoint=False)
"""Where a ring is looked at. [degree]"""

FINE_AROUND = 7200
"""Azimuths that a polynomial around a ring is read at."""


@dataclass(frozen=True)
class Lobe:
    """A direction of greatest or of least gain.

    Attributes
    ----------
    gain_dbi : float
        [dBi]
    below_greatest : float
        Under the greatest gain of all directions looked at. [dB]
    elevation_deg : float
    azimuth_deg, bearing_deg : float
        NaN overhead and where all azimuths are alike; the bearing also without a `ridge_bearing`.
    """

    gain_dbi: float
    below_greatest: float
    elevation_deg: float
    azimuth_deg: float
    bearing_deg: float

    def __str__(self) -> str:
        way = ""
        if self.has_direction:
            way = f", azimuth {self.azimuth_deg:.0f} deg"
            if self.bearing_deg == self.bearing_deg:
                way = f", bearing {self.bearing_deg:03.0f} deg"
        return f"{self.gain_dbi:.1f} dBi at {self.elevation_deg:.0f} deg up{way}"

    @property
    def has_direction(self) -> bool:
        """False overhead and where all azimuths are alike."""
        return self.azimuth_deg == self.azimuth_deg


def lobes(
    far: FarField, *, within_db: float = 15.0, ridge_bearing: float | None = None
) -> tuple[Lobe, ...]:
    """All directions in which gain has a maximum, the greatest first.

    Parameters
    ----------
    far : FarField
    within_db : float
        Lobes that are weaker than the greatest by more are left out. [dB]
    ridge_bearing : float, optional
        Bearing of +x, for compass bearings. [degree]

    Raises
    ------
    SolverError
        If nothing is radiated.
    """
    _check_decibels(within_db, "within_db")
    grid, best = _intensity_grid(far)
    least = best * 10.0 ** (-0.1 * within_db)
    found = _peaks(far, far.intensity, grid, grid, least * 0.9)
    best = max(value for value, *_ in found)
    least = best * 10.0 ** (-0.1 * within_db)
    return _told(
        far, [(v, e, a) for v, e, a in found if v >= least], best, ridge_bearing, reverse=True
    )


def nulls(
    far: FarField, *, deeper_db: float = 15.0, ridge_bearing: float | None = None
) -> tuple[Lobe, ...]:
    """All directions in which gain has a minimum, the least first; the horizon is none.

    Parameters
    ----------
    far : FarField
    deeper_db : float
        Minima that are less than this below the greatest gain are left out. [dB]
    ridge_bearing : float, optional
        Bearing of +x, for compass bearings. [degree]

    Raises
    ------
    SolverError
        If nothing is radiated.
    """
    _check_decibels(deeper_db, "deeper_db")
    grid, best = _intensity_grid(far)
    top = far.maximum()[0]
    best = max(best, far.input_power / (4.0 * np.pi) * 10.0 ** (0.1 * top))

    def missing(elevation: FloatArray, azimuth: FloatArray) -> FloatArray:
        return best - far.intensity(elevation, azimuth)

    most = best * 10.0 ** (-0.1 * deeper_db)
    # A grid point beside a narrow null may be far above it.
    found = _peaks(far, missing, best - grid, grid, 0.0)
    exact = [(float(far.intensity(e, a if a == a else 0.0)), e, a) for _, e, a in found]
    low = far.lowest_elevation_deg if far.earth is not None else -np.inf
    kept = [(v, e, a) for v, e, a in exact if v <= most and e > low + 1e-6]
    return _told(far, kept, best, ridge_bearing, reverse=False)


def ring_lobes(
    far: FarField, elevation_deg: float, *, ridge_bearing: float | None = None
) -> tuple[tuple[Lobe, ...], tuple[Lobe, ...]]:
    """Maxima (greatest first) and minima (least first) around the compass at one elevation.

    Both are empty where gain differs by less than 0.1 dB all around. `below_greatest` is relative
    to the greatest at this elevation.

    Raises
    ------
    SolverError
        If nothing is radiated at this elevation.
    """
    azimuths, ring = far.ring(elevation_deg)
    # The polynomial through the samples, at many more azimuths.
    n = azimuths.size
    spectrum = np.fft.rfft(ring) * (FINE_AROUND / n)
    fine = np.fft.irfft(spectrum, FINE_AROUND)
    best, step = float(fine.max()), 360.0 / FINE_AROUND
    if not best > 0.0:
        raise SolverError(
            f"At {float(elevation_deg):g} degrees nothing is radiated; over ground that is so at "
            "the horizon. Ask for a higher elevation."
        )
    if fine.min() > best * 10.0 ** (-0.1 * RING_DECIBELS):
        return (), ()
    before, after = np.roll(fine, 1), np.roll(fine, -1)
    sets = []
    for sign in (1.0, -1.0):
        at = np.flatnonzero((sign * fine > sign * before) & (sign * fine >= sign * after))
        bend = before[at] - 2.0 * fine[at] + after[at]
        flat = np.abs(bend) <= 1e-15 * best
        shift = np.where(flat, 0.0, 0.5 * (before[at] - after[at]) / np.where(flat, 1.0, bend))
        places = (at + shift) * step
        values = far.intensity(float(elevation_deg), places)
        found = [
            (float(v), float(elevation_deg), float(a)) for v, a in zip(values, places, strict=True)
        ]
        sets.append(found)
    best = max(v for v, *_ in sets[0])
    return (
        _told(far, sets[0], best, ridge_bearing, reverse=True),
        _told(far, sets[1], best, ridge_bearing, reverse=False),
    )


def near_vertical_share(
    far: FarField, *, from_deg: float = NEAR_VERTICAL_DEG[0], of: Any = "radiated"
) -> float:
    """Part of the radiated (or "input") power that leaves near the vertical, 70 to 90 degrees."""
    return far.share(from_deg, NEAR_VERTICAL_DEG[1], of=of)


def field_at(
    far: FarField | BandAnswer,
    elevation_deg: ArrayLike,
    direction_deg: ArrayLike,
    distance: ArrayLike,
    *,
    power: float,
    ridge_bearing: float | None = None,
) -> FloatArray:
    """Field strength in a direction as if nothing but distance weakened it, RMS. [V/m]

    Parameters
    ----------
    far : FarField or BandAnswer
    elevation_deg : array_like
        [degree]
    direction_deg : array_like
        Bearing where there is a `ridge_bearing` or a house, else azimuth. [degree]
    distance : array_like
        Along the path, at least a wavelength. [m]
    power : float
        Into the feed point. [W]
    """
    field = far.far_field if isinstance(far, BandAnswer) else far
    away = np.asarray(distance, dtype=float)
    if not np.all(np.isfinite(away) & (away >= LIGHT_SPEED / field.frequency)):
        raise SolverError(
            f"distance is {distance!r} m; the far field begins at about a wavelength, "
            f"{LIGHT_SPEED / field.frequency:.4g} m. Nearer take solution.electric_field."
        )
    if not (np.isfinite(power) and power > 0.0):
        raise SolverError(f"power is {power!r} W; it must be a finite positive number.")
    azimuth = _azimuths(far, direction_deg, ridge_bearing)
    intensity = field.intensity(elevation_deg, azimuth) * (power / field.input_power)
    return np.sqrt(intensity / (LIGHT_SPEED * epsilon_0)) / away


@dataclass(frozen=True, eq=False)
class GainComparison:
    """Gains of several layouts in some directions.

    Attributes
    ----------
    layouts : tuple of str
        The first is what differences are relative to.
    elevation_deg, direction_deg : (...) float
    gain_dbi : (L, ...) float
    """

    layouts: tuple[str, ...]
    elevation_deg: FloatArray
    direction_deg: FloatArray
    gain_dbi: FloatArray

    @property
    def difference(self) -> FloatArray:
        """To the first layout, (L, ...); NaN where both send nothing. [dB]"""
        with np.errstate(invalid="ignore"):
            return self.gain_dbi - self.gain_dbi[0]

    @property
    def s_units(self) -> FloatArray:
        """Difference in S-units of 6 dB (IARU Region 1 recommendation R.1 of 1981, from memory)."""
        return self.difference / DECIBELS_PER_S_UNIT


def compare_gains(
    layouts: Mapping[str, FarField | BandAnswer],
    elevation_deg: ArrayLike,
    direction_deg: ArrayLike,
    *,
    ridge_bearing: float | None = None,
) -> GainComparison:
    """Gains of several layouts in the same directions, broadcast; whole answers: `compare`.

    Parameters
    ----------
    layouts : mapping of name to FarField or BandAnswer
        All at one frequency.
    elevation_deg : array_like
        [degree]
    direction_deg : array_like
        Bearing where there is a `ridge_bearing` or a house, else azimuth. [degree]
    ridge_bearing : float, optional
        Bearing of +x, for far fields; a band's answer knows its own. [degree]

    Raises
    ------
    SolverError
        If there is no layout, or frequencies differ.
    """
    if not layouts or not isinstance(layouts, Mapping):
        raise SolverError(
            "compare_gains: there is no layout; give one or more by name, {'as it is': far_field}."
        )
    frequencies = {
        (one.far_field if isinstance(one, BandAnswer) else one).frequency
        for one in layouts.values()
    }
    if max(frequencies) > min(frequencies) * (1.0 + 1e-9):
        told = ", ".join(f"{f / 1e6:g} MHz" for f in sorted(frequencies))
        raise SolverError(f"layouts at {told}: compare gains at one frequency.")
    ways = {
        (isinstance(one, BandAnswer) and one.has_bearings) or ridge_bearing is not None
        for one in layouts.values()
    }
    if len(ways) > 1:
        raise SolverError(
            "Some layouts have bearings and some only azimuths; give ridge_bearing for the others."
        )
    elevation, direction = np.broadcast_arrays(
        np.asarray(elevation_deg, dtype=float), np.asarray(direction_deg, dtype=float)
    )
    gains = []
    for one in layouts.values():
        field = one.far_field if isinstance(one, BandAnswer) else one
        gains.append(field.gain_dbi(elevation, _azimuths(one, direction, ridge_bearing)))
    return GainComparison(tuple(layouts), elevation, direction, np.stack(gains))


def _azimuths(
    far: FarField | BandAnswer, direction_deg: ArrayLike, ridge_bearing: float | None
) -> FloatArray:
    direction = np.asarray(direction_deg, dtype=float)
    if isinstance(far, BandAnswer):
        if ridge_bearing is not None and far.has_bearings and far.ridge_bearing != ridge_bearing:
            raise SolverError(
                f"ridge_bearing is {ridge_bearing:g}, and the answer's house has "
                f"{far.ridge_bearing:g}; leave it out."
            )
        if far.has_bearings:
            return far.azimuth(direction)
    if ridge_bearing is None:
        return direction
    turned = [azimuth_of(float(b), ridge_bearing=ridge_bearing) for b in direction.ravel()]
    return np.reshape(np.array(turned), direction.shape)


def _check_decibels(value: float, what: str) -> None:
    if not (np.isfinite(value) and value > 0.0):
        raise SolverError(f"{what} is {value!r}; give decibels, finite and above 0.")


def _intensity_grid(far: FarField) -> tuple[FloatArray, float]:
    if not isinstance(far, FarField):
        raise SolverError(f"far is a {type(far).__name__}; give solution.far_field().")
    elevations, azimuths, _ = far.direction_grid(FINENESS)
    grid = far.intensity(elevations[None, :], azimuths[:, None])
    best = float(grid.max())
    if not best > 0.0:
        raise SolverError("far field: nothing is radiated, so there are no lobes")
    return grid, best


def _peaks(
    far: FarField,
    function: Callable[[FloatArray, FloatArray], FloatArray],
    grid: FloatArray,
    intensities: FloatArray,
    least: float,
) -> list[tuple[float, float, float]]:
    """Values, elevations and azimuths of the maxima of a function known on the direction grid.

    A ring that is as good as even is one maximum without an azimuth; so is the zenith.
    """
    elevations, azimuths, step = far.direction_grid(FINENESS)
    best = float(intensities.max())
    around = neighbourhood(grid)
    # At a pole all azimuths are one direction, with the whole next row around it.
    around[:, -1] = max(grid[:, -1].max(), grid[:, -2].max())
    if far.earth is None:
        around[:, 0] = max(grid[:, 0].max(), grid[:, 1].max())
    mark = (grid >= around * (1.0 - 1e-12)) & (grid >= least)
    found: list[tuple[float, float, float]] = []
    for j in np.flatnonzero(mark.any(axis=0)):
        row, elevation = grid[:, j], float(elevations[j])
        alike = _is_even(intensities[:, j], best) or abs(elevation) > 90.0 - 1e-9
        candidates = [int(np.argmax(row))] if alike else np.flatnonzero(mark[:, j])
        for i in candidates:
            start = (elevation, float(azimuths[int(i)]))
            value, e, a = climb_directions(
                function, float(grid[int(i), j]), start, step, lowest=far.lowest_elevation_deg
            )
            if abs(e) > 90.0 - POLE_DEG or _is_even(far.intensity(e, AROUND), best):
                a = np.nan
            if not any(_same(e, a, other, turn, step) for _, other, turn in found):
                found.append((value, e, a))
    return found


def _is_even(ring: FloatArray, best: float) -> bool:
    """Whether intensities around the compass are alike, or all as good as nothing."""
    span = float(ring.max() - ring.min())
    return span <= max((1.0 - 10.0 ** (-0.1 * RING_DECIBELS)) * float(ring.max()), NOTHING * best)


def _same(elevation: float, azimuth: float, other: float, turn: float, step: float) -> bool:
    """Whether two directions are nearer than half a step of the grid."""
    if azimuth != azimuth or turn != turn:
        return (azimuth != azimuth) == (turn != turn) and abs(elevation - other) < 0.5 * step
    first, second, away = np.deg2rad([elevation, other, azimuth - turn])
    cosine = np.sin(first) * np.sin(second) + np.cos(first) * np.cos(second) * np.cos(away)
    return bool(cosine > np.cos(np.deg2rad(0.5 * step)))


def _told(
    far: FarField,
    found: list[tuple[float, float, float]],
    best: float,
    ridge_bearing: float | None,
    *,
    reverse: bool,
) -> tuple[Lobe, ...]:
    told = []
    for value, elevation, azimuth in sorted(found, key=lambda one: one[0], reverse=reverse):
        with np.errstate(divide="ignore"):
            gain = float(10.0 * np.log10(4.0 * np.pi * np.float64(value) / far.input_power))
            below = float(10.0 * np.log10(best / np.float64(value)))
        bearing = np.nan
        if ridge_bearing is not None and azimuth == azimuth:
            bearing = bearing_of(azimuth, ridge_bearing=ridge_bearing)
        told.append(Lobe(gain, below, elevation, azimuth % 360.0, bearing))
    return tuple(told)
