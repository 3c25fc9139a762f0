"""House metal as wires: equivalent radii, bonds, loops, and foil as a grid."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from scipy.constants import mu_0, speed_of_light
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from ridgepole.geometry import (
    BondTo,
    Cable,
    Downpipe,
    Duct,
    Feed,
    GeometryError,
    Gutter,
    Jacket,
    Pipe,
    Scene,
    Screen,
    Tank,
    Wire,
)
from ridgepole.geometry.house import missing_inductance
from ridgepole.geometry.metalwork import cores_radius, rectangle_radius
from ridgepole.geometry.screens import GridConductor
from ridgepole.materials import Earth, SheetConductor
from ridgepole.solver import solve

ROUNDING = 1e-12  # rounding
WRONG: Any = 5.8e7  # no conducting sheet
UP = Wire([(2, 1, 5), (2, 1, 6.5), (5, 2, 7)], radius=1e-3, name="up")
RADIAL = Wire([(2, 1, 5), (6, 1.5, 5)], radius=1e-3, name="radial 1")
FEED = Feed("up", at="start")
DUCT = Duct([(1, 3, 5.6), (7, 3.3, 5.9)], width="300 mm", height="200 mm", name="duct 1")


def in_house(*house, wires=(UP, RADIAL)) -> Scene:
    return Scene(list(wires), feed=FEED, house=house)


def conductors(scene: Scene) -> dict[str, int]:
    """Which wires are one conductor: a number for each wire's name."""
    skeleton = scene.skeleton
    n = len(skeleton.nodes)
    a, b = skeleton.piece_nodes.T
    labels = connected_components(coo_matrix((np.ones(len(a)), (a, b)), shape=(n, n)))[1]
    return {
        scene.wires[int(w)].name: int(labels[node])
        for w, node in zip(skeleton.piece_wire, a, strict=True)
    }


# ---- radii ----------------------------------------------------------------------------------


def test_rectangles_count_as_round() -> None:
    assert DUCT.radius == pytest.approx(0.295 * 0.5)
    assert rectangle_radius(0.2, 0.2) == pytest.approx(0.59 * 0.2)  # square bar, common practice
    # A flat strip is a quarter of its width (common practice); the rule is 18 % above it.
    assert rectangle_radius(1.0, 0.0) == pytest.approx(0.25, rel=0.2)
    assert Duct([(0, 0, 1), (3, 0, 1)], diameter="160 mm").radius == pytest.approx(0.08)


def test_cores_side_by_side_in_common_mode() -> None:
    a, s = 0.7e-3, 2.9e-3
    assert cores_radius(a, s, cores=1) == a
    # From formulas of line charges at equal potential.
    assert cores_radius(a, s, cores=2) == pytest.approx(np.sqrt(a * s), rel=ROUNDING)
    assert cores_radius(a, s, cores=3) == pytest.approx((a * s * s) ** (1 / 3), rel=ROUNDING)
    # Three in a row: outer q, middle m, 2 q + m = 1; potentials equal; in logs of a, s and 2 s.
    la, ls, l2 = np.log([a, s, 2 * s])
    q = (la - ls) / (3 * la - 4 * ls + l2)
    potential = q * (la + l2) + (1 - 2 * q) * ls
    assert cores_radius(a, s, cores=3, flat=True) == pytest.approx(np.exp(potential), rel=1e-10)
    # More cores on the same circle come to the radius of the circle.
    many = cores_radius(a, 2 * np.sin(np.pi / 400) * 0.05, cores=400)
    assert many == pytest.approx(0.05, rel=5e-3)


def test_half_round_gutter_against_line_charges_on_the_arc() -> None:
    gutter = Gutter([(0, 0, 3), (6, 0, 3)], width="125 mm")
    n = 400  # strips of the arc, graded to its edges; tolerance: discretisation
    edge = 0.5 * np.pi * (1 - np.cos(np.linspace(0, np.pi, n + 1)))
    middle, width = 0.5 * (edge[1:] + edge[:-1]), 0.0625 * np.diff(edge)
    at = 0.0625 * np.exp(1j * middle)
    distance = np.abs(at[:, None] - at)
    np.fill_diagonal(distance, width * np.exp(-1.5))  # mean log over a strip with itself
    charge = np.linalg.solve(-np.log(distance), np.ones(n))
    assert gutter.radius == pytest.approx(np.exp(-1 / charge.sum()), rel=5e-3)


