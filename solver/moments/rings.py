"""Thick conductors: currents all around, where wires have theirs on the axis.

A thick conductor's current and charge lie evenly around its circumference, so every kernel is the
mean over the rings of source and observer.  Outside of what is nearest that mean is a differential
operator along the axis, since kernels obey Helmholtz' equation off the sources,

    mean over a ring = J0(a sqrt(k^2 + d^2/ds^2)) = 1 - (a^2/4)(k^2 + d^2/ds^2) + ...,

and in the far field the factor J0(ka sin psi).  Matrix, far field, earth's share and reflected
part all take it, so that the power budget closes by construction; where it closes, only the part
sin(kR)/R of the direct kernel matters, which is smooth and known everywhere
(`kernels.ring_sine`).  The reactive part cos(kR)/R keeps the distances of `kernels`: outside of a
tube and along it the mean over the ring and the axis differ little.

The earth's kernels are tabulated, so means of these are taken by a few shifted copies of an
element, with weights (`ring_copies`).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from . import kernels
from .basis import (
    Basis,
    ComplexArray,
    ElementCurrents,
    FloatArray,
    IntArray,
    legendre_of_slopes,
)
from .quadrature import NodeTables

if TYPE_CHECKING:
    from .assembly import Elements

LEVEL = 0.7
"""Conductors whose axis rises less steeply than this sine have their copies along the axis."""

REFLECTED_THIN = 2e-5
"""Over real earth the reflected part of conductors with (ka)^2 below this is that of their axes."""

MOST_COPIED = 60
"""With more elements than this above `STOUT`, the reflected part of all is that of their axes.

