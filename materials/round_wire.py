r"""Skin effect of round wire, solid or in layers: numbers in, numbers out.

Time dependence exp(+jwt). In a layer of conductivity sigma and permeability mu, with
gamma = sqrt(j w mu sigma) = (1 + j)/delta, the axial field is A I0(gamma r) + B K0(gamma r), and
from curl E = -jw mu H the magnetic field is (sigma/gamma) [A I1(gamma r) - B K1(gamma r)].
Displacement current in the metal is left out: w eps0/sigma is below 1e-8 for any metal at 300 MHz.
"""

from __future__ import annotations

from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.constants import mu_0

from .checks import require_frequencies, require_number
from .errors import MaterialError

# Up to here the power series of x I0(x)/(2 I1(x)): five terms leave 2e-16 at 0.1.
_SERIES_UP_TO = 0.1
# From here on the asymptotic series of the Bessel functions; four terms leave below 1e-18 at 1e4.
# Below it the library functions are good; above about 1e9 they return NaN.
_ASYMPTOTIC_FROM = 1.0e4


class Layer(NamedTuple):
    """One layer of a round wire, from the layer below it (or the axis) to `outer_radius`."""

    outer_radius: float
    """Outer radius. [m]"""
    conductivity: float
    """Conductivity. [S/m]"""
    relative_permeability: float
    """Relative permeability."""


def skin_depth(
    frequency: ArrayLike, *, conductivity: float, relative_permeability: float = 1.0
) -> NDArray[np.float64]:
    """Depth at which a plane wave in the metal has fallen by 1/e: 1/sqrt(pi f mu sigma).

    Parameters
    ----------
    frequency : array_like, shape (...)
        Frequency, > 0. [Hz]
    conductivity : float
        Conductivity, > 0. [S/m]
    relative_permeability : float
        Relative permeability, > 0.

    Returns
    -------
    ndarray of float64, shape (...)
        Skin depth. [m]

    Raises
    ------
    MaterialError
        If any argument is out of range.

    References
    ----------
    .. [1] Ramo, Whinnery & Van Duzer, Fields and Waves in Communication Electronics, chapter on
       skin effect (from memory).
    """
    frequencies = require_frequencies(frequency, what="a skin depth")
    sigma, mu_r = _metal(conductivity, relative_permeability)
    return np.asarray(1.0 / np.sqrt(np.pi * frequencies * mu_0 * mu_r * sigma))


def internal_impedance(
    frequency: ArrayLike,
    *,
    radius: float,
    conductivity: float,
    relative_permeability: float = 1.0,
) -> NDArray[np.complex128]:
    r"""Internal impedance per metre of a solid round wire.

    Parameters
    ----------
    frequency : array_like, shape (...)
        Frequency, > 0. [Hz]
    radius : float
        Wire radius, > 0. [m]
    conductivity : float
        Conductivity, > 0. [S/m]
    relative_permeability : float
        Relative permeability, > 0.

    Returns
    -------
    ndarray of complex128, shape (...)
        Impedance per length; the inductive part is positive. [ohm/m]

    Raises
    ------
    MaterialError
        If any argument is out of range.

    Notes
    -----
    Z = R_dc q(gamma a), q(x) = x I0(x)/(2 I1(x)) [1]_. At low frequency q -> 1 + x^2/8, that is
    Z -> R_dc + jw mu/(8 pi); at high frequency Z/R_dc -> x/2 + 1/4. q is a power series for small
    x (so that the inductance keeps its digits at any low frequency), a ratio of scaled Bessel
    functions, or their asymptotic series for large x, and never overflows.

    References
    ----------
    .. [1] Ramo, Whinnery & Van Duzer, Fields and Waves in Communication Electronics, chapter on
       the impedance of round wires (from memory).
    """
    only = Layer(radius, conductivity, relative_permeability)
    return layered_internal_impedance(frequency, layers=(only,))


def layered_internal_impedance(
    frequency: ArrayLike, *, layers: tuple[Layer, ...]
) -> NDArray[np.complex128]:
    r"""Internal impedance per metre of a round wire made of concentric layers.

    Parameters
    ----------
    frequency : array_like, shape (...)
        Frequency, > 0. [Hz]
    layers : tuple of Layer, length N >= 1
        From the core outwards, outer radii rising.

    Returns
    -------
    ndarray of complex128, shape (...)
        Impedance per length; the inductive part is positive. [ohm/m]

    Raises
    ------
    MaterialError
        If a value is out of range or the radii do not rise.

    Notes
    -----
    E/H is carried outwards through the layers, both fields being continuous. With E/H = Zb at the
    inner radius b of a layer, eta = gamma/sigma, and i_n = I_n exp(-x), k_n = K_n exp(+x),

        r = (Zb i1(b) - eta i0(b))/(eta k0(b) + Zb k1(b)) exp(-2 gamma (a - b))
        E/H at a = eta (i0(a) + r k0(a))/(i1(a) - r k1(a))

    The only exponential left decays, so a thick layer turns into the solid wire of its own metal
    instead of overflowing. The wire's impedance is (E/H)/(2 pi a).
    """
    frequencies = require_frequencies(frequency, what="an internal impedance")
    _require_rising(layers)
    omega = 2.0 * np.pi * frequencies
    core = layers[0]
    core_q = _half_x_ratio(_gamma(omega, core) * core.outer_radius)
    surface = 2.0 * core_q / (core.conductivity * core.outer_radius)  # E/H, ohms
    for inner, layer in pairwise(layers):
        gamma = _gamma(omega, layer)
        eta = gamma / layer.conductivity
        i0, i1, k0, k1 = _scaled_bessel(gamma * inner.outer_radius)
        thickness = layer.outer_radius - inner.outer_radius
        ratio = (surface * i1 - eta * i0) / (eta * k0 + surface * k1)
        ratio = ratio * np.exp(-2.0 * gamma * thickness)
        i0, i1, k0, k1 = _scaled_bessel(gamma * layer.outer_radius)
        surface = eta * (i0 + ratio * k0) / (i1 - ratio * k1)
    return np.asarray(surface / (2.0 * np.pi * layers[-1].outer_radius), dtype=np.complex128)


