"""Loads: against impedances in wires, closed forms of circuits, and two-port algebra."""

from __future__ import annotations

import itertools
from typing import Any

import numpy as np
import pytest

from ridgepole.geometry import (
    AtticFileError,
    Choke,
    Coax,
    Electrode,
    Feed,
    FeedError,
    GeometryError,
    Load,
    Scene,
    Wire,
    build_mesh,
    read_attic_text,
)
from ridgepole.materials import Capacitor, Coil, Conductor, Earth
from ridgepole.solver import SolverError, answer, choke_effect, compare, read_attic, solve

FREQUENCY = 7.1e6
AVERAGE = Earth(13, 0.005)


class Inductor:
    """Made up: all that a load asks of an impedance."""

    def __init__(self, henries: float, ohms: float = 0.0) -> None:
        self.henries, self.ohms = henries, ohms

    def at(self, frequency):
        return self.ohms + 2j * np.pi * np.asarray(frequency) * self.henries


def coil(henries: float, ohms: float = 0.0) -> Any:
    """An impedance that is none of the library's own."""
    return Inductor(henries, ohms)


def bent(**kwargs):
    """A lopsided bent wire against two unlike ones."""
    wires = [
        Wire([(0, 0, 6), (0.2, 0, 8), (6.1, 0.4, 8.3)], radius=1e-3, name="long"),
        Wire([(0, 0, 6), (-3.7, 1.1, 6)], radius=1e-3, name="radial"),
        Wire([(0, 0, 6), (1.3, -4.4, 6)], radius=1e-3, name="other"),
    ]
    return Scene(wires, feed=Feed("long", at=0.0), earth=AVERAGE, **kwargs)


def test_a_load_is_a_terminated_feed():
    """The same gap told as a feed with a termination (rounding)."""
    ohms = 31.0 + 240.0j
    load = Load("long", at=3.3, impedance=ohms, name="coil")
    loaded = solve(bent(loads=[load]), FREQUENCY, tolerance=None)
    feeds = [Feed("long", at=0.0), Feed("long", at=3.3, name="coil", termination=ohms)]
    scene = Scene(bent().own_wires, feeds=feeds, earth=AVERAGE)
    fed = solve(scene, FREQUENCY, tolerance=None)
    assert loaded.impedance == pytest.approx(fed.impedance, rel=1e-12)
    assert loaded.budget.loads == pytest.approx(fed.budget.loads, rel=1e-12)
    assert loaded.port_impedance.shape == (1, 1)
    assert loaded.port_impedance[0, 0] == pytest.approx(loaded.impedance, rel=1e-12)
    assert fed.port_impedance.shape == (2, 2)


def test_a_load_of_no_ohms_is_not_there():
    """Against a mark there, whose mesh joins its elements (discretisation)."""
    shorted = bent(loads=[Load("long", at=3.3, impedance=0.0)])
    plain = Scene([w.with_marks(3.3) if w.name == "long" else w for w in shorted.own_wires],
                  feed=shorted.feed, earth=AVERAGE)  # fmt: skip
    found = solve(shorted, FREQUENCY, tolerance=None)
    assert found.impedance == pytest.approx(
        solve(plain, FREQUENCY, tolerance=None).impedance, rel=1e-3
    )
    assert found.budget.loads == pytest.approx(0.0, abs=1e-15)


def test_gaps_at_one_node_must_be_independent():
    with pytest.raises(FeedError, match=r"'feed' and 'load of radial' share .* not independent"):
        bent(loads=[Load(["radial", "other"], at=0.0, impedance=5.0)])


