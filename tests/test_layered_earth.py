"""Layered earth: limits that are half-spaces, closed forms, empymod, power balance, files.

The limits and the slab's closed form are computed from the formulas beside them.
"""

from typing import Any

import h5py
import numpy as np
import pytest
from dipoles_over_earth import (
    by_adaptive_quadrature,
    by_gauss_panels,
    permittivity,
    reflected_dipole,
    worst_errors,
)

from ridgepole.geometry import AtticFileError, Feed, Scene, Wire
from ridgepole.materials import Earth, Ground, MaterialError
from ridgepole.solver import SolverError, answer, open_answer, read_attic, solve
from ridgepole.solver.earth import tables
from ridgepole.solver.earth.paths import integration_path, resolved_edges
from ridgepole.solver.earth.reflection import (
    free_space_wavenumber,
    fresnel_coefficients,
    input_admittances,
    reflect,
)
from ridgepole.solver.earth.tables import (
    build_earth_table,
    evaluate_field_columns,
    evaluate_kernels,
)
from ridgepole.solver.fields import near

TOPSOIL, CLAY, ROCK, SAND, SEA = (9.0, 0.004), (25.0, 0.03), (6.0, 5e-4), (3.0, 1e-4), (80.0, 5.0)
FREQUENCIES = [3.6e6, 14.1e6, 28.5e6]
PERFECT = complex(np.inf)


def ground(frequency: float, *materials, thicknesses=()) -> Ground:
    made = [m if isinstance(m, complex) else permittivity(m, frequency) for m in materials]
    return Ground(tuple(made), tuple(thicknesses))


def wavenumbers(k: float):
    """Small, large, near the branch point and in between, a little above the axis."""
    sizes = np.concatenate([[1e-7, 1e-3], np.linspace(0.05, 8.0, 60), [1e3, 1e6]])
    return k * sizes * (1.0 + 0.05j)


def assert_same(found, expected, tolerance):
    """Each quantity within a part of its own size, element by element or of the largest."""
    for name, one, other in zip(expected._fields, found, expected, strict=True):
        np.testing.assert_allclose(one, other, rtol=tolerance, atol=tolerance * 0.1, err_msg=name)


# --- reflection: limits and closed forms -----------------------------------------------------


@pytest.mark.parametrize("frequency", FREQUENCIES)
def test_layers_all_equal_are_the_half_space(frequency):
    # tolerance class: rounding. Equal but for the last digits too, where faces are worked out
    k, ec = free_space_wavenumber(frequency), permittivity(TOPSOIL, frequency)
    kr = wavenumbers(k)
    plain = reflect(kr, k, ec)
    for stack in ((ec, ec, ec), (ec, ec * (1 + 1e-15), ec * (1 - 1e-15))):
        layered = reflect(kr, k, Ground(stack, (0.3, 2.7)))
        assert_same(layered, plain, 1e-13)


def test_a_thick_layer_hides_what_is_below_and_a_thin_one_vanishes():
    # tolerance class: rounding, and first order in the thickness
    frequency = 14.1e6
    k = free_space_wavenumber(frequency)
    kr = wavenumbers(k)
    for below in (ROCK, SEA, PERFECT):
        thick = reflect(kr, k, ground(frequency, CLAY, below, thicknesses=(25.0,)))
        assert_same(thick, reflect(kr, k, permittivity(CLAY, frequency)), 1e-13)
    kr = kr[:-2]  # a wave of a short enough period sees any layer
    for thickness in (1e-6, 1e-7):
        thin = reflect(kr, k, ground(frequency, CLAY, ROCK, thicknesses=(thickness,)))
        plain = reflect(kr, k, permittivity(ROCK, frequency))
        gap = max(np.abs(a - b).max() / np.abs(b).max() for a, b in zip(thin, plain, strict=True))
        assert 0.0 < gap < 30.0 * k * thickness


def test_metal_below_tends_to_the_perfect_conductor():
    # The skin depth falls as the root of the conductivity: first order in it
    frequency = 7.1e6
    k = free_space_wavenumber(frequency)
    kr = wavenumbers(k)[:-2]
    limit = reflect(kr, k, ground(frequency, TOPSOIL, PERFECT, thicknesses=(1.3,)))
    gaps = []
    for sigma in (1e6, 1e8, 1e10):
        metal = ground(frequency, TOPSOIL, (1.0, sigma), thicknesses=(1.3,))
        near = zip(reflect(kr, k, metal), limit, strict=True)
        gaps.append(max(np.abs(a - b).max() / np.abs(b).max() for a, b in near))
    assert gaps[0] < 1e-2
    np.testing.assert_allclose(np.array(gaps[:2]) / gaps[1:], 10.0, rtol=0.1)


