"""Potential along wires, what is near them, and conductors that are touched."""

import json
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import h5py
import numpy as np
import pytest
from scipy.constants import c as light_speed
from scipy.constants import epsilon_0, mu_0

from ridgepole.geometry import Cable, Feed, GeometryError, Jacket, Load, Scene, Sheet, Timber, Wire
from ridgepole.geometry.clearance import wire_clearances
from ridgepole.materials import Conductor, Dielectric, Earth
from ridgepole.solver import (
    Answer,
    LimitsError,
    SolverError,
    VoltageLimits,
    answer,
    open_answer,
    solve,
    touched_conductors,
    voltage_readings,
    wire_voltages,
)
from ridgepole.solver.answer_store import SCHEMA
from ridgepole.solver.earth.contacts import ContactCharges, contact_field, contact_potential
from ridgepole.solver.fields import near
from ridgepole.solver.fields.kernels import add_potentials
from ridgepole.solver.fields.near import scalar_potential, slope_coefficients
from ridgepole.solver.moments.basis import ElementCurrents
from ridgepole.solver.views.json_form import answer_form
from ridgepole.solver.views.tables import band_text
from ridgepole.solver.views.voltage_figures import (
    draw_voltage_sheet,
    draw_voltages,
    draw_wire_voltages,
)
from ridgepole.solver.voltage_records import VoltageReading, WireVoltage, in_words, worst_first

AVERAGE = Earth(relative_permittivity=13, conductivity=0.005)


def wavenumber(frequency: float) -> float:
    return 2.0 * np.pi * frequency / light_speed


# --- the potential ---------------------------------------------------------------------------


def lopsided_currents() -> ElementCurrents:
    rng = np.random.default_rng(7)
    start = np.array([[0.0, 0.0, 3.0], [1.0, 0.4, 3.3], [4.0, 1.0, 1.0]])
    end = np.array([[1.0, 0.4, 3.3], [2.6, -0.5, 4.4], [4.0, 1.6, 0.4]])
    current = rng.normal(size=(3, 4)) + 1j * rng.normal(size=(3, 4))
    return ElementCurrents(start, end, np.array([1e-3, 2e-3, 0.05]), current)


def slow_integral(
    currents: ElementCurrents, frequency: float, point: np.ndarray, coefficients: np.ndarray
) -> np.ndarray:
    """Int f g ds of each element, f by Legendre coefficients, on panels graded to the point."""
    found = []
    xi, weight = np.polynomial.legendre.leggauss(10)
    for a, b, radius, own in zip(*currents[:3], coefficients, strict=True):
        length = np.linalg.norm(b - a)
        nearest = np.clip((point - a) @ (b - a) / length**2, 0.0, 1.0)
        grade = np.concatenate([[0.0], 0.1 * radius / length * 2.0 ** np.arange(40)])
        stops = np.unique(np.clip(np.concatenate([nearest - grade, nearest + grade, [0, 1]]), 0, 1))
        total = 0.0j
        for low, high in pairwise(stops.tolist()):
            part = 0.5 * (low + high) + 0.5 * (high - low) * xi
            place = a + part[:, None] * (b - a)
            r = np.sqrt(((place - point) ** 2).sum(axis=1) + radius**2)
            g = np.exp(-1j * wavenumber(frequency) * r) / (4.0 * np.pi * r)
            f = np.polynomial.legendre.legval(2.0 * part - 1.0, own)
            total += 0.5 * (high - low) * length * ((f * g) @ weight)
        found.append(total)
    return np.array(found)


def slow_potential(currents: ElementCurrents, frequency: float, point: np.ndarray) -> complex:
    slopes = slope_coefficients(currents)
    return complex(
        1j / (2 * np.pi * frequency * epsilon_0)
        * slow_integral(currents, frequency, point, slopes).sum()
    )  # fmt: skip


@pytest.mark.parametrize("point", [(0.5, 0.2, 3.15), (1.0, 0.4, 3.3), (1.3, 2.0, 0.7)])
def test_potential_against_slow_integration(point: tuple[float, float, float]):
    """On an axis, where elements meet, and away from all."""
    currents = lopsided_currents()
    place = np.array(point)
    expected = slow_potential(currents, 14.2e6, place)
    found = scalar_potential(currents, 14.2e6, place[None])[0]
    # Tolerance class quadrature.
    assert abs(found - expected) < 1e-7 * abs(expected)


