"""Bent elements from one feed point, and the other antennas that an attic file knows."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from .attic import Attic
from .counterpoise import Counterpoise, cut, with_start
from .errors import FeedError, GeometryError
from .feeds import Feed
from .lengths import Length, LengthLike, metres
from .scene import Scene
from .wire_kinds import WireKind
from .wires import JOINING_DISTANCE, Wire

if TYPE_CHECKING:
    from ..materials import Earth

__all__ = ["BentL", "Element", "Loop", "Route", "check_inside"]

Array = NDArray[np.float64]

_BELOW_ROOF = 0.05  # "up to the ridge" stops this far below the roof [m]


@dataclass(frozen=True)
class Route:
    """A way through the attic for a wire, corner after corner.

    Parameters
    ----------
    points : sequence of (x, y, height)
        x along the ridge, y across, height above the attic floor. A route of an element may
        leave the feed point out; it is put in front. [m]

    Raises
    ------
    GeometryError
        If there is no point, or a point has not three finite numbers.
    """

    points: Sequence[Sequence[LengthLike]]

    def __post_init__(self) -> None:
        rows = []
        for n, point in enumerate(self.points):
            row = [point] if isinstance(point, str | int | float) else list(point)
            if len(row) != 3:
                raise GeometryError(
                    f"Point {n + 1} of the route is {point!r}; it needs x, y and height above the "
                    "attic floor."
                )
            rows.append(tuple(Length(v) for v in row))
        if not rows:
            raise GeometryError("The route has no points; give at least one.")
        object.__setattr__(self, "points", tuple(rows))

    @classmethod
    def of(cls, route: Route | Sequence[Sequence[LengthLike]]) -> Route:
        """A route, from itself or from its points."""
        return route if isinstance(route, Route) else cls(route)

    @classmethod
    def told(
        cls, steps: str | Sequence[str], *, start: Sequence[LengthLike], attic: Attic
    ) -> Route:
        """A route as the tape tells it, step by step from the feed point.

        Parameters
        ----------
        steps : str or sequence of str
            One text with ";" or ", then" between steps, or a list of steps. Known are::

                up 1.2 m            up to 1.9 m      up to the roof    up to the ridge
                down 0.5 m          down to 0.4 m    down to the floor
                along the ridge 6.8 m                back along the ridge 2 m
                left 1.5 m          right 1.5 m      (across, facing along the ridge)
                down the left rafter 2.2 m           down the right rafter 2.2 m
                up the left rafter 1 m               up the right rafter 1 m
                to (8.2 m, 3.4 m, 2.3 m)             from (…)

            "to 1.9 m" is a height above the attic floor; the left rafters lie on the side of
            large y. Distances are measured along the wire.
        start : (x, y, height)
            The feed point. [m]
        attic : Attic

        Raises
        ------
        GeometryError
            If a step is not understood; it is named.
        """
        steps = _split(steps)
        points = [np.array([metres(v) for v in start])]
        for n, step in enumerate(steps):
            points.append(_step(step, points[-1], attic, n + 1))
        if len(points) < 2:
            raise GeometryError("The route has no steps; give at least one, as 'up to the ridge'.")
        unit = Length(start[0])  # a route told in feet comes back in feet
        return cls([tuple(unit.with_value(float(v)) for v in p) for p in points])

    @staticmethod
    def unread_step(steps: str | Sequence[str]) -> str | None:
        """The first step that no route can have, wherever it starts; None if all can be read."""
        return next((step for step in _split(steps) if _read_step(step) is None), None)

    @property
    def array(self) -> Array:
        """Corners, shape (N, 3). [m]"""
        return np.array([[float(v) for v in point] for point in self.points])

    @property
    def length(self) -> float:
        """Length from the first point to the last. [m]"""
        return float(np.linalg.norm(np.diff(self.array, axis=0), axis=1).sum())


_LEN = r"(?P<by>[-+.\d][^,;]*?)"
_STEPS = [
    (re.compile(r"up to the ridge"), "ridge"),
    (re.compile(r"up to the roof"), "roof"),
    (re.compile(r"down to the floor"), "floor"),
    (re.compile(rf"(?P<way>up|down) to {_LEN}"), "height"),
    (re.compile(rf"(?P<way>up|down) the (?P<side>left|right) rafters? {_LEN}"), "rafter"),
    (re.compile(rf"(?P<back>back )?along the ridge(?: for)? {_LEN}"), "along"),
    (re.compile(rf"(?P<way>left|right) {_LEN}"), "across"),
    (re.compile(r"to \(?(?P<x>[^,]+),(?P<y>[^,]+),(?P<z>[^,)]+)\)?"), "point"),
    (re.compile(rf"(?P<way>up|down) {_LEN}"), "rise"),
]


def _split(steps: str | Sequence[str]) -> Sequence[str]:
    if not isinstance(steps, str):
        return steps
    return [s for s in re.split(r";|,\s*then\b", steps) if s.strip()]


def _read_step(text: str) -> tuple[str, dict[str, Any]] | None:
    """What a told step is and its parts; None if it is not understood."""
    plain = re.sub(r"\s+", " ", re.sub(r"^\s*(?:and |then )+", "", text.strip().lower())).strip(
        " .,"
    )
    plain = re.sub(r"\bit\b", "the ridge", plain)
    for pattern, what in _STEPS:
        match = pattern.fullmatch(plain)
        if match is not None:
            return what, match.groupdict()
    return None


def _step(text: str, at: Array, attic: Attic, number: int) -> Array:
    """Where one told step leads."""
    read = _read_step(text)
    if read is None:
        raise GeometryError(
            f"Step {number} of the route, {text.strip()!r}, is not understood. Known: 'up 1.2 m', "
            "'up to 1.9 m', 'up to the roof', 'up to the ridge', 'down ...', 'along the ridge 6.8 "
            "m', 'back along the ridge 2 m', 'left 1.5 m', 'right 1.5 m', 'down the left rafter "
            "2.2 m', 'to (x, y, height)'. Rafters are not numbered; give the route as points "
            "instead."
        )
    what, part = read
    try:
        by = metres(part["by"]) if part.get("by") else 0.0
        there = _destination(what, part, by, at, attic)
    except GeometryError as error:
        raise GeometryError(f"Step {number} of the route, {text.strip()!r}: {error}") from None
    if float(np.linalg.norm(there - at)) <= JOINING_DISTANCE:
        raise GeometryError(
            f"Step {number} of the route, {text.strip()!r}: the wire is there already, at "
            f"({at[0]:.2f}, {at[1]:.2f}, {at[2]:.2f}) m."
        )
    return there


def _destination(what: str, part: dict[str, Any], by: float, at: Array, attic: Attic) -> Array:
    there = at.copy()
    if by < 0.0:
        raise GeometryError("a negative distance; turn the step round instead.")
    if what == "ridge":
        there[1] = attic.ridge_across
        there[2] = float(attic.roof_height(there[1])) - _BELOW_ROOF
    elif what == "roof":
        there[2] = float(attic.roof_height(at[1])) - _BELOW_ROOF
    elif what == "floor":
        there[2] = 0.0
    elif what == "height":
        if (by > at[2]) != (part["way"] == "up"):
            raise GeometryError(
                f"{part['way']} to {by:g} m, but the wire is {at[2]:.2f} m above the floor there."
            )
        there[2] = by
    elif what == "rise":
        there[2] += by if part["way"] == "up" else -by
    elif what == "along":
        there[0] += -by if part["back"] else by
    elif what == "across":
        there[1] += by if part["way"] == "left" else -by
    elif what == "point":
        there = np.array([metres(part[k].strip()) for k in ("x", "y", "z")])
    else:  # along a rafter: parallel to the roof
        side = 1.0 if part["side"] == "left" else -1.0
        run = by / math.hypot(1.0, attic.slope)
        outward = side if part["way"] == "down" else -side
        offset = side * (at[1] - attic.ridge_across)
        if offset < -JOINING_DISTANCE or (part["way"] == "up" and offset < run - JOINING_DISTANCE):
            raise GeometryError(
                f"the {part['side']} rafters end at the ridge, and the wire is {offset:.2f} m on "
                "their side of it."
            )
        there[1] += outward * run
        there[2] += (-1.0 if part["way"] == "down" else 1.0) * attic.slope * run
    return there


@dataclass(frozen=True)
class Element:
    """One wire of the antenna: a route, and how much of it the wire takes.

    Parameters
    ----------
    name : str
        What to call it.
    route : Route or sequence of (x, y, height)
        Its way from the feed point, attic coordinates. [m]
    length : length, optional
        Along the route from the feed point; the route's own where left out. A longer route is
        cut. [m]
    kind : WireKind, optional
        The antenna's where left out.
    outside : bool
        Whether it may leave the attic.
    """

    name: str
    route: Route | Sequence[Sequence[LengthLike]]
    length: LengthLike | None = None
    kind: WireKind | None = field(default=None, kw_only=True)
    outside: bool = field(default=False, kw_only=True)

    def __post_init__(self) -> None:
        if not isinstance(self.name, str) or not self.name.strip():
            raise GeometryError(f"An element has the name {self.name!r}; give it a name.")
        try:
            object.__setattr__(self, "route", Route.of(self.route))
        except GeometryError as error:
            raise GeometryError(f"Element {self.name!r}: {error}") from None
        if self.length is not None:
            try:
                length = Length(self.length)
            except GeometryError as error:
                raise GeometryError(f"Element {self.name!r}, length: {error}") from None
            object.__setattr__(self, "length", length)

    def path(self, feed_point: Sequence[float] | Array) -> Array:
        """Corners of the wire from the feed point to its tip, shape (N, 3), attic coordinates.

        Raises
        ------
        GeometryError
            If the length is more than the route has; the metres missing are told.
        """
        label = f"Element {self.name!r}"
        path = with_start(np.asarray(feed_point, dtype=float), Route.of(self.route).array, label)
        return path if self.length is None else cut(path, self.length, label)

    def room(self, feed_point: Sequence[LengthLike]) -> float:
        """How long it could be on its route, from the feed point to the route's end. [m]"""
        path = replace(self, length=None).path([metres(v) for v in feed_point])
        return float(np.linalg.norm(np.diff(path, axis=0), axis=1).sum())

    def with_length(self, length: LengthLike) -> Element:
        """With another length. [m]"""
        return replace(self, length=length)

    def pruned(self, by: LengthLike) -> Element:
        """Longer by `by`; negative cuts, as in ``pruned("-35 cm")``. [m]"""
        if self.length is None:
            raise GeometryError(
                f"Element {self.name!r} has no length of its own to prune; give it one, or prune "
                "it as part of its antenna."
            )
        length = Length(self.length)
        return self.with_length(length.with_value(float(length) + metres(by)))


