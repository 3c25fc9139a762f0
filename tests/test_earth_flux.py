"""The earth's share: balance with the far field and the dipole's own input, and a slow twin."""

import numpy as np
import pytest
from scipy import constants

from ridgepole.solver import SolverError
from ridgepole.solver.earth import flux_kernels
from ridgepole.solver.earth.flux import earth_flux
from ridgepole.solver.earth.reflection import free_space_wavenumber, fresnel_coefficients
from ridgepole.solver.earth.tables import evaluate_field_columns, evaluate_kernels
from ridgepole.solver.moments.basis import ElementCurrents

ETA = constants.mu_0 * constants.c
GROUNDS = {"average": (13.0, 0.005), "dry sand": (3.0, 1e-4), "sea": (80.0, 5.0)}


def permittivity(ground: tuple[float, float], frequency: float) -> complex:
    er, sigma = ground
    return er - 1j * sigma / (2.0 * np.pi * frequency * constants.epsilon_0)


def input_power(frequency, ec, height, t):
    """Power into a unit current moment over earth, over that in free space. RMS."""
    omega, k = 2.0 * np.pi * frequency, free_space_wavenumber(frequency)
    zeta = 2.0 * height
    kernel = evaluate_kernels(0.0, zeta, frequency, ec)
    if t[2]:
        h = 0.05 * min(zeta, 0.5 / k)
        weights = np.array([5 / 6, -5 / 21, 5 / 84, -5 / 504, 1 / 1260]) / h
        steps = h * np.arange(1, 6)
        high = evaluate_field_columns(0.0, zeta + steps, frequency, ec).g_phi_zeta
        low = evaluate_field_columns(0.0, zeta - steps, frequency, ec).g_phi_zeta
        slope = (high - low) @ weights
        electric = -1j * omega * constants.mu_0 * kernel.g_zz
        electric -= slope / (1j * omega * constants.epsilon_0)
    else:
        slope = evaluate_field_columns(0.0, zeta, frequency, ec).g_phi_rho
        electric = -1j * omega * constants.mu_0 * kernel.g_vv
        electric += slope / (1j * omega * constants.epsilon_0)
    return 1.0 - electric.real / (ETA * k**2 / (6.0 * np.pi))


def sky_power(frequency, ec, height, t):
    """Power into the upper hemisphere by Fresnel coefficients, same unit."""
    k = free_space_wavenumber(frequency)
    # panels halving towards the horizon, where a good conductor's pole is near
    x, w = np.polynomial.legendre.leggauss(24)
    edges = np.concatenate([[0.0], 2.0 ** np.arange(-12.0, 0.0), np.linspace(0.5, 1.0, 5)[1:]])
    half = 0.5 * np.diff(edges)[:, None]
    sine, w = (edges[:-1, None] + half * (1.0 + x)).ravel(), (half * w).ravel()
    vertical, horizontal = fresnel_coefficients(np.arcsin(sine), ec)
    image = np.exp(-2j * k * height * sine)
    if t[2]:
        intensity = (1.0 - sine**2) * np.abs(1.0 + vertical * image) ** 2
    else:
        intensity = 0.5 * np.abs(sine * (1.0 - vertical * image)) ** 2
        intensity += 0.5 * np.abs(1.0 + horizontal * image) ** 2
    return 0.75 * (intensity @ w)


def short_dipole(height, t):
    length = 1e-4 * height
    arm = 0.5 * length * np.asarray(t)
    middle = np.array([1.3, -0.4, height])
    return ElementCurrents(
        (middle - arm)[None],
        (middle + arm)[None],
        np.array([1e-6]),
        np.array([[1.0 / length + 0j]]),
    )


@pytest.mark.parametrize("name", GROUNDS)
@pytest.mark.parametrize("frequency", [3.6e6, 28.5e6])
@pytest.mark.parametrize("height", [0.1, 1.0, 7.0])
@pytest.mark.parametrize("t", [(0.0, 0.0, 1.0), (0.8, -0.6, 0.0)])
def test_power_of_a_short_dipole_is_accounted_for(name, frequency, height, t):
    # input (from the mixed potentials) = sky (far field) + earth (flux): three ways of
    # computing. tolerance class: quadrature (the dipole's length leaves (1e-4)^2)
    ec = permittivity(GROUNDS[name], frequency)
    unit = ETA * free_space_wavenumber(frequency) ** 2 / (6.0 * np.pi)
    earth = earth_flux(short_dipole(height, t), frequency, ec) / unit
    given = input_power(frequency, ec, height, t)
    sky = sky_power(frequency, ec, height, t)
    assert earth > 0.0
    assert abs(given - sky - earth) < 2e-8 * given


def lopsided(z_min):
    """Five unlike elements, Legendre currents up to degree 4, all directions."""
    rng = np.random.default_rng(31)
    start = rng.uniform([-2, -1, z_min], [3, 2, 4.0], (5, 3))
    end = start + rng.uniform(-1.3, 1.3, (5, 3))
    end[:, 2] = np.maximum(end[:, 2], z_min)
    start[0, 2] = end[0, 2] = z_min  # one lies level at the lowest height
    current = rng.normal(size=(5, 5)) + 1j * rng.normal(size=(5, 5))
    return ElementCurrents(start, end, np.full(5, 1e-3), current * 0.5 ** np.arange(5))


