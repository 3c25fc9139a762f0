"""Metal roofs: two slopes joined along the ridge, one piece of the house; grids that share a side.

Tolerance classes: rounding; discretisation (of the grids).
"""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path

import numpy as np
import pytest
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from ridgepole.geometry import Attic, Feed, Scene, Screen, Wire, framing
from ridgepole.geometry.screen_joints import rule_screens
from ridgepole.solver import read_attic, solve

FILE = """
[attic]
size = ["9.1 m", "6.7 m"]
ceiling_height = "4.9 m"
eaves_height = "5.2 m"
ridge_height = "8.3 m"
ridge_bearing = 71

[antenna]
feed_point = ["2.1 m", "2.4 m", "0 m"]
wire = "2.5 mm2 copper, bare"

[[element]]
name = "under the ridge"
route = [["2.1 m", "3.2 m", "2.2 m"], ["8.4 m", "3.2 m", "2.3 m"]]
length = "7.6 m"

[counterpoise]
radials = 4
length = "4.1 m"

[roof]
covering = "{covering}"

[earth]
ground = "average ground"

[bands]
wanted = ["20 m"]
"""


@pytest.fixture
def file(tmp_path: Path):
    def write(covering: str) -> Path:
        path = tmp_path / "metal.toml"
        path.write_text(FILE.format(covering=covering))
        return path

    return write


def parts(wires: list[Wire], scene: Scene) -> int:
    """How many conductors hang together of these wires."""
    index = {id(wire): n for n, wire in enumerate(scene.wires)}
    own = [index[id(wire)] for wire in wires]
    skeleton = scene.skeleton
    mine = np.isin(skeleton.piece_wire, own)
    nodes = skeleton.piece_nodes[mine]
    size = int(skeleton.piece_nodes.max()) + 1
    links = coo_matrix((np.ones(len(nodes)), nodes.T), shape=(size, size))
    labels = connected_components(links, directed=False)[1]
    return len(set(labels[np.unique(nodes)].tolist()))


@pytest.mark.parametrize("covering", ["steel roofing", "copper roofing"])
def test_a_metal_roof_from_a_file_is_joined_along_the_ridge(file, covering):
    plan = read_attic(file(covering))
    scene = plan.scene()
    wires = [wire for wire in scene.wires if wire.piece == "roof"]
    assert parts(wires, scene) == 1
    assert {wire.name[:10].strip() for wire in wires} == {"roof left", "roof right"}
    ridge = [  # one wire along it, not two on top of each other
        wire for wire in wires if np.ptp(wire.vertices[:, 2]) < 1e-6 and wire.vertices[0, 2] > 8.4
    ]
    assert len(ridge) == 1
    assert any("ridge of the metal roof" in one.what for one in plan.assumptions)
    assert "roof" in scene.pieces
    assert not any(wire.piece == "roof" for wire in scene.without("roof").wires)


def test_the_shipped_example_takes_a_metal_roof(tmp_path):
    text = files("ridgepole.geometry").joinpath("examples/gable-house.toml").read_text()
    clay = 'covering = "clay tile"\nthickness = "18 mm"'
    assert clay in text
    path = tmp_path / "house.toml"
    path.write_text(text.replace(clay, 'covering = "steel roofing"'))
    scene = read_attic(path).scene()
    assert parts([wire for wire in scene.wires if wire.piece == "roof"], scene) == 1


def test_slopes_without_a_common_ridge_line_stay_apart():
    one = Screen([(0, 0, 5), (6, 0, 5), (6, 3, 7), (0, 3, 7)], name="one", pitch=0.8)
    near = Screen([(0, 3.2, 7), (6, 3.2, 7), (6, 6, 5), (0, 6, 5)], name="two", pitch=0.5)
    apart = rule_screens([one, near])
    for screen in (one, near):
        alone = screen.ruling()
        np.testing.assert_array_equal(apart[screen.name].u, alone.u)
        np.testing.assert_array_equal(apart[screen.name].along_v, alone.along_v)


def test_grids_that_share_part_of_a_side_have_its_lines_in_common():
    # A longer and a shorter screen, turned and shifted against each other, of unlike pitch.
    long = Screen([(0, 0, 5), (7, 0, 5), (7, 2.4, 6), (0, 2.4, 6)], name="long", pitch=0.7)
    short = Screen(
        [(5.5, 2.4, 6), (5.5, 5.1, 4.6), (1.3, 5.1, 4.6), (1.3, 2.4, 6)], name="short", pitch=0.4
    )
    wire = Wire([(1, 1, 3), (4, 3.5, 3.2)], radius=1e-3, name="up")
    other = Wire([(1, 1, 3), (0, 4, 3)], radius=1e-3, name="down")
    for turn in (0.0, 23.0, 141.0):
        house = [long.rotated(turn), short.rotated(turn)]
        scene = Scene([wire.rotated(turn), other.rotated(turn)], feed=Feed("up"), house=house)
        grid = [w for w in scene.wires if w.piece in ("long", "short")]
        assert parts(grid, scene) == 1
        rulings = rule_screens(house)
        assert rulings["short"].n_pieces < house[1].ruling().n_pieces
    swapped = Scene([wire, other], feed=Feed("up"), house=[short, long])
    assert parts([w for w in swapped.wires if w.piece in ("long", "short")], swapped) == 1


def test_a_flat_sheet_in_two_halves_is_the_whole_sheet():
    def z(*house: Screen) -> complex:
        wire = Wire([(0.3, -2.4, 0.9), (0.3, 2.5, 0.9)], radius=1e-3, name="wire")
        scene = Scene(wire, feed=Feed("wire", at=2.3), house=house)
        return complex(solve(scene, 14.2e6, tolerance=None).impedance)

    def sheet(low: float, high: float, name: str) -> Screen:
        corners = [(-4, low, 0), (4, low, 0), (4, high, 0), (-4, high, 0)]
        return Screen(corners, name=name, pitch=0.8)

    whole = z(sheet(-2.4, 2.4, "foil"))
    halves = z(sheet(-2.4, 0.0, "left"), sheet(0.0, 2.4, "right"))
    gap = z(sheet(-2.4, -0.3, "left"), sheet(0.3, 2.4, "right"))
    # The same lines, and half a strip's loss less along the joint: 1e-5 of the impedance.
    assert abs(halves / whole - 1) < 1e-4
    assert abs(gap / whole - 1) > 1e-3


def test_under_a_metal_roof_little_is_left(file):
    plan = read_attic(file("steel roofing"))
    scene = plan.scene()
    covered = solve(scene, 14.2e6, tolerance=None)
    bare = solve(scene.without("roof"), 14.2e6, tolerance=None)

    def sky(solution):
        return solution.impedance.real * solution.budget.radiated

    assert sky(covered) < 0.3 * sky(bare)  # radiation resistance at the feed
    assert covered.budget.radiated < 0.8 * bare.budget.radiated
    # Reflections keep to the axes of so many thick wires (rings.MOST_COPIED): model.
    assert covered.balance_error < 3e-4


def test_builder_joins_both_slopes_in_an_attic_turned_about():
    attic = Attic(
        size=(8.0, 6.0), ceiling_height=5.0, eaves_height=5.3, ridge_height=7.9, ridge_bearing=200
    )
    roof = framing.roof(attic, covering="steel roofing")
    assert [piece.group for piece in roof] == ["roof", "roof"]
    rulings = rule_screens([piece for piece in roof if isinstance(piece, Screen)])
    assert rulings["roof right"].n_pieces < rulings["roof left"].n_pieces
