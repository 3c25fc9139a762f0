"""The station: what tuner, line and sky make of an answer, held to circuits written out here."""

import json
import math
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.constants import c as speed_of_light
from small_attic import LONG, RADIALS, ROOM

from ridgepole.geometry import AtticFileError, Feed, Scene, Wire
from ridgepole.geometry.file_tables import AtticFile
from ridgepole.solver import (
    Answer,
    CapacitorRange,
    CoilRange,
    Line,
    LNetwork,
    SolverError,
    StationAnswer,
    StationSetup,
    Transformer,
    WindowMatcher,
    answer,
    compare_tuner_places,
    open_answer,
    read_attic,
    station_answer,
)
from ridgepole.solver.settings import TABLES
from ridgepole.solver.station.station_tables import read_station, tells_station
from ridgepole.solver.views.command import main
from ridgepole.solver.views.json_form import answer_form
from ridgepole.solver.views.station_page import station_form, verdict

ANTENNA = (
    ROOM
    + LONG
    + RADIALS
    + """[earth]
permittivity = 17
conductivity = 0.012
[bands]
wanted = ["3.6-3.8 MHz", "14.0-14.35 MHz"]
"""
)

STATION = """
[line]
type = "RG-58"
length = "17 m"
[tuner]
kind = "L"
at = "feed point"
coil = ["0 uH", "20 uH"]
coil_step = "0.08 uH"
coil_q = 130
capacitor = ["0 pF", "2.4 nF"]
capacitor_step = "10 pF"
capacitor_q = 900
[station]
transmitter_power = 80
noise = "rural"
receiver_noise = 12
virtual_height = "270 km"
"""

COIL_Q, CAPACITOR_Q, POWER, LENGTH = 130.0, 900.0, 80.0, 17.0


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("station")


@pytest.fixture(scope="module")
def told(folder: Path) -> Answer:
    """An answer of a file that tells of a station, with a small mesh: nothing here needs better."""
    (folder / "own.toml").write_text(ANTENNA + STATION, encoding="utf-8")
    plan = read_attic(folder / "own.toml")
    return answer(
        plan, points_per_band=6, error_estimate=False, tolerance=None, progress=False, power=25.0
    )


@pytest.fixture(scope="module")
def station(told: Answer) -> StationAnswer:
    found = told.station
    assert found is not None
    return found


def setup_of(text: str) -> StationSetup:
    return read_station(AtticFile.from_text(text, name="s.toml", other_tables=TABLES))


# --- circuits of our own ------------------------------------------------------------------------


def rg58(frequency: float, length: float) -> np.ndarray:
    """Chain matrix of the catalogue's line: k1 sqrt(f) + k2 f, the second term the insulation's."""
    kind = Line.named("RG-58", length=1.0).kind
    beta = 2.0 * np.pi * frequency / (kind.velocity_factor * speed_of_light)
    nepers = math.log(10.0) / 20.0 / 100.0
    insulation = nepers * kind.k2 * frequency / 1e6
    gamma = nepers * kind.k1 * math.sqrt(frequency / 1e6) + insulation + 1j * beta
    # Across it lie j beta/Z and the insulation's loss, twice its part of alpha over Z.
    z0 = gamma / ((1j * beta + 2.0 * insulation) / kind.impedance)
    gl = gamma * length
    return np.array([[np.cosh(gl), z0 * np.sinh(gl)], [np.sinh(gl) / z0, np.cosh(gl)]])


def parts_of(settings: str, frequency: float) -> tuple[complex, complex, bool, bool]:
    """Impedances in series and across; whether across the load; whether the coil is in series."""
    match = re.fullmatch(r"series (L|C), shunt (L|C) at (load|input), (\S+) uH, (\S+) pF", settings)
    assert match is not None, settings
    omega = 2.0 * np.pi * frequency
    reactance = omega * float(match[4]) * 1e-6
    coil = reactance / COIL_Q + 1j * reactance
    reactance = 1.0 / (omega * float(match[5]) * 1e-12)
    capacitor = reactance / CAPACITOR_Q - 1j * reactance
    first = match[1] == "L"
    series, shunt = (coil, capacitor) if first else (capacitor, coil)
    return series, shunt, match[3] == "load", first


