"""Reflection quantities of the earth: no cancellation, right branch, limits, Fresnel table."""

import mpmath
import numpy as np
import pytest
from scipy import constants

from ridgepole.solver.earth.reflection import (
    free_space_wavenumber,
    fresnel_coefficients,
    reflect,
    vertical_wavenumber,
)

FREQUENCY = 7.1e6
GROUNDS = [(13.0, 0.005), (3.0, 1e-4), (80.0, 5.0), (1.0 + 1e-7, 0.0)]


def permittivity(er: float, sigma: float, frequency: float) -> complex:
    return er - 1j * sigma / (2.0 * np.pi * frequency * constants.epsilon_0)


def reference(kr: complex, k: float, ec: complex) -> tuple[complex, complex, complex]:
    """Definitions as they stand, in 60 digits: (G_h, G_e, (G_h - G_e)/kr^2)."""
    with mpmath.workdps(60):
        across, air, relative = (mpmath.mpmathify(value) for value in (kr, k, ec))
        roots = []
        for square in (air**2, air**2 * relative):
            root = mpmath.sqrt(square - across**2)
            roots.append(-root if mpmath.im(root) > 0 else root)
        kz, kz1 = roots
        te = (kz - kz1) / (kz + kz1)
        tm = (kz1 / relative - kz) / (kz1 / relative + kz)
        return complex(te), complex(tm), complex((te - tm) / across**2)


@pytest.mark.parametrize(("er", "sigma"), GROUNDS)
def test_reflection_keeps_its_digits_from_tiny_to_huge_wavenumbers(er, sigma):
    # tolerance class: rounding; the definitions lose all digits of D at both ends
    k = free_space_wavenumber(FREQUENCY)
    ec = permittivity(er, sigma, FREQUENCY)
    for size in (1e-7, 1e-3, 0.3, 0.97, 1.4, 8.0, 1e3, 1e6):
        kr = k * size * (1.0 + 0.05j)
        found = reflect(kr, k, ec)
        te, tm, difference = reference(complex(kr), k, ec)
        np.testing.assert_allclose(found.te, te, rtol=1e-12)
        # G_e passes near zero for a ground that hardly differs from air: absolute there
        np.testing.assert_allclose(found.tm, tm, rtol=1e-12, atol=1e-15)
        np.testing.assert_allclose(found.difference, difference, rtol=1e-12)


def test_vertical_wavenumber_stays_on_the_sheet_of_decaying_waves():
    k = free_space_wavenumber(FREQUENCY)
    real_axis = np.linspace(0.0, 5.0 * k, 401)
    for kr in (real_axis, real_axis + 1e-3j * k, real_axis + 0.4j * k):
        for medium in (k, k * np.sqrt(13 - 12j), k * np.sqrt(complex(4.0, -0.0))):
            kz = vertical_wavenumber(kr, medium)
            # rounding may leave 1e-17 on the wrong side where kz is real
            assert kz.imag.max() <= 1e-15 * abs(medium)
            assert kz.real.min() >= -1e-15 * abs(medium)
            np.testing.assert_allclose(kz**2 + kr**2, medium**2, rtol=0, atol=1e-13 * k * k * 25)


def test_a_ground_of_air_reflects_nothing_and_a_metal_everything():
    k = free_space_wavenumber(FREQUENCY)
    kr = k * np.array([0.2, 0.9, 3.0])
    nothing = reflect(kr, k, 1.0)
    for part in (nothing.te, nothing.tm, nothing.difference):
        np.testing.assert_allclose(part, 0.0, atol=1e-30)
    metal = reflect(kr, k, 1.0 - 1e16j)
    np.testing.assert_allclose(metal.te, -1.0, atol=1e-7)
    np.testing.assert_allclose(metal.tm, -1.0, atol=1e-7)


def test_fresnel_coefficients_are_the_tabulated_ones():
    # Fresnel coefficients, earth eps 13, 0.005 S/m at 7.1 MHz: computed from the formulas
    # R_v = (n^2 sin e - q)/(n^2 sin e + q), R_h = (sin e - q)/(sin e + q); four digits printed.
    # tolerance class: printed
    elevation = np.radians([5, 10, 15, 20, 30, 45, 60, 90])
    vertical, horizontal = fresnel_coefficients(elevation, permittivity(13, 0.005, 7.1e6))
    size_v = [0.4856, 0.2324, 0.1946, 0.2691, 0.4116, 0.5374, 0.6029, 0.6451]
    angle_v = [-162.4, -128.6, -72.1, -41.7, -23.1, -15.2, -12.2, -10.6]
    size_h = [0.9624, 0.9265, 0.8924, 0.8604, 0.8027, 0.7331, 0.6839, 0.6451]
    angle_h = [179.1, 178.1, 177.2, 176.3, 174.6, 172.4, 170.8, 169.4]
    np.testing.assert_allclose(np.abs(vertical), size_v, atol=6e-5)
    np.testing.assert_allclose(np.degrees(np.angle(vertical)), angle_v, atol=0.06)
    np.testing.assert_allclose(np.abs(horizontal), size_h, atol=6e-5)
    np.testing.assert_allclose(np.degrees(np.angle(horizontal)), angle_h, atol=0.06)


def test_fresnel_coefficients_agree_with_the_reflection_of_plane_waves():
    # R_v = -G_TM, R_h = G_TE at kr = k cos(elevation); tolerance class: rounding
    ec = permittivity(4.0, 0.002, FREQUENCY)
    k = free_space_wavenumber(FREQUENCY)
    elevation = np.linspace(0.02, 1.55, 40)
    vertical, horizontal = fresnel_coefficients(elevation, ec)
    plane = reflect(k * np.cos(elevation), k, ec)
    np.testing.assert_allclose(vertical, -plane.tm, atol=1e-12)
    np.testing.assert_allclose(horizontal, plane.te, atol=1e-12)
