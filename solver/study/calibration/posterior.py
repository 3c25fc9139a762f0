r"""What is most likely after some readings, and how far that is sure.

With scores u of the unknowns, standard normal before anything is read, the most likely ones make

    |W (m(u) - r)|^2 + |u|^2

least: r the readings, m what the model reads, in parts along and across the reflection coefficient
(those that were SWR alone have the first part only), and W^T W the inverse of their covariance.
That is the analyser's noise, what the candidate cables add that may be there, and an error of the
model itself that all readings of a band share.  The curvature there gives the spread (Laplace's
approximation); where the readings are missed by more than their noise, it is widened accordingly.

If the model is right and about linear, the least value is spread as chi square with as many degrees
of freedom as numbers were read, however many unknowns there are (Box, Sampling and Bayes' inference
in scientific modelling and robustness, J. R. Stat. Soc. A 143, 1980; from memory).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy import linalg
from scipy.optimize import least_squares
from scipy.stats import chi2

from ...moments.basis import FloatArray
from ..model.attic_model import AtticModel, HouseState
from ..unknowns.distributions import SCORE_LIMIT
from .reading_data import Data
from .starts import other_starts
from .visits import Visit

__all__ = ["IMPROBABLE", "Data", "Posterior", "ScoreSpread", "fit", "fitted"]

MOST_STEPS = 30

IMPROBABLE = 1e-3
"""Chance of readings so far off, if the model is right, below which something is wrong."""

RIVAL = 2.0 * np.log(10.0)
"""Another least value so little above the least one is a tenth as likely or more."""

APART = 3.0
"""Spreads between two least values that make them two answers."""


@dataclass(frozen=True, eq=False, kw_only=True)
class ScoreSpread:
    """Where the scores of the unknowns are, as a normal distribution.

    Attributes
    ----------
    scores : (U,) float
        The most likely ones.
    covariance : (U, U) float
        Of the scores, about them.
    """

    scores: FloatArray
    covariance: FloatArray

    @property
    def spread(self) -> FloatArray:
        """Standard deviations of the scores, (U,); 1 before the readings."""
        return np.sqrt(np.diag(self.covariance))

    @property
    def correlation(self) -> FloatArray:
        """Of the scores with each other, (U, U)."""
        return self.covariance / np.outer(self.spread, self.spread)

    def draws(self, count: int, seed: int = 0) -> FloatArray:
        """Scores at random, (count, U), within the limits of scores."""
        rng = np.random.default_rng(seed)
        root = linalg.cholesky(self.covariance, lower=True)
        found = self.scores + rng.standard_normal((count, self.scores.size)) @ root.T
        return np.clip(found, -SCORE_LIMIT, SCORE_LIMIT)


@dataclass(frozen=True, eq=False, kw_only=True)
class Posterior(ScoreSpread):
    """What is known of the unknowns after the readings.

    Attributes
    ----------
    data : Data
    misfit, prior_misfit : float
        Squares of what is missed over its spread, one for each number read if the model is right;
        there, and with all unknowns at their middle.
    steps : int
        How often the model was asked.
    starts : int
        From how many places the search began.
    began_elsewhere : bool
        Whether the first of them did not lead here.
    rival : ScoreSpread or None
        Another answer about as likely.
    """

    data: Data
    misfit: float
    prior_misfit: float
    steps: int
    starts: int = 1
    began_elsewhere: bool = False
    rival: ScoreSpread | None = None

    @property
    def state(self) -> HouseState:
        """The most likely house; none of the candidate cables."""
        return HouseState(self.scores, self.data.model.middle.cables)

    @property
    def cost(self) -> float:
        """The least value: misfit and how far the scores are from their middle."""
        return self.misfit + float(self.scores @ self.scores)

    @property
    def chance(self) -> float:
        """That readings are so far off or farther if the model is right."""
        return float(chi2.sf(self.cost, self.data.size))


def fit(
    model: AtticModel,
    visits: Sequence[Visit],
    *,
    start: FloatArray | None = None,
    tick: Callable[[], None] = lambda: None,
) -> Posterior:
    """The most likely scores after some visits.

    Parameters
    ----------
    model : AtticModel
        Whose bands hold all frequencies read.
    visits : sequence of Visit
    start : (U,) float, optional
        Where to begin; the middle where left out.
    tick : callable
        Called each time the model is asked.

    Notes
    -----
    Where the search ends at readings that are improbable, or some were read without phase, which
    leaves two sides of a resonance alike, it begins again from other lengths, and the best is
    kept; another one about as likely is told as `rival`.
    """
    data = Data.of(model, visits)
    first = fitted(data, start=start, tick=tick)
    if first.chance >= IMPROBABLE and bool(data.has_phase.all()):
        return first
    others = other_starts(data, first.state, tick=tick)
    if start is not None:
        others.append(np.zeros(len(model.unknowns)))
    return _best_of([first, *(fitted(data, start=other, tick=tick) for other in others)])


def fitted(
    data: Data,
    *,
    start: FloatArray | None = None,
    tick: Callable[[], None] = lambda: None,
) -> Posterior:
    """The nearest most likely scores to a start; parameters as for `fit`."""
    whitening, n = data.whitening, len(data.model.unknowns)
    kept: dict[bytes, tuple[FloatArray, FloatArray]] = {}

    def asked(scores: FloatArray) -> tuple[FloatArray, FloatArray]:
        key = scores.tobytes()
        if key not in kept:
            miss, change = data.residual(HouseState(scores, data.model.middle.cables))
            kept[key] = whitening @ miss, whitening @ change
            tick()
        return kept[key]

    def residual(scores: FloatArray) -> FloatArray:
        return np.concatenate([asked(scores)[0], scores])

    def slopes(scores: FloatArray) -> FloatArray:
        return np.concatenate([asked(scores)[1], np.eye(n)])

    jacobian: Any = slopes
    middle = np.zeros(n)
    first = middle if start is None else np.clip(start, -0.99 * SCORE_LIMIT, 0.99 * SCORE_LIMIT)
    found = least_squares(
        residual, first, jac=jacobian, bounds=(-SCORE_LIMIT, SCORE_LIMIT), max_nfev=MOST_STEPS,
        xtol=1e-4, ftol=1e-5, gtol=1e-8,
    )  # fmt: skip
    miss, change = asked(found.x)
    misfit, before = float(miss @ miss), float(asked(middle)[0] @ asked(middle)[0])
    wide = max(1.0, misfit / max(1, data.size))
    precision = change.T @ change / wide + np.eye(n)
    covariance = np.linalg.inv(precision).astype(np.float64)
    return Posterior(
        scores=found.x, covariance=covariance, data=data, misfit=misfit,
        prior_misfit=before, steps=len(kept),
    )  # fmt: skip


def _best_of(found: Sequence[Posterior]) -> Posterior:
    """The most likely of some ends, with the next one that is another answer."""
    best, *others = sorted(found, key=lambda one: one.cost)
    is_new = best.cost < found[0].cost - RIVAL
    rival = None
    for one in others:
        away = np.abs(one.scores - best.scores) / np.maximum(one.spread, best.spread)
        if one.cost <= best.cost + RIVAL and away.max() > APART:
            rival = ScoreSpread(scores=one.scores, covariance=one.covariance)
            break
    return Posterior(
        scores=best.scores, covariance=best.covariance, data=best.data, misfit=best.misfit,
        prior_misfit=best.prior_misfit, steps=sum(one.steps for one in found),
        starts=len(found), began_elsewhere=is_new, rival=rival,
    )  # fmt: skip