def test_kernel_interpreted_and_mirrored():
    currents = near.plain_copy(lopsided_currents())
    slopes = slope_coefficients(currents)
    points = np.array([[0.5, 0.2, 3.15], [1.3, 2.0, 0.7]])
    xi, weight = np.polynomial.legendre.leggauss(8)
    squares = currents.radius**2
    results = []
    for function in (add_potentials, add_potentials.py_func):
        out = np.zeros(2, dtype=complex)
        function(points, 0.3, currents.start, currents.end, squares, slopes, True, xi, weight,
                 0.4 - 1.1j, out)  # fmt: skip
        results.append(out)
    mirror = np.array([1.0, 1.0, -1.0])
    flipped = np.zeros(2, dtype=complex)
    add_potentials(points, 0.3, currents.start * mirror, currents.end * mirror, squares, slopes,
                   False, xi, weight, 0.4 - 1.1j, flipped)  # fmt: skip
    # Tolerance class rounding.
    assert np.allclose(results[0], results[1], rtol=1e-12)
    assert np.allclose(results[0], flipped, rtol=1e-12)


def test_evenly_charged_wire_over_perfect_ground():
    """Computed from formula: a line charge q on length l has q/(4 pi eps0) (asinh + asinh)."""
    length, radius, height, frequency = 3.0, 2e-3, 0.8, 0.1e6
    start, end = np.array([[0.0, 0.0, height]]), np.array([[length, 0.0, height]])
    currents = ElementCurrents(start, end, np.array([radius]), np.array([[0.0, 1.0 + 0.5j]]))
    q = -(1.0 + 0.5j) * 2.0 / length / (2j * np.pi * frequency)  # dI/ds = 2/l of the coefficient

    def line(x: float, distance: float) -> float:
        return float(np.arcsinh(x / distance) + np.arcsinh((length - x) / distance))

    for x, z in ((1.1, height), (0.2, 1.5), (4.0, 0.3)):
        direct = line(x, np.hypot(z - height, radius))
        expected = q / (4.0 * np.pi * epsilon_0) * (direct - line(x, z + height))
        found = scalar_potential(
            currents, frequency, np.array([[x, 0.0, z]]), earth=Earth.perfect()
        )[0]
        # What is left is retardation, (k l)^2.
        assert abs(found - expected) < 1e-4 * abs(expected)


def test_pairs_at_once_change_nothing(monkeypatch: pytest.MonkeyPatch):
    currents = lopsided_currents()
    points = np.array([[0.5, 0.2, 3.15], [1.3, 2.0, 0.7], [3.0, 2.0, 1.7]])
    whole = scalar_potential(currents, 7.1e6, points, earth=AVERAGE)
    monkeypatch.setattr(near, "PAIRS_AT_ONCE", 1)
    parts = scalar_potential(currents, 7.1e6, points, earth=AVERAGE)
    assert np.allclose(whole, parts, rtol=1e-12)
    assert not np.allclose(whole, scalar_potential(currents, 7.1e6, points), rtol=0.05)


def test_contacts_have_the_potential_that_their_field_comes_from():
    charges = ContactCharges(
        np.array([[0.0, 0.0, 0.0], [2.0, 1.0, 0.0]]), np.array([0.3 - 0.2j, 1.0 + 0.4j]),
        np.array([0.02, 0.05]),
    )  # fmt: skip
    ground = AVERAGE.at(3.6e6)
    place, step = np.array([0.7, 0.4, 0.9]), 1e-3
    points = place + step * np.concatenate([np.eye(3), -np.eye(3)])
    values = contact_potential(points, charges, 3.6e6, ground)
    slope = (values[:3] - values[3:]) / (2.0 * step)
    field = contact_field(place[None], charges, 3.6e6, ground)[0]
    # Tolerance class quadrature: interpolation, and differences of 1 mm.
    assert np.abs(slope + field).max() < 1e-4 * np.abs(field).max()


def slow_vector_potential(
    currents: ElementCurrents, frequency: float, point: np.ndarray
) -> np.ndarray:
    """A of the currents and of their images in a perfect ground. [V s/m]"""
    way = currents.end - currents.start
    tangent = way / np.linalg.norm(way, axis=1)[:, None]
    direct = slow_integral(currents, frequency, point, currents.current)
    mirrored = point * np.array([1.0, 1.0, -1.0])
    # The image of an element at a point is the element at the mirrored point.
    image = slow_integral(currents, frequency, mirrored, currents.current)
    return mu_0 * (direct @ tangent + image @ (tangent * np.array([-1.0, -1.0, 1.0])))


