r"""Wires led into real earth: the charge that a contact adds, and its potential.

Where a wire ends on the earth its current i goes on through an electrode.  Seen from above, the
wire's charge density -(1/jw) dI/ds gains -(1/jw) i delta(contact), i the current that enters the
wire from the ground.  A charge on the surface has the potential of

    K = g + g_phi at z' = 0 = (1/2 pi j) Int exp(-j kz z) / (ec kz + kz1) J0(kr rho) kr dkr,

in which the two parts, nearly opposite over good earth, are drawn together so that no digits are
lost.  Close by, K = 2 g/(1 + ec), and i K/(jw eps0) is the potential i/(2 pi y R) of a current led
into a half-space of admittivity y = sigma + jw eps0 (er + 1).

With f' the slope of a function and S its current out of the ground, the impedance matrix gains

    (1/jw eps0) (<f_m' K> S_n + S_m <f_n' K>) + S_m S_n Z_cc'.

Z_cc is the electrode's impedance, Z_cc' = K/(jw eps0) between two contacts.  The distance from a
contact is R^2 = D^2 + a_e^2 with a_e = 1/(2 pi |y Z_e|), the radius at which the contact would
have the electrode's impedance; between two contacts the mean of their squares is taken.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.constants import epsilon_0

from ...geometry.electrodes import Electrode, surface_admittivity
from ...materials.ground import Ground
from ..errors import SolverError
from ..moments.basis import (
    Basis,
    ComplexArray,
    FloatArray,
    IntArray,
    legendre_of_slopes,
)
from ..moments.quadrature import gauss
from .bessel import bessel_matrices, taylor_coefficients
from .kernels import interpolate_kernels_at
from .paths import integration_path, invert_map
from .reflection import free_space_wavenumber, vertical_wavenumber
from .tables import blas_threads, check_medium, lateral_stretch

if TYPE_CHECKING:
    from ...geometry.mesh import Mesh
    from ..moments.assembly import Elements, Filled

__all__ = ["ContactCharges", "ContactTable", "EarthContacts", "evaluate_contact_kernel"]

_STEP = 0.1
_GHOSTS = 2
_BAND = 5.0
LOWEST_IN_RADII = 0.01
"""Heights below so many radii a_e count as this: K no longer changes there."""

_NODES = 8


Lookup = Callable[[FloatArray, FloatArray], ComplexArray]
"""A kernel at horizontal distances and heights, each of shape (P,)."""


class ContactCharges(NamedTuple):
    """Currents that enter wires from the earth, as point charges on its surface.

    Attributes
    ----------
    positions : (C, 3) float
        [m]
    currents : (C,) complex
        Out of the ground, RMS; the charge is -1/(jw) of it. [A]
    radius : (C,) float
        a_e, which regularises the distance. [m]
    """

    positions: FloatArray
    currents: ComplexArray
    radius: FloatArray


def homogeneous_permittivity(frequency: float, ground: complex | Ground) -> complex:
    """The relative permittivity of an earth that electrodes may stand in.

    Raises
    ------
    SolverError
        If the earth is layered, or the frequency [Hz] or the earth is out of range.
    """
    checked = check_medium(frequency, ground)
    if checked.is_layered:
        raise SolverError(
            "Electrodes are modelled in homogeneous earth only, and this one has "
            f"{len(checked.thicknesses)} layer(s). Give one earth for the depth that they reach."
        )
    return complex(checked.bottom)


# --- the kernel ----------------------------------------------------------------------------


def _contact_columns(
    rho: NDArray[np.float64],
    zeta: NDArray[np.float64],
    k: float,
    ec: complex,
    *,
    with_gradient: bool,
    order: int,
    window: float,
) -> NDArray[np.complex128]:
    """K and, where asked for, (dK/d rho)/rho and dK/d zeta on the grid rho x zeta, (1 or 3, R, Z).

    They are over F, F/R^2 and F/R with F = 2 g(R)/(1 + ec); rho > 0 in rising order.
    """
    k1 = complex(k * np.sqrt(ec))
    kr, weights = integration_path(
        k, Ground.of(ec), rho_min=float(rho[0]), rho_max=float(rho[-1]),
        zeta_min=float(zeta.min()), zeta_max=float(zeta.max()), order=order, window=window,
    )  # fmt: skip
    kz = vertical_wavenumber(kr, k)
    kz1 = vertical_wavenumber(kr, k1)
    plain = weights * kr / (2j * np.pi * (ec * kz + kz1))
    shape = (rho.size, kr.size)
    j0, j1, unused = (np.empty(shape if n < 2 else (0, 0), np.complex128) for n in range(3))
    bessel_matrices(rho, kr, taylor_coefficients(), j0, j1, unused)
    decay = np.exp((-1j * kz)[:, None] * zeta)
    distance = np.hypot(rho[:, None], zeta)
    scale = 2.0 * np.pi * distance * np.exp(1j * k * distance) * (1.0 + ec)
    with blas_threads(3 * j0.size * zeta.size):
        columns = [scale * ((j0 * plain) @ decay)]
        if with_gradient:
            columns += [
                scale * distance**2 * ((j1 * (-(kr**2) * plain)) @ decay),
                scale * distance * ((j0 * (-1j * kz * plain)) @ decay),
            ]
    return np.array(columns)


def evaluate_contact_kernel(
    rho: ArrayLike, zeta: float, frequency: float, ground: complex | Ground
) -> ComplexArray:
    """K at horizontal distances rho > 0 and one height, by direct integration. [1/m]

    Parameters
    ----------
    rho : array_like, shape (P,)
        In any order. [m]
    zeta : float
        Height of the observer, > 0. [m]
    frequency : float
        [Hz]
    ground : complex or Ground
        Relative complex permittivity of a homogeneous earth.
    """
    ec = homogeneous_permittivity(frequency, ground)
    k = free_space_wavenumber(frequency)
    result = []
    for one in np.asarray(rho, dtype=float).ravel():
        ratio = _contact_columns(
            np.array([one]), np.array([zeta]), k, ec, with_gradient=False, order=14, window=12.0
        )[0, 0, 0]
        distance = np.hypot(one, zeta)
        result.append(ratio * np.exp(-1j * k * distance) / (2.0 * np.pi * (1.0 + ec) * distance))
    return np.array(result, dtype=np.complex128)


@dataclass(frozen=True, eq=False)
class ContactTable:
    """K of one earth at one frequency, for distances from `rho_min` on.

    `values` (U, V, 8) is laid out as that of an `EarthTable`, with K and its two derivatives in
    place of the first three kernels.
    """

    values: FloatArray
    rho_scale: float
    rho_stretch: float
    zeta_min: float
    wavenumber: float
    factor: complex

    @classmethod
    def build(
        cls,
        frequency: float,
        ground: complex | Ground,
        *,
        rho_min: float,
        rho_max: float,
        zeta_max: float,
        with_gradient: bool = False,
    ) -> ContactTable:
        """Fill a table for rho_min <= rho <= rho_max and heights up to zeta_max. [m]"""
        ec = homogeneous_permittivity(frequency, ground)
        k = free_space_wavenumber(frequency)
        scale, zeta_min = 0.5 * rho_min, LOWEST_IN_RADII * rho_min
        stretch = lateral_stretch(
            k, Ground.of(ec), rho_scale=scale, rho_max=rho_max, zeta_min=zeta_min, step=_STEP
        )
        last = np.arcsinh(rho_max / scale) + stretch * rho_max
        rho = invert_map(_STEP * np.arange(int(last / _STEP) + 4), scale, stretch)
        n_v = int(np.log(max(zeta_max / zeta_min, 1.0)) / _STEP) + 4 + _GHOSTS
        zeta = zeta_min * np.exp(_STEP * (np.arange(n_v) - _GHOSTS))
        values = np.zeros((rho.size + _GHOSTS, n_v, 8))
        # Nearer ones are never asked for, and would be slow.
        start = max(int(np.searchsorted(rho, rho_min)) - 3, 1)
        while start < rho.size:
            stop = max(
                start + 1, int(np.searchsorted(rho, _BAND * float(rho[start]), side="right"))
            )
            ratios = _contact_columns(
                rho[start:stop], zeta, k, ec, with_gradient=with_gradient, order=10, window=9.2
            )
            rows = slice(start + _GHOSTS, stop + _GHOSTS)
            for column, ratio in enumerate(ratios):
                values[rows, :, 2 * column] = ratio.real
                values[rows, :, 2 * column + 1] = ratio.imag
            start = stop
        return cls(values, scale, stretch, zeta_min, k, 2.0 / (1.0 + ec))

    def _look_up(self, rho: FloatArray, height: FloatArray) -> ComplexArray:
        out = np.empty((4, rho.size), dtype=np.complex128)
        interpolate_kernels_at(
            np.ascontiguousarray(rho), height, self.values, self.rho_scale, self.rho_stretch,
            self.zeta_min, _STEP, _STEP, self.wavenumber, out,
        )  # fmt: skip
        return self.factor * out[:3]

    def __call__(self, rho: FloatArray, height: FloatArray) -> ComplexArray:
        """K at points, rho and height each of shape (P,). [1/m]"""
        return self._look_up(rho, np.maximum(height, self.zeta_min))[0]

    def gradient(self, rho: FloatArray, height: FloatArray) -> tuple[ComplexArray, ComplexArray]:
        """(dK/d rho)/rho [1/m^3] and dK/d zeta [1/m^2] at points, of a table built with them."""
        height = np.maximum(height, self.zeta_min)
        _, radial, upward = self._look_up(rho, height)
        square = rho**2 + height**2
        return radial / square, upward / np.sqrt(square)


# --- the contacts of a mesh ----------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class EarthContacts:
    """Where a mesh is led to the earth.

    Attributes
    ----------
    positions : (C, 3) float
        On z = 0. [m]
    electrodes : tuple of Electrode
    local_currents : (M, C) float
        Current out of the ground for each local function.
    global_currents : (N, C) float
        The same for each unknown.
    """

    positions: FloatArray
    electrodes: tuple[Electrode, ...]
    local_currents: FloatArray
    global_currents: FloatArray

    @classmethod
    def from_mesh(cls, mesh: Mesh, basis: Basis) -> EarthContacts | None:
        """The contacts of a mesh to real earth; None where there are none."""
        if not mesh.electrodes:
            return None
        local = np.zeros((basis.n_local, len(mesh.electrodes)))
        for c, (node, _) in enumerate(mesh.electrodes):
            for side, out_of_ground in ((0, 1.0), (1, -1.0)):
                elements = np.flatnonzero(mesh.element_nodes[:, side] == node)
                local[basis.offset[elements] + side, c] = out_of_ground
        return cls(
            mesh.nodes[[node for node, _ in mesh.electrodes]],
            tuple(electrode for _, electrode in mesh.electrodes),
            local,
            np.asarray(basis.combination.T @ local),
        )

    def impedances(self, frequency: float, ground: complex | Ground) -> ComplexArray:
        """Impedance of each electrode, shape (C,). [ohm]

        Raises
        ------
        SolverError
            If the earth is layered.
        """
        ec = homogeneous_permittivity(frequency, ground)
        return np.array(
            [e.impedance_at(frequency, ec) for e in self.electrodes],
            dtype=np.complex128,
        )

    def radii(self, frequency: float, ground: complex | Ground) -> FloatArray:
        """a_e = 1/(2 pi |y Z_e|) of each contact, shape (C,). [m]"""
        ec = homogeneous_permittivity(frequency, ground)
        admittivity = surface_admittivity(frequency, ec)
        impedance = self.impedances(frequency, ground)
        return np.asarray(1.0 / (2.0 * np.pi * np.abs(admittivity * impedance)))

    def charges(
        self, unknowns: ComplexArray, frequency: float, ground: complex | Ground
    ) -> ContactCharges:
        """Contact charges for currents (N,)."""
        return ContactCharges(
            self.positions,
            self.global_currents.T @ unknowns,
            self.radii(frequency, ground),
        )

    def local_fields(
        self,
        points: FloatArray,
        frames: FloatArray,
        frequency: float,
        ground: complex | Ground,
    ) -> ComplexArray:
        """E of the local functions' contact charges at points, shape (M, 3 P). [V/m per A]

        Parameters
        ----------
        points : (P, 3) float
            Above the ground. [m]
        frames : (P, 3, 3) float
            Rows are the axes in which the field is wanted at each point.
        """
        radius = self.radii(frequency, ground)
        rows = []
        for position, one in zip(self.positions, radius, strict=True):
            unit = ContactCharges(position[None], np.ones(1, complex), np.array([one]))
            field = contact_field(points, unit, frequency, ground)
            rows.append(np.einsum("pij,pj->pi", frames, field).ravel())
        return self.local_currents.astype(np.complex128) @ np.array(rows)

    def impedance_matrix(
        self, table: ContactTable, frequency: float, ground: complex | Ground
    ) -> ComplexArray:
        """Own and mutual impedances of the contacts, shape (C, C). [ohm]"""
        radius = self.radii(frequency, ground)
        flat = self.positions[:, :2]
        square = ((flat[:, None] - flat) ** 2).sum(axis=-1)
        square = square + 0.5 * (radius[:, None] ** 2 + radius**2)
        k = table(np.sqrt(square).ravel(), np.zeros(square.size)).reshape(square.shape)
        result = k / (2j * np.pi * frequency * epsilon_0)
        np.fill_diagonal(result, self.impedances(frequency, ground))
        return result

    def add_to(
        self,
        filled: Filled,
        elements: Elements,
        basis: Basis,
        frequency: float,
        ground: complex | Ground,
    ) -> None:
        """Add the contacts' part to a matrix and to the rows of the next functions."""
        radius = self.radii(frequency, ground)
        table = contact_table(self.positions, radius, elements, frequency, ground)
        slopes = legendre_of_slopes(int(elements.degree.max()) + 2)
        own = np.zeros((basis.n_local, len(self.electrodes)), dtype=np.complex128)
        following = np.zeros((elements.degree.size, len(self.electrodes)), dtype=np.complex128)
        rows = np.arange(elements.degree.size)
        for c in range(len(self.electrodes)):
            moments = potential_moments(table, self.positions[c], float(radius[c]), elements)
            values = moments @ slopes.T
            mask = np.arange(values.shape[1]) <= elements.degree[:, None]
            own[:, c] = values[mask]
            following[:, c] = values[rows, elements.degree + 1]
        scale = 1.0 / (2j * np.pi * frequency * epsilon_0)
        potential = scale * (basis.combination.T @ own)
        current = self.global_currents
        mutual = self.impedance_matrix(table, frequency, ground)
        filled.matrix[...] += potential @ current.T
        filled.matrix[...] += current @ potential.T
        filled.matrix[...] += current @ mutual @ current.T
        if filled.next_diagonal.size:
            filled.next_rows[...] += (scale * following) @ self.local_currents.T