def tuner_matrix(settings: str, frequency: float) -> np.ndarray:
    """Chain matrix of an L from what is printed of it."""
    series, shunt, at_load, _ = parts_of(settings, frequency)
    along = np.array([[1.0, series], [0.0, 1.0]])
    across = np.array([[1.0, 0.0], [1.0 / shunt, 1.0]])
    return along @ across if at_load else across @ along


def through(matrix: np.ndarray, load: complex) -> tuple[complex, float]:
    """Impedance at the input, and the part of the input power that reaches the load."""
    v, i = matrix @ np.array([load, 1.0])
    return v / i, load.real / (v * np.conj(i)).real


def swr(impedance: complex, reference: float = 50.0) -> float:
    gamma = abs((impedance - reference) / (impedance + reference))
    return (1.0 + gamma) / (1.0 - gamma)


# --- values put back ----------------------------------------------------------------------------


def test_settings_put_back_through_the_chain_give_what_is_told(
    told: Answer, station: StationAnswer
):
    seen = 0
    for band, ours in zip(told, station, strict=True):
        for point, here in zip((band.low_edge, band.centre, band.high_edge), ours.points,
                               strict=True):  # fmt: skip
            f = here.frequency
            assert f == point.frequency
            tuner = tuner_matrix(here.settings, f)
            at_tuner, kept = through(tuner, point.impedance)
            shown, through_line = through(rg58(f, LENGTH), at_tuner)
            # Class: rounding; steps of 0.08 uH and 10 pF are whole in four printed digits.
            assert here.swr == pytest.approx(swr(shown), rel=1e-9)
            assert here.copes == (swr(at_tuner) <= 1.5)
            assert here.tuner_loss == pytest.approx(-10.0 * math.log10(kept), rel=1e-9)
            into = POWER * (1.0 - abs((shown - 50.0) / (shown + 50.0)) ** 2)
            assert here.delivered == pytest.approx(into * through_line * kept, rel=1e-9)
            assert here.tuner_watts == pytest.approx(into * through_line * (1 - kept), rel=1e-9)
            assert here.sky == pytest.approx(here.delivered * point.efficiency, rel=1e-12)
            seen += 1
    assert seen == 6
    assert station.band("14-14.35 MHz").centre.copes


def test_the_ladder_adds_up_and_names_every_watt(told: Answer, station: StationAnswer):
    for band, ours in zip(told, station, strict=True):
        assert ours.ladder is not None
        watts = {entry.name: entry.watts for entry in ours.ladder.entries}
        # Class: rounding.
        assert sum(watts.values()) == pytest.approx(POWER, rel=1e-12)
        assert ours.ladder.power == POWER
        assert list(watts)[:4] == ["mismatch at the radio", "line", "tuner", "sky"]
        assert watts["tuner"] == pytest.approx(ours.centre.tuner_watts, rel=1e-12)
        for name, part in (("sky", band.budget.radiated), ("earth", band.budget.earth),
                           ("wire", band.budget.conductors)):  # fmt: skip
            assert watts[name] == pytest.approx(ours.centre.delivered * float(part), rel=1e-9)
        assert abs(watts["unaccounted"]) < 2e-2 * POWER
        # dB of the stages against the watts before and after.
        left = POWER
        for entry in ours.ladder.entries[:3]:
            assert entry.loss_db == pytest.approx(10.0 * math.log10(left / (left - entry.watts)))
            left -= entry.watts


def test_both_places_of_the_tuner(told: Answer, station: StationAnswer):
    setup = station.setup
    for band, ours in zip(told, station, strict=True):
        points = (band.low_edge, band.centre, band.high_edge)
        assert setup.line is not None
        assert isinstance(setup.tuner, LNetwork)
        places = compare_tuner_places(
            setup.line, setup.tuner, [p.impedance for p in points], [p.frequency for p in points],
            power=POWER,
        )  # fmt: skip
        part = np.array([p.efficiency for p in points])
        # Class: rounding.
        np.testing.assert_allclose(
            ours.sky_at_feed_point, places.at_feed_point.delivered * part, rtol=1e-12
        )
        np.testing.assert_allclose(ours.sky_in_shack, places.in_shack.delivered * part, rtol=1e-12)
        assert ours.sky_at_feed_point[1] == ours.centre.sky
    other = station_answer(told, setup=replace(setup, tuner_at="shack"))
    for here, there in zip(station, other, strict=True):
        assert there.sky_in_shack == here.sky_in_shack
        assert there.sky_at_feed_point == here.sky_at_feed_point
        assert there.centre.sky == here.sky_in_shack[1]
        assert here.sky_in_shack[1] < here.sky_at_feed_point[1]


