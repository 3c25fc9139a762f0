"""House cables that nobody told: drawn at random where there is room for them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ....geometry import Cable, Scene
from ....geometry.nearness import segment_distances
from ....geometry.outlines import inside
from ....geometry.plan import AtticPlan
from ...errors import PriorError
from ...moments.basis import FloatArray
from ..sweep_trials import READING_ERRORS
from .applying import lifted

__all__ = ["cables_at_height", "candidates", "draw", "mask_of"]

BoolArray = NDArray[np.bool_]

GAUGE, JACKET, CORES = "1.5 mm2", "PVC 0.7 mm", 3
"""Of a cable for lights and sockets. Common practice."""

SHORTEST, LONGEST = 2.0, 9.0
"""Of what lies in the attic and goes down a wall. A choice. [m]"""

LYING = (0.03, 0.09)
"""Heights above the attic floor at which cables lie on joists and boards. A choice. [m]"""

DEEPEST = 2.5
"""How far one comes up a wall from below the attic floor, at most a storey. [m]"""

FROM_WALLS = 0.12
FROM_METAL, FROM_ANTENNA = 0.03, 0.1
"""Clear of other wires, and of the elements, which somebody has looked at. [m]"""

RADII = 6.0
"""Clear of thick conductors, in their radii; nearer than five a scene has doubts."""

MOST_TRIES, MOST_SCENES = 2000, 30
"""Ways tried for a cable, and of these checked in full."""

WAYS = ("across", "along", "bent", "wall")


def candidates(plan: AtticPlan, count: int, seed: int) -> tuple[Cable, ...]:
    """Floating cables that may be in the attic of a plan, clear of all that is there.

    They lie on the attic floor across or along the ridge, with a bend or without, or come up
    along a wall from below and go inwards on the floor, in turn.

    Parameters
    ----------
    plan : AtticPlan
    count : int
        How many; the first of a larger count are those of a smaller one.
    seed : int
        >= 0; equal seeds give equal cables.

    Returns
    -------
    tuple of Cable
        World coordinates, with names that the plan has not.

    Raises
    ------
    PriorError
        If count or seed is none, or there is no room for so many.
    """
    for what, value in (("count", count), ("seed", seed)):
        whole = isinstance(value, int | np.integer) and not isinstance(value, bool)
        if not whole or value < 0:
            raise PriorError(f"{what} is {value!r}; it must be a whole number from 0 up.")
    rng = np.random.default_rng(seed)
    scene = plan.scene()
    taken = {*plan.origins, *(wire.name for wire in scene.wires)}
    taken |= {name for piece in plan.house for name in (piece.name, getattr(piece, "group", ""))}
    found: list[Cable] = []
    number = 0
    for n in range(count):
        number += 1
        while f"untold cable {number}" in taken:
            number += 1
        cable = _one(plan, scene, rng, WAYS[n % len(WAYS)], f"untold cable {number}")
        if cable is None:
            raise PriorError(
                f"There is room for {n} cables that nobody told in {plan.file.name}, not for "
                f"{count}. Ask for fewer: cables = {n} in [unknowns]."
            )
        found.append(cable)
        scene = _with(plan, [*plan.house, *found])
    return tuple(found)


def cables_at_height(
    cables: Sequence[Cable], plan: AtticPlan, changed: AtticPlan
) -> tuple[Cable, ...]:
    """Cables of a plan in one whose attic floor is higher or lower: they go along with it."""
    floor, value = plan.attic.floor_level, changed.attic.floor_level
    if floor == value:
        return tuple(cables)
    found = []
    for cable in cables:
        points = cable.vertices.copy()
        points[:, 2] = [lifted(float(z), floor, value) for z in points[:, 2]]
        found.append(replace(cable, points=points))
    return tuple(found)


def draw(rng: np.random.Generator, cables: Sequence[Cable]) -> BoolArray:
    """Which of the candidates are there, shape (count,): any number of them alike likely."""
    return mask_of(rng.random((1, len(cables) + 1)))[0]


def mask_of(points: FloatArray) -> BoolArray:
    """Which candidates are there, (N, C), of points (N, C + 1) in the unit cube.

    The first coordinate says how many, 0 to C, the others which: those of the least.
    """
    count = points.shape[1] - 1
    number = np.minimum(np.floor(points[:, :1] * (count + 1)), count)
    rank = np.argsort(np.argsort(points[:, 1:], axis=1, kind="stable"), axis=1)
    return rank < number


def _one(
    plan: AtticPlan, scene: Scene, rng: np.random.Generator, way: str, name: str
) -> Cable | None:
    starts, ends, clear = _obstacles(plan, scene)
    scenes = 0
    for _ in range(MOST_TRIES):
        points = _proposed(plan, rng, way)
        if points is None or not _is_clear(points, starts, ends, clear):
            continue
        cable = Cable(points, gauge=GAUGE, jacket=JACKET, cores=CORES, name=name)
        try:
            _with(plan, [*scene.house, cable])
        except READING_ERRORS:  # in timber, too near to the ground
            scenes += 1
            if scenes == MOST_SCENES:
                break
            continue
        return cable
    return None


def _with(plan: AtticPlan, house: Sequence[Any]) -> Scene:
    return Scene(
        plan.wires, feeds=plan.feeds, loads=plan.loads, earth=plan.earth, house=tuple(house)
    )


def _obstacles(plan: AtticPlan, scene: Scene) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Ends (M, 3) of all stretches of wire, and how far to stay off their axes (M,). [m]"""
    elements = () if plan.antenna is None else [one.name for one in plan.antenna.elements]
    starts, ends, clear = [], [], []
    for wire in scene.wires:
        off = FROM_ANTENNA if wire.name in elements else FROM_METAL
        starts.append(wire.vertices[:-1])
        ends.append(wire.vertices[1:])
        clear.append(np.full(len(wire.vertices) - 1, max(off, RADII * wire.radius)))
    return np.concatenate(starts), np.concatenate(ends), np.concatenate(clear)