def plain_flux(currents, frequency, ec, *, nodes):
    """Slow twin: the double integral over kr and phi as it stands, V_e and V_h and all."""
    k = free_space_wavenumber(frequency)
    k1 = k * np.sqrt(ec)
    omega = 2.0 * np.pi * frequency
    xi, weight = np.polynomial.legendre.leggauss(nodes)
    values = np.polynomial.legendre.legval(xi, currents.current.T)  # (E, nodes)
    middle, arm = 0.5 * (currents.start + currents.end), 0.5 * (currents.end - currents.start)
    r = (middle[:, None] + xi[:, None] * arm[:, None]).reshape(-1, 3)
    moment = ((values * weight)[:, :, None] * arm[:, None]).reshape(-1, 3)
    r[:, :2] -= r[:, :2].mean(axis=0)
    reach = 2.0 * np.hypot(r[:, 0], r[:, 1]).max()

    x, w = np.polynomial.legendre.leggauss(16)

    def panels(last, count):
        # the first one halves towards 0, where a good conductor's pole is near
        edges = np.linspace(0.0, last, count + 1)
        edges = np.concatenate([[0.0], edges[1] * 2.0 ** np.arange(-10.0, 0.0), edges[1:]])
        half = 0.5 * np.diff(edges)[:, None]
        return (edges[:-1, None] + half * (1.0 + x)).ravel(), (half * w).ravel()

    t, weight_t = panels(0.5 * np.pi, 12)
    t = 0.5 * np.pi - t
    end = 2.0 * k + 10.0 / r[:, 2].min()
    s, weight_s = panels(np.sqrt(end - k), 120)
    kr = np.concatenate([k * np.sin(t), k + s**2])
    weight = np.concatenate([weight_t * k * np.cos(t), weight_s * 2.0 * s])
    total = 0.0
    for q, dq in zip(kr, weight, strict=True):
        kz, kz1 = np.sqrt(k**2 - q**2 + 0j), np.sqrt(k1**2 - q**2)
        kz, kz1 = (-v if v.imag > 0 else v for v in (kz, kz1))
        n = int(q * reach + 40)
        phi = 2.0 * np.pi * np.arange(n) / n
        u = np.stack([np.cos(phi), np.sin(phi)], axis=1)
        j = np.exp(1j * q * (u @ r[:, :2].T) - 1j * kz * r[:, 2]) @ moment
        along, across = (j[:, :2] * u).sum(axis=1), u[:, 0] * j[:, 1] - u[:, 1] * j[:, 0]
        v_e = -(kz1 / ec) / (omega * constants.epsilon_0 * (kz1 / ec + kz))
        v_e = v_e * (kz * along + q * j[:, 2])
        v_h = -omega * constants.mu_0 * across / (kz + kz1)
        power = np.abs(v_e) ** 2 * (omega * constants.epsilon_0 * ec / kz1).real
        power += np.abs(v_h) ** 2 * (kz1 / (omega * constants.mu_0)).real
        total += dq * q * power.sum() * 2.0 * np.pi / n
    return total / (4.0 * np.pi**2)


@pytest.mark.parametrize("name", GROUNDS)
@pytest.mark.parametrize(("frequency", "z_min", "nodes"), [(28.5e6, 1.0, 14), (7.1e6, 0.4, 24)])
def test_flux_of_a_lopsided_structure_against_the_double_integral(name, frequency, z_min, nodes):
    # tolerance class: quadrature (the twin's as well as ours)
    currents = lopsided(z_min)
    ec = permittivity(GROUNDS[name], frequency)
    slow = plain_flux(currents, frequency, ec, nodes=nodes)
    np.testing.assert_allclose(earth_flux(currents, frequency, ec), slow, rtol=2e-6)


def test_flux_does_not_depend_on_how_the_structure_stands():
    # turned about z, moved level, elements reversed and reordered; tolerance class: quadrature
    frequency, ec = 14.1e6, permittivity((5.0, 0.002), 14.1e6)
    first = lopsided(0.8)
    c, s = np.cos(0.83), np.sin(0.83)
    turn = np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])
    order = np.array([3, 1, 4, 0, 2])
    shift = np.array([17.0, -6.0, 0.0])
    # reversing an element: I(xi) -> -I(-xi)
    flipped = -first.current[order] * (-1.0) ** np.arange(5)
    second = ElementCurrents(
        first.end[order] @ turn.T + shift, first.start[order] @ turn.T + shift,
        first.radius[order], flipped,
    )  # fmt: skip
    one, other = earth_flux(first, frequency, ec), earth_flux(second, frequency, ec)
    np.testing.assert_allclose(other, one, rtol=1e-6)


def test_metal_takes_nothing():
    value = earth_flux(lopsided(1.0), 14.1e6, 1.0 - 1e14j)
    reference = earth_flux(lopsided(1.0), 14.1e6, 13.0 - 6.0j)
    assert 0.0 < value < 1e-4 * reference


def test_pair_sum_compiled_and_interpreted_agree():
    rng = np.random.default_rng(8)
    positions = rng.uniform(1.0, 3.0, (5, 3))
    moments = rng.normal(size=(5, 3)) + 1j * rng.normal(size=(5, 3))
    grid = rng.normal(size=(40, 30, 4))
    settings = (1.0, 0.3, 1.9, 0.12, 0.12)
    compiled, plain = np.empty(5), np.empty(5)
    flux_kernels.pair_power(positions, moments, grid, *settings, compiled)
    flux_kernels.pair_power.py_func(positions, moments, grid, *settings, plain)
    np.testing.assert_allclose(compiled, plain, rtol=1e-12)


def test_an_element_at_the_ground_is_named():
    currents = lopsided(1.0)
    currents.start[2, 2] = 0.0
    with pytest.raises(SolverError, match="above the ground"):
        earth_flux(currents, 14e6, 13 - 1j)
