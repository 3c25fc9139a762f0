"""`search`: lengths, and choices, that meet a goal on all bands."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
from threadpoolctl import threadpool_limits

from ....geometry.mesh import build_mesh
from ....geometry.plan import AtticPlan
from ...answer import progress_bar
from ...band_sweep import count_matrices
from ...bands import Band
from ...effort import estimate_effort
from ...errors import SolverError, TargetError
from ...moments.basis import FloatArray
from ...solve import DEFAULT_TOLERANCE
from ...station.station_tables import read_station
from ..model.attic_model import AtticModel
from ..model.modelling import LENGTH_UNKNOWNS, Modelling
from ..sweep_effort import in_words
from ..unknowns import Unknowns, unknowns_of
from .checking import check
from .judging import Judge, beside
from .outcomes import PreparedModel, band_points
from .quantities import Circumstances
from .running import spend
from .search_records import Checked, FoundLayout, SearchResult
from .search_settings import SearchSettings, settings_of
from .seeking import Purse, Space, Trial
from .varying import Variant, room_of

__all__ = ["SearchEffort", "Searching", "plan_search", "search"]

HOLD = 0.02
"""Part of a length that a model spans where it is not sought."""

APART = 0.02
"""Layouts that are solved in full differ by so much in one length at least. [m]"""

MOST_TRIES = 3
"""Of layouts for each finalist, where some break limits in full."""

SOLVE = 1.5e-3
"""A layout at one frequency in one house. [s]"""

MOST_BYTES = 6e9


def _many(count: int, thing: str) -> str:
    """A number of things."""
    plural = f"{thing[:-2]}ices" if thing.endswith("trix") else f"{thing}s"
    return f"{count:,} {thing if count == 1 else plural}"


def _left_out(unfit: Sequence[str]) -> str:
    """Of combinations of choices that do not fit, how many and why the first."""
    do = "does" if len(unfit) == 1 else "do"
    return f"{_many(len(unfit), 'combination')} of choices {do} not fit: {unfit[0]}"


@dataclass(frozen=True)
class SearchEffort:
    """What a search is about to do.

    Attributes
    ----------
    models : int
        One for each combination of choices.
    states : int
        Of the house, that each model is made of.
    bands, matrices : int
    unknowns : int
        About so many.
    houses : int
        That each layout is looked at in.
    budget, finalists : int
    bytes : float
        Of memory, about.
    seconds : float
        About how long. [s]
    unfit : tuple of str
        Why combinations of choices are left out.
    """

    models: int
    states: int
    bands: int
    matrices: int
    unknowns: int
    houses: int
    budget: int
    finalists: int
    bytes: float
    seconds: float
    unfit: tuple[str, ...] = ()

    def __str__(self) -> str:
        what = f"{_many(self.models, 'model')} of {_many(self.states, 'state')} of the house"
        what += f" on {_many(self.bands, 'band')}: {_many(self.matrices, 'matrix')} of about "
        what += f"{self.unknowns} unknowns; {_many(self.budget, 'solve')}"
        if self.houses > 1:
            what += f", a layout in {self.houses} houses"
        if self.finalists:
            what += f"; {_many(self.finalists, 'layout')} solved in full"
        what += f". Some {in_words(self.seconds)}, {self.bytes / 1e9:.1f} GB of memory"
        return f"{what}. {_left_out(self.unfit).removesuffix('.')}" if self.unfit else what


@dataclass(frozen=True, eq=False)
class Searching:
    """A search before anything is computed.

    Attributes
    ----------
    plan : AtticPlan
    settings : SearchSettings
    unknowns : Unknowns
        That houses are drawn from; none where the house counts as it is told.
    starts : tuple of mapping of str to float
        Lengths to begin with. [m]
    tolerance : float or None
    """

    plan: AtticPlan
    settings: SearchSettings
    unknowns: Unknowns
    starts: tuple[Mapping[str, float], ...] = ()
    tolerance: float | None = DEFAULT_TOLERANCE

    @cached_property
    def _variants(self) -> tuple[tuple[Variant, ...], tuple[str, ...]]:
        return self.settings.varied.variants()

    @property
    def variants(self) -> tuple[Variant, ...]:
        """Combinations of choices that fit the attic."""
        return self._variants[0]

    @property
    def houses(self) -> int:
        """In how many a layout counts: the one that is told, and those drawn."""
        return 1 + self.settings.robust

    @cached_property
    def modellings(self) -> tuple[Modelling, ...]:
        """One a variant."""
        return tuple(
            Modelling.of(
                one.plan, self.settings.bands, unknowns=self.unknowns, ranges=_spans(one),
                reference=self.settings.reference, power=self.settings.power,
                seed=self.settings.seed, tolerance=self.tolerance,
            )
            for one in self.variants
        )  # fmt: skip

    @cached_property
    def effort(self) -> SearchEffort:
        """What it will take."""
        each = [one.effort for one in self.modellings]
        settings, bands = self.settings, self.settings.bands
        places = len(bands) * settings.points * self.houses
        columns = [LENGTH_UNKNOWNS * one.pieces for one in self.modellings]
        memory = sum(2.0 * 16.0 * places * n * n for n in columns)
        plan = self.variants[0].plan
        scene = plan.scene()
        mesh = build_mesh(scene, max(band.high for band in bands))
        full = estimate_effort(
            scene, mesh, bands, matrices=sum(map(count_matrices, bands)),
            frequencies=2 + len(bands),
        ).seconds  # fmt: skip
        seconds = sum(one.seconds for one in each) + settings.finalists * full
        seconds += settings.budget * len(bands) * settings.points * SOLVE
        return SearchEffort(
            len(each), each[0].states, len(bands), sum(one.matrices for one in each),
            max(one.unknowns for one in each), self.houses, settings.budget, settings.finalists,
            memory, seconds, self._variants[1],
        )  # fmt: skip

    def check_effort(self) -> None:
        """Complain where a budget cannot do, or memory cannot hold, what is asked.

        Raises
        ------
        TargetError
        """
        settings = self.settings
        least = 4 * len(self.variants) + 3 * self.houses
        if settings.budget < least:
            raise TargetError(
                f"budget is {settings.budget} solves; {_many(len(self.variants), 'combination')}"
                f" in {_many(self.houses, 'house')} need {least} at least."
            )
        if self.effort.bytes > MOST_BYTES:
            raise TargetError(
                f"The models would take {self.effort.bytes / 1e9:.1f} GB of memory; "
                f"{MOST_BYTES / 1e9:g} are the most. Ask for fewer houses (robust), points a "
                "band, choices, or narrower ranges."
            )

    def run(self, *, progress: bool | None = None) -> SearchResult:
        """Do it; see `search`."""
        self.check_effort()
        began = time.perf_counter()
        settings = self.settings
        judge = self.judge()
        trials: list[Trial] = []
        purse = Purse(settings.budget)
        ticks = sum(one.ticks for one in self.modellings)
        spaces = []
        with progress_bar(ticks, progress, doing="filling", unit="matrix") as bar:
            for number, (variant, modelling) in enumerate(
                zip(self.variants, self.modellings, strict=True)
            ):
                model = modelling.build(tick=bar.update)
                states = [model.middle]
                if settings.robust:
                    states += model.drawn(settings.robust, settings.seed)
                prepared = PreparedModel.of(model, states, settings.points, tick=bar.update)
                low, high = _ends(model, variant)
                spaces.append(Space(number, prepared, judge, low, high, purse, trials))
        with (
            progress_bar(settings.budget, progress, doing="seeking", unit="solve") as bar,
            threadpool_limits(limits=1, user_api="blas"),  # many small matrices
        ):
            purse.tick = bar.update
            spend(
                spaces, purse, houses=self.houses, mixes=self._mixes(), starts=self._begin(spaces),
                seed=settings.seed, told=self._told(spaces),
            )  # fmt: skip
        found = self._result(spaces, trials, purse)
        return replace(
            self._with_checks(found, spaces, judge, progress),
            seconds=time.perf_counter() - began,
        )

    def judge(self) -> Judge:
        """What layouts are held against."""
        settings = self.settings
        return Judge(
            settings.goals,
            tuple(one for one in settings.limits if not one.is_late),
            beside(settings.goals),
            settings.bands,
            np.array([band_points(band, settings.points) for band in settings.bands]),
            Circumstances(settings.reference, settings.power, read_station(self.plan.file)),
        )

    def _mixes(self) -> list[tuple[float, ...]]:
        """Weights of the goals that runs take in turn: as told, then one before the others."""
        own = tuple(goal.weight for goal in self.settings.goals)
        if len(own) == 1:
            return [own]
        return [own, *(tuple(1.0 if k == n else 0.05 for k in range(len(own)))
                       for n in range(len(own)))]  # fmt: skip

    def _begin(self, spaces: Sequence[Space]) -> list[list[FloatArray]]:
        """Lengths to begin with: those given, and those told."""
        found = []
        for space, variant in zip(spaces, self.variants, strict=True):
            names = space.prepared.lengths.names
            own = [np.array([{**variant.told, **one}[name] for name in names])
                   for one in (*self.starts, {})]  # fmt: skip
            found.append([np.clip(one, space.low, space.high) for one in own])
        return found

    def _told(self, spaces: Sequence[Space]) -> tuple[Space, FloatArray] | None:
        """The layout as the file tells it, where it is among those sought."""
        for space, variant in zip(spaces, self.variants, strict=True):
            if variant.has_told:
                names = space.prepared.lengths.names
                return space, np.array([variant.told[name] for name in names])
        return None

    def _result(
        self, spaces: Sequence[Space], trials: Sequence[Trial], purse: Purse
    ) -> SearchResult:
        settings = self.settings
        weights = [goal.weight for goal in settings.goals]
        early = [one.text for one in settings.limits if not one.is_late]
        told = self._told(spaces)
        layouts = []
        for number, trial in enumerate(trials):
            variant = self.variants[trial.space]
            names = spaces[trial.space].prepared.lengths.names
            lengths = dict(zip(names, map(float, trial.lengths), strict=True))
            layouts.append(
                FoundLayout(
                    number, trial.space, variant.choices,
                    {name: lengths[name] for name in variant.ranges},
                    trial.judgement.figures,
                    dict(zip(early, trial.judgement.held, strict=True)),
                    trial.judgement.broken, trial.judgement.score(weights), trial.houses,
                    trial.is_start, _is_told(trial, told),
                )
            )  # fmt: skip
        remarks = [settings.varied.assumed] if settings.varied.assumed else []
        if told is None:
            remarks.append("The layout as the file tells it is outside of what was sought")
        if self._variants[1]:
            remarks.append(_left_out(self._variants[1]))
        return SearchResult(
            self.plan.file.name, settings.varied.parameters, settings.goals,
            beside(settings.goals), settings.limits, settings.bands, tuple(layouts), (),
            self.variants, self.houses, settings.budget, purse.spent, settings.seed,
            settings.reference, settings.power, tuple(remarks),
        )  # fmt: skip

    def _with_checks(
        self,
        found: SearchResult,
        spaces: Sequence[Space],
        judge: Judge,
        progress: bool | None,
    ) -> SearchResult:
        """The best layouts solved in full, until enough of them keep all limits."""
        wanted = self.settings.finalists
        picked: list[FoundLayout] = []
        checked: list[Checked] = []
        passed = 0
        order = list({one.number: one for one in (
            found.best, *found.best_by_goal.values(), *found.ranked())}.values())  # fmt: skip
        with progress_bar(wanted, progress, doing="solving the best", unit="layout") as bar:
            for one in order:
                if passed >= wanted or len(checked) >= MOST_TRIES * wanted:
                    break
                if any(_alike(one, other) for other in picked):
                    continue
                picked.append(one)
                plan = found.plan_of(one.number)
                space = spaces[one.variant]
                lengths = {wire.name: float(wire.length) for wire in plan.wires}
                own = np.array([lengths[name] for name in space.prepared.lengths.names])
                nominal = space.prepared.first(1).outcome(np.clip(own, space.low, space.high))
                checked.append(
                    check(one.number, plan, nominal, judge, self.settings,
                          tolerance=self.tolerance)
                )  # fmt: skip
                if checked[-1].keeps_limits or not one.keeps_limits:
                    passed += 1
                    bar.update()
        return replace(found, checked=tuple(checked))


def _is_told(trial: Trial, told: tuple[Space, FloatArray] | None) -> bool:
    if told is None or trial.space != told[0].number:
        return False
    return bool(np.array_equal(trial.place, told[0].place_of(told[1])))


def _alike(one: FoundLayout, other: FoundLayout) -> bool:
    if one.variant != other.variant:
        return False
    return all(abs(one.lengths[name] - other.lengths[name]) < APART for name in one.lengths)


def _spans(variant: Variant) -> dict[str, tuple[float, float]]:
    """Lengths that a model is made for: those sought, and a little about the others. [m]"""
    found = {}
    for name, length in variant.told.items():
        if name in variant.ranges:
            found[name] = variant.ranges[name]
        else:
            high = min(length * (1.0 + HOLD), room_of(variant.plan, name))
            found[name] = (high * (1.0 - 2.0 * HOLD), high)
    return found


def _ends(model: AtticModel, variant: Variant) -> tuple[FloatArray, FloatArray]:
    """Ranges in the order of the model's elements; the same where a length is held. [m]"""
    own = [variant.ranges.get(name, (variant.told[name],) * 2) for name in model.names]
    low, high = np.array(own).T
    return low, high


