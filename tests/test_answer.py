"""The answer: what it says agrees with solves of its own, is kept, compared and printed."""

import importlib
from dataclasses import replace
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest
from scipy.interpolate import CubicSpline
from small_attic import LONG, ROOM

from ridgepole.geometry import AtticFileError, Feed, Scene, Wire, build_mesh
from ridgepole.geometry.plan import AtticPlan
from ridgepole.materials import Conductor, Earth
from ridgepole.solver import (
    Answer,
    Band,
    BandError,
    SolverError,
    StoreError,
    answer,
    compare,
    open_answer,
    read_attic,
    solve,
)
from ridgepole.solver.answer_records import swr_of
from ridgepole.solver.answer_store import SCHEMA
from ridgepole.solver.band_sweep import (
    CHECK_LIMIT,
    chebyshev_nodes,
    natural_frequencies,
    prepare_band,
    stretches_of,
)
from ridgepole.solver.moments.quadrature import lagrange_weights
from ridgepole.solver.system import System

COPPER = Conductor.named("annealed copper")


def lopsided(earth: Earth | None, *, long: float = 8.7) -> Scene:
    """Two bent elements and three unlike radials, one drawn inward, at one point 5 m up."""
    hub = (0.0, 0.0, 5.0)
    wires = [
        Wire([hub, (0.6, 0.2, 7.0), (0.6 + long - 2.2, 1.5, 7.4)], radius=9e-4, name="long",
             conductor=COPPER),
        Wire([hub, (-1.2, 0.9, 6.5), (-1.5, 3.4, 6.2)], radius=6e-4, name="short",
             conductor=COPPER),
        Wire([hub, (3.9, 0.3, 5.1)], radius=7e-4, name="radial 1", conductor=COPPER),
        Wire([(-2.9, -2.6, 5.0), (-2.0, -2.6, 5.0), hub], radius=7e-4, name="radial 2",
             conductor=COPPER),
        Wire([hub, (0.4, -4.4, 4.9)], radius=7e-4, name="radial 3", conductor=COPPER),
    ]  # fmt: skip
    return Scene(wires, feed=Feed(["long", "short"], voltage=0.6 - 1.1j), earth=earth)


ATTIC = (
    ROOM
    + LONG
    + """[[element]]
name = "other"
route = [["1.0 m", "2.2 m", "1.8 m"], ["0.6 m", "4.0 m", "1.6 m"]]
length = "3.2 m"
[counterpoise]
radials = 4
length = "3.4 m"
start_bearing = 30
[earth]
permittivity = 17
conductivity = 0.012
[bands]
wanted = ["20 m", "18.068-18.168 MHz"]
region = 2
[station]
power = 40
reference = 75
"""
)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("attic")


@pytest.fixture(scope="module")
def plan(folder: Path) -> AtticPlan:
    (folder / "own.toml").write_text(ATTIC, encoding="utf-8")
    return read_attic(folder / "own.toml")


@pytest.fixture(scope="module")
def found(plan: AtticPlan) -> Answer:
    return answer(plan, progress=False)


# --- many frequencies from few matrices -------------------------------------------------------


def test_lagrange_weights_reproduce_a_cubic():
    nodes = chebyshev_nodes(3.0, 4.1, 4)
    assert nodes[0] == 3.0
    assert nodes[-1] == 4.1

    def cubic(x: np.ndarray) -> np.ndarray:
        return 2.0 * x**3 - 7.0 * x + (1.5 - 0.5j) * x**2

    for at in np.array([3.0, 3.217, 4.05, 4.1]):
        # Class: rounding.
        assert lagrange_weights(nodes, at) @ cubic(nodes) == pytest.approx(cubic(at), rel=1e-13)


def test_interpolated_matrices_agree_with_solves_of_their_own():
    scene = lopsided(Earth(13, 0.005))
    band = Band("odd", 13.1e6, 14.3e6)
    system = System.from_scene(scene, build_mesh(scene, band.high))
    sweep = prepare_band(system, band)
    assert 0.0 < sweep.interpolation_error < CHECK_LIMIT
    errors = []
    for frequency in (13.1e6, 13.37e6, 13.9e6, 14.22e6, 14.3e6):
        direct = system.solve(frequency).admittance
        errors.append(abs(sweep.ports(frequency).admittance - direct).max() / abs(direct).max())
    # Class: quadrature. The error found in the middle is that of the worst place within a factor.
    assert max(errors) < 10.0 * sweep.interpolation_error + 1e-9


