r"""How much of a figure's variance each unknown explains by itself: first-order Sobol indices.

    S_i = Var(E[y | x_i]) / Var(y)

E[y | x_i] is fitted as a polynomial of the unknown's score, orthonormal over scores as they are
drawn (Hermite's, but for the tails that are cut off), and as a sum over which candidate cables are
there. What noise alone adds to the square of a fitted coefficient is taken off, so that an unknown
that does nothing has an index of 0 in the mean, now below it and now above.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import linalg
from scipy.stats import norm

from ...errors import PriorError
from ...moments.basis import FloatArray
from ..unknowns.distributions import SCORE_LIMIT

MOST_DEGREE = 3
"""Of the polynomials."""

CASES_BY_COLUMN = 2.0
"""So many cases for each coefficient, or the degree is less."""

LEAST_CASES = 6
"""More than coefficients, likewise; with fewer cases nothing is fitted."""

CONSTANT = 1e-9
"""A figure that varies by no more than this, relative to its size, does not vary."""


@dataclass(frozen=True, eq=False)
class Group:
    """What one unknown may add to a figure: columns of mean 0.

    Attributes
    ----------
    name : str
        Of the unknown.
    columns : (V, P) float
    covariance : (P, P) float
        Of the columns, over all cases there could be.
    """

    name: str
    columns: FloatArray
    covariance: FloatArray


@dataclass(frozen=True, eq=False)
class Indices:
    """First-order indices of one figure.

    Attributes
    ----------
    names : tuple of str
        Of the unknowns.
    shares : (G,) float
        Part of the variance that goes once that unknown alone is known; noise may make it
        slightly negative. NaN where the figure does not vary, or too few cases have it.
    errors : (G,) float
        Their standard errors.
    rest : float
        Part that no unknown explains alone: several together, and bends that the polynomials
        cannot follow. NaN where the unknowns are not independent of each other.
    cases : int
    """

    names: tuple[str, ...]
    shares: FloatArray
    errors: FloatArray
    rest: float
    cases: int

    @property
    def is_known(self) -> bool:
        """Whether there are any."""
        return bool(np.isfinite(self.shares).any())

    @property
    def order(self) -> list[int]:
        """Numbers of the unknowns, the greatest share first."""
        return np.argsort(-np.nan_to_num(self.shares, nan=-np.inf), kind="stable").tolist()

    def share(self, name: str) -> float:
        """That of one unknown; PriorError lists the names if there is none."""
        if name not in self.names:
            raise PriorError(
                f"Nothing unknown is called {name!r}; there are: {', '.join(self.names)}."
            )
        return float(self.shares[self.names.index(name)])


def orthonormal(scores: FloatArray, degree: int) -> FloatArray:
    """Polynomials of scores up to a degree, of mean 0 and variance 1, uncorrelated, (V, degree).

    Over the standard normal law cut off at `SCORE_LIMIT` on both sides.
    """
    moments = np.zeros(2 * degree + 1)
    moments[0] = 1.0
    edge = 2.0 * norm.pdf(SCORE_LIMIT) / (1.0 - 2.0 * norm.cdf(-SCORE_LIMIT))
    for k in range(2, 2 * degree + 1, 2):
        moments[k] = (k - 1) * moments[k - 2] - SCORE_LIMIT ** (k - 1) * edge
    powers = np.arange(degree + 1)
    lower = linalg.cholesky(moments[powers[:, None] + powers], lower=True)
    found = linalg.solve_triangular(lower, scores[None] ** powers[:, None], lower=True)
    return found[1:].T


def score_group(name: str, scores: FloatArray, degree: int) -> Group:
    """Of an unknown with independent scores, (V,)."""
    return Group(name, orthonormal(scores, degree), np.eye(degree))


def cable_group(name: str, there: ArrayLike) -> Group:
    """Of candidate cables: each number alike likely, which ones likewise, (V, C)."""
    present = np.asarray(there, dtype=np.float64)
    count = present.shape[1]
    covariance = np.full((count, count), 1.0 / 12.0)
    np.fill_diagonal(covariance, 0.25)
    return Group(name, present - 0.5, covariance)


def groups_of(
    names: Sequence[str], scores: FloatArray, cables: ArrayLike, *, cables_name: str = ""
) -> list[Group]:
    """Groups of independent unknowns, of as high a degree as the number of cases allows.

    Parameters
    ----------
    names : sequence of str
        Of the scores.
    scores : (V, U) float
    cables : (V, C) bool
    cables_name : str
        What they are called together.
    """
    there = np.asarray(cables, dtype=np.float64)
    count, n_cables = scores.shape[0], there.shape[1]
    degree = MOST_DEGREE
    while degree > 1 and count < CASES_BY_COLUMN * (1 + degree * len(names) + n_cables):
        degree -= 1
    found = [score_group(name, u, degree) for name, u in zip(names, scores.T, strict=True)]
    if n_cables:
        found.append(cable_group(cables_name, there))
    return found


def dependent_groups(
    names: Sequence[str], scores: FloatArray, cables: ArrayLike, *, cables_name: str = ""
) -> list[Group]:
    """The same of unknowns that are no longer independent, as after readings.

    Scores are taken about their own mean, by their own spread.
    """
    found = []
    for name, u in zip(names, scores.T, strict=True):
        spread = float(u.std())
        own = (u - u.mean()) / spread if spread > 0.0 else np.zeros(u.shape)
        columns = np.stack([own, own**2 - 1.0], axis=1)
        found.append(_centred(name, columns))
    there = np.asarray(cables, dtype=np.float64)
    if there.shape[1]:
        found.append(_centred(cables_name, there))
    return found


def _centred(name: str, columns: FloatArray) -> Group:
    columns = columns - columns.mean(axis=0)
    return Group(name, columns, columns.T @ columns / columns.shape[0])


def first_order(values: FloatArray, groups: Sequence[Group], *, independent: bool) -> Indices:
    """First-order indices of a figure.

    Parameters
    ----------
    values : (V,) float
        The figure in all cases; those in which it is NaN are left out.
    groups : sequence of Group
    independent : bool
        Whether the unknowns are independent of each other: then all are fitted together, so that
        none takes another's variance for noise. Else, and where there are too few cases for all
        together, each is fitted alone.

    Returns
    -------
    Indices

    Notes
    -----
    With coefficients b of a group, their covariance V from the residual's variance s^2, and the
    columns' covariance C, the group's variance is b^T C b - tr(C V), and all variance their sum
    and s^2.  Standard errors hold the first order of what V and the error of s^2 do to that ratio.
    """
    names = tuple(group.name for group in groups)
    known = np.isfinite(values)
    y = np.asarray(values, dtype=np.float64)[known]
    blank = np.full(len(groups), np.nan)
    size = float(np.abs(y).max()) if y.size else 0.0
    nothing = Indices(names, blank, blank, np.nan, int(y.size))
    if y.size < LEAST_CASES + 2 or not groups or np.ptp(y) <= CONSTANT * size:
        return nothing
    columns = [group.columns[known] for group in groups]
    together = 1 + sum(part.shape[1] for part in columns)
    if independent and y.size >= together + LEAST_CASES:
        found = _together(y, groups, columns)
        if found is not None:
            shares, errors, rest = found
            return Indices(names, shares, errors, rest, int(y.size))
    whole = float(y.var(ddof=1))
    pairs = [_alone(y, group, own, whole) for group, own in zip(groups, columns, strict=True)]
    shares, errors = (np.array(each) for each in zip(*pairs, strict=True))
    return Indices(names, shares, errors, np.nan, int(y.size))


def _fit(y: FloatArray, columns: FloatArray) -> tuple[FloatArray, FloatArray, float] | None:
    """Coefficients but for the constant, their covariance, and the residual's variance."""
    matrix = np.concatenate([np.ones((y.size, 1)), columns], axis=1)
    q, r = np.linalg.qr(matrix)
    diagonal = np.abs(np.diag(r))
    if diagonal.min() < 1e-8 * diagonal.max():
        return None
    inverse = linalg.solve_triangular(r, np.eye(r.shape[0]))
    left = y.size - r.shape[0]
    if left < 1:
        return None
    coefficients = inverse @ (q.T @ y)
    miss = y - matrix @ coefficients
    variance = float(miss @ miss) / left
    return coefficients[1:], (inverse @ inverse.T)[1:, 1:] * variance, variance