def search(
    plan: AtticPlan,
    vary: Mapping[str, Any] | None = None,
    *,
    goal: str | Sequence[str] | Mapping[str, float] | None = None,
    limits: str | Sequence[str] | None = None,
    bands: Sequence[Band | str | Sequence[float]] | str | Band | None = None,
    robust: int | None = None,
    budget: int | None = None,
    seed: int | None = None,
    starts: Sequence[Mapping[str, float]] | None = None,
    points: int | None = None,
    finalists: int | None = None,
    unknowns: Mapping[str, Any] | Unknowns | None = None,
    reference: float | None = None,
    power: float | None = None,
    tolerance: float | None = DEFAULT_TOLERANCE,
    progress: bool | None = None,
    announce: Callable[[SearchEffort], None] | None = None,
) -> SearchResult:
    """Lengths, and choices, that meet a goal on all bands.

    What the file's table [search] says counts where an argument is left out.

    Parameters
    ----------
    plan : AtticPlan
    vary : mapping of str to values, optional
        What may be changed, by the names of sweeps: an element's name, or "element.long.length",
        with a range as "9 m to 14.2 m" or (9, 14.2); all else ("element.long.route",
        "counterpoise.length", "antenna.feed_point") with lists of values or ranges with steps,
        each combination of which is a model of its own. All elements where left out.
    goal : str, sequence of str, or mapping of str to float, optional
        "worst efficiency" where left out; "mean" or "worst" before efficiency, low-angle
        efficiency, low-angle share, system efficiency, swr, feed voltage, with " on 40 m" behind.
        Several make a front; a mapping gives weights.
    limits : str or sequence of str, optional
        "swr < 10", "tuner matched", "feed voltage < 600 V", "low-angle share > 20 %"; on layouts
        solved in full also "wire voltage < 1.5 kV" and "exposure < 100 %".
    bands : optional
        As for `answer`.
    robust : int, optional
        How many houses are drawn from what is not known; goals and limits then count in the worst
        of them and in the one told. None is drawn where left out.
    budget : int, optional
        Solves, 200 where left out: one layout on all bands in one house is one, and one more with
        its derivatives.
    seed : int, optional
        The same seed finds the same.
    starts : sequence of mapping of str to float, optional
        Lengths to begin with, beside those of the plan. [m]
    points : int, optional
        Frequencies of a band for SWR, volts and the tuner; odd, 3 where left out.
    finalists : int, optional
        How many of the best are solved in full in the end; 2 where left out, 0 for none.
    unknowns : optional
        As for `unknowns_of`; for houses drawn.
    reference, power : float, optional
        As for `answer`. [ohm, W]
    tolerance : float, optional
        Of meshes, as for `solve`.
    progress : bool, optional
        Show a bar with the time left; None: if it takes more than a second.
    announce : callable, optional
        Called with what it will take, before the long part starts.

    Returns
    -------
    SearchResult

    Raises
    ------
    TargetError
        If goals, limits or what is varied cannot be, contradict each other, or the budget is too
        small.
    SweepError
        If a name of what is varied leads nowhere, or a value cannot be read.
    AtticFileError, SolverError, PriorError, BandError
    """
    wanted = plan_search(
        plan, vary=vary, goal=goal, limits=limits, bands=bands, robust=robust, budget=budget,
        seed=seed, starts=starts, points=points, finalists=finalists, unknowns=unknowns,
        reference=reference, power=power, tolerance=tolerance,
    )  # fmt: skip
    wanted.check_effort()
    if announce is not None:
        announce(wanted.effort)
    return wanted.run(progress=progress)


