r"""Power that goes into the earth where wires are led to it.

The flux of :mod:`.flux` in terms of J alone cannot be summed over pairs of points that touch the
ground.  With the charges drawn out, Q = Int I' exp(j k_t . r' - alpha z') ds + sum i_c exp(j k_t .
r_c) = -j kr J_u + alpha J_z, the evanescent part (kr > k, kz = -j alpha) becomes

    h |J_h|^2 + z |J_z|^2 + q |Q|^2 + 2 x Re(J_z Q*),
    z = (e k^4 - h alpha^2)/kr^2,   q = (e alpha^2 - h)/kr^2,   x = alpha (e k^2 + h)/kr^2,

four scalar kernels no worse than 1/R' at the contact, integrated over pairs of elements like the
reflected Green's functions.  Waves that propagate in air are summed as plane waves of J, as before.

A contact's own share of q |Q|^2 is taken at the distance a_e that stands for the electrode.  The
matrix holds Z_e in place of K(a_e)/(jw eps0), so the electrode also turns |i|^2 times the
difference of their real parts to heat.  The distance a_e is not in the vector potential and the far
field, and the evanescent waves of thick conductors are those of their axes: the balance of powers
closes to some |k1 a_e|^2 of what the contacts take, and (ka)^2.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from scipy.constants import epsilon_0

from ...materials.ground import Ground
from ..errors import SolverError
from ..moments.assembly import BUFFER_BYTES, Prepared
from ..moments.basis import ComplexArray, ElementCurrents, FloatArray, PointMoments
from ..moments.rings import ring_filaments
from .bessel import bessel_matrices, taylor_coefficients
from .contacts import (
    LOWEST_IN_RADII,
    ContactCharges,
    contact_reach,
    contact_table,
    homogeneous_permittivity,
    potential_moments,
)
from .flux import (
    STEP,
    _densities,
    _evanescent_path,
    _evanescent_power,
    _moments_above,
    _plane_nodes,
    _propagating_power,
    _sources,
    evanescent_grid,
)
from .kernels import interpolate_kernels_at
from .pair_moments import KernelArguments, reflected_adder
from .reflection import free_space_wavenumber
from .tables import blas_threads

if TYPE_CHECKING:
    from ..moments.assembly import Elements

__all__ = ["contact_flux"]


def contact_flux(
    currents: ElementCurrents,
    charges: ContactCharges,
    impedances: ComplexArray,
    prepared: Prepared,
    frequency: float,
    ground: complex | Ground,
    *,
    polarisation: PointMoments | None = None,
) -> float:
    """Power absorbed by a homogeneous earth that wires are led to, electrodes included. [W]

    Parameters
    ----------
    currents, charges
        Currents on the elements of `prepared`, and out of the ground at its contacts, RMS.
    impedances : (C,) complex
        Of the electrodes. [ohm]
    prepared : Prepared
        The mesh and its pairs.
    frequency : float
        [Hz]
    ground : complex or Ground
        Relative complex permittivity of a homogeneous earth.
    polarisation : PointMoments, optional
        What the currents induce in solids nearby, above ground. [A m]
    """
    ec = homogeneous_permittivity(frequency, ground)
    ground = Ground.of(ec)
    k = free_space_wavenumber(frequency)
    elements = prepared.elements
    filaments = ring_filaments(currents, k)
    half = 0.5 * np.linalg.norm(filaments.end - filaments.start, axis=1)
    positions, moments = _sources(filaments, _plane_nodes(k * half))
    n_own = len(positions)
    if polarisation is not None:
        more, with_moments = _moments_above(polarisation)
        positions = np.concatenate([positions, more])
        moments = np.concatenate([moments, with_moments])
    total = _propagating_power(positions, moments, k, ground, n_own=n_own)
    total += _evanescent_share(currents, charges, prepared, k, ground)
    total += _electrode_heat(charges, impedances, elements, frequency, ec)
    if polarisation is not None:
        total += _cross_share(currents, polarisation, elements, k, ground)
    return total


def _electrode_heat(
    charges: ContactCharges,
    impedances: ComplexArray,
    elements: Elements,
    frequency: float,
    ec: complex,
) -> float:
    """What the electrodes take beyond the flux of a charge at a_e from itself. [W]"""
    if not charges.radius.size:
        return 0.0
    table = contact_table(charges.positions, charges.radius, elements, frequency, ec)
    own = table(charges.radius, np.zeros(charges.radius.size))
    model = (own / (2j * np.pi * frequency * epsilon_0)).real
    return float(np.sum(np.abs(charges.currents) ** 2 * (impedances.real - model)))


def _cross_share(
    currents: ElementCurrents,
    polarisation: PointMoments,
    elements: Elements,
    k: float,
    ground: Ground,
) -> float:
    """Evanescent part of wires with point moments, which lie above ground. [W]"""
    points, vectors = _moments_above(polarisation)
    if not len(points):
        return 0.0
    lowest = float(points[:, 2].min())
    low = elements.center[:, 2] - np.abs(elements.half[:, 2]) + lowest
    distance = np.maximum(low / elements.length, 1e-3)
    rate = np.log(distance + np.sqrt(1.0 + distance**2))
    nodes = np.ceil(np.log(1e7) / (2.0 * rate) + 0.5 * k * elements.length).astype(np.int64)
    positions, moments = _sources(currents, nodes)
    both = np.concatenate([points, positions]), np.concatenate([vectors, moments])
    together = _evanescent_power(*both, k, ground, n_own=len(points), zeta_min=lowest)
    return together - _evanescent_power(points, vectors, k, ground, n_own=len(points))


# --- the evanescent part of the wires --------------------------------------------------------


def _potential_band(
    rho: NDArray[np.float64], zeta: NDArray[np.float64], k: float, ground: Ground
) -> NDArray[np.float64]:
    """Kernels of h, q, z and x on the grid rho x zeta, shape (4, R, Z)."""
    kr, weights = _evanescent_path(
        k, ground, rho_min=float(rho[0]), rho_max=float(rho[-1]),
        zeta_min=float(zeta[0]), zeta_max=float(zeta[-1]),
    )  # fmt: skip
    bessel = [np.empty((rho.size, kr.size) if n < 2 else (0, 0), np.complex128) for n in range(3)]
    bessel_matrices(rho, kr, taylor_coefficients(), *bessel)
    kr, weights = kr.real, weights.real  # the path of a homogeneous earth
    kz, electric, magnetic = _densities(kr, k, ground)
    alpha = -kz.imag
    plain = weights * kr / (2.0 * np.pi)
    spectra = (
        magnetic,
        (electric * alpha**2 - magnetic) / kr**2,
        (electric * k**4 - magnetic * alpha**2) / kr**2,
        alpha * (electric * k**2 + magnetic) / kr**2,
    )
    decay = np.exp(-alpha[:, None] * zeta)
    j0 = np.ascontiguousarray(bessel[0].real)
    with blas_threads(4 * j0.size * zeta.size):
        return np.array([(j0 * (plain * spectrum)) @ decay for spectrum in spectra])


def _kernel_arguments(
    grid: NDArray[np.float64], columns: tuple[int | None, ...], scale: float, stretch: float
) -> KernelArguments:
    """The grid as a table of four kernels over 1/(4 pi R), for kernels without a phase."""
    values = np.zeros((*grid.shape[:2], 8))
    for place, column in enumerate(columns):
        if column is not None:
            values[..., 2 * place] = 4.0 * np.pi * grid[..., column]
    return values, scale, stretch, scale, STEP, STEP, 0.0


def _evanescent_share(
    currents: ElementCurrents,
    charges: ContactCharges,
    prepared: Prepared,
    k: float,
    ground: Ground,
) -> float:
    from ..fields.near import slope_coefficients

    elements = prepared.elements
    across, lowest, highest = prepared.extent(k)
    reach = np.hypot(
        max(across, contact_reach(charges.positions, elements)),
        float(charges.radius.max(initial=0.0)),
    )
    least = min(lowest, LOWEST_IN_RADII * float(charges.radius.min(initial=np.inf)))
    grid, stretch, _ = evanescent_grid(
        _potential_band, (1, 1, 1, 1), k, ground, rho_max=float(reach), zeta_min=least,
        zeta_max=highest,
    )  # fmt: skip
    # (h, q, z) take the places of g_vv, g_phi, g_zz, whose products with directions they share
    plain = _kernel_arguments(grid, (0, 1, 2, None), least, stretch)
    crossed = _kernel_arguments(grid, (None, 3, None, None), least, stretch)
    current, slope = currents.current, slope_coefficients(currents)
    upright = (elements.half[:, 2] / elements.length)[:, None] * current
    n, orders = current.shape
    total = 0.0
    step = max(1, min(n, int(BUFFER_BYTES / (n * 2 * orders * orders * 16))))
    top, pairs = int(elements.degree.max()), prepared.reflected
    if pairs is None:
        raise SolverError("earth flux at contacts: the mesh was prepared without a real earth")
    adders = reflected_adder(top, plain), reflected_adder(top, crossed)
    for first in range(0, n, step):
        last = min(first + step, n)
        own, mixed = np.zeros((2, last - first, n, 2, orders, orders), dtype=np.complex128)
        adders[0](own, first, last, 0, elements, pairs)
        adders[1](mixed, first, last, 0, elements, pairs)
        # every pair once, those off the diagonal for two
        twice = np.where(np.arange(n) == np.arange(first, last)[:, None], 1.0, 2.0)
        rows = slice(first, last)
        for moments, values in ((own[:, :, 0], current), (own[:, :, 1], slope)):
            total += _pair_sum(twice, values[rows], moments, values)
        total += _pair_sum(twice, upright[rows], mixed[:, :, 1], slope)
        total += _pair_sum(twice, slope[rows], mixed[:, :, 1], upright)
    total += _contact_share(charges, elements, slope, upright, plain, crossed)
    return total


def _pair_sum(
    weight: FloatArray, left: ComplexArray, moments: ComplexArray, right: ComplexArray
) -> float:
    return float(
        np.einsum("ab,ai,abij,bj->", weight, left, moments, right.conj(), optimize=True).real
    )


def _contact_share(
    charges: ContactCharges,
    elements: Elements,
    slope: ComplexArray,
    upright: ComplexArray,
    plain: KernelArguments,
    crossed: KernelArguments,
) -> float:
    """Charges at contacts with each other and with the wires. [W]"""

    def look_up(arguments: KernelArguments):
        def at(rho: FloatArray, height: FloatArray) -> ComplexArray:
            out = np.empty((4, rho.size), dtype=np.complex128)
            lifted = np.maximum(height, arguments[3])
            interpolate_kernels_at(np.ascontiguousarray(rho), lifted, *arguments, out)
            return out[1]

        return at

    total = 0.0
    orders = slope.shape[1]
    for c, entering in enumerate(charges.currents):
        where = charges.positions[c], float(charges.radius[c])
        by_charge = potential_moments(look_up(plain), *where, elements)[:, :orders]
        by_current = potential_moments(look_up(crossed), *where, elements)[:, :orders]
        met = (by_charge * slope + by_current * upright) * elements.length[:, None]
        total += 2.0 * float((met.sum() * np.conj(entering)).real)
    gap = charges.positions[:, None, :2] - charges.positions[:, :2]
    square = charges.radius**2
    rho = np.sqrt((gap**2).sum(axis=-1) + 0.5 * (square[:, None] + square))
    mutual = look_up(plain)(rho.ravel(), np.zeros(rho.size)).reshape(rho.shape).real
    return total + float((charges.currents @ mutual @ charges.currents.conj()).real)