def test_a_wide_range_is_cut_into_stretches_that_meet():
    pieces = stretches_of(Band("wide", 2e6, 30e6))
    assert pieces[0][0] == 2e6
    assert pieces[-1][1] == 30e6
    assert [one[1] for one in pieces[:-1]] == [other[0] for other in pieces[1:]]
    assert len(pieces) > 5


def test_outside_the_band_nothing_is_extrapolated():
    scene = lopsided(None)
    band = Band("odd", 13.1e6, 13.3e6)
    sweep = prepare_band(System.from_scene(scene, build_mesh(scene, 14e6)), band)
    with pytest.raises(SolverError, match="lies outside"):
        sweep.ports(13.4e6)


# --- agreement with solves of their own --------------------------------------------------------


@pytest.mark.parametrize("earth", [None, Earth.perfect(), Earth(13, 0.005)])
def test_impedance_and_watts_agree_with_a_solve(earth: Earth | None):
    scene = lopsided(earth)
    one = answer(scene, [(13.1e6, 13.9e6)], tolerance=None, progress=False)
    band = one.bands[0]
    mesh = build_mesh(scene, 13.9e6)
    at = solve(scene, 13.5e6, mesh=mesh)
    # Class: rounding: the centre is a solve of its own on the same mesh.
    assert band.centre.impedance == pytest.approx(complex(np.asarray(at.impedance)[()]), rel=1e-9)
    assert band.budget.radiated == pytest.approx(at.far_field().radiated, rel=1e-9)
    assert band.efficiency == band.centre.efficiency
    edges = solve(scene, [13.1e6, 13.9e6], mesh=mesh)
    z = np.asarray(edges.impedance)
    # Class: rounding: the edges are nodes of the interpolation.
    assert [band.low_edge.impedance, band.high_edge.impedance] == pytest.approx(list(z), rel=1e-9)
    assert band.low_edge.efficiency == pytest.approx(edges[0].far_field().efficiency, rel=1e-9)
    assert band.lowest.swr == pytest.approx(float(np.min(band.swr)), rel=1e-12)
    assert sum(band.shares) == pytest.approx(1.0, abs=1e-9)  # class: quadrature
    low = at.far_field().share(0.0 if earth is not None else -90.0, 30.0)
    assert band.shares[0] == pytest.approx(low, rel=1e-9)
    assert band.gain_at(25.0, 80.0) == pytest.approx(at.far_field().gain_dbi(25.0, 80.0), abs=1e-9)
    # Power balance: 1e-6 in free space and over perfect ground, 1e-5 over real earth.
    assert band.balance_error < (1e-5 if earth is not None and not earth.is_perfect else 1e-6)


def test_currents_at_the_feed_point_add_up():
    band = answer(lopsided(Earth(13, 0.005)), [(13.1e6, 13.9e6)], power=25.0, progress=False)
    band = band.bands[0]
    names = [one.wire for one in band.node_currents]
    assert names == ["long", "short", "radial 1", "radial 2", "radial 3"]
    assert [one.is_driven for one in band.node_currents] == [True, True, False, False, False]
    driven = sum(one.current for one in band.node_currents if one.is_driven)
    # Class: rounding. What goes into the elements comes out of the radials.
    assert abs(band.hub_sum) < 1e-12 * abs(driven)
    assert abs(driven) == pytest.approx(abs(band.feed_current), rel=1e-9)
    # Phases are against the voltage: the elements' current is V/Z turned by the voltage's phase.
    expected = abs(band.feed_voltage) / band.centre.impedance
    assert driven == pytest.approx(expected, rel=1e-9)
    assert (band.feed_voltage * band.feed_current.conjugate()).real == pytest.approx(25.0, rel=1e-9)


def test_resistances_are_referred_to_the_feed_current():
    band = answer(lopsided(Earth(13, 0.005)), [(13.1e6, 13.9e6)], progress=False).bands[0]
    assert band.radiation_resistance + band.loss_resistance == pytest.approx(
        band.centre.impedance.real, rel=1e-9
    )
    assert band.radiation_resistance / band.centre.impedance.real == pytest.approx(
        band.efficiency, rel=1e-9
    )
    assert 0.1 < band.efficiency < 0.95


