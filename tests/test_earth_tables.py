"""Reflected kernels of the earth: direct integration, tables, look-up, fields of sources."""

import mpmath
import numpy as np
import pytest
from scipy import constants
from scipy.special import jv

from ridgepole.solver import SolverError
from ridgepole.solver.earth import kernels
from ridgepole.solver.earth.bessel import bessel_near_axis, taylor_coefficients
from ridgepole.solver.earth.reflection import free_space_wavenumber
from ridgepole.solver.earth.tables import (
    build_earth_table,
    evaluate_field_columns,
    evaluate_kernels,
)


def permittivity(ground: tuple[float, float], frequency: float) -> complex:
    er, sigma = ground
    return er - 1j * sigma / (2.0 * np.pi * frequency * constants.epsilon_0)


AVERAGE, SAND, SEA = (13.0, 0.005), (3.0, 1e-4), (80.0, 5.0)


# --- Bessel functions ----------------------------------------------------------------------


@pytest.mark.parametrize("largest", [0.3, 6.0, 48.0, 60.0, 3000.0])
def test_bessel_functions_near_the_axis(largest):
    # against scipy's general routine; tolerance class: rounding
    rng = np.random.default_rng(int(largest * 10))
    x = rng.uniform(0.0, largest, 200) + 1j * rng.uniform(0.0, 1.6, 200)
    found = np.array([bessel_near_axis(z, taylor_coefficients()) for z in x]).T
    tolerance = 1e-14 + 1e-17 * largest
    np.testing.assert_allclose(found[0], jv(0, x), rtol=0, atol=tolerance)
    np.testing.assert_allclose(found[1], jv(1, x) / x, rtol=0, atol=tolerance)
    # the reference loses digits itself at small x
    np.testing.assert_allclose(found[2], jv(2, x) / x**2, rtol=0, atol=tolerance)
    plain = bessel_near_axis.py_func(x[0], taylor_coefficients())
    np.testing.assert_allclose(plain, found[:, 0], rtol=1e-13)


# --- direct integration --------------------------------------------------------------------


def adaptive_kernels(rho, zeta, frequency, ec):
    """Slow twin: the definitions on a rectangular detour, adaptive quadrature by mpmath."""
    k = free_space_wavenumber(frequency)
    k1 = k * np.sqrt(ec)
    height = 0.2 * k

    def root(square):
        value = mpmath.sqrt(square)
        return -value if value.imag > 0 else value

    def integrands(kr):
        kz, kz1 = root(k**2 - kr**2), root(k1**2 - kr**2)
        te = (kz - kz1) / (kz + kz1)
        tm = (kz1 - ec * kz) / (kz1 + ec * kz)
        wave = mpmath.exp(-1j * kz * zeta)
        j0, j1 = mpmath.besselj(0, kr * rho), mpmath.besselj(1, kr * rho)
        common = wave * kr / (4j * mpmath.pi * kz)
        slope = (te - tm) / kr**2
        return (
            common * te * j0,
            common * (tm + k**2 * slope) * j0,
            -common * (tm + kz**2 * slope) * j0,
            -wave * (te - tm) * j1 / (4 * mpmath.pi * rho),
        )

    start = 1e-3j * k  # the integrands vanish like kr at the origin: that part is added below
    far = 2.0 * max(k, k1.real) + 38.0 / zeta
    corners = [start, 1j * height, 0.6 * k + 1j * height, 1.5 * k + 1j * height]
    corners += [max(2.0 * k, 1.2 * k1.real) + 1j * height]
    steps = np.linspace(corners[-1].real, far, 8)[1:]
    corners += [complex(s, height) for s in steps]
    result = []
    for column in range(4):
        total = mpmath.quad(lambda z, c=column: integrands(z)[c], corners)
        # from 0 to start: f(kr) = f'(0) kr to relative 1e-6 of a part of 1e-6
        total += integrands(start)[column] * start / 2
        result.append(complex(total))
    return np.array(result)


@pytest.mark.parametrize(
    ("ground", "frequency", "rho", "zeta"),
    [(AVERAGE, 7.1e6, 9.0, 14.0), (SAND, 28.5e6, 6.0, 2.5)],
)
def test_direct_integration_against_adaptive_quadrature(ground, frequency, rho, zeta):
    # tolerance class: quadrature (the stub at the origin of the twin leaves 1e-10)
    ec = permittivity(ground, frequency)
    with mpmath.workdps(15):
        slow = adaptive_kernels(rho, zeta, frequency, ec)
    quick = np.array(evaluate_kernels(rho, zeta, frequency, ec))
    np.testing.assert_allclose(quick, slow, rtol=1e-8)


