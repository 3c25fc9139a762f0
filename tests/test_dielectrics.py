"""Dielectrics and conducting sheets: the catalogue, values of one's own, closed forms, limits."""

from __future__ import annotations

import cmath
import dataclasses
import math
import pickle
import tomllib
from pathlib import Path

import numpy as np
import pytest
from mpmath import mp, mpf
from numpy.testing import assert_allclose
from scipy.constants import epsilon_0, mu_0

from ridgepole.materials import Conductor, Dielectric, MaterialError, SheetConductor, Spread, Wood

MHZ = 1e6
HF = np.array([1.8, 3.6, 7.1, 14.1, 21.2, 28.5]) * MHZ
CATALOGUE = Path(__file__).resolve().parents[1] / "materials" / "catalogue"

# ---- dielectrics of the catalogue ---------------------------------------------------------------


def test_catalogue_has_what_houses_are_made_of():
    wanted = {
        "PVC", "polyethylene", "foamed polyethylene", "PTFE", "rubber",
        "plasterboard", "plywood", "OSB", "chipboard", "glass-fibre batts", "mineral wool",
        "clay tile", "concrete tile", "slate", "asphalt shingle", "wet roof layer",
        "brick", "concrete", "glass",
    }  # fmt: skip
    assert wanted <= set(Dielectric.names())


@pytest.mark.parametrize("name", Dielectric.names())
def test_every_dielectric_loads_describes_itself_and_is_passive(name):
    stuff = Dielectric.named(name)
    assert stuff.name == name
    assert "points: " in stuff.source
    assert "spread: " in stuff.source
    assert stuff.source in stuff.describe()
    assert "loss tangent" in stuff.describe(7.1e6)
    assert name in repr(stuff)
    assert len({stuff, Dielectric.named(name)}) == 1  # equal and hashable
    assert pickle.loads(pickle.dumps(stuff)) == stuff
    low, high = stuff.frequency_range or (0.0, 0.0)  # every entry says where it holds
    assert 0.0 < low <= 1 * MHZ
    assert 50 * MHZ <= high <= 100 * MHZ
    ec = stuff.complex_permittivity(np.geomspace(low, high, 100)[1:-1])
    assert np.all(ec.real > 1)
    assert np.all(ec.imag < 0)
    assert np.all(np.diff(ec.real) <= 1e-12)  # permittivity never rises with frequency
    assert min(stuff.spread) > 1.0


def test_every_source_says_where_it_is_from():
    known = (
        "from memory", "common practice", "choice of this catalogue", "computed", "ITU-R",
        "a guess", "a material without poles", "as ", "handbooks",
    )  # fmt: skip
    counted = 0
    for file, table in (("dielectrics", "dielectric"), ("sheet_conductors", "sheet")):
        document = tomllib.loads((CATALOGUE / f"{file}.toml").read_text(encoding="utf-8"))
        for row in document[table]:
            for source in row["sources"].values():
                assert any(word in source for word in known), (row["name"], source)
                counted += 1
    assert counted > 70


# Handbook ranges over HF, from memory: permittivity, loss tangent. Class: memory.
@pytest.mark.parametrize(
    ("name", "permittivity", "loss"),
    [
        ("PVC", (3.0, 4.5), (0.02, 0.1)),
        ("polyethylene", (2.25, 2.3), (1e-4, 5e-4)),
        ("PTFE", (2.0, 2.1), (1e-4, 3e-4)),
        ("rubber", (2.5, 6.0), (0.01, 0.1)),
        ("glass", (6.3, 7.6), (0.004, 0.02)),
        ("slate", (6.0, 9.0), (0.01, 0.1)),
    ],
)
def test_dielectrics_lie_in_the_ranges_of_handbooks(name, permittivity, loss):
    stuff = Dielectric.named(name)
    er, tangent = stuff.permittivity_at(HF), stuff.loss_tangent_at(HF)
    assert np.all((er >= permittivity[0]) & (er <= permittivity[1]))
    assert np.all((tangent >= loss[0]) & (tangent <= loss[1]))


def test_foamed_polyethylene_has_the_velocity_factor_of_cable():
    # Common practice: 0.80 to 0.82 of foam cable, 0.66 of solid polyethylene.
    assert 0.80 <= 1 / math.sqrt(Dielectric.named("PE foam").permittivity_at(10e6)) <= 0.82
    assert 1 / math.sqrt(Dielectric.named("PE").permittivity_at(10e6)) == pytest.approx(
        0.66, abs=0.005
    )