@pytest.fixture(scope="module")
def bent():
    """A bent wire over perfect ground, fed off its middle, lossy."""
    wire = Wire([(0, 0, 3.0), (4.0, 1.0, 3.4), (6.0, 4.0, 6.0)], radius=2e-3, name="bent",
                conductor=Conductor("poor", 2e5))  # fmt: skip
    scene = Scene(wire, feed=Feed("bent", at=2.0), earth=Earth.perfect())
    return solve(scene, 14.2e6, tolerance=2e-3)


def panels(edges: np.ndarray, count: int = 10) -> tuple[np.ndarray, np.ndarray]:
    xi, weight = np.polynomial.legendre.leggauss(count)
    middle, half = 0.5 * (edges[1:] + edges[:-1]), 0.5 * np.diff(edges)
    return (middle[:, None] + half[:, None] * xi).ravel(), (half[:, None] * weight).ravel()


def test_field_and_vector_potential_beside_a_wire_give_the_potential(bent):
    """Phi(a) - Phi(b) = Int (E + jw A) . ds on a line that passes a bent wire."""
    a, b = np.array([1.0, 1.5, 2.4]), np.array([7.0, 0.9, 4.0])
    part, weight = panels(np.linspace(0.0, 1.0, 7))
    points = a + part[:, None] * (b - a)
    currents = bent.currents()
    electric = bent.electric_field(points) @ (b - a) @ weight
    magnetic = sum(
        w * slow_vector_potential(currents, 14.2e6, p) @ (b - a)
        for p, w in zip(points, weight, strict=True)
    )
    ends = scalar_potential(currents, 14.2e6, np.array([a, b]), earth=Earth.perfect())
    expected = ends[0] - ends[1]
    # Tolerance class quadrature.
    assert abs(electric + 2j * np.pi * 14.2e6 * magnetic - expected) < 1e-5 * abs(expected)


def test_potential_along_a_conductor_is_that_of_its_vector_potential(bent):
    """On the conductor E is z_s I: Phi(a) - Phi(b) = jw Int A ds + Int z_s I ds, round the bend."""
    wire = bent.scene.wires[0]
    told = wire_voltages(bent, power=1.0)[0]
    inner = told.distances[(told.distances > 3.0) & (told.distances < wire.length - 0.1)]
    first, last = float(inner[0]), float(inner[-1])
    corner = float(wire.vertex_distances[1])
    at, weight = panels(np.array([first, 3.6, corner, corner + 0.5, 6.5, last]))
    currents = bent.currents(power=1.0)
    internal = bent.system.surface_impedance(14.2e6)
    total = 0.0j
    for s, w in zip(at, weight, strict=True):
        element, xi, direction = bent.mesh.locate(0, float(s))
        way = bent.mesh.end[element] - bent.mesh.start[element]
        tangent = direction * way / np.linalg.norm(way)
        vector = slow_vector_potential(currents, 14.2e6, wire.position(float(s)))
        current = direction * np.polynomial.legendre.legval(xi, currents.current[element])
        total += w * (2j * np.pi * 14.2e6 * vector @ tangent + internal[element] * current)
    ends = [told.potential[np.flatnonzero(told.distances == s)[0]] for s in (first, last)]
    # Tolerance class discretisation: Galerkin's equations hold in the mean.
    assert abs(ends[0] - ends[1] - total) < 0.015 * np.abs(told.potential).max()
    assert abs(total) > 0.5 * np.abs(told.potential).max()


