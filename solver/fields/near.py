r"""Near E and H fields of the currents on straight elements, by the mixed potential.

RMS phasors, exp(+jwt).  Direct part in free space, image in a perfect ground, or the reflected
part over real earth from its tables.  The direct part of wires takes R^2 = D^2 + a^2 and that
kernel's exact gradient.  Thick conductors are filaments on their surface, as many as the nearest
point asks for; the charges of current that changes direction at a thick corner are left out, which
costs up to (ka)^2/10 of the power that flows past.  Every element is split toward the point until
its parts are at most half as long as their distance, so the quadrature error stays near 1e-10 down
to two radii from the axis.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import partial
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.constants import c as LIGHT_SPEED
from scipy.constants import epsilon_0, mu_0

from ..earth.contacts import ContactCharges, contact_field, contact_potential
from ..earth.kernels import add_reflected_fields, interpolate_kernels_at
from ..earth.tables import build_earth_table
from ..errors import SolverError
from ..moments.basis import ComplexArray, ElementCurrents, FloatArray, PointMoments
from ..moments.boxes import ChebyshevBox
from ..moments.quadrature import gauss
from ..moments.rings import ring_filaments, surface_filaments
from .kernels import (
    add_direct_fields,
    add_point_fields,
    add_potentials,
    least_distances,
    nearest_elements,
)
from .polarisation import check_clear, check_moments, dipole_sources, plain_moments

if TYPE_CHECKING:
    from ...materials import Earth, Ground

ETA_0 = float(np.sqrt(mu_0 / epsilon_0))
NEAREST_IN_RADII = 2.0
EARTH_NODES = 6
POTENTIAL_NODES = 6
PAIRS_AT_ONCE = 200_000
SURFACE_RADIUS = 2e-3
"""Thicker conductors have their near field from their surface. [m]"""
SURFACE_ERROR = 1e-6
LEAST_FILAMENTS = 4
MARGIN = 2
"""Nodes more than the rate of convergence asks for, along each side."""


def plain_copy(currents: ElementCurrents) -> ElementCurrents:
    """The same in writable, contiguous arrays: compiled kernels then see one signature only."""
    start, end, radius = (np.array(x, dtype=float, order="C") for x in currents[:3])
    return ElementCurrents(
        start, end, radius, np.array(currents.current, dtype=np.complex128, order="C")
    )


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


class PointSources(NamedTuple):
    """Elementary sources that stand for elements, as the earth's kernels take them.

    Attributes
    ----------
    positions, tangents : (S, 3) float
        [m, 1]
    moments, charges : (S,) complex
        I ds and -(1/jw) dI/ds ds. [A m, C]
    """

    positions: FloatArray
    tangents: FloatArray
    moments: ComplexArray
    charges: ComplexArray


def point_sources(
    currents: ElementCurrents,
    slopes: ComplexArray,
    frequency: float,
    observers: FloatArray,
) -> PointSources:
    """Gauss points on pieces no longer than half the distance from an image to the observers.

    Parameters
    ----------
    slopes : (E, Q) complex
        `slope_coefficients(currents)`. [A/m]
    observers : (N, 3) float
        Points at z >= 0; the images of the pieces in z = 0 are what they are near to. [m]
    """
    mirror = np.array([1.0, 1.0, -1.0])
    length = np.linalg.norm(currents.end - currents.start, axis=1)
    owner = np.arange(length.size)
    low, high = np.full(length.size, -1.0), np.full(length.size, 1.0)
    kept: list[tuple[NDArray[np.intp], FloatArray, FloatArray]] = []
    while owner.size:
        middle = 0.5 * (currents.start + currents.end)[owner]
        half = 0.5 * (currents.end - currents.start)[owner]
        images = (middle + low[:, None] * half) * mirror, (middle + high[:, None] * half) * mirror
        distance = least_distances(observers, *images)
        long = 0.5 * (high - low) * length[owner] > 0.5 * distance
        kept.append((owner[~long], low[~long], high[~long]))
        owner, low, high = owner[long], low[long], high[long]
        center = 0.5 * (low + high)
        owner = np.concatenate([owner, owner])
        low, high = np.concatenate([low, center]), np.concatenate([center, high])
    owner = np.concatenate([part[0] for part in kept])
    low = np.concatenate([part[1] for part in kept])
    high = np.concatenate([part[2] for part in kept])

    xi, weight = gauss(EARTH_NODES + currents.current.shape[1] // 2)
    at = 0.5 * (low + high)[:, None] + 0.5 * (high - low)[:, None] * xi
    step = 0.25 * ((high - low) * length[owner])[:, None] * weight
    legendre = np.polynomial.legendre.legvander(at, currents.current.shape[1] - 1)
    current = np.einsum("pqi,pi->pq", legendre, currents.current[owner])
    slope = np.einsum("pqi,pi->pq", legendre, slopes[owner])
    half = 0.5 * (currents.end - currents.start)
    positions = (
        0.5 * (currents.start + currents.end)[owner][:, None]
        + at[..., None] * (half[owner][:, None])
    )
    tangents = np.repeat((2.0 * half / length[:, None])[owner], xi.size, axis=0)
    charge = -slope / (2j * np.pi * frequency)
    return PointSources(
        positions.reshape(-1, 3), tangents, (current * step).ravel(), (charge * step).ravel()
    )


def _with_surfaces(currents: ElementCurrents, points: FloatArray) -> ElementCurrents:
    """Thick conductors as filaments on their surface, good to SURFACE_ERROR at the points."""
    thick = currents.radius > SURFACE_RADIUS
    if not thick.any() or not points.size:
        return currents
    distance = least_distances(points, currents.start, currents.end) / currents.radius
    counts = np.ceil(np.log(1.0 / SURFACE_ERROR) / np.log(np.maximum(distance, 1.5)))
    counts = np.where(thick, np.maximum(counts, LEAST_FILAMENTS), 0)
    return surface_filaments(currents, counts.astype(np.int64))


def _add_earth(
    points: FloatArray,
    currents: ElementCurrents | None,
    frequency: float,
    ground: Ground,
    polarisation: PointMoments | None,
    e_field: ComplexArray,
    h_field: ComplexArray,
) -> None:
    """Add what a real earth reflects to E and H at points of shape (N, 3)."""
    if points.shape[0] == 0:
        return
    parts: list[PointSources] = []
    ends: list[FloatArray] = []
    if currents is not None:
        currents = plain_copy(ring_filaments(currents, 2.0 * np.pi * frequency / LIGHT_SPEED))
        parts.append(point_sources(currents, slope_coefficients(currents), frequency, points))
        ends += [currents.start, currents.end]
    if polarisation is not None:
        dipoles = PointSources(*dipole_sources(polarisation, frequency, points))
        parts.append(dipoles)
        ends.append(dipoles.positions)
    sources = PointSources(*(np.concatenate(each) for each in zip(*parts, strict=True)))
    if not sources.positions.size:
        return
    # The farthest pair of a point and a wire end bounds every horizontal distance.
    reach = 0.0
    for end in np.concatenate(ends):
        reach = max(reach, float(np.hypot(*(points[:, :2] - end[:2]).T).max()))
    table = build_earth_table(
        frequency,
        ground,
        rho_max=reach,
        zeta_min=float(points[:, 2].min() + sources.positions[:, 2].min()),
        zeta_max=float(points[:, 2].max() + sources.positions[:, 2].max()),
        with_fields=True,
    )
    add_reflected_fields(points, *sources, *table.field_arguments(), e_field, h_field)


def _add_smooth_earth(
    points: FloatArray,
    currents: ElementCurrents,
    frequency: float,
    ground: Ground,
    polarisation: PointMoments | None,
    error: float,
    e_field: ComplexArray,
    h_field: ComplexArray,
) -> None:
    """The same, of wires and of solids each by way of fewer points where that is enough."""
    mirror = np.array([1.0, 1.0, -1.0])
    wavenumber = 2.0 * np.pi * frequency / LIGHT_SPEED
    least = least_distances(points, currents.start * mirror, currents.end * mirror)
    jobs: list[tuple[float, ElementCurrents | None, PointMoments | None]] = [
        (float(least.min()), currents, None)
    ]
    if polarisation is not None and polarisation.positions.size:
        from scipy.spatial import KDTree

        below, _ = KDTree(points).query(polarisation.positions * mirror)
        jobs.append((float(np.min(below)), None, polarisation))
    for distance, wires, solids in jobs:
        box = ChebyshevBox.around(points, partial(_smooth_nodes, distance, wavenumber, error))
        if box.size >= points.shape[0]:
            _add_earth(points, wires, frequency, ground, solids, e_field, h_field)
            continue
        e_nodes = np.zeros((box.size, 3), dtype=np.complex128)
        h_nodes = np.zeros((box.size, 3), dtype=np.complex128)
        _add_earth(box.nodes, wires, frequency, ground, solids, e_nodes, h_nodes)
        e_field += box.at(e_nodes, points)
        h_field += box.at(h_nodes, points)


def _smooth_nodes(distance: float, wavenumber: float, error: float, _: int, half: float) -> int:
    """Nodes along a side of half a length, for waves of sources that far beside it or more. [m]

    Along a side of half length h the interpolant of a function whose nearest singularity lies at
    the distance d beside it converges like rho^-n, rho = d/h + sqrt((d/h)^2 + 1), and a wave takes
    about kh nodes before it converges at all (Trefethen, "Approximation Theory and Approximation
    Practice", ch. 8; from memory).
    """
    ratio = distance / half
    rate = np.arcsinh(ratio)
    return math.ceil(-math.log(error) / rate + wavenumber * half) + MARGIN


def scalar_potential(
    currents: ElementCurrents,
    frequency: float,
    points: FloatArray,
    *,
    earth: Earth | None = None,
    contacts: ContactCharges | None = None,
) -> ComplexArray:
    """Scalar potential of the charges on all wires, relative to infinity, (N,). [V]

    V = (1/eps0) Int q (g + g_phi) ds, RMS, q = -(1/jw) dI/ds, with R^2 = D^2 + a^2 in g and
    g_phi what the earth reflects; and that of the charges where wires are led to the earth.

    Parameters
    ----------
    currents : ElementCurrents
        RMS currents. [A]
    frequency : float
        [Hz]
    points : (N, 3) float
        Anywhere at z > 0 over ground, on a wire as well. [m]
    earth : Earth, optional
        None is free space.
    contacts : ContactCharges, optional
        Where the wires are led to a real earth.
    """
    found = np.zeros(points.shape[0], dtype=np.complex128)
    if not found.size:
        return found
    points = np.array(points, dtype=float, order="C")
    currents = plain_copy(currents)
    slopes = slope_coefficients(currents)
    wavenumber = 2.0 * np.pi * frequency / LIGHT_SPEED
    xi, weight = (np.array(x) for x in gauss(POTENTIAL_NODES + currents.current.shape[1] // 2))
    charge = 1j / (2.0 * np.pi * frequency)

    def add(*, mirrored: bool, squares: FloatArray, factor: complex) -> None:
        add_potentials(
            points, wavenumber, currents.start, currents.end, squares, slopes, mirrored, xi,
            weight, factor, found,
        )  # fmt: skip

    add(mirrored=False, squares=currents.radius**2, factor=charge)
    if earth is not None and earth.is_perfect:
        add(mirrored=True, squares=np.zeros_like(currents.radius), factor=-charge)
    elif earth is not None:
        ground = earth.at(frequency)
        sources = point_sources(currents, slopes, frequency, points)
        _add_reflected_potential(points, sources, frequency, ground, found)
        if contacts is not None:
            found += epsilon_0 * contact_potential(points, contacts, frequency, ground)
    return found / epsilon_0


def _add_reflected_potential(
    points: FloatArray,
    sources: PointSources,
    frequency: float,
    ground: Ground,
    found: ComplexArray,
) -> None:
    """Add the charges times g_phi, (N,). [C/m]"""
    reach = 0.0
    for point in points:
        reach = max(reach, float(np.hypot(*(sources.positions[:, :2] - point[:2]).T).max()))
    table = build_earth_table(
        frequency,
        ground,
        rho_max=reach,
        zeta_min=float(points[:, 2].min() + sources.positions[:, 2].min()),
        zeta_max=float(points[:, 2].max() + sources.positions[:, 2].max()),
    )
    rows = max(1, PAIRS_AT_ONCE // len(sources.positions))
    for first in range(0, len(points), rows):
        some = slice(first, first + rows)
        gap = points[some, None, :2] - sources.positions[None, :, :2]
        across = np.hypot(gap[..., 0], gap[..., 1])
        heights = points[some, None, 2] + sources.positions[None, :, 2]
        kernels = np.empty((4, across.size), dtype=np.complex128)
        interpolate_kernels_at(across.ravel(), heights.ravel(), *table.kernel_arguments(), kernels)
        found[some] += kernels[1].reshape(across.shape) @ sources.charges


def fields(
    currents: ElementCurrents,
    frequency: float,
    points: ArrayLike,
    *,
    earth: Earth | None = None,
    input_power: float = 1.0,
    power: float = 1.0,
    element_names: Sequence[str] | None = None,
    polarisation: PointMoments | None = None,
    contacts: ContactCharges | None = None,
    smooth_error: float | None = None,
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
    polarisation : PointMoments, optional
        What the currents induce in solids nearby, seen as points: good outside of the solids, at
        a distance of one cell and more. [A m]
    contacts : ContactCharges, optional
        Where the wires are led to a real earth.
    smooth_error : float, optional
        What a real earth reflects varies slowly above it: interpolate it between fewer points, so
        that about this part of it is lost. None: work it out at every point.

    Raises
    ------
    SolverError
        If a point lies below ground, nearer to a wire's axis than two radii, or on a point moment.
    """
    for name, value in (("frequency", frequency), ("input power", input_power), ("power", power)):
        if not (np.isfinite(value) and value > 0.0):
            raise SolverError(f"near field: {name} is {value}; it must be positive and finite")
    places = np.asarray(points, dtype=float)
    if places.shape[-1:] != (3,):
        raise SolverError(f"field points have shape {places.shape}; give (..., 3) [m]")
    flat = np.array(places.reshape(-1, 3), order="C")
    currents = plain_copy(currents)
    check_points(flat, currents, above_ground=earth is not None, element_names=element_names)
    if polarisation is not None:
        check_moments(polarisation, above_ground=earth is not None)
        polarisation = plain_moments(polarisation)
        check_clear(flat, polarisation)
    wavenumber = 2.0 * np.pi * frequency / LIGHT_SPEED
    surfaces = plain_copy(_with_surfaces(currents, flat))
    slopes = slope_coefficients(surfaces)
    xi, weight = (np.array(x) for x in gauss(8 + currents.current.shape[1] // 2))
    e_field = np.zeros(flat.shape, dtype=np.complex128)
    h_field = np.zeros(flat.shape, dtype=np.complex128)

    def add(*, mirrored: bool) -> None:
        add_direct_fields(
            flat, wavenumber, ETA_0, *surfaces, slopes, mirrored, xi, weight, e_field, h_field
        )
        if polarisation is not None:
            add_point_fields(flat, wavenumber, ETA_0, *polarisation, mirrored, e_field, h_field)

    add(mirrored=False)
    if earth is not None and earth.is_perfect:
        add(mirrored=True)
    elif earth is not None:
        ground = earth.at(frequency)
        if smooth_error is None or not flat.size:
            _add_earth(flat, currents, frequency, ground, polarisation, e_field, h_field)
        else:
            _add_smooth_earth(
                flat, currents, frequency, ground, polarisation, smooth_error, e_field, h_field
            )
        if contacts is not None and flat.size:
            e_field += contact_field(flat, contacts, frequency, ground)
    scale = np.sqrt(power / input_power)
    return scale * e_field.reshape(places.shape), scale * h_field.reshape(places.shape)