def test_current_along_a_wire_ends_at_zero_and_starts_at_the_hub():
    scene = lopsided(Earth(13, 0.005))
    band = answer(scene, [(13.1e6, 13.9e6)], power=1.0, tolerance=None, progress=False).bands[0]
    along = {one.wire: one for one in band.wire_currents}
    assert set(along) == {wire.name for wire in scene.wires}
    long = along["long"]
    assert np.all(np.diff(long.distances) >= 0)
    assert long.distances[-1] == pytest.approx(scene.wire("long").length, rel=1e-12)
    assert abs(long.current[-1]) < 1e-12
    assert abs(long.current[0]) == pytest.approx(abs(band.node_currents[0].current), rel=1e-9)
    at = solve(scene, 13.5e6, mesh=build_mesh(scene, 13.9e6))
    places = long.distances[[3, 7, 12]]
    # Class: rounding.
    assert long.current[[3, 7, 12]] == pytest.approx(at.current("long", places), rel=1e-9)


# --- bandwidth ----------------------------------------------------------------------------------


def dipole(half: float = 5.15) -> Scene:
    wire = Wire([(0, 0, -half), (0, 0, half)], radius=1e-3, name="rod")
    return Scene(wire, feed=Feed("rod", at=half))


def test_bandwidth_is_where_solves_cross_two():
    band = answer(dipole(), [(12.5e6, 15.5e6)], reference=72.0, progress=False).bands[0]
    assert band.bandwidth is not None
    swr = band.swr
    least = int(np.argmin(swr))
    inside = np.flatnonzero(swr <= 2.0 + 1e-6)
    assert np.array_equal(inside, np.arange(inside[0], inside[-1] + 1))
    assert inside[0] < least < inside[-1]
    scene = dipole()
    mesh = build_mesh(scene, 15.5e6)
    edges = band.frequencies[[inside[0], inside[-1]]]
    z = np.asarray(solve(scene, edges, mesh=mesh).impedance)
    # Class: discretisation: the answer's mesh is the finer one.
    assert swr_of(z, 72.0) == pytest.approx([2.0, 2.0], rel=0.02)
    assert band.bandwidth == pytest.approx(float(np.diff(edges)[0]), rel=1e-3)
    assert band.lowest.swr < 1.1


def test_bandwidth_not_reached_and_whole_band():
    # Half a wave long at 14 MHz: hopeless on 7 MHz, and matched all over a small part of 20 m.
    both = answer(dipole(), ["40 m", (13.9e6, 14.0e6)], reference=72.0, progress=False)
    assert both.band("40 m").bandwidth is None
    assert "not reached" in str(both.band("40 m"))
    assert both.bands[1].is_whole_band
    assert both.bands[1].bandwidth == pytest.approx(0.1e6, rel=1e-9)
    assert "whole band" in str(both)


def test_a_narrow_dip_between_points_is_found():
    # A short closed loop tuned by a capacitor: a series resonance a few kilohertz wide.
    side = 1.2
    loop = Wire.loop(
        [(0, 0, 0), (side, 0, 0), (side, 0, side), (0, 0, side)], radius=5e-3, name="loop"
    )
    capacitance = solve(Scene(loop, feed=Feed("loop", at=0.3)), 14.17e6)
    reactance = -complex(np.asarray(capacitance.impedance)[()]).imag
    assert reactance < 0
    scene = Scene(
        loop,
        feeds=[
            Feed("loop", at=0.3),
            Feed("loop", at=2.9, name="tuning", termination=complex(0.05, reactance)),
        ],
    )
    # Five points lie 400 kHz apart, and the reflection coefficient is nearly the same at all of
    # them; the dip of a reference near the loop's resistance is far narrower.
    band = answer(
        scene, [(13.6e6, 15.2e6)], reference=0.3, points_per_band=5, tolerance=None,
        progress=False,
    ).bands[0]  # fmt: skip
    assert band.bandwidth is not None
    assert band.bandwidth < 20e3
    assert band.lowest.swr < 1.5
    mesh = build_mesh(scene, 15.2e6)
    half = 0.5 * band.bandwidth
    z = np.asarray(
        solve(scene, band.lowest.frequency + np.array([-half, half]), mesh=mesh).impedance
    )
    # Class: discretisation of the curve: the dip is nearly, not wholly, symmetrical.
    assert swr_of(z, 0.3) == pytest.approx([2.0, 2.0], rel=0.03)
    # Nearly all is reflected everywhere but at the resonance, where |R/reference| is left.
    far_off = answer(
        scene, [(13.6e6, 15.2e6)], reference=0.02, points_per_band=5, tolerance=None,
        progress=False,
    ).bands[0]  # fmt: skip
    at = complex(np.asarray(solve(scene, band.lowest.frequency, mesh=mesh).impedance)[()])
    assert far_off.lowest.swr == pytest.approx(at.real / 0.02, rel=0.02)


