"""The closed forms of charges and waves beside dielectrics, against their own conditions."""

from __future__ import annotations

import dielectric_closed_forms as closed
import numpy as np
import pytest
from scipy.constants import epsilon_0

Q = 3e-9 * np.exp(0.7j)
EC = 3.2 - 0.5j


def test_half_space_meets_the_boundary_conditions():
    """Tangential E and normal D continue through the face (rounding)."""
    y = np.array([-0.3, 0.02, 0.11])
    above = closed.half_space_field(Q, 0.07, EC, np.stack([y, 0 * y + 1e-13], axis=-1))
    below = closed.half_space_field(Q, 0.07, EC, np.stack([y, 0 * y - 1e-13], axis=-1))
    np.testing.assert_allclose(above[:, 0], below[:, 0], rtol=1e-9)
    np.testing.assert_allclose(above[:, 1], EC * below[:, 1], rtol=1e-9)


def test_rod_meets_the_boundary_conditions_and_carries_no_charge():
    """Tangential E and normal D continue through the surface; no net flux (rounding)."""
    phi = 2 * np.pi * np.arange(64) / 64
    normal = np.stack([np.cos(phi), np.sin(phi)], axis=-1)
    tangent = np.stack([-np.sin(phi), np.cos(phi)], axis=-1)
    radius, distance = 0.05, 0.083
    outside = closed.rod_field(Q, distance, radius, EC, radius * (1 + 1e-12) * normal)
    inside = closed.rod_field(Q, distance, radius, EC, radius * (1 - 1e-12) * normal)
    scale = np.abs(inside).max()
    np.testing.assert_allclose(
        (outside * tangent).sum(-1), (inside * tangent).sum(-1), atol=1e-9 * scale
    )
    flux = (outside * normal).sum(-1)
    np.testing.assert_allclose(flux, EC * (inside * normal).sum(-1), atol=1e-9 * scale)
    # Equal steps on a circle converge like (radius/distance)^64.
    assert abs(flux.mean()) < 1e-9 * scale


def test_force_is_the_slope_of_the_energy():
    """F = -d/dx of q^2 p/2, p the added elastance (central difference, 1e-7)."""
    step = 1e-6
    rod = [closed.rod_added_elastance(0.083 + s, 0.05, EC) for s in (-step, step)]
    slope = -(Q**2) / 2 * (rod[1] - rod[0]) / (2 * step)
    assert slope == pytest.approx(closed.rod_force(Q, 0.083, 0.05, EC), rel=1e-7)
    # Two lines so far apart that the other's image does not matter.
    pair = [closed.half_space_added_elastance(0.03 + s, 1e6, EC) for s in (-step, step)]
    slope = -(Q**2) / 2 * (pair[1] - pair[0]) / (2 * step) / 2
    assert slope == pytest.approx(closed.half_space_force(Q, 0.03, EC), rel=1e-7)


def test_a_wide_rod_is_a_half_space():
    """Near a rod of great radius force and field are those of a flat face (radius, 1e-4)."""
    radius, height = 1e3, 0.03
    flat = closed.half_space_force(Q, height, EC)
    assert closed.rod_force(Q, radius + height, radius, EC) == pytest.approx(flat, rel=1e-4)


def test_loss_is_the_integral_over_the_section():
    """The rod's watts: integral of w eps0 (-Im e) |E|^2 by quadrature, and the reaction's share."""
    frequency, radius, distance = 3.6e6, 0.05, 0.083
    omega = 2 * np.pi * frequency
    x, w = np.polynomial.legendre.leggauss(60)
    r, phi = radius * (x + 1) / 2, 2 * np.pi * np.arange(120) / 120
    points = r[:, None, None] * np.stack([np.cos(phi), np.sin(phi)], axis=-1)[None]
    power = (np.abs(closed.rod_field(Q, distance, radius, EC, points)) ** 2).sum(-1).mean(-1)
    integral = 2 * np.pi * np.sum(w * radius / 2 * r * power)
    loss = closed.rod_loss(Q, distance, radius, EC, frequency=frequency)
    assert loss == pytest.approx(omega * epsilon_0 * -EC.imag * integral, rel=1e-9)
    elastance = closed.rod_added_elastance(distance, radius, EC)
    assert loss == pytest.approx(omega * abs(Q) ** 2 * elastance.imag, rel=1e-12)


def test_loss_of_the_half_space_is_the_integral_over_it():
    """Watts under a pair of lines against quadrature over z < 0, y on an infinite range (1e-4)."""
    frequency, height, spacing = 3.6e6, 0.03, 0.2
    x, w = np.polynomial.legendre.leggauss(300)
    # y = height sinh-like map of the open interval on the whole line, z = -height e^... likewise.
    y, wy = spacing * x / (1 - x**2), w * spacing * (1 + x**2) / (1 - x**2) ** 2
    z, wz = -height * (1 + x) / (1 - x), w * 2 * height / (1 - x) ** 2
    points = np.stack(np.meshgrid(y, z, indexing="ij"), axis=-1)
    shift = np.array([spacing / 2, 0.0])
    field = closed.half_space_field(Q, height, EC, points - shift)
    field = field - closed.half_space_field(Q, height, EC, points + shift)
    integral = wy @ (np.abs(field) ** 2).sum(-1) @ wz
    expected = 2 * np.pi * frequency * epsilon_0 * -EC.imag * integral
    found = closed.half_space_loss(Q, height, spacing, EC, frequency=frequency)
    assert found == pytest.approx(expected, rel=1e-4)


def test_slab_at_its_well_known_thicknesses():
    """Half a wave thick it vanishes, a quarter it reflects (1 - e)/(1 + e) (textbook)."""
    frequency, e = 21e6, 4.0
    quarter = 299792458.0 / frequency / np.sqrt(e) / 4
    reflection, transmission = closed.slab_coefficients(e, 2 * quarter, frequency)
    assert reflection == pytest.approx(0, abs=1e-12)
    assert transmission == pytest.approx(-1, abs=1e-12)
    reflection, transmission = closed.slab_coefficients(e, quarter, frequency)
    assert reflection == pytest.approx((1 - e) / (1 + e), rel=1e-12)
    assert abs(reflection) ** 2 + abs(transmission) ** 2 == pytest.approx(1, rel=1e-12)


def test_sheet_and_thin_slab():
    """Half of eta takes half the power at most; a thin board is a sheet (k t = 6e-3, 1e-2)."""
    reflection, transmission = closed.sheet_coefficients(closed.ETA0 / 2)
    assert (reflection, transmission) == pytest.approx((-0.5, 0.5))
    sheet = closed.thin_slab_sheet_impedance(EC, 0.0125, 21e6)
    thin, through = closed.sheet_coefficients(sheet)
    exact, exact_through = closed.slab_coefficients(EC, 0.0125, 21e6)
    assert thin == pytest.approx(exact, rel=1e-2)
    # Behind the slab, not at its middle: the air that the slab replaces turns the phase.
    air = np.exp(-2j * np.pi * 21e6 / 299792458.0 * 0.0125)
    assert through * air == pytest.approx(exact_through, rel=1e-4)