So many are a grid or cage of wires, whose radius stands for a sheet. Copies then take nine tenths
of the time and more (a steel roof of 1286 unknowns: 104 of 107 s at 14.2 MHz) and change the
impedance by 6e-5 of its resistance; without them the power budget is left open by 3e-6, 7e-5 and
7e-4 at 3.6, 14.2 and 28.5 MHz."""

STOUT = 7e-3
"""(ka)^2 = 2e-5 at 30 MHz; the count does not depend on frequency, so that bands are smooth. [m]"""

TOUCHING = 1e-9
"""Elements with less room below them touch the earth. [m]"""

ROW_BYTES = 48e6
"""Moments of copies held at once."""


def is_thick(radius: FloatArray, wavenumber: float, limit: float) -> NDArray[np.bool_]:
    """Where (ka)^2 is above the limit."""
    return (wavenumber * np.asarray(radius)) ** 2 > limit


def has_copies(radius: FloatArray, room: FloatArray, wavenumber: float) -> NDArray[np.bool_]:
    """Which elements have their reflected part from all around, shape (E,)."""
    if np.count_nonzero(radius > STOUT) > MOST_COPIED:
        return np.zeros(radius.shape, dtype=bool)
    # What touches the earth has no room for copies and keeps to its axis.
    return is_thick(radius, wavenumber, REFLECTED_THIN) & (room > TOUCHING)


# --- copies --------------------------------------------------------------------------------


class Copies(NamedTuple):
    """Shifted copies of elements whose weighted sum is the mean over the circumference.

    Attributes
    ----------
    owner : (R,) int
        Which element each is a copy of, rising.
    offset : (R, 3) float
        [m]
    shape : (R, 2) float
        The weight is shape[0] + shape[1] k^2. [1, m^2]
    """

    owner: IntArray
    offset: FloatArray
    shape: FloatArray

    def weights(self, wavenumber: float) -> FloatArray:
        """Weight of each copy, shape (R,)."""
        return self.shape[:, 0] + self.shape[:, 1] * wavenumber**2


def ring_copies(
    unit: FloatArray, radius: FloatArray, room: FloatArray, thick: NDArray[np.bool_]
) -> Copies:
    """Copies of elements; one that is not shifted where `thick` is False.

    Parameters
    ----------
    unit : (E, 3) float
        Directions.
    radius : (E,) float
        [m]
    room : (E,) float
        How far a copy may lie below its element. [m]
    thick : (E,) bool

    Notes
    -----
    Level conductors: second difference along the axis.  Steep ones: four points around it, which
    are the ring itself where there is room.  Either leaves 0.02 (ka)^4 at most, and neither goes
    deeper than 0.7 radii.
    """
    owner: list[int] = []
    offset: list[FloatArray] = []
    shape: list[tuple[float, float]] = []
    zero = np.zeros(3)
    for e in range(radius.size):
        a, u = float(radius[e]), unit[e]
        if not thick[e]:
            owner.append(e)
            offset.append(zero)
            shape.append((1.0, 0.0))
        elif abs(u[2]) < LEVEL:
            step = min(0.5 * a, float(room[e]) / max(abs(float(u[2])), 1e-9))
            part = 0.25 * (a / step) ** 2
            owner += [e] * 3
            offset += [zero, step * u, -step * u]
            shape += [(1.0 + 2.0 * part, -0.25 * a * a), (-part, 0.0), (-part, 0.0)]
        else:
            across = np.cross(u, (1.0, 0.0, 0.0) if abs(u[0]) < 0.6 else (0.0, 1.0, 0.0))
            across /= np.linalg.norm(across)
            other = np.cross(u, across)
            deepest = max(abs(float(across[2])), abs(float(other[2])), 1e-9)
            step = min(a, float(room[e]) / deepest)
            part = 0.25 * (a / step) ** 2
            owner += [e] * 5
            offset += [zero, step * across, -step * across, step * other, -step * other]
            shape += [(1.0 - 4.0 * part, 0.0)] + [(part, 0.0)] * 4
    kept = [n for n, s in enumerate(shape) if abs(s[0]) + abs(s[1]) > 0.0]
    return Copies(
        np.array(owner, dtype=np.int64)[kept],
        np.array(offset).reshape(-1, 3)[kept],
        np.array(shape).reshape(-1, 2)[kept],
    )


def ring_filaments(currents: ElementCurrents, wavenumber: float) -> ElementCurrents:
    """Currents over earth with thick conductors as copies of their axes; others as they are."""
    room = 0.5 * np.minimum(currents.start[:, 2], currents.end[:, 2])
    thick = has_copies(currents.radius, room, wavenumber)
    if not thick.any():
        return currents
    vector = currents.end - currents.start
    unit = vector / np.linalg.norm(vector, axis=1)[:, None]
    copies = ring_copies(unit, currents.radius, room, thick)
    weights = copies.weights(wavenumber)
    return ElementCurrents(
        currents.start[copies.owner] + copies.offset,
        currents.end[copies.owner] + copies.offset,
        currents.radius[copies.owner],
        currents.current[copies.owner] * weights[:, None],
    )


def surface_filaments(currents: ElementCurrents, counts: IntArray) -> ElementCurrents:
    """Filaments on the surface of elements, `counts` (E,) each; 0 leaves an element as it is.

    Off the surface n filaments stand for the tube but for (a/distance)^n.
    """
    vector = currents.end - currents.start
    unit = vector / np.linalg.norm(vector, axis=1)[:, None]
    least = np.eye(3)[np.argmin(np.abs(unit), axis=1)]
    across = np.cross(unit, least)
    across /= np.linalg.norm(across, axis=1)[:, None]
    other = np.cross(unit, across)
    owner = np.repeat(np.arange(counts.size), np.maximum(counts, 1))
    first = np.cumsum(np.maximum(counts, 1)) - np.maximum(counts, 1)
    number = np.maximum(counts, 1)[owner]
    angle = (2.0 * np.pi * (np.arange(owner.size) - first[owner]) / number)[:, None]
    arm = np.where(counts > 0, currents.radius, 0.0)[owner, None]
    offset = arm * (np.cos(angle) * across[owner] + np.sin(angle) * other[owner])
    return ElementCurrents(
        currents.start[owner] + offset,
        currents.end[owner] + offset,
        np.where(counts > 0, 0.0, currents.radius)[owner],
        currents.current[owner] / number[:, None],
    )


# --- corners -------------------------------------------------------------------------------


class Corners(NamedTuple):
    """Ends of elements at nodes where the rings that meet are not one and the same.

    Attributes
    ----------
    element, side : (M,) int
        Side 0 is the start.
    thickest : (M,) float
        Greatest radius at the node. [m]
    """

    element: IntArray
    side: IntArray
    thickest: FloatArray

    def chosen(self, which: NDArray[np.bool_]) -> Corners:
        """Some of the ends; `which` is (M,)."""
        return Corners(self.element[which], self.side[which], self.thickest[which])


def find_corners(elements: Elements, basis: Basis, *, ground: str) -> Corners:
    """Ends at bends, junctions, steps of radius and on a perfect ground.

    At a contact to a real earth the charge is the contact's own, whatever the ring.
    """
    ends: dict[int, dict[tuple[int, int], None]] = {}
    grounded = set()
    for node, from_end, to_end, _ in basis.node_functions:
        meeting = ends.setdefault(node, {})
        meeting[from_end] = None
        if to_end is None:
            grounded.add(node)
        else:
            meeting[to_end] = None
    found: list[tuple[int, int, float]] = []
    unit = elements.half / elements.length[:, None]
    for node, meeting in ends.items():
        members = np.array([e for e, _ in meeting])
        radius = elements.radius[members]
        straight = (
            members.size == 2
            and radius[0] == radius[1]
            and abs(unit[members[0]] @ unit[members[1]]) > 1.0 - 1e-14
        )
        if ground == "real" and node in grounded:
            continue
        if node in grounded or not straight:
            found += [(e, side, float(radius.max())) for e, side in meeting]
    return Corners(
        np.array([e for e, _, _ in found], dtype=np.int64),
        np.array([side for _, side, _ in found], dtype=np.int64),
        np.array([radius for _, _, radius in found]),
    )


def corner_ends(elements: Elements, corners: Corners) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Places (M, 3) [m], directions (M, 3) and radii (M,) [m] of the ends at corners."""
    element = corners.element
    unit = elements.half[element] / elements.length[element, None]
    turn = (2.0 * corners.side - 1.0)[:, None]
    return elements.center[element] + turn * elements.half[element], unit, elements.radius[element]