def _is_clear(points: FloatArray, starts: FloatArray, ends: FloatArray, clear: FloatArray) -> bool:
    for a, b in pairwise(points):
        one, two = np.broadcast_to(a, starts.shape), np.broadcast_to(b, starts.shape)
        if np.any(segment_distances(one, two, starts, ends)[0] < clear):
            return False
    return True


def _proposed(plan: AtticPlan, rng: np.random.Generator, way: str) -> FloatArray | None:
    """A way within the attic, world coordinates, None where it leaves it."""
    attic = plan.attic
    length, height = rng.uniform(SHORTEST, LONGEST), rng.uniform(*LYING)
    room = attic.room_at(height, margin=FROM_WALLS)
    if room is None:
        return None
    if way == "wall":
        deep = rng.uniform(0.3, 1.0) * min(DEEPEST, 0.5 * attic.floor_level, length)
        side, at = int(rng.integers(len(room))), rng.uniform(0.05, 0.95)
        a, b = room[side], room[(side + 1) % len(room)]
        inwards = np.array([-(b - a)[1], (b - a)[0]]) / np.linalg.norm(b - a)
        foot = a + at * (b - a)
        flat = [foot, foot + max(length - deep - height, 0.2) * inwards]
    else:
        start = rng.uniform(room.min(axis=0), room.max(axis=0))
        axis = int(rng.integers(2)) if way == "bent" else int(way == "across")
        first = length * (rng.uniform(0.3, 0.7) if way == "bent" else 1.0)
        corner = start + first * rng.choice([-1.0, 1.0]) * np.eye(2)[axis]
        flat = [start, corner]
        if way == "bent":
            flat.append(corner + (length - first) * rng.choice([-1.0, 1.0]) * np.eye(2)[1 - axis])
        deep = 0.0
    points = np.column_stack([np.array(flat), np.full(len(flat), height)])
    if not np.all(inside(room, points[:, :2], tolerance=1e-6)) or attic.way_out(points):
        return None
    if way == "wall":
        points = np.vstack([[*flat[0], -deep], points])
    return attic.to_world(points)