def slow_reflection(kr, k, stack):
    """G_h and G_e by two-by-two matrices of the tangential fields, and D as it stands."""
    found = []
    for admittance in (lambda kz, ec: kz, lambda kz, ec: ec / kz):
        media = []
        for ec in stack.permittivities:
            square = np.sqrt(k**2 * ec - kr**2 + 0j)
            media.append((np.where(square.imag > 0, -square, square), ec))
        # fields (E, H) at the bottom of the last layer: a wave that goes down
        kz, ec = media[-1]
        e, h = np.ones_like(kr), admittance(kz, ec)
        for (kz, ec), d in zip(media[-2::-1], stack.thicknesses[::-1], strict=True):
            y, x = admittance(kz, ec), kz * d
            e, h = np.cos(x) * e + 1j * np.sin(x) * h / y, 1j * y * np.sin(x) * e + np.cos(x) * h
        kz = np.sqrt(k**2 - kr**2 + 0j)
        y = admittance(np.where(kz.imag > 0, -kz, kz), 1.0)
        found.append((y * e - h) / (y * e + h))
    return found[0], found[1], (found[0] - found[1]) / kr**2


@pytest.mark.parametrize("frequency", FREQUENCIES)
def test_five_layers_against_matrices_of_the_fields(frequency):
    # Another algorithm (fields handed down by 2 x 2 matrices). tolerance class: rounding of the
    # twin, which divides a difference by kr^2
    k = free_space_wavenumber(frequency)
    stack = ground(
        frequency, SAND, CLAY, TOPSOIL, (4 - 0.0j), ROCK, SEA, thicknesses=(0.4, 0.2, 1.1, 0.6, 0.9)
    )  # fmt: skip
    kr = k * np.linspace(0.05, 4.0, 80) * (1.0 + 0.05j)
    found = reflect(kr, k, stack)
    te, tm, difference = slow_reflection(kr, k, stack)
    np.testing.assert_allclose(found.te, te, atol=1e-12)
    np.testing.assert_allclose(found.tm, tm, atol=1e-12)
    np.testing.assert_allclose(found.difference, difference, atol=1e-12 / (0.05 * k) ** 2)
    # the input admittances, by a third algorithm
    y_te, y_tm = input_admittances(kr, k, stack)
    np.testing.assert_allclose((found.kz - y_te) / (found.kz + y_te), te, atol=1e-12)
    np.testing.assert_allclose((1 - found.kz * y_tm) / (1 + found.kz * y_tm), tm, atol=1e-12)


@pytest.mark.parametrize("below", [ROCK, SEA, PERFECT])
def test_a_slab_at_normal_incidence(below):
    # Closed form of a slab of index n1, thickness d, on a half-space of index n2: with r01 =
    # (1 - n1)/(1 + n1), r12 = (n1 - n2)/(n1 + n2), R = (r01 + r12 e)/(1 + r01 r12 e),
    # e = exp(-2j k n1 d). tolerance class: rounding
    frequency, d = 21.2e6, 0.83
    k = free_space_wavenumber(frequency)
    stack = ground(frequency, CLAY, below, thicknesses=(d,))
    n1, n2 = (np.sqrt(complex(e)) for e in stack.permittivities)
    r01, r12 = (1 - n1) / (1 + n1), -1.0 if below is PERFECT else (n1 - n2) / (n1 + n2)
    turn = np.exp(-2j * k * n1 * d)
    expected = (r01 + r12 * turn) / (1 + r01 * r12 * turn)
    vertical, horizontal = fresnel_coefficients(0.5 * np.pi, stack, wavenumber=k)
    assert abs(horizontal - expected) < 1e-14
    assert abs(vertical + expected) < 1e-14
    # a quarter wave of the mean index lets all through: n1^2 = n2, lossless
    coat = Ground((4.0 + 0j, 16.0 + 0j), (0.25 * 2 * np.pi / (2.0 * k),))
    assert abs(fresnel_coefficients(0.5 * np.pi, coat, wavenumber=k)[1]) < 1e-15
    with pytest.raises(SolverError, match="wavenumber"):
        fresnel_coefficients(0.5 * np.pi, coat)