def dc_resistance(layers: tuple[Layer, ...]) -> float:
    """Direct-current resistance per metre of a round wire made of concentric layers. [ohm/m]

    Parameters
    ----------
    layers : tuple of Layer, length N >= 1
        From the core outwards, outer radii rising.

    Raises
    ------
    MaterialError
        If a value is out of range or the radii do not rise.
    """
    _require_rising(layers)
    conductance, inner = 0.0, 0.0
    for layer in layers:
        area = np.pi * (layer.outer_radius - inner) * (layer.outer_radius + inner)
        conductance += layer.conductivity * area
        inner = layer.outer_radius
    return 1.0 / conductance


def _metal(conductivity: float, relative_permeability: float) -> tuple[float, float]:
    sigma = require_number(
        conductivity,
        what="conductivity of a conductor",
        unit="S/m",
        above=0.0,
        cure="Give siemens per metre, for copper 5.8e7; for a wire without loss give no conductor.",
    )
    mu_r = require_number(
        relative_permeability,
        what="relative permeability of a conductor",
        unit="",
        above=0.0,
        cure="Use 1 for metals that a magnet does not attract, hundreds for iron and steel.",
    )
    return sigma, mu_r


def _require_rising(layers: tuple[Layer, ...]) -> None:
    if not layers:
        raise MaterialError("a wire needs at least one layer; none was given. Give the core.")
    inner = 0.0
    for layer in layers:
        _metal(layer.conductivity, layer.relative_permeability)
        radius = require_number(
            layer.outer_radius,
            what="radius of a wire or of one of its layers",
            unit="m",
            above=0.0,
            cure="Give the radius (not the diameter) in metres, for example 0.0008.",
        )
        if radius <= inner:
            raise MaterialError(
                f"outer radii of the layers must rise from the core outwards; {radius:g} m "
                f"follows {inner:g} m. Give the layers in order."
            )
        inner = radius


def _gamma(omega: NDArray[np.float64], layer: Layer) -> NDArray[np.complex128]:
    half = 0.5 * omega * mu_0 * layer.relative_permeability * layer.conductivity
    return np.asarray((1.0 + 1.0j) * np.sqrt(half))


def _half_x_ratio(x: NDArray[np.complex128]) -> NDArray[np.complex128]:
    """q(x) = x I0(x)/(2 I1(x)), Re x > 0, any shape, without overflow or cancellation."""
    from scipy.special import ive  # slow to import, needed only here

    x = np.asarray(x, dtype=np.complex128)
    q = np.empty_like(x)
    size = np.abs(x)
    small, large = size <= _SERIES_UP_TO, size >= _ASYMPTOTIC_FROM
    middle = ~(small | large)
    w = x[small] * x[small]  # Rayleigh sums of the zeros of J1: 1/8, 1/192, 1/3072, 1/46080
    q[small] = 1.0 + w * (1 / 8 - w * (1 / 192 - w * (1 / 3072 - w / 46080)))
    q[middle] = 0.5 * x[middle] * ive(0, x[middle]) / ive(1, x[middle])
    i0, i1 = _asymptotic(x[large], order=0, sign=-1.0), _asymptotic(x[large], order=1, sign=-1.0)
    q[large] = 0.5 * x[large] * i0 / i1
    return q


def _scaled_bessel(
    x: NDArray[np.complex128],
) -> tuple[
    NDArray[np.complex128],
    NDArray[np.complex128],
    NDArray[np.complex128],
    NDArray[np.complex128],
]:
    """I0 exp(-x), I1 exp(-x), K0 exp(x), K1 exp(x) for Re x > 0, each the shape of x."""
    from scipy.special import ive, kve  # slow to import, needed only here

    x = np.asarray(x, dtype=np.complex128)
    large = np.abs(x) >= _ASYMPTOTIC_FROM
    near, far = x[~large], x[large]
    phase = np.exp(-1.0j * near.imag)  # ive takes exp(-Re x) only
    found: list[NDArray[np.complex128]] = []
    for order in (0, 1):
        scaled_i, scaled_k = np.empty_like(x), np.empty_like(x)
        scaled_i[~large] = ive(order, near) * phase
        scaled_k[~large] = kve(order, near)
        root = np.sqrt(2.0 * np.pi * far)
        scaled_i[large] = _asymptotic(far, order=order, sign=-1.0) / root
        scaled_k[large] = _asymptotic(far, order=order, sign=1.0) * (np.pi / root)
        found += [scaled_i, scaled_k]
    return found[0], found[2], found[1], found[3]


def _asymptotic(x: NDArray[np.complex128], *, order: int, sign: float) -> NDArray[np.complex128]:
    """Large-argument series of I (sign -1) or K (sign +1) without its leading factor."""
    m = 4.0 * order * order
    total, term = np.ones_like(x), np.ones_like(x)
    for n in range(1, 5):
        term = term * (sign * (m - (2 * n - 1) ** 2) / (8.0 * n)) / x
        total = total + term
    return total
