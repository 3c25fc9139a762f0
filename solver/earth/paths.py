"""Where the spectral integrals of the earth are evaluated: paths, panels, grids of distances."""

from __future__ import annotations

import cmath
import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy.special import erfc

from ...materials.ground import Ground
from .reflection import reflect

__all__ = [
    "MOST_AT_ONCE",
    "finer_stretch",
    "gauss_panels",
    "guided_limit",
    "integration_path",
    "interpolation_excess",
    "invert_map",
    "lowest_wavenumber",
    "resolution",
    "resolved_edges",
]

#: decay of exp(-kr zeta) at which the path may end: exp(-34) = 2e-15
_DECAY = 34.0
#: beyond the layers' own wavenumbers, to have all guided waves behind
_PAST_LAYERS = 1.1
_MOST_HALVINGS = 40
#: a grid that steps over an oscillation tells too little of how much finer it must be
MOST_AT_ONCE = 4.0


def lowest_wavenumber(ground: Ground, wavenumber: complex) -> complex:
    """Wavenumber of the half-space below all layers, the air's if it is perfect. [rad/m]

    It is where the reflection coefficients branch, besides at the air's own; finite layers give
    poles only.
    """
    if ground.has_perfect_bottom:
        return complex(wavenumber)
    return complex(wavenumber * np.sqrt(complex(ground.bottom)))


def guided_limit(ground: Ground, wavenumber: complex) -> float:
    """Real part below which waves guided by the layers have their poles, 0 without layers."""
    if not ground.is_layered:
        return 0.0
    inside = [(wavenumber * np.sqrt(complex(e))).real for e in ground.permittivities[:-1]]
    return _PAST_LAYERS * max(complex(wavenumber).real, *inside)