def test_fresnel_coefficients_are_those_of_the_plane_waves():
    # R_v = -G_TM, R_h = G_TE at kr = k cos(elevation); -1 at the horizon, by half-space or layers
    frequency = 10.1e6
    k = free_space_wavenumber(frequency)
    stack = ground(frequency, SAND, CLAY, ROCK, thicknesses=(0.7, 2.2))
    elevation = np.linspace(0.02, 1.55, 40)
    vertical, horizontal = fresnel_coefficients(elevation, stack, wavenumber=k)
    plane = reflect(k * np.cos(elevation), k, stack)
    np.testing.assert_allclose(vertical, -plane.tm, atol=1e-12)
    np.testing.assert_allclose(horizontal, plane.te, atol=1e-12)
    np.testing.assert_allclose(fresnel_coefficients(0.0, stack, wavenumber=k), -1.0, atol=1e-14)


# --- dipoles against empymod ------------------------------------------------------------------

STACKS = {
    "soil": ([TOPSOIL, CLAY, ROCK], (0.5, 3.0)),
    "dry over wet": ([SAND, ROCK, CLAY], (0.3, 1.4)),
    "sand over sea": ([SAND, TOPSOIL, SEA], (1.2, 0.6)),
}


@pytest.mark.parametrize(
    ("name", "frequency"), [("soil", 3.6e6), ("dry over wet", 28.5e6), ("sand over sea", 14.1e6)]
)
def test_dipole_fields_over_three_layers_against_empymod(name, frequency):
    # Both dipoles, E and H, 8 points, the farthest among them; empymod over air of 1e15 ohm m,
    # integrated by panels on the real axis. tolerance class: quadrature
    materials, thicknesses = STACKS[name]
    error = worst_errors(
        materials, frequency, by_gauss_panels, which=slice(8), thicknesses=thicknesses
    )
    assert error < 1e-8


def test_dipole_fields_over_three_layers_against_empymod_by_adaptive_quadrature():
    # ht="quad" needs an air with loss, ours takes the same. tolerance class: quadrature
    materials, thicknesses = STACKS["soil"]
    error = worst_errors(
        materials, 14e6, by_adaptive_quadrature(0.02), air=1.0 - 0.02j, which=slice(3, 4),
        thicknesses=thicknesses,
    )  # fmt: skip
    assert error < 1e-8


@pytest.mark.long
@pytest.mark.parametrize("name", STACKS)
def test_all_points_over_three_layers_against_empymod_by_adaptive_quadrature(name):
    # as above, all 20 points: minutes
    materials, thicknesses = STACKS[name]
    error = worst_errors(
        materials, 14e6, by_adaptive_quadrature(0.02), air=1.0 - 0.02j, thicknesses=thicknesses
    )
    assert error < 1e-8


def test_the_comparison_sees_a_layer_out_of_place(monkeypatch):
    materials, thicknesses = STACKS["soil"]
    which = slice(3, 6)
    good = worst_errors(materials, 14.1e6, by_gauss_panels, which=which, thicknesses=thicknesses)
    assert good < 1e-8
    honest = tables.reflect

    def shifted(kr, k, stack):
        return honest(kr, k, stack._replace(thicknesses=tuple(1.01 * d for d in stack.thicknesses)))

    monkeypatch.setattr(tables, "reflect", shifted)
    bad = worst_errors(materials, 14.1e6, by_gauss_panels, which=which, thicknesses=thicknesses)
    assert bad > 1e-5


# --- integration and tables -------------------------------------------------------------------

#: guided waves: a slab without loss, one on metal, a thin film of sea water, dry sand on the sea
GUIDING = {
    "slab": ((7 + 0j, 2.5 + 0j), (3.0,)),
    "slab on metal": ((5 + 0j, PERFECT), (6.0,)),
    "film on metal": ((4 - 0.001j, PERFECT), (0.3,)),
    "dry in wet": ((CLAY, SAND, CLAY), (0.6, 1.5)),
    "film": ((SEA, SAND), (0.02,)),
}


