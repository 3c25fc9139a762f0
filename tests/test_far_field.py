"""Far field against closed forms with imposed currents, and against dense quadrature.

Tolerance classes: rounding 1e-12 and below; quadrature 1e-8 (what the angular integration
promises); discretisation named beside the case; printed: half a unit of the last printed digit.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from imposed_currents import along
from scipy.constants import c as LIGHT_SPEED
from scipy.constants import epsilon_0, mu_0
from scipy.special import sici

from ridgepole.materials import Earth
from ridgepole.solver.errors import SolverError
from ridgepole.solver.fields.far import FarField, cut_pieces
from ridgepole.solver.fields.kernels import radiation_vectors
from ridgepole.solver.moments.basis import ElementCurrents

ETA = np.sqrt(mu_0 / epsilon_0)
FREQUENCY = 14.2e6
WAVELENGTH = LIGHT_SPEED / FREQUENCY
K = 2.0 * np.pi / WAVELENGTH
QUADRATURE = 1e-8


AVERAGE = Earth(13, 0.005)
SEA = Earth(80, 5.0)
DRY = Earth(4, 1e-5)
PERFECT = Earth.perfect()


def joined(*parts):
    return ElementCurrents(*(np.concatenate([p[i] for p in parts]) for i in range(4)))


def dipole(length, *, center=(0.0, 0.0, 0.0), axis=(0.0, 0.0, 1.0), peak: complex = 1.0):
    """Sinusoidal current of the given maximum, the maximum of sin k(h - |s|). [A]"""
    half = 0.5 * length
    center, axis = np.asarray(center), np.asarray(axis, dtype=float)
    points = [center - half * axis, center, center + half * axis]
    return along(points, lambda s: peak * np.sin(K * (half - np.abs(s - half))))


def maximum_resistance(length):
    """R_m by the closed form of check-values 1.1 (Carter 1932; Balanis ch. 4). [ohm]"""
    kl = K * length
    euler = np.euler_gamma
    si1, ci1 = sici(kl)
    si2, ci2 = sici(2 * kl)
    return (ETA / (2 * np.pi)) * (
        euler
        + np.log(kl)
        - ci1
        + 0.5 * np.sin(kl) * (si2 - 2 * si1)
        + 0.5 * np.cos(kl) * (euler + np.log(kl / 2) + ci2 - 2 * ci1)
    )


LOPSIDED = [
    [(0.3, -1.0, 2.0), (4.1, 0.5, 2.9)],
    [(0.3, -1.0, 2.0), (-2.2, 3.0, 4.4)],
    [(0.3, -1.0, 2.0), (0.9, -1.7, 1.1)],
]


def lopsided(seed=5, degree=4):
    """Three unlike wires with arbitrary complex polynomial currents."""
    random = np.random.default_rng(seed)
    starts = np.array([w[0] for w in LOPSIDED])
    ends = np.array([w[1] for w in LOPSIDED])
    current = random.normal(size=(3, degree + 1)) + 1j * random.normal(size=(3, degree + 1))
    return ElementCurrents(starts, ends, np.array([1e-3, 2e-3, 0.8e-3]), current)


def slow_vector(currents, direction, image=False):
    """N and its image with mirrored phase, by 200 Gauss nodes per element. [A m]"""
    xi, weight = np.polynomial.legendre.leggauss(200)
    mirror = np.array([1.0, 1.0, -1.0]) if image else np.ones(3)
    total = np.zeros(3, dtype=complex)
    for start, end, row in zip(currents.start, currents.end, currents.current, strict=True):
        at = start + 0.5 * (xi[:, None] + 1.0) * (end - start)
        current = np.polynomial.legendre.legval(xi, row)
        phase = np.exp(1j * K * ((at * mirror) @ direction))
        total += 0.5 * (end - start) * np.sum(weight * current * phase)
    return total


def slow_amplitudes(currents, elevation, azimuth, reflection=None):
    """F_theta and F_phi with explicit unit vectors; `reflection` is (R_v, R_h)."""
    e, a = np.deg2rad(elevation), np.deg2rad(azimuth)
    direction = np.array([np.cos(e) * np.cos(a), np.cos(e) * np.sin(a), np.sin(e)])
    theta = np.array([np.sin(e) * np.cos(a), np.sin(e) * np.sin(a), -np.cos(e)])
    phi = np.array([-np.sin(a), np.cos(a), 0.0])
    vector = slow_vector(currents, direction)
    n_theta, n_phi = vector @ theta, vector @ phi
    if reflection is not None:
        image = slow_vector(currents, direction, image=True)
        n_theta += reflection[0] * (-image[:2] @ theta[:2] + image[2] * theta[2])
        n_phi += reflection[1] * (image @ phi)
    unit = -1j * ETA * K / (4 * np.pi)
    return unit * n_theta, unit * n_phi


@pytest.mark.parametrize(
    ("wavelengths", "directivity", "resistance"),
    [(0.5, 1.6409, 73.079), (1.0, 2.411, 198.95), (1.25, 3.282, None), (1.5, None, 105.42)],
)
def test_dipoles_have_the_textbook_directivity_and_radiation_resistance(
    wavelengths, directivity, resistance
):
    # Source: check-values 1.1 (Balanis ch. 4, Carter 1932; from memory, confirmed by the closed
    # form there).  Tolerance: printed digits; 1e-8 (quadrature) against the closed form.
    far = FarField(dipole(wavelengths * WAVELENGTH), FREQUENCY)
    assert far.radiated == pytest.approx(maximum_resistance(wavelengths * WAVELENGTH), rel=1e-8)
    if resistance is not None:
        assert far.radiated == pytest.approx(resistance, abs=0.0051)
    if directivity is not None:
        broadside = 10.0 ** (far.directivity_dbi(0.0, 33.0) / 10.0)
        assert broadside == pytest.approx(directivity, abs=6e-4)
        assert far.maximum()[0] == pytest.approx(far.gain_dbi(0.0, 0.0), abs=1e-9)
        assert far.maximum()[1] == pytest.approx(0.0, abs=1e-4)


def test_half_wave_dipole_decibels():
    # Source: check-values 1.1, 2.151 dBi (printed).
    far = FarField(dipole(0.5 * WAVELENGTH), FREQUENCY, input_power=73.079 / 0.9)
    assert far.directivity_dbi(0.0, 0.0) == pytest.approx(2.151, abs=6e-4)
    assert far.gain_dbi(0.0, 0.0) == pytest.approx(2.151 + 10 * np.log10(0.9), abs=6e-4)
    assert far.efficiency == pytest.approx(0.9, abs=1e-5)


@pytest.mark.parametrize("axis", [(0, 0, 1), (1, 0, 0), (0.48, -0.6, 0.64)])
def test_short_dipole(axis):
    # Source: check-values 1.1: D 1.5; R = 20 pi^2 (L/lambda)^2 with 120 pi, here
    # (2 pi/3) eta (L_eff/lambda)^2 with half of L effective for a triangular current.
    # Tolerance: the closed forms drop (kL)^2 terms, about (kL)^2/30 = 1.3e-6.
    length = 1e-3 * WAVELENGTH
    axis = np.asarray(axis, dtype=float)
    points = np.array([-0.5 * length * axis, np.zeros(3), 0.5 * length * axis])
    currents = along(points, lambda s: 1.0 - np.abs(2 * s / length - 1.0), degree=1)
    far = FarField(currents, FREQUENCY)
    exact = (2 * np.pi / 3) * ETA * (0.5 * length / WAVELENGTH) ** 2
    assert far.radiated == pytest.approx(exact, rel=4e-6)
    gain, elevation, azimuth = far.maximum()
    directivity = 10 ** (far.directivity_dbi(elevation, azimuth) / 10)
    assert directivity == pytest.approx(1.5, rel=4e-6)
    assert gain == pytest.approx(far.gain_dbi(elevation, azimuth), abs=1e-9)
    e, a = np.deg2rad(elevation), np.deg2rad(azimuth)
    way = np.array([np.cos(e) * np.cos(a), np.cos(e) * np.sin(a), np.sin(e)])
    assert abs(way @ axis) < 1e-4


@pytest.mark.parametrize(("wavelengths", "directivity"), [(1e-3, 3.0), (0.25, 3.282)])
def test_monopoles_on_perfect_ground(wavelengths, directivity):
    # Source: check-values 1.1 (short 3.0, quarter-wave 3.282).  The quarter-wave's R is half the
    # half-wave dipole's.  Tolerance: printed.
    height = wavelengths * WAVELENGTH
    currents = along([(0, 0, 0), (0, 0, height)], lambda s: np.sin(K * (height - s)))
    far = FarField(currents, FREQUENCY, PERFECT)
    assert 10 ** (far.directivity_dbi(0.0, 71.0) / 10) == pytest.approx(directivity, abs=6e-4)
    assert far.share(0, 90) == pytest.approx(1.0, abs=1e-14)
    assert far.vertical_part == pytest.approx(1.0, abs=1e-14)
    if wavelengths == 0.25:
        assert far.radiated == pytest.approx(0.5 * maximum_resistance(2 * height), rel=1e-8)
    assert far.maximum()[1] == 0.0


@pytest.mark.parametrize(
    ("shift", "axial", "mutual"),
    [
        # Source: check-values 2.1, computed there from Carter's closed forms with the true eta0.
        (0.5, 0.0, -12.523),
        (0.125, 0.0, 64.138),
        (0.25, 0.25, 30.877),
        (0.5, 0.5, -11.882),
        (1.0, 0.5, 9.027),
        (0.0, 0.5, 26.396),
        (0.0, 1.0, -4.116),
        (2.0, 0.0, 1.083),
    ],
)
def test_power_of_two_dipoles_holds_the_mutual_resistance(shift, axial, mutual):
    # P = R11 (|I1|^2 + |I2|^2) + 2 R12 Re(I1 I2*).  Tolerance: printed to 0.001 ohm.
    one = dipole(0.5 * WAVELENGTH)
    place = (0.6 * shift * WAVELENGTH, 0.8 * shift * WAVELENGTH, axial * WAVELENGTH)
    ratio = 0.7 - 0.4j
    both = joined(one, dipole(0.5 * WAVELENGTH, center=place, peak=ratio))
    own = maximum_resistance(0.5 * WAVELENGTH)
    radiated = FarField(both, FREQUENCY).radiated
    found = (radiated - own * (1 + abs(ratio) ** 2)) / (2 * ratio.real)
    assert found == pytest.approx(mutual, abs=6e-4)


def test_in_phase_pair_gain():
    # Source: check-values 2.1 (Kraus & Marhefka, example): gain over one dipole
    # 2 R11/(R11 + R12), 4.0 over isotropic (6.0 dBi); printed digits.
    pair = joined(
        dipole(0.5 * WAVELENGTH), dipole(0.5 * WAVELENGTH, center=(0.5 * WAVELENGTH, 0, 0))
    )
    far = FarField(pair, FREQUENCY)
    own = maximum_resistance(0.5 * WAVELENGTH)
    assert far.radiated == pytest.approx(2 * (own - 12.523), abs=2e-3)
    gain, elevation, azimuth = far.maximum()
    directivity = 10 ** (far.directivity_dbi(elevation, azimuth) / 10)
    assert directivity == pytest.approx(1.6409 * 2 * own / (own - 12.523), rel=1e-4)
    assert directivity == pytest.approx(4.0, abs=0.05)
    assert azimuth % 180.0 == pytest.approx(90.0, abs=1e-3)
    assert gain == pytest.approx(float(far.gain_dbi(0.0, 90.0)), abs=1e-9)


def test_small_loop():
    # Source: check-values 2.3, R = 31171 (A/lambda^2)^2 with 120 pi, here (8 pi^3/3) eta
    # (A/lambda^2)^2.  A square of side s has corrections of order (ks)^2.
    side = 2e-3 * WAVELENGTH
    corners = side * np.array([(0, 0, 0), (1, 0, 0), (1, 1, 0), (0, 1, 0), (0, 0, 0)])
    currents = along(corners, lambda s: np.full_like(s, 2.0), n_elements=1, degree=1)
    far = FarField(currents, FREQUENCY)
    resistance = far.radiated / 4.0
    exact = (8 * np.pi**3 / 3) * ETA * (side / WAVELENGTH) ** 4
    assert resistance == pytest.approx(exact, rel=(K * side) ** 2)
    assert far.vertical_part == pytest.approx(0.0, abs=1e-4)
    assert float(far.directivity_dbi(0.0, 17.0)) == pytest.approx(10 * np.log10(1.5), abs=1e-3)


@pytest.mark.parametrize("case", ["free", "perfect", "real"])
def test_lopsided_wires_against_dense_quadrature(case):
    # Slow twin: 200 Gauss nodes per element and explicit unit vectors.  Tolerance: rounding.
    currents = lopsided()
    earth = {"free": None, "perfect": PERFECT, "real": AVERAGE}[case]
    far = FarField(currents, FREQUENCY, earth)
    for elevation, azimuth in [(17.0, 40.0), (63.0, 200.0), (3.0, -75.0), (90.0, 11.0)]:
        reflection = None
        if case == "perfect":
            reflection = (1.0, -1.0)
        elif case == "real":
            # Fresnel's formulas, from memory.
            s = np.sin(np.deg2rad(elevation))
            ec = 13 - 0.005j / (2 * np.pi * FREQUENCY * epsilon_0)
            root = np.sqrt(ec - np.cos(np.deg2rad(elevation)) ** 2)
            reflection = ((ec * s - root) / (ec * s + root), (s - root) / (s + root))
        slow = slow_amplitudes(currents, elevation, azimuth, reflection)
        np.testing.assert_allclose(far.amplitudes(elevation, azimuth), slow, rtol=1e-11, atol=1e-10)
        u = (abs(slow[0]) ** 2 + abs(slow[1]) ** 2) / ETA
        assert far.intensity(elevation, azimuth) == pytest.approx(u, rel=1e-11)
        total = 10 ** (far.gain_dbi(elevation, azimuth) / 10)
        vertical = 10 ** (far.vertical_gain_dbi(elevation, azimuth) / 10)
        horizontal = 10 ** (far.horizontal_gain_dbi(elevation, azimuth) / 10)
        assert vertical + horizontal == pytest.approx(total, rel=1e-12)
        assert vertical == pytest.approx(4 * np.pi * abs(slow[0]) ** 2 / ETA, rel=1e-10)


@pytest.mark.parametrize(
    "earth",
    [None, PERFECT, AVERAGE, SEA, DRY],
)
def test_radiated_power_against_a_dense_grid(earth):
    # Tolerance: quadrature, 1e-8; the twin has 400 Gauss nodes graded to the horizon by
    # sin(elevation) = x^4 and 96 azimuths.
    currents = lopsided()
    far = FarField(currents, FREQUENCY, earth)
    x, weight = np.polynomial.legendre.leggauss(400)
    x, weight = 0.5 * (x + 1), 0.5 * weight
    sine, weight = x**4, 4 * x**3 * weight
    if earth is None:
        sine, weight = np.concatenate([sine, -sine]), np.concatenate([weight, weight])
    azimuths = np.arange(96) * 360 / 96
    u = far.intensity(np.rad2deg(np.arcsin(sine))[:, None], azimuths[None, :])
    slow = 2 * np.pi * float(weight @ u.mean(axis=1))
    assert far.radiated == pytest.approx(slow, rel=QUADRATURE)
    low, high = np.sin(np.deg2rad([20.0, 70.0]))
    x, weight = np.polynomial.legendre.leggauss(80)
    sine = 0.5 * (low + high) + 0.5 * (high - low) * x
    u = far.intensity(np.rad2deg(np.arcsin(sine))[:, None], azimuths[None, :])
    part = 2 * np.pi * float(0.5 * (high - low) * weight @ u.mean(axis=1))
    assert far.share(20, 70) == pytest.approx(part / slow, rel=QUADRATURE)


@pytest.mark.parametrize("frequency", [3.65e6, 14.2e6, 28.5e6, 120e6])
def test_integration_is_unchanged_by_finer_nodes(frequency, monkeypatch):
    # Six wires 20 m across; finer nodes are had by pretending to a larger extent.
    # Tolerance: quadrature.
    random = np.random.default_rng(3)
    n = 24
    start = random.uniform(-10, 10, (n, 3)) * [1, 0.8, 0.2] + [3, 1, 5]
    end = start + random.uniform(-2.6, 2.6, (n, 3)) * [1, 1, 0.5]
    current = random.normal(size=(n, 5)) + 1j * random.normal(size=(n, 5))
    currents = ElementCurrents(start, end, np.full(n, 1e-3), current)
    for earth in (
        None,
        PERFECT,
        AVERAGE,
    ):
        far = FarField(currents, frequency, earth)
        fine = FarField(currents, frequency, earth)
        radius, height = far._extent
        larger = 1.5 * radius + 5, 1.5 * height + 5
        monkeypatch.setitem(fine.__dict__, "_extent", larger)
        assert far.radiated == pytest.approx(fine.radiated, rel=QUADRATURE)
        assert far.share(5, 31) == pytest.approx(fine.share(5, 31), rel=QUADRATURE)
        assert far.share(60, 90) == pytest.approx(fine.share(60, 90), rel=QUADRATURE)


@pytest.mark.parametrize("earth", [None, PERFECT, AVERAGE])
def test_shares_add_up(earth):
    far = FarField(lopsided(), FREQUENCY, earth, input_power=1e4)
    low = -90.0 if earth is None else 0.0
    edges = [low, 0.0, 12.0, 30.0, 60.0, 90.0]
    parts = [far.share(a, b) for a, b in pairwise(edges)]
    assert sum(parts) == pytest.approx(1.0, abs=QUADRATURE)
    assert min(parts[1:]) > 0.0
    assert far.share(low, 90) == pytest.approx(1.0, abs=1e-14)
    assert far.share(30, 30) == 0.0
    of_input = far.share(30, 60, of="input")
    assert of_input == pytest.approx(parts[3] * far.efficiency, rel=1e-14)


def test_share_of_a_short_vertical_dipole():
    # U ~ cos^2(e): share from -e to e is (3/2)(s - s^3/3), s = sin e; computed from formula.
    length = 1e-4 * WAVELENGTH
    currents = along([(0, 0, 0), (0, 0, length)], lambda s: np.ones_like(s), 1, 0)
    far = FarField(currents, FREQUENCY)
    s = np.sin(np.deg2rad(30.0))
    assert far.share(-30, 30) == pytest.approx(1.5 * (s - s**3 / 3), rel=1e-7)


def test_perfect_ground_is_two_antennas_and_good_earth_tends_to_it():
    # The image written out as wires: same field above, twice the power in all directions.
    currents = lopsided()
    mirror = np.array([1.0, 1.0, -1.0])
    image = ElementCurrents(
        currents.start * mirror, currents.end * mirror, currents.radius, -currents.current
    )
    far = FarField(currents, FREQUENCY, PERFECT)
    both = FarField(joined(currents, image), FREQUENCY)
    assert both.radiated == pytest.approx(2 * far.radiated, rel=QUADRATURE)
    np.testing.assert_allclose(
        far.amplitudes(31.0, 140.0), both.amplitudes(31.0, 140.0), rtol=1e-12
    )
    # |1 - R| falls as 1/sqrt(ec): the loss of order 1e-6 and less
    good = FarField(currents, FREQUENCY, Earth(1, 1e11))
    assert good.radiated == pytest.approx(far.radiated, rel=1e-5)
    # a ground that is air reflects nothing
    air = FarField(currents, FREQUENCY, Earth(1, 0.0))
    free = FarField(currents, FREQUENCY)
    np.testing.assert_allclose(
        air.amplitudes(31.0, 140.0), free.amplitudes(31.0, 140.0), rtol=1e-12
    )


def test_maximum_finds_the_highest_of_many_lobes():
    # Against a brute 0.25-degree search of a 3-wavelength wire with lopsided excitation.
    currents = along(
        [(0, 0, 9.0), (3.0 * WAVELENGTH, 4.0, 12.0)], lambda s: np.exp(-1j * K * s * 0.9), 14
    )
    far = FarField(currents, FREQUENCY, AVERAGE)
    gain, elevation, azimuth = far.maximum()
    grid = far.gain_dbi(np.arange(0, 90.1, 0.25)[None, :], np.arange(0, 360, 0.25)[:, None])
    assert gain >= grid.max()
    assert gain == pytest.approx(grid.max(), abs=2e-3)
    a, e = np.unravel_index(np.argmax(grid), grid.shape)
    assert elevation == pytest.approx(0.25 * e, abs=0.25)
    assert azimuth == pytest.approx(0.25 * a, abs=0.25)
    for de, da in [(0.01, 0), (-0.01, 0), (0, 0.01), (0, -0.01)]:
        assert gain >= far.gain_dbi(elevation + de, azimuth + da)


def test_equal_maxima_are_told_from_the_horizon_upward():
    # A dipole along y is the same all around in the plane of x and z; one along z is a ring.
    across = FarField(dipole(0.5 * WAVELENGTH, axis=(0, 1, 0)), FREQUENCY)
    assert across.maximum()[1:] == pytest.approx((0.0, 0.0), abs=1e-4)
    upright = FarField(dipole(0.5 * WAVELENGTH), FREQUENCY)
    assert upright.maximum()[1:] == pytest.approx((0.0, 0.0), abs=1e-4)
    # low over ground: the zenith, whatever the azimuth
    low = FarField(dipole(0.5 * WAVELENGTH, axis=(1, 0, 0), center=(0, 0, 3)), FREQUENCY, AVERAGE)
    assert low.maximum()[1] == pytest.approx(90.0, abs=1e-4)
    # a vertical stack over ground is omnidirectional with several lobes: the highest is found
    tall = FarField(dipole(2.0 * WAVELENGTH, center=(0, 0, 40.0)), FREQUENCY, PERFECT)
    fine = tall.gain_dbi(np.linspace(0, 90, 9001), 0.0)
    assert tall.maximum()[0] == pytest.approx(fine.max(), abs=1e-4)


def test_long_elements_are_cut_and_the_kernel_runs_interpreted():
    # One element of three wavelengths: the series must hold on its pieces.  Rounding.
    currents = ElementCurrents(
        np.array([[0.0, 1.0, 2.0]]),
        np.array([[40.0, -35.0, 30.0]]),
        np.array([1e-3]),
        np.array([[0.3 + 1j, -0.2, 0.5j, 1.0, -0.7j]]),
    )
    pieces = cut_pieces(currents, K)
    assert np.linalg.norm(pieces.halves, axis=1).max() * K <= 1.0
    ways = np.array([[0.6, 0.0, 0.8], [0.36, -0.8, 0.48], [0.0, 0.0, -1.0]])
    arguments = (ways, K, pieces.centers, pieces.halves, pieces.rings, pieces.series)
    compiled = radiation_vectors(*arguments)
    interpreted = radiation_vectors.py_func  # pyright: ignore[reportFunctionMemberAccess]
    np.testing.assert_allclose(interpreted(*arguments), compiled, rtol=1e-12)
    for way, vector in zip(ways, compiled, strict=True):
        np.testing.assert_allclose(vector, slow_vector(currents, way), rtol=1e-11, atol=1e-11)


def test_scalars_broadcasting_and_nulls():
    far = FarField(dipole(0.5 * WAVELENGTH), FREQUENCY)
    assert isinstance(far.gain_dbi(0.0, 0.0), float)
    grid = far.gain_dbi(np.array([0.0, 10.0, 45.0])[:, None], np.array([0.0, 90.0])[None, :])
    assert grid.shape == (3, 2)
    assert grid[1, 1] == far.gain_dbi(10.0, 90.0)
    assert far.horizontal_gain_dbi(20.0, 0.0) == -np.inf
    assert "14.2 MHz" in repr(far)


@pytest.mark.parametrize("method", ["gain_dbi", "directivity_dbi", "intensity", "amplitudes"])
def test_elevations_out_of_range_are_refused(method):
    free = FarField(lopsided(), FREQUENCY)
    over = FarField(lopsided(), FREQUENCY, PERFECT)
    getattr(free, method)(-90.0, 0.0)
    with pytest.raises(SolverError, match=r"90\.5 degrees.*between -90"):
        getattr(free, method)([0.0, 90.5], 0.0)
    with pytest.raises(SolverError, match=r"-0\.1 degrees: over ground.*between 0"):
        getattr(over, method)(-0.1, 0.0)
    with pytest.raises(SolverError, match="nan"):
        getattr(over, method)(np.nan, 0.0)
    with pytest.raises(SolverError, match="azimuth"):
        getattr(over, method)(1.0, np.inf)


def test_bad_shares_and_powers_are_refused():
    far = FarField(lopsided(), FREQUENCY, PERFECT)
    with pytest.raises(SolverError, match="lower elevation first"):
        far.share(60, 30)
    with pytest.raises(SolverError, match="-10 degrees"):
        far.share(-10, 30)
    with pytest.raises(SolverError, match="'radiated' or 'input'"):
        far.share(0, 30, of="total")  # pyright: ignore[reportArgumentType]
    for bad in (0.0, -1.0, np.nan, np.inf):
        with pytest.raises(SolverError, match="input power"):
            FarField(lopsided(), FREQUENCY, input_power=bad)
        with pytest.raises(SolverError, match="frequency"):
            FarField(lopsided(), bad)
    silent = lopsided()._replace(current=np.zeros((3, 2), dtype=complex))
    with pytest.raises(SolverError, match="nothing is radiated"):
        FarField(silent, FREQUENCY).maximum()


def test_a_maximum_beside_the_zenith_is_found():
    """Where azimuths run together, against a fine search about it (search)."""
    # level, with a phase along it: the lobe leans a little off the zenith
    currents = along(
        [(0, 0, 2.6), (0.4 * WAVELENGTH, 0.1, 2.6)], lambda s: np.exp(-0.3j * K * s), 8
    )
    far = FarField(currents, FREQUENCY, AVERAGE)
    gain, elevation, azimuth = far.maximum()
    off = np.linspace(0.0, 20.0, 401)
    fine = far.gain_dbi(90.0 - off[None, :], np.arange(0.0, 360.0, 2.0)[:, None])
    assert 70.0 < elevation < 89.0
    assert gain >= fine.max() - 1e-9
    a, e = np.unravel_index(int(np.argmax(fine)), fine.shape)
    assert elevation == pytest.approx(90.0 - off[e], abs=0.06)
    assert (azimuth - 2.0 * a + 180.0) % 360.0 - 180.0 == pytest.approx(0.0, abs=2.5)
