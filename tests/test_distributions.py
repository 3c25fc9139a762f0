"""Distributions: their maps against scipy's, what cannot be one, and how people write them."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from scipy import stats

from ridgepole.solver import Distribution
from ridgepole.solver.errors import PriorError
from ridgepole.solver.study.unknowns import FOUR_IN_FIVE, SCORE_LIMIT, parse_distribution

PARTS = np.array([1e-6, 0.003, 0.1, 0.37, 0.5, 0.81, 0.9, 0.996, 1.0 - 1e-6])
SCORES = np.linspace(-4.5, 4.5, 31)

LOPSIDED = [
    Distribution.normal(5.4, 0.3),
    Distribution.normal(0.14, 0.04, least=0.06, most=0.28),
    Distribution.normal(-1.0, 2.0, least=-1.7, most=9.0),
    Distribution.lognormal(0.004, 2.0),
    Distribution.lognormal(3.0, 1.6, least=1.5, most=100.0),
    Distribution.between(-0.2, 1.7),
]


def _scipy(one: Distribution) -> Any:
    """The same by scipy.stats; the location of a cut bell is found by bisection of its median."""
    if one.shape == "between":
        return stats.uniform(one.first, one.second - one.first)
    log = one.shape == "lognormal"
    middle, spread = (math.log(one.first), math.log(one.second)) if log else (one.first, one.second)
    with np.errstate(divide="ignore"):
        low, high = (float(np.log(v)) if log else v for v in (one.least, one.most))
    scale = float(spread / stats.norm.ppf(0.9))

    def cut(location: float) -> Any:
        return stats.truncnorm(
            (low - location) / scale, (high - location) / scale, loc=location, scale=scale
        )

    least, most = middle - 3.0 * scale, middle + 3.0 * scale
    for _ in range(60):
        half = 0.5 * (least + most)
        least, most = (half, most) if cut(half).median() < middle else (least, half)
    return cut(0.5 * (least + most))


@pytest.mark.parametrize("one", LOPSIDED, ids=str)
def test_quantiles_are_those_of_scipy(one: Distribution):
    found, wanted = one.quantile(PARTS), _scipy(one).ppf(PARTS)
    wanted = np.exp(wanted) if one.shape == "lognormal" else wanted
    np.testing.assert_allclose(found, wanted, rtol=1e-9, atol=1e-11)  # rounding


@pytest.mark.parametrize("one", LOPSIDED, ids=str)
def test_density_is_that_of_scipy(one: Distribution):
    values = one.quantile(PARTS)
    at, by = (np.log(values), values) if one.shape == "lognormal" else (values, 1.0)
    np.testing.assert_allclose(one.density(values), _scipy(one).pdf(at) / by, rtol=1e-7)  # rounding


@pytest.mark.parametrize("one", LOPSIDED, ids=str)
def test_values_rise_and_lead_back_to_their_scores(one: Distribution):
    values = one.value(SCORES)
    assert np.all(np.diff(values) > 0.0)
    np.testing.assert_allclose(one.score(values), SCORES, atol=1e-8)  # rounding
    assert one.middle == pytest.approx(0.5 * (-0.2 + 1.7) if one.shape == "between" else one.first)
    assert (one.low, one.high) == (one.value(-SCORE_LIMIT), one.value(SCORE_LIMIT))
    assert one.least <= one.low < one.four_in_five[0] < one.middle < one.four_in_five[1] < one.high


@pytest.mark.parametrize("one", LOPSIDED, ids=str)
def test_slopes_are_those_of_central_differences(one: Distribution):
    step = 1e-5
    wanted = (one.value(SCORES + step) - one.value(SCORES - step)) / (2.0 * step)
    # differences: step^2, and rounding of the value over the step
    np.testing.assert_allclose(one.slope(SCORES), wanted, rtol=1e-8, atol=1e-10)


def test_spread_and_factor_hold_four_cases_in_five():
    assert Distribution.normal(14.0, 4.0).four_in_five == pytest.approx((10.0, 18.0), rel=1e-14)
    assert Distribution.lognormal(4.0, 2.0).four_in_five == pytest.approx((2.0, 8.0), rel=1e-14)
    cut = Distribution.normal(14.0, 4.0, least=9.0, most=40.0).four_in_five
    assert 10.0 < cut[0] < 14.0 < cut[1] < 18.0
    assert float(stats.norm.cdf(FOUR_IN_FIVE)) == pytest.approx(0.9, rel=1e-14)


def test_bounds_are_kept_and_outside_of_them_nothing_is():
    one = Distribution.normal(0.14, 0.04, least=0.06, most=0.28)
    far = one.value(np.array([-40.0, 40.0]))
    assert far == pytest.approx([0.06, 0.28], rel=1e-12)
    assert np.all(one.density(np.array([0.0599, 0.2801])) == 0.0)
    assert (one.score(0.06), one.score(0.28)) == (-math.inf, math.inf)
    for outside in (0.0599, 0.2801, math.nan):
        with pytest.raises(PriorError, match=r"has values from 0\.06 to 0.28 only"):
            one.score(outside)
    with pytest.raises(PriorError, match="0 to 1"):
        one.quantile(1.2)


def test_numbers_give_numbers_and_arrays_their_shape():
    one = LOPSIDED[4]
    told = np.array([[0.1, -2.0, 0.4], [1.0, 0.0, -0.3]])
    for call in (one.value, one.slope):
        assert isinstance(call(0.3), float)
        assert call(told).shape == told.shape
    assert isinstance(one.score(3.3), float)
    assert isinstance(one.density(3.3), float)


def test_times_and_about_keep_what_they_say():
    one = Distribution.lognormal(3.0, 1.6, least=1.5, most=100.0)
    np.testing.assert_allclose(one.times(0.2).value(SCORES), 0.2 * one.value(SCORES), rtol=1e-12)
    assert one.about(7.0) == Distribution.lognormal(7.0, 1.6, least=1.5, most=100.0)
    with pytest.raises(PriorError, match="no middle to move"):
        Distribution.between(0.0, 1.0).about(2.0)
    with pytest.raises(PriorError, match="above 0"):
        one.times(-1.0)


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda: Distribution.normal(1.0, 0.0), r'spread is 0; it must be above 0.*say "known"'),
        (lambda: Distribution.normal(1.0, -0.2), "spread is -0.2"),
        (lambda: Distribution.normal(math.nan, 0.2), "middle is nan"),
        (lambda: Distribution.normal(1.0, math.inf), "spread is inf"),
        (lambda: Distribution.normal("1", 0.2), "middle is '1', which is no number"),  # type: ignore
        (lambda: Distribution.normal(1.0, True), "spread is True"),
        (lambda: Distribution.normal(1.0, 0.2, least=1.5), "does not lie between least, 1.5"),
        (lambda: Distribution.normal(1.0, 0.2, most=math.nan), "most is nan"),
        (lambda: Distribution.normal(1.0, 1.0, least=0.8), "least, 0.8, lies so near"),
        (lambda: Distribution.normal(1.0, 1.0, most=1.2), "most, 1.2, lies so near"),
        (lambda: Distribution.lognormal(0.0, 2.0), "middle is 0, .* above 0"),
        (lambda: Distribution.lognormal(-3.0, 2.0), "middle is -3"),
        (lambda: Distribution.lognormal(3.0, 1.0), "factor is 1; it must be above 1"),
        (lambda: Distribution.lognormal(3.0, 0.5), "factor is 0.5"),
        (lambda: Distribution.lognormal(3.0, 2.0, least=-1.0), "least is -1"),
        (lambda: Distribution.between(2.0, 2.0), "the same as the high end, 2"),
        (lambda: Distribution.between(3.0, 2.0), "not below the high end, 2"),
        (lambda: Distribution.between(math.nan, 2.0), "low end is nan"),
        (lambda: Distribution("beta", 1.0, 2.0), "shape is 'beta'"),
    ],
)
def test_what_is_no_distribution_is_told(make, says: str):
    with pytest.raises(PriorError, match=says):
        make()


@pytest.mark.parametrize(
    ("told", "unit", "middle", "wanted"),
    [
        ("0.004 S/m, factor 2", "S/m", 0.001, Distribution.lognormal(0.004, 2.0)),
        ("4 mS/m factor 2", "S/m", None, Distribution.lognormal(0.004, 2.0)),
        ("factor 1.5", "", 13.0, Distribution.lognormal(13.0, 1.5)),
        ("14 % +- 4 %", "", 0.12, Distribution.normal(0.14, 0.04)),
        ("14 % ± 4 %", "", None, Distribution.normal(0.14, 0.04)),
        ("10 % to 18 %", "", None, Distribution.between(0.10, 0.18)),
        ("10 to 18 %", "", None, Distribution.between(0.10, 0.18)),
        ("from 2 m to 2.4 m", "m", None, Distribution.between(2.0, 2.4)),
        ("+- 1 %", "m", 5.2, Distribution.normal(5.2, 0.052)),
        ("+/- 5 cm", "m", 5.2, Distribution.normal(5.2, 0.05)),
        ("5 m +- 10 cm", "m", 5.2, Distribution.normal(5.0, 0.1)),
        ("13 +- 10 %", "", None, Distribution.normal(13.0, 1.3)),
        ("-1 % to 2 %", "", 0.0, Distribution.between(-0.01, 0.02)),
        (
            "14 % +- 4 %, at least 8 %, at most 0.28", "", None,
            Distribution.normal(0.14, 0.04, least=0.08, most=0.28),
        ),
        ("2 uH, factor 1.2, at most 3 uH", "H", None, Distribution.lognormal(2e-6, 1.2, most=3e-6)),
    ],
)  # fmt: skip
def test_texts_are_read(told: str, unit: str, middle: float | None, wanted: Distribution):
    found = parse_distribution(told, unit=unit, middle=middle)
    assert found.shape == wanted.shape
    numbers = [(one.first, one.second, one.least, one.most) for one in (found, wanted)]
    assert numbers[0] == pytest.approx(numbers[1], rel=1e-12)


@pytest.mark.parametrize(
    ("told", "unit", "middle", "says"),
    [
        ("4 m +- 1 m", "S/m", None, "'4 m'; it must be in S/m"),
        ("4 mS/m, factor 2", "m", None, "'4 mS/m'; it must be in m"),
        ("14 % +- 4 %", "m", None, "'14 %'; it must be in m"),
        ("14 +- 4 cm", "", None, "'4 cm'; it must be a plain number"),
        ("14 %", "", 0.12, "this tells no spread"),
        ("", "", 0.12, "tells no spread"),
        ("+- 1 %", "m", None, "file says nothing there"),
        ("factor 2", "S/m", 0.0, "above 0"),
        ("factor 20 %", "S/m", 0.01, "plain number"),
        ("factor", "S/m", 0.01, "the factor is ''"),
        ("+-", "m", 2.0, "the spread is ''"),
        ("+- 0 %", "m", 2.0, "spread is 0"),
        ("+- 2 %", "", 0.0, "middle of 0"),
        ("18 % to 10 %", "", None, "not below the high end"),
        ("10 % to 10 %", "", None, "the same as"),
        ("10 % to a lot", "", None, "tells no spread"),
        ("10 furlongs to 12 furlongs", "m", None, "low end is '10 furlongs'"),
        ("2 +- 1, at least 3", "", None, "does not lie between least, 3"),
        ("2 +- 1, at least 0, at least 1", "", None, "stands twice"),
        ("nan +- 1", "", None, "the middle is 'nan'"),
    ],
)
def test_what_cannot_be_read_is_told(told: str, unit: str, middle: float | None, says: str):
    with pytest.raises(PriorError, match=says) as error:
        parse_distribution(told, unit=unit, middle=middle)
    assert repr(told) in str(error.value)


def test_limits_of_what_can_be_are_kept():
    found = parse_distribution("20 % +- 9 %", unit="", middle=None, least=0.06, most=0.28)
    assert (found.least, found.most) == (0.06, 0.28)
    with pytest.raises(PriorError, match=r"leaves what can be, 0\.06 to"):
        parse_distribution("5 % to 18 %", unit="", middle=None, least=0.06, most=0.28)


def test_per_cent_of_per_cent_is_told_to_be_unclear():
    with pytest.raises(PriorError, match="may mean points of per cent or a part"):
        parse_distribution("+- 4 %", unit="", middle=0.14, in_per_cent=True)
    found = parse_distribution("14 % +- 4 %", unit="", middle=0.14, in_per_cent=True)
    assert found == Distribution.normal(0.14, 0.04)