def test_end_of_a_resonant_dipole_against_a_line():
    """V = 60 (ln(2h/a) - 1) I0 at the ends of a thin half-wave dipole fed with I0.

    Half of the average characteristic impedance of a dipole, from memory; order of magnitude.
    """
    h, a = 5.0, 1e-3
    wire = Wire([(0, 0, -h), (0, 0, h)], radius=a, name="dipole")
    solution = solve(Scene(wire, feed=Feed("dipole", at=h)), 14.55e6, tolerance=5e-3)
    one = wire_voltages(solution, power=100.0)[0]
    estimate = 60.0 * (np.log(2.0 * h / a) - 1.0) * abs(solution.feed_current(power=100.0))
    for voltage in one.ends.values():
        assert abs(voltage) == pytest.approx(estimate, rel=0.2)
    assert one.ends["start"] == pytest.approx(-one.ends["end"], rel=1e-3)
    assert one.peak[0] == pytest.approx(np.sqrt(2.0) * abs(one.potential[0]))
    # It rises toward the ends, and goes with the root of the power.
    assert np.argmax(one.rms) in (0, 1, one.rms.size - 2, one.rms.size - 1)
    half = wire_voltages(solution, power=25.0)[0]
    assert np.allclose(half.potential, 0.5 * one.potential, rtol=1e-12)


def test_a_jacket_takes_its_part_of_the_potential():
    """Quasi-statics: the two arms differ by the voltage of the gap, beneath the jacket as well."""
    jacket = Dielectric.constant(3.5, 0.0, name="thick")
    wire = Wire([(0, 0, 3.0), (1.3, 0.4, 3.1), (3.0, 0.2, 3.9)], radius=1e-3, name="arms",
                jacket=Jacket(jacket, thickness=2e-3))  # fmt: skip
    solution = solve(Scene(wire, feed=Feed("arms", at=1.1)), 0.3e6, tolerance=1e-3)
    one = wire_voltages(solution, power=5.0)[0]
    voltage = complex(solution.feed_voltage(power=5.0))

    def differ(potential: np.ndarray) -> complex:
        """Means over the arms away from gap and tips."""
        means = []
        for low, high in ((0.1, 0.9), (1.3, 3.2)):
            own = (one.distances > low) & (one.distances < high)
            at = one.distances[own]
            means.append(np.trapezoid(potential[own], at) / (at[-1] - at[0]))
        return (means[1] - means[0]) / voltage

    # Tolerance class discretisation.
    assert abs(differ(one.potential) - 1.0) < 0.02
    places = wire.points_at(one.distances)
    assert abs(differ(scalar_potential(solution.currents(power=5.0), 0.3e6, places)) - 1.0) > 0.07


# --- what is near ----------------------------------------------------------------------------


def furnished() -> Scene:
    wires = [
        Wire([(0, 0, 5.0), (0, 0, 6.0), (3.0, 0.5, 6.3)], radius=1e-3, name="long"),
        Wire([(0, 0, 5.0), (-3.1, 0.6, 5.0)], radius=1e-3, name="radial 1"),
    ]
    house = [
        Timber((2.0, -1.0, 6.10), (2.9, 2.0, 6.16), width=0.05, depth=0.1, wood="spruce",
               name="beam"),
        Sheet([(-4, -2, 4.9), (-1, -2, 4.9), (-1, 2, 4.9)], thickness=0.0125,
              material=Dielectric.constant(2.8, 0.02, name="board"), name="ceiling"),
        Cable([(-2.0, -1.0, 5.06), (-2.0, 2.0, 5.06)], gauge="1.5 mm2", name="lamp cable"),
    ]  # fmt: skip
    return Scene(wires, feed=Feed(("long",), at="start"), earth=AVERAGE, house=house)


def brute_gap(scene: Scene, name: str, point: np.ndarray) -> float:
    """Least distance from a point to a cloud in and on a timber or sheet."""
    piece = next(one for one in scene.solids if one.name == name)
    rng = np.random.default_rng(3)
    low = 2.0 * rng.random((400_000, 3)) - 1.0
    axis = rng.integers(0, 3, len(low))
    low[np.arange(len(low)), axis] = np.sign(low[np.arange(len(low)), axis])
    cloud = piece.center + (low * piece.half) @ piece.frame
    cloud = cloud[piece.contains(cloud, 1e-9)]
    return float(np.linalg.norm(cloud - point, axis=1).min())