@pytest.mark.parametrize("ground", [AVERAGE, SAND, SEA])
@pytest.mark.parametrize("frequency", [1.9e6, 28.5e6, 300e6])
def test_direct_integration_does_not_depend_on_its_settings(ground, frequency):
    # tolerance class: quadrature
    ec = permittivity(ground, frequency)
    wavelength = constants.c / frequency
    rng = np.random.default_rng(7)
    zeta = wavelength * 10.0 ** rng.uniform(-2.0, 1.0, 16)
    rho = zeta * 10.0 ** rng.uniform(-1.0, 1.7, 16)
    rho[0] = 0.0
    first = np.array(evaluate_kernels(rho, zeta, frequency, ec))
    second = np.array(evaluate_kernels(rho, zeta, frequency, ec, order=20, window=15.0))
    distance = np.hypot(rho, zeta)
    scale = (
        1.0
        / (4.0 * np.pi * distance)
        * np.array([1.0 + 0 * rho, 1.0 + 0 * rho, 1.0 + 0 * rho, 1.0 / distance])
    )
    assert np.max(np.abs(first - second) / scale) < 1e-11


def test_air_instead_of_earth_reflects_nothing():
    found = evaluate_kernels([0.0, 3.0, 40.0], [2.0, 0.5, 9.0], 14.1e6, 1.0)
    fields = evaluate_field_columns([0.0, 3.0, 40.0], [2.0, 0.5, 9.0], 14.1e6, 1.0)
    for column in (*found, *fields):
        np.testing.assert_array_equal(column, 0.0)


def test_perfect_ground_limit():
    # g_vv = g_phi = -g(R'), g_zz = +g(R'), w = 0, approached like 1/sqrt|ec|
    rho, zeta = np.array([0.0, 2.0, 15.0]), np.array([6.0, 3.0, 9.0])
    k = free_space_wavenumber(14.1e6)
    distance = np.hypot(rho, zeta)
    image = np.exp(-1j * k * distance) / (4.0 * np.pi * distance)
    found = evaluate_kernels(rho, zeta, 14.1e6, 1.0 - 1e14j)
    np.testing.assert_allclose(found.g_vv, -image, rtol=3e-6)
    np.testing.assert_allclose(found.g_phi, -image, rtol=3e-6)
    np.testing.assert_allclose(found.g_zz, image, rtol=3e-6)
    np.testing.assert_allclose(found.w_over_rho * distance, 0.0 * image, atol=3e-6 / 4.0 / np.pi)


def test_static_images_close_to_the_ground():
    # quasi-static images, Gi = (1 - ec)/(1 + ec): g_phi -> Gi g, g_zz -> -2 Gi g, g_vv -> 0,
    # w -> (Gi/4 pi rho)[1 - zeta/R']; next order (k R')^2 log, here below 1e-3
    frequency = 3.6e6
    ec = permittivity((5.0, 0.0), frequency)
    rho, zeta = 0.03, 0.02
    distance = np.hypot(rho, zeta)
    gi = (1.0 - ec) / (1.0 + ec)
    g = 1.0 / (4.0 * np.pi * distance)
    found = evaluate_kernels(rho, zeta, frequency, ec)
    np.testing.assert_allclose(found.g_phi, gi * g, rtol=0.01)
    np.testing.assert_allclose(found.g_zz, -2.0 * gi * g, rtol=0.01)
    assert abs(found.g_vv) < 0.01 * g
    cross = gi / (4.0 * np.pi * rho**2) * (1.0 - zeta / distance)
    np.testing.assert_allclose(found.w_over_rho, cross, rtol=0.02)


@pytest.mark.parametrize("ground", [AVERAGE, SAND, SEA])
def test_lorenz_gauge(ground):
    # div A + jw eps0 Phi = 0 of both dipoles, from the columns alone:
    # horizontal  d_rho g_vv + d_zeta w = d_rho g_phi
    # vertical    -(2 w/rho + P) + d_zeta g_zz + d_zeta g_phi = 0.  tolerance: quadrature
    frequency = 21.2e6
    ec = permittivity(ground, frequency)
    rho = np.array([0.0, 0.4, 3.0, 25.0])[:, None]
    zeta = np.array([0.15, 2.0, 13.0])
    kernel = evaluate_kernels(rho, zeta, frequency, ec)
    field = evaluate_field_columns(rho, zeta, frequency, ec)
    distance = np.hypot(rho, zeta)
    scale = (1.0 + free_space_wavenumber(frequency) * distance) / (4.0 * np.pi * distance**2)
    level = field.g_vv_rho + field.w_zeta - field.g_phi_rho
    assert np.max(np.abs(level) / scale * distance) < 1e-11
    upright = field.g_zz_zeta + field.g_phi_zeta - 2.0 * kernel.w_over_rho - rho**2 * field.p
    assert np.max(np.abs(upright) / scale) < 1e-11


