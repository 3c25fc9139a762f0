"""The counterpoise: radials on the joists, and house metal bonded to the feed point."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .attic import Attic, azimuth_of
from .errors import GeometryError
from .fitting import fit_radials
from .lengths import Length, LengthLike, metres
from .wire_kinds import WireKind
from .wires import JOINING_DISTANCE, Wire

__all__ = ["Bond", "Counterpoise", "Radial"]

Array = NDArray[np.float64]

_MOST_RADIALS = 128
_RUN_OUT = 0.30  # a radial at another height than the feed point slopes over this much [m]
_TURNS = 8  # starting directions that are tried where none is told


@dataclass(frozen=True)
class Radial:
    """One radial, told by itself.

    Parameters
    ----------
    length : length, optional
        Along the radial, from the feed point; of the whole way where left out. [m]
    bearing : float, optional
        Compass bearing of its start; this or `points`. [degree]
    points : sequence of (x, y, height), optional
        Its way, attic coordinates; the feed point is put in front. [m]
    name : str, optional
        "radial 1", ... where left out.
    outside : bool
        Whether it may leave the attic.
    """

    length: LengthLike | None = None
    bearing: float | None = None
    points: Sequence[Sequence[LengthLike]] | None = None
    name: str | None = None
    outside: bool = False

    def __post_init__(self) -> None:
        if (self.bearing is None) == (self.points is None):
            raise GeometryError(
                f"Radial {self.name or ''}: give its bearing or its points, one of the two."
            )
        if self.points is None and self.length is None:
            raise GeometryError(
                f"Radial {self.name or ''}: a radial told by its bearing ({self.bearing:g}) needs "
                "a length."
            )
        if self.bearing is not None and not math.isfinite(self.bearing):
            raise GeometryError(f"Radial {self.name or ''}: bearing {self.bearing} is no number.")


@dataclass(frozen=True)
class Bond:
    """House metal, or any wire, that serves as counterpoise.

    Parameters
    ----------
    wire : Wire
        The conductor, world coordinates.
    at : length, optional
        Distance along it where it is bonded; a straight lead joins that point to the feed
        point. Left out, the conductor itself must pass through the feed point. [m]
    """

    wire: Wire
    at: LengthLike | None = None


@dataclass(frozen=True)
class Counterpoise:
    """Radials, bonded conductors, or both.

    Parameters
    ----------
    radials : int or sequence of Radial
        How many, evenly spread; or each by itself. 0 with bonded conductors alone.
    length : length, optional
        Of each of the evenly spread radials, along the wire. [m]
    start_bearing : float, optional
        Compass bearing of the first evenly spread radial. Left out: along +x, or turned by a part
        of the spread if that alone lets all radials fit. [degree]
    height : length, optional
        Above the attic floor; the feed point's where left out. [m]
    fit : bool
        Bend radials along walls and roof where they would pass them. False: all straight.
    margin : length
        Least distance of a bent radial to the walls. [m]
    spacing : length
        Least distance of a stretch along a wall to any other radial. [m]
    bonds : sequence of Bond
        Conductors bonded to the feed point.
    kind : WireKind, optional
        Wire of the radials and leads; the antenna's where left out.
    outside : bool
        Whether the radials may leave the attic (they then run straight).

    Raises
    ------
    GeometryError
        If nothing is told to work against, or a number is out of range.
    """

    radials: int | Sequence[Radial] = 0
    length: LengthLike | None = None
    start_bearing: float | None = None
    height: LengthLike | None = None
    fit: bool = True
    margin: LengthLike = 0.10
    spacing: LengthLike = 0.06
    bonds: Sequence[Bond] = ()
    kind: WireKind | None = None
    outside: bool = False

    def __post_init__(self) -> None:
        if isinstance(self.radials, bool) or not isinstance(self.radials, int):
            if isinstance(self.radials, str | bool | float):
                raise GeometryError(
                    f"Counterpoise: radials = {self.radials!r}; give how many (a whole number), "
                    "or a list of radials."
                )
            object.__setattr__(self, "radials", tuple(self.radials))
        object.__setattr__(self, "bonds", tuple(self.bonds))
        count = self.count
        if not 0 <= count <= _MOST_RADIALS:
            raise GeometryError(
                f"Counterpoise: {count} radials; 0 to {_MOST_RADIALS} are possible."
            )
        if count == 0 and not self.bonds:
            raise GeometryError(
                "Counterpoise: no radials and nothing bonded, so the feed has nothing to work "
                "against. Give radials and length, or a bonded conductor."
            )
        if isinstance(self.radials, int):
            if count and self.length is None:
                raise GeometryError(
                    f"Counterpoise: {count} radials without a length; give length, as in '4.0 m'."
                )
            if self.length is not None and not 0.05 <= metres(self.length) <= 200.0:
                raise GeometryError(
                    f"Counterpoise: length {self.length}; each radial must be 0.05 to 200 m long."
                )
        elif self.length is not None:
            raise GeometryError(
                "Counterpoise: length goes with a number of radials; in a list every radial has "
                "its own."
            )
        for what, low, high in (("margin", 0.0, 5.0), ("spacing", 0.005, 1.0)):
            value = metres(getattr(self, what))
            if not low <= value <= high:
                raise GeometryError(
                    f"Counterpoise: {what} is {value:g} m; {low:g} to {high:g} m is possible."
                )

    @property
    def count(self) -> int:
        """Number of radials."""
        return self.radials if isinstance(self.radials, int) else len(self.radials)

    def with_length(self, length: LengthLike) -> Counterpoise:
        """With another common length of the radials. [m]"""
        return replace(self, length=length)

    def pruned(self, by: LengthLike) -> Counterpoise:
        """With all evenly spread radials longer by `by`; negative cuts. [m]"""
        if self.length is None:
            raise GeometryError(
                "Counterpoise: its radials have no common length to prune; change the list."
            )
        return self.with_length(Length(self.length).with_value(metres(self.length) + metres(by)))

    def wires(
        self, feed_point: ArrayLike, *, kind: WireKind, attic: Attic | None = None
    ) -> tuple[Wire, ...]:
        """All wires, in world coordinates, that start at the feed point or are bonded to it.

        Parameters
        ----------
        feed_point : array_like, shape (3,)
            Attic coordinates. [m]
        kind : WireKind
            Used where the counterpoise has none of its own.
        attic : Attic, optional
            None: heights count from the earth's surface and x points east.

        Raises
        ------
        GeometryError
            If radials find no room, or a conductor cannot be bonded.
        """
        hub = np.asarray(feed_point, dtype=float)
        kind = kind if self.kind is None else self.kind
        to_world = (lambda p: p) if attic is None else attic.to_world
        wires = [
            Wire(to_world(path), name=name, outside=outside, **kind.options)
            for name, path, outside in self._paths(hub, attic)
        ]
        for bond in self.bonds:
            wires += _bonded(bond, to_world(hub), kind)
        return tuple(wires)

    def _paths(self, hub: Array, attic: Attic | None) -> list[tuple[str, Array, bool]]:
        height = float(hub[2]) if self.height is None else metres(self.height)
        ridge = 90.0 if attic is None else attic.ridge_bearing
        if isinstance(self.radials, int):
            step = 360.0 / max(self.radials, 1)
            told = self.start_bearing
            first = ridge if told is None else told
            bearings = [first + n * step for n in range(self.radials)]
            told_ways = [
                Radial(length=self.length, bearing=b, outside=self.outside) for b in bearings
            ]
            turns = _TURNS if told is None else 1
        else:
            told_ways, turns, step = list(self.radials), 1, 0.0
        names = [r.name or f"radial {n + 1}" for n, r in enumerate(told_ways)]
        by_bearing = [n for n, r in enumerate(told_ways) if r.bearing is not None]
        paths: dict[int, Array] = {}
        for n, radial in enumerate(told_ways):
            if radial.points is not None:
                way = [[metres(v) for v in point] for point in radial.points]
                if any(len(point) not in (2, 3) for point in way):
                    raise GeometryError(f"{names[n]}: each point needs x, y and height (or x, y).")
                path = with_start(hub, [p if len(p) == 3 else [*p, height] for p in way], names[n])
                paths[n] = path if radial.length is None else cut(path, radial.length, names[n])
        lengths = [metres(told_ways[n].length or 0.0) for n in by_bearing]
        for n, length in zip(by_bearing, lengths, strict=True):
            if length < 0.05:
                raise GeometryError(f"{names[n]}: length {length:g} m; it must be 0.05 m or more.")
        azimuths = [
            math.radians(azimuth_of(told_ways[n].bearing or 0.0, ridge_bearing=ridge))
            for n in by_bearing
        ]
        bend = [
            self.fit and attic is not None and not told_ways[n].outside and not self.outside
            for n in by_bearing
        ]
        rise = height - float(hub[2])
        extra = 0.0 if rise == 0.0 else math.hypot(_RUN_OUT, rise) - _RUN_OUT
        plane = [length - extra for length in lengths]
        if attic is not None and any(bend):
            ways = self._fitted(attic, hub, height, azimuths, plane, bend, names, turns, step)
        else:
            ways = [_straight(hub, a, n) for a, n in zip(azimuths, plane, strict=True)]
        for n, way in zip(by_bearing, ways, strict=True):
            paths[n] = _lifted(way, hub, height, names[n])
        return [
            (names[n], paths[n], self.outside or told_ways[n].outside)
            for n in range(len(told_ways))
        ]

    def _fitted(
        self,
        attic: Attic,
        hub: Array,
        height: float,
        azimuths: list[float],
        lengths: list[float],
        bend: list[bool],
        names: list[str],
        turns: int,
        step: float,
    ) -> list[Array]:
        margin, spacing = metres(self.margin), metres(self.spacing)
        level = max(height, float(hub[2]))
        room = attic.room_at(level)
        if room is None or attic.room_at(level, margin=margin) is None:
            raise GeometryError(
                f"Counterpoise: at {level:g} m above the attic floor no room is left "
                f"{margin:g} m from walls and roof; lower the radials or the margin."
            )
        blamed = 0
        for turn in range(turns):
            shift = math.radians(step) * turn / turns
            found = fit_radials(
                room,
                hub[:2],
                [a - shift for a, b in zip(azimuths, bend, strict=True) if b],
                [n for n, b in zip(lengths, bend, strict=True) if b],
                margin=margin,
                spacing=spacing,
                effort=1.0 / turns if turn else 1.0,
            )
            if not isinstance(found, int):
                fitted = iter(found)
                return [
                    next(fitted) if b else _straight(hub, a, n)
                    for a, n, b in zip(azimuths, lengths, bend, strict=True)
                ]
            blamed = [n for n, b in enumerate(bend) if b][found]
        raise GeometryError(
            f"Counterpoise: no way was found for {names[blamed]} ({lengths[blamed]:.2f} m) that "
            f"stays {margin:g} m from the walls and {spacing:g} m from the other radials, from a "
            f"feed point at ({hub[0]:g}, {hub[1]:g}) m. Use shorter or fewer radials, a smaller "
            "spacing, a feed point farther from the wall, or give the radials' points."
        )


def _straight(hub: Array, azimuth: float, length: float) -> Array:
    return np.stack([hub[:2], hub[:2] + length * np.array([math.cos(azimuth), math.sin(azimuth)])])


def _lifted(way: Array, hub: Array, height: float, name: str) -> Array:
    """A plan way (N, 2) at a height; from a feed point at another height it slopes first."""
    if height == hub[2]:
        return np.column_stack([way, np.full(len(way), height)])
    leg = way[1] - way[0]
    size = float(np.linalg.norm(leg))
    if size < _RUN_OUT + 2.0 * JOINING_DISTANCE:
        raise GeometryError(
            f"{name}: its first {size:.2f} m are too short to slope to {height:g} m above the "
            f"attic floor (over {_RUN_OUT:g} m) before it bends; use the feed point's height."
        )
    landing = way[0] + leg * (_RUN_OUT / size)
    rest = np.column_stack([np.vstack([landing, way[1:]]), np.full(len(way), height)])
    return np.vstack([hub, rest])


def _bonded(bond: Bond, hub: Array, kind: WireKind) -> list[Wire]:
    """The conductor, marked where it is bonded, and the lead to it if there is one."""
    wire = bond.wire
    if bond.at is not None:
        place = wire.position(bond.at)
        gap = float(np.linalg.norm(place - hub))
        if gap > JOINING_DISTANCE:
            lead = Wire(
                [hub, place], name=f"bond to {wire.name}", outside=wire.outside, **kind.options
            )
            return [_marked(wire, metres(bond.at)), lead]
        return [_marked(wire, metres(bond.at))]
    along, gap = _nearest(wire, hub)
    if gap > JOINING_DISTANCE:
        raise GeometryError(
            f"Wire {wire.name!r} is to be bonded to the feed point, but passes it at {gap:.3f} m. "
            f"Lead it through the feed point, or say where a lead joins it: at = {along:.2f} m is "
            "nearest."
        )
    return [_marked(wire, along)]


def _marked(wire: Wire, along: float) -> Wire:
    """Marked there, unless a corner or a mark is there already."""
    there = np.abs(np.concatenate([wire.vertex_distances, wire.marks]) - along)
    return wire if there.min() <= JOINING_DISTANCE else wire.with_marks(along)


def _nearest(wire: Wire, point: Array) -> tuple[float, float]:
    """Distance along the wire of its nearest place to a point, and how near. [m]"""
    starts, ways = wire.vertices[:-1], np.diff(wire.vertices, axis=0)
    t = np.clip(np.sum((point - starts) * ways, axis=1) / np.sum(ways**2, axis=1), 0.0, 1.0)
    gaps = np.linalg.norm(point - starts - t[:, None] * ways, axis=1)
    n = int(np.argmin(gaps))
    along = wire.vertex_distances[n] + t[n] * float(np.linalg.norm(ways[n]))
    return float(along), float(gaps[n])


def with_start(hub: Array, points: Any, name: str) -> Array:
    """Corners (N, 3) of a way that starts at the feed point. [m]"""
    path = np.array(points, dtype=float)
    if len(path) and np.linalg.norm(path[0] - hub) <= JOINING_DISTANCE:
        path = path[1:]
    if len(path) == 0:
        raise GeometryError(f"{name}: its way has no point besides the feed point; add one.")
    return np.vstack([hub, path])


def cut(path: Array, length: LengthLike, name: str) -> Array:
    """The way (N, 3), cut to a length from its start; an error if it is too short. [m]"""
    steps = np.linalg.norm(np.diff(path, axis=0), axis=1)
    along = np.concatenate([[0.0], np.cumsum(steps)])
    wanted, total = metres(length), float(along[-1])
    if not wanted > 2.0 * JOINING_DISTANCE:
        raise GeometryError(
            f"{name}: length {Length(length)}; it must be above 0 and at most the route's "
            f"{Length(length).with_value(total)}."
        )
    if wanted > total + JOINING_DISTANCE:
        raise GeometryError(
            f"{name}: length {Length(length)} is more than its route of "
            f"{Length(length).with_value(total)} from the feed point; "
            f"{wanted - total:.3f} m are missing. Add a point to the route or shorten the element."
        )
    if wanted >= total - JOINING_DISTANCE:
        return path
    keep = int(np.searchsorted(along, wanted - JOINING_DISTANCE, side="left"))
    n = int(np.searchsorted(along, wanted, side="left"))
    tip = path[n - 1] + (path[n] - path[n - 1]) * ((wanted - along[n - 1]) / steps[n - 1])
    return np.vstack([path[:keep], tip])
