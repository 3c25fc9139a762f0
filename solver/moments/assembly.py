"""From element arrays to the impedance matrix: the parts that do not depend on frequency are made
once (`prepare`), the rest per frequency (`fill`)."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.constants import c as SPEED_OF_LIGHT
from scipy.constants import epsilon_0, mu_0

from . import kernels, leads, pairs, rings
from .basis import (
    Basis,
    ComplexArray,
    FloatArray,
    IntArray,
    overlap_of_functions,
    overlap_of_slopes,
)
from .quadrature import NodeTables, gauss, node_tables

SEPARATION = 0.7
"""A pair is far when its distance is at least this times the longer element."""

REFLECTED_SEPARATION = 2.0
"""Beyond this the earth's kernels, smoother than the direct one, need very few nodes."""

BUFFER_BYTES = 48e6
"""Moments held at once while the matrix is filled."""


class Elements(NamedTuple):
    """Element arrays as the compiled kernels take them (lengths are half lengths)."""

    center: FloatArray
    half: FloatArray
    length: FloatArray
    radius: FloatArray
    degree: IntArray

    @property
    def touch_ground(self) -> NDArray[np.bool_]:
        """True where an end lies on z = 0."""
        return self.center[:, 2] - np.abs(self.half[:, 2]) <= 1e-9 * self.length

    @property
    def mirrored(self) -> Elements:
        """The same elements in the mirror z = 0."""
        flip = np.array([1.0, 1.0, -1.0])
        return self._replace(center=self.center * flip, half=self.half * flip)


def make_elements(
    start: FloatArray, end: FloatArray, radius: FloatArray, degree: IntArray
) -> Elements:
    """Elements from their ends, shape (E, 3)."""
    half = 0.5 * (end - start)
    return Elements(
        np.ascontiguousarray(0.5 * (start + end)),
        np.ascontiguousarray(half),
        np.linalg.norm(half, axis=1),
        np.ascontiguousarray(radius, dtype=np.float64),
        np.ascontiguousarray(degree, dtype=np.int64),
    )


class NearPairs(NamedTuple):
    """Near pairs of elements and their static moments."""

    kind: NDArray[np.int8]
    near_index: NDArray[np.int32]
    statics: FloatArray


class ReflectedPairs(NamedTuple):
    """Pairs that need more nodes over real earth, and how they are split."""

    near_index: NDArray[np.int32]
    first_leaf: IntArray
    leaves: FloatArray


def _number_pairs(
    near: NDArray[np.bool_],
) -> tuple[IntArray, IntArray, NDArray[np.int32]]:
    pair_i, pair_j = (index.astype(np.int64) for index in np.nonzero(near))
    near_index = np.full(near.shape, -1, dtype=np.int32)
    near_index[pair_i, pair_j] = np.arange(pair_i.size, dtype=np.int32)
    return pair_i, pair_j, near_index


NEVER = -1
"""Kind of a pair whose elements are never there together."""


def find_near_pairs(
    elements: Elements, others: Elements, meets: NDArray[np.bool_] | None = None
) -> NearPairs:
    """Classify the pairs of `elements` with `others` and integrate the statics of the near ones.

    `meets` (E, E) is False for pairs that are to be left out.
    """
    kind = pairs.classify_pairs(*elements[:3], others.center, others.half, SEPARATION)
    if meets is not None:
        kind[~meets] = NEVER
    pair_i, pair_j, near_index = _number_pairs((kind == 1) | (kind == 2))
    on_line = kind[pair_i, pair_j] == 2
    width = int(elements.degree.max()) + 2
    floor = np.sqrt(0.5 * (elements.radius[pair_i] ** 2 + elements.radius[pair_j] ** 2))
    # A collinear pair is integrated on its line: one leaf keeps the numbering.
    floor[on_line] = np.inf
    first, leaves = pairs.split_pairs(
        pair_i, pair_j, *elements[:3], others.center, others.half, floor, SEPARATION
    )
    statics = np.zeros((pair_i.size, 2, width, width))
    kernels.line_moments(
        np.flatnonzero(on_line), pair_i, pair_j, *elements, others.center, others.half,
        *gauss(12), *gauss(width + 1), statics,
    )  # fmt: skip
    kernels.leaf_moments(
        np.flatnonzero(~on_line), pair_i, pair_j, first, leaves, *elements,
        others.center, others.half, *gauss(max(8, width + 3)), statics,
    )  # fmt: skip
    return NearPairs(kind, near_index, statics)


def find_reflected_pairs(
    elements: Elements, n_rows: int | None = None, meets: NDArray[np.bool_] | None = None
) -> ReflectedPairs:
    """Find the pairs that need more nodes, and split the nearest of them until that is enough.

    Only pairs whose first element is among the first `n_rows`, where that is given; `meets` as in
    `find_near_pairs`.
    """
    image = elements.mirrored
    kind = pairs.classify_pairs(*elements[:3], image.center, image.half, REFLECTED_SEPARATION)
    if n_rows is not None:
        kind[n_rows:] = 0
    if meets is not None:
        kind[~meets] = NEVER
    pair_i, pair_j, near_index = _number_pairs((kind == 1) | (kind == 2))
    touching = elements.touch_ground
    floor = np.sqrt(0.5 * (elements.radius[pair_i] ** 2 + elements.radius[pair_j] ** 2))
    floor[~(touching[pair_i] & touching[pair_j])] = 0.0
    first, leaves = pairs.split_pairs(
        pair_i, pair_j, *elements[:3], image.center, image.half, floor, SEPARATION
    )
    if meets is not None:
        near_index[~meets] = -2
    return ReflectedPairs(near_index, first, leaves)