@pytest.mark.parametrize("name", GUIDING)
@pytest.mark.parametrize("frequency", [3.6e6, 28.5e6])
def test_direct_integration_does_not_depend_on_its_settings(name, frequency):
    # tolerance class: quadrature
    materials, thicknesses = GUIDING[name]
    stack = ground(frequency, *materials, thicknesses=thicknesses)
    rho = np.array([0.0, 0.2, 3.0, 14.0, 60.0])
    zeta = np.array([0.4, 2.0, 0.4, 7.0, 1.0])
    for evaluate in (evaluate_kernels, evaluate_field_columns):
        one = evaluate(rho, zeta, frequency, stack)
        other = evaluate(rho, zeta, frequency, stack, order=23, window=15.0)
        for a, b in zip(one, other, strict=True):
            np.testing.assert_allclose(a, b, rtol=2e-11)


@pytest.mark.parametrize("name", GUIDING)
@pytest.mark.parametrize(("frequency", "low", "high"), [(3.6e6, 0.4, 20.0), (28.5e6, 5.0, 22.0)])
def test_table_over_layers_against_direct_integration(name, frequency, low, high):
    # tolerance class: table interpolation
    materials, thicknesses = GUIDING[name]
    stack = ground(frequency, *materials, thicknesses=thicknesses)
    table = build_earth_table(frequency, stack, rho_max=35.0, zeta_min=low, zeta_max=high)
    assert table.measured_error(60, seed=4) < 2e-6


def test_guided_waves_make_the_table_finer():
    guiding = ground(28.5e6, 5 + 0j, PERFECT, thicknesses=(6.0,))
    plain = build_earth_table(28.5e6, 5 - 1j, rho_max=35.0, zeta_min=5.0, zeta_max=22.0)
    finer = build_earth_table(28.5e6, guiding, rho_max=35.0, zeta_min=5.0, zeta_max=22.0)
    assert finer.values.shape[0] > 1.5 * plain.values.shape[0]


def test_the_path_resolves_a_pole_near_it():
    # 1/(x - p) by panels halved about p: closed form log; tolerance class: quadrature
    pole = 0.37 + 1e-4j
    edges = resolved_edges(
        np.array([0.0, 1.0]),
        lambda x: np.asarray(1e-4 / (x - pole)[None], dtype=complex),
        order=12,
        tolerance=1e-8,
    )
    x, w = np.polynomial.legendre.leggauss(12)
    half = 0.5 * np.diff(edges)[:, None]
    nodes = (0.5 * (edges[1:] + edges[:-1])[:, None] + half * x).ravel()
    total = (half * w).ravel() @ (1.0 / (nodes - pole))
    assert abs(total - (np.log(1.0 - pole) - np.log(-pole))) < 1e-9
    assert len(edges) < 60


def test_a_half_space_is_integrated_as_ever():
    # Layers have their own panels; a half-space keeps its own, by number or by object
    k = free_space_wavenumber(14e6)
    settings: Any = {"rho_min": 2.0, "rho_max": 9.0, "zeta_min": 1.0, "zeta_max": 7.0}
    plain = integration_path(k, Ground((13 - 6j,)), **settings)
    layered = integration_path(k, Ground((13 - 6j, 13 - 6j), (0.5,)), **settings)
    assert plain[0].size < layered[0].size
    as_number = evaluate_kernels(3.0, 2.0, 14e6, 13 - 6j)
    assert as_number == evaluate_kernels(3.0, 2.0, 14e6, Ground((13 - 6j,)))


# --- whole antennas ----------------------------------------------------------------------------


def crooked(height: float, earth: Earth | None) -> Scene:
    """Two unlike elements and a radial, every stretch another way."""
    hub = (0.4, -0.3, height)
    wires = [
        Wire([hub, (1.0, 0.2, height + 1.9), (6.3, 2.8, height + 2.2)], radius=1e-3, name="one"),
        Wire([hub, (-0.6, 0.5, height + 1.1), (-2.9, -3.8, height + 1.4)], radius=2e-3, name="two"),
        Wire([hub, (3.1, -4.4, height)], radius=0.7e-3, name="radial"),
    ]
    return Scene(wires, feed=Feed(("one", "two"), at=0.0), earth=earth)


SOIL = Earth.layered([(0.4, Earth(4, 1e-3)), (3.0, Earth(20, 0.02))], below=Earth(9, 1e-3))
EARTHS = {
    "soil": SOIL,
    "slab without loss": Earth.layered([(1.5, Earth(6, 0))], below=Earth(2.5, 0)),
    "thick on metal": Earth.layered([(5.0, Earth(5, 5e-4))], below=Earth.perfect()),
    "sand on sea": Earth.layered([(1.5, Earth(3, 1e-4))], below=Earth(80, 5)),
}


