"""What is most likely after readings: gradients, spreads, coverage, other starts."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from calibration_cases import (
    BELL,
    CHEAP,
    WIDE,
    cheap_model,
    distorted,
    frequencies,
    noisy,
    small_model,
    swr_visit,
    truth,
    visit,
)
from scipy.constants import c
from scipy.stats import chi2

from ridgepole.solver import Readings, Visit
from ridgepole.solver.study.calibration.posterior import IMPROBABLE, Data, ScoreSpread, fit, fitted
from ridgepole.solver.study.calibration.reading_data import MODEL_ERROR, Distortion
from ridgepole.solver.study.calibration.starts import other_starts
from ridgepole.solver.study.model.attic_model import HouseState

LOPSIDED = np.array([0.7, -1.1, 0.4, -0.8, 1.3])


def test_gradient_of_what_is_missed_against_differences() -> None:
    """Of three visits: with phase, at another length, and of SWR alone; plain and distorted."""
    model = small_model()
    f = frequencies(model, 2)
    g = truth(model, LOPSIDED, f)
    visits = [
        visit(f, noisy(g, 1)),
        visit(f, noisy(g, 2), {"long": 8.17}),
        swr_visit(f, noisy(g, 3)),
    ]
    plain = Data.of(model, visits)
    at = np.array([0.3, 0.9, -0.6, 0.5, -1.2])
    for data in (plain, plain.distorted(Distortion(conjugate=True, line=0.7, size=0.9))):
        slopes = data.residual(HouseState(at, model.middle.cables))[1]
        step = 1e-4
        for n in range(at.size):
            ends = [
                data.residual(HouseState(at + s * step * np.eye(5)[n], model.middle.cables))[0]
                for s in (-1.0, 1.0)
            ]
            found = (ends[1] - ends[0]) / (2.0 * step)
            # Tolerance class rounding: central differences of a smooth function.
            assert np.abs(found - slopes[:, n]).max() < 1e-6 * max(np.abs(slopes).max(), 1e-3)
    assert np.abs(slopes).max() > 1e-3


def test_posterior_covers_truths_drawn_from_the_prior() -> None:
    """20 houses and readings drawn from all that is assumed: 10-90 % holds four in five."""
    model = small_model()
    f = frequencies(model, 4)
    inside, spreads = [], []
    for seed in range(20):
        rng = np.random.default_rng(seed)
        scores = np.clip(rng.standard_normal(5), -2.9, 2.9)
        g = truth(model, scores, f)
        data = Data.of(model, [visit(f, g)])
        error = np.linalg.cholesky(data.covariance) @ rng.standard_normal(data.size)
        read = g + (error[: f.size] + 1j * error[f.size :]) * np.exp(1j * np.angle(g))
        found = fit(model, [visit(f, read)])
        inside.append(np.abs(found.scores - scores) <= 1.2816 * found.spread)
        spreads.append(found.spread)
    held = np.array(inside).sum(axis=0)
    # 16 of 20 expected of each; binomial, so that 10 or fewer come of one case in 400.
    assert held.min() >= 11, held
    assert 70 <= held.sum() <= 92, held  # 80 +- 4 expected of 100
    assert np.mean(spreads, axis=0)[3] < 0.7  # the length is learned, or covering is no feat


@pytest.mark.parametrize(("unknowns", "tolerance"), [(BELL, 0.05), (CHEAP, 0.15)])
def test_spread_is_that_of_a_grid_of_two_unknowns(unknowns: str, tolerance: float) -> None:
    """Laplace's approximation against the posterior summed over a grid (brute force).

    With bells it is near; a lead alike likely over its range is curved in its score.
    """
    model = cheap_model(unknowns)
    f = frequencies(model, 3)
    visits = [visit(f, noisy(truth(model, [0.6, -0.4], f), 4))]
    found = fit(model, visits)
    data = found.data
    reach = np.linspace(-4.0, 4.0, 25)
    steps = np.stack(np.meshgrid(reach, reach), axis=-1).reshape(-1, 2)
    grid = found.scores + steps * found.spread
    grid = grid[np.abs(grid).max(axis=1) < 2.99]
    seen = np.empty((f.size, len(grid)), dtype=complex)
    for k, x in enumerate(map(float, f)):
        band = model.band(model.band_at(x))
        base = band.eliminated(x, model.middle)
        z = np.array([
            band.impedance(x, model.told, HouseState(u, model.middle.cables), eliminated=base)
            for u in grid
        ])  # fmt: skip
        seen[k] = (z - 50.0) / (z + 50.0)
    missed = np.linalg.solve(np.linalg.cholesky(data.covariance), data.missed(seen))
    weight = np.exp(-0.5 * ((missed**2).sum(axis=0) + (grid**2).sum(axis=1) - found.cost))
    weight /= weight.sum()
    mean = weight @ grid
    covariance = (grid - mean).T @ (weight[:, None] * (grid - mean))
    # Tolerance class discretisation: what is not quadratic about the least value, and grid ends.
    assert (np.abs(mean - found.scores) / found.spread).max() < 2.0 * tolerance
    np.testing.assert_allclose(np.sqrt(np.diag(covariance)), found.spread, rtol=tolerance)
    correlation = covariance[0, 1] / np.sqrt(covariance[0, 0] * covariance[1, 1])
    assert correlation == pytest.approx(found.correlation[0, 1], abs=tolerance)
    assert abs(correlation) > 0.3  # a grid of independent unknowns would show little


def test_readings_that_say_nothing_leave_the_prior() -> None:
    model = small_model()
    f = frequencies(model, 3)
    g = truth(model, LOPSIDED, f)
    loud = Readings(f, g, np.abs(g), magnitude_sd=np.full(6, 500.0), phase_sd_deg=np.full(6, 3e4))
    found = fit(model, [Visit(loud)])
    # Tolerance class rounding: what noise of 500 lets through.
    assert np.abs(found.scores).max() < 1e-4
    np.testing.assert_allclose(found.covariance, np.eye(5), atol=1e-4)
    quiet = fit(model, [visit(f, g)])
    assert quiet.spread.min() < 0.8


def test_swr_alone_counts_by_size() -> None:
    """Phases that were not read change nothing, and the size alone narrows less than both."""
    model = cheap_model()
    f = frequencies(model, 5)
    g = truth(model, [1.2, 0.3], f)
    both, alone = fit(model, [visit(f, g)]), fit(model, [swr_visit(f, g)])
    turned = fit(model, [swr_visit(f, g * np.exp(1j * np.linspace(0.0, 2.0, f.size)))])
    np.testing.assert_allclose(alone.scores, turned.scores, rtol=1e-6)
    assert (both.data.size, alone.data.size) == (10, 5)
    assert both.spread[0] < alone.spread[0] < 0.95
    assert abs(alone.scores[0] - 1.2) < 2.0 * alone.spread[0]


def test_least_value_is_spread_as_chi_square() -> None:
    """The least value of a linear model, in closed form: d^T (C + J J^T)^-1 d (computed)."""
    model = small_model()
    f = frequencies(model, 4)
    data = Data.of(model, [visit(f, noisy(truth(model, 0.1 * LOPSIDED, f), 5))])
    found = fitted(data)
    seen, slopes = data.sloped(found.state)
    miss, covariance = data.evidence(seen, slopes, found.scores)
    # Tolerance class discretisation: steps of the fit end at 1e-6 of the least value.
    assert found.cost == pytest.approx(float(miss @ np.linalg.solve(covariance, miss)), rel=1e-5)
    assert found.chance == pytest.approx(chi2.sf(found.cost, 16))


def test_errors_of_the_model_are_shared_by_a_band() -> None:
    """All readings of a band off alike cost little, of alternating sign much."""
    model = small_model()
    f = frequencies(model, 4)
    data = Data.of(model, [visit(f, truth(model, np.zeros(5), f))])
    turn = np.exp(1j * np.angle(data.reflection))
    alike = data.parts(np.full(f.size, 0.01 + 0.0j))
    signs = (-1.0) ** np.arange(f.size)
    other = data.parts((0.01 * turn * signs).astype(np.complex128))
    costs = [float(((data.whitening @ one) ** 2).sum()) for one in (alike, other)]
    assert costs[0] < 2.1 < 6.0 < costs[1]  # one of each band's two numbers; eight of noise
    assert MODEL_ERROR == 0.01


def test_distortions_are_what_they_are_called() -> None:
    """A matched line turns by twice its electrical length (common practice)."""
    f = np.array([7.1e6, 21.3e6])
    g = np.array([0.5 + 0.2j, -0.3 + 0.6j])
    np.testing.assert_allclose(distorted(f, g, conjugate=True), g.conj())
    turned = distorted(f, g, line=2.0, size=0.8)
    np.testing.assert_allclose(turned / g, 0.8 * np.exp(-2j * (2 * np.pi * f / c) * 2.0))


def test_draws_have_the_spread_they_are_drawn_from() -> None:
    """Mean and covariance of many, and none beyond the limits of scores."""
    covariance = np.array([[0.5, 0.3], [0.3, 0.4]])
    spread = ScoreSpread(scores=np.array([0.4, -0.2]), covariance=covariance)
    drawn = spread.draws(40000, seed=3)
    # Tolerance class statistics: 1/sqrt(40000), five of them.
    np.testing.assert_allclose(drawn.mean(axis=0), spread.scores, atol=0.025)
    np.testing.assert_allclose(np.cov(drawn.T), covariance, atol=0.025)
    wide = replace(spread, covariance=9.0 * np.eye(2)).draws(500)
    assert np.abs(wide).max() == 3.0
    np.testing.assert_array_equal(spread.draws(5, 1), spread.draws(5, 1))


def test_another_start_leads_out_of_a_wrong_hollow() -> None:
    """Near half a wavelength the phase turns back: a descent from the far side ends badly."""
    model = cheap_model(WIDE, ("28-29 MHz",), "7.7 m")
    f = frequencies(model, 4)
    hidden = np.array([-1.0, 0.3])
    data = Data.of(model, [visit(f, noisy(truth(model, hidden, f), 6))])
    trapped = fitted(data, start=np.array([2.7, 0.0]))
    found = fit(model, [visit(f, data.reflection)], start=np.array([2.7, 0.0]))
    assert trapped.chance < IMPROBABLE <= found.chance
    assert abs(found.scores[0] - hidden[0]) < 4.0 * found.spread[0] < 1.0
    assert found.began_elsewhere
    assert found.starts > 1
    straight = fit(model, [visit(f, data.reflection)])
    assert (straight.starts, straight.began_elsewhere) == (1, False)
    np.testing.assert_allclose(found.scores, straight.scores, atol=0.02)  # steps of the fit
    starts = other_starts(data, trapped.state)
    assert min(abs(one[0] - hidden[0]) for one in starts) < 0.5


def test_two_sides_of_a_resonance_are_two_answers_of_swr_alone() -> None:
    """One SWR on a slope: shorter or longer; its neighbours, or its phase, say which."""
    model = cheap_model(WIDE, ("28-29 MHz",), "7.7 m")
    f = frequencies(model, 4)
    g = truth(model, [-1.0, 0.0], f)
    one = fit(model, [swr_visit(f[1:2], g[1:2])])
    assert one.rival is not None
    sides = sorted([one.scores[0], one.rival.scores[0]])
    assert sides == pytest.approx([-1.0, 1.3], abs=0.25)
    assert fit(model, [swr_visit(f, g)]).rival is None
    assert fit(model, [visit(f[1:2], g[1:2])]).rival is None


def test_an_element_is_no_longer_than_its_way() -> None:
    """Its unknown adds what there is room for, and beyond that nothing changes."""
    model = cheap_model(length="8.9 m")
    way = 8.949
    effective = [
        float(model.effective(model.told, np.array([u, 0.0]))[0]) for u in (-1.0, 0.3, 2.9)
    ]
    assert effective[0] == pytest.approx(8.9 * (1 - 0.01 / 1.2816), rel=1e-6)
    assert effective[1] < effective[2] == pytest.approx(way, abs=1e-3)
    f = frequencies(model, 2)
    data = Data.of(model, [visit(f, truth(model, [0.0, 0.0], f))])
    slopes = [data.residual(HouseState(np.array([u, 0.2]), []))[1] for u in (0.3, 2.9)]
    assert np.abs(slopes[0][:, 0]).max() > 1e-3
    assert np.all(slopes[1][:, 0] == 0.0)
    found = fit(model, [visit(f, truth(model, [0.2, 0.0], f))])
    assert found.scores[0] == pytest.approx(0.2, abs=found.spread[0])


def test_cables_that_nobody_told_are_an_error_that_readings_share() -> None:
    """The mean square of what all four sets of two change, each as likely, about none."""
    model = cheap_model(CHEAP + "cables = 2\n")
    assert len(model.cables) == 2
    f = frequencies(model, 3)
    g = truth(model, [0.0, 0.0], f)
    data = Data.of(model, [visit(f, g)])
    sets = [[False, False], [True, False], [False, True], [True, True]]
    rows = np.stack([
        data.parts(data.reflections(HouseState(np.zeros(2), some)) - g) for some in sets
    ])  # fmt: skip
    without = replace(data, by_cables=data.by_cables[:0])
    added = data.covariance - without.covariance
    # Tolerance class discretisation: two cables are taken to add up.
    np.testing.assert_allclose(added, rows.T @ rows / 4.0, atol=0.1 * np.abs(added).max())
    assert np.abs(added).max() > 1e-10
    assert fitted(data).spread[0] > fitted(without).spread[0]
