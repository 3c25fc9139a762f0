"""Internal impedance of round wire, solid and clad."""

from __future__ import annotations

import math
from itertools import pairwise

import mpmath
import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.constants import mu_0
from scipy.special import jv

from ridgepole.materials import Conductor, MaterialError
from ridgepole.materials.round_wire import (
    Layer,
    internal_impedance,
    layered_internal_impedance,
    skin_depth,
)

COPPER = Conductor("copper of the table", 5.8e7)
STEEL = Conductor("steel of the test", 5.0e6, relative_permeability=800.0)

# Tolerance classes
ROUNDING = 1e-12  # double precision, some twenty operations and a Bessel function
EXACT = 1e-13


def frequency_for(ratio: float, *, radius: float, conductivity: float) -> float:
    """Frequency at which radius / skin depth is the ratio."""
    return ratio**2 / (math.pi * radius**2 * mu_0 * conductivity)


# ---- solid wire ---------------------------------------------------------------------------------

# Rac/Rdc and Xi/Rdc against a/delta, evaluated to the digits printed from
# Zi = (kc/(2 pi a sigma)) J0(kc a)/J1(kc a), kc = (1 - j)/delta. Tolerance class: printed.
TABLE = [
    (0.5, 1.0013, 0.0625),
    (1, 1.0205, 0.2474),
    (2, 1.2646, 0.8705),
    (3, 1.7681, 1.4640),
    (4, 2.2738, 1.9710),
    (5, 2.7681, 2.4767),
    (6, 3.2652, 2.9815),
    (8, 4.2616, 3.9867),
    (10, 5.2593, 4.9896),
    (20, 10.2547, 9.9951),
]


@pytest.mark.parametrize(("ratio", "resistance", "reactance"), TABLE)
def test_table_of_resistance_and_reactance_over_dc(ratio, resistance, reactance):
    radius = 0.73e-3
    frequency = frequency_for(ratio, radius=radius, conductivity=COPPER.conductivity)
    z = COPPER.internal_impedance(frequency, radius=radius)
    over_dc = complex(z) / COPPER.dc_resistance(radius=radius)
    assert over_dc.real == pytest.approx(resistance, abs=0.5e-4)
    assert over_dc.imag == pytest.approx(reactance, abs=0.5e-4)


# Copper 5.8e7 S/m, radius 1 mm: computed from the same formula. Tolerance class: printed.
@pytest.mark.parametrize(
    ("frequency", "depth_um", "impedance"),
    [
        (3.6e6, 34.83, 0.08017 + 0.07877j),
        (7.1e6, 24.80, 0.11203 + 0.11063j),
        (14.1e6, 17.60, 0.15730 + 0.15591j),
        (28.5e6, 12.38, 0.22305 + 0.22166j),
    ],
)
def test_copper_wire_of_one_millimetre(frequency, depth_um, impedance):
    z = complex(COPPER.internal_impedance(frequency, radius=1e-3))
    assert float(COPPER.skin_depth(frequency)) * 1e6 == pytest.approx(depth_um, abs=0.005)
    assert z.real == pytest.approx(impedance.real, abs=0.5e-5)
    assert z.imag == pytest.approx(impedance.imag, abs=0.5e-5)


def test_solid_wire_agrees_with_ordinary_bessel_functions():
    # J of complex argument as printed in the textbooks, which overflows near a/delta = 700.
    frequency = np.geomspace(1e3, 3e8, 40)
    radius, sigma, mu_r = 0.61e-3, 1.9e7, 3.0
    delta = np.sqrt(2.0 / (2.0 * np.pi * frequency * mu_0 * mu_r * sigma))
    k = (1.0 - 1.0j) / delta
    expected = k / (2.0 * np.pi * radius * sigma) * jv(0, k * radius) / jv(1, k * radius)
    z = internal_impedance(frequency, radius=radius, conductivity=sigma, relative_permeability=mu_r)
    assert z.shape == frequency.shape
    assert z.dtype == np.complex128
    assert_allclose(z, expected, rtol=ROUNDING)


def exact_solid(x_over_delta: float) -> complex:
    """Z/Rdc with 60 digits."""
    with mpmath.workdps(60):
        x = mpmath.mpc(1, 1) * mpmath.mpf(x_over_delta)
        return complex(x * mpmath.besseli(0, x) / (2 * mpmath.besseli(1, x)))


