"""How far wires are from timber, sheets and metal of the house, from surface to surface."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from .errors import GeometryError
from .obstructions import Sheet, Timber
from .outlines import inside
from .screens import Screen
from .wires import Wire

if TYPE_CHECKING:
    from .scene import Scene

__all__ = ["Clearance", "wire_clearances"]

Array = NDArray[np.float64]

SPACING = 0.02
"""Between the places along a wire at which the distance is taken, at most. [m]"""

METAL = "metal"
"""What a wire counts as that says it belongs to a piece that the house does not hold."""

PAIRS_AT_ONCE = 500_000


@dataclass(frozen=True, eq=False)
class Clearance:
    """What is nearest along one wire.

    Attributes
    ----------
    wire : str
    distances : ndarray, shape (M,)
        Along the wire, rising, both ends among them. [m]
    gaps : ndarray, shape (M,)
        From the conductor's surface to the nearest thing, 0 where they touch, inf where there is
        nothing. [m]
    things : tuple of (name, kind)
        Timbers, sheets, screens and metal pieces; kind as "timber", "cable".
    nearest : ndarray of int, shape (M,)
        Index into `things`, -1 where there is nothing.
    """

    wire: str
    distances: Array
    gaps: Array
    things: tuple[tuple[str, str], ...]
    nearest: NDArray[np.intp]

    def at(self, distance: float) -> tuple[str, str, float]:
        """Name, kind and gap [m] of what is nearest to the place next to a distance [m]."""
        if not -1e-9 <= distance <= self.distances[-1] + 1e-9:
            raise GeometryError(
                f"Wire {self.wire!r} has no point at {distance:g} m; it runs from 0 to "
                f"{self.distances[-1]:g} m."
            )
        return self.at_place(int(np.argmin(np.abs(self.distances - distance))))

    def at_place(self, row: int) -> tuple[str, str, float]:
        """The same for one of the places."""
        which = int(self.nearest[row])
        name, kind = ("", "") if which < 0 else self.things[which]
        return name, kind, float(self.gaps[row])


def wire_clearances(scene: Scene, *, spacing: float = SPACING) -> tuple[Clearance, ...]:
    """Distances along every wire but the grids of screens.

    Parameters
    ----------
    spacing : float
        Between places along the wires, at most. [m]

    Notes
    -----
    A wire's own piece does not count, nor do pieces that it is joined to. Metal counts with the
    round section that stands for it, a screen as its outline, insulation of wires not at all.
    Distances of timbers, sheets and screens are exact at each place, so between two places half of
    the spacing may be missed where a thing ends there.
    """
    if not (np.isfinite(spacing) and spacing > 0.0):
        raise GeometryError(f"spacing is {spacing!r} m; it must be finite and above zero.")
    kinds = {piece.name: piece.kind for piece in scene.house}
    kinds |= {
        getattr(p, "group", "") or p.name: p.kind for p in scene.house if hasattr(p, "bonded")
    }
    screens = {
        getattr(piece, "group", "") or piece.name
        for piece in scene.house
        if isinstance(piece, Screen)
    }
    wires = [wire for wire in scene.wires if wire.piece not in screens]
    joined = _joined_pieces(scene)
    counts = [1 + int(np.ceil(wire.length / spacing)) for wire in wires]
    along = [_places(wire, count) for wire, count in zip(wires, counts, strict=True)]
    points = np.concatenate([w.points_at(s) for w, s in zip(wires, along, strict=True)])
    owner = np.repeat(np.arange(len(wires)), [len(s) for s in along])
    least = np.full(len(points), np.inf)
    which = np.full(len(points), -1, dtype=np.intp)
    things: list[tuple[str, str]] = []
    for name, kind, gaps in _gaps(scene, points, kinds, screens):
        apart = np.array([name not in joined.get(w.name, ()) and w.piece != name for w in wires])
        nearer = (gaps < least) & apart[owner] if kind not in ("timber", "sheet") else gaps < least
        least[nearer], which[nearer] = gaps[nearer], len(things)
        things.append((name, kind))
    radius = np.array([wire.radius for wire in wires])[owner]
    least = np.maximum(least - radius, 0.0)
    return tuple(
        Clearance(wire.name, along[k], least[owner == k], tuple(things), which[owner == k])
        for k, wire in enumerate(wires)
    )


def _places(wire: Wire, count: int) -> Array:
    at = np.concatenate([np.linspace(0.0, wire.length, count), wire.vertex_distances])
    return np.unique(np.clip(at, 0.0, wire.length))


def _joined_pieces(scene: Scene) -> dict[str, set[str]]:
    """Pieces that each wire has a node in common with, by its name."""
    skeleton = scene.skeleton
    at_node: dict[int, set[int]] = {}
    for (a, b), wire in zip(
        skeleton.piece_nodes.tolist(), skeleton.piece_wire.tolist(), strict=True
    ):
        at_node.setdefault(a, set()).add(wire)
        at_node.setdefault(b, set()).add(wire)
    found: dict[str, set[str]] = {}
    for meeting in at_node.values():
        pieces = {scene.wires[w].piece for w in meeting} - {""}
        for w in meeting:
            found.setdefault(scene.wires[w].name, set()).update(pieces)
    return found


def _gaps(
    scene: Scene, points: Array, kinds: dict[str, str], screens: set[str]
) -> Iterator[tuple[str, str, Array]]:
    """Every thing's name and kind, and how far its surface is from the points (N, 3), (N,). [m]"""
    for piece in scene.house:
        if isinstance(piece, Timber):
            local = np.abs((points - piece.center) @ piece.frame.T) - piece.half
            yield piece.name, piece.kind, np.linalg.norm(np.maximum(local, 0.0), axis=1)
        elif isinstance(piece, Sheet):
            yield piece.name, piece.kind, _plate_gaps(piece, float(piece.half[2]), points)
        elif isinstance(piece, Screen):
            name = getattr(piece, "group", "") or piece.name
            yield name, piece.kind, _plate_gaps(piece, 0.0, points)
    metal: dict[str, list[Wire]] = {}
    for wire in scene.wires:
        if wire.piece and wire.piece not in screens:
            metal.setdefault(wire.piece, []).append(wire)
    for name, wires in metal.items():
        least = np.full(len(points), np.inf)
        for wire in wires:
            axis = _segment_gaps(points, wire.vertices[:-1], wire.vertices[1:])
            least = np.minimum(least, axis - wire.radius)
        yield name, kinds.get(name, METAL), np.maximum(least, 0.0)