def test_plasterboard_is_the_itu_formula_at_high_frequency():
    # Recommendation ITU-R P.2040-2, table 3 (copy): 2.73, 0.0085 (f/GHz)^0.9395 S/m. The catalogue
    # has one rounded point of it; class: printed, one digit.
    f = HF
    tangent = 0.0085 * (f / 1e9) ** 0.9395 / (2 * np.pi * f * epsilon_0 * 2.73)
    board = Dielectric.named("drywall")
    assert_allclose(board.permittivity_at(f), 2.73)
    assert_allclose(board.loss_tangent_at(f), tangent, rtol=0.2)


def test_wet_roof_layer_conducts_five_millisiemens_per_metre():
    ec = Dielectric.named("wet roof layer").complex_permittivity(HF)
    expected = 80 - 5e-3j / (2 * np.pi * HF * epsilon_0)
    assert_allclose(ec, expected, rtol=5e-4)  # printed: four digits


@pytest.mark.parametrize(
    ("name", "density", "moisture"),
    [
        ("plywood", 500, 0.10),
        ("OSB", 620, 0.08),
        ("chipboard", 650, 0.08),
        ("fibreboard", 750, 0.08),
    ],
)
def test_boards_of_wood_follow_the_table_of_wood(name, density, moisture):
    # Their points are rounded means of along and across; class: printed, two digits.
    wood = Wood(moisture=moisture, temperature_c=20, density=density)
    f = np.array([1, 10, 50]) * MHZ
    mean = (wood.permittivity_along(f) + wood.permittivity_across(f)) / 2
    board = Dielectric.named(name)
    assert_allclose(board.permittivity_at(f), mean.real, atol=0.05)
    assert_allclose(board.loss_tangent_at(f), -mean.imag / mean.real, rtol=0.1)


def test_loose_cellulose_follows_the_mixing_rule_of_wood():
    wood = Wood(moisture=0.10, temperature_c=20, density=400)
    f = np.array([1, 10, 50]) * MHZ
    ec = (1 + 50 / 400 * (wood.permittivity_across(f) ** (1 / 3) - 1)) ** 3
    stuff = Dielectric.named("loose cellulose")
    assert_allclose(stuff.permittivity_at(f), ec.real, atol=0.006)  # printed, two digits
    assert_allclose(stuff.loss_tangent_at(f), -ec.imag / ec.real, rtol=0.05)


@pytest.mark.parametrize(
    ("name", "density", "solid", "permittivity"),
    [("glass-fibre batts", 20, 2500, 6.0), ("mineral wool", 60, 2700, 6.5)],
)
def test_batts_follow_the_formula_of_thin_fibres(name, density, solid, permittivity):
    # Fibres in all directions, dilute: a third along (e - 1), two thirds across 2 (e - 1)/(e + 1).
    part = density / solid
    along, across = permittivity - 1, 2 * (permittivity - 1) / (permittivity + 1)
    expected = 1 + part * (along / 3 + 2 * across / 3)
    assert Dielectric.named(name).permittivity_at(10e6) == pytest.approx(expected, abs=0.006)


def test_damp_and_dense_things_are_above_dry_and_light_ones():
    order = ["foam board", "plasterboard", "plywood", "brick", "concrete", "wet roof layer"]
    er = [float(Dielectric.named(name).permittivity_at(7e6)) for name in order]
    assert er == sorted(er)
    dry, damp = (
        Dielectric.named(name).complex_permittivity(HF) for name in ("brick", "damp brick")
    )
    assert np.all(damp.real > 1.5 * dry.real)
    assert np.all(damp.imag < 4 * dry.imag)


@pytest.mark.parametrize(
    ("asked", "found"),
    [("pvc", "PVC"), ("PE", "polyethylene"), (" drywall", "plasterboard"), ("Glass-Wool", "glass")],
)
def test_spelling_of_a_name_does_not_matter(asked, found):
    assert Dielectric.named(asked).name.startswith(found)


def test_unknown_dielectric_tells_near_names_and_the_list():
    with pytest.raises(MaterialError, match="no dielectric is called 'tile'") as told:
        Dielectric.named("tile")
    assert "'clay tile', 'concrete tile'" in str(told.value)
    for name in Dielectric.names():
        assert repr(name) in str(told.value)


# ---- dielectrics of one's own -------------------------------------------------------------------