@pytest.mark.parametrize(
    "ratio", [1e-4, 3e-3, 0.0707, 0.0708, 0.4, 7.0, 650.0, 7071.0, 7072.0, 2.5e4, 1e5]
)
def test_both_parts_keep_their_digits_from_dc_to_thick_wire(ratio):
    # Both sides of the changes of method at |x| = 0.1 and 1e4; each part by itself.
    radius, sigma = 1.3e-3, 4.4e7
    frequency = frequency_for(ratio, radius=radius, conductivity=sigma)
    z = complex(internal_impedance(frequency, radius=radius, conductivity=sigma))
    z *= math.pi * radius**2 * sigma
    exact = exact_solid(ratio)
    assert z.real == pytest.approx(exact.real, rel=ROUNDING)
    assert z.imag == pytest.approx(exact.imag, rel=ROUNDING)


def test_low_frequency_gives_dc_resistance_and_50_nanohenry_per_metre():
    # mu0/(8 pi) = 50 nH/m for any radius and metal (textbook value, from memory); mu_r times it.
    frequency = 1e-3
    for conductor, radius, inductance in [(COPPER, 1.1e-3, 50e-9), (STEEL, 0.4e-3, 40e-6)]:
        z = complex(conductor.internal_impedance(frequency, radius=radius))
        assert z.real == pytest.approx(conductor.dc_resistance(radius=radius), rel=1e-9)
        assert z.imag / (2 * math.pi * frequency) == pytest.approx(inductance, rel=1e-8)


def test_high_frequency_asymptote_is_half_a_over_delta_plus_a_quarter():
    radius, frequency = 2e-3, 3e8
    ratio = radius / float(COPPER.skin_depth(frequency))
    resistance = float(COPPER.internal_impedance(frequency, radius=radius).real)
    over_dc = resistance / COPPER.dc_resistance(radius=radius)
    # The next term is 3/(32 a/delta), 1.8e-4 here.
    assert over_dc == pytest.approx(ratio / 2 + 0.25, abs=2.5e-4)
    assert over_dc == pytest.approx(ratio / 2 + 0.25 + 3 / (32 * ratio), abs=1e-6)


@pytest.mark.parametrize("radius", [1e-9, 1e-6, 1e-3, 1.0, 1e3, 1e9])
def test_no_radius_overflows(radius):
    z = STEEL.internal_impedance(np.array([1e-6, 50.0, 1e5, 3e8]), radius=radius)
    assert np.all(np.isfinite(z))
    assert np.all(z.real > 0)
    assert np.all(z.imag > 0)


def test_mild_steel_loses_ten_times_what_copper_does():
    # R' = sqrt(pi f mu/sigma)/(2 pi a), 10.7 ohm/m for radius 1 mm at 7.1 MHz (computed from that
    # formula, printed to three digits).
    z = Conductor.named("mild steel").internal_impedance(7.1e6, radius=1e-3)
    assert float(z.real) == pytest.approx(10.7, abs=0.05)


def test_skin_depth_of_copper():
    # 66 um at 1 MHz, 21 um at 10 MHz: second-hand tables, printed to two digits.
    depth = skin_depth(np.array([1e6, 10e6]), conductivity=5.8e7)
    assert_allclose(depth * 1e6, [66, 21], atol=0.5)


# Wire table of annealed copper at 20 C, ohms per 1000 ft by diameter in mils (handbook values of
# the American wire gauge, from memory). Tolerance class: printed (half the last digit).
@pytest.mark.parametrize(
    ("gauge", "ohms_per_1000_ft", "half_digit"),
    [(12, 1.588, 0.0005), (14, 2.525, 0.0005), (18, 6.385, 0.0005), (24, 25.67, 0.005)],
)
def test_dc_resistance_of_wire_table(gauge, ohms_per_1000_ft, half_digit):
    diameter = 0.127e-3 * 92 ** ((36 - gauge) / 39)
    per_metre = Conductor.named("annealed copper").dc_resistance(radius=diameter / 2)
    assert per_metre * 304.8 == pytest.approx(ohms_per_1000_ft, abs=half_digit)


