"""Points of rooms, and how near they are to wires and solids."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ...geometry.rooms import Room
from ..errors import SolverError
from ..fields.kernels import nearest_elements
from ..fields.near import NEAREST_IN_RADII
from ..moments.basis import FloatArray
from ..system import System

LEAST_DISTANCE = 0.2
"""Nearer to a wire than this a field is marked as extrapolated, and none is told. [m]"""

BESIDE_SOLID = 0.3
"""So near to a sample of a cell of timber or a sheet their point-like part is a guess. [m]"""

CLEARANCE = 1.0 + 1e-6


class Spots(NamedTuple):
    """Points of a room: P planes of N, plane by plane.

    Attributes
    ----------
    room : Room
    x : (X,), y : (Y,) float
        Of the grid. [m]
    within : (Y, X) bool
        Which points of the grid lie in the room: N of them.
    points, clear : (P N, 3) float
        Where fields are asked for, and where they are computed. [m]
    wire : (P N,) int
        The nearest.
    distance : (P N,) float
        From its surface. [m]
    foot : (P N, 3) float
        The nearest point of its axis. [m]
    extrapolated, beside : (P N,) bool
        Nearer to a wire than `LEAST_DISTANCE`, to a cell of a solid than `BESIDE_SOLID`.
    """

    room: Room
    x: FloatArray
    y: FloatArray
    within: NDArray[np.bool_]
    points: FloatArray
    clear: FloatArray
    wire: NDArray[np.int64]
    distance: FloatArray
    foot: FloatArray
    extrapolated: NDArray[np.bool_]
    beside: NDArray[np.bool_]

    @classmethod
    def of(cls, room: Room, step: float, system: System) -> Spots:
        x, y, within = room.grid(step)
        across, up = np.meshgrid(x, y)
        flat = np.column_stack([across[within], up[within]])
        if not flat.size:
            raise SolverError(
                f"Room {room.name!r} holds no point of a grid with a step of {step:g} m; take a "
                "shorter step."
            )
        points = np.concatenate(
            [np.column_stack([flat, np.full(len(flat), z)]) for z in room.levels]
        )
        mesh = system.mesh
        element, feet = nearest_feet(points, system, np.ones(len(mesh)))
        distance = np.linalg.norm(points - feet, axis=1) - mesh.radius[element]
        beside = np.zeros(len(points), dtype=bool)
        if system.volume is not None:
            from scipy.spatial import KDTree

            samples, _ = system.volume.cells.samples()
            beside = KDTree(samples).query(points)[0] < BESIDE_SOLID
        return cls(
            room, x, y, within, points, cleared(points, system), mesh.wire[element], distance,
            feet, distance < LEAST_DISTANCE, beside,
        )  # fmt: skip

    @property
    def n_plane(self) -> int:
        return int(self.within.sum())


def nearest_feet(
    points: FloatArray, system: System, radii: FloatArray
) -> tuple[NDArray[np.int64], FloatArray]:
    """The nearest element to each point in units of radii, and the nearest point of its axis."""
    start, end = (
        np.array(one, dtype=float, order="C") for one in (system.mesh.start, system.mesh.end)
    )
    element, _ = nearest_elements(np.array(points, order="C"), start, end, np.array(radii))
    way = (end - start)[element]
    part = ((points - start[element]) * way).sum(axis=1) / (way**2).sum(axis=1)
    return element, start[element] + np.clip(part, 0.0, 1.0)[:, None] * way


def cleared(points: FloatArray, system: System) -> FloatArray:
    """Points nearer to an axis than two radii, moved out to there, sideways or up where on it."""
    found = points.copy()
    for _ in range(4):
        element, foot = nearest_feet(found, system, system.mesh.radius)
        away = found - foot
        gap = np.linalg.norm(away, axis=1)
        need = NEAREST_IN_RADII * CLEARANCE * system.mesh.radius[element]
        close = np.flatnonzero(gap < need)
        if not close.size:
            break
        for n in close:
            if gap[n] < 1e-9:
                way = (system.mesh.end - system.mesh.start)[element[n]]
                away[n] = np.cross(way, np.eye(3)[int(np.argmin(np.abs(way)))])
                gap[n] = np.linalg.norm(away[n])
            found[n] = foot[n] + need[n] * away[n] / gap[n]
    return found