def fork(first: float, second: float, radial: float, conductor: Conductor | None) -> Scene:
    """Two elements of nearly the same length, 5 degrees apart, and four radials."""
    hub = (0.0, 0.0, 0.0)
    away = np.radians(2.5)
    wires = [
        Wire([hub, (size * side * np.sin(away), 0.0, size * np.cos(away))], radius=1e-3, name=name,
             conductor=conductor)
        for name, size, side in (("first", first, 1.0), ("second", second, -1.0))
    ]  # fmt: skip
    for n in range(4):
        turn = 0.3 + 0.5 * np.pi * n
        end = (radial * np.cos(turn), radial * np.sin(turn), 0.0)
        wires.append(Wire([hub, end], radius=1e-3, name=f"radial {n}", conductor=conductor))
    return Scene(wires, feed=Feed(["first", "second"]))


@pytest.mark.parametrize("conductor", [None, COPPER])
@pytest.mark.parametrize(
    ("arms", "band", "centre"),
    [
        ((10.2, 10.0, 5.0), (6e6, 10e6), 8.15e6),
        ((11.674, 11.559, 5.0), (7.0e6, 7.2e6), 7.07e6),
        ((2.877, 2.849, 1.425), (28e6, 29.7e6), 29.51e6),
    ],
)
def test_a_narrow_kink_of_two_nearly_equal_elements_is_not_missed(
    arms: tuple[float, float, float],
    band: tuple[float, float],
    centre: float,
    conductor: Conductor | None,
):
    # Such a pair has a mode in which its currents oppose each other; it hardly radiates, and is
    # some ten kilohertz wide.
    scene = fork(*arms, conductor)
    found = answer(scene, [band], progress=False)
    got = found.bands[0]
    assert found.remarks == scene.doubts()
    middle = 0.5 * sum(band)
    system = System.adapted(
        scene, build_mesh(scene, band[1]), [band[0], middle, band[1]], tolerance=0.02
    )
    # Solves of their own, at steps of 2 kHz about the kink and 20 kHz elsewhere.
    steps = np.union1d(
        np.arange(band[0], band[1] + 1.0, 20e3), np.arange(centre - 60e3, centre + 60e3, 2e3)
    )
    # The lossless pair at 7 MHz is matched for half a kilohertz only: finer where it is.
    steps = np.union1d(steps, got.lowest.frequency + np.arange(-2e3, 2.1e3, 100.0))
    steps = steps[(steps >= band[0]) & (steps <= band[1])]
    mesh = system.mesh
    z = np.asarray(solve(scene, steps, mesh=mesh).impedance)
    swr = swr_of(z, 50.0)
    # Class: discretisation of the curve.
    drawn = CubicSpline(got.frequencies, (got.impedances - 50.0) / (got.impedances + 50.0))(steps)
    assert np.abs(drawn - (z - 50.0) / (z + 50.0)).max() < 3e-3
    least = int(np.argmin(swr))
    # Between two steps the curve may go lower still: a solve at its own place tells.
    own = float(solve(scene, got.lowest.frequency, mesh=mesh).swr(50.0))
    assert got.lowest.swr == pytest.approx(own, rel=0.01)
    assert own <= swr[least] * 1.001
    if swr[least] > 2.05:
        assert got.bandwidth is None
        return
    assert got.bandwidth is not None
    inside = (np.abs(drawn) <= 1.0 / 3.0, swr <= 2.0)
    assert np.mean(inside[0] != inside[1]) < 0.01
    low = high = least
    while low > 0 and swr[low - 1] <= 2.0:
        low -= 1
    while high < swr.size - 1 and swr[high + 1] <= 2.0:
        high += 1
    narrowest = steps[high] - steps[low]
    widest = steps[min(high + 1, steps.size - 1)] - steps[max(low - 1, 0)]
    assert 0.99 * narrowest <= got.bandwidth <= 1.01 * widest


