"""Rooms, floors and a neighbour's side: where people are, and at which heights to look."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import KW_ONLY, dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from .errors import GeometryError
from .lengths import LengthLike, metres
from .outlines import inside, is_simple, signed_area, tidied

if TYPE_CHECKING:
    from .attic import Attic
    from .wires import Wire

__all__ = ["WHO", "Room"]

Array = NDArray[np.float64]

PLANES = (0.5, 1.0, 1.5, 2.0)
"""Heights above a room's floor: knees to head of who stands in it (common practice). [m]"""

WHO = ("general", "occupational")
LEAST_AREA = 0.01
FARTHEST, HIGHEST, TALLEST = 1000.0, 200.0, 20.0
MOST_POINTS = 2_000_000


@dataclass(frozen=True)
class Room:
    """A room, a floor, a garden or a neighbour's side, in which people may be.

    Parameters
    ----------
    name : str
        Its own.
    corners : sequence of (x, y)
        Plan, corner after corner, in the coordinates of the attic; it may lie outside the house.
        [m]
    floor : length
        Height of its floor above ground, 0 or more. [m]
    planes : sequence of length
        Heights above its floor at which fields are wanted. [m]
    who : "general" or "occupational"
        Whether those in it know of the fields and look after themselves.

    Raises
    ------
    GeometryError
        If the plan encloses nothing or crosses itself, the floor lies below ground, or a plane is
        not above the floor.
    """

    name: str
    corners: Sequence[Sequence[LengthLike]]
    _: KW_ONLY
    floor: LengthLike
    planes: Sequence[LengthLike] = PLANES
    who: str = "general"
    _outline: Array = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        if not isinstance(self.name, str) or not self.name.strip():
            raise GeometryError(f"A room is called {self.name!r}; it needs a name to be told by.")
        if self.who not in WHO:
            raise GeometryError(
                f"Room {self.name!r}: who is {self.who!r}; it must be one of "
                f"{', '.join(map(repr, WHO))}."
            )
        floor = metres(self.floor)
        if not 0.0 <= floor <= HIGHEST:
            raise GeometryError(
                f"Room {self.name!r}: floor is {floor:g} m above ground; it must be 0 to "
                f"{HIGHEST:g} m, since fields are computed above ground only. For a cellar, take "
                "the floor above it: the earth weakens what comes below."
            )
        if isinstance(self.planes, str) or not isinstance(self.planes, Iterable):
            raise GeometryError(
                f"Room {self.name!r}: planes={self.planes!r}; give a list of heights above its "
                "floor."
            )
        planes = [metres(one) for one in self.planes]
        if not planes or not all(0.0 < one <= TALLEST for one in planes):
            raise GeometryError(
                f"Room {self.name!r}: planes are {planes}; give one or more heights above its "
                f"floor, above 0 and up to {TALLEST:g} m."
            )
        rising = sorted(dict.fromkeys(planes))
        if rising != planes:
            raise GeometryError(
                f"Room {self.name!r}: planes are {planes}; they must rise, as {rising}."
            )
        object.__setattr__(self, "floor", floor)
        object.__setattr__(self, "planes", tuple(planes))
        outline = self._checked_outline()
        object.__setattr__(self, "corners", tuple((float(x), float(y)) for x, y in outline))
        outline.setflags(write=False)
        object.__setattr__(self, "_outline", outline)

    def _checked_outline(self) -> Array:
        try:
            rows = [[metres(v) for v in corner] for corner in self.corners]
        except TypeError as error:
            raise GeometryError(
                f"Room {self.name!r}: corners={self.corners!r}; give three or more [x, y]."
            ) from error
        if len(rows) < 3 or any(len(row) != 2 for row in rows):
            raise GeometryError(
                f"Room {self.name!r}: corners need three or more [x, y]; found {len(rows)}."
            )
        corners = np.array(rows)
        if not np.all(np.isfinite(corners)) or np.abs(corners).max() > FARTHEST:
            raise GeometryError(
                f"Room {self.name!r}: corners must lie within {FARTHEST:g} m of the attic's own."
            )
        corners = tidied(corners)
        if len(corners) < 3 or abs(signed_area(corners)) < LEAST_AREA or not is_simple(corners):
            raise GeometryError(
                f"Room {self.name!r}: its plan encloses less than {LEAST_AREA:g} m2, or crosses or "
                "touches itself; list the corners in order, without repeating the first, or give "
                "two sides above 0."
            )
        return corners if signed_area(corners) > 0.0 else corners[::-1].copy()

    @classmethod
    def rectangle(
        cls,
        name: str,
        size: Sequence[LengthLike],
        *,
        at: Sequence[LengthLike] = (0.0, 0.0),
        floor: LengthLike,
        planes: Sequence[LengthLike] = PLANES,
        who: str = "general",
    ) -> Room:
        """A rectangular one: two sides, along x and y, and its corner of least x and y. [m]

        Raises
        ------
        GeometryError
            If a side is not above 0, and as for `Room`.
        """
        if len(size) != 2 or len(at) != 2:
            raise GeometryError(f"Room {name!r}: size and at are two lengths each, [x, y].")
        (a, b), (x, y) = (metres(v) for v in size), (metres(v) for v in at)
        if not (a > 0.0 and b > 0.0):
            raise GeometryError(
                f"Room {name!r}: size is {a:g} m by {b:g} m; both sides must be above 0."
            )
        corners = [(x, y), (x + a, y), (x + a, y + b), (x, y + b)]
        return cls(name, corners, floor=floor, planes=planes, who=who)

    @classmethod
    def whole_house(
        cls,
        name: str,
        attic: Attic,
        *,
        floor: LengthLike,
        planes: Sequence[LengthLike] = PLANES,
        who: str = "general",
    ) -> Room:
        """A floor of the house as large as the attic's plan."""
        return cls(name, attic.corners.tolist(), floor=floor, planes=planes, who=who)

    @property
    def outline(self) -> Array:
        """Corners, counter-clockwise, shape (N, 2), read-only. [m]"""
        return self._outline

    @property
    def floor_level(self) -> float:
        """Its floor above ground. [m]"""
        return metres(self.floor)

    @property
    def levels(self) -> Array:
        """Planes above ground, shape (P,). [m]"""
        return self.floor_level + np.array([metres(one) for one in self.planes])

    @property
    def area(self) -> float:
        """Of its plan. [m2]"""
        return signed_area(self._outline)

    def grid(self, step: float) -> tuple[Array, Array, NDArray[np.bool_]]:
        """Even points of its plan, no farther apart than `step`, its limits among them.

        Parameters
        ----------
        step : float
            > 0. [m]

        Returns
        -------
        x : ndarray (X,)
        y : ndarray (Y,)
            [m]
        within : ndarray of bool, (Y, X)
            Which of them lie in the room.

        Raises
        ------
        GeometryError
            If the step is not positive, or there would be millions of points.
        """
        if not (math.isfinite(step) and step > 0.0):
            raise GeometryError(f"Room {self.name!r}: step is {step!r} m; it must be above 0.")
        low, high = self._outline.min(axis=0), self._outline.max(axis=0)
        counts = np.ceil((high - low) / step - 1e-9) + 1
        if counts.prod() > MOST_POINTS:
            raise GeometryError(
                f"Room {self.name!r}: a step of {step:g} m makes {counts.prod():.3g} points a "
                f"plane, {MOST_POINTS} are the most; take a longer step."
            )
        x = np.linspace(low[0], high[0], int(counts[0]))
        y = np.linspace(low[1], high[1], int(counts[1]))
        across, up = np.meshgrid(x, y)
        flat = np.column_stack([across.ravel(), up.ravel()])
        within = inside(self._outline, flat, tolerance=1e-9).reshape(across.shape)
        return x, y, within

    def outside_part(self, attic: Attic) -> float:
        """Which part of its plan lies outside the attic's outline, 0 to 1."""
        spans = np.ptp(self._outline, axis=0)
        x, y, _ = self.grid(float(max(spans.max() / 40.0, 1e-3)))
        # Middles of the meshes: those on a shared wall belong to neither side.
        across, up = np.meshgrid(0.5 * (x[1:] + x[:-1]), 0.5 * (y[1:] + y[:-1]))
        middles = np.column_stack([across.ravel(), up.ravel()])
        own = inside(self._outline, middles)
        if not own.any():
            own[:] = True
        return float(1.0 - inside(attic.corners, middles[own], tolerance=1e-9).mean())

    def doubts(self, wires: Sequence[Wire], attic: Attic | None = None) -> tuple[str, ...]:
        """What is allowed but worth a second look: places outside, wires within reach inside."""
        found = []
        top = float(self.levels[-1])
        if attic is not None:
            part = self.outside_part(attic)
            if part > 0.01:
                where = "outside" if part > 0.99 else f"with {100 * part:.0f} % of its plan outside"
                found.append(
                    f"Room {self.name!r} lies {where} the house; that is taken as meant, for a "
                    "neighbour's side or a garden."
                )
            if self.floor_level < attic.floor_level < top:
                found.append(
                    f"Room {self.name!r}: its highest plane is {top:.2f} m above ground, above the "
                    f"attic floor at {attic.floor_level:.2f} m. Check its floor; heights count "
                    'from the attic floor unless heights_from = "ground" stands beside them.'
                )
        through = [wire.name for wire in wires if self._holds(wire, top)]
        if through:
            named = ", ".join(map(repr, through[:4])) + (", ..." if len(through) > 4 else "")
            found.append(
                f"Room {self.name!r}: {len(through)} wire{'s' * (len(through) > 1)} run"
                f"{'s' * (len(through) == 1)} through it between its floor and its highest plane: "
                f"{named}. Fields beside them are extrapolated."
            )
        return tuple(found)

    def _holds(self, wire: Wire, top: float) -> bool:
        """Whether any of a wire lies above the plan, between the floor and a height."""
        stops = np.linspace(0.0, wire.length, 2 + math.ceil(wire.length / 0.05))
        points = np.stack([np.interp(stops, wire.vertex_distances, c) for c in wire.vertices.T], 1)
        level = (points[:, 2] > self.floor_level) & (points[:, 2] < top)
        return bool(level.any()) and bool(inside(self._outline, points[level][:, :2]).any())

    def __str__(self) -> str:
        heights = ", ".join(f"{height:g}" for height in self.planes)
        return (
            f"{self.name}: {self.area:.1f} m2, floor {self.floor_level:.2f} m above ground, planes "
            f"{heights} m above it, {self.who}"
        )
