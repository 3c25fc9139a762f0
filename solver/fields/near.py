r"""Near E and H fields of the currents on straight elements, by the mixed potential.

RMS phasors, exp(+jwt).  Direct part in free space, image in a perfect ground, or the reflected
part over real earth from its tables.  The direct part takes R^2 = D^2 + a^2 and that kernel's
exact gradient; every element is split toward the point until its parts are at most half as long
as their distance, so the quadrature error stays near 1e-10 down to two radii from the axis.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike
from scipy.constants import c as LIGHT_SPEED
from scipy.constants import epsilon_0, mu_0

from ..errors import SolverError
from ..moments.basis import ComplexArray, ElementCurrents, FloatArray
from ..moments.quadrature import gauss
from .kernels import add_direct_fields, nearest_elements

if TYPE_CHECKING:
    from ...materials import Earth

ETA_0 = float(np.sqrt(mu_0 / epsilon_0))
NEAREST_IN_RADII = 2.0


def slope_coefficients(currents: ElementCurrents) -> ComplexArray:
    """Legendre coefficients of dI/ds, shape (E, Q). [A/m]"""
    n_orders = currents.current.shape[1]
    derivative = np.zeros((n_orders, n_orders))
    for i in range(n_orders):
        # P_i' = sum of (2m + 1) P_m over m = i - 1, i - 3, ...
        below = np.arange(i - 1, -1, -2)
        derivative[i, below] = 2 * below + 1
    half = 0.5 * np.linalg.norm(currents.end - currents.start, axis=1)
    return (currents.current @ derivative) / half[:, None]


def check_points(
    points: FloatArray,
    currents: ElementCurrents,
    *,
    above_ground: bool,
    element_names: Sequence[str] | None = None,
) -> None:
    """Refuse points that are not finite, below ground, or within two radii of an axis."""
    if points.ndim != 2 or points.shape[1] != 3:
        raise SolverError(f"field points have shape {points.shape}; give (..., 3) [m]")
    unfit = np.flatnonzero(~np.all(np.isfinite(points), axis=1))
    if unfit.size:
        raise SolverError(f"field point {unfit[0]} is {points[unfit[0]]}; it must be finite")
    if above_ground:
        buried = np.flatnonzero(points[:, 2] < 0.0)
        if buried.size:
            raise SolverError(
                f"field point {buried[0]} lies at z = {points[buried[0], 2]:g} m, below ground; "
                "fields are computed at z >= 0 only: raise it, or leave the earth out"
            )
    element, distance = nearest_elements(points, currents.start, currents.end, currents.radius)
    limit = NEAREST_IN_RADII * currents.radius[element]
    close = np.flatnonzero(distance < limit)
    if close.size:
        n = int(close[0])
        e = int(element[n])
        name = f"element {e}" if element_names is None else f"{element_names[e]} (element {e})"
        raise SolverError(
            f"field point {n} at ({points[n, 0]:g}, {points[n, 1]:g}, {points[n, 2]:g}) m is "
            f"{distance[n]:.3g} m from the axis of {name}; fields are computed no nearer than "
            f"two radii, {limit[n]:.3g} m: move it away"
        )


def fields(
    currents: ElementCurrents,
    frequency: float,
    points: ArrayLike,
    *,
    earth: Earth | None = None,
    input_power: float = 1.0,
    power: float = 1.0,
    element_names: Sequence[str] | None = None,
) -> tuple[ComplexArray, ComplexArray]:
    """E [V/m] and H [A/m], RMS phasors, each of the shape of `points`.

    Parameters
    ----------
    currents : ElementCurrents
        RMS currents. [A]
    frequency : float
        [Hz]
    points : array_like, shape (..., 3)
        [m]
    earth : Earth, optional
        None is free space.
    input_power : float
        Power put into the feeds for these currents. [W]
    power : float
        Power for which the fields are wanted. [W]
    element_names : sequence of str, optional
        What each element belongs to, for messages.

    Raises
    ------
    SolverError
        If a point lies below ground or nearer to a wire's axis than two radii.
    """
    for name, value in (("frequency", frequency), ("input power", input_power), ("power", power)):
        if not (np.isfinite(value) and value > 0.0):
            raise SolverError(f"near field: {name} is {value}; it must be positive and finite")
    places = np.asarray(points, dtype=float)
    if places.shape[-1:] != (3,):
        raise SolverError(f"field points have shape {places.shape}; give (..., 3) [m]")
    flat = np.ascontiguousarray(places.reshape(-1, 3))
    check_points(flat, currents, above_ground=earth is not None, element_names=element_names)
    wavenumber = 2.0 * np.pi * frequency / LIGHT_SPEED
    slopes = slope_coefficients(currents)
    xi, weight = gauss(8 + currents.current.shape[1] // 2)
    e_field = np.zeros(flat.shape, dtype=np.complex128)
    h_field = np.zeros(flat.shape, dtype=np.complex128)

    def add(*, mirrored: bool) -> None:
        add_direct_fields(
            flat,
            wavenumber,
            ETA_0,
            currents.start,
            currents.end,
            currents.radius,
            np.ascontiguousarray(currents.current, dtype=np.complex128),
            slopes,
            mirrored,
            xi,
            weight,
            e_field,
            h_field,
        )

    add(mirrored=False)
    if earth is not None and earth.is_perfect:
        add(mirrored=True)
    elif earth is not None:
        raise SolverError("near field over real earth: not available")
    scale = np.sqrt(power / input_power)
    return scale * e_field.reshape(places.shape), scale * h_field.reshape(places.shape)