def test_clearances_against_clouds_of_points():
    scene = furnished()
    found = {one.wire: one for one in wire_clearances(scene)}
    long = found["long"]
    row = int(np.argmin(long.gaps))
    name, kind, gap = long.at_place(row)
    assert (name, kind) == ("beam", "timber")
    place = scene.wire("long").position(float(long.distances[row]))
    # The cloud is some millimetres wide.
    assert gap == pytest.approx(brute_gap(scene, "beam", place) - 1e-3, abs=4e-3)
    assert gap < 0.1
    radial = found["radial 1"]
    name, kind, gap = radial.at(2.0 * np.hypot(3.1, 0.6) / 3.1)
    assert (name, kind) == ("lamp cable", "cable")
    cable = next(wire for wire in scene.wires if wire.piece == "lamp cable")
    assert gap == pytest.approx(0.06 - 1e-3 - cable.radius, abs=2e-3)
    name, kind, gap = radial.at(radial.distances[-1])
    assert (name, kind) == ("ceiling", "sheet")
    # The corner of the triangle is nearer than its plane's foot is to the outline.
    place = scene.wire("radial 1").vertices[-1]
    assert gap == pytest.approx(brute_gap(scene, "ceiling", place) - 1e-3, abs=0.02)
    assert gap > 0.1 - 0.00625 - 1e-3
    # A cable is not near itself.
    assert found["lamp cable"].at(1.0)[0] != "lamp cable"


def test_pieces_that_a_wire_is_joined_to_do_not_count():
    scene = furnished()
    cable = next(piece for piece in scene.house if piece.name == "lamp cable")
    house = [p for p in scene.house if p.name != "lamp cable"]
    bonded = replace(cable, bonded=["radial 1"])
    joined = Scene(list(scene.own_wires), feed=scene.feed, earth=AVERAGE, house=[*house, bonded])
    clear = next(one for one in wire_clearances(joined) if one.wire == "radial 1")
    assert all(clear.things[n][0] != "lamp cable" for n in clear.nearest)


def test_nothing_near():
    wire = Wire([(0, 0, 0), (0, 0, 10)], radius=1e-3, name="dipole")
    clear = wire_clearances(Scene(wire, feed=Feed("dipole", at=5.0)))[0]
    assert clear.at(3.0) == ("", "", np.inf)
    assert np.all(clear.nearest == -1)
    with pytest.raises(GeometryError, match="runs from 0 to 10 m"):
        clear.at(10.5)
    with pytest.raises(GeometryError, match="spacing is 0"):
        wire_clearances(Scene(wire, feed=Feed("dipole", at=5.0)), spacing=0.0)


def test_limits():
    limits = VoltageLimits()
    assert (limits.peak, limits.distance) == (1000.0, 0.050)
    passed = limits.are_passed(np.array([999.0, 1001.0, 1001.0]), np.array([0.0, 0.049, 0.051]))
    assert passed.tolist() == [False, True, False]
    steep = VoltageLimits(field=1e5)
    # 90 V over a gap of nothing, which counts as 1 mm, is 9e4 V/m.
    assert steep.are_passed(np.array([90.0, 110.0, 9e4]), np.array([0.0, 0.0, 1.0])).tolist() == [
        False, True, False,
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("bad", "said"),
    [({"peak": 0.0}, "peak is 0.0 V"), ({"distance": np.nan}, "distance is nan m"),
     ({"distance": np.inf}, "finite"), ({"peak": "1 kV"}, "'1 kV'"), ({"peak": True}, "True"),
     ({"field": -1.0}, "or inf to leave it out")],
)  # fmt: skip
def test_limits_that_are_none(bad: dict, said: str):
    with pytest.raises(SolverError, match=said):
        VoltageLimits(**bad)


def test_readings_tell_what_is_too_near():
    scene = furnished()
    clearances = wire_clearances(scene)
    solution = solve(
        Scene(list(scene.own_wires), feed=scene.feed, earth=AVERAGE), 14.2e6, tolerance=None
    )
    clearances = [one for one in clearances if one.wire in ("long", "radial 1")]
    voltages = wire_voltages(solution, power=400.0)
    found = voltage_readings(
        solution, power=400.0, voltages=voltages, clearances=clearances,
        limits=VoltageLimits(peak=200.0, distance=0.08),
    )  # fmt: skip
    assert [(one.wire, one.place) for one in found] == [
        (wire, place) for wire in ("long", "radial 1") for place in ("start", "end", "along")
    ]
    by_place = {(one.wire, one.place): one for one in found}
    end = by_place["long", "end"]
    assert end.is_open_end
    assert not by_place["long", "start"].is_open_end
    assert end.rms == pytest.approx(abs(voltages[0].ends["end"]), rel=1e-12)
    assert end.peak == pytest.approx(np.sqrt(2.0) * end.rms, rel=1e-12)
    cable = by_place["radial 1", "along"]
    assert cable.nearest == "lamp cable"
    assert cable.is_flagged == (cable.peak > 200.0)
    assert cable.is_flagged
    strict = voltage_readings(solution, power=400.0, voltages=voltages, clearances=clearances,
                              limits=VoltageLimits(peak=1e5))  # fmt: skip
    assert not any(one.is_flagged for one in strict)
    assert "mm from a cable (lamp cable), too near." in in_words(cable)
    assert worst_first(found)[0].is_flagged
    assert in_words(replace(end, nearest="", nearest_kind="", gap=np.inf)).endswith("near it.")
    with pytest.raises(SolverError, match="no clearance of wire 'long'"):
        voltage_readings(solution, voltages=voltages, clearances=clearances[1:])


