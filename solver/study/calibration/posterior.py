r"""What is most likely after some readings, and how far that is sure.

With scores u of the unknowns, standard normal before anything is read, the most likely ones make

    |W (m(u) - r)|^2 + |u|^2

least: r the readings, m what the model reads, in parts along and across the reflection coefficient
(those that were SWR alone have the first part only), and W^T W the inverse of their covariance.
That is the analyser's noise, what the candidate cables add that may be there, and an error of the
model itself that all readings of a band share.  The curvature there gives the spread (Laplace's
approximation); where the readings are missed by more than their noise, it is widened accordingly.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy import linalg
from scipy.optimize import least_squares

from ...moments.basis import ComplexArray, FloatArray
from ..model.attic_model import AtticModel, HouseState
from ..unknowns.distributions import SCORE_LIMIT
from .visits import Visit

MODEL_ERROR = 0.01
"""Of the reflection coefficient of a whole band: what mesh, timber model and geometry miss."""

CABLE_DRAWS = 12
"""Sets of candidate cables from which their covariance is taken."""

LEAST_ACROSS = 0.5
"""Of the error along the reflection coefficient: less than this no analyser leaves across it,
however small the coefficient is. Common practice."""

MOST_STEPS = 30


@dataclass(frozen=True, eq=False)
class Data:
    """Readings of some visits in one row, and the model's answer to them.

    Attributes
    ----------
    model : AtticModel
    frequencies : (K,) float
        [Hz]
    visit : (K,) int
        Of which visit each is.
    lengths : (N, E) float
        Of the elements at each visit. [m]
    reflection : (K,) complex
        Read; of SWR alone its magnitude.
    has_phase : (K,) bool
    reference : float
        [ohm]
    noise : (K, 2) float
        Standard deviations along and across the reflection coefficient.
    """

    model: AtticModel
    frequencies: FloatArray
    visit: np.ndarray
    lengths: FloatArray
    reflection: ComplexArray
    has_phase: np.ndarray
    reference: float
    noise: FloatArray

    @classmethod
    def of(cls, model: AtticModel, visits: Sequence[Visit]) -> Data:
        """All readings of the visits."""
        lengths, parts = [], []
        for number, visit in enumerate(visits):
            told = dict(zip(model.names, map(float, model.told), strict=True))
            told.update({name: float(value) for name, value in visit.lengths.items()})
            lengths.append([told[name] for name in model.names])
            read = visit.readings
            if parts:
                read = read.renormalised(float(parts[0][5]))
            known = np.asarray(read.has_phase, dtype=bool)
            value = np.where(known, read.reflection, read.magnitude)
            size = np.abs(value)
            along = np.broadcast_to(read.magnitude_sd, size.shape)
            across = size * np.deg2rad(np.where(known, read.phase_sd_deg, 0.0))
            parts.append((
                read.frequencies, np.full(size.shape, number), value, known,
                np.stack([along, np.maximum(across, LEAST_ACROSS * along)], axis=1), read.reference,
            ))  # fmt: skip
        columns = [np.concatenate([part[k] for part in parts]) for k in range(5)]
        return cls(
            model, columns[0], columns[1], np.array(lengths), columns[2], columns[3],
            float(parts[0][5]), columns[4],
        )  # fmt: skip

    @property
    def size(self) -> int:
        """How many numbers were read."""
        return int(self.has_phase.size + self.has_phase.sum())

    def _each(self, state: HouseState, *, slopes: bool) -> tuple[ComplexArray, ComplexArray]:
        """Reflection coefficients (K,) and derivatives to scores (K, U)."""
        model, count = self.model, self.frequencies.size
        found = np.empty(count, dtype=np.complex128)
        by_score = np.zeros((count, len(model.unknowns)), dtype=np.complex128)
        for f in np.unique(self.frequencies):
            band = model.band(model.band_at(float(f)))
            eliminated = band.eliminated(float(f), state)
            for k in np.flatnonzero(self.frequencies == f):
                own = self.lengths[self.visit[k]]
                if slopes:
                    at = band.reading(float(f), own, state, eliminated=eliminated)
                    z = at.impedance
                    by_score[k] = at.by_score * 2.0 * self.reference / (z + self.reference) ** 2
                else:
                    z = band.impedance(float(f), own, state, eliminated=eliminated)
                found[k] = (z - self.reference) / (z + self.reference)
        return found, by_score

    def reflections(self, state: HouseState) -> ComplexArray:
        """What the model reads, (K,)."""
        return self._each(state, slopes=False)[0]

    @cached_property
    def _turn(self) -> ComplexArray:
        """What turns a change of each reflection coefficient into its parts along and across."""
        size = np.abs(self.reflection)
        safe = np.where(size > 0.0, self.reflection, 1.0)
        return np.where(size > 0.0, safe.conj() / np.abs(safe), 1.0)

    def parts(self, change: ComplexArray) -> FloatArray:
        """Changes (K, ...) as rows along, then those with phase across, (`size`, ...)."""
        turn = self._turn.reshape(-1, *[1] * (change.ndim - 1))
        turned = turn * change
        return np.concatenate([turned.real, turned.imag[self.has_phase]])

    def residual(self, state: HouseState) -> tuple[FloatArray, FloatArray]:
        """Model less reading, (`size`,), and its derivatives to scores (`size`, U)."""
        found, slopes = self._each(state, slopes=True)
        miss, change = found - self.reflection, slopes
        alone = ~self.has_phase
        size = np.maximum(np.abs(found), 1e-9)
        miss = np.where(alone, np.abs(found) - np.abs(self.reflection), miss)
        radial = (found.conj() / size)[:, None] * slopes
        change = np.where(alone[:, None], radial.real, slopes)
        return self.parts(miss), self.parts(change)

    @cached_property
    def covariance(self) -> FloatArray:
        """Of the parts that are read, (`size`, `size`)."""
        along, across = self.noise[:, 0], self.noise[self.has_phase, 1]
        found = np.diag(np.concatenate([along, across]) ** 2)
        shared = []
        for band in self.model.bands:
            inside = (self.frequencies >= band.low) & (self.frequencies <= band.high)
            if inside.any():
                shared += [self.parts(MODEL_ERROR * factor * inside) for factor in (1.0, 1j)]
        shared += [self.parts(change) / np.sqrt(CABLE_DRAWS) for change in self._by_cables()]
        root = np.stack(shared, axis=1)
        return found + root @ root.T

    def _by_cables(self) -> list[ComplexArray]:
        """What some of the candidate cables change, (K,) for each draw."""
        model, n = self.model, len(self.model.cables)
        if not n:
            return []
        none = self.reflections(model.middle)
        rng = np.random.default_rng(0)
        found = []
        for _ in range(CABLE_DRAWS):
            there = rng.random(n) < 0.5
            found.append(self.reflections(HouseState(model.middle.scores, there)) - none)
        return found

    @cached_property
    def whitening(self) -> FloatArray:
        """W, (`size`, `size`)."""
        lower = linalg.cholesky(self.covariance, lower=True)
        return linalg.solve_triangular(lower, np.eye(self.size), lower=True)


@dataclass(frozen=True, eq=False)
class Posterior:
    """What is known of the unknowns after the readings.

    Attributes
    ----------
    data : Data
    scores : (U,) float
        The most likely ones.
    covariance : (U, U) float
        Of the scores, about them.
    misfit, prior_misfit : float
        Squares of what is missed over its spread, one for each number read if the model is right;
        there, and with all unknowns at their middle.
    steps : int
        How often the model was asked.
    """

    data: Data
    scores: FloatArray
    covariance: FloatArray
    misfit: float
    prior_misfit: float
    steps: int

    @property
    def state(self) -> HouseState:
        """The most likely house; none of the candidate cables."""
        return HouseState(self.scores, self.data.model.middle.cables)

    @property
    def spread(self) -> FloatArray:
        """Standard deviations of the scores, (U,); 1 before the readings."""
        return np.sqrt(np.diag(self.covariance))

    def draws(self, count: int, seed: int = 0) -> FloatArray:
        """Scores at random, (count, U), within the limits of scores."""
        rng = np.random.default_rng(seed)
        root = linalg.cholesky(self.covariance, lower=True)
        found = self.scores + rng.standard_normal((count, self.scores.size)) @ root.T
        return np.clip(found, -SCORE_LIMIT, SCORE_LIMIT)


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
    """
    data = Data.of(model, visits)
    whitening, n = data.whitening, len(model.unknowns)
    kept: dict[bytes, tuple[FloatArray, FloatArray]] = {}

    def asked(scores: FloatArray) -> tuple[FloatArray, FloatArray]:
        key = scores.tobytes()
        if key not in kept:
            miss, change = data.residual(HouseState(scores, model.middle.cables))
            kept[key] = whitening @ miss, whitening @ change
            tick()
        return kept[key]

    def residual(scores: FloatArray) -> FloatArray:
        return np.concatenate([asked(scores)[0], scores])

    def slopes(scores: FloatArray) -> FloatArray:
        return np.concatenate([asked(scores)[1], np.eye(n)])

    middle = np.zeros(n)
    first = middle if start is None else np.clip(start, -0.99 * SCORE_LIMIT, 0.99 * SCORE_LIMIT)
    found = least_squares(
        residual, first, slopes, bounds=(-SCORE_LIMIT, SCORE_LIMIT), max_nfev=MOST_STEPS,
        xtol=1e-5, ftol=1e-6, gtol=1e-8,
    )  # fmt: skip
    miss, change = asked(found.x)
    misfit, before = float(miss @ miss), float(asked(middle)[0] @ asked(middle)[0])
    wide = max(1.0, misfit / max(1, data.size))
    precision = change.T @ change / wide + np.eye(n)
    return Posterior(data, found.x, np.linalg.inv(precision), misfit, before, int(found.nfev))
