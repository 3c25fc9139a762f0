"""What the house's metal does: a duct as a fat dipole, loops that close, pieces between bonds."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.polynomial.legendre import leggauss
from scipy.constants import c as LIGHT_SPEED
from scipy.constants import mu_0

from ridgepole.geometry import Cable, Duct, Feed, Scene, Wire
from ridgepole.solver import solve


def test_a_duct_as_a_fat_dipole():
    """Against Hallen's equation with the exact kernel of a tube, half a wave long.

    Computed (not published): 8.395 - j3.381 mS for a radius of 0.007022 wavelengths and a field
    over a gap of 0.01 wavelengths. Class: discretisation and flat ends, 3 %. The susceptance of a
    gap without width grows like the logarithm of the element's length: 0.7 mS.
    """
    wavelength = 20.0
    radius = 0.007022 * wavelength
    duct = Duct([(0, 0, -5), (0, 0, 5)], width=0.29, height=radius / 0.295 - 0.29, name="duct")
    (wire,) = duct.wires()
    assert wire.radius == pytest.approx(radius, rel=1e-12)
    lossless = Wire(wire.points, radius=wire.radius, name="duct")
    admittance = (
        1.0
        / solve(
            Scene(lossless, feed=Feed("duct", at=5.0)), LIGHT_SPEED / wavelength, tolerance=1e-3
        ).impedance
    )
    print(f"fat dipole: {1e3 * admittance:.3f} mS")
    assert admittance.real == pytest.approx(8.395e-3, rel=0.03)
    assert admittance.imag == pytest.approx(-3.381e-3, abs=0.7e-3)


def inductance_of_a_rectangle(a, b, radius):
    """Of a loop of round wire, without internal inductance; handbook formula (from memory)."""
    d = np.hypot(a, b)
    return (mu_0 / np.pi) * (
        a * np.log(2 * a / radius) + b * np.log(2 * b / radius) + 2 * d
        - a * np.arcsinh(a / b) - b * np.arcsinh(b / a) - 2 * (a + b)
    )  # fmt: skip


def test_current_in_a_loop_through_the_panel():
    """Two cables bonded at a panel and at a lamp: I = flux/L, flux of the field without.

    Class: a loop of 0.03 wavelengths, and its inductance from memory: 3 %.
    """
    frequency, radius = 1.9e6, 1e-3
    antenna = Wire([(0.0, -4.0, 5.0), (0.6, 3.0, 5.0)], radius=1e-3, name="antenna")
    feed = Feed("antenna", at=3.1)
    x, (low, high), (down, up) = 1.4, (-1.0, 0.8), (3.1, 4.3)
    panel, lamp = (x, low, down), (x, high, up)
    first = Cable([panel, (x, low, up), lamp], diameter=2 * radius, cores=1, conductor=None,
                  name="first")  # fmt: skip
    second = Cable([panel, (x, high, down), lamp], diameter=2 * radius, cores=1, conductor=None,
                   name="second")  # fmt: skip
    with_loop = solve(Scene(antenna, feed=feed, house=[first, second]), frequency)
    alone = solve(Scene(antenna, feed=feed), frequency)
    # the same current at the feed
    scale = with_loop.current("antenna", 3.1) / alone.current("antenna", 3.1)
    nodes, weights = leggauss(8)
    y = 0.5 * (low + high) + 0.5 * (high - low) * nodes
    z = 0.5 * (down + up) + 0.5 * (up - down) * nodes
    points = np.stack(np.meshgrid([x], y, z, indexing="ij"), axis=-1).reshape(-1, 3)
    area = np.outer(weights, weights).ravel() * 0.25 * (high - low) * (up - down)
    flux = mu_0 * (alone.magnetic_field(points)[:, 0] @ area) * scale
    expected = abs(flux) / inductance_of_a_rectangle(high - low, up - down, radius)
    # besides, charge sloshes from one side of the loop to the other: the mean goes around
    half = (high - low) + (up - down)
    at = half * (np.arange(40) + 0.5) / 40
    around = 0.5 * (with_loop.current("first", at) - with_loop.current("second", at)).mean()
    assert abs(around) == pytest.approx(expected, rel=0.03)
    # the same cables with the lamp taken out close no loop
    short = Cable([panel, (x, high, down), (x, high, up - 0.2)], diameter=2 * radius, cores=1,
                  conductor=None, name="second")  # fmt: skip
    opened = solve(Scene(antenna, feed=feed, house=[first, short]), frequency)
    ajar = half - 0.2
    own = opened.current("first", at).sum() * half / 40
    other = opened.current("second", ajar * (np.arange(40) + 0.5) / 40).sum() * ajar / 40
    assert abs(own - other) / (2 * half) < 0.4 * expected


def test_a_floating_pipe_resonates_as_a_half_wave():
    """The current in a floating conductor peaks where a dipole of its size is resonant (2 %)."""
    antenna = Wire([(-3.0, 0.3, 0.0), (3.4, 0.3, 0.2)], radius=1e-3, name="antenna")
    length, radius = 9.3, 1e-3
    pipe = Cable([(-4.5, 3.5, 0.4), (length - 4.5, 3.5, 0.4)], diameter=2 * radius, cores=1,
                 conductor=None, name="pipe")  # fmt: skip
    scene = Scene(antenna, feed=Feed("antenna", at=2.9), house=[pipe])
    frequencies = np.linspace(14.6e6, 16.4e6, 37)
    solution = solve(scene, frequencies)
    # for one ampere at the feed, the pipe's current goes by its own impedance
    ratio = np.abs(solution.current("pipe", 0.5 * length) / solution.current("antenna", 2.9))
    own = Scene(Wire(pipe.vertices, radius=radius, name="own"), feed=Feed("own", at=0.5 * length))
    reactance = solve(own, frequencies).impedance.imag
    resonance = np.interp(0.0, reactance, frequencies)
    assert frequencies[int(np.argmax(ratio))] == pytest.approx(resonance, rel=0.02)
    assert length * resonance / LIGHT_SPEED == pytest.approx(0.478, abs=0.01)
