"""E and H of dipoles over earth against empymod, and dipole impedances against printed values.

empymod (W. Werthmueller, Geophysics 82, 2017) is written for geophysics, in the same time
convention exp(+jwt), with z pointing down: turning both by half a turn about x maps its frame
on ours, (x, y, z) -> (x, -y, -z).
"""

from itertools import pairwise
from types import SimpleNamespace

import empymod
import numpy as np
import pytest
from scipy import constants
from scipy.special import j0, j1

from ridgepole.solver.earth import tables
from ridgepole.solver.earth.reflection import free_space_wavenumber
from ridgepole.solver.earth.tables import evaluate_field_columns, evaluate_kernels

GROUNDS = {"average": (13.0, 0.005), "dry sand": (3.0, 1e-4), "sea": (80.0, 5.0)}
TURN = np.array([1, -1, -1, 1, -1, -1])
#: tenth-order first derivative
DIFFERENCE = np.array([5 / 6, -5 / 21, 5 / 84, -5 / 504, 1 / 1260])


def permittivity(ground: tuple[float, float], frequency: float) -> complex:
    er, sigma = ground
    return er - 1j * sigma / (2.0 * np.pi * frequency * constants.epsilon_0)


def reflected_dipole(frequency, ec, x, y, zeta, t, air=1.0 + 0j):
    """Reflected E and H of a unit current moment along t, by the field columns.

    The dipole's two charges +-1/jw are ten, at distances and weights that make the tenth-order
    derivative along t, so only the first derivatives of g_phi are needed.
    """
    omega = 2.0 * np.pi * frequency
    t = np.asarray(t, float)
    kernel = evaluate_kernels(np.hypot(x, y), zeta, frequency, ec, air_permittivity=air)
    field = evaluate_field_columns(np.hypot(x, y), zeta, frequency, ec, air_permittivity=air)
    d = np.array([x, y])
    along = d @ t[:2]
    w = kernel.w_over_rho
    level = t[:2] * kernel.g_vv - t[2] * w * d
    potential = np.array([*level, t[2] * kernel.g_zz + w * along])
    gradient = (t[2] * field.g_zz_rho + along * field.p) * d + w * t[:2]  # of A_z
    rise = t[:2] * field.g_vv_zeta - t[2] * field.w_zeta * d  # d A_h/d zeta
    turn = field.g_vv_rho * (x * t[1] - y * t[0])
    magnetic = np.array([gradient[1] - rise[1], rise[0] - gradient[0], turn])

    span = zeta if t[2] else np.hypot(np.hypot(x, y), zeta)
    h = min(0.04 * span, 0.12 / free_space_wavenumber(frequency))
    offset = h * np.array([*range(1, 6), *range(-1, -6, -1)])
    weight = np.concatenate([DIFFERENCE, -DIFFERENCE]) / h
    at_x, at_y, at_z = x - offset * t[0], y - offset * t[1], zeta + offset * t[2]
    slope = evaluate_field_columns(np.hypot(at_x, at_y), at_z, frequency, ec, air_permittivity=air)
    push = np.array([at_x * slope.g_phi_rho, at_y * slope.g_phi_rho, slope.g_phi_zeta]) @ weight
    electric = -1j * omega * constants.mu_0 * potential
    electric -= push / (1j * omega * constants.epsilon_0 * air)
    return electric, magnetic


def reference_fields(ground, frequency, x, y, zeta, column, *, air_resistivity, **transform):
    """empymod's secondary field of an electric dipole along x (column 1) or z (column 3)."""
    er, sigma = ground
    # only z + z' matters for a half space: any split of zeta will do
    result = [
        0.0
        if (row, column) == (6, 3)
        else empymod.dipole(
            src=[0.0, 0.0, -0.37 * zeta],
            rec=[x, -y, -0.63 * zeta],
            depth=[0.0],
            res=[air_resistivity, 1.0 / sigma],
            freqtime=frequency,
            ab=10 * row + column,
            epermH=[1.0, er],
            xdirect=None,
            verb=0,
            **transform,
        )
        for row in range(1, 7)
    ]
    # a source along our z points against empymod's
    return np.array(result) * TURN * (1.0 if column == 1 else -1.0)


def gauss_transform(rho, zeta, k, k1):
    """Real-axis Gauss panels in the guise of a digital filter.

    The filter's sum over f(base/rho) weight/rho becomes a quadrature for this one rho, with
    panels graded to the branch points at k and Re k1 by halves.
    """
    end = 2.0 * k + 40.0 / zeta
    halves = 2.0 ** -np.arange(48.0)
    edges = [[0.0, k, end], k - k * halves, k + (end - k) * halves]
    if k1.real < end:
        edges += [[k1.real], k1.real - (k1.real - k) * halves, k1.real + (end - k1.real) * halves]
    edges = np.unique(np.concatenate(edges))
    panels = [np.array([0.0])]
    for a, b in pairwise(edges):
        n = int(np.ceil((b - a) / min(4.0 / rho, 0.25 * k + 0.3 * a)))
        panels.append(a + (b - a) * np.arange(1, n + 1) / n)
    edges = np.concatenate(panels)
    x, w = np.polynomial.legendre.leggauss(16)
    half = 0.5 * np.diff(edges)[:, None]
    kr = (0.5 * (edges[:-1] + edges[1:])[:, None] + half * x).ravel()
    weight = (half * w).ravel()
    filt = empymod.filters.DigitalFilter("gauss panels")
    vars(filt).update(
        base=kr * rho,
        j0=weight * rho * j0(kr * rho),
        j1=weight * rho * j1(kr * rho),
        factor=np.array([1.0]),
    )
    return {"ht": "dlf", "htarg": {"dlf": filt, "pts_per_dec": 0}}


