"""Cutting timbers and sheets into cells, finer where wires are near."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from .distance_kernels import nearest_elements

if TYPE_CHECKING:
    from ...geometry.obstructions import Sheet, Timber

    Solid = Timber | Sheet

HALVING = 1.42
"""A cell is halved where it is longer than allowed by this factor, so that both come out alike."""

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
IntArray = NDArray[np.int64]


@dataclass(frozen=True)
class CellRule:
    """How long cells may be.

    Attributes
    ----------
    shortest : float
        About how long cells near wires are. [m]
    ratio : float
        Farther off, about this part of the distance from their middle to the nearest wire.
    longest : float
        About how long they are at most. [m]
    shift : float
        Where the first cut lies, in parts of the longest cell; for tests, since no result may
        depend on it.
    """

    shortest: float = 0.5
    ratio: float = 0.7
    longest: float = 1.5
    shift: float = 0.0


@dataclass(frozen=True, eq=False)
class Body:
    """Solids of one group, stuff and section: what shares a polarisability.

    Attributes
    ----------
    group, kind : str
        What it is reported with; "timber" or "sheet".
    sample : Timber or Sheet, or None
        One of the solids; None where nothing is there.
    half : pair of float
        Half the width and half the depth of a timber; of a sheet 0 and half the thickness. [m]
    polarisabilities : dict
        By frequency, kept by `integrals.polarisability`: variants of a house share most bodies.
    """

    group: str
    kind: str
    sample: Any
    half: tuple[float, float]
    polarisabilities: dict[float, tuple[ComplexArray, ComplexArray]] = field(
        default_factory=dict, init=False, repr=False, compare=False
    )

    @property
    def is_empty(self) -> bool:
        """True where nothing is there."""
        return self.sample is None

    def emptied(self) -> Body:
        """Nothing in the same place."""
        return replace(self, sample=None)

    def permittivity(self, frequency: float) -> NDArray[np.complex128]:
        """Relative permittivity along the three axes of a cell, shape (3,)."""
        if self.is_empty:
            return np.ones(3, dtype=np.complex128)
        return np.asarray(self.sample.permittivity(frequency), dtype=np.complex128)


@dataclass(frozen=True, eq=False)
class Cells:
    """Boxes that fill the solids.

    Attributes
    ----------
    center, half : (C, 3) float
        Middle, and half extents along the box's own axes. [m]
    frame : (C, 3, 3) float
        Rows are the unit axes: along, across, across a timber; in, in, normal to a sheet.
    volume : (C,) float
        Of the part that is filled. [m^3]
    body : (C,) int
        Index into `bodies`.
    solid : (C,) int
        Which of the solids it is a part of.
    bodies : tuple of Body
    """

    center: FloatArray
    half: FloatArray
    frame: FloatArray
    volume: FloatArray
    body: IntArray
    solid: IntArray
    bodies: tuple[Body, ...]

    def __len__(self) -> int:
        return int(self.body.size)

    @property
    def flat(self) -> NDArray[np.bool_]:
        """True for cells of a sheet, (C,)."""
        return np.array([self.bodies[b].kind == "sheet" for b in self.body], dtype=bool)

    def samples(self) -> tuple[FloatArray, IntArray]:
        """Points (S, 3) whose fields stand for a cell's, and where cells begin.

        Two along a timber, whose mean is that over the cell for quadratics; the middle of a sheet's
        cell. Over many like cells in a plane the middles integrate a product as the midpoint rule
        does, where products of means lack what varies within each: 6 % of dX for a board 2 m off.
        Rows first[c] : first[c + 1]. [m]
        """
        counts = np.where(self.flat, 1, 2)
        first = np.concatenate([[0], np.cumsum(counts)])
        owner = np.repeat(np.arange(len(self)), counts)
        place = np.arange(owner.size) - first[owner]
        along = np.where(self.flat[owner], 0.0, (2 * place - 1) / np.sqrt(3.0))
        shift = (along * self.half[owner, 0])[:, None] * self.frame[owner, 0]
        points = self.center[owner] + shift
        return np.ascontiguousarray(points), first.astype(np.int64)

    @property
    def size(self) -> FloatArray:
        """Longest side of each cell, (C,). [m]"""
        return 2.0 * self.half.max(axis=1)

    def sample_means(self, values: NDArray[Any]) -> NDArray[Any]:
        """Means over the samples of each cell, (..., S) to (..., C)."""
        _, first = self.samples()
        return np.add.reduceat(values, first[:-1], axis=-1) / np.diff(first)


def _first_cuts(half: float, longest: float, shift: float) -> FloatArray:
    count = max(1, int(np.ceil(2.0 * half / longest - 1e-9)))
    edges = np.linspace(-half, half, count + 1)
    if shift > 0.0:
        edges = np.concatenate([[-half], edges[:-1] + shift * (edges[1] - edges[0]), [half]])
    return edges


def _cut_solid(solid: Solid, rule: CellRule, starts: FloatArray, ends: FloatArray) -> FloatArray:
    """Cells of one solid as rows of (low, high) along its first two axes, (n, 4). [m]"""
    half = np.asarray(solid.half, dtype=float)
    flat = solid.kind == "sheet"
    u = _first_cuts(float(half[0]), rule.longest, rule.shift)
    v = (
        _first_cuts(float(half[1]), rule.longest, rule.shift)
        if flat
        else half[1] * np.array([-1, 1])
    )
    todo = np.array(
        [[a, b, c, d] for a, b in itertools.pairwise(u) for c, d in itertools.pairwise(v)]
    )
    done = []
    while todo.size:
        middle = np.stack([todo[:, :2].mean(axis=1), todo[:, 2:].mean(axis=1)], axis=1)
        points = solid.center + middle @ solid.frame[:2]
        distance, _ = nearest_elements(np.ascontiguousarray(points), starts, ends)
        allowed = np.clip(rule.ratio * distance, rule.shortest, rule.longest)
        sides = np.stack([todo[:, 1] - todo[:, 0], todo[:, 3] - todo[:, 2]], axis=1)
        if not flat:
            sides[:, 1] = 0.0
        long = sides.max(axis=1) > HALVING * allowed
        done.append(todo[~long])
        todo, sides = todo[long], sides[long]
        if not todo.size:
            break
        along = np.where(sides[:, 0] >= sides[:, 1], 0, 2)
        rows = np.arange(todo.shape[0])
        cut = 0.5 * (todo[rows, along] + todo[rows, along + 1])
        first, second = todo.copy(), todo.copy()
        first[rows, along + 1] = cut
        second[rows, along] = cut
        todo = np.concatenate([first, second])
    return np.concatenate(done)


def cut_solids(
    solids: Sequence[Solid], starts: FloatArray, ends: FloatArray, rule: CellRule
) -> Cells:
    """Cut solids into cells by their distance to wires.

    Parameters
    ----------
    solids : sequence of Timber or Sheet
    starts, ends : (E, 3) float
        Wire elements. [m]
    rule : CellRule
    """
    bodies: dict[Any, int] = {}
    kept: list[Body] = []
    parts: list[tuple[FloatArray, FloatArray, FloatArray, FloatArray, IntArray, IntArray]] = []
    for number, solid in enumerate(solids):
        _, width, depth = (float(x) for x in solid.half)
        section = (0.0 if solid.kind == "sheet" else width, depth)
        stuff = (solid.group, solid.kind, solid.stuff, *(round(x, 6) for x in section))
        if stuff not in bodies:
            bodies[stuff] = len(kept)
            kept.append(Body(solid.group, solid.kind, solid, section))
        rows = _cut_solid(solid, rule, starts, ends)
        frame, whole = np.asarray(solid.frame, float), np.asarray(solid.half, float)
        middle = np.stack([rows[:, :2].mean(axis=1), rows[:, 2:].mean(axis=1)], axis=1)
        half = np.stack(
            [
                0.5 * (rows[:, 1] - rows[:, 0]),
                0.5 * (rows[:, 3] - rows[:, 2]),
                np.full(rows.shape[0], whole[2]),
            ],
            axis=1,
        )
        volume = 8.0 * half.prod(axis=1)
        if solid.kind == "sheet":
            volume = volume * solid.filled(rows)
        keep = volume > 0.0
        n = int(keep.sum())
        parts.append(
            (
                (solid.center + middle @ frame[:2])[keep],
                half[keep],
                np.broadcast_to(frame, (n, 3, 3)),
                volume[keep],
                np.full(n, bodies[stuff], dtype=np.int64),
                np.full(n, number, dtype=np.int64),
            )
        )
    center, half, frame, volume = (
        np.ascontiguousarray(np.concatenate([part[i] for part in parts]), dtype=np.float64)
        for i in range(4)
    )
    body = np.concatenate([part[4] for part in parts])
    number = np.concatenate([part[5] for part in parts])
    return Cells(center, half, frame, volume, body, number, tuple(kept))