def contact_reach(positions: FloatArray, elements: Elements) -> float:
    """Greatest horizontal distance of a wire's point from a contact. [m]"""
    ends = np.concatenate([elements.center - elements.half, elements.center + elements.half])
    gap = ends[:, None, :2] - positions[:, :2]
    return float(np.sqrt((gap**2).sum(axis=-1)).max(initial=0.0))


def contact_table(
    positions: FloatArray,
    radius: FloatArray,
    elements: Elements,
    frequency: float,
    ground: complex | Ground,
) -> ContactTable:
    """The table of K that serves all contacts and elements."""
    across = contact_reach(positions, elements)
    return ContactTable.build(
        frequency,
        ground,
        rho_min=float(radius.min()),
        rho_max=float(np.hypot(across, radius.max())),
        zeta_max=float((elements.center[:, 2] + np.abs(elements.half[:, 2])).max()),
    )


def potential_moments(
    table: Lookup, contact: FloatArray, radius: float, elements: Elements
) -> ComplexArray:
    """Int P_i(xi) K dxi on each element, shape (E, greatest degree + 2).

    `table` (rho, height) gives K; elements are cut into pieces as short as their distance.
    """
    n_orders = int(elements.degree.max()) + 2
    moments = np.zeros((elements.degree.size, n_orders), dtype=np.complex128)
    xi, weight = gauss(_NODES + n_orders // 2)
    owner = np.arange(elements.degree.size)
    low, high = np.full(owner.size, -1.0), np.full(owner.size, 1.0)
    while owner.size:
        distance = np.hypot(_piece_distances(elements, owner, low, high, contact), radius)
        long = (high - low) * elements.length[owner] > distance
        _add_pieces(
            table, contact, radius, elements, owner[~long], low[~long], high[~long], xi, weight,
            moments,
        )  # fmt: skip
        owner, low, high = owner[long], low[long], high[long]
        middle = 0.5 * (low + high)
        owner = np.concatenate([owner, owner])
        low, high = np.concatenate([low, middle]), np.concatenate([middle, high])
    return moments


def _piece_distances(
    elements: Elements, owner: IntArray, low: FloatArray, high: FloatArray, point: FloatArray
) -> FloatArray:
    """Distance of pieces of elements, shape (P,), to a point. [m]"""
    center, half = elements.center[owner], elements.half[owner]
    square = elements.length[owner] ** 2
    nearest = np.clip(((point - center) * half).sum(axis=1) / square, low, high)
    return np.linalg.norm(center + nearest[:, None] * half - point, axis=1)


def _add_pieces(
    table: Lookup,
    contact: FloatArray,
    radius: float,
    elements: Elements,
    owner: IntArray,
    low: FloatArray,
    high: FloatArray,
    xi: FloatArray,
    weight: FloatArray,
    moments: ComplexArray,
) -> None:
    at = 0.5 * (low + high)[:, None] + 0.5 * (high - low)[:, None] * xi
    points = elements.center[owner][:, None] + at[..., None] * elements.half[owner][:, None]
    gap = points[..., :2] - contact[:2]
    rho = np.sqrt((gap**2).sum(axis=-1) + radius**2)
    k = table(rho.ravel(), np.ascontiguousarray(points[..., 2]).ravel()).reshape(at.shape)
    legendre = np.polynomial.legendre.legvander(at, moments.shape[1] - 1)
    parts = np.einsum("pq,pq,pqi->pi", k, 0.5 * (high - low)[:, None] * weight, legendre)
    np.add.at(moments, owner, parts)


# --- the near field ------------------------------------------------------------------------


def contact_potential(
    points: FloatArray, charges: ContactCharges, frequency: float, ground: complex | Ground
) -> ComplexArray:
    """Potential of the contacts' charges at points (P, 3) above ground, shape (P,). [V]"""
    gap = points[:, None, :2] - charges.positions[:, :2]
    rho = np.sqrt((gap**2).sum(axis=-1) + charges.radius**2)
    table = ContactTable.build(
        frequency,
        ground,
        rho_min=float(charges.radius.min()),
        rho_max=float(rho.max()),
        zeta_max=float(points[:, 2].max()),
    )
    height = np.ascontiguousarray(np.broadcast_to(points[:, 2:], rho.shape)).ravel()
    kernel = table(rho.ravel(), height).reshape(rho.shape)
    return -kernel @ charges.currents / (2j * np.pi * frequency * epsilon_0)


def contact_field(
    points: FloatArray, charges: ContactCharges, frequency: float, ground: complex | Ground
) -> ComplexArray:
    """E of the contacts' charges, -grad of their potential, at points (P, 3) above ground. [V/m]"""
    gap = points[:, None, :2] - charges.positions[:, :2]
    rho = np.sqrt((gap**2).sum(axis=-1) + charges.radius**2)
    table = ContactTable.build(
        frequency,
        ground,
        rho_min=float(charges.radius.min()),
        rho_max=float(rho.max()),
        zeta_max=float(points[:, 2].max()),
        with_gradient=True,
    )
    height = np.broadcast_to(points[:, 2:], rho.shape)
    radial, upward = (
        part.reshape(rho.shape) for part in table.gradient(rho.ravel(), height.ravel())
    )
    push = charges.currents / (2j * np.pi * frequency * epsilon_0)  # -q/eps0
    level = np.einsum("pc,pci->pi", radial * push, gap)
    return np.concatenate([level, (upward @ push)[:, None]], axis=1)