def test_load_by_two_port_algebra_over_frequency():
    """From the impedance matrix of the two gaps: Z11 - Z12 Z21/(Z22 + Z_L) (rounding)."""
    frequencies = np.array([3.6e6, 7.1e6, 10.12e6])
    part = coil(5.1e-6, 3.0)
    feeds = [Feed("long", at=0.0), Feed("radial", at=1.2, name="gap", termination="open")]
    open_gap = Scene(bent().own_wires, feeds=feeds, earth=AVERAGE)
    mesh = build_mesh(open_gap, frequencies.max())
    z = solve(open_gap, frequencies, mesh=mesh).port_impedance
    expected = z[:, 0, 0] - z[:, 0, 1] * z[:, 1, 0] / (z[:, 1, 1] + part.at(frequencies))
    scene = bent(loads=[Load("radial", at=1.2, impedance=part, name="coil")])
    found = solve(scene, frequencies, mesh=mesh)
    np.testing.assert_allclose(found.impedance, expected, rtol=1e-9)
    current = found.load_currents(power=25.0)["coil"]
    lost = found.load_losses["coil"]
    np.testing.assert_allclose(25.0 * lost, np.abs(current) ** 2 * 3.0, rtol=1e-9)
    np.testing.assert_allclose(found.current("radial", 1.2, power=25.0), current, rtol=1e-6)


def test_budget_closes_with_loads_and_names_them():
    scene = bent(
        loads=[
            Load("long", at=4.0, impedance=coil(3e-6, 8.0), name="coil"),
            Load("other", at="2 m", impedance=50.0, name="resistor"),
        ]
    )
    wires = [Wire(w.points, radius=w.radius, name=w.name, conductor=Conductor.named("copper"))
             for w in scene.own_wires]  # fmt: skip
    solution = solve(scene.with_wires(wires), FREQUENCY, tolerance=None)
    assert solution.balance_error < 1e-6
    parts = solution.budget.parts_of("loads")
    assert set(parts) == {"coil", "resistor"}
    assert sum(parts.values()) == pytest.approx(solution.budget.loads, rel=1e-12)
    assert solution.budget.loads > 0.05


def test_loads_in_an_answer():
    scene = bent(loads=[Load("long", at=3.3, impedance=coil(3e-6, 8.0), name="coil")])
    found = answer(scene, ["7.0-7.2 MHz"], tolerance=None, progress=False)
    direct = solve(scene, 7.1e6, mesh=build_mesh(scene, 7.2e6))
    centre = found.bands[0].centre
    assert centre.impedance == pytest.approx(direct.impedance, rel=1e-6)
    assert found.bands[0].budget.parts_of("loads")["coil"] > 0.01


def test_moved_and_scaled_scenes_keep_their_loads():
    scene = bent(loads=Load("long", at=3.0, impedance=10.0))
    assert scene.scaled(2.0).loads[0].at == pytest.approx(6.0)
    assert scene.translated((1, 0, 0)).loads == scene.loads
    assert scene.with_loads().loads == ()
    assert "Load('long' at 3 m, 'load of long', 10+0j ohm)" in repr(scene.loads)


def test_bad_loads():
    with pytest.raises(FeedError, match="negative resistance"):
        Load("long", at=1.0, impedance=-3.0)
    with pytest.raises(FeedError, match="has the impedance None"):
        Load("long", at=1.0, impedance=None)  # pyright: ignore[reportArgumentType]
    with pytest.raises(FeedError, match=r"has the impedance '3 ohm'"):
        Load("long", at=1.0, impedance="3 ohm")  # pyright: ignore[reportArgumentType]
    with pytest.raises(FeedError, match=r"no wire 'lung'.*long"):
        bent(loads=[Load("lung", at=1.0, impedance=3.0)])
    with pytest.raises((FeedError, GeometryError), match="off the end"):
        bent(loads=[Load("long", at=99.0, impedance=3.0)])
    with pytest.raises(FeedError, match="takes Load objects"):
        bent(loads=[Feed("long", at=1.0)])
    with pytest.raises(FeedError, match="More than one"):
        bent(loads=[Load("long", at=1.0, impedance=3.0), Load("long", at=2.0, impedance=3.0)])
    active = bent(loads=[Load("long", at=1.0, impedance=coil(1e-6, -5.0))])
    with pytest.raises(FeedError, match=r"resistance is -5 ohm at 7.1 MHz"):
        print(solve(active, FREQUENCY).impedance)


# --- coax and its chokes -------------------------------------------------------------------------

