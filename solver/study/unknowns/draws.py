"""Cases drawn from all that is unknown, evenly spread: scores, and which cables are there."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from ...errors import PriorError
from ...moments.basis import FloatArray
from ..sweep_parameters import unit_points
from .cables import mask_of
from .distributions import SCORE_LIMIT
from .records import Unknown

__all__ = ["cable_count", "sobol_scores"]

MOST_CASES = 1 << 20


def cable_count(unknowns: Sequence[Unknown]) -> int:
    """How many candidates of cables the unknowns ask for, 0 without any."""
    return sum(round(one.distribution.second) for one in unknowns if one.kind == "cables")


def sobol_scores(
    unknowns: Sequence[Unknown], count: int, seed: int
) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Cases drawn from what is unknown: the first of a scrambled Sobol sequence.

    Parameters
    ----------
    unknowns : sequence of Unknown
    count : int
        Of cases; powers of two are the most even.
    seed : int
        >= 0; equal seeds give equal cases.

    Returns
    -------
    scores : ndarray, shape (count, U)
        Standard normal scores of the unknowns that are not cables, in their order, none beyond
        `SCORE_LIMIT`.
    cables : ndarray of bool, shape (count, C)
        Which candidates of `cable_count` are there.

    Raises
    ------
    PriorError
        If count or seed is none, or several unknowns are cables.
    """
    for what, value, least, most in (
        ("count", count, 1, MOST_CASES),
        ("seed", seed, 0, 2**63 - 1),
    ):
        whole = isinstance(value, int | np.integer) and not isinstance(value, bool)
        if not whole or not least <= value <= most:
            raise PriorError(f"{what} is {value!r}; it must be a whole number, {least} to {most}.")
    if sum(one.kind == "cables" for one in unknowns) > 1:
        raise PriorError("Several unknowns are cables; put them into one, with the sum of counts.")
    n_scores = sum(one.kind != "cables" for one in unknowns)
    n_cables = cable_count(unknowns)
    n_points = n_scores + (n_cables + 1 if n_cables else 0)
    if not n_points:
        return np.zeros((count, 0)), np.zeros((count, 0), dtype=bool)
    points = unit_points("sobol", n_points, int(count), seed=int(seed))
    tail = float(ndtr(-SCORE_LIMIT))
    scores = ndtri(tail + (1.0 - 2.0 * tail) * points[:, :n_scores])
    if not n_cables:
        return scores, np.zeros((count, 0), dtype=bool)
    return scores, mask_of(points[:, n_scores:])
