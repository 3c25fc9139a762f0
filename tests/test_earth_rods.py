"""Ground rods: short and long against the wave in the earth.

Tolerance classes: rounding; discretisation (of the integral equation below); model, where a
formula is held against a fuller one.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.constants import c, epsilon_0, mu_0

from ridgepole.geometry import Downpipe, Electrode, GeometryError, Scene, Screen, Wire
from ridgepole.geometry.scene import Feed
from ridgepole.materials import Earth
from ridgepole.solver import solve

BANDS = (1.8e6, 3.6e6, 5.3e6, 7.1e6, 10.1e6, 14.2e6, 18.1e6, 21.2e6, 24.9e6, 28.5e6, 30e6)
AVERAGE = Earth.named("average ground")


def permittivity(earth: Earth, frequency: float) -> complex:
    return complex(earth.complex_permittivity(frequency))


def rod_by_integral_equation(
    frequency: float, ec: complex, length: float, radius: float, n: int = 120
) -> complex:
    """Potential over current of a thin vertical rod whose top is flush with the surface. [ohm]

    In the earth everything as in a whole space of it, with the charge that leaks from the rod
    mirrored at the surface by its like and the current by its opposite, so that no current leaves
    through the surface. Even pieces, charge in steps, current in steps between their middles;
    the boundary condition -d phi/dz = jw A_z on the rod, matched between neighbouring middles.
    """
    omega = 2 * np.pi * frequency
    k1 = omega / c * np.sqrt(ec)
    k1 = k1 if k1.imag <= 0 else -k1
    edge = np.linspace(0, length, n + 1)
    middle = 0.5 * (edge[1:] + edge[:-1])
    x, weight = np.polynomial.legendre.leggauss(4)

    def mean_green(at, low, high, sign):
        """Int exp(-j k1 R)/(4 pi R) dz' over pieces, or over their mirror images, (A, P)."""
        half = 0.5 * (high - low)
        offset = at[:, None] - sign * 0.5 * (high + low)
        static = np.arcsinh((offset + half) / radius) - np.arcsinh((offset - half) / radius)
        distance = np.hypot(offset[..., None] - half[:, None] * x, radius)
        rest = ((np.exp(-1j * k1 * distance) - 1) / distance * weight).sum(axis=-1) * half
        return (static + rest) / (4 * np.pi)

    leak = (np.eye(n, n + 1) - np.eye(n, n + 1, 1)) / np.diff(edge)[:, None]
    low, high = edge[:-1], edge[1:]
    green = mean_green(middle, low, high, 1) + mean_green(middle, low, high, -1)
    potential = green @ leak / (1j * omega * epsilon_0 * ec)
    bounds = np.concatenate([[0.0], middle, [length]])
    inner, low, high = edge[1:-1], bounds[:-1], bounds[1:]
    flux = mean_green(inner, low, high, 1) - mean_green(inner, low, high, -1)
    rows = np.diff(potential, axis=0) + 1j * omega * mu_0 * flux * np.diff(middle)[:, None]
    current = np.zeros(n + 1, complex)
    current[0] = 1.0
    current[1:n] = np.linalg.solve(rows[:, 1:n], -rows[:, 0])
    return complex((potential @ current)[0])


def test_a_short_rod_is_the_handbooks():
    # (ln(4l/a) - 1)/(2 pi y l): E. D. Sunde 1949 (from memory). What is left is |k l| over the
    # logarithm, of the wave that begins to show: model.
    length, radius = 0.7, 8e-3
    for frequency in (1.0, 100.0, 1e4):
        ec = permittivity(AVERAGE, frequency)
        y = 2j * np.pi * frequency * epsilon_0 * (ec + 1)
        handbook = (np.log(4 * length / radius) - 1) / (2 * np.pi * y * length)
        reach = abs(np.sqrt(2j * np.pi * frequency * mu_0 * y)) * length
        found = Electrode(length, radius=radius).impedance_at(frequency, ec)
        assert abs(found / handbook - 1) < reach / 4  # the logarithm is 4.86
        assert reach < 0.02


