"""What a house may not be: named errors, before anything is computed."""

from __future__ import annotations

import pickle
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scipy.optimize import linprog

from ridgepole.geometry import (
    Cable,
    Duct,
    Feed,
    GeometryError,
    Pipe,
    Scene,
    Screen,
    Sheet,
    Tank,
    Timber,
    Wire,
)
from ridgepole.geometry.house_checks import Boxes, _overlap_depths, _shares
from ridgepole.materials import Dielectric, Earth, MaterialError, Wood

UP = Wire([(2, 1, 5), (2, 1, 6.5), (5, 2, 7)], radius=1e-3, name="up")
RADIAL = Wire([(2, 1, 5), (6, 1.5, 5)], radius=1e-3, name="radial 1")
BOARD = Dielectric.constant(2.8, 0.02, name="board")
FLAT = [(0, 0), (8, 0), (8, 3), (3, 3), (3, 6), (0, 6)]


def in_house(*house, wires=(), earth=None) -> Scene:
    return Scene([UP, RADIAL, *wires], feed=Feed("up", at="start"), house=house, earth=earth)


def joist(x: float, top: float = 5.0, **more) -> Timber:
    ends = ((x, -0.5, top - 0.1), (x, 6.5, top - 0.1))
    return Timber(*ends, width=0.045, depth=0.2, name=f"joist {x}", **more)


def board(z: float, thickness: float = 0.012, name: str = "board") -> Sheet:
    corners = [(x, y, z) for x, y in FLAT]
    return Sheet(corners, thickness=thickness, material=BOARD, name=name)


# ---- solids ---------------------------------------------------------------------------------


def random_timber(rng: np.random.Generator) -> Timber:
    start = rng.uniform(-1, 1, 3)
    end = start + rng.uniform(-2, 2, 3)
    up = rng.normal(size=3)
    return Timber(start, end, width=rng.uniform(0.1, 0.8), depth=rng.uniform(0.1, 0.8), up=up)


def test_boxes_meet_as_linear_programming_says() -> None:
    rng = np.random.default_rng(11)
    timbers = [random_timber(rng) for _ in range(24)]
    one, two = np.triu_indices(len(timbers), k=1)
    depth = _overlap_depths(Boxes(timbers), one, two)
    met = 0
    for i, j, d in zip(one, two, depth, strict=True):
        rows, right = [], []
        for t in (timbers[i], timbers[j]):
            for sign in (1.0, -1.0):
                rows.append(sign * t.frame)
                right.append(sign * t.frame @ t.center + t.half)
        result = linprog(
            np.zeros(3), np.concatenate(rows), np.concatenate(right), bounds=[(None, None)] * 3
        )
        assert (result.status == 0) == (d >= 0.0)
        met += result.status == 0
    assert 40 < met < 240


def test_boards_touch_timbers_and_do_not_pass_through_them() -> None:
    assert len(in_house(joist(1.0), joist(2.5), board(4.8 - 0.006)).solids) == 3
    in_house(joist(1.0), board(4.8 - 0.006 + 0.0019))  # 2 mm are let pass
    with pytest.raises(GeometryError, match=r"'joist 1.0' and sheet 'board' are.*2.2 mm near"):
        in_house(joist(1.0), board(4.8 - 0.006 + 0.0022))
    with pytest.raises(GeometryError, match="in each other"):
        in_house(joist(1.0), board(4.9))


def test_a_timber_beside_the_cut_out_of_a_sheet_is_free() -> None:
    post = Timber((5, 4.5, 4), (5, 4.5, 6), width=0.1, depth=0.1, name="post")
    in_house(post, board(5.3))  # within the bounding rectangle, outside the L
    with pytest.raises(GeometryError, match="'post'"):
        in_house(post.translated((-3, 0, 0)), board(5.3))
    # A long timber that crosses the L with both ends outside it.
    beam = Timber((-1, 4.5, 5.3), (7, 4.5, 5.3), width=0.1, depth=0.1, name="beam")
    with pytest.raises(GeometryError, match="'beam'"):
        in_house(beam, board(5.3))


