"""`prune`: given readings and targets, what to cut or add on which element, all at once."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from threadpoolctl import threadpool_limits

from ....geometry import GeometryError, Length, metres
from ....geometry.plan import AtticPlan
from ...answer import progress_bar
from ...bands import Band
from ...errors import ReadingError, TargetError
from ...moments.basis import FloatArray, IntArray
from ..calibration.posterior import Data, Posterior, fit, fitted
from ..calibration.visits import Visit
from ..model.attic_model import AtticModel
from ..model.modelling import ModelEffort, Modelling
from ..readings import Readings, read_readings
from ..unknowns import Unknowns
from .aim import Houses, Miss
from .coach import DRAWS, NextLengths, next_lengths, possible_houses
from .records import CHANCE_OF_DONE, Advice, BandCurve, Cut, Expected, three
from .targets import Target, read_targets, targets_of

__all__ = ["next_advice", "prune"]

SHORTEST, LONGEST = 0.8, 1.06
"""Of the length that an element has: as far as one set of readings is followed."""

CURVE_POINTS = 7

WORTH_TELLING = 1.0
"""Reactance of a lead that is worth a word. [ohm]"""

IMPROBABLE = 2.0
"""Square of what is missed over its spread, for each number read: above this the readings are no
house's that the unknowns allow."""

UNBELIEVABLE = 25.0
"""The same: above this nothing is cut on such readings."""

MOST_MARGIN = 0.5
"""Wire left beyond a new end. [m]"""

INSULATED_MARGIN = 0.03
"""To strip an insulated end and fold it back. Common practice. [m]"""


@dataclass(frozen=True, eq=False)
class Reach:
    """What may be done to the elements.

    Attributes
    ----------
    low, high : (E,) float
        Shortest and longest they may become; equal where an end is out of reach. [m]
    margins : (E,) float
        [m]
    units : mapping of str to Length
        The lengths as told, for their units.
    visits : tuple of Visit
    targets : tuple of Target
    """

    low: FloatArray
    high: FloatArray
    margins: FloatArray
    units: Mapping[str, Length]
    visits: tuple[Visit, ...]
    targets: tuple[Target, ...]