@dataclass(frozen=True)
class Prepared:
    """Everything about a mesh that does not depend on frequency."""

    elements: Elements
    basis: Basis
    tables: NodeTables
    direct: NearPairs
    image: NearPairs | None
    reflected: ReflectedPairs | None
    corners: rings.Corners
    leads: leads.Leads
    _ring_pairs: dict[tuple[bytes, bytes], ReflectedPairs] = field(default_factory=dict, repr=False)

    def extent(self, wavenumber: float) -> tuple[float, float, float]:
        """Greatest horizontal distance and least and greatest sum of heights of two points. [m]

        With the copies of thick conductors. At a contact to the earth the least is a quarter of
        the radius of the thinnest wire that touches it: nearer to the image the kernels no longer
        change.
        """
        e = self.elements
        found = self.ring_rows(wavenumber)
        if found is not None:
            e = found[0].elements
        points = np.concatenate([e.center - e.half, e.center + e.half])
        low, high = points.min(axis=0), points.max(axis=0)
        across = float(np.hypot(high[0] - low[0], high[1] - low[1]))
        across = max(across, float(e.radius.max()))
        touching = e.touch_ground
        thinnest = float(e.radius[touching].min(initial=np.inf))
        lowest = 0.25 * thinnest if touching.any() else 2.0 * float(low[2])
        return across, lowest, 2.0 * float(high[2])

    def reach(self, observers: FloatArray) -> tuple[float, float, float]:
        """The same of the elements' axes to points (N, 3), which may lie among them. [m]"""
        e = self.elements
        points = np.concatenate([e.center - e.half, e.center + e.half])
        low, high = points.min(axis=0), points.max(axis=0)
        near, far = observers.min(axis=0), observers.max(axis=0)
        across = np.maximum(high[:2], far[:2]) - np.minimum(low[:2], near[:2])
        return float(np.hypot(*across)), float(low[2] + near[2]), float(high[2] + far[2])

    def ring_rows(self, wavenumber: float) -> tuple[rings.RingRows, ReflectedPairs] | None:
        """Copies of thick conductors over real earth and their pairs, None without any."""
        if self.reflected is None:
            return None
        rows = rings.make_ring_rows(self.elements, self.corners, wavenumber)
        if rows is None:
            return None
        key = (rows.thick.tobytes(), rows.corners.element.tobytes())
        if key not in self._ring_pairs:
            self._ring_pairs[key] = find_reflected_pairs(rows.elements, rows.n_rows)
        return rows, self._ring_pairs[key]


def prepare(
    elements: Elements,
    basis: Basis,
    *,
    ground: str,
    meets: NDArray[np.bool_] | None = None,
) -> Prepared:
    """Near lists and static integrals.

    Parameters
    ----------
    elements, basis
        The mesh as arrays, and its functions.
    ground : {"none", "perfect", "real"}
        What lies below z = 0.
    meets : (E, E) bool, optional
        False for pairs of elements that are never there together: they are left out.
    """
    tables = node_tables(int(elements.degree.max()), extra=2, least=4)
    return Prepared(
        elements,
        basis,
        tables,
        find_near_pairs(elements, elements, meets),
        find_near_pairs(elements, elements.mirrored, meets) if ground == "perfect" else None,
        find_reflected_pairs(elements, meets=meets) if ground == "real" else None,
        rings.find_corners(elements, basis, ground=ground),
        leads.find_leads(elements),
    )


class Filled(NamedTuple):
    """Impedance matrix (N, N) and, where asked for, the rows of each element's next function."""

    matrix: ComplexArray
    next_rows: ComplexArray
    next_diagonal: ComplexArray


AddReflected = Callable[[ComplexArray, int, int, int, Elements, ReflectedPairs], None]
"""add(buffer, first_row, last_row, extra, elements, pairs): adds the moments of the reflected
Green's functions."""