@pytest.mark.parametrize("ground", [AVERAGE, SEA])
def test_field_columns_are_the_derivatives_of_the_kernels(ground):
    # eighth-order differences of the kernels; tolerance class: quadrature
    frequency = 14.1e6
    ec = permittivity(ground, frequency)
    rho, zeta, h = 5.0, 3.0, 0.12
    weights = np.array([4 / 5, -1 / 5, 4 / 105, -1 / 280]) / h
    steps = h * np.arange(1, 5)

    def slope(column, along):
        up = (rho + steps, zeta) if along == "rho" else (rho, zeta + steps)
        down = (rho - steps, zeta) if along == "rho" else (rho, zeta - steps)
        high = getattr(evaluate_kernels(*up, frequency, ec), column)
        low = getattr(evaluate_kernels(*down, frequency, ec), column)
        return (high - low) @ weights

    field = evaluate_field_columns(rho, zeta, frequency, ec)
    for column in ("g_phi", "g_vv", "g_zz"):
        size = abs(slope(column, "rho")) + abs(slope(column, "zeta"))
        found = getattr(field, f"{column}_rho") * rho, getattr(field, f"{column}_zeta")
        assert abs(found[0] - slope(column, "rho")) < 1e-9 * size
        assert abs(found[1] - slope(column, "zeta")) < 1e-9 * size
    assert abs(field.w_zeta - slope("w_over_rho", "zeta")) < 1e-8 * abs(field.w_zeta)
    assert abs(field.p * rho - slope("w_over_rho", "rho")) < 1e-8 * abs(field.p * rho)


@pytest.mark.parametrize(
    ("rho", "zeta", "ec", "word"),
    [
        (1.0, 0.0, 13 - 1j, "zeta"),
        (1.0, np.nan, 13 - 1j, "zeta"),
        (-1.0, 1.0, 13 - 1j, "rho"),
        (1.0, 1.0, 13 + 1j, "imaginary"),
        (1.0, 1.0, 0.5 - 1j, "real part"),
    ],
)
def test_bad_points_and_grounds_are_named(rho, zeta, ec, word):
    with pytest.raises(SolverError, match=word):
        evaluate_kernels(rho, zeta, 14e6, ec)


# --- tables --------------------------------------------------------------------------------

# (frequency, ground, rho_max, zeta_min, zeta_max)
RANGES = [
    (28.5e6, AVERAGE, 20.0, 5.0, 20.0),
    (28.5e6, SAND, 20.0, 5.0, 20.0),
    (28.5e6, SAND, 30.0, 0.1, 10.0),
    (28.5e6, AVERAGE, 30.0, 0.1, 10.0),
    (28.5e6, SEA, 30.0, 0.1, 10.0),
    (3.6e6, AVERAGE, 30.0, 0.84, 20.0),
    (1.9e6, SEA, 30.0, 0.2, 20.0),
    (300e6, SAND, 8.0, 0.5, 20.0),
    (300e6, SEA, 30.0, 0.01, 5.0),
]


@pytest.mark.parametrize(("frequency", "ground", "rho_max", "low", "high"), RANGES)
def test_table_against_direct_integration(frequency, ground, rho_max, low, high):
    # tolerance class: interpolation, 1e-6 of |g(R')| (of |g|/R' for w/rho) by the grid's rule
    table = build_earth_table(
        frequency, permittivity(ground, frequency), rho_max=rho_max, zeta_min=low, zeta_max=high
    )
    assert table.measured_error(80, seed=11) < 1.2e-6


def test_table_covers_its_corners_and_says_when_it_does_not():
    frequency, ec = 14.1e6, permittivity(AVERAGE, 14.1e6)
    table = build_earth_table(frequency, ec, rho_max=12.0, zeta_min=3.0, zeta_max=11.0)
    rho = np.array([0.0, 0.0, 12.0, 12.0, 1e-9])
    zeta = np.array([3.0, 11.0, 3.0, 11.0, 5.0])
    exact = np.array(evaluate_kernels(rho, zeta, frequency, ec))
    found = np.array(table.kernels(rho, zeta))
    np.testing.assert_allclose(found, exact, rtol=0, atol=1e-6 * np.abs(exact).max())
    for point in ((12.1, 5.0), (1.0, 2.9), (1.0, 11.2)):
        assert not table.covers(point[0], point[1], point[1])
        with pytest.raises(SolverError, match="earth table"):
            table.kernels(*point)