def prune(
    plan: AtticPlan,
    readings: Any,
    targets: Mapping[str, Any] | Sequence[Target] | None = None,
    *,
    lengths: Mapping[str, Any] | None = None,
    reachable: Sequence[str] | None = None,
    margin: float | str | None = None,
    unknowns: Mapping[str, Any] | Unknowns | None = None,
    line: Any = None,
    reference: float | None = None,
    seed: int = 0,
    progress: bool | None = None,
    announce: Callable[[ModelEffort], None] | None = None,
    like: Advice | None = None,
    name: str | None = None,
) -> Advice:
    """What to cut or add on which element, so that every band is where it is wanted.

    Parameters
    ----------
    plan : AtticPlan
        The attic, with lengths as they are.
    readings
        What the analyser reads now: anything that `read_readings` takes, or a sequence of `Visit`
        with the lengths at each.
    targets : optional
        By band, ``{"40 m": "resonant at 7.1 MHz"}``; the file's table [targets] where left out.
    lengths : mapping, optional
        Lengths of elements when it was read, where the file does not have them. [m]
    reachable : sequence of str, optional
        Elements whose ends can be got at; all where left out.
    margin : length, optional
        Wire to leave beyond the new end; 3 cm for insulated wire, none for bare, where left out.
        [m]
    unknowns : optional
        What is not known of the house, as for `unknowns_of`.
    line : optional
        Between analyser and feed point, as for `read_readings`.
    reference : float, optional
        Of SWR and reflection, as for `read_readings`. [ohm]
    seed : int
        Of cables that nobody told of, and of what is drawn at random.
    progress : bool, optional
        Show a bar with the time left; None: if it takes more than a second.
    announce : callable, optional
        Called with what it will take, before the long part starts.
    like : Advice, optional
        Of the same plan, bands, unknowns and lengths: its model of the house is taken over.
    name : str, optional

    Returns
    -------
    Advice
        Its method `after` takes the next reading in.

    Raises
    ------
    TargetError
        If a target cannot be read, or targets contradict each other.
    ReadingError
        If the readings cannot be used, or none of them lies in a target's band.
    AtticFileError, GeometryError, PriorError, SolverError
        As for `answer` and `unknowns_of`.

    Notes
    -----
    The house is fitted to all readings (`calibrate` says how); lengths are then sought that meet
    the targets in the most likely one.  Of 24 houses that the readings leave possible, a cut goes
    no further than would be right in 99 %, less a third of a per cent of the length: wire that is
    off cannot be put back, and the next reading tells more. Readings that are missed by more than
    five times what noise and unknowns explain are no ground to cut anything.
    """
    if not isinstance(plan, AtticPlan) or plan.antenna is None:
        Modelling.of(plan)  # says what is missing
    if margin is not None and not 0.0 <= metres(margin) <= MOST_MARGIN:
        raise TargetError(
            f"margin is {margin!r}; wire to leave beyond a new end is 0 to {MOST_MARGIN:g} m."
        )
    from ...settings import read_settings

    bands = read_settings(plan).bands
    wanted = targets_of(plan, bands) if targets is None else read_targets(targets, bands)
    visits = _visits(readings, lengths, line=line, reference=reference)
    chosen = [band for band in bands if any(t.band == band.name for t in wanted)]
    visits = tuple(Visit(_within(v.readings, chosen), v.lengths) for v in visits)
    told = {wire.name: wire.length for wire in plan.wires}
    now = {one: told[one] for one in _elements(plan)}
    for visit in visits:
        _check_names(visit.lengths, now)
    now.update({one: float(value) for one, value in visits[-1].lengths.items()})
    ends = _reachable(reachable, now)
    ranges = _ranges(plan, visits, now, ends)
    modelling = Modelling.of(plan, chosen, unknowns=unknowns, ranges=ranges, seed=seed)
    model = None if like is None else like.posterior.data.model
    if model is None or not modelling.is_of(model):
        if announce is not None:
            announce(modelling.effort)
        with progress_bar(modelling.ticks, progress) as bar:
            model = modelling.build(tick=bar.update)
            for band in model.bands:
                model.band(band, with_watts=False, tick=bar.update)
    reach = _reach(plan, model, modelling.ranges, ends, margin, visits, wanted)
    with threadpool_limits(limits=1, user_api="blas"):
        return _advice(model, reach, name=name or plan.file.name, seed=seed)


def next_advice(
    before: Advice,
    readings: Any,
    *,
    lengths: Mapping[str, Any] | None = None,
    line: Any = None,
    seed: int = 0,
) -> Advice:
    """Advice after one more reading; see `Advice.after`."""
    model, reach = before.posterior.data.model, before._reach
    own = {cut.element: float(cut.next) for cut in before.cuts}
    kept = {**dict(reach.visits[-1].lengths), **own}
    _check_names(lengths or {}, dict.fromkeys(model.names, 0.0))
    kept.update({one: metres(value) for one, value in (lengths or {}).items()})
    (visit,) = _visits(readings, kept, line=line, reference=None)
    visit = Visit(_within(visit.readings, model.bands), visit.lengths)
    for k, one in enumerate(model.names):
        value = kept.get(one, float(model.told[k]))
        if not reach.low[k] - 1e-6 <= value <= reach.high[k] + 1e-6:
            raise GeometryError(
                f"Element {one!r} is now {value:g} m; this advice was made for {reach.low[k]:g} "
                f"to {reach.high[k]:g} m. Begin anew with prune and the length in the file."
            )
    following = Reach(
        reach.low, reach.high, reach.margins, reach.units, (*reach.visits, visit), reach.targets
    )
    start = before.posterior.scores
    with threadpool_limits(limits=1, user_api="blas"):
        return _advice(model, following, name=before.name, seed=seed, start=start)


# ---- what is asked ---------------------------------------------------------------------------


