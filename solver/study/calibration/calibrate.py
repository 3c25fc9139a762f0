"""`calibrate`: the most likely attic after what an analyser read, and how far that is sure."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from threadpoolctl import threadpool_limits

from ....geometry import AtticFileError
from ....geometry.lengths import Length, LengthLike, metres
from ....geometry.plan import AtticPlan
from ...answer import linear_algebra_threads, progress_bar
from ...bands import Band
from ...errors import PriorError, ReadingError, SolverError
from ...settings import read_settings
from ...station.line import Line
from ..model.attic_model import AtticModel
from ..model.modelling import ModelEffort, Modelling
from ..readings import Readings, read_readings
from ..unknowns import Unknowns, apply
from .doubts import cautions_of
from .posterior import Posterior, fit
from .records import Calibration, Caution, Fitted, rows_of
from .visits import Visit

MOST_PER_BAND = 9
"""Readings of a visit used on a band: the reflection coefficient is smooth there, and the model's
own error is shared by all of them."""

FIT_STEPS = 10
"""Steps of a fit, about."""


def calibrate(
    plan: AtticPlan,
    readings: Any,
    *,
    lengths: Mapping[str, LengthLike] | None = None,
    line: Line | str | None = None,
    unknowns: Mapping[str, Any] | Unknowns | None = None,
    bands: Sequence[Band | str | Sequence[float]] | str | Band | None = None,
    reference: float | None = None,
    seed: int = 0,
    progress: bool | None = None,
    announce: Callable[[ModelEffort], None] | None = None,
    name: str | None = None,
) -> Calibration:
    """Learn from readings what an attic is most likely like.

    Parameters
    ----------
    plan : AtticPlan
        From `read_attic`, with an antenna of elements.
    readings : Readings, whatever `read_readings` takes, or sequence of Visit
        What an analyser read at the feed point; of several visits, between which elements were
        cut, a `Visit` each.
    lengths : mapping, optional
        Of elements when it was read, "8.2 m"; those not named are as in the file. [m]
    line : Line or str, optional
        That it was read at the end of, as "12 m of RG-58"; its effect is taken away.
    unknowns : mapping or Unknowns, optional
        As for `unknowns_of`; what the file says and the defaults where left out.
    bands : optional
        As for `answer`; the file's where left out. Those without readings are left alone.
    reference : float, optional
        What SWR refers to; 50 unless told. [ohm]
    seed : int
        Of the cables that nobody told.
    progress : bool, optional
        Show a bar with the time left; None: if it takes more than a second.
    announce : callable, optional
        Called with what it will take, before the long part starts.
    name : str, optional
        What to call the result.

    Returns
    -------
    Calibration

    Raises
    ------
    ReadingError
        If readings cannot be used, lie in no band, or an element that has a length is none.
    PriorError, BandError, AtticFileError, SolverError
        As for `unknowns_of`, `answer` and `read_attic`.

    Notes
    -----
    The least of bounded, regularised squares of what the complex reflection coefficient is missed
    by, with the gradients of the model; see `posterior`. Readings in no band are left out, and of
    many on one band `MOST_PER_BAND` are used, evenly spread; both are told.
    """
    if not isinstance(plan, AtticPlan):
        raise SolverError(f"plan is {plan!r}; calibrate takes what read_attic(path) gives.")
    visits = _visits(readings, lengths, line, reference)
    told, visits, ranges = _with_lengths(plan, visits)
    settings = read_settings(plan, bands=bands, reference=reference)
    visits, inside, left_out = _within(visits, settings.bands, plan)
    visits, notes = _thinned(visits, inside)
    modelling = Modelling.of(
        told, inside, unknowns=unknowns, ranges=ranges,
        reference=visits[0].readings.reference, seed=seed,
    )  # fmt: skip
    _require_unknowns(modelling.unknowns)
    if announce is not None:
        announce(modelling.effort)
    with progress_bar(
        modelling.ticks + FIT_STEPS, progress, doing="calibrating", unit="step"
    ) as bar:
        model = modelling.build(tick=bar.update)
        threads = linear_algebra_threads(model.lengths.pool.system)
        with threadpool_limits(limits=threads, user_api="blas"):
            for band in inside:
                model.band(band, with_watts=False, tick=bar.update)
            return calibration_of(
                model, visits, told=told, left_out=left_out, notes=notes, tick=bar.update,
                name=name or Path(plan.file.name).stem,
            )  # fmt: skip


def calibration_of(
    model: AtticModel,
    visits: Sequence[Visit],
    *,
    told: AtticPlan | None = None,
    left_out: Sequence[Caution] = (),
    notes: Sequence[str] = (),
    name: str = "attic",
    tick: Callable[[], object] = lambda: None,
) -> Calibration:
    """The same with a model that is there already.

    Parameters
    ----------
    model : AtticModel
        Whose bands hold all frequencies read.
    visits : sequence of Visit
    told : AtticPlan, optional
        What the values are put in; the model's where left out.
    left_out, notes : sequence, optional
        What is known already.
    name : str
    tick : callable
        Called each time the model is asked.
    """

    def step() -> None:
        tick()

    posterior = fit(model, visits, tick=step)
    base = model.plan if told is None else told
    plan, more = plan_of(base, posterior)
    said = [note for visit in visits for note in visit.readings.notes]
    return Calibration(
        name=name,
        plan=plan,
        told=base,
        rows=rows_of(model.unknowns, posterior),
        posterior=posterior,
        visits=tuple(visits),
        fitted=_fitted(posterior),
        bands=tuple(model.bands),
        warnings=(*left_out, *cautions_of(posterior, tick=step)),
        notes=tuple(dict.fromkeys([*said, *notes, *more])),
        misfit=posterior.misfit,
        prior_misfit=posterior.prior_misfit,
        numbers=posterior.data.size,
    )


def plan_of(told: AtticPlan, posterior: Posterior) -> tuple[AtticPlan, list[str]]:
    """The plan with the most likely values put in, rounded to what a tape shows, and what it
    cannot say; as it was told where the values do not fit together."""
    model, notes = posterior.data.model, []
    values: dict[str, float] = {}
    lengths: dict[str, LengthLike] = {}
    for one, score in zip(model.unknowns, posterior.scores, strict=True):
        spread = one.distribution
        value = spread.value(float(score))
        if one.kind == "lead":
            notes.append(
                f"{one.name} of {one.in_words(value)}: an attic file cannot say it, the posterior "
                "keeps it"
            )
        elif one.kind == "length":
            lengths[one.key], more = _lengthened(told, one.key, value)
            notes += more
        else:
            value = round(value, 3) if one.unit == "m" else float(f"{value:.4g}")
            values[one.name] = min(max(value, spread.least), spread.most)
    try:
        plan = apply(told, values, unknowns=model.asked)
        if lengths:
            plan = plan.with_element_length(**lengths)
        _ = plan.scene()
    except (PriorError, AtticFileError) as error:
        return told, [*notes, f"the plan is as it was told, since the values do not fit: {error}"]
    return plan, notes


def _lengthened(told: AtticPlan, element: str, by: float) -> tuple[Length, list[str]]:
    """Electrical length of an element to a millimetre, no longer than its way."""
    antenna = told.antenna
    if antenna is None:
        raise SolverError(f"There is no [antenna] with an element {element!r}.")
    own = antenna.element(element)
    room = own.room(antenna.feed_point)
    length = next(wire.length for wire in told.wires if wire.name == element)
    found = round(length * (1.0 + by), 3)
    as_told = Length(length if own.length is None else own.length)
    if found <= room:
        return as_told.with_value(found), []
    note = f"length of {element}: its way ends at {room:.2f} m, so that the plan says no more"
    return as_told.with_value(room), [note]


# ---- what is given -----------------------------------------------------------------------


def _visits(
    given: Any, lengths: Mapping[str, LengthLike] | None, line: Line | str | None,
    reference: float | None,
) -> list[Visit]:  # fmt: skip
    own: dict[str, Any] = dict(lengths or {})
    listed = list(given) if isinstance(given, list | tuple) else []
    if listed and all(isinstance(one, Visit) for one in listed):
        several = [
            replace(
                one,
                readings=read_readings(one.readings, reference=reference, line=line),
                lengths=own | dict(one.lengths),
            )
            for one in listed
        ]
    elif isinstance(given, Visit):
        return _visits([given], lengths, line, reference)
    else:
        several = [Visit(read_readings(given, reference=reference, line=line), own)]
    to = several[0].readings.reference
    return [replace(one, readings=one.readings.renormalised(to)) for one in several]


def _with_lengths(
    plan: AtticPlan, visits: Sequence[Visit]
) -> tuple[AtticPlan, list[Visit], dict[str, tuple[float, float]]]:
    """The plan as at the last visit, visits with the length of every element, and its range."""
    if plan.antenna is None:
        raise SolverError(
            f"{plan.file.name} has no [antenna] with elements; readings are used for those."
        )
    names = [one.name for one in plan.antenna.elements]
    told = {wire.name: wire.length for wire in plan.wires if wire.name in names}
    for visit in visits:
        for element, length in visit.lengths.items():
            if element not in names:
                raise ReadingError(
                    f"lengths: there is no element {element!r}. Elements are "
                    f"{', '.join(map(repr, names))}; give the length that each had when it was "
                    "read."
                )
            try:
                _ = plan.with_element_length(**{element: length}).scene()
            except (ValueError, TypeError) as error:
                raise ReadingError(
                    f"lengths: {element!r} cannot have been {length!r}: {error}"
                ) from error
    full = [
        Visit(v.readings, told | {n: metres(Length(x)) for n, x in v.lengths.items()})
        for v in visits
    ]
    ranges = {n: (min(v.lengths[n] for v in full), max(v.lengths[n] for v in full)) for n in names}
    last = {n: x for n, x in visits[-1].lengths.items() if full[-1].lengths[n] != told[n]}
    return (plan.with_element_length(**last) if last else plan), full, ranges


def _within(
    visits: Sequence[Visit], bands: Sequence[Band], plan: AtticPlan
) -> tuple[list[Visit], list[Band], list[Caution]]:
    """Visits with their readings in bands alone, bands with readings, and what was left out."""
    kept: list[Visit] = []
    outside: list[float] = []
    for visit in visits:
        read = visit.readings
        inside = np.zeros(read.frequencies.size, dtype=bool)
        for band in bands:
            inside |= _in_band(read.frequencies, band)
        outside += [float(f) for f in read.frequencies[~inside]]
        if inside.any():
            kept.append(replace(visit, readings=_some(read, inside)))
    cure = (
        f"This calibration is for {', '.join(map(str, bands))}; add theirs to [bands] of "
        f"{plan.file.name}, or name other bands or ranges."
    )
    if not kept:
        raise ReadingError(f"No reading lies in a band: {_megahertz(outside)} do not. {cure}")
    cautions = []
    if outside:
        cautions.append(
            Caution(
                "left out",
                f"{_megahertz(outside)}: in none of the bands, so left out. {cure}",
            )
        )
    used = [b for b in bands if any(_in_band(v.readings.frequencies, b).any() for v in kept)]
    return kept, used, cautions


def _in_band(frequencies: np.ndarray, band: Band) -> np.ndarray:
    return (frequencies >= band.low * (1 - 1e-9)) & (frequencies <= band.high * (1 + 1e-9))


def _some(read: Readings, which: np.ndarray) -> Readings:
    """Those readings alone."""
    if which.all():
        return read
    columns = ("frequencies", "reflection", "magnitude", "magnitude_sd", "phase_sd_deg")
    return replace(read, **{name: getattr(read, name)[which] for name in columns})


def _megahertz(frequencies: Sequence[float]) -> str:
    each = sorted({f"{f / 1e6:.6g}" for f in frequencies}, key=float)
    if len(each) > 6:
        return f"{len(each)} frequencies from {each[0]} to {each[-1]} MHz"
    return f"{', '.join(each)} MHz"


def _thinned(visits: Sequence[Visit], bands: Sequence[Band]) -> tuple[list[Visit], list[str]]:
    """Visits with no more than `MOST_PER_BAND` readings a band, and what was done."""
    found, notes = [], []
    for visit in visits:
        f = visit.readings.frequencies
        keep = np.zeros(f.size, dtype=bool)
        for band in bands:
            inside = np.flatnonzero(_in_band(f, band))
            few = np.linspace(0, inside.size - 1, min(inside.size, MOST_PER_BAND)).round()
            keep[inside[few.astype(np.int64)]] = True
            if inside.size > MOST_PER_BAND:
                notes.append(
                    f"{visit.readings.source}: of {inside.size} readings on {band.name} "
                    f"{MOST_PER_BAND} were used, evenly spread; the others say the same"
                )
        found.append(replace(visit, readings=_some(visit.readings, keep)))
    return found, notes


def _require_unknowns(unknowns: Unknowns) -> None:
    if not any(one.kind != "cables" for one in unknowns):
        raise SolverError(
            "Nothing is unknown of this attic, so there is nothing to learn. Take back some of "
            'what [unknowns] or unknowns= says is "known".'
        )


def _fitted(posterior: Posterior) -> Fitted:
    data = posterior.data
    bands = tuple(data.model.band_at(float(f)).name for f in data.frequencies)
    return Fitted(
        data.frequencies, data.visit, bands, data.reflection,
        data.reflections(data.model.middle), data.reflections(posterior.state), data.has_phase,
        data.noise, data.reference,
    )  # fmt: skip