def test_table_of_a_single_height_and_of_a_single_distance():
    frequency, ec = 14.1e6, permittivity(AVERAGE, 14.1e6)
    table = build_earth_table(frequency, ec, rho_max=0.0, zeta_min=7.0, zeta_max=7.0)
    found = np.array(table.kernels(0.0, 7.0))
    exact = np.array(evaluate_kernels(0.0, 7.0, frequency, ec))
    np.testing.assert_allclose(found, exact, rtol=1e-6)


@pytest.mark.parametrize(
    "ranges",
    [
        {"rho_max": 5.0, "zeta_min": 0.0, "zeta_max": 5.0},
        {"rho_max": 5.0, "zeta_min": 6.0, "zeta_max": 5.0},
        {"rho_max": np.nan, "zeta_min": 1.0, "zeta_max": 5.0},
    ],
)
def test_impossible_table_ranges_are_named(ranges):
    with pytest.raises(SolverError, match="earth table"):
        build_earth_table(14e6, 13 - 1j, **ranges)


def slow_look_up(table, rho, zeta):
    """Twin of the look-up: barycentric six-point interpolation of each ratio, then its scale."""
    from scipy.interpolate import BarycentricInterpolator

    u = (np.arcsinh(rho / table.rho_scale) + table.rho_stretch * rho) / table.du
    v = np.log(zeta / table.zeta_min) / table.dv
    iu, iv = int(u), int(v)
    block = table.values[iu : iu + 6, iv : iv + 6]
    nodes = np.arange(-2.0, 4.0)
    lines = BarycentricInterpolator(nodes, block)(u - iu)
    ratio = BarycentricInterpolator(nodes, lines)(v - iv)
    distance = np.hypot(rho, zeta)
    g = np.exp(-1j * table.wavenumber * distance) / (4.0 * np.pi * distance)
    return (ratio[0::2] + 1j * ratio[1::2]) * g * np.array([1.0, 1.0, 1.0, 1.0 / distance])


def test_look_up_compiled_interpreted_and_slow_twin_agree():
    # tolerance class: rounding
    table = build_earth_table(
        28.5e6, permittivity(SAND, 28.5e6), rho_max=12.0, zeta_min=1.0, zeta_max=11.0
    )
    assert table.rho_stretch > 0.0
    for rho, zeta in ((0.0, 1.0), (0.03, 10.9), (11.99, 1.01), (6.2, 4.7)):
        compiled = kernels.interpolate_kernels(rho, zeta, *table.kernel_arguments())
        plain = kernels.interpolate_kernels.py_func(rho, zeta, *table.kernel_arguments())
        np.testing.assert_allclose(compiled, plain, rtol=1e-13)
        np.testing.assert_allclose(compiled, slow_look_up(table, rho, zeta), rtol=1e-12)


@pytest.fixture(scope="module")
def field_table():
    return build_earth_table(
        21.2e6, permittivity(AVERAGE, 21.2e6), rho_max=14.0, zeta_min=1.5, zeta_max=14.0,
        with_fields=True,
    )  # fmt: skip


def test_field_look_up_against_direct_integration(field_table):
    # tolerance class: interpolation. The columns are measured by what derivatives of g(R') of
    # the same order have there
    rng = np.random.default_rng(3)
    rho = np.append(rng.uniform(0.0, 14.0, 20), 0.0)
    zeta = np.append(rng.uniform(1.5, 14.0, 20), 1.5)
    args = field_table.field_arguments()
    found = np.array(
        [kernels.interpolate_fields(r, z, *args) for r, z in zip(rho, zeta, strict=True)]
    ).T
    ec, f = field_table.ground, field_table.frequency
    exact = np.array(
        [*evaluate_kernels(rho, zeta, f, ec), *evaluate_field_columns(rho, zeta, f, ec)]
    )
    distance = np.hypot(rho, zeta)
    g = 1.0 / (4.0 * np.pi * distance)
    first = g * (1.0 / distance + field_table.wavenumber)
    second, third = first / distance, first / distance**2
    scale = np.array(
        [g, g, g, g / distance, second, second, second, first, first, first, second, third]
    )
    assert np.max(np.abs(found - exact) / scale) < 2e-6
    plain = kernels.interpolate_fields.py_func(rho[3], zeta[3], *args)
    np.testing.assert_allclose(plain, found[:, 3], rtol=1e-12)