def _elements(plan: AtticPlan) -> list[str]:
    return [] if plan.antenna is None else [one.name for one in plan.antenna.elements]


def _check_names(given: Mapping[str, Any], known: Mapping[str, Any]) -> None:
    for one in given:
        if one not in known:
            raise GeometryError(
                f"There is no element {one!r}; there are: {', '.join(map(repr, known))}."
            )


def _visits(
    readings: Any, lengths: Mapping[str, Any] | None, *, line: Any, reference: float | None
) -> tuple[Visit, ...]:
    several = isinstance(readings, list | tuple) and readings
    if several and all(isinstance(one, Visit) for one in readings):
        return tuple(readings)
    if isinstance(readings, Visit):
        return (readings,)
    found = read_readings(readings, line=line, reference=reference)
    return (Visit(found, {one: metres(value) for one, value in (lengths or {}).items()}),)


def _within(readings: Readings, bands: Sequence[Band]) -> Readings:
    """Those in some bands; one at least is needed in each.

    Raises
    ------
    ReadingError
        If a band has none.
    """
    parts: list[Readings] = []
    for band in bands:
        inside = (readings.frequencies >= band.low) & (readings.frequencies <= band.high)
        if not inside.any():
            low, high = readings.frequencies.min() / 1e6, readings.frequencies.max() / 1e6
            raise ReadingError(
                f"No reading lies in {band}, for which there is a target; they run from {low:g} "
                f"to {high:g} MHz. Read a few points there, or leave the target out."
            )
        parts.append(readings.within(band.low, band.high))
    found = parts[0]
    for more in parts[1:]:
        found = found.joined(more)
    return found


def _reachable(given: Sequence[str] | None, now: Mapping[str, float]) -> tuple[str, ...]:
    if given is None:
        return tuple(now)
    wanted = (given,) if isinstance(given, str) else tuple(given)
    _check_names(dict.fromkeys(wanted), now)
    if not wanted:
        raise TargetError("No end can be reached: there is nothing to cut. Name one at least.")
    return wanted


def _ranges(
    plan: AtticPlan,
    visits: Sequence[Visit],
    now: Mapping[str, float],
    ends: Sequence[str],
) -> dict[str, tuple[float, float]]:
    """Lengths that the model must know, as far as the ways go."""
    antenna = plan.antenna
    found = {}
    for one, length in now.items():
        seen = [length, *(float(v.lengths[one]) for v in visits if one in v.lengths)]
        low, high = min(seen), max(seen)
        if one in ends and antenna is not None:
            room = antenna.element(one).room(antenna.feed_point)
            low = min(low, SHORTEST * length)
            high = max(high, min(room, LONGEST * length))
        found[one] = (low, high)
    return found


def _reach(
    plan: AtticPlan,
    model: AtticModel,
    ranges: Mapping[str, tuple[float, float]],
    ends: Sequence[str],
    margin: float | str | None,
    visits: tuple[Visit, ...],
    targets: tuple[Target, ...],
) -> Reach:
    now = dict(zip(model.names, map(float, model.told), strict=True))
    now.update(visits[-1].lengths)
    low = np.array([ranges[one][0] if one in ends else now[one] for one in model.names])
    high = np.array([ranges[one][1] if one in ends else now[one] for one in model.names])
    wires = {wire.name: wire for wire in plan.wires}
    own = [0.0 if wires[one].jacket is None else INSULATED_MARGIN for one in model.names]
    margins = np.array(own) if margin is None else np.full(len(own), metres(margin))
    antenna = plan.antenna
    told = {} if antenna is None else {one.name: one.length for one in antenna.elements}
    units = {one: Length(now[one], getattr(told.get(one), "unit", "m")) for one in model.names}
    return Reach(low, high, margins, units, visits, targets)


# ---- what is said ----------------------------------------------------------------------------