@pytest.mark.parametrize("frequency", [3.6e6, 28.5e6])
@pytest.mark.parametrize("name", EARTHS)
def test_budget_closes_over_layers(name, frequency):
    # input = sky + earth, three ways of computing; tolerance class: quadrature and table
    solution = solve(crooked(1.0, EARTHS[name]), frequency)
    assert solution.balance_error < 1e-5
    assert solution.budget.earth > 0.05


def test_budget_over_layers_closes_low_down():
    # images near; tolerance class: quadrature and table
    assert solve(crooked(0.15, SOIL), 14.1e6).balance_error < 1e-3


def test_metal_under_a_lossless_slab_takes_only_guided_waves():
    # A slab too thin for all but the one mode without cut-off takes ever less as it thins, and
    # a perfect ground is left
    parts, impedances = [], []
    scene = crooked(2.0, Earth.perfect())
    for thickness in (0.5, 0.05, 0.005):
        earth = Earth.layered([(thickness, Earth(4, 0))], below=Earth.perfect())
        solution = solve(scene.with_earth(earth), 14.1e6, tolerance=None)
        assert solution.balance_error < 1e-5
        parts.append(solution.budget.earth)
        impedances.append(solution.impedance)
    assert parts[0] > 1e-3
    assert parts[0] > parts[1] > parts[2] > -1e-6
    assert parts[2] < 0.02 * parts[0]
    limit = solve(scene, 14.1e6, tolerance=None).impedance
    gaps = np.abs(np.array(impedances) - limit)
    np.testing.assert_allclose(gaps[1] / gaps[2], 10.0, rtol=0.05)
    assert gaps[2] < 0.005 * abs(limit)


def test_half_space_in_layers_gives_the_same_antenna():
    # tolerance class: table interpolation
    plain = Earth(13, 0.005)
    nearly = Earth(13, 0.005 * (1 + 1e-14))
    layered = Earth.layered([(0.3, plain), (2.0, nearly)], below=plain)
    one, other = (solve(crooked(1.2, e), 14.1e6, tolerance=None) for e in (plain, layered))
    assert abs(one.impedance - other.impedance) < 2e-6 * abs(one.impedance)
    assert abs(one.budget.earth - other.budget.earth) < 2e-6
    place = [(4.0, 1.0, 0.7), (-2.0, 3.0, 4.0)]
    for kind in ("electric_field", "magnetic_field"):
        a, b = (getattr(s, kind)(place) for s in (one, other))
        np.testing.assert_allclose(a, b, rtol=0, atol=5e-6 * np.abs(a).max())


def test_near_field_over_layers_does_not_depend_on_the_table(monkeypatch):
    # against a table of twice the points; tolerance class: table interpolation
    solution = solve(crooked(1.2, EARTHS["slab without loss"]), 28.5e6, tolerance=None)
    place = [(4.0, 1.0, 0.7), (-12.0, 3.0, 4.0), (0.3, 0.2, 0.1)]
    tabled = [solution.electric_field(place), solution.magnetic_field(place)]
    coarse = near.build_earth_table

    def finer(*args, **kwargs):
        return coarse(*args, **kwargs, step=0.05)

    monkeypatch.setattr(near, "build_earth_table", finer)
    exact = [solution.electric_field(place), solution.magnetic_field(place)]
    for one, other in zip(tabled, exact, strict=True):
        assert np.any(one != other)
        np.testing.assert_allclose(one, other, rtol=0, atol=3e-6 * np.abs(other).max())


def test_two_ports_over_layers_are_reciprocal():
    # tolerance class: rounding (Galerkin's method) for Z; quadrature for the fields' own test
    wires = [
        Wire([(0, 0, 1.0), (3, 1, 2.6), (5, -1, 2.2)], radius=1e-3, name="a"),
        Wire([(2, 4, 3.0), (2.5, 7, 1.3)], radius=2e-3, name="b"),
    ]
    feeds = [Feed("a", at=1.1, name="first"), Feed("b", at=1.9, name="second")]
    z = solve(Scene(wires, feeds=feeds, earth=SOIL), 21.2e6, tolerance=None).port_impedance
    z = np.asarray(z).reshape(2, 2)
    assert abs(z[0, 1]) > 1e-3
    assert abs(z[0, 1] - z[1, 0]) < 1e-11 * abs(z[0, 1])