def test_the_most_on_the_line_is_the_most_of_samples_along_it(told: Answer, station: StationAnswer):
    line = station.setup.line
    assert line is not None
    shack = station_answer(told, setup=replace(station.setup, tuner_at="shack"))
    for band, ours in zip(told, shack, strict=True):
        at = np.concatenate([[p.frequency for p in band.points[:3]], band.frequencies])
        load = np.concatenate([[p.impedance for p in band.points[:3]], band.impedances])
        # What goes into the line: less what the tuner in front of it keeps, and the mismatch.
        most = 0.0
        for f, z in zip(at, load, strict=True):
            shown = complex(line.input_impedance(f, z))
            tuner = station.setup.tuner
            assert isinstance(tuner, LNetwork)
            match = tuner.match(shown, f, power=POWER)
            gamma = abs((match.input_impedance - 50.0) / (match.input_impedance + 50.0))
            into = float(POWER * (1 - gamma**2) * (1.0 - match.loss))
            volts, _ = line.along(f, z, from_load=np.linspace(0.0, LENGTH, 700), power=into)
            most = max(most, math.sqrt(2.0) * float(np.abs(volts).max()))
        assert ours.line_stress is not None
        # Class: discretisation, samples every 24 mm.
        assert ours.line_stress.peak_voltage == pytest.approx(most, rel=1e-4)


def test_part_stresses_are_the_most_where_it_copes(told: Answer, station: StationAnswer):
    ours, band = station.bands[1], told.bands[1]
    assert ours.copes
    tuner = station.setup.tuner
    assert isinstance(tuner, LNetwork)
    f = np.concatenate([[p.frequency for p in ours.points], band.frequencies])
    z = np.concatenate([[p.impedance for p in band.points if p.label != "lowest SWR"],
                        band.impedances])  # fmt: skip
    most = {"coil": np.zeros(2), "capacitor": np.zeros(2)}
    for here, load in zip(f, z, strict=True):
        settings = tuner.match(load, here).settings()
        series, shunt, at_load, coil_first = parts_of(settings, here)
        matrix = tuner_matrix(settings, here)
        at_tuner, _ = through(matrix, load)
        shown, through_line = through(rg58(here, LENGTH), at_tuner)
        into = POWER * (1.0 - abs((shown - 50.0) / (shown + 50.0)) ** 2) * through_line
        amps_in = math.sqrt(into / at_tuner.real)
        amps_out = amps_in / abs((matrix @ np.array([load, 1.0]))[1])
        along = amps_in if at_load else amps_out
        across = amps_out * abs(load) if at_load else amps_in * abs(at_tuner)
        stress = [np.array([along * abs(series), along]), np.array([across, across / abs(shunt)])]
        for name, values in zip(("coil", "capacitor") if coil_first else ("capacitor", "coil"),
                                stress, strict=True):  # fmt: skip
            most[name] = np.maximum(most[name], values)
    for one in ours.stresses:
        volts, amps = most.pop(one.part)
        # Class: rounding.
        assert one.peak_voltage == pytest.approx(math.sqrt(2.0) * volts, rel=1e-9)
        assert one.current == pytest.approx(amps, rel=1e-9)
    assert not most


# --- where it does not cope ---------------------------------------------------------------------


def test_a_band_that_no_setting_matches_is_told(told: Answer):
    tuner = LNetwork(CoilRange(0, "1.2 uH", q=130), CapacitorRange(0, "300 pF", q=900))
    found = station_answer(told, setup=StationSetup(tuner=tuner))
    low = found.bands[0]
    assert not low.copes
    assert verdict(low) == "no"
    assert low.not_coped == ((3.6e6, 3.8e6),)
    assert low.stresses == ()
    assert math.isnan(low.most("current"))
    # Every setting on a grid finer than a quarter of the window of a match.
    z = told.bands[0].centre.impedance
    omega = 2.0 * np.pi * told.bands[0].centre.frequency
    coil = np.linspace(1e-9, 1.2e-6, 300)[:, None] * omega
    condenser = 1.0 / (np.linspace(1e-13, 300e-12, 300)[None, :] * omega)
    xl, xc = coil * (1.0 / 130 + 1j), condenser * (1.0 / 900 - 1j)
    least = min(
        float(np.min(swr_array(shown)))
        for shown in (
            xl + 1.0 / (1.0 / xc + 1.0 / z),
            1.0 / (1.0 / xc + 1.0 / (xl + z)),
            xc + 1.0 / (1.0 / xl + 1.0 / z),
            1.0 / (1.0 / xl + 1.0 / (xc + z)),
        )
    )
    assert least > 1.5
    # Class: discretisation of that grid.
    assert low.centre.swr == pytest.approx(least, rel=0.02)