def plan_search(
    plan: AtticPlan,
    *,
    starts: Sequence[Mapping[str, float]] | None = None,
    unknowns: Mapping[str, Any] | Unknowns | None = None,
    tolerance: float | None = DEFAULT_TOLERANCE,
    **settings: Any,
) -> Searching:
    """What a search will do; parameters as for `search`, of which it is the first part."""
    if not isinstance(plan, AtticPlan):
        raise SolverError(f"plan is {plan!r}; give what read_attic(path) gives.")
    if plan.antenna is None:
        raise SolverError(
            f"{plan.file.name} has no [antenna] with elements; a search is made for those."
        )
    read = settings_of(plan, **settings)
    known = Unknowns(())
    if read.robust:
        known = unknowns if isinstance(unknowns, Unknowns) else unknowns_of(plan, unknowns)
        if not known:
            raise TargetError("robust draws houses, but all is known; leave it out.")
    elif unknowns is not None:
        raise TargetError("unknowns are for houses drawn; say how many with robust.")
    return Searching(plan, read, known, _read_starts(plan, starts), tolerance)


def _read_starts(plan: AtticPlan, told: Any) -> tuple[Mapping[str, float], ...]:
    if told is None:
        return ()
    if isinstance(told, Mapping) or not all(isinstance(one, Mapping) for one in told):
        raise TargetError(f"starts are {told!r}; give a list of lengths by element.")
    names = () if plan.antenna is None else [one.name for one in plan.antenna.elements]
    for one in told:
        for name, value in one.items():
            if name not in names:
                raise TargetError(
                    f"starts: there is no element {name!r}; there are {', '.join(names)}."
                )
            if not (isinstance(value, int | float) and np.isfinite(value) and value > 0.0):
                raise TargetError(f"starts: {name} = {value!r}; a length in metres is needed.")
    return tuple({name: float(value) for name, value in one.items()} for one in told)
