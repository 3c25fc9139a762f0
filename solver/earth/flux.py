r"""Power that goes into the earth, as a flux through its surface in the spectral domain.

With J = sum I ds t' exp(j k_t . r' - j kz z'), u along k_t and v across it, per (kr, phi)

    P = (1/4pi^2) Int Int [ e |kz J_u + kr J_z|^2 + h |J_v|^2 ] kr dkr dphi,
    e = Re(ec kz1*)/(w eps0 |kz1 + ec kz|^2),   h = w mu0 Re(kz1)/|kz + kz1|^2,

that is |V_e|^2 Re(w eps0 ec/kz1) + |V_h|^2 Re(kz1/(w mu0)) with V_e, V_h the transverse
voltages of the transmission-line analogue at z = 0 and the ec/kz1 drawn together.

Waves that propagate in air (kr < k) are summed as plane waves. The evanescent ones carry
exp(-alpha (z + z')) and need ever more directions as wires come down; there the integral over
phi is done by hand, which leaves four real kernels of (rho, z + z'), tabulated like the
reflected Green's functions and summed over pairs of source points.
Nothing here uses the mixed potentials, so the balance of powers checks them.

Layers take the place of kz1 and ec/kz1 by their input admittances y_h and y_e,

    e = Re(y_e)/(w eps0 |1 + kz y_e|^2),   h = w mu0 Re(y_h)/|kz + y_h|^2,

and guide waves, which make the evanescent part a row of spikes on the real axis. With alpha =
j kz it is there the imaginary part of functions that are analytic above the axis,

    e = Im[(1 - kz y_e)/(1 + kz y_e)]/(2 w eps0 alpha),
    h = -w mu0 Im[(kz - y_h)/(kz + y_h)]/(2 alpha),

so over layers the path leaves the axis at k and passes above their poles; the imaginary part is
taken of the integral. The power of guided waves is part of the earth's, lossless layers or not.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from scipy import constants
from scipy.special import erfc, gammaln

from ...materials.ground import Ground
from ..errors import SolverError
from ..moments.rings import ring_filaments
from .bessel import bessel_matrices, taylor_coefficients
from .flux_kernels import pair_power
from .paths import (
    GHOSTS,
    fill_fine_enough,
    gauss_panels,
    guided_limit,
    lowest_wavenumber,
    resolution,
    resolved_edges,
)
from .reflection import free_space_wavenumber, input_admittances, vertical_wavenumber
from .tables import blas_threads, check_medium

if TYPE_CHECKING:
    from ..moments.basis import ElementCurrents, PointMoments

__all__ = ["earth_flux", "polarisation_flux"]

Band = Callable[[NDArray[np.float64], NDArray[np.float64], float, Ground], NDArray[np.float64]]
"""Kernels on the grid rho x zeta at a wavenumber over a ground, shape (n, R, Z)."""

STEP = 0.12
"""Of the grids in u and v."""

_ORDER = 12
_WINDOW = 9.2


def earth_flux(
    currents: ElementCurrents,
    frequency: float,
    ground: complex | Ground,
    *,
    polarisation: PointMoments | None = None,
) -> float:
    """Power that goes into the earth: absorbed, or led away by its layers.

    Parameters
    ----------
    currents : ElementCurrents
        Straight elements with Legendre currents (RMS), all above the ground.
    frequency : float
        Frequency. [Hz]
    ground : complex or Ground
        Relative complex permittivities of the earth, er - j sigma/(w eps0), Im <= 0; a number
        for a homogeneous one.
    polarisation : PointMoments, optional
        What the currents induce in solids nearby. [A m]

    Returns
    -------
    float
        Power through z = 0, without what the solids' moments would send there alone: that is
        `polarisation_flux`, and the power budget does not hold it. [W]

    Raises
    ------
    SolverError
        If an element touches or passes the ground, or for a medium out of range.
    """
    ground = check_medium(frequency, ground)
    start, end = np.asarray(currents.start, float), np.asarray(currents.end, float)
    lowest = min(start[:, 2].min(), end[:, 2].min())
    if not lowest > 0.0:
        raise SolverError(
            f"earth flux: an element reaches down to z = {lowest:.6g} m; over real earth every "
            "wire must lie above the ground"
        )
    k = free_space_wavenumber(frequency)
    currents = ring_filaments(currents, k)
    start, end = np.asarray(currents.start, float), np.asarray(currents.end, float)
    low = np.minimum(start[:, 2], end[:, 2])
    half = 0.5 * np.linalg.norm(end - start, axis=1)
    total = 0.0
    for part, nodes in (
        (_propagating_power, _plane_nodes(k * half)),
        (_evanescent_power, _pair_nodes(k, half, low)),
    ):
        positions, moments = _sources(currents, nodes)
        n_own = len(positions)
        if polarisation is not None:
            more, with_moments = _moments_above(polarisation)
            positions = np.concatenate([positions, more])
            moments = np.concatenate([moments, with_moments])
        total += part(positions, moments, k, ground, n_own=n_own)
    return total


def polarisation_flux(
    polarisation: PointMoments, frequency: float, ground: complex | Ground
) -> float:
    """Power that point moments alone would send into the earth. [W]

    Parameters as for `earth_flux`.
    """
    ground = check_medium(frequency, ground)
    k = free_space_wavenumber(frequency)
    positions, moments = _moments_above(polarisation)
    if not len(positions):
        return 0.0
    return sum(
        part(positions, moments, k, ground, n_own=len(positions))
        for part in (_propagating_power, _evanescent_power)
    )


def _moments_above(
    polarisation: PointMoments,
) -> tuple[NDArray[np.float64], NDArray[np.complex128]]:
    positions = np.asarray(polarisation.positions, float)
    if positions.size and not positions[:, 2].min() > 0.0:
        raise SolverError(
            f"earth flux: a point moment lies at z = {positions[:, 2].min():.6g} m; all must lie "
            "above the ground"
        )
    return positions, np.asarray(polarisation.moments, np.complex128)


# --- source points -------------------------------------------------------------------------


def _plane_nodes(phase: NDArray[np.float64]) -> NDArray[np.int64]:
    """Gauss nodes for exp(j a xi), |a| up to `phase`, to 1e-8: (a/2)^2n/(2n)! below it."""
    nodes = np.arange(2, 65)
    size = 2 * nodes * np.log(np.maximum(phase[:, None], 1e-9) / 2) - gammaln(2 * nodes + 1)
    enough = size < np.log(1e-8)
    return np.where(enough.any(axis=1), nodes[np.argmax(enough, axis=1)], nodes[-1])


def _pair_nodes(k: float, half: NDArray[np.float64], low: NDArray[np.float64]) -> NDArray[np.int64]:
    """Gauss nodes for a kernel singular at the image, the Bernstein ellipse through it."""
    distance = 2.0 * low / half
    rate = np.log(distance + np.sqrt(1.0 + distance**2))
    return np.ceil(np.log(1e7) / (2.0 * rate) + 0.5 * k * half).astype(np.int64)


def _sources(
    currents: ElementCurrents, nodes: NDArray[np.int64]
) -> tuple[NDArray[np.float64], NDArray[np.complex128]]:
    """Source points, shape (S, 3) [m], and their moments I ds t, shape (S, 3) [A m]."""
    start, end = np.asarray(currents.start, float), np.asarray(currents.end, float)
    coefficients = np.asarray(currents.current, np.complex128)
    degree = coefficients.shape[1] - 1
    nodes = nodes + (degree + 1) // 2
    positions, moments = [], []
    for n in np.unique(nodes):
        members = np.flatnonzero(nodes == n)
        xi, weight = np.polynomial.legendre.leggauss(int(n))
        basis = np.polynomial.legendre.legvander(xi, degree)
        middle = 0.5 * (start[members] + end[members])
        arm = 0.5 * (end[members] - start[members])
        positions.append((middle[:, None] + xi[:, None] * arm[:, None]).reshape(-1, 3))
        values = (coefficients[members] @ basis.T) * weight
        moments.append((values[:, :, None] * arm[:, None]).reshape(-1, 3))
    return np.concatenate(positions), np.concatenate(moments)


# --- spectral densities --------------------------------------------------------------------


def _densities(
    kr: NDArray[np.float64], k: float, ground: Ground
) -> tuple[NDArray[np.complex128], NDArray[np.float64], NDArray[np.float64]]:
    """kz and the weights e and h of |kz J_u + kr J_z|^2 and |J_v|^2. [rad/m, -, -]"""
    kz = vertical_wavenumber(kr, k)
    omega = k * constants.c
    if ground.is_layered:
        te, tm = input_admittances(kr, k, ground)
        electric = tm.real / (omega * constants.epsilon_0 * np.abs(1.0 + kz * tm) ** 2)
        return kz, electric, omega * constants.mu_0 * te.real / np.abs(kz + te) ** 2
    ec = complex(ground.bottom)
    kz1 = vertical_wavenumber(kr, k * np.sqrt(ec))
    electric = (ec * kz1.conj()).real / (omega * constants.epsilon_0 * np.abs(kz1 + ec * kz) ** 2)
    magnetic = omega * constants.mu_0 * kz1.real / np.abs(kz + kz1) ** 2
    return kz, electric, magnetic


def _line_reflections(
    kr: NDArray[np.float64] | NDArray[np.complex128], k: float, ground: Ground
) -> tuple[NDArray[np.complex128], NDArray[np.complex128], NDArray[np.complex128]]:
    """kz and the reflections (1 - kz y_e)/(1 + kz y_e) and (kz - y_h)/(kz + y_h)."""
    kz = vertical_wavenumber(kr, k)
    te, tm = input_admittances(kr, k, ground)
    return kz, (1.0 - kz * tm) / (1.0 + kz * tm), (kz - te) / (kz + te)


def _analytic_densities(
    kr: NDArray[np.complex128], k: float, ground: Ground
) -> tuple[NDArray[np.complex128], NDArray[np.complex128], NDArray[np.complex128]]:
    """kz and the functions whose imaginary parts e and h are on the real axis beyond k."""
    kz, electric, magnetic = _line_reflections(kr, k, ground)
    twice, omega = 2j * kz, k * constants.c
    electric = electric / (omega * constants.epsilon_0 * twice)
    return kz, electric, -omega * constants.mu_0 * magnetic / twice


def _propagating_power(
    positions: NDArray[np.float64],
    moments: NDArray[np.complex128],
    k: float,
    ground: Ground,
    *,
    n_own: int,
) -> float:
    """Part of kr < k by plane waves: kr = k sin t, Gauss panels in t, equal steps in phi.

    Without the power of the sources from `n_own` on alone.
    """
    parts = [(slice(None), 1.0)]
    if n_own < len(positions):
        parts.append((slice(n_own, None), -1.0))
    positions = positions - 0.5 * (positions.max(axis=0) + positions.min(axis=0))
    reach = 2.0 * float(np.hypot(positions[:, 0], positions[:, 1]).max())
    span = float(np.hypot(reach, np.ptp(positions[:, 2])))
    # kz = k cos t; the pole of a good conductor lies at |kz| = k/|sqrt(ec)|
    finest = 0.5 if ground.is_layered else min(0.5, 1.0 / np.sqrt(abs(ground.bottom)))
    # twelve nodes take sixteen radians of |J|^2, and a pole as far off as half the panel
    longest = 0.5 * np.pi / np.ceil(0.5 + k * span / 16.0)
    edges = [0.0]
    while edges[-1] < 0.5 * np.pi - 1e-12:
        left = 0.5 * np.pi - edges[-1]
        edges.append(edges[-1] + min(longest, left, max(0.7 * left, 2.0 * finest)))
    edges = np.array(edges)
    if ground.is_layered:

        def smooth(t: NDArray[np.float64]) -> NDArray[np.complex128]:
            return np.stack(_line_reflections(k * np.sin(t), k, ground)[1:])

        edges = resolved_edges(edges, smooth, order=_ORDER, tolerance=resolution(_ORDER))
    t, weights = gauss_panels(edges, _ORDER)
    kr = k * np.sin(t)
    weights = weights * k * np.cos(t) * kr / (4.0 * np.pi**2)
    kz, electric, magnetic = _densities(kr, k, ground)
    total = 0.0
    real = np.concatenate([moments.real, moments.imag], axis=1)
    for q in range(kr.size):
        phase = kr[q] * reach
        half_turn = int(np.ceil(0.5 * (phase + 6.0 * np.cbrt(phase) + 12.0)))
        phi = np.pi * np.arange(half_turn) / half_turn
        cosine, sine = np.cos(phi), np.sin(phi)
        angle = (kr[q] * np.stack([cosine, sine], axis=1)) @ positions[:, :2].T
        height = kz[q].real * positions[:, 2]
        c, s = np.cos(height)[:, None], np.sin(height)[:, None]
        # exp(-j kz z) times the moments, real and imaginary parts side by side
        turned = np.concatenate(
            [c * real[:, :3] + s * real[:, 3:], c * real[:, 3:] - s * real[:, :3]], axis=1
        )
        cos_angle, sin_angle = np.cos(angle), np.sin(angle)
        for which, factor in parts:
            even = cos_angle[:, which] @ turned[which]
            odd = sin_angle[:, which] @ turned[which]
            for sign in (1.0, -1.0):  # phi and phi + pi
                x = even[:, :3] - sign * odd[:, 3:] + 1j * (even[:, 3:] + sign * odd[:, :3])
                along = sign * (cosine * x[:, 0] + sine * x[:, 1])
                across = cosine * x[:, 1] - sine * x[:, 0]
                power = electric[q] * np.abs(kz[q] * along + kr[q] * x[:, 2]) ** 2
                power += magnetic[q] * np.abs(across) ** 2
                total += factor * weights[q] * (np.pi / half_turn) * float(power.sum())
    return total


# --- evanescent part -----------------------------------------------------------------------


def _evanescent_path(
    k: float, ground: Ground, *, rho_min: float, rho_max: float, zeta_min: float, zeta_max: float
) -> tuple[NDArray[np.complex128], NDArray[np.complex128]]:
    """Nodes and weights from k up: on the real axis, over layers above it."""
    k1, guided = lowest_wavenumber(ground, k), guided_limit(ground, k)
    end = 2.0 * k + 30.0 / zeta_min
    centre, width = np.inf, 1.0
    if rho_min > 0.0:
        width = _WINDOW / rho_min
        clear = 0.5 * _WINDOW**2 / rho_min
        centre = k + clear
        if abs(k1.imag) < clear:
            centre = max(centre, k1.real + np.sqrt(clear**2 - k1.imag**2))
        if guided:
            centre = max(centre, guided + clear)
        end = min(end, centre + 0.5 * _WINDOW * width)
    longest = 9.0 / max(rho_max, 1e-9 / k)

    def allowed(kr: float) -> float:
        alpha = np.sqrt(max(kr * kr - k * k, 0.0))
        if alpha * zeta_max > 34.0:
            return longest
        return min(longest, max(8.0 * alpha / (kr * zeta_max), 32.0 / (k * zeta_max**2)))

    if guided:
        t, kr, weights = _path_above_poles(k, ground, end, min(0.4 * k, 0.8 / rho_max), allowed)
    else:
        kr, weights = _real_path(k, complex(ground.bottom), end, allowed)
        t = kr
    if np.isfinite(centre):
        weights = weights * (0.5 * erfc((t - centre) / width))
    return np.asarray(kr, np.complex128), np.asarray(weights, np.complex128)


def _path_above_poles(
    k: float, ground: Ground, end: float, h: float, allowed: Callable[[float], float]
) -> tuple[NDArray[np.float64], NDArray[np.complex128], NDArray[np.complex128]]:
    """t, kr = t + j h tanh((t - k)/h) and weights; t = k + s^2 takes the square root at k away."""
    k1, guided = lowest_wavenumber(ground, k), guided_limit(ground, k)

    def place(s: NDArray[np.float64]) -> NDArray[np.complex128]:
        return k + s**2 + 1j * h * np.tanh(s**2 / h)

    def smooth(s: NDArray[np.float64]) -> NDArray[np.complex128]:
        return np.stack(_line_reflections(place(s), k, ground)[1:])

    stop = np.sqrt(end - k)
    edges = [0.0]
    while edges[-1] < stop:
        s = edges[-1]
        t = k + s * s
        room = min(allowed(t), max(0.8 * abs(t + 1j * h - k1), 0.3 * h))
        if t < guided:
            room = min(room, 2.0 * h)
        step = min(np.sqrt(s * s + room) - s, max(0.5 * s, 0.3 * np.sqrt(k)))
        edges.append(min(stop, s + step))
    edges = resolved_edges(np.array(edges), smooth, order=_ORDER, tolerance=resolution(_ORDER))
    s, w = gauss_panels(edges, _ORDER)
    turn = 1.0 + 1j * (1.0 - np.tanh(s**2 / h) ** 2)
    return k + s**2, place(s), 2.0 * w * s * turn


def _real_path(
    k: float, ec: complex, end: float, allowed: Callable[[float], float]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Nodes and weights on the real axis, square roots at k and Re k1 removed."""
    k1 = complex(k * np.sqrt(ec))
    pole = 0.5 * k / abs(ec)  # of |kz| = k/|sqrt(ec)|, as a distance from k
    kr_parts, weight_parts = [], []
    last = k
    if k * (1.0 + 1e-9) < k1.real < end:
        # k + L sin^2: both ends are square roots
        length = k1.real - k
        left, right = np.sqrt(pole / length), np.sqrt(abs(k1.imag) / length)
        edges = [0.0]
        while edges[-1] < 0.5 * np.pi - 1e-12:
            p = edges[-1]
            kr = k + length * np.sin(p) ** 2
            rest = 0.5 * np.pi - p
            step = min(max(0.5 * p, left, 1e-5), max(0.5 * rest, right, 1e-5), rest)
            step = min(step, max(allowed(kr) / length, 1e-6))
            edges.append(p + step)
        p, w = gauss_panels(np.array(edges), _ORDER)
        kr_parts.append(k + length * np.sin(p) ** 2)
        weight_parts.append(w * length * np.sin(2.0 * p))
        last = k1.real
        finest = np.sqrt(abs(k1.imag))
    else:
        finest = np.sqrt(pole)
    stop = np.sqrt(end - last)
    finest = max(finest, 1e-5 * np.sqrt(k))
    edges = [0.0]
    while edges[-1] < stop:
        s = edges[-1]
        room = np.sqrt(s * s + allowed(last + s * s)) - s
        edges.append(min(stop, s + min(max(0.5 * s, finest), room)))
    s, w = gauss_panels(np.array(edges), _ORDER)
    kr_parts.append(last + s * s)
    weight_parts.append(2.0 * w * s)
    return np.concatenate(kr_parts), np.concatenate(weight_parts)