def test_level_and_upright_dipoles_are_reciprocal():
    # E_z of the level dipole at the upright one is E_t of the upright one at the level one, with
    # d the other way round. tolerance class: quadrature (and the tenth-order difference)
    stack, (x, y), zeta = SOIL.at(14.1e6), (4.0, 2.5), 3.4
    way = np.array([0.6, 0.8, 0.0])
    of_level, _ = reflected_dipole(14.1e6, stack, x, y, zeta, way)
    of_upright, _ = reflected_dipole(14.1e6, stack, -x, -y, zeta, (0.0, 0.0, 1.0))
    assert abs(of_level[2] - of_upright @ way) < 1e-9 * abs(of_level[2])


# --- the object, files, answers ----------------------------------------------------------------


def test_bad_layers_are_named():
    plain = Earth(13, 0.005)
    table: Any = (
        ([(-0.4, plain)], plain, r"thickness of layer 1 .* is -0.4 m; it must be above 0"),
        ([(0.4, plain), (0.0, plain)], plain, "thickness of layer 2 .* is 0 m"),
        ([(float("nan"), plain)], plain, "NaN"),
        ([(float("inf"), plain)], plain, "infinite"),
        ([("0.4", plain)], plain, "not a real number"),
        ([(0.4, Earth.perfect())], plain, "layer 1 .* perfect conductor, which hides"),
        ([(0.4, SOIL)], plain, "layer 1 .* has layers itself"),
        ([(0.4, 13.0)], plain, r"layer 1 is made of 13\.0"),
        ([0.4], plain, "layer 1 is 0.4; it must be a pair"),
        ([], plain, "no layers"),
        ([(0.4, plain)], None, "below=None is no earth"),
        (5, plain, "layers=5 are none"),
    )
    for layers, below, words in table:
        with pytest.raises(MaterialError, match=words):
            Earth.layered(layers, below=below)
    with pytest.raises(MaterialError, match=r"below='average ground' is no earth"):
        Earth.layered([(0.4, plain)], "average ground")  # pyright: ignore[reportArgumentType]
    with pytest.raises(MaterialError, match=r"Earth\.named\('average ground'\)"):
        Earth("average ground")  # pyright: ignore[reportArgumentType]
    with pytest.raises(MaterialError, match="uppermost of its layers"):
        Earth(5, 0.1, layers=SOIL.layers)
    with pytest.raises(MaterialError, match=r"is the last and ends after 0\.4 m"):
        Earth(4, 1e-3, layers=SOIL.layers[:1])
    with pytest.raises(MaterialError, match="known from"):
        Earth.layered([(0.4, plain)], below=Earth.named("wet ground")).at(3e9)


def test_bad_grounds_are_named():
    for bad, words in (
        (Ground((13 - 1j, 5 - 1j), ()), "2 permittivities and 0 thicknesses"),
        (Ground((13 - 1j, 5 - 1j), (-0.1,)), "-0.1 m thick"),
        (Ground((13 - 1j, 5 + 1j), (0.1,)), "imaginary part <= 0"),
        (Ground((PERFECT, 5 - 1j), (0.1,)), "real part of at least 1"),
        (Ground((PERFECT,)), "real part of at least 1"),
    ):
        with pytest.raises(SolverError, match=words):
            evaluate_kernels(1.0, 1.0, 14e6, bad)


def test_a_layered_earth_says_what_it_is():
    wet = Earth.named("wet ground")
    earth = Earth.layered([(0.3, Earth(1.5, 1e-5, name="snow"))], below=wet, source="invented")
    assert earth.name == "0.3 m of snow over wet ground"
    assert (earth.is_layered, earth.is_perfect, wet.is_layered) == (True, False, False)
    assert earth.relative_permittivity == 1.5
    assert "0.3 m of snow" in earth.describe(7e6)
    assert "below wet ground" in earth.describe(7e6)
    at = earth.at(7e6)
    assert at == Ground((1.5 + earth.complex_permittivity(7e6).imag * 1j,
                         wet.complex_permittivity(7e6)), (0.3,))  # fmt: skip
    assert Earth.perfect().at(7e6).is_perfect
    assert wet.at(7e6) == Ground((at.bottom,))
    deeper = Earth.layered([(0.2, Earth(3, 0))], below=earth)
    assert [layer.thickness for layer in deeper.layers] == [0.2, 0.3, np.inf]
    assert Earth.layered([(1, wet)], below=Earth.perfect()).at(7e6).has_perfect_bottom


