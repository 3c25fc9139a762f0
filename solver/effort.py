"""What a study will take: unknowns, cells and matrices, and about how long.

The times are those of one machine (two cores at about 3 GHz), measured on the shipped example with
its house, with its joists alone and without a house; they hold within a factor of about 3.  The
error comes from what a rough count cannot see: how many wires run close to timber, how often the
mesh is refined, what else the machine does.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..geometry import Scene
from ..geometry.mesh import Mesh
from .bands import Band
from .surround.cells import CellRule, Cells, cut_solids

__all__ = ["Effort", "estimate_effort"]

REFINED = 1.27
"""By how much refining the mesh multiplies the unknowns."""

HUNDREDS = 200.0  # unknowns that the times below refer to

MATRIX = 0.02
MATRIX_BY_SQUARE = 0.04
"""One matrix of the wires: a constant part, and one by the square of the unknowns. [s]"""

REFINING_BY_SQUARE = 0.11
REFINING_MORE = 3
"""Refining, by the square of the unknowns: per frequency, and as for so many more. [s]"""

BAND = 0.4
"""Pattern, watts and curve of a band. [s]"""

SOLIDS = 0.15
SOLIDS_BY_CELL = 1.2e-6
"""Timber and sheets in a matrix: a constant part, and one per cell and unknown. [s]"""

BAND_BY_CELL = 2.5e-3
"""Their part in pattern and watts of a band, per cell. [s]"""

NEAR_PAIR = 7e-3
"""Integrals of a cell with an element close by, once. [s]"""

PIECE = 0.01
"""Leaving out one piece of the house, per matrix. [s]"""

FIELD_POINT = 2.4e-6
FIELD_POINT_BY_CELL = 2.4e-7
"""Near field at a point, per unknown and per cell. [s]"""

FIELD_BOX_BY_CELL = 2e-3
"""What the earth reflects of the cells, interpolated over a room, per cell. [s]"""

CLOSE = 0.6
"""An element is close to a cell whose middle is so near. [m]"""

PAIRS_AT_ONCE = 100_000


@dataclass(frozen=True)
class Effort:
    """What a study is about to do.

    Attributes
    ----------
    unknowns, cells : int
        About so many, before the mesh is refined; cells of timber and sheets.
    near_pairs : int
        Cells and elements close to each other.
    frequencies : int
        At which the mesh is refined; 0 where it is left as it is.
    bands, matrices : int
    pieces : int
        Left out in turn.
    field_points, field_boxes : int
        Points and rooms in which near fields are worked out, each counted as often as it is.
    """

    unknowns: int
    cells: int
    near_pairs: int
    frequencies: int
    bands: int
    matrices: int
    pieces: int = 0
    field_points: int = 0
    field_boxes: int = 0

    @property
    def seconds(self) -> float:
        """About how long, once compiled. [s]"""
        square = (self.unknowns / HUNDREDS) ** 2
        matrix = MATRIX + MATRIX_BY_SQUARE * square + PIECE * self.pieces
        band, once = BAND, 0.0
        if self.frequencies:
            once = REFINING_BY_SQUARE * square * (self.frequencies + REFINING_MORE)
        if self.cells:
            matrix += SOLIDS + SOLIDS_BY_CELL * self.cells * self.unknowns
            band += BAND_BY_CELL * self.cells
            once += NEAR_PAIR * self.near_pairs
        once += FIELD_POINT * self.field_points * self.unknowns
        once += FIELD_POINT_BY_CELL * self.field_points * self.cells
        once += FIELD_BOX_BY_CELL * self.field_boxes * self.cells
        return once + self.matrices * matrix + self.bands * band


def estimate_effort(
    scene: Scene,
    mesh: Mesh,
    bands: Sequence[Band],
    *,
    matrices: int,
    frequencies: int,
    pieces: int = 0,
) -> Effort:
    """Count what a study of a scene on bands will do.

    Parameters
    ----------
    scene : Scene
    mesh : Mesh
        Its own, not refined.
    bands : sequence of Band
    matrices : int
        To be filled.
    frequencies : int
        At which the mesh will be refined.
    pieces : int
        To be left out in turn.
    """
    unknowns = int(mesh.degree.sum()) * (REFINED if frequencies else 1.0)
    cells, near = 0, 0
    if scene.solids:
        found = cut_solids(scene.solids, mesh.start, mesh.end, CellRule())
        cells, near = len(found), _near_pairs(found, mesh)
    return Effort(round(unknowns), cells, near, frequencies, len(bands), matrices, pieces)


def _near_pairs(cells: Cells, mesh: Mesh) -> int:
    """How many cells and elements are closer than `CLOSE`."""
    way = mesh.end - mesh.start
    square = (way**2).sum(axis=1)
    rows = max(1, PAIRS_AT_ONCE // len(mesh))
    count = 0
    for first in range(0, len(cells), rows):
        apart = cells.center[first : first + rows, None] - mesh.start
        part = np.clip((apart * way).sum(axis=2) / square, 0.0, 1.0)
        distance = np.linalg.norm(apart - part[..., None] * way, axis=2)
        count += int((distance < CLOSE).sum())
    return count
