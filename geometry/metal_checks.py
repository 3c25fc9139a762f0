"""What metal of the house may not be: around wood or boards, joined by chance, outdoors."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from .errors import GeometryError
from .house import COUNTERPOISE, HousePiece, MetalPiece
from .house_checks import Boxes, clipped, inside_outline
from .lengths import metres
from .metalwork import Gutter, MetalRun
from .obstructions import FLAT, Sheet, Timber
from .outlines import inside
from .wires import show_point

if TYPE_CHECKING:
    from .attic import Attic
    from .scene import Scene

__all__ = ["check_joins", "check_solids_in_metal", "outside_doubts"]

Array = NDArray[np.float64]

FAT = 0.02
"""Least radius of metal that could have something inside it; thinner runs lie on timbers. [m]"""

DENTED = 0.1
"""A timber may reach so far into round metal, in radii: sections are seldom just as told."""

STEEP = 2.0
"""A sheet crosses a duct if it meets it at 30 degrees or more: its way inside is so much longer
than straight across."""

BEYOND = 0.5
"""Metal and solids of a house reach this far beyond walls and roof: eaves, verges. [m]"""

_STEPS = 50  # of halving, in the search for the place nearest to a solid


# ---- solids inside metal --------------------------------------------------------------------


class _Tube(NamedTuple):
    """Stretches of one fat conductor: ends (K, 3) and the radius that is metal for certain. [m]"""

    name: str
    kind: str
    start: Array
    end: Array
    radius: float


def check_solids_in_metal(scene: Scene) -> None:
    """Timbers and sheets do not run inside ducts, tanks and other fat conductors.

    Raises
    ------
    GeometryError

    Notes
    -----
    Of a rectangular section the circle inside it counts, not the round conductor that stands for
    it: how it is turned is not told. A duct may cross a sheet, through a hole; a timber may reach
    into it by a tenth of its radius.
    """
    if not scene.solids:
        return
    boxes = Boxes(scene.solids)
    for tube in _tubes(scene):
        pad = tube.radius
        low = np.minimum(tube.start, tube.end) - pad
        high = np.maximum(tube.start, tube.end) + pad
        near = ((low[:, None] < boxes.high) & (high[:, None] > boxes.low)).all(axis=2)
        for k, s in np.argwhere(near):
            solid = boxes.solids[int(s)]
            if isinstance(solid, Timber):
                _check_timber(tube, int(k), solid)
            else:
                _check_sheet(tube, int(k), solid)


def _tubes(scene: Scene) -> Iterator[_Tube]:
    for wire in scene.own_wires:
        if wire.radius >= FAT:
            points = wire.vertices
            yield _Tube(wire.name, "wire", points[:-1], points[1:], wire.radius)
    for piece in scene.house:
        if not isinstance(piece, MetalRun) or isinstance(piece, Gutter):  # open on top
            continue
        radius = piece.radius
        sides = [getattr(piece, key, None) for key in ("width", "height")]
        if None not in sides:
            radius = 0.5 * min(metres(side) for side in sides)
        if radius >= FAT:
            points = piece.vertices
            yield _Tube(piece.name, piece.kind, points[:-1], points[1:], radius)


def _check_timber(tube: _Tube, k: int, timber: Timber) -> None:
    """The body that is certainly inside, the axis with a ball moved along it, meets the timber."""
    length = float(np.linalg.norm(tube.end[k] - tube.start[k]))
    first, last = k == 0, k == len(tube.start) - 1
    radius = min(tube.radius, length / max(first + last, 1))
    way = (tube.end[k] - tube.start[k]) / length
    ends = np.array([tube.start[k] + first * radius * way, tube.end[k] - last * radius * way])
    local = (ends - timber.center) @ timber.frame.T
    part, gap = _nearest_to_box(local[0], local[1], timber.half)
    depth = radius - gap
    if depth <= max(FLAT, DENTED * radius):
        return
    place = show_point(ends[0] + part * (ends[1] - ends[0]))
    raise GeometryError(
        f"Timber {timber.name!r} runs inside the metal of {tube.kind} {tube.name!r} near {place}: "
        f"it comes within {gap * 1e3:.3g} mm of the axis, {depth * 1e3:.3g} mm inside the wall. "
        "Nothing gets into metal: move one away, or end the timber before it."
    )


def _nearest_to_box(start: Array, end: Array, half: Array) -> tuple[float, float]:
    """Where a stretch (3,) to (3,) comes nearest to a box about the origin: (part, distance)."""

    def distance(part: float) -> float:
        at = start + part * (end - start)
        return float(np.linalg.norm(np.maximum(np.abs(at) - half, 0.0)))

    low, high = 0.0, 1.0  # the distance to a convex body is convex along a line
    for _ in range(_STEPS):
        one, two = low + (high - low) / 3.0, high - (high - low) / 3.0
        if distance(one) <= distance(two):
            high = two
        else:
            low = one
    part = 0.5 * (low + high)
    return part, distance(part)


def _check_sheet(tube: _Tube, k: int, sheet: Sheet) -> None:
    """The longest way along the stretch on which the sheet is in the metal."""
    thick = metres(sheet.thickness)
    a, b = (
        (tube.start[k] - sheet.center) @ sheet.frame.T,
        (tube.end[k] - sheet.center) @ sheet.frame.T,
    )
    length = float(np.linalg.norm(b - a))
    deep = (1.0 - DENTED) * tube.radius
    slab = np.array([np.inf, np.inf, 0.5 * thick + deep - FLAT])
    t0, t1 = (float(t[0]) for t in clipped(a[None], b[None], slab[None]))
    across = np.array([-(b - a)[1], (b - a)[0], 0.0])
    size = float(np.linalg.norm(across))
    if t1 <= t0 or size < 1e-9 * length:
        return
    longest, place = 0.0, 0.0
    for side in (-0.7, 0.0, 0.7):  # beside the axis too, where a sheet's edge is in the metal
        shift = side * deep * across / size
        for t_in, t_out in inside_outline(sheet, a + shift, b + shift, t0, t1):
            if t_out - t_in > longest:
                longest, place = t_out - t_in, 0.5 * (t_in + t_out)
    corners = np.array(sheet.corners) - tube.start[k]
    way = (tube.end[k] - tube.start[k]) / length
    along = corners @ way
    away = np.linalg.norm(corners - along[:, None] * way, axis=1)
    swallowed = bool((away < deep).all() and (along > 0.0).all() and (along < length).all())
    if longest * length <= STEEP * (2.0 * deep + thick) and not swallowed:
        return
    raise GeometryError(
        f"Sheet {sheet.name!r} runs inside the metal of {tube.kind} {tube.name!r} near "
        f"{show_point(tube.start[k] + place * (tube.end[k] - tube.start[k]))}, "
        f"{longest * length:.3g} m of it. Nothing gets into metal, though a {tube.kind} may go "
        "through a sheet; move one to the side of the other."
    )


# ---- metal joined by chance -----------------------------------------------------------------


def check_joins(scene: Scene) -> None:
    """Metal of the house shares no point with the scene's own wires unless it is bonded there.

    Raises
    ------
    GeometryError

    Notes
    -----
    Metal that meets metal is one conductor, own wires that meet are joined: that is how both are
    drawn. At a contact to the ground everything is joined by the earth.
    """
    metal = {piece.name: piece for piece in scene.house if isinstance(piece, MetalPiece)}
    if not metal:
        return
    skeleton, n_own = scene.skeleton, len(scene.own_wires)
    is_own = skeleton.piece_wire < n_own
    shared = np.intersect1d(skeleton.piece_nodes[is_own], skeleton.piece_nodes[~is_own])
    for node in shared[~skeleton.node_on_ground[shared]]:
        there = (skeleton.piece_nodes == node).any(axis=1)
        found = np.unique(skeleton.piece_wire[there])
        own = [scene.wires[int(w)] for w in found if w < n_own]
        pieces = list(dict.fromkeys(scene.wires[int(w)].piece for w in found if w >= n_own))
        known = {wire.name for wire in own} | {wire.piece for wire in own if wire.piece}
        if node == skeleton.feeds[0].node:
            known.add(COUNTERPOISE)
        bonds = {bond.to for piece in pieces for bond in metal[piece].bonded}
        if bonds & known or known & set(pieces):
            continue
        piece, wire = pieces[0], own[0]
        raise GeometryError(
            f"{metal[piece].kind.capitalize()} {piece!r} and wire {wire.name!r} touch at "
            f"{show_point(skeleton.nodes[node])}, where both have an end, corner or mark, and are "
            f"not bonded. If they are joined, give {piece!r} bonded={wire.name!r}; if not, move "
            "one away by more than the sum of their radii."
        )


# ---- pieces outside the house ---------------------------------------------------------------


def outside_doubts(attic: Attic, house: Sequence[HousePiece]) -> list[str]:
    """Which pieces reach out of walls and roof by more than 0.5 m, a sentence for all.

    What lies outside by nature is not named: gutters, downpipes, what says so and what is led to
    earth. There is no limit downwards, where the rooms are.
    """
    steep = math.hypot(1.0, attic.slope)
    found = []
    for piece in house:
        if isinstance(piece, MetalPiece) and (piece.outside or piece.earthed is not None):
            continue
        at = attic.to_attic(_points(piece))
        wide = ~inside(attic.corners, at[:, :2], tolerance=BEYOND)
        over = (at[:, 2] - attic.roof_height(at[:, 1])) / steep
        k = int(np.argmax(np.where(wide, np.inf, over)))
        if wide[k]:
            found.append(f"{piece.name!r} beyond the walls near {show_point(at[k])}")
        elif over[k] > BEYOND:
            found.append(f"{piece.name!r} {over[k]:.3g} m over the roof near {show_point(at[k])}")
    if not found:
        return []
    listed = "; ".join(found[:4]) + (f"; and {len(found) - 4} more" if len(found) > 4 else "")
    return [
        f"Pieces of the house reach more than {BEYOND:g} m out of it, heights above the attic "
        f"floor: {listed}. Check their points, and heights_from if they were measured from the "
        "ground."
    ]


def _points(piece: HousePiece) -> Array:
    """Points all over a piece, or round it, world coordinates, shape (M, 3). [m]"""
    if isinstance(piece, Timber):
        return piece.corners()
    if isinstance(piece, MetalRun):
        ends = piece.vertices
    else:
        ends = np.array([*piece.corners, piece.corners[0]])
    part = np.linspace(0.0, 1.0, 9)[:, None, None]  # plans may be re-entrant
    return (ends[:-1] + part * (ends[1:] - ends[:-1])).reshape(-1, 3)