def gauss_panels(
    edges: NDArray[np.float64], order: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Gauss-Legendre nodes and weights of all panels between rising edges, one after another."""
    x, w = np.polynomial.legendre.leggauss(order)
    half = 0.5 * np.diff(edges)[:, None]
    middle = 0.5 * (edges[:-1] + edges[1:])[:, None]
    return (middle + half * x).ravel(), (half * w).ravel()


def resolved_edges(
    edges: NDArray[np.float64],
    functions: Callable[[NDArray[np.float64]], NDArray[np.complex128]],
    *,
    order: int,
    tolerance: float,
) -> NDArray[np.float64]:
    """Edges with panels halved until all functions are polynomials on each.

    Parameters
    ----------
    edges : ndarray of float64, shape (N,)
        Rising edges to start from.
    functions : callable
        Takes points, shape (Q,), and returns values of shape (n, Q), of the order of 1.
    order : int
        Gauss nodes per panel.
    tolerance : float
        What the last two Legendre coefficients on a panel may be. A Gauss rule integrates to
        about the square of that.
    """
    x, w = np.polynomial.legendre.leggauss(order)
    degree = np.arange(order)
    # Legendre coefficients from values at the nodes: exact up to degree order - 1
    last_two = (np.polynomial.legendre.legvander(x, order - 1) * w[:, None] * (degree + 0.5))[
        :, -2:
    ]
    low, high = np.asarray(edges[:-1], float), np.asarray(edges[1:], float)
    done = [np.asarray(edges, float)]
    for _ in range(_MOST_HALVINGS):
        points = (0.5 * (low + high)[:, None] + 0.5 * (high - low)[:, None] * x).ravel()
        values = functions(points).reshape(-1, low.size, order)
        rough = np.abs(values @ last_two).max(axis=(0, 2)) > tolerance
        if not rough.any():
            break
        low, high = low[rough], high[rough]
        middle = 0.5 * (low + high)
        done.append(middle)
        low, high = np.concatenate([low, middle]), np.concatenate([middle, high])
    return np.sort(np.concatenate(done))


def resolution(order: int) -> float:
    """Tolerance of `resolved_edges` that leaves the rest of an integrand its part of the nodes."""
    return 10.0 ** (-0.5 * order - 2.0)


def integration_path(
    wavenumber: complex,
    ground: Ground,
    *,
    rho_min: float,
    rho_max: float,
    zeta_min: float,
    zeta_max: float,
    order: int = 12,
    window: float = 9.2,
) -> tuple[NDArray[np.complex128], NDArray[np.complex128]]:
    r"""Nodes and weights in the complex kr plane for all distances of one band.

    Parameters
    ----------
    wavenumber : complex
        Wavenumber of air, k, Im <= 0. [rad/m]
    ground : Ground
        Permittivities of the earth relative to the air.
    rho_min, rho_max : float
        Least and greatest horizontal distance the path serves, 0 <= rho_min <= rho_max. [m]
    zeta_min, zeta_max : float
        Least and greatest sum of heights, 0 < zeta_min <= zeta_max. [m]
    order : int, optional
        Gauss-Legendre nodes per panel: 8 leaves about 1e-7, 12 about 1e-11.
    window : float, optional
        The window that ends the path for large rho leaves exp(-window^2/4): 9.2 gives
        6e-10, 11.5 gives 4e-15.

    Returns
    -------
    kr, weights : ndarray of complex128, shape (Q,)
        Int f(kr) dkr = sum weights f(kr) for integrands with a Bessel function of kr rho.

    Notes
    -----
    kr(t) = t + j h tanh(t/0.35k), h = min(0.4k, 0.8/rho_max): above every branch point and
    pole. Panels are no longer than min(0.8 d or 0.3 h, 9/rho_max, t or 0.35 k), d the
    distance to the nearer of k and k1 (of the lowest half-space), and kz zeta_max changes by no more than 6 on one
    while exp(-j kz zeta_max) counts. Two things can end the path: exp(-kr zeta), or a
    window erfc((t - c)/s)/2 with s = window/rho_min. On moving the contour of the remainder
    by j s^2 rho/2 its part exp(+-j kr rho) shrinks to exp(-window^2/4), as long as no branch
    point lies within that distance of [c, inf); c is chosen so.

    Over layers, poles of guided waves may lie on or below the real axis up to the greatest
    wavenumber of a layer. The path passes above them, with panels no longer than 2 h up to 1.1
    times that wavenumber, c stays clear of them, and panels are halved wherever the reflection
    coefficients are not smooth on them.
    """
    branch = complex(wavenumber)
    earth_wavenumber = lowest_wavenumber(ground, wavenumber)
    guided = guided_limit(ground, wavenumber)
    k = branch.real
    h = min(0.4 * k, 0.8 / rho_max) if rho_max > 0.0 else 0.4 * k
    end = 2.0 * k + _DECAY / zeta_min
    centre, width = np.inf, 1.0
    if rho_min > 0.0:
        width = window / rho_min
        clear = 0.5 * window**2 / rho_min
        centre = k + clear
        depth = abs(earth_wavenumber.imag)
        if depth < clear:
            centre = max(centre, earth_wavenumber.real + np.sqrt(clear**2 - depth**2))
        if guided:
            centre = max(centre, guided + clear)
        end = min(end, centre + 0.5 * window * width)
    edges = [0.0]
    t = 0.0
    longest = 9.0 / rho_max if rho_max > 0.0 else np.inf
    while t < end:
        kr = t + 1j * h * math.tanh(t / (0.35 * k))
        near = min(abs(kr - branch), abs(kr - earth_wavenumber))
        step = min(max(0.8 * near, 0.3 * h), longest, max(t, 0.35 * k))
        kz = abs(cmath.sqrt(kr * kr - k * k))
        if t < k or kz * zeta_max < _DECAY:
            step = min(step, 6.0 * kz / (abs(kr) * zeta_max + 1e-300))
        if t < guided:
            step = min(step, 2.0 * h)
        t += step
        edges.append(t)
    edges = np.array(edges)

    def place(t: NDArray[np.float64]) -> NDArray[np.complex128]:
        return t + 1j * h * np.tanh(t / (0.35 * k))

    if guided:

        def smooth(t: NDArray[np.float64]) -> NDArray[np.complex128]:
            return np.stack(reflect(place(t), wavenumber, ground)[1:3])

        edges = resolved_edges(edges, smooth, order=order, tolerance=resolution(order))
    t, weights = gauss_panels(edges, order)
    kr = place(t)
    weights = weights * (1.0 + 1j * (h / (0.35 * k)) * (1.0 - np.tanh(t / (0.35 * k)) ** 2))
    if np.isfinite(centre):
        weights = weights * (0.5 * erfc((t - centre) / width))
    return kr, weights


def invert_map(
    u: NDArray[np.floating], rho_scale: float, rho_stretch: float
) -> NDArray[np.float64]:
    """rho with asinh(rho/s) + q rho = u, by Newton's method from above (it is convex)."""
    if rho_stretch == 0.0:
        return rho_scale * np.sinh(u)
    slope = rho_stretch * rho_scale
    y = np.minimum(u, np.arcsinh(u / slope))
    for _ in range(60):
        change = (y + slope * np.sinh(y) - u) / (1.0 + slope * np.cosh(y))
        y = y - change
        if np.max(np.abs(change)) < 1e-14 * (1.0 + u[-1]):
            break
    return rho_scale * np.sinh(y)


def interpolation_excess(
    grid: NDArray[np.float64], size: NDArray[np.float64], *, target: float
) -> tuple[NDArray[np.float64], float]:
    """By how much a grid is too coarse for six-point interpolation, along both of its axes.

    Parameters
    ----------
    grid : ndarray of float64, shape (U, V, columns)
        Values on equal steps.
    size : ndarray of float64, shape (U, 1, columns or 1)
        What errors are relative to, > 0.
    target : float
        Error allowed, of `size`.

    Returns
    -------
    along_u : ndarray of float64, shape (U,)
        Factor by which steps there ought to be shorter; below 1 they may be longer.
    along_v : float
        The same for all of the other axis.

    Notes
    -----
    The error in the middle of a step is (5/1024) times the sixth difference.
    """

    def excess(sixth: NDArray[np.float64], size: NDArray[np.float64]) -> NDArray[np.float64]:
        error = (5.0 / 1024.0) * (np.abs(sixth) / size).max(axis=(1, 2), initial=0.0)
        return (error / target) ** (1.0 / 6.0)

    by_row = excess(np.diff(grid, 6, axis=0), size[3:-3])
    spread = np.zeros(grid.shape[0])
    for shift in range(7):
        part = spread[shift : shift + by_row.size]
        np.maximum(part, by_row, out=part)
    return spread, float(excess(np.diff(grid, 6, axis=1), size).max())


def finer_stretch(
    rho: NDArray[np.float64],
    excess: NDArray[np.float64],
    *,
    rho_scale: float,
    rho_stretch: float,
) -> float:
    """Linear part q of the map u(rho) that shortens the steps as `interpolation_excess` asks.

    Parameters
    ----------
    rho : ndarray of float64, shape (U,)
        Distances of the grid without its ghosts. [m]
    excess : ndarray of float64, shape (ghosts + U,)
        Factors for all rows.
    """
    slope = 1.0 / np.hypot(rho, rho_scale)
    factor = np.minimum(excess[-rho.size :] * 1.1, MOST_AT_ONCE)
    return max(rho_stretch, float(np.max(factor * (slope + rho_stretch) - slope)))