def test_timbers_of_one_wood_are_joined_and_of_two_are_not() -> None:
    ledger = Timber((0, 3, 4.95), (8, 3, 4.95), width=0.045, depth=0.15, name="ledger")
    in_house(joist(1.0), ledger)
    wet = ledger.with_wood(Wood(moisture=0.2))
    with pytest.raises(GeometryError, match="different stuff"):
        in_house(joist(1.0), wet)


def test_a_timber_that_is_there_twice_is_refused() -> None:
    a = Timber((-5, 0.4, 5.8), (8, 0.4, 5.8), width=0.045, depth=0.195, name="a")
    with pytest.raises(GeometryError, match=r"'a' and 'b' share 100 %.*same timber twice\?"):
        in_house(a, replace(a, name="b"))
    turned = replace(a, start=a.end, end=a.start, name="b")
    with pytest.raises(GeometryError, match="same timber twice"):
        in_house(a, turned)
    # 4 of 13 m are shared end to end: a lap; 5 of 13 are more than a third.
    in_house(a, replace(a, name="b").translated((9, 0, 0)))
    with pytest.raises(GeometryError, match="share 38 %"):
        in_house(a, replace(a, name="b").translated((8, 0, 0)))
    half = replace(a, name="b").translated((0, 0.0225, 0))
    with pytest.raises(GeometryError, match="share 50 %"):
        in_house(a, half)
    in_house(a, replace(a, name="b").translated((0, 0.045, 0)))  # side by side


def test_boxes_share_what_a_fine_count_of_points_finds() -> None:
    rng = np.random.default_rng(5)
    timbers = [random_timber(rng) for _ in range(26)]
    one, two = np.triu_indices(len(timbers), k=1)
    found = _shares(Boxes(timbers), one, two)
    at = np.stack(np.meshgrid(*3 * [(np.arange(20) + 0.5) / 10 - 1]), axis=-1).reshape(-1, 3)
    for i, j, share in zip(one, two, found, strict=True):
        less, more = sorted((timbers[i], timbers[j]), key=lambda t: t.volume)
        inside = more.contains(less.center + (at * less.half) @ less.frame)
        assert share == pytest.approx(inside.mean(), abs=0.03)  # quadrature: 64 lines
    assert np.count_nonzero(found > 0.1) > 8


def test_a_timber_mostly_in_one_across_it_is_doubted() -> None:
    post = Timber((3, 3, 4), (3, 3, 6), width=0.3, depth=0.3, name="post")
    stub = Timber((2.9, 3, 5), (3.1, 3, 5), width=0.05, depth=0.05, name="stub")
    assert any(
        "'stub'" in doubt or "'post' and 'stub'" in doubt for doubt in in_house(post, stub).doubts()
    )
    through = Timber((2, 3, 5), (4, 3, 5), width=0.05, depth=0.05, name="through")
    assert not any("mostly" in doubt for doubt in in_house(post, through).doubts())


def test_the_same_sheet_twice_is_called_that() -> None:
    with pytest.raises(GeometryError, match=r"same sheet twice") as told:
        in_house(board(4.7, name="one"), board(4.7, name="two"))
    assert "different stuff" not in str(told.value)


def test_sheets_meet_at_edges_and_do_not_cross() -> None:
    slope = 0.7
    left = [(0, 0, 6), (8, 0, 6), (8, 4, 6 + 4 * slope), (0, 4, 6 + 4 * slope)]
    right = [(0, 8, 6), (8, 8, 6), (8, 4, 6 + 4 * slope), (0, 4, 6 + 4 * slope)]
    gable = [(8.06, 0, 5), (8.06, 8, 5), (8.06, 8, 5.9), (8.06, 4, 8.7), (8.06, 0, 5.9)]
    tiles = [
        Sheet(c, thickness=0.018, material="clay tile", name=n)
        for c, n in ((left, "left"), (right, "right"))
    ]
    wall = Sheet(gable, thickness=0.11, material="brick", name="gable")
    in_house(*tiles, wall)
    inner = Sheet(np.array(gable) - [3, 0, 0], thickness=0.11, material="brick", name="inner")
    in_house(*tiles, inner)  # its top is under the tiles
    high = Sheet(
        inner.corners + np.array([0, 0, 0.8]), thickness=0.11, material="brick", name="high"
    )
    with pytest.raises(GeometryError, match="'high'"):
        in_house(*tiles, high)
    with pytest.raises(GeometryError, match="'one' and sheet 'two'"):
        in_house(board(5.3, name="one"), board(5.309, name="two"))
    in_house(board(5.3, name="one"), board(5.312, name="two"))