def test_a_rod_longer_than_the_wave_reaches_has_an_end_that_does_not_matter():
    ec = permittivity(Earth.named("sea water"), 7.1e6)
    one, two = (Electrode(length).impedance_at(7.1e6, ec) for length in (4.0, 9.0))
    # the logarithm of 4 l/((1 + k l) a) nears 4/(k a) as 1/(k l), k l = 67: model
    assert abs(one / two - 1) < 0.02


@pytest.mark.parametrize(
    ("name", "frequency", "limit"),
    [
        ("average ground", 1.8e6, 0.06), ("average ground", 3.6e6, 0.09),
        ("average ground", 7.1e6, 0.20), ("rich moist soil", 1.8e6, 0.16),
        ("good farmland", 3.6e6, 0.13), ("wet ground", 1.8e6, 0.10),
        ("P.368 land", 3.6e6, 0.12),
    ],
)  # fmt: skip
def test_a_rod_against_an_integral_equation(name, frequency, limit):
    ec = permittivity(Earth.named(name), frequency)
    expected = rod_by_integral_equation(frequency, ec, 1.5, 7e-3)
    found = Electrode(1.5).impedance_at(frequency, ec)
    assert abs(found / expected - 1) < limit  # model; discretisation below 1 %
    finer = rod_by_integral_equation(frequency, ec, 1.5, 7e-3, n=180)
    assert abs(expected / finer - 1) < 0.01


def test_no_rod_gives_power_back():
    count = 0
    for name in Earth.names():
        earth = Earth.named(name)
        if earth.is_perfect:
            continue
        for frequency in BANDS:
            ec = permittivity(earth, frequency)
            for length, radius in ((0.07, 7e-3), (0.3, 5e-3), (1.5, 7e-3), (3.0, 0.02), (30, 0.5)):
                z = Electrode(length, radius=radius).impedance_at(frequency, ec)
                assert np.isfinite(z)
                assert z.real > 0, (name, frequency, length, z)
                count += 1
    assert count > 500


def test_a_nearly_lossless_earth_gives_no_power_back_either():
    for frequency in np.linspace(1e6, 30e6, 59):
        z = Electrode(2.5).impedance_at(frequency, 4.0 - 1e-6j)
        assert z.real > 0
        assert abs(z) > 5  # at its resonances it radiates into the earth


def test_led_to_earth_without_saying_how_is_the_usual_rod():
    points = [(-0.1, -0.1, 5.4), (-0.1, -0.1, 0.4)]
    pipe = Downpipe(points, diameter="80 mm", earthed=True)
    assert pipe.earthed == Electrode("1.5 m")
    assert pipe == Downpipe(points, diameter="80 mm", earthed=Electrode("1.5 m"))
    assert Downpipe(points, diameter="80 mm", earthed=False).earthed is None
    foil = Screen([(0, 0, 3), (4, 0, 3), (4, 3, 3), (0, 3, 3)], earthed=True)
    assert foil.earthed == Electrode("1.5 m")
    for wrong in (1, 25.0, "rod", {"rod": "1.5 m"}):
        with pytest.raises(GeometryError, match=r"'downpipe': earthed=.* is no electrode"):
            Downpipe(points, diameter="80 mm", earthed=wrong)


def test_a_downpipe_on_the_usual_rod_beside_an_antenna():
    wire = Wire([(0, 0, 5.4), (0.3, 0, 8.1), (6.2, 1.0, 8.3)], radius=1e-3, name="up")
    radial = Wire([(0, 0, 5.4), (4.1, 2.5, 5.4)], radius=1e-3, name="radial")

    def solved(earthed):
        pipe = Downpipe([(-0.4, -0.1, 5.4), (-0.4, -0.1, 0.4)], diameter="80 mm", earthed=earthed)
        return solve(Scene([wire, radial], feed=Feed("up"), house=pipe, earth=AVERAGE), 7.1e6)

    floating, led = solved(None), solved(True)
    assert abs(led.impedance - floating.impedance) > 0.05
    # The electrode's radius a_e = 0.34 m is not in the vector potential (model).
    assert led.balance_error < 1e-3