def test_a_table_without_fields_says_so():
    table = build_earth_table(14e6, 13 - 1j, rho_max=1.0, zeta_min=1.0, zeta_max=2.0)
    with pytest.raises(SolverError, match="with_fields"):
        table.field_arguments()


def numpy_dipole_field(table, d, zeta, t, current, charge):
    """Twin of the elementary source's field: vectors and finite differences of A."""
    f, ec = table.frequency, table.ground
    omega = 2.0 * np.pi * f
    t = np.asarray(t)

    def potential(x, y, z):
        kernel = evaluate_kernels(np.hypot(x, y), z, f, ec)
        w = kernel.w_over_rho
        level = t[:2] * kernel.g_vv - t[2] * w * np.array([x, y])
        return np.array([*level, t[2] * kernel.g_zz + w * (x * t[0] + y * t[1])])

    def phi(x, y, z):
        return evaluate_kernels(np.hypot(x, y), z, f, ec).g_phi

    h = 0.05
    weights = np.array([-1 / 280, 4 / 105, -1 / 5, 4 / 5, 0, -4 / 5, 1 / 5, -4 / 105, 1 / 280])
    offsets = h * np.arange(4, -5, -1)
    point = np.array([*d, zeta])

    def gradient(function):
        columns = []
        for axis in np.eye(3):
            values = np.array([function(*(point + s * axis)) for s in offsets])
            columns.append(np.tensordot(weights, values, 1) / h)
        return np.array(columns)  # [derivative direction, component]

    slope = gradient(potential)
    curl = np.array(
        [slope[1, 2] - slope[2, 1], slope[2, 0] - slope[0, 2], slope[0, 1] - slope[1, 0]]
    )
    electric = -1j * omega * constants.mu_0 * current * potential(
        *point
    ) - charge / constants.epsilon_0 * gradient(phi)
    return electric, current * curl


@pytest.mark.parametrize("t", [(0.6, -0.48, 0.64), (0.0, 0.0, 1.0), (0.8, 0.6, 0.0)])
def test_field_of_an_elementary_source_against_its_potentials(field_table, t):
    # tolerance class: interpolation
    d, zeta, current, charge = (3.1, -4.2), 5.3, 0.3 - 0.2j, (2.0 + 1.0j) * 1e-9
    electric, magnetic = numpy_dipole_field(field_table, d, zeta, t, current, charge)
    arguments = (*d, zeta, *t, current, charge, *field_table.field_arguments())
    found = kernels.reflected_dipole_field(*arguments)
    assert np.max(np.abs(found[:3] - electric)) < 1e-5 * np.abs(electric).max()
    assert np.max(np.abs(found[3:] - magnetic)) < 1e-5 * np.abs(magnetic).max()
    plain = kernels.reflected_dipole_field.py_func(*arguments)
    np.testing.assert_allclose(plain, found, rtol=1e-12, atol=1e-30)


def test_fields_of_many_sources_are_added_up(field_table):
    rng = np.random.default_rng(12)
    points = rng.uniform([0, 0, 1], [4, 5, 6], (3, 3))
    positions = rng.uniform([-2, -4, 1], [3, 4, 7], (5, 3))
    tangents = rng.normal(size=(5, 3))
    tangents /= np.linalg.norm(tangents, axis=1)[:, None]
    currents = rng.normal(size=5) + 1j * rng.normal(size=5)
    charges = 1e-9 * (rng.normal(size=5) + 1j * rng.normal(size=5))
    args = field_table.field_arguments()
    electric, magnetic = np.full((2, 3, 3), 0.5 + 0.25j)
    sources = (positions, tangents, currents, charges)
    kernels.add_reflected_fields(*[points, *sources, *args, electric, magnetic])
    for i, point in enumerate(points):
        total = np.full(6, 0.5 + 0.25j)
        for s in range(5):
            d = point - positions[s]
            total += kernels.reflected_dipole_field(
                *(*d[:2], point[2] + positions[s, 2], *tangents[s], currents[s], charges[s], *args)
            )
        np.testing.assert_allclose(electric[i], total[:3], rtol=1e-12)
        np.testing.assert_allclose(magnetic[i], total[3:], rtol=1e-12)
