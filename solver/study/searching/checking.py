"""The best layouts of a search solved in full, each on a mesh of its own."""

from __future__ import annotations

import numpy as np

from ....geometry.plan import AtticPlan
from ...answer import answer
from ...answer_records import Answer
from ...errors import SolverError
from ...moments.basis import FloatArray
from ...station.exposure import exposure
from ...station.two_port import reflection
from .goals import Limit
from .judging import KEPT, Judge, Judgement
from .outcomes import Outcome
from .quantities import LEAST
from .search_records import Checked
from .search_settings import SearchSettings

LEAST_POINTS = 5
"""Of a band's curve, as `answer` wants them."""


def check(
    number: int,
    plan: AtticPlan,
    nominal: Outcome,
    judge: Judge,
    settings: SearchSettings,
    *,
    tolerance: float | None,
) -> Checked:
    """Solve a layout in full.

    Parameters
    ----------
    number : int
        Of the layout.
    plan : AtticPlan
        With its lengths and choices.
    nominal : Outcome
        What the search's model says of it, in the house as it is told.
    judge : Judge
    settings : SearchSettings
    tolerance : float or None
        Of the mesh, as for `solve`.
    """
    found = answer(
        plan, settings.bands, reference=settings.reference, power=settings.power,
        points_per_band=max(LEAST_POINTS, 2 * settings.points - 1), error_estimate=False,
        tolerance=tolerance, progress=False,
    )  # fmt: skip
    outcome = _outcome(found, judge.frequencies)
    searched, solved = judge(nominal), judge(outcome)
    held = {one.text: value for one, value in zip(judge.limits, solved.held, strict=True)}
    broken = solved.broken
    for limit in settings.limits:
        if limit.is_late:
            held[limit.text] = _late(limit, found, plan, settings, tolerance)
            # late limits hold down, see `read_limits`
            broken += max(0.0, float(np.log(max(held[limit.text], LEAST) / limit.value)) - KEPT)
    z, own = (reflection(one.impedance, z0=settings.reference) for one in (outcome, nominal))
    difference = max(float(np.abs(z - own).max()), float(np.abs(outcome.sky - nominal.sky).max()))
    return Checked(number, _figures(searched), _figures(solved), held, difference, broken)


def _figures(judged: Judgement) -> dict[str, float]:
    return dict(judged.figures)


def _outcome(found: Answer, frequencies: FloatArray) -> Outcome:
    """As the search's model gives it."""
    rows = []
    for band, points in zip(found, frequencies, strict=True):
        order = np.argsort(band.frequencies)
        curve, f = band.impedances[order], band.frequencies[order]
        rows.append(np.interp(points, f, curve.real) + 1j * np.interp(points, f, curve.imag))
    sky = np.array([band.shares_of_input for band in found])
    return Outcome(np.array(rows)[None], sky[None])


def _late(
    limit: Limit,
    found: Answer,
    plan: AtticPlan,
    settings: SearchSettings,
    tolerance: float | None,
) -> float:
    """What a limit is held against that only a full solve can tell."""
    names = [limit.band] if limit.band else [band.name for band in settings.bands]
    if limit.quantity.name == "wire voltage":
        own = set() if plan.antenna is None else {one.name for one in plan.antenna.elements}
        return max(
            one.rms for name in names for one in found.band(name).voltages if one.wire in own
        )
    if not plan.rooms:
        raise SolverError(f"limit {limit.text!r}: the file has no [[room]] to hold it in.")
    bands = [band for band in settings.bands if band.name in names]
    fields = exposure(
        plan, bands, power=settings.power, pieces=False, tolerance=tolerance, progress=False
    )
    return max(row.fraction for row in fields)