def _evanescent_band(
    rho: NDArray[np.float64], zeta: NDArray[np.float64], k: float, ground: Ground
) -> NDArray[np.float64]:
    """The four kernels on the grid rho x zeta, shape (4, R, Z).

    From the integrals over phi of u u, v v and u times exp(j k_t . d):
    2 pi [(J1/x) 1 - J2 dd/rho^2], 2 pi [(J0 - J1/x) 1 + J2 dd/rho^2], 2 pi j J1 d/rho.
    """
    kr, weights = _evanescent_path(
        k,
        ground,
        rho_min=float(rho[0]),
        rho_max=float(rho[-1]),
        zeta_min=float(zeta[0]),
        zeta_max=float(zeta[-1]),
    )
    shape = (rho.size, kr.size)
    bessel = [np.empty(shape, np.complex128) for _ in range(3)]
    bessel_matrices(rho, kr, taylor_coefficients(), *bessel)
    if ground.is_layered:
        kz, electric, magnetic = _analytic_densities(kr, k, ground)
        alpha = 1j * kz
    else:
        kr, weights = kr.real, weights.real
        kz, electric, magnetic = _densities(kr, k, ground)
        alpha = -kz.imag
        bessel = [np.ascontiguousarray(matrix.real) for matrix in bessel]
    j0, j1, j2 = bessel
    decay = np.exp(-alpha[:, None] * zeta)
    plain = weights * kr / (2.0 * np.pi)
    electric, magnetic = plain * electric, plain * magnetic
    upright = electric * alpha**2
    with blas_threads(4 * j0.size * zeta.size):
        found = np.array(
            [
                (j0 * (electric * kr**2)) @ decay,
                (j1 * (upright - magnetic) + j0 * magnetic) @ decay,
                (j2 * ((magnetic - upright) * kr**2)) @ decay,
                (j1 * (electric * alpha * kr**2)) @ decay,
            ]
        )
    return np.asarray(found.imag if ground.is_layered else found.real)


