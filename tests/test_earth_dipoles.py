"""E and H of dipoles over earth against empymod, and dipole impedances against printed values."""

import numpy as np
import pytest
from dipoles_over_earth import (
    by_adaptive_quadrature,
    by_gauss_panels,
    permittivity,
    reflected_dipole,
    worst_errors,
)
from scipy import constants

from ridgepole.solver.earth import tables
from ridgepole.solver.earth.reflection import free_space_wavenumber

GROUNDS = {"average": (13.0, 0.005), "dry sand": (3.0, 1e-4), "sea": (80.0, 5.0)}


@pytest.mark.parametrize(
    ("name", "frequency"), [("average", 3.6e6), ("dry sand", 28.5e6), ("sea", 14.1e6)]
)
def test_dipole_fields_against_empymod(name, frequency):
    # air of 1e15 ohm m; tolerance class: quadrature. 20 points, both dipoles, E and H
    assert worst_errors([GROUNDS[name]], frequency, by_gauss_panels) < 1e-8


@pytest.mark.parametrize(("name", "which"), [("average", slice(3, 5)), ("sea", slice(1, 2))])
def test_dipole_fields_against_empymod_by_adaptive_quadrature(name, which):
    # ht="quad" splines the spectrum, which only a lossy air (loss tangent 0.02) makes smooth
    # enough; our integration takes the same air. tolerance class: quadrature
    loss = 0.02
    error = worst_errors(
        [GROUNDS[name]], 14e6, by_adaptive_quadrature(loss), air=1.0 - 1j * loss, which=which
    )
    assert error < 1e-8


@pytest.mark.long
@pytest.mark.parametrize("name", GROUNDS)
def test_all_points_against_empymod_by_adaptive_quadrature(name):
    # as above, all 20 points: five minutes for the three grounds
    loss = 0.02
    error = worst_errors([GROUNDS[name]], 14e6, by_adaptive_quadrature(loss), air=1.0 - 1j * loss)
    assert error < 1e-8


def swap_te_and_tm(monkeypatch):
    honest = tables.reflect

    def swapped(*args):
        reflection = honest(*args)
        return reflection._replace(te=reflection.tm, tm=reflection.te)

    monkeypatch.setattr(tables, "reflect", swapped)


def turn_sign_of_cross_kernel(monkeypatch):
    honest = tables._spectrum

    def turned(*args, **kwargs):
        spectrum = honest(*args, **kwargs)
        # w is the last column with J1, its derivative along rho the only one with J2
        return spectrum._replace(
            one=[*spectrum.one[:-1], -spectrum.one[-1]], two=[-column for column in spectrum.two]
        )

    monkeypatch.setattr(tables, "_spectrum", turned)


@pytest.mark.parametrize("plant", [swap_te_and_tm, turn_sign_of_cross_kernel])
def test_the_comparison_sees_planted_faults(monkeypatch, plant):
    which = slice(3, 6)
    assert worst_errors([GROUNDS["average"]], 28.5e6, by_gauss_panels, which=which) < 1e-8
    plant(monkeypatch)
    assert worst_errors([GROUNDS["average"]], 28.5e6, by_gauss_panels, which=which) > 0.01


# --- impedances ----------------------------------------------------------------------------


def relative_impedance(frequency, ec, height, t):
    """Z/R0 of a short dipole: 1 - E_reflected . t/(eta k^2/6 pi), unit current moment."""
    electric, _ = reflected_dipole(frequency, ec, 0.0, 0.0, 2.0 * height, t)
    k = free_space_wavenumber(frequency)
    return 1.0 - electric @ np.asarray(t) / (constants.mu_0 * constants.c * k**2 / (6.0 * np.pi))


@pytest.mark.parametrize(
    ("height", "vertical", "horizontal"),
    [
        (0.10, 2.2678 + 1.8183j, 0.8713 + 0.7586j),
        (0.15, 1.7279 + 0.3744j, 0.8973 + 0.4189j),
        (0.20, 1.4145 - 0.0245j, 1.0314 + 0.3363j),
        (0.25, 1.2027 - 0.1444j, 1.1538 + 0.2351j),
        (0.50, 0.9509 + 0.0233j, 0.9475 - 0.1406j),
    ],
)
def test_short_dipole_over_earth(height, vertical, horizontal):
    # Computed from the classical formulas (Sommerfeld and Renner 1942; from memory) by adaptive
    # quadrature on other integrands: Z/R0 over earth eps 13, 0.005 S/m at 7.1 MHz, four
    # decimals. tolerance class: printed
    frequency = 7.1e6
    ec = permittivity((13.0, 0.005), frequency)
    h = height * constants.c / frequency
    assert abs(relative_impedance(frequency, ec, h, (0, 0, 1)) - vertical) < 1e-4
    assert abs(relative_impedance(frequency, ec, h, (0.6, 0.8, 0)) - horizontal) < 1e-4


def test_short_dipole_over_perfect_ground():
    # image theory, four decimals; tolerance class: printed. The ground is 1e14 S/m
    frequency, ec = 7.1e6, permittivity((1.0, 1e14), 7.1e6)
    wavelength = constants.c / frequency
    for height, t, value in (
        (0.1, (0, 0, 1), 1.8507 + 2.2740j),
        (0.25, (0, 0, 1), 1.3040 - 0.0968j),
        (0.1, (1, 0, 0), 0.2901 + 0.7681j),
        (0.25, (1, 0, 0), 1.1520 + 0.4291j),
    ):
        found = relative_impedance(frequency, ec, height * wavelength, t)
        assert abs(found - value) < 1e-4