def points():
    """20 random (rho, zeta) in wavelengths, with the far-flung ones that matter."""
    rng = np.random.default_rng(20)
    zeta = 10.0 ** rng.uniform(-2.0, 0.3, 20)
    ratio = 10.0 ** rng.uniform(-1.0, 1.3, 20)
    zeta[0], ratio[0] = 0.01, 50.0
    zeta[1], ratio[1] = 0.01, 0.4
    zeta[2], ratio[2] = 0.3, 50.0
    return SimpleNamespace(zeta=zeta, rho=ratio * zeta, azimuth=rng.uniform(0.2, 1.4, 20))


def worst_errors(ground, frequency, reference, air=1.0 + 0j, which=slice(None)):
    """Worst error of E and H over points and both dipoles, relative to the largest component."""
    ec = permittivity(ground, frequency)
    wavelength = constants.c / frequency
    place = points()
    worst = 0.0
    for rho, zeta, azimuth in zip(
        place.rho[which] * wavelength, place.zeta[which] * wavelength, place.azimuth[which],
        strict=True,
    ):  # fmt: skip
        x, y = rho * np.cos(azimuth), rho * np.sin(azimuth)
        for column, t in ((1, (1.0, 0.0, 0.0)), (3, (0.0, 0.0, 1.0))):
            expected = reference(ground, frequency, x, y, zeta, column, ec)
            electric, magnetic = reflected_dipole(frequency, ec, x, y, zeta, t, air)
            for found, part in ((electric, expected[:3]), (magnetic, expected[3:])):
                worst = max(worst, np.abs(found - part).max() / np.abs(part).max())
    return worst


def by_gauss_panels(ground, frequency, x, y, zeta, column, ec):
    k = free_space_wavenumber(frequency)
    transform = gauss_transform(np.hypot(x, y), zeta, k, k * np.sqrt(ec))
    return reference_fields(
        ground, frequency, x, y, zeta, column, air_resistivity=1e15, **transform
    )


@pytest.mark.parametrize(
    ("name", "frequency"), [("average", 3.6e6), ("dry sand", 28.5e6), ("sea", 14.1e6)]
)
def test_dipole_fields_against_empymod(name, frequency):
    # air of 1e15 ohm m; tolerance class: quadrature. 20 points, both dipoles, E and H
    assert worst_errors(GROUNDS[name], frequency, by_gauss_panels) < 1e-8


def by_adaptive_quadrature(loss):
    def reference(ground, frequency, x, y, zeta, column, ec):
        k = free_space_wavenumber(frequency)
        settings = {
            "rtol": 1e-12,
            "atol": 0.0,
            "limit": 3000,
            "a": 1e-6 * k,
            "b": 2.0 * k + 30.0 / zeta,
            "pts_per_dec": 6000,
        }
        resistivity = 1.0 / (loss * 2.0 * np.pi * frequency * constants.epsilon_0)
        return reference_fields(
            ground, frequency, x, y, zeta, column, air_resistivity=resistivity, ht="quad",
            htarg=settings,
        )  # fmt: skip

    return reference


@pytest.mark.parametrize(("name", "which"), [("average", slice(3, 5)), ("sea", slice(1, 2))])
def test_dipole_fields_against_empymod_by_adaptive_quadrature(name, which):
    # ht="quad" splines the spectrum, which only a lossy air (loss tangent 0.02) makes smooth
    # enough; our integration takes the same air. tolerance class: quadrature
    loss = 0.02
    error = worst_errors(
        GROUNDS[name], 14e6, by_adaptive_quadrature(loss), air=1.0 - 1j * loss, which=which
    )
    assert error < 1e-8


@pytest.mark.long
@pytest.mark.parametrize("name", GROUNDS)
def test_all_points_against_empymod_by_adaptive_quadrature(name):
    # as above, all 20 points: five minutes for the three grounds
    loss = 0.02
    error = worst_errors(GROUNDS[name], 14e6, by_adaptive_quadrature(loss), air=1.0 - 1j * loss)
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
    assert worst_errors(GROUNDS["average"], 28.5e6, by_gauss_panels, which=which) < 1e-8
    plant(monkeypatch)
    assert worst_errors(GROUNDS["average"], 28.5e6, by_gauss_panels, which=which) > 0.01


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