# ---- as wires -------------------------------------------------------------------------------


def test_pieces_become_wires_that_name_them() -> None:
    pieces = [
        DUCT,
        Pipe([(1, 4, 5.2), (7, 4, 5.2)], diameter="22 mm", name="pipe 1"),
        Gutter([(0, -0.3, 5), (8, -0.3, 5)], name="gutter 1"),
        Downpipe([(8.3, -0.3, 4.9), (8.3, -0.3, 0.2)], diameter="80 mm", name="downpipe 1"),
        Cable([(1, 5, 5.1), (7, 5, 5.1)], gauge="14 AWG", name="cable 1", jacket="PVC 0.8 mm"),
        Tank([(6, 6, 5.2), (6, 6, 7.2)], diameter="120 mm", name="tank 1"),
    ]
    scene = in_house(pieces)
    assert scene.pieces == tuple(piece.name for piece in pieces)
    assert [wire.piece for wire in scene.wires] == ["", "", *scene.pieces]
    assert scene.own_wires == (UP, RADIAL)
    assert len(set(conductors(scene).values())) == 7  # the antenna, and each piece afloat
    assert scene.wire("downpipe 1").outside
    assert not scene.wire("duct 1").outside
    assert isinstance(scene.wire("cable 1").jacket, Jacket)
    assert scene.solids == ()
    assert scene.without("duct 1", "tank 1").pieces == tuple(p.name for p in pieces[1:5])
    with pytest.raises(GeometryError, match="No piece of the house is called 'duct'"):
        scene.without("duct")


def test_named_points_travel_with_the_wire() -> None:
    points = {"breaker": "0 m", "alarm": 1.5, "thermostat": "end"}
    cable = Cable([(0, 0, 5), (0, 3, 5)], gauge="1.5 mm2", points_of_interest=points)
    (wire,) = cable.wires()
    assert wire.named_points == (("breaker", 0.0), ("alarm", 1.5), ("thermostat", 3.0))
    assert dict(wire.reversed().named_points) == {"breaker": 3.0, "alarm": 1.5, "thermostat": 0.0}
    assert dict(cable.scaled(2).wires()[0].named_points)["alarm"] == pytest.approx(3.0)
    assert [p for p, _ in wire.split(2.0)[0].named_points] == ["breaker", "alarm"]
    assert wire.split(2.0)[1].named_points == (("thermostat", 1.0),)
    with pytest.raises(GeometryError, match="'thermostat'"):
        wire.with_length(2.0)
    with pytest.raises(GeometryError, match="off the wire"):
        Cable([(0, 0, 5), (0, 3, 5)], gauge="1.5 mm2", points_of_interest={"far": "4 m"})
    with pytest.raises(GeometryError, match="no point 'panel'"):
        wire.place("panel")


def test_a_pair_of_cores_is_told_to_be_common_mode_only() -> None:
    single = Cable([(1, 5, 5.1), (7, 5, 5.1)], gauge="1.5 mm2", name="one")
    pair = Cable([(1, 6, 5.1), (7, 6, 5.1)], gauge="1.5 mm2", cores=2, name="two")
    doubts = in_house(single, pair).doubts()
    assert any("'two'" in d and "common mode only" in d for d in doubts)
    assert not any("'one'" in d for d in doubts)


# ---- joined ---------------------------------------------------------------------------------


def test_bonds_join_with_a_lead_and_mark_both_sides() -> None:
    bonded = Duct(
        DUCT.points, width=0.3, height=0.2, name="duct 1", bonded=BondTo("radial 1", 2.5, 1.0)
    )
    scene = in_house(bonded)
    lead = scene.wire("duct 1 to radial 1")
    assert lead.piece == "duct 1"
    np.testing.assert_allclose(lead.points[0], DUCT.wires()[0].position(1.0), atol=ROUNDING)
    np.testing.assert_allclose(lead.points[1], RADIAL.position(2.5), atol=ROUNDING)
    assert scene.wire("radial 1").marks == (2.5,)
    assert len(set(conductors(scene).values())) == 1
    assert scene.own_wires[1].marks == ()
    assert len(set(conductors(scene.with_house(DUCT)).values())) == 2