def test_a_piece_below_ground_is_refused() -> None:
    post = Timber((7, 5, -0.3), (7, 5, 2), width=0.1, depth=0.1, name="post")
    with pytest.raises(GeometryError, match=r"'post' comes down to -0.3 m, below ground"):
        in_house(post, earth=Earth(13, 0.005))
    in_house(post)
    slab = board(0.004, name="slab")
    with pytest.raises(GeometryError, match="below"):
        in_house(slab.translated((0, 0, -0.01)), earth=Earth(13, 0.005))
    with pytest.raises(GeometryError, match=r"'pipe'.*below ground"):
        in_house(Pipe([(7, 5, 2), (7, 5, -1)], name="pipe"), earth=Earth(13, 0.005))


def test_names_are_unique_and_pieces_are_pieces() -> None:
    with pytest.raises(GeometryError, match="2 pieces of the house are called 'board'"):
        in_house(board(4.7), board(4.8))
    with pytest.raises(GeometryError, match="house="):
        in_house("joists")
    with pytest.raises(GeometryError, match="2 wires are called 'radial 1'"):
        in_house(Pipe([(3, 5, 5), (6, 5, 5)], name="radial 1"))


# ---- wires in solids ------------------------------------------------------------------------


def test_wires_lie_on_joists_and_not_in_them() -> None:
    on = Wire([(1, 2.2, 5.0), (4, 2.6, 5.0)], radius=1e-3, name="on")
    in_house(joist(2.5), wires=[on])
    in_house(joist(2.5), wires=[on.translated((0, 0, -0.0019))])
    with pytest.raises(GeometryError, match=r"'on' runs inside timber 'joist 2.5' near"):
        in_house(joist(2.5), wires=[on.translated((0, 0, -0.003))])
    along = Wire([(2.5, 2.2, 4.9), (2.5, 4.6, 4.9)], radius=1e-3, name="along")
    with pytest.raises(GeometryError, match=r"2.4 m of it"):
        in_house(joist(2.5), wires=[along])
    in_house(joist(2.5), wires=[along.translated((0.03, 0, 0))])
    with pytest.raises(GeometryError, match="'pipe' runs inside"):
        in_house(joist(2.5), Pipe([(1, 2.2, 4.9), (4, 2.6, 4.9)], name="pipe"))


def test_wires_pass_through_sheets_and_do_not_lie_in_them() -> None:
    through = Wire([(1, 4, 4), (1.5, 4.5, 5), (1.6, 4.5, 6)], radius=1e-3, name="through")
    scene = in_house(board(4.7), wires=[through])
    assert any("'through' through 'board'" in doubt for doubt in scene.doubts())
    assert not any("through sheets" in doubt for doubt in in_house(board(4.7)).doubts())
    beside = through.translated((4, 0, 0))  # through the rectangle, beside the L
    assert not any("through sheets" in d for d in in_house(board(4.7), wires=[beside]).doubts())
    flat = Wire([(1, 4, 4.7), (1, 5, 4.7)], radius=1e-3, name="flat")
    with pytest.raises(GeometryError, match="'flat' lies inside sheet 'board'"):
        in_house(board(4.7), wires=[flat])
    in_house(board(4.7), wires=[flat.translated((0, 0, 0.006))])
    ends = Wire([(1, 4, 4), (1, 4, 4.7)], radius=1e-3, name="ends")
    with pytest.raises(GeometryError, match="'ends' lies inside"):
        in_house(board(4.7), wires=[ends])
    with pytest.raises(GeometryError, match="'ends' lies inside"):
        in_house(board(4.7), wires=[ends.reversed()])


