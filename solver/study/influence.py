"""`influence`: what every piece of the house does, by leaving out each in turn."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, NamedTuple

import numpy as np
from threadpoolctl import threadpool_limits

from ...geometry import Scene
from ...geometry.plan import AtticPlan
from ..answer import linear_algebra_threads, prepare_system, progress_bar, scene_of
from ..answer_records import WireCurrent
from ..bands import Band
from ..currents_along import wire_currents
from ..effort import Effort
from ..errors import SolverError
from ..fields.far import FarField
from ..fields.radiation import PowerByAngle
from ..moments.basis import ComplexArray, IntArray
from ..settings import read_settings
from ..solution import Solution
from ..solve import DEFAULT_TOLERANCE
from ..surround.volume import SolidState, Volume
from ..system import System
from .elimination import FactoredSystem, elements_of, lost_ports, metal_pieces
from .influence_records import (
    NO_STATE,
    Influence,
    InfluenceRow,
    Kind,
    MoistureRow,
    State,
)
from .resonance import POINTS, Curve, Reference, Shift, points_about, reference_of, shift_of

DRY, WET = 0.08, 0.24
"""Timber of a heated house in winter, and after a leak, near the end of the data (common
practice). Water over dry mass."""

CURRENT_PLACES = 33
"""On every element, where the greatest current is sought."""


def influence(
    plan: AtticPlan | Scene,
    bands: Sequence[Band | str | Sequence[float]] | str | Band | None = None,
    *,
    region: int | None = None,
    moistures: tuple[float, float] = (DRY, WET),
    angle_limits: tuple[float, float] = (30.0, 60.0),
    tolerance: float | None = DEFAULT_TOLERANCE,
    progress: bool | None = None,
    announce: Callable[[Effort], None] | None = None,
    name: str | None = None,
) -> Influence:
    """What every piece of the house does to impedance, efficiency, angles and resonance.

    Parameters
    ----------
    plan : AtticPlan or Scene
        From `read_attic`, or a scene. Metal counts by the `piece` of its wires, timber and sheets
        by their `group`.
    bands : sequence, optional
        As for `answer`.
    region : int, optional
        ITU region of named bands.
    moistures : pair of float
        Water over dry mass of all timber for the dry and wet pair.
    angle_limits : pair of float
        Elevations that part low, middle and high angles. [degree]
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
    Influence

    Raises
    ------
    AtticFileError, GeometryError, FeedError, BandError
        As for `answer`.
    SolverError
        If there is no house, or a setting is out of range.
    MaterialError
        If a moisture lies outside of the data.

    Notes
    -----
    Everything is computed on the mesh of the whole scene, from one factored matrix a frequency
    (see `elimination`); a scene without the piece on the same mesh gives the same to 1e-8. The
    radiated power holds what the remaining solids' polarisation adds to the wires' field, but not
    what it would radiate alone, as in `FarField.radiated`.
    """
    scene, called = scene_of(plan, "influence")
    from_plan = plan if isinstance(plan, AtticPlan) else None
    settings = read_settings(from_plan, bands=bands, region=region)
    _check(moistures, angle_limits)
    count = POINTS * len(settings.bands)
    system = prepare_system(
        scene,
        settings.bands,
        tolerance=tolerance,
        matrices=count,
        pieces=len(scene.pieces) + len(scene.groups),
        announce=announce,
    )
    parts = _parts(system)
    if not parts:
        raise SolverError(
            "There is no house in this scene, so nothing to leave out: no wire has a piece=..., "
            "and there are no timbers or sheets."
        )
    dampened = _dampened(system, moistures)
    rows: list[InfluenceRow] = []
    pairs: list[MoistureRow] = []
    threads = linear_algebra_threads(system)
    with threadpool_limits(limits=threads, user_api="blas"), progress_bar(count, progress) as bar:
        for band in settings.bands:
            study = _BandStudy.of(system, band, parts, dampened, angle_limits, bar.update)
            rows += study.rows()
            pairs += study.moisture(moistures)
    return Influence(
        name or called, tuple(rows), tuple(pairs), (angle_limits[0], angle_limits[1]),
        system.n_unknowns,
    )  # fmt: skip


def _check(moistures: object, limits: object) -> None:
    def pair(value: object, low: float, high: float) -> bool:
        if not (isinstance(value, tuple | list) and len(value) == 2):
            return False
        numbers = all(isinstance(one, int | float) and not isinstance(one, bool) for one in value)
        return numbers and low < value[0] < value[1] < high

    if not pair(moistures, 0.0, np.inf):
        raise SolverError(
            f"moistures is {moistures!r}; the dry and the wet one are needed, water over dry mass, "
            "rising, as (0.08, 0.24)."
        )
    if not pair(limits, 0.0, 90.0):
        raise SolverError(
            f"angle_limits is {limits!r}; two elevations are needed, rising, between 0 and 90 "
            "degrees."
        )


class _Part(NamedTuple):
    """A piece of the house: elements of metal, or bodies of a group of solids."""

    name: str
    kind: Kind
    elements: IntArray
    bodies: IntArray
    reason: str


def _parts(system: System) -> list[_Part]:
    none = np.zeros(0, dtype=np.int64)
    found = []
    for piece in metal_pieces(system.scene):
        elements = elements_of(system, piece)
        lost = [p for p in lost_ports(system, elements) if system.scene.ports[p].is_driven]
        reason = ""
        if lost:
            feed = system.scene.ports[lost[0]]
            reason = f"feed {feed.label} has nothing on one side without it"
        found.append(_Part(piece, "metal", elements, none, reason))
    if system.volume is not None:
        bodies = system.volume.cells.bodies
        for group in system.volume.groups:
            own = np.array([b for b, body in enumerate(bodies) if body.group == group])
            kinds = {bodies[b].kind for b in own}
            kind: Kind = "timber" if "timber" in kinds else "sheet"
            found.append(_Part(group, kind, none, own, ""))
    return found


def _dampened(system: System, moistures: Sequence[float]) -> tuple[Volume, ...]:
    """The solids with all wood at each of the moistures; () without timber."""
    volume = system.volume
    if volume is None or not any(_is_wood(body.sample) for body in volume.cells.bodies):
        return ()
    return tuple(
        volume.with_bodies(
            [
                replace(
                    body, sample=body.sample.with_wood(body.sample.wood.with_moisture(moisture))
                )
                if _is_wood(body.sample)
                else body
                for body in volume.cells.bodies
            ]
        )
        for moisture in moistures
    )


def _is_wood(solid: Any) -> bool:
    return hasattr(getattr(solid, "wood", None), "with_moisture")


@dataclass(frozen=True, eq=False)
class _Variants:
    """All variants at one frequency: currents (V, N, P), and the solids of each."""

    factored: FactoredSystem
    currents: ComplexArray
    volumes: tuple[Volume, ...]

    @classmethod
    def at(
        cls,
        system: System,
        frequency: float,
        parts: Sequence[_Part],
        dampened: Sequence[Volume],
    ) -> _Variants:
        """The whole, then without each part, then with other woods."""
        factored = FactoredSystem.at(system, frequency)
        metal = [part.elements for part in parts if part.kind == "metal" and not part.reason]
        lacking = iter(factored.without_elements(metal))
        currents = [factored.currents]
        if system.volume is None:
            currents += [
                np.full_like(factored.currents, np.nan) if part.reason else next(lacking)
                for part in parts
            ]
            return cls(factored, np.stack(currents), ())
        volumes = [system.volume]
        for part in parts:
            volume = system.volume
            if part.reason:
                currents.append(np.full_like(factored.currents, np.nan))
            elif part.kind == "metal":
                currents.append(next(lacking))
            else:
                volume = volume.without(part.bodies.tolist())
                currents.append(factored.with_solids_of(volume))
            volumes.append(volume)
        for volume in dampened:
            currents.append(factored.with_solids_of(volume))
            volumes.append(volume)
        return cls(factored, np.stack(currents), tuple(volumes))

    def solution(self, variant: int) -> Solution:
        """One of them as a solution at this frequency."""
        return self.factored.solution(self.currents[variant])

    @cached_property
    def impedances(self) -> ComplexArray:
        """At the first driven feed, (V,), NaN where there is none. [ohm]"""
        found = np.full(self.currents.shape[0], complex(np.nan, np.nan))
        for variant in range(found.size):
            if np.isfinite(self.currents[variant]).all():
                found[variant] = self.solution(variant).impedance
        return found

    @cached_property
    def solids(self) -> SolidState | None:
        """What the solids of the whole take at 1 W; None without solids."""
        fields, frequency = self.factored.fields, self.factored.frequency
        if fields is None:
            return None
        unknowns = self.solution(0).driven_unknowns()
        currents = self.factored.system.prepared.basis.combination @ unknowns
        return self.factored.volume.state(currents @ fields.local, currents, frequency)

    def states(self, edges: Sequence[float]) -> list[State]:
        """Impedance, efficiency and shares of each."""
        mesh, basis = self.factored.system.mesh, self.factored.system.prepared.basis
        known = np.flatnonzero(np.isfinite(self.impedances))
        driven = []
        for variant in known:
            driven.append(self.solution(int(variant)).driven_unknowns())
        currents = np.stack([basis.legendre_currents(one, mesh.degree) for one in driven])
        cells = moments = None
        if self.volumes:
            cells = self.volumes[0].cells
            # (3 C, V): one product for all, then each with its own polarisability.
            means = self.factored.means.T @ np.stack(driven, axis=1)
            moments = np.concatenate(
                [
                    self.volumes[variant].cell_moments(means[:, k, None], self.factored.frequency)
                    for k, variant in enumerate(known)
                ],
                axis=2,
            )
        solids = self.solids
        system = self.factored.system
        sketch = FarField(
            self.solution(0).currents(),
            self.factored.frequency,
            system.scene.earth,
            1.0,
            None if solids is None else solids.polarisation,
        )
        grid = PowerByAngle.of(sketch, edges)
        powers = grid.powers(currents, cells=cells, moments=moments)
        found = [NO_STATE] * self.impedances.size
        for variant, watts in zip(known, powers, strict=True):
            total = float(watts.sum())
            low, middle, high = (watts / total).tolist()
            found[variant] = State(complex(self.impedances[variant]), total, (low, middle, high))
        return found


@dataclass(frozen=True, eq=False)
class _BandStudy:
    """One band: variants at its points, the states at its centre."""

    band: Band
    parts: Sequence[_Part]
    centre: _Variants
    states: list[State]
    curves: list[Curve]
    dampened: Sequence[Volume]

    @classmethod
    def of(
        cls,
        system: System,
        band: Band,
        parts: Sequence[_Part],
        dampened: Sequence[Volume],
        angle_limits: tuple[float, float],
        tick: Callable[[], Any],
    ) -> _BandStudy:
        """Solve it."""
        points = points_about(band)
        impedances = []
        centre: _Variants | None = None
        for k, frequency in enumerate(points):
            variants = _Variants.at(system, float(frequency), parts, dampened)
            impedances.append(variants.impedances)
            if k == POINTS // 2:
                centre = variants
            tick()
        if centre is None:  # POINTS is odd
            raise SolverError(f"{band.name}: the centre is not among the points.")
        lowest = -90.0 if system.scene.earth is None else 0.0
        states = centre.states([lowest, *angle_limits, 90.0])
        table = np.stack(impedances, axis=1)
        curves = [Curve(points, row) for row in table]
        return cls(band, parts, centre, states, curves, dampened)

    @cached_property
    def resonance(self) -> Reference:
        """Of the whole."""
        return reference_of(self.curves[0])

    def rows(self) -> list[InfluenceRow]:
        """What each part does, ranked."""
        whole = self.centre.solution(0)
        currents = {one.wire: one for one in wire_currents(whole, 1.0, places_each=CURRENT_PLACES)}
        solids = self.centre.solids
        found = []
        for k, part in enumerate(self.parts, start=1):
            largest, at, point = np.nan, ("", np.nan), (np.nan, np.nan, np.nan)
            if part.kind == "metal":
                own = [w.name for w in whole.scene.wires if w.piece == part.name]
                largest, at = _largest([currents[wire] for wire in own])
                x, y, z = whole.scene.wire(at[0]).position(at[1]).tolist()
                point = (x, y, z)
            shift = Shift(np.nan, part.reason)
            if not part.reason:
                shift = shift_of(self.resonance, self.curves[0], self.curves[k])
            found.append(
                InfluenceRow(
                    band=self.band.name,
                    piece=part.name,
                    kind=part.kind,
                    rank=0,
                    frequency=self.band.centre,
                    whole=self.states[0],
                    without=self.states[k],
                    resonance=self.resonance,
                    shift=shift,
                    current=largest,
                    current_at=at,
                    watts=solids.losses[part.name] if solids and part.bodies.size else np.nan,
                    reason=part.reason,
                    current_point=point,
                )
            )
        found.sort(key=lambda row: (row.effect != row.effect, -row.effect))
        return [replace(row, rank=rank) for rank, row in enumerate(found, start=1)]

    def moisture(self, moistures: tuple[float, float]) -> list[MoistureRow]:
        """The dry and wet pair; none without timber."""
        if not self.dampened:
            return []
        first = 1 + len(self.parts)
        dry, wet = self.curves[first], self.curves[first + 1]
        dry_watts, wet_watts = (self._timber_watts(first + k) for k in range(2))
        to_dry = shift_of(self.resonance, self.curves[0], dry)
        to_wet = shift_of(self.resonance, self.curves[0], wet)
        shift = Shift(to_wet.by - to_dry.by, to_dry.reason or to_wet.reason)
        return [
            MoistureRow(
                band=self.band.name,
                frequency=self.band.centre,
                dry_moisture=float(moistures[0]),
                wet_moisture=float(moistures[1]),
                dry=self.states[first],
                wet=self.states[first + 1],
                dry_watts=dry_watts,
                wet_watts=wet_watts,
                resonance=self.resonance,
                shift=shift,
            )
        ]

    def _timber_watts(self, variant: int) -> float:
        centre = self.centre
        fields = centre.factored.fields
        if fields is None or not centre.volumes:
            raise SolverError("There are no timbers or sheets in this scene.")
        unknowns = centre.solution(variant).driven_unknowns()
        local = centre.factored.system.prepared.basis.combination @ unknowns
        frequency = centre.factored.frequency
        volume = centre.volumes[variant]
        each = volume.losses(local @ fields.local, local, frequency)
        is_wood = np.array([_is_wood(body.sample) for body in volume.cells.bodies])
        return float(each[is_wood].sum())


def _largest(currents: Sequence[WireCurrent]) -> tuple[float, tuple[str, float]]:
    """The greatest current of some wires [A], and (wire, distance [m])."""
    best, at = np.nan, ("", np.nan)
    for one in currents:
        k = int(np.argmax(np.abs(one.current)))
        size = float(np.abs(one.current[k]))
        if not size <= best:
            best, at = size, (one.wire, float(one.distances[k]))
    return best, at
