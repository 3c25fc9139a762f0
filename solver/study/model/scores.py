r"""Quadratic interpolation in what is not known, from few values.

With f known at the middle, at -h and +h along each score, and at (h, h) of pairs of scores,

    f(u) = f0 + sum (f+ - f-)/(2h) u + (f+ + f- - 2 f0)/(2 h^2) u^2
              + sum over pairs (f++ - f+. - f.+ + f0)/h^2 u u'

is exact for quadratics whose mixed terms are those of the pairs.  It is linear in the values, so
that one set of weights serves matrices and forms alike.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from ...moments.basis import FloatArray
from ..unknowns import Unknown

STEP = math.sqrt(3.0)
"""Where a normal score's own quadrature of three points lies."""


@dataclass(frozen=True)
class ScoreNodes:
    """Where something is computed, to be known everywhere.

    Attributes
    ----------
    n_scores : int
    pairs : tuple of (int, int)
        Scores whose product matters.
    """

    n_scores: int
    pairs: tuple[tuple[int, int], ...] = ()

    @classmethod
    def of(cls, unknowns: Sequence[Unknown]) -> ScoreNodes:
        """For some unknowns; those that change what the earth reflects matter in pairs."""
        earthly = [
            n for n, one in enumerate(unknowns) if one.key.split(".")[0] in ("earth", "attic")
        ]
        return cls(len(unknowns), tuple((i, j) for i in earthly for j in earthly if i < j))

    @cached_property
    def places(self) -> FloatArray:
        """Scores of the nodes, (T, U): the middle first, then each - and +, then the pairs."""
        found = [np.zeros(self.n_scores)]
        for i in range(self.n_scores):
            found += [-STEP * self._unit(i), STEP * self._unit(i)]
        found += [STEP * (self._unit(i) + self._unit(j)) for i, j in self.pairs]
        return np.array(found)

    def __len__(self) -> int:
        return 1 + 2 * self.n_scores + len(self.pairs)

    def _unit(self, which: int) -> FloatArray:
        return np.eye(self.n_scores)[which]

    def weights(self, scores: FloatArray) -> FloatArray:
        """Weights of the nodes, (T,), for scores (U,)."""
        u, found = scores / STEP, np.zeros(len(self))
        found[1 : 1 + 2 * self.n_scores : 2] = 0.5 * (u * u - u)
        found[2 : 2 + 2 * self.n_scores : 2] = 0.5 * (u * u + u)
        for k, (i, j) in enumerate(self.pairs, start=1 + 2 * self.n_scores):
            found[k] = u[i] * u[j]
            found[2 + 2 * i] -= found[k]
            found[2 + 2 * j] -= found[k]
        found[0] = 1.0 - found[1:].sum()
        return found

    def slopes(self, scores: FloatArray) -> FloatArray:
        """Derivatives of the weights to each score, (U, T)."""
        u, found = scores / STEP, np.zeros((self.n_scores, len(self)))
        for i in range(self.n_scores):
            found[i, 1 + 2 * i] = u[i] - 0.5
            found[i, 2 + 2 * i] = u[i] + 0.5
        for k, (i, j) in enumerate(self.pairs, start=1 + 2 * self.n_scores):
            for one, other in ((i, j), (j, i)):
                found[one, k] = u[other]
                found[one, 2 + 2 * i] -= u[other]
                found[one, 2 + 2 * j] -= u[other]
        found[:, 0] = -found[:, 1:].sum(axis=1)
        return found / STEP