COAX = [(0, 0, 6), (-0.05, -0.1, 5.7), (-0.05, -0.1, 1.1), (-3.0, -0.1, 1.1)]


def with_coax(choke=None, **options):
    chokes = [] if choke is None else [Choke(choke, at=0.6)]
    return bent(house=[Coax(COAX, kind_of_line="RG-58", chokes=chokes, **options)])


def test_choke_is_a_load_of_the_coax():
    ohms = 900.0 + 700.0j
    scene = with_coax(ohms)
    assert [load.name for load in scene.loads] == ["choke of coax"]
    plain = with_coax().with_loads(Load("coax", at=0.6, impedance=ohms))
    found, same = (solve(one, FREQUENCY, tolerance=None) for one in (scene, plain))
    assert found.impedance == pytest.approx(same.impedance, rel=1e-12)
    current = found.load_currents(power=100.0)["choke of coax"]
    assert found.current("coax", 0.6, power=100.0) == pytest.approx(current, rel=1e-6)
    assert found.load_losses["choke of coax"] == pytest.approx(
        abs(current) ** 2 * 900.0 / 100.0, rel=1e-9
    )
    # moved, turned and scaled scenes keep it
    assert scene.rotated(30.0).translated((1, 2, 0)).loads == scene.loads
    assert scene.scaled(2.0).loads[0].at == pytest.approx(1.2)
    assert scene.without("coax").loads == ()


def test_a_great_choke_takes_the_current_from_the_coax():
    """The current at the radio, led to earth there, falls to what is coupled (tendency)."""
    amperes = []
    for choke in (None, 100.0, 1e3, 1e4, 1e6):
        scene = with_coax(choke, earthed=Electrode(impedance=60))
        solution = solve(scene, 3.65e6, tolerance=None)
        amperes.append(abs(solution.current("coax", 7.5, power=100.0)))
    assert all(a > b for a, b in itertools.pairwise(amperes[:4]))
    assert amperes[-1] < 0.35 * amperes[0]


def test_a_choke_of_great_impedance_is_a_cut():
    """Against the coax in two pieces, 20 mm apart (discretisation: the gap's capacitance)."""
    choked = solve(with_coax(1e9), FREQUENCY, tolerance=None)
    upper = [COAX[0], COAX[1], (-0.05, -0.1, 5.4225)]
    lower = [(-0.05, -0.1, 5.4025), *COAX[2:]]
    cut = bent(
        house=[
            Coax(upper, diameter="3.6 mm", jacket=None, name="upper"),
            Coax(lower, diameter="3.6 mm", jacket=None, name="lower", bonded=()),
        ]
    )
    bare = bent(house=[Coax(COAX, diameter="3.6 mm", chokes=Choke(1e9, at=0.6))])
    expected = solve(cut, FREQUENCY, tolerance=None).impedance
    assert solve(bare, FREQUENCY, tolerance=None).impedance == pytest.approx(expected, rel=0.02)
    assert choked.impedance == pytest.approx(expected, rel=0.05)  # the jacket


def test_coax_in_an_answer_reports_the_radio():
    found = answer(with_coax(2e3), ["7.0-7.2 MHz"], tolerance=None, progress=False)
    reading = found.bands[0].named_point("radio")
    assert reading.wire == "coax"
    assert "choke of coax" in found.bands[0].budget.parts_of("loads")
    assert "choke of coax" in found.to_text()


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({}, "give kind_of_line"),
        ({"kind_of_line": "RG-58", "diameter": "4 mm"}, "one of the two"),
        ({"kind_of_line": "RG-1"}, "'RG-1' is not known"),
        ({"diameter": "-4 mm"}, "diameter of coax"),
        ({"diameter": "4 mm", "chokes": 3000.0}, "give Choke"),
        ({"diameter": "4 mm", "chokes": ["x"]}, "give Choke"),
    ],
)
def test_bad_coax(options, words):
    with pytest.raises(GeometryError, match=words):
        Coax(COAX, **options)