def fill(
    prepared: Prepared,
    frequency: float,
    *,
    surface_impedance: ComplexArray | None = None,
    slope_impedance: ComplexArray | None = None,
    add_reflected: AddReflected | None = None,
    with_next: bool = False,
    air: ComplexArray | None = None,
) -> Filled:
    """Impedance matrix at one frequency.

    Parameters
    ----------
    prepared : Prepared
    frequency : float
        [Hz]
    surface_impedance : (E,) complex, optional
        Internal impedance of each element per metre: what <f_m f_n> is multiplied by. [ohm/m]
    slope_impedance : (E,) complex, optional
        What <f_m' f_n'> is multiplied by (jackets). [ohm m]
    add_reflected : callable, optional
        Adds the earth's part; None over perfect ground and in free space.
    with_next : bool
        Also give the rows and the diagonal of the next function of every element.
    air : (N, N) complex, optional
        The matrix without what the earth reflects, where it is there already; not together with
        `with_next`.
    """
    if air is not None and add_reflected is None:
        nothing = np.zeros((0, prepared.basis.n_local), dtype=np.complex128)
        return Filled(air.copy(), nothing, nothing[:, 0])
    elements, basis = prepared.elements, prepared.basis
    n_elements = elements.length.size
    extra = int(with_next)
    orders = int(elements.degree.max()) + 1 + extra
    omega = 2.0 * np.pi * frequency
    wavenumber = omega / SPEED_OF_LIGHT
    local = np.empty((basis.n_local, basis.n_local), dtype=np.complex128)
    next_rows = np.zeros((n_elements if with_next else 0, basis.n_local), dtype=np.complex128)
    next_diagonal = np.zeros(n_elements if with_next else 0, dtype=np.complex128)
    bytes_per_row = n_elements * 2 * orders * orders * 16
    step = max(1, min(n_elements, int(BUFFER_BYTES / bytes_per_row)))
    buffer = np.empty((step, n_elements, 2, orders, orders), dtype=np.complex128)
    direct, image, tables = prepared.direct, prepared.image, prepared.tables
    around = None
    if add_reflected is not None and prepared.reflected is not None:
        around = _reflected_rings(prepared, wavenumber, orders, extra, add_reflected)
    for first in range(0, n_elements, step):
        last = min(first + step, n_elements)
        buffer[: last - first, first:] = 0.0
        if add_reflected is not None and prepared.reflected is not None:
            add_reflected(buffer, first, last, extra, elements, prepared.reflected)
            if around is not None:
                around.put(buffer, first, last)
        for factor, other, near in ((1.0, elements, direct), (-1.0, elements.mirrored, image)):
            if near is not None and air is None:
                kernels.add_free_space_moments(
                    buffer, first, last, wavenumber, factor, extra, *elements,
                    other.center, other.half, *near, tables.n_nodes, tables.xi, tables.legendre,
                )  # fmt: skip
        kernels.assemble_rows(
            local, next_rows, next_diagonal, buffer, first, last, extra,
            1j * omega * mu_0, 1.0 / (1j * omega * epsilon_0),
            elements.length, elements.degree, basis.offset,
        )  # fmt: skip
    scalar_factor = 1.0 / (1j * omega * epsilon_0)
    if around is not None:
        potentials, between = around.corner_potentials(elements)
        rings.place_corners(
            local, next_rows, elements.degree, basis.offset, around.rows.corners,
            scalar_factor * potentials, scalar_factor * between,
        )  # fmt: skip
    if air is None:
        rings.add_corners(
            local, next_rows, elements, basis.offset, prepared.corners, tables, wavenumber,
            scalar_factor, with_image=image is not None,
        )  # fmt: skip
        leads.add_leads(
            local, next_rows, next_diagonal, elements, basis.offset, prepared.leads, omega
        )
        n_functions = int(elements.degree.max()) + 2
        if surface_impedance is not None:
            weight = surface_impedance * elements.length
            overlap = overlap_of_functions(n_functions)
            _add_own(local, next_rows, next_diagonal, prepared, weight, overlap)
        if slope_impedance is not None:
            weight = slope_impedance / elements.length
            overlap = overlap_of_slopes(n_functions)
            _add_own(local, next_rows, next_diagonal, prepared, weight, overlap)
    columns = basis.combination.tocsc()
    matrix = np.empty((basis.n_unknowns, basis.n_unknowns), dtype=np.complex128)
    kernels.combine_functions(local, columns.indptr, columns.indices, columns.data, matrix)
    if air is not None:
        matrix += air
    return Filled(matrix, next_rows, next_diagonal)


def _reflected_rings(
    prepared: Prepared, wavenumber: float, orders: int, extra: int, add_reflected: AddReflected
) -> rings.RingMoments | None:
    found = prepared.ring_rows(wavenumber)
    if found is None:
        return None
    rows, near = found

    def add(buffer: ComplexArray, first: int, last: int) -> None:
        add_reflected(buffer, first, last, extra, rows.elements, near)

    return rings.ring_moments(rows, wavenumber, orders, add)


def _add_own(
    local: ComplexArray,
    next_rows: ComplexArray,
    next_diagonal: ComplexArray,
    prepared: Prepared,
    weight: ComplexArray,
    overlap: FloatArray,
) -> None:
    """Add weight[e] overlap to what every element's functions do to each other."""
    elements, offset = prepared.elements, prepared.basis.offset
    for degree in np.unique(elements.degree):
        n = int(degree) + 1
        chosen = np.flatnonzero(elements.degree == degree)
        own = offset[chosen][:, None] + np.arange(n)
        local[own[:, :, None], own[:, None, :]] += weight[chosen, None, None] * overlap[:n, :n]
        if next_diagonal.size:
            next_rows[chosen[:, None], own] += weight[chosen, None] * overlap[n, :n]
            next_diagonal[chosen] += weight[chosen] * overlap[n, n]