@dataclass(frozen=True)
class BentL:
    """Bent wires of any number that meet at one feed point, against a counterpoise.

    Parameters
    ----------
    feed_point : (x, y) or (x, y, height)
        Attic coordinates; on the attic floor where no height is given. [m]
    elements : sequence of Element
        They start at the feed point.
    counterpoise : Counterpoise
        It starts there too.
    attic : Attic, optional
        The room; None: heights count from the earth's surface, x points east, nothing is
        checked against walls.
    kind : WireKind
        Wire of all parts that have none of their own.

    Raises
    ------
    GeometryError
        If an element or radial leaves the attic and does not say so, radials find no room, or
        names repeat.

    Examples
    --------
    >>> bent = BentL(
    ...     (2, 3), [Element("long", [(2, 3, 2.0), (9, 3, 2.0)], "8.2 m")],
    ...     Counterpoise(8, "4 m", start_bearing=10),
    ...     attic=Attic((12, 7), ceiling_height=5, ridge_height=8),
    ... )
    >>> bent.pruned(long="-35 cm").element("long").length
    Length('7.85 m')
    """

    feed_point: Sequence[LengthLike]
    elements: Sequence[Element]
    counterpoise: Counterpoise
    attic: Attic | None = field(default=None, kw_only=True)
    kind: WireKind = field(
        default=WireKind(gauge="1.5 mm2", conductor="annealed copper"), kw_only=True
    )
    name: str = field(default="feed", kw_only=True)
    _laid: tuple[Any, tuple[Wire, ...]] = field(
        default=(None, ()), kw_only=True, repr=False, compare=False
    )

    def __post_init__(self) -> None:
        put = object.__setattr__
        given = [Length(v) for v in self.feed_point]
        if len(given) == 2:
            given.append(given[0].with_value(0.0))
        if len(given) != 3:
            raise GeometryError(
                f"The feed point {tuple(self.feed_point)!r} needs x and y, or x, y and height."
            )
        put(self, "feed_point", tuple(given))
        if not self.elements:
            raise GeometryError("The antenna has no element; give at least one.")
        hub = np.array([float(v) for v in given])
        if self.attic is not None and not self.attic.contains(hub)[0]:
            out = self.attic.way_out(hub)
            where = "" if out is None else f": {out[1]}"
            raise GeometryError(
                f"The feed point {_show(hub)} lies outside the attic{where}. Its x runs along the "
                "ridge from a corner of the plan, its height counts from the attic floor."
            )
        put(self, "elements", tuple(self._resolved(element, hub) for element in self.elements))
        key = (self.feed_point, self.counterpoise, self.attic, self.kind)
        if self._laid[0] != key:
            put(
                self,
                "_laid",
                (key, self.counterpoise.wires(hub, kind=self.kind, attic=self.attic)),
            )
            self._check(self._laid[1])
        wires = [self._element_wire(element) for element in self.elements]
        self._check(wires)
        names = [w.name for w in (*wires, *self._laid[1])]
        twice = sorted({name for name in names if names.count(name) > 1})
        if twice:
            raise GeometryError(f"Two wires of the antenna are called {twice[0]!r}; rename one.")

    @staticmethod
    def _resolved(element: Element, hub: Array) -> Element:
        """With a length in any case."""
        if element.length is not None:
            return element
        size = float(np.linalg.norm(np.diff(element.path(hub), axis=0), axis=1).sum())
        unit = Length(Route.of(element.route).points[0][0])
        length = unit.with_value(size)
        return replace(element, length=length)

    def _check(self, wires: Sequence[Wire]) -> None:
        if self.attic is not None:
            for wire in wires:
                check_inside(wire, self.attic)

    def _element_wire(self, element: Element) -> Wire:
        path = element.path(self.hub)
        if self.attic is not None:
            path = self.attic.to_world(path)
        kind = self.kind if element.kind is None else element.kind
        return Wire(path, name=element.name, outside=element.outside, **kind.options)

    @property
    def hub(self) -> Array:
        """The feed point, attic coordinates, shape (3,). [m]"""
        return np.array([float(v) for v in self.feed_point])

    def element(self, name: str) -> Element:
        """The element of that name; GeometryError lists them if there is none."""
        for element in self.elements:
            if element.name == name:
                return element
        names = ", ".join(e.name for e in self.elements)
        raise GeometryError(f"No element is called {name!r}; there are: {names}.")

    def wires(self) -> tuple[Wire, ...]:
        """Elements, then radials, then bonded conductors with their leads; world coordinates."""
        return (*(self._element_wire(element) for element in self.elements), *self._laid[1])

    def feed(self) -> Feed:
        """Between all elements on one side and the counterpoise on the other."""
        return Feed([element.name for element in self.elements], at=0.0, name=self.name)

    def scene(self, *, earth: Earth | None = None) -> Scene:
        """The antenna alone over earth; None: free space."""
        return Scene(self.wires(), feed=self.feed(), earth=earth)

    def with_element_length(self, **lengths: LengthLike) -> BentL:
        """With other lengths of the elements named. [m]"""
        return self._with_elements(
            {name: self.element(name).with_length(value) for name, value in lengths.items()}
        )

    def pruned(self, **by: LengthLike) -> BentL:
        """Elements named longer by so much; negative cuts: ``pruned(long="-35 cm")``. [m]"""
        return self._with_elements(
            {name: self.element(name).pruned(value) for name, value in by.items()}
        )

    def with_counterpoise(self, counterpoise: Counterpoise) -> BentL:
        """With another counterpoise."""
        return replace(self, counterpoise=counterpoise)

    def _with_elements(self, changed: dict[str, Element]) -> BentL:
        return replace(self, elements=[changed.get(e.name, e) for e in self.elements])