def test_a_bond_without_a_place_takes_the_nearest() -> None:
    scene = in_house(Pipe([(3, 2.0, 5), (6, 1.9, 5)], name="pipe", bonded="radial 1"))
    lead = scene.wire("pipe to radial 1")
    best = min(
        np.linalg.norm(p - q)
        for p in RADIAL.points_at(np.linspace(0, RADIAL.length, 801))
        for q in scene.wire("pipe").points_at(np.linspace(0, 3, 401))
    )
    assert lead.length <= best + 1e-9
    assert lead.length == pytest.approx(best, abs=2e-3)


def test_bond_to_the_counterpoise_is_on_the_far_side_of_the_feed() -> None:
    scene = in_house(Pipe([(3, 2.0, 5), (6, 1.9, 5)], name="pipe", bonded="counterpoise"))
    lead = scene.wire("pipe to counterpoise")
    np.testing.assert_allclose(lead.points[1], UP.points[0], atol=ROUNDING)
    ends = scene.skeleton.feeds[0].group_a
    assert [scene.wires[int(scene.skeleton.piece_wire[p])].name for p, _ in ends] == ["up"]


def test_two_cables_to_one_panel_point_close_a_loop() -> None:
    first = Cable(
        [(1, 4, 5.1), (7, 4, 5.1), (7, 6, 5.1)],
        gauge="1.5 mm2", name="cable 1", points_of_interest={"panel": "start"},
    )  # fmt: skip
    second = Cable(
        [(7, 6, 5.1), (1, 6, 5.1), (1, 4.5, 5.1)],
        gauge="1.5 mm2", name="cable 2", bonded=BondTo("cable 1", "panel", "end"),
    )  # fmt: skip
    scene = in_house(first, second)
    found = conductors(scene)
    assert found["cable 1"] == found["cable 2"] != found["up"]
    mine = np.isin(scene.skeleton.piece_wire, [2, 3, 4])
    nodes = np.unique(scene.skeleton.piece_nodes[mine])
    assert mine.sum() == len(nodes)  # as many pieces as nodes: one loop
    assert scene.wire("cable 2 to cable 1").length == pytest.approx(0.5)


def test_a_closed_cable_comes_back() -> None:
    points = [(1, 4, 5.1), (7, 4, 5.1), (7, 6, 5.1)]
    ring = Cable(points, gauge="2.5 mm2", closed=True)
    assert ring.wires()[0].is_closed
    assert not Cable(points, gauge="2.5 mm2").wires()[0].is_closed


@pytest.mark.parametrize(
    ("bond", "words"),
    [
        ("radial 7", "no wire or piece has the name 'radial 7'"),
        ([("radial 1", "panel")], "no point 'panel'"),
        ([("radial 1", 99.0)], "off the wire"),
        ("pipe", "itself"),
        ([("counterpoise", 1.0)], "joined at its feed"),
        (7.0, "not iterable|is no bond"),
    ],
)
def test_bad_bonds(bond, words: str) -> None:
    with pytest.raises((GeometryError, TypeError), match=words):
        in_house(Pipe([(3, 2.0, 5), (6, 1.9, 5)], name="pipe", bonded=bond))


def test_moved_scenes_keep_their_joints() -> None:
    foil = Screen([(0, 0, 8), (6, 0, 8), (6, 4, 8), (0, 4, 8)], name="foil", bonded="duct 1")
    scene = in_house(DUCT, foil)
    before = [wire.length for wire in scene.wires]
    for moved, factor in (
        (scene.translated((3, 1, 2)), 1.0),
        (scene.rotated(33), 1.0),
        (scene.mirrored("y"), 1.0),
        (scene.rotated(10).rotated(-10), 1.0),
    ):
        assert [w.name for w in moved.wires] == [w.name for w in scene.wires]
        np.testing.assert_allclose([w.length for w in moved.wires], np.multiply(before, factor))
        assert len(set(conductors(moved).values())) == len(set(conductors(scene).values())) == 2