def test_constant_dielectric_holds_at_every_frequency():
    stuff = Dielectric.constant(2.4, 0.3, name="mine")
    assert stuff.complex_permittivity(1.0) == pytest.approx(2.4 - 0.72j)
    assert stuff.complex_permittivity(1e12) == pytest.approx(2.4 - 0.72j)
    assert Dielectric.constant(1.0).complex_permittivity(7e6) == 1.0
    assert stuff.frequency_range is None
    assert stuff.spread == Spread(1.0, 1.0)
    assert repr(stuff) == "<Dielectric 'mine': eps_r 2.4, tan d 0.3>"


def test_between_points_over_log_frequency():
    # Straight over log f, the logarithm of the loss likewise. Class: rounding.
    stuff = Dielectric("own", points=((1e6, 6.0, 0.2), (1e8, 4.0, 0.002)))
    assert stuff.frequency_range == (1e6, 1e8)
    assert stuff.complex_permittivity(1e7) == pytest.approx(5.0 * (1 - 0.02j), rel=1e-13)
    f = np.array([[1e6, 2e6, 3e6], [1e7, 4e7, 1e8]])
    assert stuff.complex_permittivity(f).shape == (2, 3)
    assert stuff.complex_permittivity(f)[0, 1] == pytest.approx(stuff.complex_permittivity(2e6))
    assert type(stuff.complex_permittivity(2e6)) is complex


def test_one_point_holds_over_its_range():
    stuff = Dielectric("own", points=((7e6, 3.0, 0.01),), frequency_range=(1e6, 50e6))
    assert_allclose(stuff.complex_permittivity(np.array([1e6, 9e6, 50e6])), 3.0 - 0.03j, rtol=1e-14)


@pytest.mark.parametrize("frequency", [0.99e6, 101e6, np.array([7e6, 144e6])])
def test_frequency_outside_the_range_is_refused(frequency):
    stuff = Dielectric("own", points=((1e6, 6.0, 0.2), (1e8, 4.0, 0.002)))
    with pytest.raises(MaterialError, match=r"dielectric 'own' is known from 1 to 100 MHz; asked"):
        stuff.complex_permittivity(frequency)


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"name": " "}, "the name of a dielectric"),
        ({"points": ()}, "needs one or more points"),
        ({"points": 3.5}, "needs one or more points"),
        ({"points": ((1e6, 3.0),)}, "needs one or more points"),
        ({"points": ((1e6, 0.9, 0.1),)}, "permittivity of .* is 0.9; it must be at least 1"),
        ({"points": ((1e6, 3.0, -0.1),)}, "loss tangent of .* is -0.1; it must be at least 0"),
        ({"points": ((1e6, math.nan, 0.1),)}, "permittivity .* is NaN"),
        ({"points": ((2e6, 3.0, 0.1), (1e6, 3.0, 0.1))}, "must rise"),
        ({"points": ((1e6, 3.0, 0.1), (2e6, 3.0, 0.0))}, "is 0; it must be above 0 at every point"),
        ({"frequency_range": (5e6, 9e6)}, "does not hold its point"),
        ({"frequency_range": (9e6, 1e6)}, "runs from"),
        ({"frequency_range": 5e6}, "give the lowest and the highest"),
        ({"points": ((1e6, 3, 0.1), (2e6, 3, 0.1)), "frequency_range": (1e6, 3e6)}, "away, or add"),
        ({"spread": (0.9, 2.0)}, "spread .* is 0.9; it must be at least 1"),
        ({"spread": 1.5}, "Give two factors of at least 1"),
    ],
)
def test_bad_values_are_refused(changes, told):
    values = {"name": "own", "points": ((1e6, 3.0, 0.1),)} | changes
    with pytest.raises(MaterialError, match=told):
        Dielectric(values.pop("name"), **values)


def test_varied_dielectric_is_off_by_the_factors():
    stuff = Dielectric.named("brick")
    more = stuff.varied(permittivity=stuff.spread[0], loss=1 / stuff.spread[1])
    assert_allclose((more.permittivity_at(HF) - 1) / (stuff.permittivity_at(HF) - 1), 1.6)
    assert_allclose(more.loss_tangent_at(HF) / stuff.loss_tangent_at(HF), 1 / 3)
    assert more.frequency_range == stuff.frequency_range
    assert "varied by 1.6 and 0.333" in more.source
    with pytest.raises(MaterialError, match="a factor on dielectric 'brick' is 0"):
        stuff.varied(loss=0.0)
    with pytest.raises(dataclasses.FrozenInstanceError):
        stuff.name = "stone"  # pyright: ignore[reportAttributeAccessIssue]


# ---- conducting sheets --------------------------------------------------------------------------