def _plate_gaps(plate: Sheet | Screen, half_thickness: float, points: Array) -> Array:
    """Distance to a plane outline of some thickness, (N,). [m]"""
    local = (points - plate.center) @ plate.frame.T
    corners = np.column_stack([plate.outline, np.zeros(len(plate.outline))])
    flat = local * np.array([1.0, 1.0, 0.0])
    beside = _segment_gaps(flat, corners, np.roll(corners, -1, axis=0))
    beside[inside(plate.outline, local[:, :2])] = 0.0
    return np.hypot(beside, np.maximum(np.abs(local[:, 2]) - half_thickness, 0.0))


def _segment_gaps(points: Array, start: Array, end: Array) -> Array:
    """Least distance of each point (N, 3) from stretches (K, 3), (N,). [m]"""
    way = end - start
    square = np.maximum((way**2).sum(axis=1), np.finfo(float).tiny)
    found = np.empty(len(points))
    rows = max(1, PAIRS_AT_ONCE // len(start))
    for first in range(0, len(points), rows):
        some = points[first : first + rows, None] - start
        part = np.clip((some * way).sum(axis=2) / square, 0.0, 1.0)
        found[first : first + rows] = np.sqrt(
            ((some - part[..., None] * way) ** 2).sum(axis=2).min(axis=1)
        )
    return found