def swr_array(impedance: np.ndarray) -> np.ndarray:
    gamma = np.abs((impedance - 50.0) / (impedance + 50.0))
    return (1.0 + gamma) / (1.0 - gamma)


def test_a_window_that_ends_within_a_band(told: Answer):
    band = told.bands[1]
    order = np.argsort(band.frequencies)
    f, reactance = band.frequencies[order], band.impedances.imag[order]
    assert np.all(np.diff(reactance) > 0)
    inside = 0.5 * (reactance[2] + reactance[3])
    box = WindowMatcher("box", reactance=(inside, 1e4), power=100, loss_db=0.7, peak_voltage=9e3)
    found = station_answer(told, setup=StationSetup(tuner=box), power=60.0)
    ours = found.bands[1]
    tried = ours.frequencies[~ours.copes_at]
    assert ours.not_coped == ((f[0], tried.max()),)
    assert f[2] <= tried.max() < f[3]
    assert verdict(ours).startswith("not at 14.000 to ")
    assert ours.points[0].settings.startswith("cannot: reactance")
    assert math.isnan(ours.points[0].sky)
    high = ours.points[2]
    # Class: rounding; the data sheet has it matched, less its loss.
    assert high.delivered == pytest.approx(60.0 * 10.0**-0.07, rel=1e-9)
    assert high.swr == pytest.approx(1.0, abs=1e-9)
    (terminals,) = ours.stresses
    z = band.high_edge.impedance
    volts = abs(z) * math.sqrt(2.0 * high.delivered / z.real)
    assert terminals.peak_voltage >= volts * (1.0 - 1e-9)


def test_a_window_that_holds_nothing_has_no_ladder(told: Answer):
    box = WindowMatcher("box", resistance=(900, 950), power=100, loss_db=0.7)
    found = station_answer(told, setup=StationSetup(tuner=box, line=Line.named("RG-58", length=9)))
    for ours in found:
        assert ours.ladder is None
        assert ours.noise is None
        assert ours.line_stress is None
        assert all(math.isnan(watts) for watts in ours.sky_at_feed_point)
    assert "nan" not in found.to_text()
    assert "nan" not in found._repr_html_()
    json.dumps(station_form(found), allow_nan=False)


def test_without_a_tuner_it_says_so_in_one_line(told: Answer):
    setup = StationSetup(line=Line.named("RG-58", length="11 m"), transformer=Transformer(4.0))
    found = station_answer(told, setup=setup)
    text = found.to_text()
    assert text.count("No [tuner] is told") == 1
    for band, ours in zip(told, found, strict=True):
        assert ours.centre.settings == ""
        shown, _ = through(rg58(ours.centre.frequency, 11.0), band.centre.impedance / 4.0)
        # Class: rounding.
        assert ours.centre.swr == pytest.approx(swr(shown), rel=1e-9)
        assert ours.sky_in_shack == ()
    with pytest.raises(SolverError, match=r"has no tuner"):
        found.plot_map()


# --- noise and distances ------------------------------------------------------------------------


def test_noise_by_its_formula(told: Answer, station: StationAnswer):
    band, ours = told.bands[1], station.bands[1]
    f = ours.centre.frequency / 1e6
    # ITU-R P.372, rural and galactic (from memory), powers added.
    outside = 10 ** (0.1 * (67.2 - 27.7 * math.log10(f))) + 10 ** (0.1 * (52 - 23 * math.log10(f)))
    assert ours.ladder is not None
    rungs = ours.ladder.entries
    mismatch, heat = (10 ** (0.1 * x) for x in
                      (rungs[0].loss_db, rungs[1].loss_db + rungs[2].loss_db))  # fmt: skip
    lossy = 1.0 / band.efficiency
    own = mismatch * (10**1.2 - 1.0)
    inside = (lossy - 1.0) + lossy * (heat - 1.0) + lossy * heat * own
    noise = ours.noise
    assert noise is not None
    assert noise.margin == pytest.approx(10.0 * math.log10(outside / inside), rel=1e-9)
    bare = outside + (heat - 1.0) + heat * own
    cost = 10.0 * math.log10((outside + inside) / bare)
    assert noise.antenna_loss_cost == pytest.approx(cost, rel=1e-9)
    deaf = replace(station.setup, noise="quiet rural", receiver_noise=40.0)
    noise = station_answer(told, setup=deaf).bands[1].noise
    assert noise is not None
    assert not noise.is_noise_limited
    assert "loss and receiver" in station_answer(told, setup=deaf).to_text()