def test_voltages_of_nothing(bent):
    with pytest.raises(SolverError, match="no wire named 'bend'; there are bent"):
        wire_voltages(bent, wires=["bend"])
    with pytest.raises(SolverError, match="wires is empty"):
        wire_voltages(bent, wires=[])
    with pytest.raises(SolverError, match="power is -5"):
        wire_voltages(bent, power=-5.0)
    several = solve(bent.scene, [14.0e6, 14.2e6], tolerance=None)
    with pytest.raises(SolverError, match=r"one frequency .* has 2"):
        wire_voltages(several)


# --- touched conductors ----------------------------------------------------------------------


def handbook_capacitance(length: float, radius: float, height: float) -> float:
    """Of a horizontal wire over perfect ground, by its mean potential when evenly charged. [F]

    Computed from formula (Howe's mean potential, from memory): good to a per cent.
    """
    apart = 2.0 * height
    own = np.log(2.0 * length / radius) - 1.0
    image = np.arcsinh(length / apart) - np.hypot(1.0, apart / length) + apart / length
    return float(2.0 * np.pi * epsilon_0 * length / (own - image))


MAST = Wire([(0, 0, 0), (0, 0, 5.0)], radius=5e-3, name="mast")


@pytest.fixture(scope="module")
def floating():
    """A short horizontal wire beside a low mast over perfect ground, at 100 kHz."""
    wire = Wire([(20.0, -2.0, 1.0), (20.0, 2.0, 1.0)], radius=1e-3, name="float",
                named_points={"tip": "end"})  # fmt: skip
    scene = Scene([MAST, wire], feed=Feed("mast", at=0.0), earth=Earth.perfect())
    return solve(scene, 0.1e6, tolerance=1e-3)


def test_a_floating_wire_in_an_even_field(floating):
    """V = E h and C from the handbook, at its end and at an odd place in the middle."""
    found = touched_conductors(
        floating, {"tip": ("float", 4.0), "third": ("float", 1.3)}, power=2.0
    )
    alone = solve(Scene(MAST, feed=Feed("mast", at=0.0), earth=Earth.perfect()), 0.1e6,
                  tolerance=1e-3)  # fmt: skip
    heights, weight = panels(np.array([0.0, 1.0]), 4)
    across = np.linspace(-2.0, 2.0, 9)
    points = np.array([[(20.0, y, z) for z in heights] for y in across])
    field = alone.electric_field(points, power=2.0)[..., 2] @ weight
    for one in found:
        # The formula is good to a per cent; the field bends over the wire by as much.
        assert one.capacitance == pytest.approx(handbook_capacitance(4.0, 1e-3, 1.0), rel=0.01)
        assert abs(one.open_voltage + field.mean()) < 0.01 * abs(field.mean())
        assert abs(one.voltage_down + field.mean()) < 0.01 * abs(field.mean())
    assert found[0].open_voltage == pytest.approx(found[1].open_voltage, rel=1e-3)
    assert found[0].short_circuit_current == found[0].open_voltage / found[0].impedance


def test_a_person_beside_it(floating):
    one = touched_conductors(floating, "tip", power=2.0)[0]
    assert one.impedance.real < 0.0  # charges without what leads to them
    through = one.touch()
    body = 500.0 - 1j / (2.0 * np.pi * 0.1e6 * 200e-12)
    expected = abs(one.open_voltage / (1j * one.impedance.imag + body))
    assert through.current == pytest.approx(expected, rel=1e-9)
    assert through.capacitance == 200e-12
    assert one.touch_down().current == pytest.approx(expected, rel=0.02)
    bare = one.touch(resistance=1500.0)
    assert bare.barefoot_current < through.barefoot_current