def add_corners(
    local: ComplexArray,
    next_rows: ComplexArray,
    elements: Elements,
    offset: IntArray,
    corners: Corners,
    tables: NodeTables,
    wavenumber: float,
    scalar_factor: complex,
    *,
    with_image: bool,
) -> None:
    """What thick conductors add at their corners, so that the matrix radiates what N radiates.

    Current that leaves one ring for another leaves ring charges behind, I/(jw) at the one end and
    -I/(jw) at the other.  For wires both are points and cancel.  Of thick conductors their
    radiation is kept (the smooth part sin(kR)/R of the kernel); their near field belongs to
    currents within the corner that nobody knows, and is left out.
    """
    corners = corners.chosen(is_thick(corners.thickest, wavenumber, kernels.THIN))
    if not corners.side.size:
        return
    places, unit, radius = corner_ends(elements, corners)
    orders = int(elements.degree.max()) + 1
    potentials = np.zeros((radius.size, elements.length.size, orders))
    pairs = np.zeros((radius.size, radius.size))
    flip = np.array([1.0, 1.0, -1.0])
    sources = [(1.0, elements, places, unit)]
    if with_image:
        sources.append((-1.0, elements.mirrored, places * flip, unit * flip))
    for factor, other, other_places, other_unit in sources:
        kernels.add_end_potentials(
            potentials, wavenumber, factor, places, unit, radius,
            other.center, other.half, *elements[2:],
            tables.n_nodes, tables.xi, tables.legendre,
        )  # fmt: skip
        kernels.add_end_pairs(
            pairs, wavenumber, factor, places, unit, radius, other_places, other_unit
        )
    factor = complex(-1j / kernels.FOUR_PI * scalar_factor)
    place_corners(
        local, next_rows, elements.degree, offset, corners,
        np.asarray(factor * potentials, dtype=np.complex128),
        np.asarray(factor * pairs, dtype=np.complex128),
    )  # fmt: skip


