"""`how_sure`: an answer over all that is not known of its attic."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import linalg
from threadpoolctl import threadpool_limits

from ....geometry.lengths import Length
from ....geometry.plan import AtticPlan
from ...answer import linear_algebra_threads, progress_bar
from ...bands import Band
from ...errors import PriorError, SolverError
from ...moments.basis import FloatArray
from ...settings import read_settings
from ...solve import DEFAULT_TOLERANCE
from ..model.attic_model import AtticModel, HouseState
from ..model.drawn import drawn_solution, drawn_system
from ..model.modelling import ModelEffort, Modelling
from ..sweep_names import resolve, value_at
from ..unknowns import SCORE_LIMIT, Unknowns, sobol_scores, unknowns_of
from .cases import Station, band_points, cases_on_band
from .records import BandSureness, Check, HowSure, groups_for

DEFAULT_COUNT = 64
LEAST_COUNT, MOST_COUNT = 8, 4096
MOST_POINTS = 101

CASE = 0.004
CASE_BY_SQUARE = 0.1
"""One house at one frequency, and more by the square of thousands of unknowns. [s]"""


@dataclass(frozen=True)
class HowSureEffort:
    """What an ensemble is about to do.

    Attributes
    ----------
    model : ModelEffort
    cases, points, bands : int
    seconds : float
        All of it, about. [s]
    """

    model: ModelEffort
    cases: int
    points: int
    bands: int
    seconds: float

    def __str__(self) -> str:
        minutes = self.seconds / 60.0
        took = f"{minutes:.0f} min" if minutes >= 2.0 else f"{max(1.0, self.seconds):.0f} s"
        plural = "s" * (self.bands > 1)
        whole = (
            f"{self.cases} houses at {self.points} frequencies of {self.bands} band{plural}, "
            f"about {took} in all"
        )
        if not self.model.matrices:
            return f"{whole}; the model of what is not known is there already"
        some = "s" * (self.model.states > 1)
        return (
            f"{whole}: for the model of what is not known {self.model.matrices} matrices of about "
            f"{self.model.unknowns} unknowns, in {self.model.states} state{some} of the house"
        )


def how_sure(
    plan: AtticPlan,
    bands: Sequence[Band | str | Sequence[float]] | str | Band | None = None,
    *,
    unknowns: Mapping[str, Any] | Unknowns | None = None,
    count: int = DEFAULT_COUNT,
    seed: int = 0,
    points: int = 5,
    reference: float | None = None,
    power: float | None = None,
    after: Any = None,
    tolerance: float | None = DEFAULT_TOLERANCE,
    check: bool = True,
    progress: bool | None = None,
    announce: Callable[[HowSureEffort], None] | None = None,
    name: str | None = None,
) -> HowSure:
    """Every figure of an answer with its 10-50-90 % values, and which unknown does the most.

    Parameters
    ----------
    plan : AtticPlan
        From `read_attic`.
    bands : sequence, optional
        As for `answer`; the file's where left out.
    unknowns : mapping, optional
        As for `unknowns_of`, or what it gave.
    count : int
        Of cases drawn, 8 or more; powers of two are the most even.
    seed : int
        Equal seeds give equal cases.
    points : int
        Frequencies of a band, from edge to edge; its centre comes on top where it is none of them.
    reference, power : float, optional
        As for `answer`. [ohm, W]
    after : Calibration or Posterior, optional
        Cases are drawn from what is known after its readings, with its own unknowns. The plan is
        then the one that was told (`Calibration.told`), not the one with the most likely values.
    tolerance : float, optional
        Of the mesh, as for `answer`.
    check : bool
        Solve one of the houses by itself, on one band, and keep the difference.
    progress : bool, optional
        Show a bar with the time left; None: if it takes more than a second.
    announce : callable, optional
        Called with what it will take, before the long part starts.
    name : str, optional
        What to call the result.

    Returns
    -------
    HowSure

    Raises
    ------
    PriorError
        If count or seed is none, nothing is unknown, or a spread cannot be used.
    SolverError
        If there is no antenna of bent elements, or a setting is out of range.
    BandError
        If a band given here is none.
    AtticFileError
        If the file's table [unknowns] cannot be used.

    Notes
    -----
    Cases are the first of a scrambled Sobol sequence, mapped to the unknowns' distributions, or to
    the normal law that was found from readings. Each is solved in the model of the attic
    (`study.model`): matrices are interpolated between states of the house and over the band,
    lengths are exact. Bands are computed one after the other, so that one band's matrices are kept.
    """
    _check(plan, count, seed, points)
    settings = read_settings(plan, bands=bands, reference=reference, power=power)
    posterior = getattr(after, "posterior", after)
    if posterior is None:
        asked = unknowns if isinstance(unknowns, Unknowns) else unknowns_of(plan, unknowns)
    elif unknowns is not None:
        raise PriorError(
            "Both unknowns and after are given; after readings the unknowns are those that were "
            "fitted. Leave out unknowns."
        )
    else:
        asked = _asked_after(plan, after, posterior)
    if not asked:
        raise PriorError(
            "Nothing is unknown: every case would be the same. Take some of the defaults back, or "
            "give unknowns, as {'house.moisture': '10 % to 18 %'}; answer tells what is told."
        )
    making = Modelling.of(
        plan, settings.bands, unknowns=asked, reference=reference, power=power, seed=int(seed),
        tolerance=tolerance,
    )  # fmt: skip
    data = getattr(posterior, "data", None)
    kept = None if data is None else _kept(data.model, plan, settings.bands)
    frequencies = {band.name: band_points(band, points) for band in settings.bands}
    n_points = max(each.size for each in frequencies.values())
    if announce is not None:
        announce(_effort(making, kept, count, n_points))
    steps = len(settings.bands) * (count + 1) * n_points
    total = steps + (making.ticks if kept is None else 0)
    with progress_bar(total, progress, doing="how sure", unit="step") as bar:
        model = making.build(tick=bar.update) if kept is None else kept
        states = _drawn(model, posterior, count, int(seed))
        middle = model.as_told
        if posterior is not None:
            middle = HouseState(posterior.scores, middle.cables)
        lengths = {wire.name: wire.length for wire in plan.wires}
        own = np.array([lengths[one] for one in model.names])
        everyone = [*states, middle]
        station = Station.of(
            plan, model, everyone, power=settings.power, reference=settings.reference
        )
        groups = groups_for(
            asked, np.stack([one.scores for one in states]),
            np.stack([one.cables for one in states]), independent=posterior is None,
        )  # fmt: skip
        found = []
        threads = linear_algebra_threads(model.lengths.pool.system)
        with threadpool_limits(limits=threads, user_api="blas"):
            for band in settings.bands:
                model.band(band, tick=bar.update)
                impedances, values = cases_on_band(
                    model, band, everyone, lengths=own, frequencies=frequencies[band.name],
                    station=station, power=settings.power, reference=settings.reference,
                    tick=bar.update,
                )  # fmt: skip
                if kept is None:
                    model.forget(band)
                told = {key: float(each[-1]) for key, each in values.items()}
                drawn = {key: each[:-1] for key, each in values.items()}
                one = BandSureness(
                    band, settings.reference, settings.power, frequencies[band.name],
                    impedances[:-1], drawn, impedances[-1], told, groups, posterior is None,
                )  # fmt: skip
                found.append(one)
        checked = _checked(model, found, states, own, int(seed)) if check else None
    return HowSure(
        name or plan.attic.name or plan.file.name, tuple(found), asked,
        np.stack([one.scores for one in states]), np.stack([one.cables for one in states]),
        int(seed), settings.reference, settings.power, "" if posterior is None else "readings",
        {one: lengths[one] for one in model.names}, _units(plan, asked, model.names),
        checked,
    )  # fmt: skip


def _check(plan: object, count: object, seed: object, points: object) -> None:
    if not isinstance(plan, AtticPlan):
        raise SolverError(f"plan is {plan!r}; give what read_attic(path) gives.")
    for what, value, least, most, why in (
        (
            "count",
            count,
            LEAST_COUNT,
            MOST_COUNT,
            "of fewer cases 10 and 90 % mean nothing; --cases of the command",
        ),
        ("seed", seed, 0, 2**63 - 1, "equal seeds give equal cases"),
    ):
        if not _is_whole(value) or not least <= value <= most:  # pyright: ignore
            raise PriorError(
                f"{what} is {value!r}; it must be a whole number, {least} to {most} ({why})."
            )
    if not _is_whole(points) or not 1 < points <= MOST_POINTS:  # pyright: ignore
        raise SolverError(f"points is {points!r}; it must be a whole number, 2 to {MOST_POINTS}.")


def _is_whole(value: object) -> bool:
    return isinstance(value, int | np.integer) and not isinstance(value, bool)


def _asked_after(plan: AtticPlan, after: Any, posterior: Any) -> Unknowns:
    """Unknowns that readings were fitted with.

    Raises
    ------
    PriorError
        If it is no fit, or the plan has the fitted values already.
    """
    put_in: Any = getattr(after, "plan", None)
    told: Any = getattr(after, "told", None)
    texts = [one.file.text for one in (told, put_in) if one is not None]
    if len(set(texts)) == 2 and plan.file.text == texts[1]:
        raise PriorError(
            "The plan has the most likely values of the readings already, and would get them "
            "twice; give the plan as it was told (calibration.told)."
        )
    data = getattr(posterior, "data", None)
    if data is not None:
        asked = data.model.asked
    else:
        lying = [one for one in unknowns_of(plan) if one.kind == "cables"]
        asked = Unknowns([*getattr(after, "unknowns", ()), *lying])
    size = sum(one.kind != "cables" for one in asked)
    if not hasattr(posterior, "covariance") or np.shape(posterior.covariance) != (size, size):
        raise PriorError(
            f"after is {type(after).__name__}, which does not say what is known of the unknowns; "
            "give what calibrate gave."
        )
    return asked


def _kept(model: AtticModel, plan: AtticPlan, bands: Sequence[Band]) -> AtticModel | None:
    """A model that was made before, if it is of this very plan and has the bands."""
    is_same = model.plan is plan or model.plan.file.text == plan.file.text
    return model if is_same and all(band in model.bands for band in bands) else None


def _effort(making: Modelling, kept: AtticModel | None, count: int, points: int) -> HowSureEffort:
    model = making.effort
    size = model.unknowns if kept is None else kept.lengths.pool.system.n_unknowns
    each = CASE + CASE_BY_SQUARE * (size / 1000.0) ** 2
    seconds = each * (count + 1) * points * model.bands
    if kept is None:
        seconds += model.seconds
    else:
        model = ModelEffort(0, model.bands, 0, size, len(kept.cables), 0.0)
    return HowSureEffort(model, count, points, model.bands, seconds)


def _drawn(model: AtticModel, posterior: Any, count: int, seed: int) -> list[HouseState]:
    """Houses from what is known before readings, or after them."""
    if posterior is None:
        return model.drawn(count, seed)
    scores, cables = sobol_scores(model.asked, count, seed)
    root: FloatArray = linalg.cholesky(posterior.covariance, lower=True)
    moved = np.clip(posterior.scores + scores @ root.T, -SCORE_LIMIT, SCORE_LIMIT)
    there: NDArray[np.bool_] = cables
    return [HouseState(u, own) for u, own in zip(moved, there, strict=True)]


def _checked(
    model: AtticModel,
    found: Sequence[BandSureness],
    states: Sequence[HouseState],
    lengths: FloatArray,
    seed: int,
) -> Check:
    """One of the houses against its full solution."""
    one, case = found[seed % len(found)], seed % len(states)
    centre, state = one.band.centre, states[case]
    z, solution = drawn_solution(
        drawn_system(model, state, lengths), centre, lead=model.lead(state.scores)
    )
    budget = {
        ("efficiency" if k == "radiated" else k): float(v)
        for k, v in solution.budget.as_dict().items()
    }
    middle = int(np.argmin(np.abs(one.frequencies - centre)))
    pair = np.array([z, one.impedances[case, middle]])
    reflection = (pair - one.reference) / (pair + one.reference)
    off = max(abs(one.values[name][case] - value) for name, value in budget.items())
    return Check(one.name, case, float(abs(reflection[1] - reflection[0])), float(off))


def _units(plan: AtticPlan, asked: Unknowns, names: Sequence[str]) -> dict[str, str]:
    """In which unit of length the file tells what is unknown, by name; elements always."""
    found = {f"length of {name}": _unit(plan, name) for name in names}
    for one in asked:
        if one.kind == "key" and one.unit == "m":
            found[one.name] = _unit(plan, one.key)
        elif one.kind == "lead":
            feet = any(unit in ("ft", "in", "ft in") for unit in found.values())
            found[one.name] = "in" if feet else "cm"
    return found


def _unit(plan: AtticPlan, key: str) -> str:
    told = value_at(plan.file.document, resolve(plan.file, key)[1])
    return Length(told).unit if isinstance(told, str) else "m"