def test_pieces_are_led_to_earth_at_their_lowest_end() -> None:
    electrodes = pytest.importorskip("ridgepole.geometry.electrodes")
    rod, known = electrodes.Electrode("0.5 m"), electrodes.Electrode(impedance=40)
    pieces = [
        Downpipe([(8, 0, 0), (8, 0, 5)], diameter=0.08, name="downpipe", earthed=rod),
        Pipe([(3, 3, 5), (7, 3, 5.2)], name="pipe", earthed=known, bonded="radial 1"),
    ]
    scene = Scene([UP, RADIAL], feed=FEED, house=pieces, earth=Earth(13, 0.005))
    assert scene.wire("downpipe").earth_start == rod
    assert scene.wire("downpipe").earth_end is None
    lead = scene.wire("pipe to earth")
    assert lead.earth_end == known
    np.testing.assert_allclose(lead.points, [(3, 3, 5), (3, 3, 0)], atol=ROUNDING)
    assert lead.piece == "pipe"
    assert [w.name for w in scene.without("pipe").wires] == ["up", "radial 1", "downpipe"]


# ---- tanks ----------------------------------------------------------------------------------


def test_a_stout_tank_is_a_cage_with_the_surface_of_the_tank() -> None:
    tank = Tank([(6, 6, 5.2), (6, 6.4, 6.4)], diameter="500 mm", name="tank")
    scene = in_house(tank)
    wires = tank.wires()
    assert len(wires) == 8
    assert 6 * 2 * np.pi * wires[0].radius == pytest.approx(2 * np.pi * 0.25)  # equal area
    axis = np.subtract((6, 6.4, 6.4), (6, 6, 5.2)) / tank.length
    for wire in wires[:6]:
        off = wire.vertices[1:3] - tank.vertices
        np.testing.assert_allclose(np.linalg.norm(off, axis=1), 0.25, atol=ROUNDING)
        np.testing.assert_allclose(off @ axis, 0.0, atol=ROUNDING)
    found = conductors(scene)
    assert len({v for k, v in found.items() if k.startswith("tank")}) == 1
    assert any("cage" in doubt for doubt in scene.doubts())
    slim = Tank([(6, 6, 5.2), (6, 6, 7.2)], width=0.2, height=0.2)
    assert len(slim.wires()) == 1


# ---- screens --------------------------------------------------------------------------------

OUTLINE = [(0, 0, 5), (8, 0, 5), (8, 4, 5), (3, 6, 5), (0, 6, 5)]


def test_the_grid_follows_the_nearest_wire_and_the_wavelength() -> None:
    wire = Wire([(0.6, 0.7, 5.25), (6.4, 1.1, 5.4)], radius=1e-3)
    screen = Screen(OUTLINE, most_pieces=4000)
    for top in (30e6, 120e6):
        ruling = screen.ruling(near=[wire], top_frequency=top)
        assert ruling.coarsened == 1.0
        widest = speed_of_light / top / 12
        local = (wire.points_at(np.linspace(0, wire.length, 300)) - screen.center) @ screen.frame.T
        for axis, lines in ((0, ruling.u), (1, ruling.v)):
            step = np.diff(lines)
            assert step.max() <= widest * (1 + 1e-9)
            ratio = step[1:] / step[:-1]
            assert max(ratio.max(), (1 / ratio).max()) < 1.8
            assert lines[0] == pytest.approx(screen.outline[:, axis].min())
            assert lines[-1] == pytest.approx(screen.outline[:, axis].max())
            middle = 0.5 * (lines[1:] + lines[:-1])
            gap = np.hypot(middle[:, None] - local[:, axis], local[:, 2]).min(axis=1)
            assert (step <= 1.35 * np.maximum(gap, 0.05)).all()
    assert screen.ruling().n_pieces < screen.ruling(near=[wire]).n_pieces
    assert (
        screen.ruling(near=[wire]).n_pieces
        < screen.ruling(near=[wire.translated((0, 0, -0.15))]).n_pieces
    )


def test_the_grid_stays_within_its_pieces_and_says_so() -> None:
    wire = UP.translated((0, 0, 0.1))
    screen = Screen(OUTLINE, name="foil", most_pieces=400)
    scene = in_house(screen, wires=(wire, RADIAL.translated((0, 0, 0.1))))
    assert screen.ruling(near=scene.own_wires).n_pieces <= 400
    assert any("coarser" in doubt for doubt in scene.doubts())
    with pytest.raises(GeometryError, match="most_pieces=10"):
        Screen(OUTLINE, most_pieces=10).wires()