def _fill_powers(
    band: Band,
    powers: Sequence[int],
    rho: NDArray[np.float64],
    zeta: NDArray[np.float64],
    k: float,
    ground: Ground,
) -> NDArray[np.float64]:
    """Kernels times powers of the distance, shape (ghosts + rho, zeta, n)."""
    grid = np.empty((rho.size + GHOSTS, zeta.size, len(powers)))
    begin = 0
    while begin < rho.size:
        limit = 5.0 * (rho[begin] if begin else zeta[GHOSTS])
        stop = max(begin + 1, int(np.searchsorted(rho, limit, side="right")))
        columns = band(rho[begin:stop], zeta, k, ground)
        distance = np.hypot(rho[begin:stop, None], zeta)
        for column, power in enumerate(powers):
            grid[begin + GHOSTS : stop + GHOSTS, :, column] = columns[column] * distance**power
        begin = stop
    grid[:GHOSTS] = grid[2 * GHOSTS : GHOSTS : -1]
    return grid


def evanescent_grid(
    band: Band,
    powers: Sequence[int],
    k: float,
    ground: Ground,
    *,
    rho_max: float,
    zeta_min: float,
    zeta_max: float,
) -> tuple[NDArray[np.float64], float, float]:
    """Kernels times powers of the distance on a grid of (rho, zeta).

    `band` (rho, zeta, k, ground) gives the n kernels on a part of it, shape (n, R, Z).

    Returns
    -------
    grid : (U, V, n) float
    stretch, dv : float
        Of the grid, see :mod:`.kernels`; rho_scale is zeta_min and du is STEP. [1/m, 1]
    """
    k1 = lowest_wavenumber(ground, k)
    # the kernels beat with k, and with k1 where the lateral wave lives that far
    beat = k1.real if abs(k1.imag) * rho_max < 12.0 else k

    def fill(rho: NDArray[np.float64], zeta: NDArray[np.float64]) -> NDArray[np.float64]:
        return _fill_powers(band, powers, rho, zeta, k, ground)

    def size(grid: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.maximum(np.abs(grid).max(axis=(1, 2), keepdims=True), 1e-300)

    return fill_fine_enough(
        fill,
        size if ground.is_layered else None,
        rho_max=rho_max,
        zeta_min=zeta_min,
        zeta_max=zeta_max,
        rho_stretch=STEP * max(k, beat) / 0.7,
        step=STEP,
    )


def _evanescent_power(
    positions: NDArray[np.float64],
    moments: NDArray[np.complex128],
    k: float,
    ground: Ground,
    *,
    n_own: int,
    zeta_min: float | None = None,
) -> float:
    """Part of kr > k by pairs of source points, the first one among the first `n_own`.

    `zeta_min` is the least sum of heights of these pairs, where that is not of the lowest points.
    """
    z = positions[:, 2]
    zeta_min = 2.0 * float(z.min()) if zeta_min is None else zeta_min
    zeta_max = 2.0 * float(z.max())
    flat = positions[:, :2]
    rho_max = max(float(np.hypot(*np.ptp(flat, axis=0))), 0.1 * zeta_min)
    grid, stretch, dv = evanescent_grid(
        _evanescent_band, (3, 3, 5, 4), k, ground,
        rho_max=rho_max, zeta_min=zeta_min, zeta_max=zeta_max,
    )  # fmt: skip
    rows = np.empty(n_own)
    pair_power(
        np.ascontiguousarray(positions),
        np.ascontiguousarray(moments),
        grid,
        zeta_min,
        stretch,
        zeta_min,
        STEP,
        dv,
        rows,
    )
    return float(rows.sum())