def test_dc_resistance_of_14_gauge_per_kilometre():
    # 8.286 ohm/km (common practice, from memory): from a resistivity of 1.7243e-8 instead of the
    # standard's 1.7241e-8, hence one part in 10 000 and not half the last digit.
    diameter = 0.127e-3 * 92 ** (22 / 39)
    per_metre = Conductor.named("copper").dc_resistance(radius=diameter / 2)
    assert per_metre * 1e3 == pytest.approx(8.286, rel=1.1e-4)


# ---- clad wire ----------------------------------------------------------------------------------


def exact_layers(frequency: float, layers: tuple[Layer, ...]) -> complex:
    """Slow twin: all boundary conditions as one linear system in 50 digits.

    Columns are divided by the field at one edge of their layer, so that the matrix stays solvable.
    """
    with mpmath.workdps(50):
        omega = 2 * mpmath.pi * mpmath.mpf(frequency)
        gammas = [
            mpmath.sqrt(1j * omega * mpmath.mpf(mu_0) * layer.relative_permeability)
            * mpmath.sqrt(mpmath.mpf(layer.conductivity))
            for layer in layers
        ]

        def fields(n: int, r: float):
            x, admittance = gammas[n] * mpmath.mpf(r), layers[n].conductivity / gammas[n]
            out = mpmath.besseli(0, gammas[n] * mpmath.mpf(layers[n].outer_radius))
            electric = [mpmath.besseli(0, x) / out]
            magnetic = [admittance * mpmath.besseli(1, x) / out]
            if n > 0:
                into = mpmath.besselk(0, gammas[n] * mpmath.mpf(layers[n - 1].outer_radius))
                electric.append(mpmath.besselk(0, x) / into)
                magnetic.append(-admittance * mpmath.besselk(1, x) / into)
            return electric, magnetic

        # Unknowns: A of the core, then A and B of each layer; last equation: I = 1 A.
        size = 2 * len(layers) - 1
        matrix, right = mpmath.matrix(size, size), mpmath.matrix(size, 1)

        def columns(n: int):
            return [0] if n == 0 else [2 * n - 1, 2 * n]

        for n in range(len(layers) - 1):
            radius = layers[n].outer_radius
            for sign, m in ((1, n), (-1, n + 1)):
                electric, magnetic = fields(m, radius)
                for column, e, h in zip(columns(m), electric, magnetic, strict=True):
                    matrix[2 * n, column] += sign * e
                    matrix[2 * n + 1, column] += sign * h
        outer = layers[-1].outer_radius
        electric, magnetic = fields(len(layers) - 1, outer)
        last = columns(len(layers) - 1)
        for column, h in zip(last, magnetic, strict=True):
            matrix[size - 1, column] = 2 * mpmath.pi * mpmath.mpf(outer) * h
        right[size - 1] = 1
        solution = mpmath.lu_solve(matrix, right)
        return complex(sum(e * solution[column] for column, e in zip(last, electric, strict=True)))


@pytest.mark.parametrize("frequency", [50.0, 3.6e6, 3e8])
@pytest.mark.parametrize(
    "layers",
    [
        (Layer(0.7e-3, 5e6, 800.0), Layer(0.8e-3, 5.8e7, 1.0)),
        (Layer(0.98e-3, 5e6, 300.0), Layer(1.0e-3, 1.69e7, 1.0)),
        (Layer(0.5e-3, 3.5e7, 1.0), Layer(0.503e-3, 5.8e7, 1.0)),
        (Layer(0.4e-3, 5.8e7, 1.0), Layer(0.46e-3, 1.4e6, 7.0)),
        (Layer(0.3e-3, 5e6, 90.0), Layer(0.41e-3, 5.8e7, 1.0), Layer(0.43e-3, 9e6, 2.0)),
    ],
)
def test_clad_wire_agrees_with_boundary_conditions_solved_in_50_digits(frequency, layers):
    z = complex(layered_internal_impedance(frequency, layers=layers))
    exact = exact_layers(frequency, layers)
    # Rounding, times the ratio of the surface impedances of the two metals (up to 100).
    assert abs(z - exact) < 100 * ROUNDING * abs(exact)