def test_catalogue_has_the_sheets_of_houses():
    wanted = {
        "aluminium foil", "foil-faced board", "steel roofing", "copper roofing", "stucco mesh",
        "low-emissivity film",
    }  # fmt: skip
    assert wanted == set(SheetConductor.names())
    assert SheetConductor.named("Foil").name == "aluminium foil"
    with pytest.raises(MaterialError, match="no conducting sheet is called 'tin'"):
        SheetConductor.named("tin")


@pytest.mark.parametrize("name", SheetConductor.names())
def test_every_sheet_loads_describes_itself_and_is_passive(name):
    sheet = SheetConductor.named(name)
    assert sheet.name == name
    assert sheet.source in sheet.describe()
    assert "at 7.1 MHz" in sheet.describe(7.1e6)
    assert "ohm per square" in repr(sheet)
    assert len({sheet, SheetConductor.named(name)}) == 1
    z = sheet.impedance(HF)
    assert np.all(z.real >= sheet.sheet_resistance * (1 - 1e-12))
    assert np.all(z.imag >= 0)
    assert type(sheet.impedance(7.1e6)) is complex
    assert sheet.impedance(HF[None, :]).shape == (1, 6)
    assert sheet.impedance(1.0).real == pytest.approx(sheet.sheet_resistance, rel=1e-5)


@pytest.mark.parametrize("thickness", [1e-6, 9e-6, 31e-6, 0.2e-3, 5e-3])
@pytest.mark.parametrize("permeability", [1.0, 250.0])
def test_sheet_of_one_metal_is_the_closed_form(thickness, permeability):
    # (1 + j)/(sigma delta) coth((1 + j) t/delta), with 30 digits. Class: rounding.
    metal = Conductor("own", 2.3e7, relative_permeability=permeability)
    sheet = SheetConductor.of(metal, thickness)
    with mp.workdps(30):
        for f in (1.9e6, 28.5e6):
            delta = 1 / mp.sqrt(mp.pi * mpf(f) * mpf(mu_0) * permeability * mpf(2.3e7))
            x = (1 + 1j) * mpf(thickness) / delta
            expected = complex((1 + 1j) / (mpf(2.3e7) * delta) / mp.tanh(x))
            assert sheet.impedance(f) == pytest.approx(expected, rel=1e-12)


def test_thin_and_thick_limits():
    thin, thick = SheetConductor.of("copper", 1e-7), SheetConductor.of("copper", 1e-2)
    sigma = Conductor.named("copper").conductivity
    f = 14.1 * MHZ
    assert thin.impedance(f).real == pytest.approx(1 / (sigma * 1e-7), rel=1e-8)
    # Thin: the next term of coth is j w mu0 t/3.
    assert thin.impedance(f).imag == pytest.approx(2 * math.pi * f * mu_0 * 1e-7 / 3, rel=1e-6)
    delta = float(Conductor.named("copper").skin_depth(f))
    assert thick.impedance(f) == pytest.approx((1 + 1j) / (sigma * delta), rel=1e-12)


def test_clad_sheet_against_the_field_in_its_layers():
    # Independent twin: in each slab E = P cosh(g x) + Q sinh(g x), H = (dE/dx)/(-j w mu), with E
    # and H continuous and H = 0 behind; solved as one linear system. Class: rounding.
    core = Conductor("core", 5e6, relative_permeability=37.0)
    sheet = SheetConductor.of(Conductor("clad", 1.7e7, core=core, layer_thickness=11e-6), 83e-6)
    for f in (1.9e6, 28.5e6):
        omega = 2 * math.pi * f
        slabs = [(11e-6, 1.7e7, 1.0), (61e-6, 5e6, 37.0), (11e-6, 1.7e7, 1.0)]
        matrix, right = np.zeros((6, 6), complex), np.zeros(6, complex)

        def fields(x: float, sigma: float, mu_r: float, omega: float = omega):
            """Rows of E and H for the coefficients P and Q of a slab."""
            g = cmath.sqrt(1j * omega * mu_0 * mu_r * sigma)
            e = np.array([cmath.cosh(g * x), cmath.sinh(g * x)])
            return e, np.array([e[1], e[0]]) * g / (-1j * omega * mu_0 * mu_r)

        matrix[0, :2], right[0] = fields(0.0, *slabs[0][1:])[1], 1.0
        for i in (0, 1):
            ends, starts = fields(*slabs[i]), fields(0.0, *slabs[i + 1][1:])
            for part in (0, 1):
                matrix[1 + 2 * i + part, 2 * i : 2 * i + 2] = ends[part]
                matrix[1 + 2 * i + part, 2 * i + 2 : 2 * i + 4] = -starts[part]
        matrix[5, 4:] = fields(*slabs[2])[1]
        scale = np.abs(matrix).max(axis=1)
        solution = np.linalg.solve(matrix / scale[:, None], right / scale)
        assert sheet.impedance(f) == pytest.approx(solution[0], rel=1e-9)