def test_open_voltage_is_the_potential_of_the_end(bent):
    """Over real earth with a terminated and an open feed, as `wire_voltages` has it."""
    wires = [
        Wire([(0, 0, 5.0), (4.0, 1.0, 6.0)], radius=1e-3, name="long"),
        Wire([(0, 0, 5.0), (-3.1, 0.6, 5.0)], radius=1e-3, name="radial"),
        Wire([(-1.0, 1.5, 4.0), (2.0, 1.9, 4.2), (2.5, 4.0, 3.0)], radius=2e-3, name="rail",
             named_points={"low": "end"}),
    ]  # fmt: skip
    feeds = [Feed("long", at="start", name="feed"),
             Feed("rail", at=1.0, name="lamp", termination=50.0 - 30.0j),
             Feed("rail", at=4.1, name="switch", termination="open")]  # fmt: skip
    solution = solve(Scene(wires, feeds=feeds, earth=AVERAGE), 7.1e6, tolerance=3e-3)
    one = touched_conductors(solution, power=30.0)[0]
    rail = wire_voltages(solution, power=30.0, wires="rail")[0]
    # Tolerance class discretisation.
    assert abs(one.open_voltage - rail.ends["end"]) < 0.02 * abs(one.open_voltage)
    assert (one.point, one.wire, one.at) == ("low", "rail", pytest.approx(wires[2].length))
    free = touched_conductors(solve(Scene(wires, feed=feeds[0]), 7.1e6, tolerance=None), "low")[0]
    assert np.isnan(free.voltage_down)
    with pytest.raises(LimitsError, match="open-circuit voltage"):
        free.touch_down()


def test_a_load_counts_as_a_terminated_gap():
    wires = [
        Wire([(0, 0, 5.0), (4.0, 1.0, 6.0)], radius=1e-3, name="long"),
        Wire([(0, 0, 5.0), (-3.1, 0.6, 5.0)], radius=1e-3, name="radial"),
        Wire([(-1.0, 1.5, 4.0), (2.0, 1.9, 4.2)], radius=2e-3, name="rail",
             named_points={"low": "end"}),
    ]  # fmt: skip
    feed, ohms = Feed("long", at="start", name="feed"), 50.0 - 300.0j
    gap = Feed("rail", at=1.0, name="lamp", termination=ohms)
    found = [
        touched_conductors(solve(scene, 7.1e6, tolerance=None), "low")[0]
        for scene in (
            Scene(wires, feed=feed, loads=[Load("rail", at=1.0, impedance=ohms, name="lamp")]),
            Scene(wires, feeds=[feed, gap]),
            Scene(wires, feed=feed),
        )
    ]
    # Tolerance class rounding.
    assert found[0].impedance == pytest.approx(found[1].impedance, rel=1e-9)
    assert found[0].impedance != pytest.approx(found[2].impedance, rel=1e-2)
    assert found[0].open_voltage == pytest.approx(found[1].open_voltage, rel=1e-9)


def test_a_way_down_against_a_wire_led_down():
    """Into a short, at 3.65 MHz: the lead's own charge and pick-up are all that is left out."""
    place = (20.0, 3.0)
    wire = Wire([(20.0, -3.0, 1.5), (*place, 1.5)], radius=2e-3, name="float",
                named_points={"tip": "end"})  # fmt: skip
    lead = Wire([(*place, 0.0), (*place, 1.5)], radius=0.02, name="lead")
    scene = Scene([MAST, wire], feed=Feed("mast", at=0.0), earth=Earth.perfect())
    one = touched_conductors(solve(scene, 3.65e6, tolerance=5e-3), "tip", power=1.0)[0]
    feeds = [Feed("mast", at=0.0, name="mast"),
             Feed("lead", at=0.0, name="lead", termination=0)]  # fmt: skip
    led = solve(Scene([MAST, wire, lead], feeds=feeds, earth=Earth.perfect()), 3.65e6,
                tolerance=5e-3)  # fmt: skip
    current = abs(led.current("lead", 0.0, power=1.0))
    down = abs(one.voltage_down / one.impedance_down)
    # What the model leaves out is part of the tolerance.
    assert down == pytest.approx(current, rel=0.2)