def test_distances_of_the_strongest_angles(told: Answer, station: StationAnswer):
    radius, height = 6371e3, 270e3
    for band, ours in zip(told, station, strict=True):
        reach = ours.reach
        assert reach is not None
        up = np.arange(1.0, 90.0)
        around = np.arange(3.0, 363.0, 12.0)
        mean = (10.0 ** (0.1 * band.far_field.gain_dbi(up[:, None], around[None, :]))).mean(axis=1)
        strong = up[mean >= 0.5 * mean.max()]
        assert reach.strong[0].low_deg == pytest.approx(strong[0], abs=2.0)
        for one in reach.strong:
            assert one.near < one.far
            for elevation, distance in ((one.low_deg, one.far), (one.high_deg, one.near)):
                # One hop: the triangle of the earth's middle, the station and the layer.
                a = math.radians(elevation)
                incidence = math.asin(radius * math.cos(a) / (radius + height))
                assert distance == pytest.approx(
                    2.0 * radius * (math.pi / 2.0 - a - incidence), abs=1.0
                )
        far = band.far_field
        for zone, share in zip(reach.zones, reach.shares, strict=True):
            assert share == pytest.approx(far.share(zone.low_deg, zone.high_deg), rel=1e-12)
        assert reach.near_vertical == pytest.approx(far.share(70.0, 90.0), rel=1e-12)
        assert reach.zones[0].from_distance == 0.0


def test_free_space_has_no_distances_and_a_scene_no_file():
    wire = Wire([(0, 0, 0), (0.4, 0, 9.0)], radius=1e-3, name="w")
    scene = Scene([wire], feed=Feed("w", at=4.1))
    found = answer(scene, ["14.0-14.2 MHz"], progress=False, error_estimate=False, tolerance=None)
    assert found.station is None
    with pytest.raises(SolverError, match="holds no attic file"):
        station_answer(found)
    ours = station_answer(found, setup=StationSetup(line=Line.named("RG-213", length="20 m")))
    assert ours.bands[0].reach is None
    assert "no distances" in ours.to_text()
    with pytest.raises(SolverError, match="is no answer"):
        station_answer(scene)  # pyright: ignore[reportArgumentType]


# --- what is told and what is assumed -----------------------------------------------------------


def test_tables_say_what_the_parts_are():
    found = setup_of(STATION)
    assert found == StationSetup(
        line=Line.named("RG-58", length=17.0),
        tuner=LNetwork(
            CoilRange("0 uH", "20 uH", step="0.08 uH", q=130),
            CapacitorRange("0 pF", "2.4 nF", step="10 pF", q=900),
        ),
        transmitter_power=80.0,
        noise="rural",
        receiver_noise=12.0,
        virtual_height=270e3,
    )
    assert found.assumptions == ()


@pytest.mark.parametrize(
    ("text", "kind", "words"),
    [
        ('[tuner]\nkind = "pi"\ncoil = [0, "9 uH"]\ncapacitor = ["9 pF", "1 nF"]', "PiNetwork",
         ("Q of the tuner's coil: 150", "Q of the tuner's capacitor: 1000")),
        ('[tuner]\nkind = "T"\ncoil = [0, "9 uH"]\ninput_capacitor = ["9 pF", "1 nF"]\n'
         'load_capacitor = ["9 pF", "2 nF"]\nload_capacitor_q = 400', "TNetwork",
         ("Q of the tuner's input capacitor: 1000",)),
        ('[line]\ntype = "RG-58"\nlength = 9\n[tuner]\nkind = "window"\nswr = 10\npower = 200\n'
         "loss_db = 0.5", "WindowMatcher", ("tuner: at the feed point",)),
    ],
)  # fmt: skip
def test_what_is_not_told_is_assumed_aloud(text: str, kind: str, words: tuple[str, ...]):
    found = setup_of(text)
    assert type(found.tuner).__name__ == kind
    told_of = "\n".join(map(str, found.assumptions))
    for word in (*words, "residential area", "noise figure 10 dB", "300 km"):
        assert word in told_of
    weights = [one.weight for one in found.assumptions]
    assert weights == sorted(weights, reverse=True)


