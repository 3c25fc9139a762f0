"""What `exposure` gives back: greatest fields, worst points and parts of limits, room by room."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from ..answer_records import FeedPlace, House, Record, WirePath, data_frame
from ..errors import SolverError
from ..moments.basis import FloatArray
from .limits import LimitFraction, Limits, fraction_of_limit

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from ...geometry.plan import Assumption
    from ...geometry.rooms import Room

Three = tuple[float, float, float]


@dataclass(frozen=True)
class Sending:
    """How much is sent, and how long.

    Attributes
    ----------
    power : float
        Greatest power into the feed point (peak envelope). [W]
    mode : str
    duty : float
        Average over greatest power while sending.
    minutes_on : float or None
        None: sending all the time. [min]
    minutes_off : float
        [min]
    """

    power: float
    mode: str
    duty: float
    minutes_on: float | None = None
    minutes_off: float = 0.0

    def fractions(
        self, electric: Any, magnetic: Any, frequency: float, limits: Limits
    ) -> LimitFraction:
        """Parts of limits of magnitudes [V/m], [A/m] that hold for 1 W."""
        return fraction_of_limit(
            electric,
            magnetic,
            frequency,
            limits=limits,
            power=self.power,
            duty=self.duty,
            minutes_on=self.minutes_on,
            minutes_off=self.minutes_off,
        )


@dataclass(frozen=True)
class WithoutPiece:
    """The same plane with one piece of metal of the house left out.

    Attributes
    ----------
    piece : str
    fraction : float
        Greatest part of the limit there; NaN where the antenna cannot do without the piece.
    reason : str
        Why there is none, else "".
    """

    piece: str
    fraction: float
    reason: str = ""


@dataclass(frozen=True)
class PlaneExposure(Record):
    """One plane of one room on one band, held to one set of limits.

    Attributes
    ----------
    room, who : str
    plane, level : float
        Above the room's floor, and above ground. [m]
    band : str
    frequency : float
        At which the part of the limit is greatest, of those that were looked at. [Hz]
    limits : str
    electric, magnetic : float
        Greatest of all three components together, RMS while the greatest power is sent; the two
        may be at different points. [V/m], [A/m]
    electric_parts, magnetic_parts : three floats
        Greatest of each component by itself: a single-axis probe held along the ridge, across and
        upright. [V/m], [A/m]
    electric_axis, magnetic_axis : float
        The most that a single-axis probe shows anywhere when it is turned for the greatest
        reading. [V/m], [A/m]
    fraction : float
        Greatest part of the limit, E or H, over the averaging time. 1 is the limit.
    electric_fraction, magnetic_fraction : float
        Greatest of each; NaN where the set has no limit for it.
    worst_point : (x, y, z)
        Where `fraction` is, z above ground. [m]
    nearest_wire : str
    distance : float
        From the surface of that wire to the worst point. [m]
    is_extrapolated : bool
        Whether the worst point is nearer to a wire than fields can be told with confidence.
    is_beside_solid : bool
        Whether it is so near to timber or a sheet that their part is no more than a guess.
    clear_fraction : float
        Greatest part of the limit at points that are neither; NaN where there are none.
    averaged_part : float
        Average over greatest power that the fraction holds for.
    averaging_minutes : float
        0: the limit holds at every instant.
    power : float
        [W]
    without : tuple of WithoutPiece
        In the order in which leaving the piece out changes the fraction most.
    """

    room: str
    who: str
    plane: float
    level: float
    band: str
    frequency: float
    limits: str
    electric: float
    magnetic: float
    electric_parts: Three
    magnetic_parts: Three
    electric_axis: float
    magnetic_axis: float
    fraction: float
    electric_fraction: float
    magnetic_fraction: float
    worst_point: Three
    nearest_wire: str
    distance: float
    is_extrapolated: bool
    is_beside_solid: bool
    clear_fraction: float
    averaged_part: float
    averaging_minutes: float
    power: float
    without: tuple[WithoutPiece, ...] = ()

    @property
    def complies(self) -> bool:
        """Whether the greatest fields are within the limit (an estimate to plan by)."""
        return self.fraction <= 1.0

    @property
    def complying_power(self) -> float:
        """Greatest power at which they are; infinite where there is no field. [W]"""
        return np.inf if self.fraction == 0.0 else self.power / self.fraction**2

    @property
    def worst_field(self) -> str:
        """ "E" or "H", whichever takes up more of its limit."""
        return "H" if np.nan_to_num(self.magnetic_fraction) >= self.fraction else "E"


@dataclass(frozen=True)
class RoomExposure(Record):
    """One room on one band, held to one set of limits: its worst plane and what follows.

    Attributes
    ----------
    worst : PlaneExposure
    body_average : float
        Part of the limit of the squared field averaged over the planes, where that is worst: what
        a whole body that stands there takes up. E or H, whichever is more; NaN of limits that are
        not averaged over time either.
    complying_distance : float
        From the nearest wire along the line through the worst point: from there on the field
        complies as far as the line was followed. `LEAST_DISTANCE` says that or less; NaN: not
        along this line above ground. [m]
    """

    worst: PlaneExposure
    body_average: float
    complying_distance: float


@dataclass(frozen=True, eq=False)
class PlaneFields(Record):
    """Fields on the grid of one plane, RMS magnitudes at 1 W.

    Attributes
    ----------
    room, band : str
    plane : float
        Above the room's floor. [m]
    frequency : float
        [Hz]
    x : (X,), y : (Y,) float
        [m]
    within : (Y, X) bool
        Which points lie in the room: N of them.
    electric_parts, magnetic_parts : (N, 3) float
        By component. [V/m], [A/m]
    is_extrapolated : (N,) bool
    """

    room: str
    band: str
    plane: float
    frequency: float
    x: FloatArray
    y: FloatArray
    within: Any
    electric_parts: FloatArray
    magnetic_parts: FloatArray
    is_extrapolated: Any

    @property
    def electric(self) -> FloatArray:
        """All components together, (N,). [V/m]"""
        return np.linalg.norm(self.electric_parts, axis=1)

    @property
    def magnetic(self) -> FloatArray:
        """All components together, (N,). [A/m]"""
        return np.linalg.norm(self.magnetic_parts, axis=1)

    def on_grid(self, values: FloatArray) -> FloatArray:
        """Values at the N points as a grid (Y, X), NaN outside of the room."""
        grid = np.full(self.within.shape, np.nan)
        grid[self.within] = values
        return grid


@dataclass(frozen=True, eq=False, repr=False)
class Exposure(Record):
    """Fields where people are, and what part of the limits they take up. An estimate to plan by.

    Attributes
    ----------
    name : str
    sending : Sending
    rooms : tuple of Room
    limits : tuple of Limits
        All that were used.
    planes : tuple of PlaneExposure
        By room, band, plane and set of limits.
    worst : tuple of RoomExposure
        By room, band and set of limits.
    fields : tuple of PlaneFields
    pieces : tuple of str
        Metal of the house that was left out in turn.
    step : float
        Of the grid. [m]
    n_points, n_extrapolated, n_beside_solid : int
        Points a frequency, those too near to a wire, those too near to timber or a sheet.
    remarks : tuple of str
    assumptions : tuple of Assumption
    house, wires, feeds
        For drawing.
    unknowns : int
    version : str
    """

    name: str
    sending: Sending
    rooms: tuple[Room, ...]
    limits: tuple[Limits, ...]
    planes: tuple[PlaneExposure, ...]
    worst: tuple[RoomExposure, ...]
    fields: tuple[PlaneFields, ...]
    pieces: tuple[str, ...]
    step: float
    n_points: int
    n_extrapolated: int
    n_beside_solid: int
    remarks: tuple[str, ...]
    assumptions: tuple[Assumption, ...]
    house: House | None
    wires: tuple[WirePath, ...]
    feeds: tuple[FeedPlace, ...]
    unknowns: int
    version: str

    def __iter__(self) -> Iterator[PlaneExposure]:
        return iter(self.planes)

    @property
    def bands(self) -> tuple[str, ...]:
        """Names of the bands, in order."""
        return tuple(dict.fromkeys(row.band for row in self.planes))

    @property
    def complying_power(self) -> float:
        """Greatest power at which every room complies on every band. [W]"""
        return min(one.worst.complying_power for one in self.worst)

    @property
    def clear_complying_power(self) -> float:
        """The same, points that are extrapolated left aside. [W]"""
        return min(
            row.power / row.clear_fraction**2 if row.clear_fraction > 0.0 else np.inf
            for row in self.planes
        )

    def room(self, name: str) -> Room:
        """One of the rooms; SolverError lists what there is."""
        for room in self.rooms:
            if room.name == name:
                return room
        there = ", ".join(repr(room.name) for room in self.rooms)
        raise SolverError(f"There is no room {name!r}; there are {there}.")

    def worst_of(
        self, room: str | None = None, *, band: str | None = None, limits: str | None = None
    ) -> RoomExposure:
        """The worst of all, or of a room, band or set of limits; SolverError lists what there is.

        A set of limits may be told by the beginning of its name.
        """
        if room is not None:
            self.room(room)
        some = [
            one
            for one in self.worst
            if room in (None, one.worst.room)
            and band in (None, one.worst.band)
            and (limits is None or one.worst.limits.lower().startswith(limits.lower()))
        ]
        if not some:
            names = ", ".join(dict.fromkeys(one.worst.limits for one in self.worst))
            raise SolverError(
                f"Nothing was worked out for band {band!r} and limits {limits!r}; bands are "
                f"{', '.join(self.bands)}, limits {names}."
            )
        return max(some, key=lambda one: one.worst.fraction)

    def fields_of(self, row: PlaneExposure) -> PlaneFields:
        """Fields on the grid of a plane."""
        for one in self.fields:
            if (one.room, one.band, one.plane, one.frequency) == (
                row.room, row.band, row.plane, row.frequency,
            ):  # fmt: skip
                return one
        raise SolverError(f"There are no fields of {row.room!r} on {row.band}.")

    def fraction_map(self, row: PlaneExposure) -> FloatArray:
        """Part of the limit on the grid of a plane, (Y, X), NaN outside of the room."""
        fields = self.fields_of(row)
        limits = next(one for one in self.limits if one.name == row.limits)
        found = self.sending.fractions(fields.electric, fields.magnetic, row.frequency, limits)
        return fields.on_grid(found.worst)

    def to_dataframe(self) -> Any:
        """One row a plane, band and set of limits; needs pandas."""
        from ..views.exposure_page import exposure_columns

        return data_frame(exposure_columns(self))

    def plot(
        self,
        room: str | None = None,
        *,
        band: str | None = None,
        limits: str | None = None,
        plane: float | None = None,
        ax: Axes | None = None,
    ) -> Axes:
        """Map of the part of the limit in a room; what is left out is the worst there is."""
        from ..views.exposure_map import draw_room

        return draw_room(self, room, band=band, limits=limits, plane=plane, ax=ax)

    def figure(self) -> Figure:
        """One sheet: a map of each room where and when it is worst."""
        from ..views.exposure_map import draw_rooms

        return draw_rooms(self)

    def to_text(self, *, width: int = 100) -> str:
        """The printed form, paragraphs no wider than `width`."""
        from ..views.exposure_page import exposure_text

        return exposure_text(self, width=width)

    def __str__(self) -> str:
        return self.to_text()

    __repr__ = __str__

    def _repr_html_(self) -> str:
        from ..views.exposure_page import exposure_html

        return exposure_html(self)