def test_a_grid_covers_its_outline_and_joins_at_every_crossing() -> None:
    screen = Screen(OUTLINE, pitch=0.4, name="foil")
    ruling = screen.ruling()
    scene = in_house(screen, wires=(UP.translated((0, 0, 1)), RADIAL.translated((0, 0, 1))))
    grid = [k for k, wire in enumerate(scene.wires) if wire.piece == "foil"]
    mine = np.isin(scene.skeleton.piece_wire, grid)
    assert mine.sum() == ruling.n_pieces
    nodes = np.unique(scene.skeleton.piece_nodes[mine])
    u, v = ruling.along_u, ruling.along_v
    cells = u[:, :-1] & u[:, 1:] & v[:-1] & v[1:]
    assert mine.sum() - len(nodes) + 1 == cells.sum()  # Euler: each cell is an independent loop
    area = (cells * np.outer(np.diff(ruling.u), np.diff(ruling.v))).sum()
    assert area == pytest.approx(screen.area, rel=0.02)  # discretisation: steps
    assert len({v for k, v in conductors(scene).items() if k.startswith("foil")}) == 1


def test_seams_cut_the_grid() -> None:
    wires = (UP.translated((0, 0, 1)), RADIAL.translated((0, 0, 1)))
    straight = ((4, 0, 5), (4, 6, 5))
    slanting = ((0, 1.3, 5), (8, 3.1, 5))
    for seams, parts in (((), 1), ((straight,), 2), ((slanting,), 2), ((straight, slanting), 4)):
        scene = in_house(Screen(OUTLINE, pitch=0.4, seams=seams, name="foil"), wires=wires)
        found = {v for k, v in conductors(scene).items() if k.startswith("foil")}
        assert len(found) == parts, seams
    part_way = Screen(OUTLINE, pitch=0.4, seams=[((4, 0, 5), (4, 3, 5))], name="foil")
    assert (
        len({v for k, v in conductors(in_house(part_way, wires=wires)).items() if "foil" in k}) == 1
    )
    # The outer wires stand half a pitch from the seam, as far as they reach.
    u = Screen(OUTLINE, pitch=0.4, seams=[straight]).ruling().u
    gap = np.sort(np.abs(u))[:2]
    assert gap == pytest.approx([0.2, 0.2])
    with pytest.raises(GeometryError, match="off its plane"):
        Screen(OUTLINE, seams=[((4, 0, 5), (4, 6, 5.1))])


def test_strips_conduct_as_the_sheet_does() -> None:
    sheet = SheetConductor.named("low-emissivity film")
    screen = Screen([(0, 0, 5), (5, 0, 5), (5, 3, 5), (0, 3, 5)], conductor=sheet, name="film")
    wires = screen.wires(near=[Wire([(1, 0.4, 5.3), (4, 2.2, 5.2)], radius=1e-3)])
    frequency = 7.1e6
    for axis, length, width in ((0, 5.0, 3.0), (1, 3.0, 5.0)):
        lines = [w for w in wires if w.name.startswith(f"film {'uv'[axis]}")]
        conductance, total = 0.0, 0.0
        for wire in lines:
            conductor = wire.conductor
            assert isinstance(conductor, GridConductor)
            z = conductor.internal_impedance(frequency, radius=conductor.pitch / (2 * np.pi))
            conductance += 1.0 / complex(z)
            total += conductor.width
        assert total == pytest.approx(width)
        assert length / conductance == pytest.approx(
            complex(sheet.impedance(frequency)) * length / width, rel=1e-12
        )


def test_a_thinner_wire_of_a_grid_gets_its_inductance_taken_off() -> None:
    conductor = GridConductor(None, 0.3, 0.3)
    frequency = np.array([3.6e6, 28.5e6])
    np.testing.assert_allclose(
        conductor.internal_impedance(frequency, radius=0.3 / (2 * np.pi)), 0.0, atol=1e-9
    )
    z = conductor.internal_impedance(frequency, radius=0.1 / (2 * np.pi))
    np.testing.assert_allclose(z, -1j * frequency * mu_0 * np.log(3.0), rtol=1e-12)


# ---- fat conductors beside wires ------------------------------------------------------------


def cage(axis: np.ndarray, radius: float, n: int = 8) -> list[Wire]:
    """Thin bars around an axis (2, 3), rings at both ends. [m]"""
    along = axis[1] - axis[0]
    u = np.cross(along, (0, 0, 1))
    u /= np.linalg.norm(u)
    v = np.cross(along, u) / np.linalg.norm(along)
    turn = 2 * np.pi * (np.arange(n) + 0.5) / n
    rim = radius * (np.cos(turn)[:, None] * u + np.sin(turn)[:, None] * v)
    bars = [
        Wire([axis[0] + one, axis[1] + one], radius=radius / n, name=f"bar {k}")
        for k, one in enumerate(rim)
    ]
    rings = [
        Wire(end + np.vstack([rim, rim[:1]]), radius=radius / n, name=f"ring {k}")
        for k, end in enumerate(axis)
    ]
    return bars + rings