def test_layer_of_the_same_metal_is_the_solid_wire():
    frequency = np.geomspace(1e3, 3e8, 25)
    for metal in (COPPER, STEEL):
        clad = Conductor(
            "clad with itself",
            metal.conductivity,
            relative_permeability=metal.relative_permeability,
            core=metal,
            layer_fraction=0.31,
        )
        assert_allclose(
            clad.internal_impedance(frequency, radius=0.9e-3),
            metal.internal_impedance(frequency, radius=0.9e-3),
            rtol=ROUNDING,
        )


def clad(thickness: float) -> Conductor:
    return Conductor("clad", COPPER.conductivity, core=STEEL, layer_thickness=thickness)


def test_thick_layer_tends_to_solid_copper_as_the_field_in_it_decays():
    # What is left of the core falls as exp(-2 t/delta).
    frequency, radius = 7.1e6, 1e-3
    delta = float(COPPER.skin_depth(frequency))
    solid = complex(COPPER.internal_impedance(frequency, radius=radius))
    errors = [
        abs(complex(clad(n * delta).internal_impedance(frequency, radius=radius)) / solid - 1)
        for n in (2, 4, 6)
    ]
    assert errors[0] > 0.02
    for inner, outer in pairwise(errors):
        assert inner / outer == pytest.approx(math.exp(4.0), rel=0.05)
    z = clad(20 * delta).internal_impedance(frequency, radius=radius)
    assert_allclose(z, solid, rtol=ROUNDING)


def test_thick_layer_on_a_thick_wire_does_not_overflow():
    z = clad(0.5).internal_impedance(np.array([1e5, 3e8]), radius=1.0)  # 1e5 skin depths
    assert_allclose(z, COPPER.internal_impedance(np.array([1e5, 3e8]), radius=1.0), rtol=ROUNDING)
    huge = clad(1e8).internal_impedance(3e8, radius=1e9)
    assert_allclose(huge, COPPER.internal_impedance(3e8, radius=1e9), rtol=ROUNDING)


def test_thin_layer_tends_to_solid_steel_in_proportion_to_its_thickness():
    frequency, radius = 3.6e6, 1e-3
    solid = complex(STEEL.internal_impedance(frequency, radius=radius))
    errors = [
        abs(complex(clad(t).internal_impedance(frequency, radius=radius)) / solid - 1)
        for t in (1e-9, 1e-10, 1e-11)
    ]
    assert errors[0] < 0.02
    assert errors[0] / errors[1] == pytest.approx(10, rel=0.02)
    assert errors[1] / errors[2] == pytest.approx(10, rel=0.02)


def test_clad_wire_at_low_frequency_is_core_and_layer_in_parallel():
    wire, radius, t = clad(0.2e-3), 0.8e-3, 0.2e-3
    core = math.pi * (radius - t) ** 2
    whole = math.pi * radius**2
    expected = 1 / (STEEL.conductivity * core + COPPER.conductivity * (whole - core))
    assert wire.dc_resistance(radius=radius) == pytest.approx(expected, rel=EXACT)
    z = complex(wire.internal_impedance(0.01, radius=radius))
    assert z.real == pytest.approx(expected, rel=1e-8)


def test_layer_by_thickness_and_by_fraction_are_the_same_wire():
    by_fraction = Conductor("f", COPPER.conductivity, core=STEEL, layer_fraction=0.125)
    z = by_fraction.internal_impedance(3.6e6, radius=0.8e-3)
    assert_allclose(z, clad(0.1e-3).internal_impedance(3.6e6, radius=0.8e-3), rtol=EXACT)
    # A fraction grows with the wire, a thickness does not.
    assert by_fraction.layers(radius=1.6e-3)[0].outer_radius == pytest.approx(1.4e-3, rel=EXACT)
    assert clad(0.1e-3).layers(radius=1.6e-3)[0].outer_radius == pytest.approx(1.5e-3, rel=EXACT)


@pytest.mark.parametrize("percent", [30, 40])
def test_copper_clad_steel_has_the_conductivity_of_its_class(percent):
    # Trade classes of 30 and 40 % IACS at direct current (common practice).
    wire = Conductor.named(f"copper-clad steel {percent}%")
    copper = Conductor.named("annealed copper")
    ratio = copper.dc_resistance(radius=1e-3) / wire.dc_resistance(radius=1e-3)
    assert 100 * ratio == pytest.approx(percent, abs=0.01)