def place_corners(
    local: ComplexArray,
    next_rows: ComplexArray,
    degree: IntArray,
    offset: IntArray,
    corners: Corners,
    potentials: ComplexArray,
    pairs: ComplexArray,
) -> None:
    """Add what ends do to elements, potentials (M, E, orders), and to ends, pairs (M, M).

    Potentials are Int P_b G_phi dxi over the elements. A current f leaves the charge f' along the
    element, f at its start and -f at its end.
    """
    sign = 1.0 - 2.0 * corners.side
    row = offset[corners.element] + corners.side
    width = potentials.shape[2] + 1
    slopes = potentials @ legendre_of_slopes(width)[:, :-1].T
    own = np.arange(width)[None, :] <= degree[:, None]
    columns = sign[:, None] * slopes[:, own]
    np.add.at(local, row, columns)
    np.add.at(local.T, row, columns)
    np.add.at(local, (row[:, None], row[None, :]), sign[:, None] * sign * pairs)
    if next_rows.size:
        following = slopes[:, np.arange(degree.size), degree + 1]
        np.add.at(next_rows.T, row, sign[:, None] * following)


# --- what the earth reflects ---------------------------------------------------------------


@dataclass(frozen=True)
class RingRows:
    """Copies of thick elements and of ends at their corners, ahead of all elements.

    Attributes
    ----------
    thick : (T,) int
        Elements that have copies.
    corners : Corners
        M ends at thick nodes; each is a very short element without degree.
    copies : Copies
        Owners 0 .. T - 1 are thick elements, T .. T + M - 1 ends.
    elements : Elements
        R copies, then all E elements.
    """

    thick: IntArray
    corners: Corners
    copies: Copies
    elements: Elements

    @property
    def n_rows(self) -> int:
        return int(self.copies.owner.size)


END_LENGTH = 1e-4
"""Half length of the short element that stands for an end, in half lengths of its element."""


def make_ring_rows(elements: Elements, corners: Corners, wavenumber: float) -> RingRows | None:
    """The rows that thick conductors need over real earth, None where there are none."""
    room = ring_room(elements)
    is_copied = has_copies(elements.radius, room, wavenumber)
    thick = np.flatnonzero(is_copied)
    if not thick.size:
        return None
    corners = corners.chosen(
        is_thick(corners.thickest, wavenumber, REFLECTED_THIN) & (room[corners.element] > TOUCHING)
    )
    places, _, _ = corner_ends(elements, corners)
    source = np.concatenate([thick, corners.element])
    short = END_LENGTH * elements.length[corners.element]
    copies = ring_copies(
        elements.half[source] / elements.length[source, None],
        elements.radius[source],
        room[source],
        is_copied[source],
    )
    center = np.concatenate([elements.center[thick], places])
    length = np.concatenate([elements.length[thick], short])
    half = elements.half[source] * (length / elements.length[source])[:, None]
    degree = np.concatenate([elements.degree[thick], np.zeros(places.shape[0], dtype=np.int64)])
    owner = copies.owner
    extended = elements._replace(
        center=np.concatenate([center[owner] + copies.offset, elements.center]),
        half=np.concatenate([half[owner], elements.half]),
        length=np.concatenate([length[owner], elements.length]),
        radius=np.concatenate([elements.radius[source][owner], elements.radius]),
        degree=np.concatenate([degree[owner], elements.degree]),
    )
    return RingRows(thick, corners, copies, extended)