def test_natural_frequencies_agree_with_a_rod_and_its_load():
    # The pole of a loaded dipole: where the impedance at its feed is minus the load.
    scene = dipole()
    band = Band("odd", 13.1e6, 15.2e6)
    sweep = prepare_band(System.from_scene(scene, build_mesh(scene, band.high)), band)
    (found,) = natural_frequencies(sweep, [30.0 + 5.0j])
    low, high = sweep.stretches[0].nodes[[0, -1]]
    near = np.linspace(low, high, 9)
    z = np.asarray(sweep.solution(near).impedance)
    # The impedance times the frequency goes on smoothly into complex frequencies.
    fitted = np.polynomial.Polynomial.fit(near, z * near, 5)
    assert found.imag > 0.0
    # Class: discretisation: one correction from the real axis, far off for so wide a resonance.
    assert abs(fitted(found) / found + 30.0 + 5.0j) < 6.0


def test_a_curve_that_cannot_be_followed_is_told(monkeypatch: pytest.MonkeyPatch):
    # The package's attribute of that name is the function.
    module = importlib.import_module("ridgepole.solver.answer")
    monkeypatch.setattr(module, "MOST_ADDED_POINTS", 3)
    found = answer(fork(10.2, 10.0, 5.0, None), [(6e6, 10e6)], progress=False, name="pair")
    (told,) = [one for one in found.remarks if "turns faster" in one]
    assert told.startswith("6-10 MHz: ")
    assert f"its {len(found.bands[0].frequencies)} points" in told


# --- the file -----------------------------------------------------------------------------------


def test_the_file_says_bands_region_power_and_reference(found: Answer):
    assert [band.name for band in found] == ["20 m", "18.068-18.168 MHz"]
    assert (found.region, found.power, found.reference) == (2, 40.0, 75.0)
    assert found.name == "own"
    assert found.house is not None
    assert found.house.ridge_bearing == 37.0
    assert "reference" not in " ".join(a.what for a in found.assumptions)


def test_bearings_follow_the_ridge(found: Answer):
    band = found.bands[0]
    # x bears 37 degrees: azimuth 0 is bearing 037, azimuth 90 (left of x) is bearing 307.
    assert band.direction(0.0) == 37.0
    assert band.direction(90.0) == 307.0
    assert band.gain_at(20.0, 307.0) == pytest.approx(band.far_field.gain_dbi(20.0, 90.0), abs=1e-9)
    lobe = band.gain_at(band.low_angle_deg, band.direction(band.lobe[1]))
    assert lobe == pytest.approx(band.lobe[0], abs=1e-9)


def test_what_is_given_counts_before_the_file(plan: AtticPlan):
    one = answer(plan, ["40 m"], region=1, power=5, reference=50, progress=False)
    assert (one.region, one.power, one.reference) == (1, 5.0, 50.0)
    assert one.band("40 m").band.high == 7.2e6


def test_earth_that_no_file_can_say_is_answered_without_text(plan: AtticPlan):
    sea = answer(plan.with_earth(Earth.water()), ["20 m"], progress=False)
    assert sea.text == ""
    assert "salt" in sea.earth
    # Over sea water nearly nothing goes into the earth (class: plausibility).
    assert sea.bands[0].budget.earth < 0.1


def test_bands_and_defaults_that_are_not_told_are_assumed(folder: Path):
    from ridgepole.solver.settings import read_settings

    text = ATTIC[: ATTIC.index("[bands]")]
    (folder / "untold.toml").write_text(text, encoding="utf-8")
    settings = read_settings(read_attic(folder / "untold.toml"))
    assert len(settings.bands) == 9
    assert {a.what for a in settings.assumptions} == {"bands", "region", "power", "reference"}


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("region = 2", "region = 5", "region = 5"),
        ("region = 2", "regoin = 2", "regoin"),
        ('"20 m", ', '"21 m", ', "no band '21 m'"),
        ("power = 40", "power = -1", "power = -1"),
        ("reference = 75", 'reference = "75 ohm"', "reference"),
        ('wanted = ["20 m", "18.068-18.168 MHz"]', "wanted = [20]", "wanted"),
    ],
)
def test_a_wrong_value_is_told_with_file_table_and_line(
    folder: Path, old: str, new: str, told: str
):
    assert old in ATTIC
    text = ATTIC.replace(old, new)
    line = 1 + text[: text.index(new)].count("\n")
    (folder / "wrong.toml").write_text(text, encoding="utf-8")
    with pytest.raises(AtticFileError, match=told) as caught:
        read_attic(folder / "wrong.toml")
    assert f"wrong.toml, line {line}: " in str(caught.value)
    assert "[station]" in str(caught.value) or "[bands]" in str(caught.value)