@pytest.mark.parametrize(("diameter", "offset"), [(0.16, 0.24), (0.4, 1.0), (0.16, 0.12)])
def test_what_a_fat_conductor_lacks_is_told_with_its_size(diameter: float, offset: float) -> None:
    frequency = 14.2e6
    long = Wire([(0, 0, 6.2), (7, 1, 6.6)], gauge="1.5 mm2", name="long")
    radial = Wire([(0, 0, 6.2), (-4, 0.5, 6.2)], gauge="1.5 mm2", name="radial")
    axis = np.array([(1, 0.1429 + offset, 6.257), (5, 0.7143 + offset, 6.486)])

    def scene(*house: Duct, bars: tuple[Wire, ...] = ()) -> Scene:
        return Scene([long, radial, *bars], feed=Feed("long"), house=house)

    duct = scene(Duct(axis, diameter=diameter))
    (doubt,) = [d for d in duct.doubts() if "counts as one thin conductor" in d]
    assert "'duct'" in doubt
    assert "'long'" in doubt
    missing, nearest = missing_inductance(long, axis, 0.5 * diameter)
    assert nearest == pytest.approx(0.99 * offset, rel=0.01)
    # Model: an upper bound, for current that flows in full all along; 0.6 to 1 of it is found.
    fat = scene(bars=tuple(cage(axis, 0.5 * diameter)))
    found = (solve(duct, frequency).impedance - solve(fat, frequency).impedance).imag
    assert 0.6 < found / (2 * np.pi * frequency * missing) < 1.05


def test_no_doubt_about_a_fat_conductor_far_away_or_crossed_or_thin() -> None:
    def told(*points, **options) -> bool:
        wires = (UP.translated((0, 0, 1)), RADIAL.translated((0, 0, 1)))
        doubts = in_house(Duct(points, **options), wires=wires).doubts()
        return any("thin conductor" in doubt for doubt in doubts)

    start, end = RADIAL.translated((0, 0, 1)).vertices[[0, -1]]
    way = (end - start) / np.linalg.norm(end - start)
    beside = np.cross(way, (0, 0, 1.0))
    a, b = start + 0.3 * (end - start), start + 0.8 * (end - start)
    assert told(a + 0.3 * beside, b + 0.3 * beside, diameter=0.2)
    assert not told(a + 0.6 * beside, b + 0.6 * beside, diameter=0.2)
    assert not told(a + 0.3 * beside, b + 0.3 * beside, diameter=0.015)
    low = a - (0, 0, 0.3)
    assert not told(low - 2 * beside, low + 2 * beside, diameter=0.2)


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: Duct([(0, 0, 1), (3, 0, 1)], width=0.3), "width and height, or diameter"),
        (lambda: Duct([(0, 0, 1), (3, 0, 1)], diameter=-0.1), "above 0"),
        (lambda: Pipe([(0, 0, 1), (3, 0, 1)], diameter="0 mm"), "above 0"),
        (lambda: Cable([(0, 0, 1), (3, 0, 1)]), "gauge of a core"),
        (lambda: Cable([(0, 0, 1), (3, 0, 1)], gauge="1.5 mm2", cores=9), "cores=9"),
        (
            lambda: Cable([(0, 0, 1), (3, 0, 1)], gauge="1.5 mm2", cores=2, spacing="1 mm"),
            "in each other",
        ),
        (lambda: Tank([(0, 0, 1), (0, 0, 2), (0, 0, 3)], diameter=0.1), "3 points"),
        (lambda: Screen([(0, 0, 1), (3, 0, 1)]), "2 corners"),
        (lambda: Screen(OUTLINE, pitch=-1), "above 0"),
        (lambda: Screen(OUTLINE, conductor=WRONG), "no conducting sheet"),
        (lambda: Duct([(0, 0, 1), (3, 0, float("nan"))], diameter=0.1), "finite"),
    ],
)
def test_bad_metal(make, words: str) -> None:
    with pytest.raises(GeometryError, match=words):
        make()