def test_points_that_cannot_be_touched(floating):
    for points, said in (
        (["top"], "No point is called 'top'; there are: 'tip'"),
        ({"a": ("mask", 0.0)}, "no wire named 'mask'; there are mast, float"),
        ({"a": ("float", 4.5)}, "no point at 4.5 m"),
        ({"a": ("float", np.nan)}, "no point at nan m"),
        ({"a": ("mast", 0.0)}, "contact to the earth"),
        ({}, "no point to touch"),
    ):
        with pytest.raises(SolverError, match=said):
            touched_conductors(floating, points)
    with pytest.raises(SolverError, match="power is 0"):
        touched_conductors(floating, "tip", power=0)


# --- answers ---------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def told() -> Answer:
    scene = furnished()
    house = [piece for piece in scene.house if piece.kind == "cable"]
    plain = Scene(list(scene.own_wires), feed=scene.feed, earth=AVERAGE, house=house)
    return answer(plain, ["14.1-14.3 MHz"], tolerance=None, power=400.0, progress=False,
                  voltage_limits=VoltageLimits(peak=200.0, distance=0.06))  # fmt: skip


def test_an_answer_tells_voltages(told: Answer):
    band = told.bands[0]
    assert all(isinstance(one, WireVoltage) for one in band.wire_voltages)
    assert all(isinstance(one, VoltageReading) for one in band.voltages)
    assert len(band.voltages) == 3 * len(told.wires)
    assert band.voltage_limits == VoltageLimits(peak=200.0, distance=0.06)
    assert band.worst_voltages[0].is_flagged
    text = " ".join(told.to_text().split())
    assert "Too near, above 200 V peak nearer than 60 mm" in text
    assert "mm from a cable (lamp cable), too near." in text
    assert "end insulator" in text
    most = max(band.voltages, key=lambda one: one.peak)
    assert most.label in band_text(band)
    form = answer_form(told)["bands"][0]
    json.dumps(form)
    entry = next(one for one in form["voltages"] if one["wire"] == "long" and one["place"] == "end")
    assert entry["peak_v"] == pytest.approx(np.sqrt(2.0) * entry["rms_v"])
    assert form["voltage_limits"] == {"peak_v": 200.0, "distance_m": 0.06, "field_v_per_m": None}


def test_it_is_kept_and_older_files_are_read(told: Answer, tmp_path: Path):
    path = told.save(tmp_path / "kept.h5")
    assert open_answer(path) == told
    with h5py.File(path, "r+") as file:  # as schema 4 wrote it
        assert file.attrs["schema"] == SCHEMA >= 5
        file.attrs["schema"] = 4
        for key in ("wire_voltages", "voltages", "voltage_limits"):
            del file[f"answer/bands/0/{key}"]
    older = open_answer(path)
    assert older.bands[0].voltages == ()
    assert older.bands[0].voltage_limits is None
    assert "Along the wires" not in older.to_text()
    assert answer_form(older)["bands"][0]["voltage_limits"] is None
    with pytest.raises(SolverError, match="holds no voltages"):
        draw_voltages(older, older.bands[0].name)


def test_pictures(told: Answer):
    name = told.bands[0].name
    for from_side in (False, True):
        ax = draw_voltages(told, name, from_side=from_side)
        assert "V peak at 400 W, ringed:" in ax.get_title(loc="left")
    rings = [line for line in ax.lines if line.get_marker() == "o" and line.get_markersize() == 9]
    flagged = [one for one in told.bands[0].worst_voltages if one.is_flagged]
    assert len(np.asarray(rings[0].get_xdata())) == len(flagged)
    ax = draw_wire_voltages(told.bands[0].wire_voltages)
    assert "[V]" in ax.get_ylabel()
    assert "[m]" in ax.get_xlabel()
    one = told.bands[0].wire_voltages[0]
    assert np.array_equal(one.plot().lines[0].get_ydata(), one.peak)
    assert len(draw_voltage_sheet(told).axes) == 2
    with pytest.raises(SolverError, match="no voltages to draw"):
        draw_wire_voltages([])


def test_limits_of_an_answer_that_are_none(told: Answer):
    with pytest.raises(SolverError, match=r"voltage_limits is 1000\.0"):
        answer(furnished(), ["14.1-14.3 MHz"], voltage_limits=1000.0)  # type: ignore[arg-type]