def ring_room(elements: Elements) -> FloatArray:
    """Half the height of the lower end of each element: copies stay above ground. [m]"""
    return 0.5 * (elements.center[:, 2] - np.abs(elements.half[:, 2]))


@dataclass(frozen=True)
class RingMoments:
    """Reflected moments with means over rings, in place of those of axes.

    Attributes
    ----------
    rows : RingRows
    to_axes : (T + M, E, 2, orders, orders) complex
        Of owners with elements that are not thick.
    together : (T + M, T + M, 2, orders, orders) complex
        Of owners with each other.
    """

    rows: RingRows
    to_axes: ComplexArray
    together: ComplexArray

    def put(self, buffer: ComplexArray, first_row: int, last_row: int) -> None:
        """Replace the moments of thick elements in rows first_row .. last_row - 1 of pairs."""
        thick = self.rows.thick
        turned = self.to_axes[: thick.size].swapaxes(3, 4)
        number = {int(e): t for t, e in enumerate(thick)}
        for i in range(first_row, last_row):
            if i in number:
                buffer[i - first_row] = self.to_axes[number[i]]
                buffer[i - first_row, thick] = self.together[number[i], : thick.size]
            else:
                buffer[i - first_row, thick] = turned[:, i]

    def corner_potentials(self, elements: Elements) -> tuple[ComplexArray, ComplexArray]:
        """What `place_corners` takes: (M, E, orders) and (M, M)."""
        rows = self.rows
        n = rows.thick.size
        short = END_LENGTH * elements.length[rows.corners.element]
        potentials = self.to_axes[n:, :, 1, 0, :].copy()
        potentials[:, rows.thick] = self.together[n:, :n, 1, 0, :]
        potentials /= 2.0 * short[:, None, None] * elements.length[None, :, None]
        pairs = self.together[n:, n:, 1, 0, 0] / (4.0 * short[:, None] * short)
        return potentials[:, :, : int(elements.degree.max()) + 1], pairs


def ring_moments(
    rows: RingRows,
    wavenumber: float,
    orders: int,
    add: Callable[[ComplexArray, int, int], None],
) -> RingMoments:
    """Means over rings from the moments of copies.

    Parameters
    ----------
    rows : RingRows
    wavenumber : float
        [1/m]
    orders : int
        Of the moments.
    add : callable
        add(buffer, first_row, last_row) adds the reflected moments of rows of `rows.elements`.
    """
    n_rows, owner = rows.n_rows, rows.copies.owner
    weights = rows.copies.weights(wavenumber)
    n_all = rows.elements.length.size
    n_owners = int(owner[-1]) + 1
    starts = np.searchsorted(owner, np.arange(n_owners))
    to_axes = np.zeros((n_owners, n_all - n_rows, 2, orders, orders), dtype=np.complex128)
    together = np.zeros((n_owners, n_owners, 2, orders, orders), dtype=np.complex128)
    step = max(1, int(ROW_BYTES / (n_all * 2 * orders * orders * 16)))
    for first in range(0, n_rows, step):
        last = min(first + step, n_rows)
        buffer = np.zeros((last - first, n_all, 2, orders, orders), dtype=np.complex128)
        add(buffer, first, last)
        buffer *= weights[first:last, None, None, None, None]
        # A pair stands once for both orders: its transpose is added below.
        own = np.arange(first, last)
        buffer[own - first, own] *= 0.5
        crossed = buffer[:, :n_rows] * weights[None, :, None, None, None]
        groups = np.flatnonzero(np.diff(owner[first:last], prepend=-1))  # owners rise
        mine = owner[first:last][groups]
        together[mine] += np.add.reduceat(np.add.reduceat(crossed, groups), starts, axis=1)
        to_axes[mine] += np.add.reduceat(buffer[:, n_rows:], groups)
    together += together.transpose(1, 0, 2, 4, 3)
    return RingMoments(rows, to_axes, together)