def test_lines_of_ones_own():
    by_points = setup_of(
        '[line]\nimpedance = 75\nvelocity_factor = 0.8\nlength = "40 ft"\n'
        "attenuation = [[3.5, 2.0], [28, 6.5]]"
    ).line
    assert by_points is not None
    assert by_points.length == pytest.approx(12.192)
    # Class: rounding; dB per 100 m at the two points that were told.
    for f, level in ((3.5e6, 2.0), (28e6, 6.5)):
        assert by_points.matched_loss_db(f) == pytest.approx(level * 0.12192, rel=1e-12)
    by_constants = setup_of(
        "[line]\nimpedance = 75\nvelocity_factor = 0.8\nlength = 10\nloss = [1.1, 0.03]"
    ).line
    assert by_constants is not None
    assert by_constants.matched_loss_db(9e6) == pytest.approx(0.1 * (1.1 * 3.0 + 0.03 * 9.0))
    setup = setup_of('[line]\nlength = 20\nopen_wire = {spacing = "80 mm", wire = "2 mm copper"}')
    assert setup.line is not None
    # 376.73/pi acosh(80/2) ohm: computed from formula, CODATA's impedance of free space.
    assert setup.line.kind.impedance == pytest.approx(525.5, abs=0.2)
    assert any("velocity factor 1" in str(one) for one in setup.assumptions)


OWN = "[line]\nimpedance = 50\nlength = 3\nvelocity_factor = 0.66"
BAD = [
    ('[line]\nlength = "17 m"', 1, "give one of type"),
    ('[line]\nlength = "17 m"\ntype = "RG-58"\nimpedance = 50', 4, "type stands there too"),
    ('[line]\ntype = "RG-59X"\nlength = 3', 2, "RG-59X"),
    ('[line]\ntype = "RG-58"', 1, "length: is missing"),
    ('[line]\ntype = "RG-58"\nlength = "-3 m"', 3, "must be a length"),
    ('[line]\ntype = "RG-58"\nlength = 3\nloss = [1, 2]', 4, "stands beside type"),
    ("[line]\nimpedance = 50\nlength = 3", 1, "velocity_factor: is missing"),
    ("[line]\nimpedance = 50\nlength = 3\nvelocity_factor = 66", 4, "0.1 to 1"),
    (OWN, 1, "give the loss"),
    (f"{OWN}\nloss = [1, -2]", 5, "two numbers"),
    (f"{OWN}\nattenuation = [[3, 2], [3, 4]]", 5,
     "take two frequencies"),
    (f"{OWN}\nattenuation = [3, 2]", 5,
     "two points"),
    ('[line]\nlength = 3\nopen_wire = {spacing = "2 mm", wire = "2 mm copper"}', 3, "spacing"),
    ('[line]\nlength = 3\nopen_wire = {spacing = "9 mm", wire = "copper"}', 3, "cannot be read"),
    ('[line]\nlength = 3\nopen_wire = {spacing = "9 mm", wire = "2 mm copper, PVC 0.4 mm"}', 3,
     "slows the wave"),
    ('[line]\nlength = 3\ntype = "RG-58"\ncolour = "black"', 4, "this key is not known"),
    ('[[line]]\nlength = 3\ntype = "RG-58"', 1, "must be one table"),
    ('[tuner]\ncoil = [0, "9 uH"]', 1, "kind: is missing"),
    ('[tuner]\nkind = "Z"', 2, "must be one of 'L', 'pi', 'T', 'window'"),
    ('[tuner]\nkind = "L"\nat = "cellar"', 3, "'feed point', 'shack'"),
    ('[tuner]\nkind = "L"\ncoil = "9 uH"', 3, "its two ends"),
    ('[tuner]\nkind = "L"\ncoil = [0, 9]', 3, "text with a unit"),
    ('[tuner]\nkind = "L"\ncoil = ["9 uH", "2 uH"]', 3, "low end comes first"),
    ('[tuner]\nkind = "L"\ncoil = ["9 pF", "2 uH"]', 3, "9 pF"),
    ('[tuner]\nkind = "L"\ncoil = [0, "2 uH"]\ncoil_step = "5 uH"', 4, "step of a coil"),
    ('[tuner]\nkind = "L"\ncoil = [0, "2 uH"]\ncoil_step = 0.1', 4, "text with a unit"),
    ('[tuner]\nkind = "L"\ncoil = [0, "2 uH"]\ncoil_q = 0', 4, "must be a number, 1 to"),
    ('[tuner]\nkind = "L"\ncoil = [0, "2 uH"]', 1, "capacitor: is missing"),
    ('[tuner]\nkind = "L"\ncoil = [0, "2 uH"]\ncapacitor = [0, "1 nF"]\narrangements = ["x"]', 5,
     "topology 'x' is not known"),
    ('[tuner]\nkind = "pi"\ncoil = [0, "2 uH"]\ncapacitor = [0, "1 nF"]\n'
     'load_capacitor = [0, "1 nF"]', 5, "stands beside capacitor"),
    ('[tuner]\nkind = "window"\npower = 100\nloss_db = 1', 1, "tells no window"),
    ('[tuner]\nkind = "window"\nresistance = [500, 5]\npower = 100\nloss_db = 1', 3,
     "the smaller first"),
    ('[tuner]\nkind = "window"\nswr = 10\nloss_db = 1', 1, "power: is missing"),
    ('[tuner]\nkind = "window"\nswr = 10\npower = 9\nloss_db = 1\ncoil_q = 9', 6, "not known"),
    ('[transformer]\nratio = "4 to 1"', 2, "ratio of impedances"),
    ("[transformer]\nmagnetising_q = 3", 1, "ratio: is missing"),
    ("[transformer]\nratio = 4\nmagnetising_q = 3", 3, "needs magnetising_inductance"),
    ('[transformer]\nratio = 4\nleakage_inductance = "3 pF"', 3, "leakage"),
    ("[station]\nnoise = \"loud\"", 2, "'city', 'residential', 'rural', 'quiet rural'"),
    ("[station]\nreceiver_noise = -3", 2, "0 to 60 dB"),
    ("[station]\nvirtual_height = 300", 2, 'as "300 km"'),
    ('[station]\nvirtual_height = "30 km"', 2, "50 to 1000 km"),
    ("[station]\ntransmitter_power = 0", 2, "0.001 to 10000 W"),
]  # fmt: skip