def test_thin_copper_clad_steel_is_worse_than_copper_on_160_metres_and_like_it_on_10():
    wire, copper = Conductor.named("copper-clad steel 30%"), Conductor.named("annealed copper")
    radius = 0.2e-3  # layer 25 um: half a skin depth at 1.9 MHz, two at 28.5 MHz
    frequency = np.array([1.9e6, 28.5e6])
    ratio = (
        wire.internal_impedance(frequency, radius=radius).real
        / copper.internal_impedance(frequency, radius=radius).real
    )
    exact = exact_layers(1.9e6, wire.layers(radius=radius)).real
    solid = float(copper.internal_impedance(1.9e6, radius=radius).real)
    assert ratio[0] == pytest.approx(exact / solid, rel=100 * ROUNDING)
    assert ratio[0] > 1.5
    assert abs(ratio[1] - 1) < 0.05


@pytest.mark.parametrize("depths", [0.4, 1.0, math.pi / 2, 2.5])
def test_layer_on_a_core_of_high_impedance_is_the_flat_foil_of_textbooks(depths):
    # R/R_solid of a foil t = x delta with no field behind it:
    # (sinh 2x + sin 2x)/(cosh 2x - cos 2x), lowest at x = pi/2 where it is tanh(pi/2) = 0.917:
    # such a layer beats solid copper. (Computed from the closed form; the curvature delta/a is
    # 1.2e-3 and the core's admittance 5e-4 of the layer's, hence the tolerance.)
    core = Conductor("poor magnetic core", 1e4, relative_permeability=800)
    frequency, radius = 30e6, 1e-2
    delta = float(COPPER.skin_depth(frequency))
    wire = Conductor("foil", COPPER.conductivity, core=core, layer_thickness=depths * delta)
    solid = float(COPPER.internal_impedance(frequency, radius=radius).real)
    ratio = float(wire.internal_impedance(frequency, radius=radius).real) / solid
    x = 2 * depths
    expected = (math.sinh(x) + math.sin(x)) / (math.cosh(x) - math.cos(x))
    assert ratio == pytest.approx(expected, rel=3e-3)


# ---- shapes and bad input -----------------------------------------------------------------------


@pytest.mark.parametrize("shape", [(), (3,), (2, 3), (0,)])
def test_impedance_has_the_shape_of_the_frequencies(shape):
    frequency = np.full(shape, 7.1e6)
    for conductor in (COPPER, clad(0.05e-3)):
        z = conductor.internal_impedance(frequency, radius=1e-3)
        assert isinstance(z, np.ndarray)
        assert z.shape == shape


@pytest.mark.parametrize("frequency", [0.0, -1.0, math.nan, math.inf, [7e6, math.nan]])
def test_bad_frequency_is_refused(frequency):
    with pytest.raises(MaterialError, match=r"frequency .* above 0.*hertz"):
        COPPER.internal_impedance(frequency, radius=1e-3)


@pytest.mark.parametrize("frequency", ["7 MHz", True, 7e6 + 1j])
def test_frequency_that_is_not_a_real_number_is_refused(frequency):
    with pytest.raises(MaterialError, match="not made of real numbers"):
        COPPER.internal_impedance(frequency, radius=1e-3)


@pytest.mark.parametrize("radius", [0.0, -1e-3, math.nan, math.inf, "1 mm", True])
def test_bad_radius_is_refused(radius):
    with pytest.raises(MaterialError, match=r"radius of a wire of 'copper of the table' is .*"):
        COPPER.internal_impedance(7e6, radius=radius)


@pytest.mark.parametrize("radius", [20e-6, 5e-6])
def test_layer_as_thick_as_the_wire_is_refused(radius):
    with pytest.raises(MaterialError, match=r"layer of 'galvanised steel' is 2e-05 m thick"):
        Conductor.named("galvanised steel").internal_impedance(7e6, radius=radius)


def test_layers_that_do_not_rise_are_refused():
    with pytest.raises(MaterialError, match="must rise from the core outwards"):
        layered_internal_impedance(1e6, layers=(Layer(2e-3, 1e7, 1.0), Layer(1e-3, 1e7, 1.0)))
    with pytest.raises(MaterialError, match="at least one layer"):
        layered_internal_impedance(1e6, layers=())
    with pytest.raises(MaterialError, match="relative permeability of a conductor is 0"):
        layered_internal_impedance(1e6, layers=(Layer(2e-3, 1e7, 0.0),))