def _advice(
    model: AtticModel, reach: Reach, *, name: str, seed: int, start: FloatArray | None = None
) -> Advice:
    targets, visits = reach.targets, reach.visits
    # known from the readings before, and near, where there is a start
    posterior = fit(model, visits) if start is None else fitted(Data.of(model, visits), start=start)
    now = posterior.data.lengths[-1]
    free = np.flatnonzero(reach.high - reach.low > 1e-6)
    likely = Houses(model, targets, [posterior.state])
    possible = Houses(model, targets, possible_houses(model, posterior, DRAWS, seed))
    found = next_lengths(likely, possible, now, low=reach.low, high=reach.high)
    here = likely.miss(0, now)
    standing = possible.misses(now, here.slope)
    chance_now = float((np.abs(standing) <= 1.0).all(axis=1).mean())
    believed = posterior.misfit <= UNBELIEVABLE * posterior.data.size
    if chance_now >= CHANCE_OF_DONE or not believed:
        found = _stay(found, standing)
    there = likely.miss(0, found.next)
    expected = tuple(
        _expected(model, target, t, standing, found.misses, here, there)
        for t, target in enumerate(targets)
    )
    plan = model.plan.with_element_length(
        **{
            one: reach.units[one].with_value(round(float(found.next[k]), 4))
            for k, one in enumerate(model.names)
            if k in free
        }
    )
    return Advice(
        name=name,
        plan=plan,
        targets=targets,
        cuts=_cuts(model, reach, found, here, free),
        out_of_reach=tuple(one for k, one in enumerate(model.names) if k not in free),
        expected=expected,
        curves=_curves(model, posterior, now, found.next),
        chance_now=chance_now,
        chance_after=found.chance,
        visits=len(visits),
        is_believed=believed,
        warnings=_warnings(model, reach, posterior, found, free),
        posterior=posterior,
        lengths=found,
        _reach=reach,
    )


def _stay(found: NextLengths, standing: FloatArray) -> NextLengths:
    """Leave all as it is."""
    return NextLengths(
        found.now, found.best, found.now.copy(), found.low, found.high, standing, found.aim
    )


def _expected(
    model: AtticModel,
    target: Target,
    t: int,
    now: FloatArray,
    after: FloatArray,
    here: Miss,
    there: Miss,
) -> Expected:
    f, step = target.frequency, target.tolerance * target.frequency
    return Expected(
        target,
        three(f - step * now[:, t]),
        three(f - step * after[:, t]),
        complex(here.resistance[t], here.reactance[t]),
        complex(there.resistance[t], there.reactance[t]),
        {one: float(-step * here.by_length[t, k]) for k, one in enumerate(model.names)},
        bool(abs(here.value[t]) <= 1.0),
        bool(abs(there.value[t]) <= 1.0),
    )


def _cuts(
    model: AtticModel, reach: Reach, found: NextLengths, here: Miss, free: IntArray
) -> tuple[Cut, ...]:
    """The greatest effect first."""
    change = found.next - found.now
    effect = here.by_length * change  # (T, E), tolerances
    order = sorted(free, key=lambda k: -float(np.abs(effect[:, k]).max()))
    cuts = []
    for place, k in enumerate(order, start=1):
        one = model.names[k]
        unit = reach.units[one]
        cuts.append(
            Cut(
                element=one,
                now=unit.with_value(float(found.now[k])),
                next=unit.with_value(float(found.next[k])),
                best=float(found.best[k]),
                low=float(found.low[k]),
                high=float(found.high[k]),
                margin=unit.with_value(min(float(reach.margins[k]), max(0.0, -float(change[k])))),
                order=place,
                reason=_reason(reach, found, effect, here, k),
            )
        )
    return tuple(cuts)


