"""`exposure`: E and H where people are, and what part of the limits that is."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from importlib.metadata import version
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from threadpoolctl import threadpool_limits

from ...geometry import Scene
from ...geometry.plan import AtticPlan
from ...geometry.rooms import Room
from ..answer import (
    feed_places,
    linear_algebra_threads,
    prepare_system,
    progress_bar,
    scene_of,
    wire_paths,
)
from ..answer_records import House
from ..bands import Band
from ..effort import Effort
from ..errors import SolverError
from ..moments.basis import ComplexArray, FloatArray
from ..settings import read_settings
from ..solution import Solution
from ..solve import DEFAULT_TOLERANCE
from ..study.elimination import FactoredSystem, elements_of, lost_ports, metal_pieces
from ..system import System
from .exposure_records import (
    Exposure,
    PlaneExposure,
    PlaneFields,
    RoomExposure,
    Sending,
    Three,
    WithoutPiece,
)
from .exposure_settings import ExposureSettings, read_exposure_settings
from .limits import LimitFraction, Limits
from .room_points import LEAST_DISTANCE, Spots, cleared

FARTHEST = 20.0
LINE_POINTS = 81
"""How far, and at how many points, the line through a worst point is followed. [m]"""

LOWEST = 0.02
"""Above ground, along that line. [m]"""

SMOOTH_ERROR = 1e-3
"""Of what the earth reflects, in interpolating it."""

POINTS_AT_ONCE = 20_000


def exposure(
    plan: AtticPlan | Scene | Solution,
    bands: Sequence[Band | str | Sequence[float]] | str | Band | None = None,
    *,
    rooms: Room | Sequence[Room] | None = None,
    region: int | None = None,
    limits: str | Sequence[str] | None = None,
    limits_file: str | Path | None = None,
    power: float | None = None,
    mode: str | None = None,
    duty: float | None = None,
    minutes_on: float | None = None,
    minutes_off: float | None = None,
    step: float | None = None,
    edges: bool = False,
    pieces: bool = True,
    tolerance: float | None = DEFAULT_TOLERANCE,
    progress: bool | None = None,
    announce: Callable[[Effort], None] | None = None,
    name: str | None = None,
) -> Exposure:
    """Fields in rooms, per band and set of limits: an estimate to plan by.

    Parameters
    ----------
    plan : AtticPlan, Scene or Solution
        From `read_attic`, a scene, or what `solve` gave: then at its frequencies.
    bands : sequence, optional
        As for `answer`; of no use with a solution.
    rooms : Room or sequence of Room, optional
        The plan's where left out.
    region : int, optional
        ITU region of named bands.
    limits : str or sequence of str, optional
        Sets of limits, as "FCC general", "ICNIRP 2010 general below 10 MHz"; for all rooms. Left
        out: the file's, or those of FCC and ICNIRP for who is in the room.
    limits_file : path, optional
        Where these sets stand instead of the shipped catalogue.
    power : float, optional
        Greatest power into the feed point (peak envelope); the file's, or 100, where left out. [W]
    mode : str, optional
        As `duty_factor` knows them; the file's, or a steady carrier, where left out.
    duty : float, optional
        Average over greatest power, instead of the mode's.
    minutes_on, minutes_off : float, optional
        How long sending and listening take turns. [min]
    step : float, optional
        Of the grid; the file's, or 0.25, where left out. [m]
    edges : bool
        Look at both edges of each band too, three times the work.
    pieces : bool
        Leave out each piece of metal of the house in turn.
    tolerance : float, optional
        Of the mesh, as for `answer`.
    progress : bool, optional
        Show a bar with the time left; None: if it takes more than a second.
    announce : callable, optional
        Called with what it will take, before the long part starts.
    name : str, optional
        What to call the result.

    Returns
    -------
    Exposure

    Raises
    ------
    AtticFileError, GeometryError, FeedError, BandError
        As for `answer`.
    LimitsError
        If a set of limits or a mode is not known, or a set does not cover a frequency.
    SolverError
        If there are no rooms, or a setting is out of range.

    Notes
    -----
    Fields are those of the undisturbed house without people in it. Without a piece of metal they
    come from the factors of the whole (see `study.elimination`). What the earth reflects is
    interpolated from Chebyshev points of each room where that is less work; 1e-3 of it is lost.
    Points nearer to an axis than two radii take the field at two radii.
    """
    job = _Job.of(
        plan, bands, rooms=rooms, region=region, power=power, edges=edges, name=name,
        settings=read_exposure_settings(
            plan if isinstance(plan, AtticPlan) else None,
            limits=limits, limits_file=limits_file, mode=mode, duty=duty,
            minutes_on=minutes_on, minutes_off=minutes_off, step=step,
        ),
    )  # fmt: skip
    for room in job.rooms:  # complains before anything is computed
        for _, frequency in job.frequencies:
            job.settings.limits_at(room.who, frequency)
        room.grid(job.settings.step)
    gone = metal_pieces(job.scene) if pieces else ()
    system = job.system
    if system is None:
        spots = sum(int(r.grid(job.settings.step)[2].sum()) * len(r.planes) for r in job.rooms)
        sets = 1 + len(gone)

        def told(effort: Effort) -> None:
            if announce is not None:
                announce(
                    replace(
                        effort,
                        field_points=spots * sets * len(job.frequencies),
                        field_boxes=len(job.rooms) * sets * len(job.frequencies),
                    )
                )

        system = prepare_system(
            job.scene, job.bands, tolerance=tolerance, matrices=len(job.frequencies),
            pieces=len(gone), announce=told,
        )  # fmt: skip
    threads = linear_algebra_threads(system)
    count = len(job.frequencies)
    with threadpool_limits(limits=threads, user_api="blas"), progress_bar(count, progress) as bar:
        return _Study(job, system, gone).run(bar.update)


@dataclass(frozen=True)
class _Job:
    """What is asked for, read and checked."""

    scene: Scene
    name: str
    rooms: tuple[Room, ...]
    bands: tuple[Band, ...]
    frequencies: tuple[tuple[str, float], ...]
    sending: Sending
    settings: ExposureSettings
    plan: AtticPlan | None
    solution: Solution | None
    assumptions: tuple[Any, ...]

    @classmethod
    def of(
        cls,
        plan: AtticPlan | Scene | Solution,
        bands: Any,
        *,
        rooms: Any,
        region: int | None,
        power: float | None,
        edges: bool,
        name: str | None,
        settings: ExposureSettings,
    ) -> _Job:
        solution = plan if isinstance(plan, Solution) else None
        from_plan = plan if isinstance(plan, AtticPlan) else None
        if isinstance(plan, Solution):
            if bands is not None:
                raise SolverError(
                    "bands is given beside a solution, which has frequencies of its own; give the "
                    "plan or the scene instead, or leave bands out."
                )
            scene, called = plan.scene, "solution"
            bands = [(f * (1.0 - 1e-6), f * (1.0 + 1e-6)) for f in plan.frequencies.tolist()]
        else:
            scene, called = scene_of(plan, "exposure")
        read = read_settings(from_plan, bands=bands, region=region, power=power)
        frequencies = [
            (band.name, f)
            for band in read.bands
            for f in ((band.low, band.centre, band.high) if edges else (band.centre,))
        ]
        if solution is not None:
            frequencies = [(f"{f / 1e6:g} MHz", f) for f in solution.frequencies.tolist()]
        sending = Sending(
            read.power, settings.mode, settings.duty, settings.minutes_on, settings.minutes_off
        )
        assumed = (*settings.assumptions, *read.assumptions)
        if from_plan is not None:
            assumed = (*from_plan.assumptions, *assumed)
        # What SWR refers to does not matter here.
        assumed = tuple(one for one in assumed if one.what not in ("reference",))
        return cls(
            scene, name or called, _rooms(rooms, from_plan), read.bands, tuple(frequencies),
            sending, settings, from_plan, solution,
            tuple(sorted(assumed, key=lambda one: -one.weight)),
        )  # fmt: skip

    @property
    def system(self) -> System | None:
        """That of the solution, if it came with one."""
        return None if self.solution is None else self.solution.system


def _rooms(given: Any, plan: AtticPlan | None) -> tuple[Room, ...]:
    found = (plan.rooms if plan is not None else ()) if given is None else given
    found = (found,) if isinstance(found, Room) else tuple(found)
    if not found:
        raise SolverError(
            "There are no rooms to look into. Add a table [[room]] with name and floor to the "
            "attic file, or give rooms=[Room(...)]."
        )
    for one in found:
        if not isinstance(one, Room):
            raise SolverError(f"rooms: {one!r} is no Room; make one with geometry.Room.")
    names = [room.name for room in found]
    if len(set(names)) < len(names):
        raise SolverError(
            f"rooms: two have one name ({', '.join(names)}); every room needs its own."
        )
    return found


class _Fields(NamedTuple):
    """At 1 W: complex components (M, 3)."""

    electric: ComplexArray
    magnetic: ComplexArray

    @classmethod
    def of(cls, solution: Solution, points: FloatArray) -> _Fields:
        parts = [
            solution.near_fields(points[k : k + POINTS_AT_ONCE], smooth_error=SMOOTH_ERROR)
            for k in range(0, len(points), POINTS_AT_ONCE)
        ]
        return cls(np.concatenate([e for e, _ in parts]), np.concatenate([h for _, h in parts]))

    def fractions(self, frequency: float, limits: Limits, sending: Sending) -> LimitFraction:
        """Of all components together, (M,)."""
        return sending.fractions(
            np.linalg.norm(self.electric, axis=1),
            np.linalg.norm(self.magnetic, axis=1),
            frequency,
            limits,
        )


def best_axis(field: ComplexArray) -> FloatArray:
    """The most that a probe of one axis reads when turned, of phasors (M, 3), (M,).

    max over unit u of |u . F|: the longer half axis of the ellipse that the vector runs round,
    squared (|F|^2 + |F . F|)/2.
    """
    square = (np.abs(field) ** 2).sum(axis=1)
    return np.sqrt(0.5 * (square + np.abs((field**2).sum(axis=1))))


@dataclass(frozen=True, eq=False)
class _Study:
    """The whole of it, frequency by frequency."""

    job: _Job
    system: System
    pieces: tuple[str, ...]

    def run(self, tick: Callable[[], Any]) -> Exposure:
        job, system = self.job, self.system
        spots = [Spots.of(room, job.settings.step, system) for room in job.rooms]
        planes: dict[tuple[str, str, float, str], PlaneExposure] = {}
        averages: dict[tuple[str, str, str], float] = {}
        fields: list[PlaneFields] = []
        used: dict[str, Limits] = {}
        wholes: dict[float, Solution] = {}
        for index, (band, frequency) in enumerate(job.frequencies):
            whole, variants = self._solved(index, frequency)
            wholes[frequency] = whole
            for spot in spots:
                sets = job.settings.limits_at(spot.room.who, frequency)
                used |= {one.name: one for one in sets}
                found = _Fields.of(whole, spot.clear)
                without = self._without(variants, spot, frequency, sets)
                fields += _plane_fields(spot, band, frequency, found)
                for limits in sets:
                    parts = found.fractions(frequency, limits, job.sending)
                    key = (spot.room.name, band, limits.name)
                    average = _body_average(parts, spot)
                    averages[key] = max(averages.get(key, average), average)
                    for row in self._rows(spot, band, frequency, limits, found, parts, without):
                        place = (row.room, row.band, row.plane, row.limits)
                        known = planes.get(place)
                        if known is None or row.fraction > known.fraction:
                            planes[place] = row
            tick()
        rows = tuple(planes.values())
        return Exposure(
            name=job.name,
            sending=job.sending,
            rooms=job.rooms,
            limits=tuple(used.values()),
            planes=rows,
            worst=tuple(self._worst(rows, averages, used, wholes, spots)),
            fields=tuple(fields),
            pieces=self.pieces,
            step=job.settings.step,
            n_points=sum(len(spot.points) for spot in spots),
            n_extrapolated=sum(int(spot.extrapolated.sum()) for spot in spots),
            n_beside_solid=sum(int(spot.beside.sum()) for spot in spots),
            remarks=self._remarks(),
            assumptions=job.assumptions,
            house=None if job.plan is None else House.of(job.plan.attic),
            wires=wire_paths(job.scene),
            feeds=feed_places(job.scene),
            unknowns=system.n_unknowns,
            version=version("ridgepole"),
        )

    def _remarks(self) -> tuple[str, ...]:
        attic = None if self.job.plan is None else self.job.plan.attic
        wires = self.job.scene.wires
        return tuple(one for room in self.job.rooms for one in room.doubts(wires, attic))

    def _solved(
        self, index: int, frequency: float
    ) -> tuple[Solution, list[tuple[str, Solution | None, str]]]:
        """The whole, and without each piece: its name, the solution, or why there is none."""
        if not self.pieces and self.job.solution is not None:
            return self.job.solution[index], []
        factored = FactoredSystem.at(self.system, frequency)
        whole = factored.solution(factored.currents, with_solids=True)
        there, reasons = [], {}
        for piece in self.pieces:
            elements = elements_of(self.system, piece)
            lost = [
                p for p in lost_ports(self.system, elements) if self.system.scene.ports[p].is_driven
            ]
            if lost:
                feed = self.system.scene.ports[lost[0]]
                reasons[piece] = f"feed {feed.label} has nothing on one side without it"
            else:
                there.append(elements)
        lacking = iter(factored.without_elements(there))
        return whole, [
            (piece, None, reasons[piece])
            if piece in reasons
            else (piece, factored.solution(next(lacking), with_solids=True), "")
            for piece in self.pieces
        ]

    def _without(
        self,
        variants: Sequence[tuple[str, Solution | None, str]],
        spot: Spots,
        frequency: float,
        sets: Sequence[Limits],
    ) -> dict[str, list[list[WithoutPiece]]]:
        """By set of limits: for each plane, the greatest fraction without each piece."""
        found: dict[str, list[list[WithoutPiece]]] = {
            limits.name: [[] for _ in spot.room.planes] for limits in sets
        }
        for piece, solution, reason in variants:
            fields = None if solution is None else _Fields.of(solution, spot.clear)
            for limits in sets:
                greatest = np.full(len(spot.room.planes), np.nan)
                if fields is not None:
                    parts = fields.fractions(frequency, limits, self.job.sending)
                    greatest = parts.worst.reshape(-1, spot.n_plane).max(axis=1)
                for plane, value in zip(found[limits.name], greatest.tolist(), strict=True):
                    plane.append(WithoutPiece(piece, value, reason))
        return found

    def _rows(
        self,
        spot: Spots,
        band: str,
        frequency: float,
        limits: Limits,
        fields: _Fields,
        parts: LimitFraction,
        without: dict[str, list[list[WithoutPiece]]],
    ) -> list[PlaneExposure]:
        rows, root = [], np.sqrt(self.job.sending.power)
        size = [root * np.abs(one) for one in fields]
        axis = [root * best_axis(one) for one in fields]
        for k, (plane, level) in enumerate(zip(spot.room.planes, spot.room.levels, strict=True)):
            own = slice(k * spot.n_plane, (k + 1) * spot.n_plane)
            worst = k * spot.n_plane + int(np.argmax(parts.worst[own]))
            fraction = float(parts.worst[worst])
            sure = ~(spot.extrapolated | spot.beside)[own]
            change = sorted(
                without[limits.name][k],
                key=lambda one, f=fraction: (
                    one.fraction != one.fraction,
                    -abs(np.log(max(one.fraction, 1e-300) / max(f, 1e-300))),
                ),
            )
            rows.append(
                PlaneExposure(
                    room=spot.room.name,
                    who=spot.room.who,
                    plane=float(plane),
                    level=float(level),
                    band=band,
                    frequency=frequency,
                    limits=limits.name,
                    electric=float(np.linalg.norm(size[0][own], axis=1).max()),
                    magnetic=float(np.linalg.norm(size[1][own], axis=1).max()),
                    electric_parts=_three(size[0][own].max(axis=0)),
                    magnetic_parts=_three(size[1][own].max(axis=0)),
                    electric_axis=float(axis[0][own].max()),
                    magnetic_axis=float(axis[1][own].max()),
                    fraction=fraction,
                    electric_fraction=float(parts.electric[own].max()),
                    magnetic_fraction=float(parts.magnetic[own].max()),
                    worst_point=_three(spot.points[worst]),
                    nearest_wire=self.job.scene.wires[int(spot.wire[worst])].name,
                    distance=max(float(spot.distance[worst]), 0.0),
                    is_extrapolated=bool(spot.extrapolated[worst]),
                    is_beside_solid=bool(spot.beside[worst]),
                    clear_fraction=float(parts.worst[own][sure].max(initial=-np.inf))
                    if sure.any()
                    else np.nan,
                    averaged_part=parts.averaged_part,
                    averaging_minutes=limits.averaging_minutes,
                    power=self.job.sending.power,
                    without=tuple(change),
                )
            )
        return rows

    def _worst(
        self,
        rows: Sequence[PlaneExposure],
        averages: dict[tuple[str, str, str], float],
        used: dict[str, Limits],
        wholes: dict[float, Solution],
        spots: Sequence[Spots],
    ) -> list[RoomExposure]:
        found = []
        for key, average in averages.items():
            own = [row for row in rows if (row.room, row.band, row.limits) == key]
            worst = max(own, key=lambda row: row.fraction)
            spot = next(one for one in spots if one.room.name == worst.room)
            n = int(np.argmin(np.linalg.norm(spot.points - worst.worst_point, axis=1)))
            distance = _complying_distance(
                wholes[worst.frequency], spot.foot[n], spot.points[n], spot.distance[n],
                used[worst.limits], self.job.sending,
            )  # fmt: skip
            found.append(RoomExposure(worst, average, distance))
        return found


def _three(values: FloatArray) -> Three:
    x, y, z = np.asarray(values, dtype=float).tolist()
    return x, y, z


def _plane_fields(spot: Spots, band: str, frequency: float, fields: _Fields) -> list[PlaneFields]:
    found = []
    for k, plane in enumerate(spot.room.planes):
        own = slice(k * spot.n_plane, (k + 1) * spot.n_plane)
        found.append(
            PlaneFields(
                spot.room.name, band, float(plane), frequency, spot.x, spot.y, spot.within,
                np.abs(fields.electric[own]), np.abs(fields.magnetic[own]),
                spot.extrapolated[own] | spot.beside[own],
            )
        )  # fmt: skip
    return found


def _body_average(parts: LimitFraction, spot: Spots) -> float:
    """The worst column: part of the limit of the mean square over its planes."""
    if not parts.limits.is_averaged:
        return np.nan
    found = 0.0
    for each in (parts.electric, parts.magnetic):
        values = np.asarray(each).reshape(-1, spot.n_plane)
        if not np.isnan(values).any():
            found = max(found, float(np.sqrt((values**2).mean(axis=0)).max()))
    return found


def _complying_distance(
    solution: Solution,
    foot: FloatArray,
    point: FloatArray,
    distance: float,
    limits: Limits,
    sending: Sending,
) -> float:
    """From the wire's surface along the line through a point, see `RoomExposure`. [m]"""
    way = point - foot
    length = float(np.linalg.norm(way))
    way = way / length if length > 1e-6 else np.array([0.0, 0.0, -1.0])
    radius = length - distance
    steps = np.geomspace(LEAST_DISTANCE, FARTHEST, LINE_POINTS)
    line = foot + (steps + radius)[:, None] * way
    if solution.scene.earth is not None:
        kept = line[:, 2] >= LOWEST
        steps, line = steps[kept], line[kept]
    if not steps.size:
        return np.nan
    fields = _Fields.of(solution, cleared(line, solution.system))
    frequency = float(solution.frequencies[0])
    part = np.asarray(fields.fractions(frequency, limits, sending).worst)
    above = np.flatnonzero(part > 1.0)
    if not above.size:
        return LEAST_DISTANCE
    last = int(above[-1])
    if last == steps.size - 1:
        return np.nan
    # A straight line in logarithms between the two points about the limit.
    down = np.log(part[last]) / np.log(part[last] / part[last + 1])
    return float(steps[last] * (steps[last + 1] / steps[last]) ** down)
