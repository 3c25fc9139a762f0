"""Point moments beside wires: against short wire elements of the same moment, and by power.

The short element's current is 1 - xi^2, zero at both ends, so that it has its own charges and
moment 2/3 I L.  Tolerance classes: a length of 1e-3 of the least distance leaves 1e-6 squared
terms ("short"); the earth's tables and the six-point rule for a dipole's charges leave 1e-5
("table").
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from imposed_currents import along
from scipy import constants

from ridgepole.materials import Earth
from ridgepole.solver.earth.flux import earth_flux, polarisation_flux
from ridgepole.solver.errors import SolverError
from ridgepole.solver.fields import kernels
from ridgepole.solver.fields.far import FarField
from ridgepole.solver.fields.near import fields
from ridgepole.solver.fields.polarisation import gathered
from ridgepole.solver.moments.basis import ElementCurrents, PointMoments

PERFECT, REAL = Earth.perfect(), Earth(13, 0.005)
GROUNDS = {"free": None, "perfect": PERFECT, "real": REAL}
FREQUENCY = 28.5e6
OMEGA = 2.0 * np.pi * FREQUENCY
POINTS = PointMoments(
    np.array([[0.9, -0.4, 2.1], [-1.7, 0.8, 3.0], [2.2, 1.9, 1.6]]),
    np.array(
        [
            [0.03 + 0.02j, -0.01j, 0.02],
            [0.01, 0.05 - 0.03j, -0.02 + 0.01j],
            [0.0, 0.0, 0.04j],
        ]
    ),
)


def wires():
    """A crooked wire with an imposed complex current that vanishes at its ends."""
    points = [(0.0, 0.0, 2.6), (2.0, 0.5, 3.4), (2.6, 2.8, 3.9)]
    total = sum(np.linalg.norm(np.subtract(b, a)) for a, b in pairwise(points))
    return along(
        points, lambda s: (1.0 + 0.4j * s) * np.sin(np.pi * s / total), n_elements=3, radius=1e-3
    )


def short_elements(moments, length=1e-3):
    """Two short elements per point, for the real and the imaginary part of its moment."""
    start, end, current = [], [], []
    for place, moment in zip(*moments, strict=True):
        for part, factor in ((moment.real, 1.0), (moment.imag, 1.0j)):
            size = np.linalg.norm(part)
            if size > 0.0:
                arm = 0.5 * length * part / size
                start.append(place - arm)
                end.append(place + arm)
                # 1 - xi^2 = 2/3 (P_0 - P_2)
                current.append(factor * size / length * np.array([1.0, 0.0, -1.0]))
    return ElementCurrents(
        np.array(start), np.array(end), np.full(len(start), 1e-9), np.array(current)
    )


def together(one, two):
    width = max(one.current.shape[1], two.current.shape[1])
    padded = [np.pad(x.current, ((0, 0), (0, width - x.current.shape[1]))) for x in (one, two)]
    return ElementCurrents(
        np.concatenate([one.start, two.start]),
        np.concatenate([one.end, two.end]),
        np.concatenate([one.radius, two.radius]),
        np.concatenate(padded),
    )


def idle():
    """An element far away that carries nothing, for fields of point moments alone."""
    return ElementCurrents(
        np.array([[50.0, 0.0, 5.0]]), np.array([[51.0, 0.0, 5.0]]), np.array([1e-3]),
        np.zeros((1, 2), dtype=complex),
    )  # fmt: skip


@pytest.mark.parametrize("ground", GROUNDS)
def test_far_field_of_points_is_that_of_short_elements(ground):
    earth = GROUNDS[ground]
    far = FarField(wires(), FREQUENCY, earth, 3.0, polarisation=POINTS)
    drawn = FarField(together(wires(), short_elements(POINTS)), FREQUENCY, earth, 3.0)
    elevation, azimuth = np.array([3.0, 20.0, 61.0, 88.0])[:, None], np.array([11.0, 140.0, 299.0])
    # Tolerance class: short.
    for one, two in zip(
        far.amplitudes(elevation, azimuth), drawn.amplitudes(elevation, azimuth), strict=True
    ):
        np.testing.assert_allclose(one, two, rtol=1e-6, atol=1e-6 * np.abs(two).max())
    assert far.radiated + far.polarisation_self == pytest.approx(drawn.radiated, rel=1e-6)
    alone = FarField(short_elements(POINTS), FREQUENCY, earth).radiated
    assert far.polarisation_self == pytest.approx(alone, rel=1e-6)
    assert far.polarisation_self > 1e-4 * far.radiated
    assert far.share(far.lowest_elevation_deg, 90.0) == pytest.approx(1.0, rel=1e-10)
    # The mean directivity is 1 (free space) although gains hold the points' own power.
    if earth is None:
        sines, weights = np.polynomial.legendre.leggauss(40)
        around = np.arange(0.0, 360.0, 9.0)
        value = 10.0 ** (0.1 * far.directivity_dbi(np.degrees(np.arcsin(sines))[:, None], around))
        assert 0.5 * weights @ value.mean(axis=1) == pytest.approx(1.0, rel=1e-9)


def test_without_points_nothing_is_added():
    far = FarField(wires(), FREQUENCY, REAL)
    assert far.polarisation_self == 0.0
    none = PointMoments(np.zeros((0, 3)), np.zeros((0, 3), dtype=complex))
    assert FarField(wires(), FREQUENCY, REAL, polarisation=none).radiated == far.radiated


@pytest.mark.parametrize("ground", GROUNDS)
def test_near_field_of_points_is_that_of_short_elements(ground):
    earth = GROUNDS[ground]
    places = np.array([[1.9, -0.9, 1.5], [-3.0, 2.0, 0.4], [0.4, 0.3, 6.0], [11.0, -7.0, 2.0]])
    by_points = fields(wires(), FREQUENCY, places, earth=earth, polarisation=POINTS)
    drawn = fields(together(wires(), short_elements(POINTS)), FREQUENCY, places, earth=earth)
    plain = fields(wires(), FREQUENCY, places, earth=earth)
    for one, two, without in zip(by_points, drawn, plain, strict=True):
        added = two - without
        # Tolerance class: short in free space and over perfect ground, else table.
        np.testing.assert_allclose(
            one - without,
            added,
            rtol=0,
            atol=(3e-6 if ground != "real" else 3e-5) * abs(added).max(),
        )
        # ... and at the far place by itself, where the field is weak
        np.testing.assert_allclose(
            one[3] - without[3], added[3], rtol=0, atol=1e-4 * abs(added[3]).max()
        )


@pytest.mark.parametrize("height", [0.0, -1.3])
def test_earth_flux_of_points_is_that_of_short_elements(height):
    ec = complex(REAL.complex_permittivity(FREQUENCY))
    shift = np.array([0.0, 0.0, height])
    moved = POINTS._replace(positions=POINTS.positions + shift)
    wire = wires()
    whole = earth_flux(together(wire, short_elements(moved)), FREQUENCY, ec)
    crossed = earth_flux(wire, FREQUENCY, ec, polarisation=moved)
    alone = polarisation_flux(moved, FREQUENCY, ec)
    # Tolerance class: short.
    assert crossed + alone == pytest.approx(whole, rel=1e-6)
    assert alone == pytest.approx(earth_flux(short_elements(moved), FREQUENCY, ec), rel=1e-6)
    assert abs(crossed - earth_flux(wire, FREQUENCY, ec)) > 1e-3 * whole


@pytest.mark.parametrize("ground", GROUNDS)
def test_two_dipoles_balance_and_are_reciprocal(ground):
    # What each dipole's field does to the other is what the pair sends out beyond the two alone.
    earth = GROUNDS[ground]
    one = PointMoments(np.array([[0.2, 0.1, 1.1]]), np.array([[0.3 + 0.1j, -0.2, 0.5j]]))
    two = PointMoments(np.array([[1.5, -0.6, 2.3]]), np.array([[0.1j, 0.4 + 0.2j, -0.3]]))
    at_two = fields(idle(), FREQUENCY, two.positions, earth=earth, polarisation=one)[0]
    at_one = fields(idle(), FREQUENCY, one.positions, earth=earth, polarisation=two)[0]
    # Reciprocity. Tolerance class: table.
    there, back = (at_two * two.moments).sum(), (at_one * one.moments).sum()
    assert there == pytest.approx(back, rel=1e-5)
    worked = -(at_two * two.moments.conj() + at_one * one.moments.conj()).sum().real

    drawn = short_elements(one)
    sent = FarField(drawn, FREQUENCY, earth, polarisation=two).radiated
    sent -= FarField(drawn, FREQUENCY, earth).radiated
    if ground == "real":
        ec = complex(REAL.complex_permittivity(FREQUENCY))
        sent += earth_flux(drawn, FREQUENCY, ec, polarisation=two)
        sent -= earth_flux(drawn, FREQUENCY, ec)
    assert sent == pytest.approx(worked, rel=1e-5)


def slow_point_fields(place, positions, moments, k):
    """By differences of the vector potential: E = -jk eta (A + grad div A / k^2), H = curl A."""
    h = 1e-3

    def potential(at):
        r = np.linalg.norm(at - positions, axis=1)
        return (moments * (np.exp(-1j * k * r) / (4 * np.pi * r))[:, None]).sum(axis=0)

    unit = h * np.eye(3)

    def divergence(at):
        return sum((potential(at + u)[i] - potential(at - u)[i]) / (2 * h)
                   for i, u in enumerate(unit))  # fmt: skip

    gradient = np.array([(divergence(place + u) - divergence(place - u)) / (2 * h) for u in unit])
    slope = np.array([(potential(place + u) - potential(place - u)) / (2 * h) for u in unit])
    eta = constants.mu_0 * constants.c
    electric = -1j * k * eta * (potential(place) + gradient / k**2)
    magnetic = np.array([slope[1, 2] - slope[2, 1], slope[2, 0] - slope[0, 2],
                         slope[0, 1] - slope[1, 0]])  # fmt: skip
    return electric, magnetic


def test_kernels_against_slow_twins():
    k, eta = OMEGA / constants.c, constants.mu_0 * constants.c
    place = np.array([[0.3, 0.9, 1.4]])
    e_field, h_field = np.zeros((2, 1, 3), dtype=complex)
    kernels.add_point_fields(place, k, eta, *POINTS, False, e_field, h_field)
    electric, magnetic = slow_point_fields(place[0], *POINTS, k)
    # Tolerance class: differences with a step of 1 mm.
    np.testing.assert_allclose(e_field[0], electric, rtol=0, atol=1e-4 * abs(electric).max())
    np.testing.assert_allclose(h_field[0], magnetic, rtol=0, atol=1e-4 * abs(magnetic).max())
    plain_e, plain_h = np.zeros((2, 1, 3), dtype=complex)
    kernels.add_point_fields.py_func(place, k, eta, *POINTS, False, plain_e, plain_h)
    np.testing.assert_allclose(plain_e, e_field, rtol=1e-12)
    np.testing.assert_allclose(plain_h, h_field, rtol=1e-12)

    ways = np.array([[0.6, 0.0, 0.8], [0.36, -0.8, 0.48]])
    vectors = kernels.point_vectors(ways, k, *POINTS)
    phases = np.exp(1j * k * ways @ POINTS.positions.T)
    np.testing.assert_allclose(vectors, phases @ POINTS.moments, rtol=1e-12)
    np.testing.assert_allclose(kernels.point_vectors.py_func(ways, k, *POINTS), vectors, rtol=1e-12)


def test_bad_moments_are_refused():
    below = POINTS._replace(positions=POINTS.positions - [0.0, 0.0, 2.0])
    crooked = POINTS._replace(moments=POINTS.moments[:2])
    endless = POINTS._replace(moments=POINTS.moments * np.nan)
    ec = complex(REAL.complex_permittivity(FREQUENCY))
    for wrong, words in ((below, "z = -0.4"), (crooked, r"\(C, 3\)"), (endless, "not finite")):
        with pytest.raises(SolverError, match=words):
            FarField(wires(), FREQUENCY, REAL, polarisation=wrong)
        with pytest.raises(SolverError, match=words):
            fields(wires(), FREQUENCY, [9.0, 9.0, 9.0], earth=REAL, polarisation=wrong)
    FarField(wires(), FREQUENCY, polarisation=below)  # free space has no below
    with pytest.raises(SolverError, match=r"point moment lies at z = -0.4"):
        earth_flux(wires(), FREQUENCY, ec, polarisation=below)
    with pytest.raises(SolverError, match="coincides with a cell"):
        fields(wires(), FREQUENCY, POINTS.positions[1], polarisation=POINTS)


def test_gathered_moments_have_the_same_far_field():
    """Fewer points, the same field in all directions (quadrature: 1e-5 of the greatest)."""
    rng = np.random.default_rng(11)
    positions = rng.uniform([-5, -3, 5], [4, 4, 8], size=(1700, 3))
    moments = rng.normal(size=(1700, 3)) + 1j * rng.normal(size=(1700, 3))
    for wavenumber in (0.07, 0.62):
        few = gathered(PointMoments(positions, moments), wavenumber)
        assert len(few.positions) < 1300
        ways = rng.normal(size=(50, 3))
        ways /= np.linalg.norm(ways, axis=1)[:, None]
        one, two = (
            np.exp(1j * wavenumber * ways @ np.asarray(p).T) @ np.asarray(m)
            for p, m in ((positions, moments), few)
        )
        np.testing.assert_allclose(two, one, rtol=0, atol=1e-5 * np.abs(one).max())
    alone = PointMoments(positions[:5], moments[:5])
    assert gathered(alone, 0.62) is alone