FILE = """
[attic]
size = [9, 7]
ceiling_height = 5
pitch = 40

[[dipole]]
name = "level"
centre = [4, 3, 0.5]
length = "5 m"
bearing = 70

[earth]
{earth}
"""
LAYERS = 'layers = [{thickness = "40 cm", ground = "very dry ground"}, '
LAYERS += '{thickness = 2, permittivity = 20, conductivity = "20 mS/m"}]\n'


def attic(tmp_path, earth):
    path = tmp_path / "layers.toml"
    path.write_text(FILE.format(earth=earth))
    return read_attic(path)


@pytest.mark.parametrize("below", ['ground = "wet ground"', "perfect = true", ""])
def test_layers_in_an_attic_file(tmp_path, below):
    plan = attic(tmp_path, LAYERS + below)
    assert plan.earth is not None
    assert [layer.thickness for layer in plan.earth.layers] == [0.4, 2.0, np.inf]
    assert plan.earth.layers[1].earth == Earth(20, 0.02)
    assert plan.earth.at(7e6).has_perfect_bottom == (below == "perfect = true")
    # what is below all is the assumed ground where no other is told, and that is said
    assert any(a.what == "earth" for a in plan.assumptions) == (below == "")


def test_bad_layers_in_an_attic_file(tmp_path):
    for earth, words in (
        ('layers = [{thickness = "-4 cm", ground = "very dry ground"}]', "thickness"),
        ("layers = []", "must be a list"),
        ("layers = [3]", r"item 1 of layers = 3: must be \{thickness"),
        ('layers = [{ground = "very dry ground"}]', "thickness.*is missing"),
        ('layers = [{thickness = 1, ground = "cheese"}]', "cheese"),
        ("layers = [{thickness = 1}]", "say either ground, or permittivity"),
        ("layers = [{thickness = 1, permittivity = 4}]", "conductivity.*is missing"),
        ('layers = [{thickness = 1, ground = "very dry ground", colour = 1}]', "colour"),
        (LAYERS + "free_space = true", "none in free space"),
    ):
        with pytest.raises(AtticFileError, match=rf"(?s)line 1\d.*{words}"):
            attic(tmp_path, earth)


def test_a_plan_over_layers_writes_them_into_its_file(tmp_path):
    plan = attic(tmp_path, 'ground = "wet ground"').with_earth(SOIL)
    path = tmp_path / "written.toml"
    path.write_text(plan.text)
    again = read_attic(path)
    assert again.earth == SOIL == plan.earth
    # and away again
    assert again.with_earth(Earth(5, 0.001)).earth == Earth(5, 0.001)
    assert "layers" not in again.with_earth(Earth(5, 0.001)).text


def test_an_unlikely_conductivity_of_a_layer_is_doubted(tmp_path):
    unlikely = Earth.layered([(1.0, Earth(13, 5.0))], below=Earth(13, 0.005))
    plan = attic(tmp_path, 'ground = "wet ground"')
    assert any("5 mS/m" in doubt for doubt in plan.with_earth(unlikely).doubts())


def test_answers_over_layers_are_kept(tmp_path):
    found = answer(attic(tmp_path, LAYERS + 'ground = "wet ground"'), bands=["10 m"])
    again = open_answer(found.save(tmp_path / "layers.h5"))
    assert again == found
    band = again.band("10 m")
    assert band.ground is not None
    assert band.ground.thicknesses == (0.4, 2.0)
    assert "0.4 m of very dry ground" in again.earth
    np.testing.assert_array_equal(
        band.gain_at(30.0, [0, 77]), found.band("10 m").gain_at(30, [0, 77])
    )


def test_an_answer_of_the_first_schema_is_still_read(tmp_path):
    # there the earth was one permittivity
    found = answer(attic(tmp_path, 'ground = "wet ground"'), bands=["10 m"])
    path = found.save(tmp_path / "old.h5")
    ground = found.bands[0].ground
    assert ground is not None
    with h5py.File(path, "r+") as file:
        band: Any = file["answer/bands/0"]
        del band["ground"]
        file.attrs["schema"] = 1
        band.create_dataset("ground", data=ground.bottom).attrs["kind"] = "complex"
    assert open_answer(path) == found
    with h5py.File(path, "r+") as file:
        stored: Any = file["answer/bands/0/ground"]
        stored[...] = complex(np.nan)
    assert open_answer(path).bands[0].ground is None