# ---- metal ----------------------------------------------------------------------------------


def test_a_floating_piece_that_touches_a_wire_is_told_to_be_bonded() -> None:
    duct = Duct([(4, -1, 5.1), (4, 5, 5.1)], diameter="250 mm", name="duct 1")
    with pytest.raises(GeometryError, match=r"touch near.*'duct 1' bonded='radial 1'"):
        in_house(duct)
    in_house(duct.translated((0, 0, 0.1)))


def test_nothing_runs_inside_metal() -> None:
    duct = Duct([(1, 4, 5.5), (7, 4, 5.5)], diameter="250 mm", name="duct 1")
    inside = Wire([(2, 4.05, 5.52), (6, 4.05, 5.52)], radius=1e-3, name="inside")
    with pytest.raises(GeometryError, match="'inside' runs inside the metal of 'duct 1'"):
        in_house(duct, wires=[inside])
    tank = Tank([(6, 5, 5.5), (6, 5, 6.5)], diameter="500 mm", name="tank 1")
    with pytest.raises(GeometryError, match="'in' runs inside tank 'tank 1'"):
        in_house(tank, wires=[Wire([(4, 5.05, 6), (5.9, 5.02, 6)], radius=1e-3, name="in")])
    in_house(tank, wires=[Wire([(4, 5.05, 6), (5.6, 5.02, 6)], radius=1e-3, name="in")])


def test_scenes_with_houses_are_copied_whole() -> None:
    scene = in_house(joist(2.5), board(4.79), Pipe([(3, 5, 5.2), (6, 5, 5.2)], name="pipe"))
    again = pickle.loads(pickle.dumps(scene))
    assert again.house == scene.house
    assert again.wires == scene.wires
    for changed in (
        scene.with_earth(Earth.perfect()),
        scene.with_wires([UP, RADIAL]),
        scene.with_feeds(Feed("up", at=1.0)),
        scene.translated((1, 2, 0.5)),
        scene.scaled(1.5),
    ):
        assert [piece.name for piece in changed.house] == ["joist 2.5", "board", "pipe"]
        assert len(changed.wires) == 3
    assert scene.scaled(2).solids[0].half == pytest.approx(2 * scene.solids[0].half)
    assert scene.with_house().wires == (UP, RADIAL)
    assert "house of 2 solids, 1 pieces of metal" in repr(scene)


# ---- metal and what is around it ------------------------------------------------------------

BEAM = Timber((-5, 0.4, 5.8), (8, 0.4, 5.8), width=0.045, depth=0.195, name="beam")
FAT_DUCT = Duct([(-3, 0.4, 5.8), (3, 0.4, 5.8)], diameter="400 mm", name="duct 1")


def test_no_timber_runs_inside_metal() -> None:
    with pytest.raises(GeometryError, match=r"'beam' runs inside the metal of duct 'duct 1' near"):
        in_house(BEAM, FAT_DUCT)
    top = 5.8 + 0.0975
    in_house(BEAM, FAT_DUCT.translated((0, 0, top + 0.2 - 5.8)))  # lies on it
    in_house(BEAM, FAT_DUCT.translated((0, 0, top + 0.181 - 5.8)))  # a tenth of the radius
    with pytest.raises(GeometryError, match=r"22 mm inside the wall"):
        in_house(BEAM, FAT_DUCT.translated((0, 0, top + 0.178 - 5.8)))
    with pytest.raises(GeometryError, match="'beam' runs inside"):  # across it
        in_house(BEAM, Duct([(1, -2, 5.82), (1.4, 2, 5.8)], diameter=0.16, name="across"))
    in_house(BEAM, Duct([(1, 0.55, 5.82), (1.4, 2, 5.8)], diameter=0.16, name="beside"))
    # A flat duct on a joist: the round one that stands for it would reach into the wood.
    flat = Duct([(-3, 0.4, top + 0.05), (3, 0.4, top + 0.05)], width=0.3, height=0.1, name="flat")
    in_house(BEAM, flat)
    with pytest.raises(GeometryError, match="'beam' runs inside the metal of duct 'flat'"):
        in_house(BEAM, flat.translated((0, 0, -0.03)))
    with pytest.raises(GeometryError, match="'beam' runs inside the metal of tank 'tank 1'"):
        in_house(BEAM, Tank([(1, 0.6, 5.5), (1, 0.6, 6.5)], diameter=0.6, name="tank 1"))
    in_house(BEAM, Cable([(1, -2, top), (1.4, 2, top)], gauge="1.5 mm2", name="cable 1"))