def _part(b: FloatArray, spread: FloatArray, covariance: FloatArray) -> tuple[float, float]:
    """Variance that a group adds, and the variance of that estimate."""
    noise = covariance @ spread
    added = float(b @ covariance @ b - np.trace(noise))
    error = float(4.0 * b @ noise @ covariance @ b + 2.0 * np.trace(noise @ noise))
    return added, error


def _together(
    y: FloatArray, groups: Sequence[Group], columns: Sequence[FloatArray]
) -> tuple[FloatArray, FloatArray, float] | None:
    fitted = _fit(y, np.concatenate(columns, axis=1))
    if fitted is None:
        return None
    b, spread, variance = fitted
    ends = np.cumsum([0, *(own.shape[1] for own in columns)])
    parts, errors = np.empty(len(groups)), np.empty(len(groups))
    for n, group in enumerate(groups):
        own = slice(int(ends[n]), int(ends[n + 1]))
        parts[n], errors[n] = _part(b[own], spread[own, own], group.covariance)
    of_rest = 2.0 * variance**2 / (y.size - 1 - b.size)
    whole = float(parts.sum()) + variance
    shares = parts / whole
    others = float(errors.sum()) + of_rest
    squares = (1.0 - shares) ** 2 * errors + shares**2 * (others - errors)
    return shares, np.sqrt(squares) / whole, variance / whole


def _alone(y: FloatArray, group: Group, columns: FloatArray, whole: float) -> tuple[float, float]:
    while columns.shape[1]:
        fitted = _fit(y, columns)
        if fitted is not None:
            b, spread, _ = fitted
            part, error = _part(b, spread, group.covariance[: b.size, : b.size])
            return part / whole, float(np.sqrt(error)) / whole
        columns = columns[:, :-1]
    return 0.0, 0.0
