"""Wires: round conductors along straight stretches."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .electrodes import Electrode
from .errors import GeometryError
from .lengths import LengthLike, gauge_radius, metres
from .moves import mirror_signs, read_factor, read_vector, rotation

if TYPE_CHECKING:
    from ..materials import Conductor
    from .jackets import Jacket

THINNEST_RADIUS = 1e-15
"""Below this, distances along and across a wire cannot be told apart in floating point. [m]"""

FARTHEST_POINT = 1e7
"""Coordinates beyond this are a slip of the pen. [m]"""

__all__ = ["JOINING_DISTANCE", "Wire"]

JOINING_DISTANCE = 1e-3  # ends, corners and marked points nearer than this are one point [m]

Point = tuple[float, float, float]


@dataclass(frozen=True, init=False, repr=False)
class Wire:
    """A round wire along straight stretches from point to point.

    Parameters
    ----------
    points : array_like, shape (N, 3)
        Corners from one end to the other, N >= 2, z up; text with units is taken too. A wire
        whose last point is its first is a closed loop. [m]
    radius : float or length
        Radius of the metal, without any jacket; this or `gauge`. [m]
    gauge : str
        "14 AWG" or "1.5 mm2", instead of `radius`.
    conductor : Conductor or str, optional
        What it is made of, or the name of a known metal; None: no loss.
    name : str
        How feeds and messages call it; unique in a scene.
    marks : sequence of float or length
        Distances along the wire where others may join; ends and corners always may. [m]
    outside : bool
        Whether it may lie outside the attic (downpipe, coax, garden wire).
    jacket : Jacket or str, optional
        Insulation, or its text, "PVC 0.8 mm"; None: bare.
    piece : str
        The piece of the house it belongs to; "" for antenna and radials.
    named_points : mapping or sequence of (name, place)
        Points whose current is worth knowing ("breaker"), and where: a distance along the wire,
        "start", "middle" or "end". Stored as (name, metres). [m]
    earth_start, earth_end : Electrode, optional
        What its first or last point is led to the earth by; that point lies on z = 0.

    Attributes
    ----------
    points : tuple of (x, y, z)
        As given, in metres; `vertices` is the same as an array. [m]
    radius : float
        From the gauge where that was given. [m]

    Raises
    ------
    GeometryError
        If points are not finite or repeat, the radius is not positive, or a mark is off the wire.

    Examples
    --------
    >>> Wire([(0, 0, 8), (5, 0, 8), (5, 3, 9)], gauge="14 AWG", name="first")
    Wire('first', 8.162 m in 2 stretches, 14 AWG (radius 0.814 mm))
    """

    points: tuple[Point, ...]
    radius: float
    gauge: str | None
    conductor: Conductor | None
    name: str
    marks: tuple[float, ...]
    outside: bool
    jacket: Jacket | None
    piece: str
    named_points: tuple[tuple[str, float], ...]
    earth_start: Electrode | None
    earth_end: Electrode | None

    def __init__(
        self,
        points: ArrayLike,
        *,
        radius: LengthLike | None = None,
        gauge: str | None = None,
        conductor: Conductor | str | None = None,
        name: str = "wire",
        marks: Sequence[LengthLike] | LengthLike = (),
        outside: bool = False,
        jacket: Jacket | str | None = None,
        piece: str = "",
        named_points: Mapping[str, LengthLike] | Sequence[tuple[str, LengthLike]] = (),
        earth_start: Electrode | None = None,
        earth_end: Electrode | None = None,
    ) -> None:
        if not isinstance(name, str) or not name.strip():
            raise GeometryError(
                f"A wire has the name {name!r}; feeds and messages need one. "
                "Give name='...' with at least one letter."
            )
        vertices = read_points(points, name)
        if isinstance(conductor, str):
            from ..materials import Conductor as Known

            conductor = Known.named(conductor)
        elif conductor is not None and not hasattr(conductor, "internal_impedance"):
            raise GeometryError(
                f"Wire {name!r}: conductor {conductor!r} is no Conductor. Give "
                "ridgepole.materials.Conductor, a name it knows, or None for no loss."
            )
        put = object.__setattr__
        put(self, "name", name)
        put(self, "points", tuple((float(x), float(y), float(z)) for x, y, z in vertices.tolist()))
        put(self, "radius", _read_radius(radius, gauge, name))
        put(self, "gauge", gauge)
        put(self, "conductor", conductor)
        put(self, "outside", bool(outside))
        put(self, "jacket", _read_jacket(jacket, self.radius, name))
        put(self, "piece", piece)
        put(self, "earth_start", _read_electrode(earth_start, "earth_start", name))
        put(self, "earth_end", _read_electrode(earth_end, "earth_end", name))
        self._check_points()
        put(self, "marks", self._read_marks(marks))
        put(self, "named_points", self._read_named_points(named_points))

    # ---- what it is ----------------------------------------------------------------------

    @cached_property
    def vertices(self) -> NDArray[np.float64]:
        """Corners, shape (N, 3), read-only. [m]"""
        return locked(np.array(self.points))

    @cached_property
    def vertex_distances(self) -> NDArray[np.float64]:
        """Distance of each corner along the wire, shape (N,), read-only; the first is 0. [m]"""
        steps = np.sqrt((np.diff(self.vertices, axis=0) ** 2).sum(axis=1))
        return locked(np.concatenate([[0.0], np.cumsum(steps)]))

    @property
    def length(self) -> float:
        """Length along the wire. [m]"""
        return float(self.vertex_distances[-1])

    @property
    def jacket_radius(self) -> float | None:
        """Outside radius of the jacket, None if bare. [m]"""
        return None if self.jacket is None else self.jacket.outer_radius(self.radius)

    @property
    def label(self) -> str:
        """How messages call it, see `wire_label`."""
        return wire_label(self.name, self.piece)

    @property
    def is_closed(self) -> bool:
        """Whether the last point is the first, within the joining distance."""
        return bool(np.linalg.norm(self.vertices[-1] - self.vertices[0]) <= JOINING_DISTANCE)

    def position(self, at: LengthLike) -> NDArray[np.float64]:
        """The point at a distance along the wire.

        Parameters
        ----------
        at : float or length
            From the first point, 0 <= at <= length. [m]

        Returns
        -------
        ndarray, shape (3,)
            [m]

        Raises
        ------
        GeometryError
            If `at` is off the wire by more than the joining distance.
        """
        return self.points_at(np.array([self._along(at, "position")]))[0]

    def points_at(self, distances: NDArray[np.float64]) -> NDArray[np.float64]:
        """Points at many distances, shape (M,) to (M, 3); those off the wire are not caught. [m]"""
        corners = self.vertex_distances
        k = np.searchsorted(corners, distances, side="right") - 1
        k = np.clip(k, 0, len(corners) - 2)
        part = ((distances - corners[k]) / (corners[k + 1] - corners[k]))[:, None]
        return (1.0 - part) * self.vertices[k] + part * self.vertices[k + 1]

    # ---- changed copies ------------------------------------------------------------------

    def translated(self, by: Sequence[float]) -> Wire:
        """Moved by (dx, dy, dz). [m]"""
        return self._changed(points=self.vertices + read_vector(by))

    def rotated(self, degrees: float) -> Wire:
        """Turned about the z axis, counter-clockwise seen from above. [degree]"""
        return self._changed(points=self.vertices @ rotation(degrees).T)

    def mirrored(self, axis: Literal["x", "y"]) -> Wire:
        """With the sign of x or of y changed."""
        return self._changed(points=self.vertices * mirror_signs(axis))

    def scaled(self, factor: float) -> Wire:
        """All lengths times `factor` > 0, about the origin: points, marks and radius."""
        factor = read_factor(factor)
        return self._changed(
            points=self.vertices * factor,
            radius=self.radius * factor,
            gauge=None,
            marks=tuple(mark * factor for mark in self.marks),
            jacket=None if self.jacket is None else self.jacket.scaled(factor),
            named_points=[(point, at * factor) for point, at in self.named_points],
            earth_start=None if self.earth_start is None else self.earth_start.scaled(factor),
            earth_end=None if self.earth_end is None else self.earth_end.scaled(factor),
        )

    def reversed(self) -> Wire:
        """The same wire, measured from its other end."""
        return self._changed(
            points=self.vertices[::-1],
            marks=tuple(sorted(self.length - mark for mark in self.marks)),
            named_points=[(point, self.length - at) for point, at in self.named_points],
            earth_start=self.earth_end,
            earth_end=self.earth_start,
        )

    def renamed(self, name: str) -> Wire:
        """With another name."""
        return self._changed(name=name)

    def with_marks(self, *marks: LengthLike) -> Wire:
        """With further points where others may join. [m]"""
        return self._changed(marks=(*self.marks, *marks))

    def place(self, at: LengthLike) -> float:
        """Distance along the wire of a place on it.

        Parameters
        ----------
        at : float, length or str
            Metres along it, "start", "middle", "end", or one of its named points. [m]

        Raises
        ------
        GeometryError
            If it is off the wire, or no point has that name.
        """
        known = {"start": 0.0, "middle": 0.5 * self.length, "end": self.length}
        named = {**known, **dict(getattr(self, "named_points", ()))}
        if isinstance(at, str):
            if at in named:
                return named[at]
            if not any(letter.isdigit() for letter in at):
                raise GeometryError(
                    f"Wire {self.name!r} has no point {at!r}; it has {', '.join(named)}, or give "
                    "a distance along it."
                )
        return self._along(at, "place")

    def split(self, at: LengthLike) -> tuple[Wire, Wire]:
        """Cut in two at a distance along the wire; the parts are called "name 1" and "name 2".

        Parameters
        ----------
        at : float or length
            More than the joining distance from either end. [m]

        Returns
        -------
        tuple of Wire
            The part with the first point, the part with the last. They join at the cut.
        """
        along = self._along(at, "split")
        if not JOINING_DISTANCE < along < self.length - JOINING_DISTANCE:
            raise GeometryError(
                f"Wire {self.name!r}: a split at {along:g} m leaves nothing on one side; split "
                f"more than 1 mm from both ends (0 and {self.length:g} m)."
            )
        distances = self.vertex_distances
        nearest = int(np.argmin(np.abs(distances - along)))
        if abs(distances[nearest] - along) <= JOINING_DISTANCE:
            along = float(distances[nearest])
        cut = self.position(along)
        before = self.vertices[distances < along - JOINING_DISTANCE]
        after = self.vertices[distances > along + JOINING_DISTANCE]
        return (
            self._changed(
                points=np.vstack([before, cut]),
                name=f"{self.name} 1",
                marks=tuple(m for m in self.marks if m < along - JOINING_DISTANCE),
                named_points=[(p, at) for p, at in self.named_points if at <= along],
                earth_end=None,
            ),
            self._changed(
                points=np.vstack([cut, after]),
                name=f"{self.name} 2",
                marks=tuple(m - along for m in self.marks if m > along + JOINING_DISTANCE),
                named_points=[(p, at - along) for p, at in self.named_points if at > along],
                earth_start=None,
            ),
        )

    def with_length(self, new_length: LengthLike) -> Wire:
        """Pruned to a length: cut from the far end.

        Parameters
        ----------
        new_length : float or length
            0 < new_length <= length. [m]

        Raises
        ------
        GeometryError
            If the wire is shorter than that, or the cut takes a mark or an electrode away.
        """
        wanted = metres(new_length)
        if not JOINING_DISTANCE < wanted <= self.length * (1 + 1e-12):
            raise GeometryError(
                f"Wire {self.name!r}: cannot be pruned to {wanted:g} m; between 0.001 m and its "
                f"{self.length:g} m is possible. To lengthen it, give a further point."
            )
        lost = [mark for mark in self.marks if mark > wanted]
        if lost:
            raise GeometryError(
                f"Wire {self.name!r}: pruning to {wanted:g} m takes away the marked point at "
                f"{lost[0]:g} m. Drop that mark, or prune less."
            )
        if wanted >= self.length:
            return self
        gone = [point for point, at in self.named_points if at > wanted]
        if gone:
            raise GeometryError(
                f"Wire {self.name!r}: pruning to {wanted:g} m takes away the point {gone[0]!r}. "
                "Drop that point, or prune less."
            )
        if self.earth_end is not None:
            raise GeometryError(
                f"Wire {self.name!r}: pruning to {wanted:g} m takes away its end, which is led to "
                "the earth by earth_end. Leave the electrode out first, or prune another wire."
            )
        kept = self.vertices[self.vertex_distances < wanted - JOINING_DISTANCE]
        return self._changed(points=np.vstack([kept, self.position(wanted)]))

    @classmethod
    def loop(
        cls,
        points: ArrayLike,
        *,
        opening_at: LengthLike | None = None,
        opening: LengthLike = 0.010,
        radius: LengthLike | None = None,
        gauge: str | None = None,
        conductor: Conductor | str | None = None,
        name: str = "loop",
        marks: Sequence[LengthLike] | LengthLike = (),
        outside: bool = False,
        jacket: Jacket | str | None = None,
    ) -> Wire:
        """A polygon that closes on itself, or one that is open at one place.

        Parameters
        ----------
        points : array_like, shape (N, 3)
            Corners, N >= 3; the first is not repeated (if it is, that is taken as meant). [m]
        opening_at : float or length, optional
            Middle of an opening, as a distance along the closed polygon from its first corner.
            The wire then starts on the far side of the opening and ends on the near one, and
            `marks` count from that start. None: closed. [m]
        opening : float or length
            Width of the opening; the gap's own capacitance is that of two wire ends. [m]
        radius, gauge, conductor, name, marks, outside, jacket
            As for `Wire`.

        Notes
        -----
        For a switch, leave the loop closed and put a second feed where the switch sits:
        ``Feed("loop", at=3.0, name="switch", termination="open")`` for off, ``termination=0``
        for on; the wire stays the same.
        """
        vertices = read_points(points, name)
        if np.linalg.norm(vertices[-1] - vertices[0]) > JOINING_DISTANCE:
            vertices = np.vstack([vertices, vertices[:1]])
        else:
            vertices = np.vstack([vertices[:-1], vertices[:1]])
        if len(vertices) < 4:
            raise GeometryError(
                f"Loop {name!r} has {len(vertices) - 1} corners; a loop needs three or more."
            )
        rest: dict[str, Any] = {
            "radius": radius, "gauge": gauge, "conductor": conductor,
            "name": name, "outside": outside, "jacket": jacket,
        }  # fmt: skip
        if opening_at is None:
            return cls(vertices, marks=marks, **rest)
        closed = cls(vertices, **rest)
        gap = metres(opening)
        if not JOINING_DISTANCE < gap < 0.5 * closed.length:
            raise GeometryError(
                f"Loop {name!r}: an opening of {gap:g} m is out of range; more than 0.001 m "
                f"(nearer ends join) and less than half of the {closed.length:g} m around."
            )
        start = closed._along(opening_at, "opening") + 0.5 * gap
        twice = np.vstack([vertices, vertices[1:]])
        around = np.concatenate(
            [closed.vertex_distances, closed.vertex_distances[1:] + closed.length]
        )
        end = start + closed.length - gap
        inside = (around > start + JOINING_DISTANCE) & (around < end - JOINING_DISTANCE)
        ends = [closed.position(at % closed.length) for at in (start, end)]
        return cls(np.vstack([ends[0], twice[inside], ends[1]]), marks=marks, **rest)

    # ---- inside --------------------------------------------------------------------------

    def _changed(self, **changes: Any) -> Wire:
        return replace(self, **changes)

    def _along(self, at: LengthLike, what: str) -> float:
        along = metres(at)
        if not -JOINING_DISTANCE <= along <= self.length + JOINING_DISTANCE:
            raise GeometryError(
                f"Wire {self.name!r}: {what} at {along:g} m is off the wire, which runs from 0 to "
                f"{self.length:g} m."
            )
        return min(max(along, 0.0), self.length)

    def _check_points(self) -> None:
        far = np.flatnonzero(np.abs(self.vertices).max(axis=1) > FARTHEST_POINT)
        if far.size:
            raise GeometryError(
                f"Wire {self.name!r}: point {int(far[0]) + 1} is {self.vertices[far[0]]} m; "
                f"coordinates must stay within {FARTHEST_POINT:g} m of the origin."
            )
        steps = np.diff(self.vertex_distances)
        short = np.flatnonzero(steps <= JOINING_DISTANCE)
        if short.size:
            k = int(short[0])
            raise GeometryError(
                f"Wire {self.name!r}: points {k + 1} and {k + 2}, both near "
                f"{show_point(self.vertices[k])}, lie {steps[k] * 1e3:g} mm apart; a stretch must "
                "be longer than 1 mm (nearer points join). Leave one of them out."
            )

    def _read_marks(self, marks: Sequence[LengthLike] | LengthLike) -> tuple[float, ...]:
        given = [marks] if isinstance(marks, str | int | float) else list(marks)
        found = []
        for mark in given:
            along = metres(mark)
            if not -JOINING_DISTANCE <= along <= self.length + JOINING_DISTANCE:
                raise GeometryError(
                    f"Wire {self.name!r}: the mark at {along:g} m is off the wire, which runs "
                    f"from 0 to {self.length:g} m. Marks are distances along the wire."
                )
            found.append(min(max(along, 0.0), self.length))
        return tuple(sorted(found))

    def _read_named_points(
        self, points: Mapping[str, LengthLike] | Sequence[tuple[str, LengthLike]]
    ) -> tuple[tuple[str, float], ...]:
        pairs = list(points.items()) if isinstance(points, Mapping) else list(points)
        found: dict[str, float] = {}
        for point, at in pairs:
            if not isinstance(point, str) or not point.strip() or point in found:
                raise GeometryError(
                    f"Wire {self.name!r}: a point is called {point!r}; each named point needs a "
                    "name of its own, with at least one letter."
                )
            found[point] = self.place(at)
        return tuple(found.items())

    def __getstate__(self) -> dict[str, Any]:
        return {f.name: self.__dict__[f.name] for f in fields(self)}  # arrays are made again

    def __setstate__(self, state: dict[str, Any]) -> None:
        self.__dict__.update(state)

    def __repr__(self) -> str:
        n = len(self.points) - 1
        shape = "straight" if n == 1 else f"in {n} stretches"
        metal = "" if self.conductor is None else f", {self.conductor.name}"
        thick = f"radius {self.radius * 1e3:.3g} mm"
        if self.gauge is not None:
            thick = f"{self.gauge} ({thick})"
        coat = "" if self.jacket is None else f", {self.jacket}"
        return f"Wire({self.name!r}, {self.length:.4g} m {shape}, {thick}{metal}{coat})"


def wire_label(name: str, piece: str) -> str:
    """How messages call a wire: of a piece of the house by the piece's own name.

    Examples
    --------
    >>> wire_label("foil u1", "foil"), wire_label("pipe to earth", "pipe")
    ("the grid of 'foil'", "the lead of 'pipe' to earth")
    """
    if not piece or name == piece:
        return repr(name)
    if name.startswith(f"{piece} to "):
        return f"the lead of {piece!r} to {name.removeprefix(f'{piece} to ')}"
    return f"the grid of {piece!r}"


def locked(array: NDArray[np.float64]) -> NDArray[np.float64]:
    """The same array, read-only."""
    array.flags.writeable = False
    return array


def show_point(point: ArrayLike) -> str:
    """A point for a message."""
    x, y, z = (float(c) for c in np.asarray(point))
    return f"({x:.4g}, {y:.4g}, {z:.4g}) m"


def _read_electrode(given: Any, what: str, name: str) -> Electrode | None:
    if given is not None and not isinstance(given, Electrode):
        raise GeometryError(
            f"Wire {name!r}: {what}={given!r} is no electrode; give Electrode(length, radius=...) "
            "or Electrode(impedance=...), or leave it out."
        )
    return given


def read_points(points: Any, name: str, *, kind: str = "Wire") -> NDArray[np.float64]:
    """Corners (N, 3), N >= 2, from whatever a person gave; `name` is for messages. [m]"""
    try:
        array = np.array(points)
        if array.dtype.kind not in "fiu":  # text with units, or no numbers at all
            listed = np.array(points, dtype=object).tolist()
            array = np.array([[metres(c) for c in point] for point in listed])
        array = array.astype(float)
    except (TypeError, ValueError) as error:
        cause = error if isinstance(error, GeometryError) else "They are not all of one shape."
        raise GeometryError(
            f"{kind} {name!r}: points must be a list of (x, y, z), in metres. {cause}"
        ) from None
    if array.ndim != 2 or array.shape[1:] != (3,) or array.shape[0] < 2:
        raise GeometryError(
            f"{kind} {name!r}: points have shape {array.shape}; two or more points of three "
            "coordinates are needed, shape (N, 3)."
        )
    bad = np.argwhere(~np.isfinite(array))
    if bad.size:
        row, column = (int(i) for i in bad[0])
        raise GeometryError(
            f"{kind} {name!r}: {'xyz'[column]} of point {row + 1} is {array[row, column]}; "
            "coordinates must be finite."
        )
    return array


def _read_radius(radius: LengthLike | None, gauge: str | None, name: str) -> float:
    if gauge is not None:
        try:
            found = gauge_radius(gauge)
        except GeometryError as error:
            raise GeometryError(f"Wire {name!r}: {error}") from None
        if radius is not None and metres(radius) != found:
            raise GeometryError(
                f"Wire {name!r}: radius {metres(radius):g} m and gauge {gauge!r} "
                f"({found:.4g} m) are both given; give one of them."
            )
        return found
    if radius is None:
        raise GeometryError(
            f"Wire {name!r} has no thickness; give radius=... in metres or gauge='14 AWG'."
        )
    try:
        found = metres(radius)
    except GeometryError as error:
        raise GeometryError(f"Wire {name!r}: radius: {error}") from None
    if not found >= THINNEST_RADIUS:
        raise GeometryError(
            f"Wire {name!r}: radius {found:g} m; it must be above 0, "
            f"at least {THINNEST_RADIUS:g} m."
        )
    return found


def _read_jacket(jacket: Jacket | str | None, radius: float, name: str) -> Jacket | None:
    from .jackets import Jacket as Known

    if isinstance(jacket, str):
        jacket = Known.from_text(jacket)
    if jacket is None:
        return None
    if not isinstance(jacket, Known):
        raise GeometryError(
            f"Wire {name!r}: jacket {jacket!r} is none; give Jacket('PVC', thickness='0.7 mm'), "
            "a text like 'PVC 0.7 mm', or None for bare wire."
        )
    jacket.outer_radius(radius, wire=name)
    return jacket