def test_no_sheet_runs_inside_metal_and_ducts_go_through_sheets() -> None:
    lying = Duct([(1, 1, 5.3), (7, 2, 5.3)], diameter=0.2, name="duct 1")
    with pytest.raises(
        GeometryError, match=r"'board' runs inside the metal of duct 'duct 1'.*6.08 m of"
    ):
        in_house(board(5.33), lying)
    in_house(board(5.3 - 0.106), lying)
    upright = Duct([(6, 2, 4), (6, 2, 6)], diameter=0.3, name="duct 2")
    in_house(board(5.33), upright)
    in_house(board(5.33), replace(upright, points=[(5, 2, 4.5), (6.6, 2, 6)]))
    in_house(board(6.006), upright)  # ends at it: a grille
    small = Sheet([(6, 2, 5), (6.1, 2, 5), (6, 2.1, 5.1)], thickness=0.01, material=BOARD)
    with pytest.raises(GeometryError, match="'sheet' runs inside the metal of duct 'duct 2'"):
        in_house(small, upright)


def test_metal_that_ends_on_a_wire_is_bonded_or_refused() -> None:
    tip = UP.vertices[-1]
    way = np.array([2, 3, 0.4])
    duct = Duct([tip, tip + way], diameter="125 mm", name="duct 1")
    with pytest.raises(GeometryError, match=r"'duct 1' and wire 'up' touch at.*bonded='up'"):
        in_house(duct)
    in_house(replace(duct, bonded="up"))
    with pytest.raises(GeometryError, match="touch"):
        in_house(replace(duct, bonded="radial 1"))
    # One that touches another piece is joined to it, as drawn.
    other = Pipe([duct.vertices[1], duct.vertices[1] + [0, 1, 1]], name="pipe")
    in_house(replace(duct, bonded="up"), other)
    ground = Pipe([(2, 1, 5), (2, -3, 5)], name="bar")  # from the feed point
    with pytest.raises(GeometryError, match="touch"):
        in_house(ground)
    in_house(replace(ground, bonded="counterpoise"))
    middle = Duct([tip - way, tip, tip + way], diameter="125 mm", name="duct 1")
    with pytest.raises(GeometryError, match="touch"):  # a corner on the wire's end
        in_house(middle)


# ---- what is no piece at all ----------------------------------------------------------------

CORNERS = [(0, 0, 3), (4, 0, 3), (4, 3, 3)]
WAY = [(0, 0, 3), (4, 0, 3)]


@pytest.mark.parametrize("house", [None, 5, {}, {"a": BEAM}, "joists"])
def test_a_house_is_a_list_of_pieces(house: Any) -> None:
    with pytest.raises(GeometryError, match="house="):
        Scene([UP, RADIAL], feed=Feed("up", at="start"), house=house)


@pytest.mark.parametrize(
    ("told", "words"),
    [
        ({"seams": 3}, "'foil': seams=3"),
        ({"seams": None}, "'foil': seams=None"),
        ({"seams": [(CORNERS[0], CORNERS[0])]}, r"'foil': a seam begins and ends at \(0, 0, 3\)"),
        ({"most_pieces": 0}, "'foil': most_pieces=0"),
        ({"most_pieces": "a"}, "'foil': most_pieces='a'"),
        ({"most_pieces": 1e9}, "'foil': most_pieces=1000000000.0"),
        ({"most_pieces": True}, "'foil': most_pieces=True"),
        ({"pitch": np.nan}, "pitch of screen 'foil'.*nan"),
        ({"outside": "no"}, "'foil': outside='no'"),
        ({"bonded": 3}, "'foil': bonded=3"),
    ],
)
def test_what_a_screen_is_told_is_looked_at(told: dict[str, Any], words: str) -> None:
    with pytest.raises(GeometryError, match=words):
        Screen(CORNERS, name="foil", **told)


