"""A level wire by a plane sheet, and a wave that meets one at right angles, for the tests."""

from __future__ import annotations

from typing import Any

import numpy as np

from ridgepole.geometry import Feed, Scene, Wire
from ridgepole.materials import Earth
from ridgepole.solver import Solution, solve

TOP = 28.5e6


def square(half: float, z: float) -> list[tuple[float, float, float]]:
    return [(-half, -half, z), (half, -half, z), (half, half, z), (-half, half, z)]


def level_wire(height: float, length: float) -> Wire:
    ends = [(-0.5 * length, 0.13, height), (0.5 * length, 0.13, height)]
    return Wire(ends, radius=1e-3, name="wire")


def solved(wire: Wire, frequency: float, *house: Any, earth: Earth | None = None) -> Solution:
    return solve(
        Scene(wire, feed=Feed("wire", at=0.5 * wire.length), house=house, earth=earth), frequency
    )


def disc(radius: float, corners: int = 64) -> list[tuple[float, float, float]]:
    """A polygon with the area of the disc, in the plane z = 0."""
    turn = 2 * np.pi * np.arange(corners) / corners
    rim = radius / np.sqrt(corners / (2 * np.pi) * np.sin(2 * np.pi / corners))
    return [(float(rim * np.cos(t)), float(rim * np.sin(t)), 0.0) for t in turn]


def disc_field(height: float, radius: float, wavenumber: float) -> complex:
    """Field on the axis of a disc of even current over what an endless one has at its plane.

    Computed from formula: G_xx averaged round the axis is g/2 - g_zz/(2 k^2), and the integral of
    g over the disc is (exp(-jkh) - exp(-jks))/(2jk), s the distance of the rim.
    """
    k, h, s = wavenumber, abs(height), float(np.hypot(radius, height))
    rim = 1 + (h / s) ** 2 + 1j * radius**2 / (k * s**3)
    return complex(np.exp(-1j * k * h) - 0.5 * np.exp(-1j * k * s) * rim)


def zenith_ratio(height: float, *house) -> complex:
    """Far field at the zenith of a short dipole with the house, over that without it, less 1.

    By reciprocity it is what a wave from the zenith finds at the dipole, scattered over incident.
    """
    wire = level_wire(height, 0.6).translated((0, -0.13, 0))
    found = []
    for around in (house, ()):
        solution = solved(wire, TOP, *around)
        theta, _ = solution.far_field().amplitudes(90.0, 0.0)
        found.append(complex(theta) / complex(solution.feed_current()))
    return found[0] / found[1] - 1.0