def test_zinc_carries_the_current_of_galvanised_roofing():
    roof, steel = SheetConductor.named("metal roofing"), SheetConductor.of("mild steel", 0.6e-3)
    zinc = SheetConductor.of("zinc", 20e-6)
    # 20 um of zinc are thinner than its skin depth, yet steel below lets in hardly anything.
    assert roof.impedance(3.6e6).real == pytest.approx(zinc.impedance(3.6e6).real, rel=0.05)
    assert steel.impedance(3.6e6).real > 10 * roof.impedance(3.6e6).real


def test_mesh_is_its_wires_and_their_inductance():
    # Parallel wires: p (z_wire + j w mu0/(2 pi) ln(p/(2 pi a))) (from memory). Class: rounding.
    mesh = SheetConductor.of_mesh("copper", wire_radius=0.4e-3, pitch=25e-3)
    wire = Conductor.named("copper").internal_impedance(HF, radius=0.4e-3)
    z = mesh.impedance(HF)
    assert_allclose(z.real, 25e-3 * wire.real, rtol=1e-13)
    outside = (z.imag - 25e-3 * wire.imag) / (2 * np.pi * HF)
    assert_allclose(outside, 25e-3 * 2e-7 * math.log(25 / (2 * math.pi * 0.4)), rtol=1e-8)
    # The stucco mesh of the catalogue is reactive: 0.37 ohm at 3.6 MHz, 2.9 at 28.5 (computed).
    z = SheetConductor.named("stucco mesh").impedance(np.array([3.6, 28.5]) * MHZ)
    assert_allclose(z.imag, [0.373, 2.948], atol=6e-4)
    assert np.all(z.imag > 10 * z.real)


def test_film_is_its_resistance():
    film = SheetConductor("own film", 7.5)
    assert film.impedance(28.5e6) == 7.5
    assert repr(film) == "<SheetConductor 'own film': 7.5 ohm per square>"


@pytest.mark.parametrize(
    ("make", "told"),
    [
        (lambda: SheetConductor("", 5.0), "the name of a conducting sheet"),
        (lambda: SheetConductor("x", 0.0), "sheet resistance of 'x' is 0"),
        (lambda: SheetConductor("x", math.nan), "is NaN"),
        (lambda: SheetConductor("x", 5.0, thickness=1e-3), "has thickness"),
        (lambda: SheetConductor("x", 5.0, conductor=Conductor("m", 1e7)), "has no size"),
        (
            lambda: SheetConductor("x", 5.0, conductor=Conductor("m", 1e7), thickness=1e-3),
            "metal and size make 0.0001 ohm",
        ),
        (lambda: SheetConductor.of("copper", 0.0), "thickness of 'annealed copper sheet' is 0"),
        (lambda: SheetConductor.of("copper", -1e-3), "must be above 0"),
        (lambda: SheetConductor.of("granite", 1e-3), "no conductor is called"),
        (lambda: SheetConductor.of(5.8e7, 1e-3), "must be a Conductor or a name"),  # pyright: ignore[reportArgumentType]
        (lambda: SheetConductor.of("galvanised steel", 40e-6), "twice the layer"),
        (lambda: SheetConductor.of("copper-clad steel 30%", 1e-3), "part of a wire's radius"),
        (
            lambda: SheetConductor.of_mesh("copper", wire_radius=1e-3, pitch=6e-3),
            "pitch of .* above 2 pi wire radii",
        ),
        (lambda: SheetConductor.of_mesh("copper", wire_radius=0.0, pitch=1.0), "wire radius of"),
    ],
)
def test_bad_sheets_are_refused(make, told):
    with pytest.raises(MaterialError, match=told):
        make()


@pytest.mark.parametrize("frequency", [0.0, -1e6, math.nan, "7 MHz"])
def test_bad_frequencies_are_refused(frequency):
    for ask in (
        Dielectric.named("PVC").complex_permittivity,
        SheetConductor.named("foil").impedance,
        Wood().permittivity_along,
    ):
        with pytest.raises(MaterialError, match="frequency for"):
            ask(frequency)