def test_an_unknown_table_is_refused(folder: Path):
    (folder / "table.toml").write_text(ATTIC + "\n[statoin]\npower = 3\n", encoding="utf-8")
    with pytest.raises(AtticFileError, match=r"statoin.*Is 'station' meant"):
        read_attic(folder / "table.toml")


@pytest.mark.parametrize(
    ("options", "told"),
    [
        ({"points_per_band": 3}, "points_per_band"),
        ({"angle_limits": (60.0, 30.0)}, "angle_limits"),
        ({"low_angle": 90.0}, "low_angle"),
        ({"power": 0.0}, "power"),
        ({"reference": -50.0}, "reference"),
        ({"power": True}, "power is True"),
        ({"angle_limits": None}, "angle_limits is None; two elevations"),
        ({"angle_limits": (10.0, "x")}, "angle_limits"),
        ({"low_angle": "x"}, "low_angle is 'x' degrees"),
        ({"low_angle": float("nan")}, "low_angle is nan"),
        ({"tolerance": 0}, "tolerance is 0; it must lie between 0 and 1"),
        ({"tolerance": -1}, "tolerance is -1"),
        ({"tolerance": 5}, "tolerance is 5"),
        ({"tolerance": float("nan")}, "tolerance is nan"),
        ({"tolerance": "x"}, "tolerance is 'x'"),
        ({"tolerance": True}, "tolerance is True"),
    ],
)
def test_settings_out_of_range_are_refused(options: dict, told: str):
    with pytest.raises(SolverError, match=told):
        answer(dipole(), ["20 m"], progress=False, **options)


@pytest.mark.parametrize("plan", [None, "file", 3])
def test_what_is_neither_plan_nor_scene_is_refused(plan: object):
    with pytest.raises(SolverError, match=r"answer takes what read_attic\(path\) gives"):
        answer(plan, ["20 m"], progress=False)  # pyright: ignore[reportArgumentType]


@pytest.mark.parametrize("bands", [14e6, [14e6], [None], [("a", "b")], True])
def test_what_is_no_list_of_bands_is_refused(bands: object):
    with pytest.raises(BandError, match="pair"):
        answer(dipole(), bands, progress=False)  # pyright: ignore[reportArgumentType]


# --- showing ------------------------------------------------------------------------------------


def test_print_answers_the_five_questions_in_order(found: Answer):
    text = str(found)
    questions = (
        "1. Will it load?",
        "2. Where do the watts go?",
        "3. Where does it send them?",
        "4. Is it safe?",
        "5. How sure, and what next?",
    )
    places = [text.index(question) for question in questions]
    assert places == sorted(places)
    for needed in ("SWR (75 ohm)", "efficiency", "radiation R", "below 30", "bearing",
                   "exposure limits", "High voltage", "Mains", "Lightning", "Local codes",
                   "40 W"):  # fmt: skip
        assert needed in text
    assert text.index("ssumed") < places[0]
    assert repr(found) == text


@pytest.mark.parametrize("width", [60, 80, 120])
def test_print_keeps_to_the_width(found: Answer, width: int):
    lines = found.to_text(width=width).split("\n")
    assert max(len(line) for line in lines) <= width
    assert any("18.068-18.168 MHz" in line for line in lines)


def test_html_is_compact_and_whole(found: Answer):
    html = found._repr_html_()
    assert html.count("<tr>") == 2 + len(found)
    assert "20 m" in html
    assert "SWR (75 ohm)" in html


def test_data_frames(found: Answer):
    frame = found.to_dataframe()
    assert len(frame) == 8
    assert frame["swr_75"].min() == pytest.approx(min(band.lowest.swr for band in found))
    assert len(found.bands[0].to_dataframe()) == len(found.bands[0].frequencies)


def test_a_band_that_was_not_answered_is_named(found: Answer):
    with pytest.raises(BandError, match=r"'40 m' was not answered; there are: 20 m"):
        found.band("40 m")
    assert found.band("20m") is found.bands[0]


# --- keeping ------------------------------------------------------------------------------------


def test_saved_and_opened_is_equal(found: Answer, tmp_path: Path):
    path = found.save(tmp_path / "kept.h5")
    again = open_answer(path)
    assert again == found
    assert str(again) == str(found)
    assert again.bands[0].gain_at(11.0, 200.0) == found.bands[0].gain_at(11.0, 200.0)
    assert again != replace(found, name="other")
    changed = replace(found.bands[0], impedances=found.bands[0].impedances * (1 + 1e-15))
    assert changed != found.bands[0]
    assert again.text == ATTIC
    assert list(tmp_path.iterdir()) == [path]