@pytest.mark.parametrize(("text", "line", "words"), BAD, ids=range(len(BAD)))
def test_bad_tables_are_named_with_their_line(text: str, line: int, words: str):
    with pytest.raises(AtticFileError) as caught:
        setup_of(text)
    message = str(caught.value)
    assert message.startswith(f"s.toml, line {line}: ")
    assert words in message


def test_a_key_of_the_station_that_nobody_knows(folder: Path):
    path = folder / "odd.toml"
    path.write_text(ANTENNA + "[station]\nvirtual_hight = 3\n", encoding="utf-8")
    with pytest.raises(AtticFileError, match=r"line 25: .*Is 'virtual_height' meant\?"):
        read_attic(path)


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({"line": 50}, "line of the station"),
        ({"tuner": "auto"}, "tuner of the station"),
        ({"tuner_at": "roof"}, "must be one of"),
        ({"noise": "galactic"}, "must be one of"),
        ({"swr_limit": 1.0}, "swr_limit"),
        ({"receiver_noise": -1.0}, "receiver_noise"),
        ({"virtual_height": 300.0}, "Give metres"),
        ({"transmitter_power": 0.0}, "transmitter_power"),
    ],
)
def test_a_setup_that_is_none(values: dict[str, Any], words: str):
    with pytest.raises(SolverError, match=words):
        StationSetup(**values)


# --- shown --------------------------------------------------------------------------------------


def test_it_stands_where_it_belongs_in_the_answer(told: Answer, station: StationAnswer):
    text = told.to_text(width=96)
    assert max(map(len, text.splitlines())) <= 100
    heads = [text.index(f"{k}. ") for k in range(1, 6)]
    for words, k in (("it copes where", 0), ("Where the radio's 80 W go", 1),
                     ("One hop by a layer that reflects as from 270 km", 2),
                     ("On receive, in a rural area", 2)):  # fmt: skip
        assert heads[k] < text.index(words) < heads[k + 1], words
    form = answer_form(told)["station"]
    json.dumps(form, allow_nan=False)
    rungs = form["bands"][0]["ladder"]
    assert sum(rung["watts"] for rung in rungs) == pytest.approx(POWER, rel=1e-12)
    assert form["bands"][1]["centre"]["settings"] in text
    plain = replace(told, text=ANTENNA)
    assert plain.station is None
    assert "copes" not in plain.to_text()
    assert answer_form(plain)["station"] is None
    table = station._repr_html_()
    assert table.count("<tr>") == 3
    assert "80 W of the radio" in table