def _reason(reach: Reach, found: NextLengths, effect: FloatArray, here: Miss, k: int) -> str:
    unit = list(reach.units.values())[k]
    at_end = min(found.best[k] - reach.low[k], reach.high[k] - found.best[k]) < 1e-3
    if found.next[k] == found.now[k]:
        if abs(found.best[k] - found.now[k]) < 0.01:
            return "it is as long as it should be"
        return (
            f"it may be right anywhere from {unit.with_value(found.low[k])} to "
            f"{unit.with_value(found.high[k])}: too unsure to cut"
        )
    parts = []
    for t in np.argsort(-np.abs(effect[:, k])):
        target = reach.targets[t]
        moved = -effect[t, k] * target.tolerance * target.frequency
        if abs(effect[t, k]) < 0.1:
            continue
        parts.append(f"{target.band} by {moved / 1e3:+.0f} kHz")
    text = "moves " + ", ".join(parts) if parts else "moves little"
    if at_end:
        text += "; one round goes no further, to see what the analyser says then"
    left = found.next[k] - found.best[k]
    if left > 0.002 * found.best[k] and found.next[k] < found.now[k]:
        text += (
            f"; {unit.with_value(left)} of what would be right is left on, since it may be "
            f"anywhere from {unit.with_value(found.low[k])} to {unit.with_value(found.high[k])}"
        )
    return text


def _curves(
    model: AtticModel, posterior: Posterior, now: FloatArray, after: FloatArray
) -> tuple[BandCurve, ...]:
    found = []
    for band in model.bands:
        ready, state = model.band(band), posterior.state
        points = np.linspace(band.low, band.high, CURVE_POINTS)
        each = []
        for f in map(float, points):
            eliminated = ready.eliminated(f, state)
            each.append([ready.impedance(f, x, state, eliminated=eliminated) for x in (now, after)])
        values = np.array(each)
        found.append(BandCurve(band.name, points, values[:, 0], values[:, 1]))
    return tuple(found)


def _warnings(
    model: AtticModel, reach: Reach, posterior: Posterior, found: NextLengths, free: IntArray
) -> tuple[str, ...]:
    wide = posterior.misfit / posterior.data.size
    if wide > UNBELIEVABLE:
        return (
            f"The readings are missed by {np.sqrt(wide):.0f} times what noise and unknowns "
            "explain, so nothing is cut on them: they are not of this antenna as it is told. "
            "Compare lengths, elements and radials with the file, the analyser's port and units, "
            "and see what `calibrate` says may be wrong.",
        )
    told: list[str] = []
    if not found.aim.is_met:
        missed = [
            str(target)
            for target, value in zip(reach.targets, found.aim.miss.value, strict=True)
            if abs(value) > 1.0
        ]
        at_end = [
            model.names[k] for k in free
            if min(found.best[k] - reach.low[k], reach.high[k] - found.best[k]) < 1e-3
        ]  # fmt: skip
        why = "no lengths of the ends that can be reached meet all at once"
        if at_end:
            why = (
                f"{' and '.join(map(repr, at_end))} would have to be longer or shorter than the "
                "way, or one round, allows"
            )
        told.append(
            f"Not met by any lengths: {'; '.join(missed)}: {why}. What is proposed comes nearest."
        )
    if len(free) < len(reach.targets):
        told.append(
            f"{len(reach.targets)} targets, and {len(free)} end"
            f"{'s' * (len(free) != 1)} that can be reached: they are met as far as that goes."
        )
    if wide > IMPROBABLE:
        told.append(
            f"The readings are missed by {np.sqrt(wide):.1f} times what noise and unknowns "
            "explain; what is unsure was widened by as much. `calibrate` says what may be wrong "
            "with them."
        )
    lead = model.lead(posterior.scores)
    if lead * 2.0 * np.pi * max(t.frequency for t in reach.targets) > WORTH_TELLING:
        ohms = ", ".join(
            f"{2.0 * np.pi * t.frequency * lead:.0f} ohm on {t.band}" for t in reach.targets
        )
        told.append(
            f"The house that fits best has a lead of {1e6 * lead:.2f} uH at the feed point, of "
            "which an attic file cannot tell: answering the new file gives a reactance lower by "
            f"{ohms}, and knows nothing of the readings."
        )
    falling = [
        target.band
        for target, slope in zip(reach.targets, found.aim.miss.slope, strict=True)
        if slope < 0.0
    ]
    if falling:
        told.append(
            f"On {', '.join(falling)} the reactance falls with frequency where it is wanted: that "
            "is the high-resistance resonance, not the low one."
        )
    return tuple(told)
