"""First-order Sobol indices: against closed forms, another estimator, and their own noise.

Closed forms are computed from the definition, Var(E[y | x_i]) / Var(y), over standard normal
scores cut off at `SCORE_LIMIT`; integrals by Gauss's rule with 200 nodes.
"""

import inspect
import itertools
import math
from typing import Any

import numpy as np
import pytest
from scipy import stats
from scipy.special import ndtr
from small_ensemble import model

from ridgepole.solver import PriorError
from ridgepole.solver.study.ensemble.sobol import (
    Group,
    Indices,
    cable_group,
    dependent_groups,
    first_order,
    groups_of,
    orthonormal,
)
from ridgepole.solver.study.model.attic_model import HouseState
from ridgepole.solver.study.unknowns import SCORE_LIMIT, Distribution, Unknown, sobol_scores
from ridgepole.solver.study.unknowns.cables import mask_of

ROUNDING = 1e-9
"""Tolerance class rounding: the polynomials hold the function exactly."""

NODES, WEIGHTS = np.polynomial.legendre.leggauss(200)
NODES = SCORE_LIMIT * NODES
WEIGHTS = WEIGHTS * np.exp(-0.5 * NODES**2)
WEIGHTS = WEIGHTS / WEIGHTS.sum()


def mean(values: np.ndarray) -> float:
    return float(WEIGHTS @ values)


def variance(values: np.ndarray) -> float:
    return mean(values**2) - mean(values) ** 2


def scores_of(names: int, count: int, seed: int) -> np.ndarray:
    unknowns = [
        Unknown(f"x{n}", "lead", "", Distribution.between(0.0, 1.0), "H") for n in range(names)
    ]
    return sobol_scores(unknowns, count, seed)[0]


def indices_of(values: np.ndarray, scores: np.ndarray) -> Indices:
    names = [f"x{n}" for n in range(scores.shape[1])]
    groups = groups_of(names, scores, np.zeros((len(scores), 0), dtype=bool))
    return first_order(values, groups, independent=True)


def test_polynomials_are_orthonormal_over_scores_that_are_cut_off():
    found = orthonormal(NODES, 3)
    assert np.abs(WEIGHTS @ found).max() < 1e-12
    assert np.abs(found.T @ (WEIGHTS[:, None] * found) - np.eye(3)).max() < 1e-12


@pytest.mark.parametrize("count", [32, 64])
def test_additive_quadratic_is_exact(count: int):
    slopes, bends = np.array([1.7, -0.4, 0.0, 0.9]), np.array([0.3, 0.8, 0.0, -0.2])
    u = scores_of(4, count, 3)
    found = indices_of(12.0 + u @ slopes + u**2 @ bends, u)
    parts = [variance(a * NODES + b * NODES**2) for a, b in zip(slopes, bends, strict=True)]
    expected = np.array(parts) / sum(parts)
    assert np.abs(found.shares - expected).max() < ROUNDING
    assert found.errors.max() < ROUNDING
    assert abs(found.rest) < ROUNDING
    assert found.order[0] == int(np.argmax(expected))


def test_a_product_belongs_to_nobody_alone():
    apart, each = [], []
    v = variance(NODES)
    expected = np.array([0.0, 0.0, 4.0 * v]) / (4.0 * v + 9.0 * v * v)
    for seed in range(30):
        u = scores_of(3, 64, seed)
        found = indices_of(2.0 * u[:, 2] + 3.0 * u[:, 0] * u[:, 1], u)
        apart.append((found.shares - expected) / found.errors)
        each.append([*found.shares, found.rest])
    # sampling: 30 seeds, a mean of 90 numbers
    average = np.mean(each, axis=0)
    assert np.abs(average - [*expected, 1.0 - expected[2]]).max() < 0.04
    assert 0.6 < np.sqrt(np.mean(np.square(apart))) < 1.6  # the errors are what they say


def test_ishigami_like_function_of_scores():
    """sin and a fourth power with an interaction, as Ishigami and Homma's (1990, from memory)."""
    u = scores_of(3, 512, 1)
    y = np.sin(0.8 * u[:, 0]) * (1.0 + 0.1 * u[:, 2] ** 4) + 0.6 * np.sin(0.5 * u[:, 1]) ** 2
    first, second = np.sin(0.8 * NODES), 0.6 * np.sin(0.5 * NODES) ** 2
    fourth = 1.0 + 0.1 * NODES**4
    main = [variance(first) * mean(fourth) ** 2, variance(second), 0.0]
    whole = mean(first**2) * mean(fourth**2) + variance(second)
    found = indices_of(y, u)
    # sampling: three standard errors, and what a cubic leaves of the sines
    assert np.all(np.abs(found.shares - np.array(main) / whole) < 3.0 * found.errors + 0.01)
    assert found.rest == pytest.approx(1.0 - sum(main) / whole, abs=0.05)
    assert found.errors.max() < 0.05


def test_what_does_nothing_has_no_index_in_the_mean():
    found = []
    for seed in range(24):
        u = scores_of(12, 64, seed)
        noise = np.random.default_rng(seed).standard_normal(64)
        found.append(indices_of(u[:, 0] + noise, u).shares)
    average = np.mean(found, axis=0)
    # sampling: 24 seeds; without the correction each of the twelve would be at 0.015 or more
    assert abs(float(average[1:].mean())) < 0.006
    expected = variance(NODES) / (variance(NODES) + 1.0)
    assert average[0] == pytest.approx(expected, abs=0.05)