@pytest.mark.parametrize(
    ("told", "words"),
    [
        ({"bonded": 3}, "'duct 1': bonded=3"),
        ({"bonded": None}, "'duct 1': bonded=None"),
        ({"bonded": {"up": 2}}, "'duct 1': bonded="),
        ({"points_of_interest": 7}, "'duct 1': points_of_interest=7"),
        ({"points_of_interest": [3]}, "'duct 1': points_of_interest="),
        ({"points_of_interest": "ab"}, "'duct 1': points_of_interest='ab'"),
        ({"points_of_interest": {1: "start"}}, "'duct 1'.*the name 1"),
        ({"diameter": np.nan}, "diameter of duct 'duct 1'.*nan"),
        ({"diameter": [0.1]}, r"diameter of duct 'duct 1'.*\[0.1\]"),
    ],
)
def test_what_a_duct_is_told_is_looked_at(told: dict[str, Any], words: str) -> None:
    with pytest.raises(GeometryError, match=words):
        Duct(WAY, name="duct 1", **{"diameter": 0.2, **told})


@pytest.mark.parametrize(
    ("told", "words"),
    [
        ({"flat": "no"}, "'cable 1': flat='no'"),
        ({"closed": "yes"}, "'cable 1': closed='yes'"),
        ({"cores": 3, "spacing": 1}, "spacing of the cores of cable 'cable 1' is 1 m"),
        ({"cores": 3, "spacing": np.nan}, "spacing of the cores of cable 'cable 1'.*nan"),
        ({"cores": 2.0}, "'cable 1': cores=2.0"),
    ],
)
def test_what_a_cable_is_told_is_looked_at(told: dict[str, Any], words: str) -> None:
    with pytest.raises(GeometryError, match=words):
        Cable(WAY, gauge="1.5 mm2", name="cable 1", **told)


def test_groups_are_text_and_metal_is_no_sheet() -> None:
    with pytest.raises(GeometryError, match="'board': group=5"):
        replace(board(3), group=5)
    with pytest.raises(GeometryError, match="'beam': group=5"):
        replace(BEAM, group=5)
    for metal in ("aluminium foil", "foil-faced board", "copper"):
        with pytest.raises(GeometryError, match=rf"'board': '{metal}' is metal.*\[\[screen\]\]"):
            replace(board(3), material=metal)
    with pytest.raises(MaterialError, match="no dielectric is called 'bord'"):
        replace(board(3), material="bord")


def test_a_bond_offers_everything_but_the_piece_itself() -> None:
    lost = Duct(WAY, diameter=0.2, name="duct 1", bonded="radial 11")
    with pytest.raises(GeometryError, match="There are 'up', 'radial 1', 'counterpoise'"):
        in_house(lost)
    with pytest.raises(GeometryError, match="which is itself"):
        in_house(replace(lost, bonded="duct 1"))


def test_a_grid_that_is_far_too_fine_is_refused_before_it_is_built(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def build(*_: object) -> None:
        raise AssertionError("built")

    monkeypatch.setattr(Screen, "pieces", build)
    wide = [(0, 0, 3), (13, 0, 3), (13, 7, 3), (0, 7, 3)]
    with pytest.raises(GeometryError, match=r"about 1.82e\+08 pieces.*most_pieces=2000"):
        Screen(wide, pitch=0.001, name="foil").wires()
    strip = [(0, 0, 3), (90, 0, 3), (90, 0.1, 3), (0.1, 0.1, 3), (0.1, 90, 3), (0, 90, 3)]
    with pytest.raises(GeometryError, match=r"2.02e\+07 cells of its pitch, 0.02 m"):
        Screen(strip, pitch=0.02, most_pieces=99_000, name="trim").wires()
    with pytest.raises(AssertionError, match="built"):
        Screen(wide, pitch=0.3, name="foil").wires()