def test_choke_off_the_coax():
    with pytest.raises(FeedError, match="off the end of wire 'coax'"):
        bent(house=[Coax(COAX, diameter="4 mm", chokes=Choke(100.0, at=99.0))])


FILE = """
[attic]
size = ["9 m", "7 m"]
ceiling_height = "5 m"
ridge_height = "8 m"
[antenna]
feed_point = ["2 m", "3 m"]
wire = "1.5 mm2 copper"
[[element]]
name = "long"
route = [["2 m", "3 m", "1.8 m"], ["7 m", "3 m", "2 m"]]
[counterpoise]
radials = 6
length = "3 m"
[[load]]
wire = "long"
at = "3 m"
{load}
[[coax]]
name = "coax"
points = [["2 m", "3 m", "0 m"], ["1.9 m", "3 m", "-0.3 m"], ["1.9 m", "3 m", "-3.9 m"]]
line = "RG-58"
chokes = [{choke}]
"""
COIL = 'coil = "6 uH"\ncoil_q = 180\nname = "loading coil"'
CHOKE = '{at = "0.5 m", resistance = "4 kohm", coil = "30 uH", capacitor = "2 pF"}'


def told(load=COIL, choke=CHOKE):
    return read_attic_text(FILE.replace("{load}", load).replace("{choke}", choke))


def test_loads_and_coax_in_an_attic_file():
    scene = told().scene()
    coil, choke = scene.loads
    assert (coil.name, coil.wires, coil.at) == ("loading coil", ("long",), 3.0)
    assert coil.termination_at(np.array([7e6]))[0] == pytest.approx(
        2 * np.pi * 7e6 * 6e-6 * (1 / 180 + 1j), rel=1e-12
    )
    omega = 2 * np.pi * 7e6
    admittance = 1 / 4e3 + 1 / (1j * omega * 30e-6) + 1j * omega * 2e-12
    assert choke.termination_at(np.array([7e6]))[0] == pytest.approx(1 / admittance, rel=1e-12)
    table = told(choke="{table = [[3.5, 900, 2100], [30, 500, -900]]}").scene().loads[1]
    assert table.at == "middle"
    assert table.termination_at(np.array([3.5e6]))[0] == pytest.approx(900 + 2100j)
    trap = told('coil = "6 uH"\ncapacitor = "47 pF"\nparallel = true').scene().loads[0]
    assert abs(trap.termination_at(np.array([9.5e6]))[0]) > 5e3


@pytest.mark.parametrize(
    ("load", "choke", "words"),
    [
        ("", CHOKE, "line 15.*tells no impedance"),
        ('coil = "6 V"', CHOKE, "line 18.*coil"),
        ("coil_q = 100\nresistance = 5", CHOKE, "coil_q.*needs coil"),
        ('table = [[1, 2]]', CHOKE, "rows of three"),
        ('table = [[7, 1, 1]]', CHOKE, "table"),
        ('table = [["7", "a", 2100], [30.0, 900, 2100]]', CHOKE, "line 18.*rows of three numbers"),
        ("coil = 6", CHOKE, "line 18.*text with a unit"),
        ("capacitor = 47", CHOKE, "text with a unit"),
        ('coil = "6 uH"\ntable = [[7, 1, 1]]', CHOKE, "stands beside table"),
        ('coil = "6 uH"\nturns = 9', CHOKE, "turns"),
        (COIL, "3", "must be a list"),
        (COIL, '{at = "0.5 m"}', "chokes.*tells no impedance"),
        (COIL, '{at = "50 m", resistance = 5}', "lines? 21.*off the end"),
        (COIL, '{at = "1 m", resistance = 5}, {at = "1 m", resistance = 9}',
         "line 21.*'choke 1 of coax' and 'choke 2 of coax' share"),
    ],
)  # fmt: skip
def test_bad_loads_in_an_attic_file(load, choke, words):
    with pytest.raises(AtticFileError, match=rf"(?s){words}"):
        told(load, choke).scene()