@dataclass(frozen=True)
class Loop:
    """A closed loop with an opening that a switch may close.

    Parameters
    ----------
    points : sequence of (x, y, height)
        Corners, the first not repeated; coordinates as `attic` makes them. [m]
    kind : WireKind
    name : str
    opening_at : length, optional
        Distance of the opening along the loop from its first corner; None: no opening. [m]
    is_open : bool
        Whether the switch is off.
    attic : Attic, optional
        None: world coordinates.
    outside : bool
        Whether it may leave the attic.
    """

    points: Sequence[Sequence[LengthLike]]
    kind: WireKind = field(kw_only=True)
    name: str = field(default="loop", kw_only=True)
    opening_at: LengthLike | None = field(default=None, kw_only=True)
    is_open: bool = field(default=False, kw_only=True)
    attic: Attic | None = field(default=None, kw_only=True)
    outside: bool = field(default=False, kw_only=True)

    def __post_init__(self) -> None:
        if self.is_open and self.opening_at is None:
            raise FeedError(
                f"Loop {self.name!r} is to be open, but has no opening; give opening_at, the "
                "distance along the loop."
            )
        self.switch()
        wire = self.wire()
        if self.attic is not None:
            check_inside(wire, self.attic)
        if self.opening_at is not None and not 0.0 <= metres(self.opening_at) <= wire.length:
            raise FeedError(
                f"Loop {self.name!r}: opening_at {Length(self.opening_at)} is off the loop, which "
                f"is {wire.length:.3f} m around."
            )

    def wire(self) -> Wire:
        """The closed wire, world coordinates."""
        points = Route(self.points).array
        if self.attic is not None:
            points = self.attic.to_world(points)
        return Wire.loop(points, name=self.name, outside=self.outside, **self.kind.options)

    def switch(self) -> Feed | None:
        """The opening, as a gap left open or shorted; None where there is none."""
        if self.opening_at is None:
            return None
        return Feed(
            self.name,
            at=self.opening_at,
            name=f"{self.name} opening",
            termination="open" if self.is_open else 0.0,
        )

    def opened(self) -> Loop:
        """With the switch off."""
        return replace(self, is_open=True)

    def closed(self) -> Loop:
        """With the switch on."""
        return replace(self, is_open=False)


def check_inside(wire: Wire, attic: Attic) -> None:
    """Raise GeometryError, naming wire, point and cure, if a wire leaves the attic unsaid."""
    if wire.outside:
        return
    out = attic.way_out(attic.to_attic(wire.vertices))
    if out is not None:
        raise GeometryError(
            f"Wire {wire.name!r} leaves the attic at {_show(out[0])}: {out[1]}. Move that point "
            "inside, shorten the wire, or, if it is meant to, say outside = true."
        )


def _show(point: Array) -> str:
    return f"(x {point[0]:.2f}, y {point[1]:.2f}, height {point[2]:.2f}) m"
