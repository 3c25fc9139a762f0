"""Budget: each term by itself, and how it is shown.  Tolerance classes: rounding 1e-12;
quadrature 1e-8; printed digits."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from scipy.constants import c as LIGHT_SPEED
from scipy.constants import mu_0

from ridgepole.solver.errors import SolverError
from ridgepole.solver.fields.budget import (
    TERMS,
    Budget,
    conductor_loss,
    jacket_loss,
    make_budget,
)
from ridgepole.solver.fields.far import FarField
from ridgepole.solver.moments.basis import ElementCurrents

FREQUENCY = 7.1e6
K = 2 * np.pi * FREQUENCY / LIGHT_SPEED


def lopsided():
    """Three unlike elements with arbitrary complex polynomial currents."""
    random = np.random.default_rng(8)
    start = np.array([[0.0, 0, 0], [1, 2, 3], [-1, 0, 4]])
    end = start + np.array([[0.5, 0.1, 2.0], [3.0, -1, 0], [0.0, 0, 0.02]])
    current = random.normal(size=(3, 5)) + 1j * random.normal(size=(3, 5))
    return ElementCurrents(start, end, np.full(3, 1e-3), current)


def half_wave_dipole(n_elements=8, degree=8):
    half = 0.25 * LIGHT_SPEED / FREQUENCY
    edges = np.linspace(-half, half, n_elements + 1)
    xi, weight = np.polynomial.legendre.leggauss(20)
    legendre = np.polynomial.legendre.legvander(xi, degree)
    norm = (2 * np.arange(degree + 1) + 1) / 2
    z = 0.5 * (edges[:-1] + edges[1:])[:, None] + 0.5 * np.diff(edges)[:, None] * xi
    rows = norm * ((np.sin(K * (half - np.abs(z))) * weight) @ legendre)
    ends = np.zeros((n_elements + 1, 3))
    ends[:, 2] = edges
    return ElementCurrents(ends[:-1], ends[1:], np.full(n_elements, 1e-3), rows.astype(complex))


def test_conductor_and_jacket_loss_against_dense_quadrature():
    # Slow twin: 50 Gauss nodes per element; rounding.
    currents = lopsided()
    impedance = np.array([0.08 + 0.3j, 1.7 + 2j, 0.0 + 1j])
    coefficient = np.array([5.0 - 80j, 0.2 - 3j, 40.0 - 900j])
    xi, weight = np.polynomial.legendre.leggauss(50)
    heat, warmth = [], []
    for e in range(3):
        half = 0.5 * np.linalg.norm(currents.end[e] - currents.start[e])
        row = currents.current[e]
        i = np.polynomial.legendre.legval(xi, row)
        slope = np.polynomial.legendre.legval(xi, np.polynomial.legendre.legder(row)) / half
        heat.append(impedance[e].real * half * np.sum(weight * np.abs(i) ** 2))
        warmth.append(coefficient[e].real * half * np.sum(weight * np.abs(slope) ** 2))
    np.testing.assert_allclose(conductor_loss(currents, impedance), heat, rtol=1e-12)
    np.testing.assert_allclose(jacket_loss(currents, coefficient), warmth, rtol=1e-12)
    np.testing.assert_allclose(
        conductor_loss(currents, 0.1), conductor_loss(currents, np.full(3, 0.1)), rtol=1e-15
    )


def test_copper_half_wave_loses_what_the_formula_says():
    # Sinusoidal current: loss resistance R' L/2 with R' = sqrt(pi f mu/sigma)/(2 pi a); numerical
    # trap 9: 1.17 ohm and 98.4 % at 7.1 MHz, a = 1 mm (copper 5.8e7 S/m from memory), printed.
    resistance = np.sqrt(np.pi * FREQUENCY * mu_0 / 5.8e7) / (2 * np.pi * 1e-3)
    currents = half_wave_dipole()
    heat = float(conductor_loss(currents, resistance).sum())
    length = 0.5 * LIGHT_SPEED / FREQUENCY
    assert heat == pytest.approx(0.5 * resistance * length, rel=1e-8)
    assert heat == pytest.approx(1.17, abs=0.0051)
    radiated = FarField(currents, FREQUENCY).radiated
    budget = make_budget(radiated + heat, radiated=radiated, conductors=heat)
    assert budget.efficiency == pytest.approx(0.984, abs=5.1e-4)
    assert budget.balance_error < 1e-15


def test_terms_are_per_watt_of_input_and_the_balance_is_their_sum():
    budget = make_budget(
        40.0, radiated=20.0, earth=8.0, conductors=4.0, jackets=2.0, timbers=1.0, loads=4.6
    )
    expected = {
        "radiated": 0.5,
        "earth": 0.2,
        "conductors": 0.1,
        "jackets": 0.05,
        "timbers": 0.025,
        "loads": 0.115,
    }
    assert list(budget.as_dict()) == list(expected)
    assert budget.as_dict() == pytest.approx(expected, rel=1e-14)
    assert budget.total == pytest.approx(0.99, rel=1e-14)
    assert budget.balance_error == pytest.approx(0.01, rel=1e-12)
    assert budget.efficiency == 0.5
    with pytest.raises(dataclasses.FrozenInstanceError):
        budget.earth = 0.0  # pyright: ignore[reportAttributeAccessIssue]


@pytest.mark.parametrize("term", TERMS)
def test_a_term_not_computed_makes_the_balance_unknown_never_zero(term):
    budget = dataclasses.replace(Budget(radiated=0.7, conductors=0.3), **{term: np.nan})
    assert np.isnan(budget.balance_error)
    assert np.isnan(budget.total)
    line = next(line for line in repr(budget).splitlines() if line.startswith(term))
    assert "not computed" in line
    assert "not known" in repr(budget).splitlines()[-1]


def test_display_in_per_cent_and_decibels():
    budget = Budget(radiated=0.5, earth=0.4, conductors=0.1 - 2e-6)
    lines = repr(budget).splitlines()
    assert lines[1].split() == ["radiated", "50.000", "%", "-3.01", "dB"]
    assert lines[2].split() == ["earth", "40.000", "%", "-3.98", "dB"]
    assert lines[-1].split() == ["balance", "error", "2.0e-06"]
    page = budget._repr_html_()
    assert page.count("<tr>") == 4  # what is not there has no line
    assert "<td>earth</td><td>40.000 %</td><td>-3.98 dB</td>" in page
    rows = budget.rows()
    assert rows[0] == ("radiated", 50.0, pytest.approx(10 * np.log10(0.5)))
    assert rows[3][2] == -np.inf


def test_what_is_not_there_has_no_line_but_keeps_its_value():
    budget = Budget(radiated=0.9, conductors=0.1, jackets=np.nan)
    for shown in (repr(budget), budget._repr_html_()):
        assert "jackets" in shown
        for name in ("earth", "timbers", "loads"):
            assert name not in shown
    assert list(budget.as_dict()) == list(TERMS)
    assert budget.timbers == budget.as_dict()["timbers"] == 0.0
    assert "radiated" in repr(Budget(radiated=0.0, loads=1.0))
    several = Budget.stacked([Budget(1.0), Budget(0.75, loads=0.25)])
    assert "0.000 to 25.000 %" in next(x for x in repr(several).splitlines() if "loads" in x)
    assert "earth" not in repr(several)


@pytest.mark.parametrize("power", [0.0, -1.0, np.nan, np.inf])
def test_input_power_must_be_positive(power):
    with pytest.raises(SolverError, match="input power"):
        make_budget(power, radiated=1.0)


def test_stacked_budgets_have_a_frequency_axis():
    one = Budget(radiated=0.5, earth=0.3, conductors=0.2)
    two = Budget(radiated=0.9, earth=0.05, conductors=0.04)
    both = Budget.stacked([one, two])
    np.testing.assert_array_equal(both.radiated, [0.5, 0.9])
    np.testing.assert_array_equal(both.jackets, [0.0, 0.0])
    np.testing.assert_allclose(both.balance_error, [0.0, 0.01], atol=1e-15)
    lines = repr(both).splitlines()
    assert lines[1].split() == [
        "radiated",
        "50.000",
        "to",
        "90.000",
        "%",
        "-3.01",
        "to",
        "-0.46",
        "dB",
    ]
    unknown = Budget.stacked([one, dataclasses.replace(two, earth=np.nan)])
    np.testing.assert_array_equal(np.isnan(unknown.balance_error), [False, True])
    assert "not known" in repr(unknown)
    with pytest.raises(SolverError, match="none to stack"):
        Budget.stacked([])