def test_a_scene_without_earth_is_kept_too(tmp_path: Path):
    one = answer(dipole(), [(13.9e6, 14.0e6)], error_estimate=False, progress=False)
    assert np.isnan(one.bands[0].error_estimate)
    again = open_answer(one.save(tmp_path / "scene.h5"))
    assert again == one
    assert again.house is None
    assert again.bands[0].gain_at(0.0, 45.0) == one.bands[0].gain_at(0.0, 45.0)
    assert "azimuth" in str(again)
    assert "rod onward" in str(again)
    assert "in free space" in str(again)


def test_units_and_schema_stand_in_the_file(found: Answer, tmp_path: Path):
    with h5py.File(found.save(tmp_path / "kept.h5")) as file:
        assert file.attrs["schema"] == SCHEMA
        units = {}
        file.visititems(lambda name, item: units.update({name: item.attrs.get("unit")}))
    assert units["answer/bands/0/impedances"] == "ohm"
    assert units["answer/bands/0/frequencies"] == "Hz"
    assert units["answer/wires/vertices"] == "m"


def test_what_is_no_answer_is_refused(found: Answer, tmp_path: Path):
    with pytest.raises(StoreError, match="no such file"):
        open_answer(tmp_path / "nowhere.h5")
    (tmp_path / "text.h5").write_text("not an answer")
    with pytest.raises(StoreError, match="damaged"):
        open_answer(tmp_path / "text.h5")
    whole = found.save(tmp_path / "whole.h5").read_bytes()
    (tmp_path / "cut.h5").write_bytes(whole[: len(whole) // 2])
    with pytest.raises(StoreError, match="damaged"):
        open_answer(tmp_path / "cut.h5")
    with h5py.File(tmp_path / "foreign.h5", "w") as file:
        file["x"] = 1.0
    with pytest.raises(StoreError, match="holds no answer"):
        open_answer(tmp_path / "foreign.h5")
    with h5py.File(tmp_path / "whole.h5", "r+") as file:
        del file["answer/bands/0/impedances"]
    with pytest.raises(StoreError, match="damaged"):
        open_answer(tmp_path / "whole.h5")
    assert issubclass(StoreError, OSError)


def test_every_lost_mark_or_member_is_told_as_damage(found: Answer, tmp_path: Path):
    path = found.save(tmp_path / "whole.h5")
    whole = path.read_bytes()
    names: list[str] = []
    with h5py.File(path) as file:
        file.visit(names.append)
        marks = [(name, mark) for name in names for mark in file[name].attrs if mark != "unit"]
    # One of each kind of place: the rest differ in their numbers only.
    once = {(name.split("/")[-1], mark): (name, mark) for name, mark in marks}
    assert len(once) > 50
    for name, mark in once.values():
        path.write_bytes(whole)
        with h5py.File(path, "r+") as file:
            place = file[name]
            del place.attrs[mark]
            empty = isinstance(place, h5py.Dataset) and place.shape is None
        if empty:
            continue
        with pytest.raises(StoreError, match=r"damaged or no answer"):
            open_answer(path)
    for name, value in (("answer/house", "Tuple"), ("answer/bands", 3), ("answer/power", b"x")):
        path.write_bytes(whole)
        with h5py.File(path, "r+") as file:
            file[name].attrs["kind"] = value
        with pytest.raises(StoreError, match="damaged or no answer"):
            open_answer(path)
    for schema in (np.array([1, 1]), "x"):
        path.write_bytes(whole)
        with h5py.File(path, "r+") as file:
            file.attrs["schema"] = schema
        with pytest.raises(StoreError, match="damaged"):
            open_answer(path)


def test_a_newer_schema_is_refused_with_the_cure(found: Answer, tmp_path: Path):
    path = found.save(tmp_path / "newer.h5")
    with h5py.File(path, "r+") as file:
        file.attrs["schema"] = SCHEMA + 1
    with pytest.raises(StoreError, match=rf"schema {SCHEMA + 1} .* reads up to schema {SCHEMA}"):
        open_answer(path)


def test_a_folder_that_is_not_there_is_told(found: Answer, tmp_path: Path):
    with pytest.raises(StoreError, match="cannot be written"):
        found.save(tmp_path / "missing" / "kept.h5")


# --- comparing ----------------------------------------------------------------------------------


def test_comparison_ranks_by_gain_differences(plan: AtticPlan, found: Answer):
    shorter = answer(plan.pruned(long="-1.4 m"), progress=False)
    held = compare([found, shorter], elevations=(12.0, 50.0), bearings=(20.0, 250.0))
    assert {row.layout for row in held} == {"own (long 8.30 m)", "own (long 6.90 m)"}
    assert held.first == "own (long 8.30 m)"
    for number, name in enumerate(("20 m", "18.068-18.168 MHz")):
        rows = [row for row in held.rows if row.band == name]
        assert [row.rank for row in rows] == [1, 2]
        assert rows[0].mean_difference >= rows[1].mean_difference
        for row in rows:
            which = found if row.layout == held.first else shorter
            for at in row.angles:
                gain = which.bands[number].gain_at(at.elevation_deg, at.direction_deg)
                base = found.bands[number].gain_at(at.elevation_deg, at.direction_deg)
                assert at.gain_dbi == pytest.approx(float(gain), abs=1e-12)
                assert at.difference == pytest.approx(float(gain - base), abs=1e-12)
                assert at.s_units == pytest.approx(at.difference / 6.0)
            assert row.efficiency == which.bands[number].efficiency
            assert row.lowest_swr == which.bands[number].lowest.swr
    means = dict(held.ranking)
    assert means[held.first] == 0.0
    assert held.ranking[0][1] == max(means.values())
    assert len(held.to_dataframe()) == 2 * 2 * 4
    assert "S" in str(held)
    assert "bearing 250" in str(held)


def test_average_over_bearings_is_of_power(found: Answer):
    held = compare([found, found.renamed("twin")], elevations=[33.0])
    ring = np.arange(0.0, 360.0, 1.0)
    mean = np.mean(10.0 ** (found.bands[1].gain_at(33.0, ring) / 10.0))
    row = next(r for r in held.rows if r.band == "18.068-18.168 MHz")
    # Class: quadrature, steps of 5 degrees against steps of 1.
    assert row.angles[0].gain_dbi == pytest.approx(10.0 * np.log10(mean), abs=1e-6)
    assert all(r.mean_difference == 0.0 for r in held.rows)


def test_what_are_no_answers_or_angles_is_refused(found: Answer):
    other = replace(found, name="other")
    with pytest.raises(SolverError, match="number 2 is 3"):
        compare([found, 3])  # pyright: ignore[reportArgumentType]
    with pytest.raises(SolverError, match="number 1 is 5"):
        compare(5)  # pyright: ignore[reportArgumentType]
    wrong: tuple[dict[str, Any], ...] = (
        {"elevations": 20}, {"elevations": "low"}, {"elevations": [None]},
        {"elevations": [float("nan")]}, {"elevations": []}, {"bearings": 20}, {"bearings": ["N"]},
        {"bearings": []}, {"elevations": [[10.0], [20.0, 30.0]]},
    )  # fmt: skip
    for options in wrong:
        with pytest.raises(SolverError, match=f"{next(iter(options))} is .*; a list of"):
            compare([found, other], **options)


def test_bands_that_all_hold_are_compared_and_the_others_told(found: Answer):
    other = replace(found, name="other", bands=found.bands[1:])
    comparison = compare([found, other])
    assert {row.band for row in comparison.rows} == {b.band.name for b in other.bands}
    assert comparison.left_out == (str(found.bands[0].band),)
    assert f"not in every answer: {comparison.left_out[0]}" in " ".join(str(comparison).split())
    assert compare([found, found], names=["a", "b"]).left_out == ()


def test_what_cannot_be_compared_is_refused(found: Answer):
    assert found.house is not None
    other_house = replace(found, house=replace(found.house, ridge_bearing=10.0))
    assert len(found.bands) > 1
    for others, told in (
        ([], "two answers"),
        ([other_house], "not in the same house"),
        ([replace(found, earth="sand")], "same earth"),
        ([replace(found, reference=50.0)], "one reference"),
    ):
        with pytest.raises(SolverError, match=told):
            compare([found, *others])
    with pytest.raises(SolverError, match="same bands"):
        compare([replace(found, bands=found.bands[:1]), replace(found, bands=found.bands[1:])])
    with pytest.raises(SolverError, match="elevations"):
        compare([found, found], elevations=[0.0])
    with pytest.raises(SolverError, match="names"):
        compare([found, found], names=["one", "one"])