def test_a_table_of_points(station: StationAnswer):
    pytest.importorskip("pandas")
    frame = station.to_dataframe()
    assert list(frame["at"]) == ["low edge", "centre", "high edge"] * 2
    assert frame["sky_w"].iloc[1] == station.bands[0].centre.sky


def test_pictures(station: StationAnswer, folder: Path):
    ax = station.plot()
    widths = np.zeros(2)
    for bars in ax.containers:
        widths += [bar.get_width() for bar in bars]
    # Class: what is under a thousandth of the power is not drawn.
    np.testing.assert_allclose(widths, 100.0, atol=1.0)
    figure = station.plot_map(["14-14.35 MHz"])
    figure.savefig(folder / "map.png", dpi=40)
    first = figure.axes[0]
    dots = [line for line in first.lines if line.get_marker() == "o"]
    loads = station.band("14-14.35 MHz").loads
    assert sum(np.size(line.get_xdata()) for line in dots) == loads.size + 1
    box = WindowMatcher("box", resistance=(20, 600), power=100, loss_db=0.7)
    other = replace(station, setup=replace(station.setup, tuner=box))
    shading = other.plot_map(["14-14.35 MHz"]).axes[0].collections[0].get_array()
    assert shading is not None
    assert set(np.unique(np.ma.filled(shading, np.nan))[:1]) == {0.7}
    assert 0.2 < np.mean(np.ma.getmaskarray(shading)) < 0.8


def test_kept_answers_give_the_same_station(told: Answer, station: StationAnswer, folder: Path):
    path = told.save(folder / "kept.h5")
    again = open_answer(path).station
    assert again == station
    assert tells_station(AtticFile.from_text(told.text, other_tables=TABLES))


def test_the_command_reads_a_kept_answer(
    told: Answer, folder: Path, capsys: pytest.CaptureFixture[str]
):
    path = told.save(folder / "asked.h5")
    assert main(["station", str(path), "--json", "--power", "10", "--to", str(folder / "out")]) == 0
    form = json.loads(capsys.readouterr().out)
    assert form["power_w"] == 10.0
    assert {Path(name).name for name in form["files"]} == {"ladder.png", "tuner.png"}
    for name in form["files"]:
        assert Path(name).read_bytes().startswith(b"\x89PNG")
    (folder / "other.toml").write_text(
        ANTENNA + '[line]\ntype = "RG-213"\nlength = "30 m"\n', encoding="utf-8"
    )
    assert main(["station", str(path), "--tables", str(folder / "other.toml")]) == 0
    said = capsys.readouterr().out
    assert "30 m of RG-213" in said
    assert "nothing is solved again" in said
    assert main(["station", str(path), "--bands", "20 m"]) == 2
    assert "saved answer" in capsys.readouterr().err


def test_keys_tell_of_every_key(capsys: pytest.CaptureFixture[str]):
    assert main(["keys"]) == 0
    said = capsys.readouterr().out
    used = {"line", "tuner", "transformer"} | set(
        re.findall(r'(?:number|take|string|length|choice)\(\s*"(\w+)"', source_of_tables())
    )
    assert len(used) > 20
    for key in used:
        assert re.search(rf"\b{key}\b", said), key
    assert '"RG-58"' in said


def source_of_tables() -> str:
    import inspect

    from ridgepole.solver.station import station_tables

    return inspect.getsource(station_tables)


def test_an_answer_draws_the_ladder(folder: Path, capsys: pytest.CaptureFixture[str]):
    path = folder / "small.toml"
    path.write_text(ANTENNA.replace('"3.6-3.8 MHz", ', "") + STATION, encoding="utf-8")
    assert main(["answer", str(path), "--to", str(folder / "small")]) == 0
    assert "ladder.png" in capsys.readouterr().out
    assert (folder / "small" / "ladder.png").read_bytes().startswith(b"\x89PNG")
    text = (folder / "small" / "answer.txt").read_text(encoding="utf-8")
    assert "Where the radio's 80 W go" in text