def test_other_chokes_from_one_solve():
    """Against solves of their own (rounding), and as a table."""
    frequencies = np.array([3.65e6, 7.1e6])
    first = with_coax(50.0, earthed=Electrode(impedance=60))
    mesh = build_mesh(first, 7.1e6)
    effect = choke_effect(
        solve(first, frequencies, mesh=mesh), "choke of coax", {"1 kohm": 1e3, "coil": 500j},
        power=40.0,
    )  # fmt: skip
    assert effect.values == ("none", "1 kohm", "coil")
    for k, ohms in enumerate((0.0, 1e3, 500j)):
        own = solve(with_coax(ohms, earthed=Electrode(impedance=60)), frequencies, mesh=mesh)
        np.testing.assert_allclose(effect.impedances[k], own.impedance, rtol=1e-10)
        radio = np.abs(own.current("coax", first.wire("coax").place("radio"), power=40.0))
        np.testing.assert_allclose(effect.currents["radio"][k], radio, rtol=1e-9)
        np.testing.assert_allclose(effect.loss[k], own.load_losses["choke of coax"], atol=1e-12)
    assert "1 kohm" in effect.to_text()
    with pytest.raises(SolverError, match="no load named 'x'; there are: 'choke of coax'"):
        solve(first, 7.1e6, mesh=mesh).with_load("x", 5.0)
    assert first.with_load("choke of coax", 7.0).translated((1, 0, 0)).loads[0].termination == 7.0
    unnamed = solve(bent(loads=[Load("long", at=1.0, impedance=5.0)]), 7.1e6, tolerance=None)
    with pytest.raises(SolverError, match="No point has a name"):
        choke_effect(unnamed, "load of long", [5.0])


def test_routes_of_the_coax_are_ranked_by_the_current_at_the_radio():
    """Only the way of the coax differs."""
    choke = Choke(300.0, at=0.6)
    ways = {
        "down the wall": COAX,
        "along the ceiling": [(0, 0, 6), (-0.05, -0.1, 5.7), (-5.0, -0.1, 5.7), (-5.0, -0.1, 1.1)],
    }
    answers = []
    for name, way in ways.items():
        coax = Coax(way, kind_of_line="RG-58", chokes=choke, earthed=Electrode(impedance=60))
        answers.append(
            answer(bent(house=[coax]), ["7.0-7.2 MHz"], tolerance=None, progress=False, name=name)
        )
    ranked = compare(answers, point="radio")
    amperes = {one.name: abs(one.bands[0].named_point("radio").current) for one in answers}
    best = min(amperes, key=lambda name: amperes[name])
    assert amperes["down the wall"] != pytest.approx(amperes["along the ceiling"], rel=0.05)
    (first,) = [line for line in str(ranked).splitlines() if line.strip().startswith("7-7.2 MHz")]
    assert best in first


def test_a_load_that_is_not_known_in_a_band_of_the_file(tmp_path):
    text = FILE.replace("{load}", "table = [[3.0, 900, 2100], [7.0, 900, 2100]]")
    path = tmp_path / "short.toml"
    path.write_text(text.replace("{choke}", CHOKE) + '[bands]\nwanted = ["20 m"]\n')
    with pytest.raises(
        AtticFileError, match=r"lines 15 and 9: .*load of long.*known from 3 to 7 MHz"
    ):
        read_attic(path)


def test_more_than_a_henry_is_a_slip():
    with pytest.raises(FeedError, match="'6 uH' meant"):
        Load("long", at=1.0, impedance=Coil(6))
    with pytest.raises(FeedError, match="'47 pF' meant"):
        Load("long", at=1.0, impedance=Capacitor(47))


def test_coax_that_begins_elsewhere_is_doubted():
    assert not any("begins" in doubt for doubt in told().doubts())
    away = FILE.replace(
        '[["2 m", "3 m", "0 m"], ["1.9 m"', '[["2.9 m", "3.9 m", "-0.1 m"], ["1.9 m"'
    )
    plan = read_attic_text(away.replace("{load}", COIL).replace("{choke}", CHOKE))
    assert any("begins 1.28 m from the feed point" in doubt for doubt in plan.doubts())