def test_cables_are_one_group_with_what_their_number_does():
    weights = np.array([1.0, -0.3, 0.6])
    there = np.array(list(itertools.product([False, True], repeat=3)))
    # each number of cables alike likely, and of a number each choice
    likely = np.array([1.0 / (4.0 * math.comb(3, int(row.sum()))) for row in there])
    expected = likely @ ((there - 0.5) @ weights) ** 2
    group = cable_group("cables", there)
    assert weights @ group.covariance @ weights == pytest.approx(expected, rel=1e-12)
    drawn = mask_of(np.random.default_rng(2).random((40_000, 4))).astype(float)
    assert np.abs(np.cov(drawn.T) - group.covariance).max() < 0.005  # sampling
    u = scores_of(2, 64, 0)
    points = np.random.default_rng(1).random((64, 4))
    lying = mask_of(points)
    groups = groups_of(["a", "b"], u, lying, cables_name="cables")
    found = first_order(2.0 * u[:, 0] + lying @ weights, groups, independent=True)
    assert found.names == ("a", "b", "cables")
    assert found.share("cables") == pytest.approx(
        expected / (expected + 4.0 * variance(NODES)), abs=ROUNDING
    )


def test_one_cable():
    there = np.array([[False], [True]])
    assert cable_group("cable", there).covariance == pytest.approx(np.array([[0.25]]))


def test_unknowns_that_hang_together_share_what_they_explain():
    rng = np.random.default_rng(4)
    u = rng.standard_normal((4096, 3)) * [0.3, 0.2, 1.0] + [1.0, -0.5, 0.0]
    u[:, 1] = -0.5 + 0.2 * (0.8 * (u[:, 0] - 1.0) / 0.3 + 0.6 * rng.standard_normal(4096))
    groups = dependent_groups(["a", "b", "c"], u, np.zeros((4096, 0), dtype=bool))
    found = first_order(5.0 * u[:, 0], groups, independent=False)
    assert np.isnan(found.rest)
    # sampling, 4096 cases: all by a, the square of the correlation by b
    assert np.abs(found.shares - [1.0, 0.64, 0.0]).max() < 0.03


def test_too_few_cases_for_all_together_are_fitted_one_by_one():
    u = scores_of(12, 10, 0)
    found = indices_of(3.0 * u[:, 4] + 0.05 * u[:, 1], u)
    assert found.order[0] == 4
    assert np.isnan(found.rest)
    assert found.errors[0] > 0.05  # and they say how little that is worth


def test_a_figure_that_does_not_vary_has_none():
    u = scores_of(3, 32, 0)
    found = indices_of(np.full(32, 7.25), u)
    assert not found.is_known
    assert np.isnan(found.shares).all()
    assert np.isnan(found.rest)


def test_cases_without_the_figure_are_left_out():
    u = scores_of(2, 64, 0)
    y = u[:, 0] - 0.5 * u[:, 1]
    y[[3, 17, 40]] = np.nan
    found = indices_of(y, u)
    assert found.cases == 61
    assert found.shares == pytest.approx([0.8, 0.2], abs=ROUNDING)
    assert not indices_of(np.where(np.arange(64) < 60, np.nan, y), u).is_known


def test_columns_that_say_the_same_are_fitted_alone():
    u = scores_of(2, 32, 0)
    twice = [Group("a", u[:, :1], np.eye(1)), Group("b", u[:, :1], np.eye(1))]
    found = first_order(u[:, 0] + 0.1 * u[:, 1], twice, independent=True)
    assert found.shares[0] == pytest.approx(found.shares[1])
    assert np.isnan(found.rest)


def test_an_unknown_that_is_none_is_refused():
    u = scores_of(2, 32, 0)
    with pytest.raises(PriorError, match="'z'; there are: x0, x1"):
        indices_of(u[:, 0], u).share("z")


def test_against_another_estimator_on_an_attic():
    """scipy's, from two matrices of cases and their mixtures: lengths of a small attic's wires."""
    attic = model()
    band = attic.band("20 m")
    f = band.band.centre
    house = band.eliminated(f, attic.middle)
    cheap = [n for n, one in enumerate(attic.unknowns) if one.kind in ("length", "lead")]
    assert len(cheap) == 3

    def figures(scores: np.ndarray) -> np.ndarray:
        z = np.empty(len(scores), dtype=complex)
        for k, own in enumerate(scores):
            u = attic.middle.scores.copy()
            u[cheap] = 2.0 * own  # wide enough to bend
            state = HouseState(u, attic.middle.cables)
            z[k] = band.impedance(f, attic.told, state, eliminated=house)
        return np.stack([np.imag(z), np.abs((z - 50.0) / (z + 50.0))])

    cut_off = stats.truncnorm(-SCORE_LIMIT / 2.0, SCORE_LIMIT / 2.0)
    known = "rng" if "rng" in inspect.signature(stats.sobol_indices).parameters else "random_state"
    options: dict[str, Any] = {known: 3, "dists": [cut_off] * 3}
    other = stats.sobol_indices(func=lambda x: figures(x.T), n=256, **options).first_order
    u = cut_off.ppf(ndtr(scores_of(3, 64, 11)))
    names = ["long", "short", "lead"]
    groups = dependent_groups(names, u, np.zeros((64, 0), dtype=bool))
    for own, theirs in zip(figures(u), other, strict=True):
        found = first_order(own, groups, independent=True)
        # sampling: two estimators with 256 x 5 and 64 cases
        assert np.abs(found.shares - theirs).max() < 0.05
        assert found.order[0] == int(np.argmax(theirs))
        assert theirs.max() < 0.95  # not all by one
