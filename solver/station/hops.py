r"""Angles into distances: one reflection by the ionosphere above a spherical earth.

A layer reflects as a mirror at its virtual height h' would. With psi = D/(2R) half of the angle at
the middle of the earth, a the elevation and phi the angle against the vertical at which the wave
meets the layer,

    sin phi = R cos a/(R + h')           psi = 90 deg - a - phi            D = 2 R psi
    tan a = (cos psi - R/(R + h'))/sin psi

sec phi is the highest frequency that comes back over critical frequency of the layer.

References
----------
.. [1] B. Zolesi and L. R. Cander, "Ionospheric Prediction and Forecasting", Springer 2014: one-hop
       geometry.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from ..errors import SolverError
from ..moments.basis import FloatArray

EARTH_RADIUS = 6371e3
"""Mean radius of the earth. [m]"""

ZONES = (("near", 0.0, 300e3), ("regional", 300e3, 1000e3), ("far", 1000e3, 3500e3))
"""Names of distances and their limits (choice of this module). [m]"""


def _numbers(value: ArrayLike, what: str, unit: str) -> FloatArray:
    try:
        return np.asarray(value, dtype=float)
    except (TypeError, ValueError) as error:
        raise SolverError(f"{what} is {value!r}, no number; give {unit}.") from error


def _height(virtual_height: ArrayLike) -> FloatArray:
    height = _numbers(virtual_height, "virtual height", "metres, for example 300e3")
    if not np.all(np.isfinite(height) & (height >= 50e3) & (height <= 1000e3)):
        raise SolverError(
            f"virtual height is {virtual_height!r} m; layers reflect from 50 km to 1000 km up. "
            "Give metres, for example 300e3."
        )
    return height


def _elevation(elevation_deg: ArrayLike) -> FloatArray:
    elevation = _numbers(elevation_deg, "elevation", "degrees")
    if not np.all((elevation >= 0.0) & (elevation <= 90.0)):
        raise SolverError(
            f"elevation is {elevation_deg!r} degrees; it must lie between 0 (the horizon) and 90."
        )
    return np.deg2rad(elevation)


def layer_incidence_deg(elevation_deg: ArrayLike, *, virtual_height: ArrayLike) -> FloatArray:
    """Angle at which a wave meets the layer, against the vertical there, broadcast. [degree]

    Parameters
    ----------
    elevation_deg : array_like
        0 to 90. [degree]
    virtual_height : array_like
        50 km to 1000 km. [m]
    """
    elevation, height = _elevation(elevation_deg), _height(virtual_height)
    return np.rad2deg(np.arcsin(np.cos(elevation) * (EARTH_RADIUS / (EARTH_RADIUS + height))))


def layer_secant(elevation_deg: ArrayLike, *, virtual_height: ArrayLike) -> FloatArray:
    """Highest frequency that comes back over the layer's critical frequency: sec(incidence).

    For a thin flat layer, without the earth's magnetic field. Parameters as
    `layer_incidence_deg`.
    """
    incidence = layer_incidence_deg(elevation_deg, virtual_height=virtual_height)
    return 1.0 / np.cos(np.deg2rad(incidence))


def hop_distance(elevation_deg: ArrayLike, *, virtual_height: ArrayLike) -> FloatArray:
    """Distance over ground of one hop, broadcast. [m]

    Parameters as `layer_incidence_deg`.

    Examples
    --------
    >>> f"{hop_distance(28.12, virtual_height=300e3) / 1e3:.0f} km"
    '1000 km'
    """
    elevation, height = _elevation(elevation_deg), _height(virtual_height)
    # psi = 90 deg - a - phi loses its digits near the zenith; its sine and cosine do not.
    part = EARTH_RADIUS / (EARTH_RADIUS + height)
    sine, cosine = np.sin(elevation), np.cos(elevation)
    upright = np.sqrt(1.0 - (part * cosine) ** 2)
    over = (1.0 - part**2) * cosine / (upright + part * sine)
    return 2.0 * EARTH_RADIUS * np.arctan2(over, sine * upright + part * cosine**2)


def greatest_hop(virtual_height: ArrayLike) -> FloatArray:
    """Distance over ground of one hop that leaves along the horizon. [m]"""
    return hop_distance(0.0, virtual_height=virtual_height)


def hop_elevation_deg(distance: ArrayLike, *, virtual_height: ArrayLike) -> FloatArray:
    """Elevation at which one hop reaches a distance, broadcast. [degree]

    Parameters
    ----------
    distance : array_like
        Over ground, 0 up to `greatest_hop`. [m]
    virtual_height : array_like
        50 km to 1000 km. [m]

    Raises
    ------
    SolverError
        If one hop does not reach that far.
    """
    away, height = np.broadcast_arrays(np.asarray(distance, dtype=float), _height(virtual_height))
    if not np.all(np.isfinite(away) & (away >= 0.0)):
        raise SolverError(f"distance is {distance!r} m; it must be finite and at least 0.")
    most = greatest_hop(height)
    beyond = away > most * (1.0 + 1e-12)
    if np.any(beyond):
        n = int(np.flatnonzero(beyond)[0])
        raise SolverError(
            f"distance is {away.flat[n] / 1e3:.0f} km; one hop by a layer "
            f"{height.flat[n] / 1e3:g} km high reaches {most.flat[n] / 1e3:.0f} km. Give the "
            "distance of one of several hops."
        )
    half = 0.5 * away / EARTH_RADIUS
    # cos psi - R/(R + h') without the difference of like numbers.
    rise = height / (EARTH_RADIUS + height) - 2.0 * np.sin(0.5 * half) ** 2
    return np.rad2deg(np.arctan2(np.maximum(rise, 0.0), np.sin(half)))


@dataclass(frozen=True)
class DistanceZone:
    """The elevations that serve a range of distances by one hop.

    Attributes
    ----------
    name : str
    from_distance, to_distance : float
        Over ground; the latter no more than one hop reaches. [m]
    low_deg, high_deg : float
        Elevations that reach the far and the near end. [degree]
    """

    name: str
    from_distance: float
    to_distance: float
    low_deg: float
    high_deg: float


def distance_zones(
    zones: Sequence[tuple[str, float, float]] = ZONES, *, virtual_height: float = 300e3
) -> tuple[DistanceZone, ...]:
    """Ranges of distance as ranges of elevation.

    Parameters
    ----------
    zones : sequence of (name, from, to)
        Distances over ground. One that ends beyond the greatest hop is cut there, one that begins
        beyond it is left out. [m]
    virtual_height : float
        [m]

    Raises
    ------
    SolverError
        If a zone is none, or one hop reaches no part of any.
    """
    most = float(greatest_hop(virtual_height))
    found = []
    for name, near, far in zones:
        if not 0.0 <= near < far < np.inf:
            raise SolverError(
                f"zone {name!r} is from {near!r} to {far!r} m; 0 <= from < to is needed."
            )
        if near >= most:
            continue
        far = min(float(far), most)
        low, high = hop_elevation_deg([far, near], virtual_height=virtual_height)
        found.append(DistanceZone(name, float(near), far, float(low), float(high)))
    if not found:
        raise SolverError(
            f"no zone begins within one hop, {most / 1e3:.0f} km. Give nearer ones, or a higher "
            "layer."
        )
    return tuple(found)


def zone_shares(far_field: Any, zones: Sequence[DistanceZone]) -> tuple[float, ...]:
    """Part of the radiated power that leaves towards each zone; angles overlap if zones do.

    Parameters
    ----------
    far_field : FarField
    zones : sequence of DistanceZone
        See `distance_zones`.
    """
    return tuple(far_field.share(zone.low_deg, zone.high_deg) for zone in zones)
