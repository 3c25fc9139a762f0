"""Routes, elements, the counterpoise and how they meet. Tolerance class: rounding."""

import dataclasses
from typing import Any

import numpy as np
import pytest

from ridgepole.geometry import (
    Attic,
    BentL,
    Bond,
    Counterpoise,
    Element,
    Feed,
    FeedError,
    GeometryError,
    Loop,
    Radial,
    Route,
    Scene,
    Wire,
    WireKind,
)
from ridgepole.geometry.fitting import fit_radials
from ridgepole.geometry.outlines import inside, segment_distance

HOUSE = Attic(
    ("9.4 m", "6.2 m"), ceiling_height=4.8, eaves_height=5.3, ridge_height=8.1, ridge_bearing=203
)
HUB = (1.7, 2.2, 0.0)
RISE = Element("rise", [(1.7, 2.9, 2.5), (8.8, 2.9, 2.5), (8.8, 0.8, 0.5)], "33 ft")
SIDE = Element("side", [(1.2, 3.6, 1.9), (0.5, 4.2, 1.6), (0.5, 5.2, 0.9)], 3.4)
THIN = WireKind.from_text("0.75 mm2 hard-drawn copper, bare")


def bent(counterpoise=None, **options) -> Any:
    options = {"attic": HOUSE, "kind": THIN, **options}
    return BentL(HUB[:2], [RISE, SIDE], counterpoise or Counterpoise(9, "4.1 m"), **options)


def wire_named(antenna, name) -> Any:
    return next(w for w in antenna.wires() if w.name == name)


def test_element_follows_its_route_and_is_cut_to_its_length():
    wire = wire_named(bent(), "rise")
    assert wire.length == pytest.approx(33 * 0.3048, abs=1e-12)
    assert wire.vertices[0] == pytest.approx([1.7, 2.2, 4.8])
    assert wire.vertices[2] == pytest.approx([8.8, 2.9, 7.3])
    # what is left after rise and ridge runs down the last stretch
    left = 33 * 0.3048 - np.hypot(0.7, 2.5) - 7.1
    way = np.array([0, -2.1, -2.0]) / np.hypot(2.1, 2.0)
    assert wire.vertices[3] == pytest.approx(np.array([8.8, 2.9, 7.3]) + left * way)
    assert wire.conductor.name == "hard-drawn copper"


def test_pruning_is_one_number_and_keeps_the_unit():
    antenna = bent()
    shorter = antenna.pruned(rise="-35 cm", side=0.12)
    assert shorter.element("rise").length == pytest.approx(33 * 0.3048 - 0.35)
    assert shorter.element("rise").length.unit in ("ft", "ft in")
    assert wire_named(shorter, "side").length == pytest.approx(3.52)
    assert antenna.element("side").length == 3.4  # the first is untouched
    assert shorter.wires()[2:] == antenna.wires()[2:]
    with pytest.raises(GeometryError, match=r"No element is called 'rize'"):
        antenna.pruned(rize=-0.1)
    with pytest.raises(dataclasses.FrozenInstanceError):
        antenna.elements = ()


def test_a_length_beyond_the_route_tells_the_missing_metres():
    total = np.hypot(0.7, 2.5) + 7.1 + np.hypot(2.1, 2.0)
    with pytest.raises(GeometryError, match=rf"'rise'.*{13.0 - total:.3f} m are missing"):
        bent().with_element_length(rise=13.0)


def test_an_element_without_a_length_takes_its_route():
    antenna: Any = BentL(
        HUB, [dataclasses.replace(SIDE, length=None)], Counterpoise(3, 2), attic=HOUSE
    )
    route = Route.of(SIDE.route)
    first = np.linalg.norm(route.array[0] - HUB)
    assert antenna.element("side").length == pytest.approx(route.length + first)


def test_all_wires_meet_at_the_feed_and_the_scene_accepts_them():
    antenna = bent()
    for wire in antenna.wires():
        assert wire.vertices[0].tolist() == [1.7, 2.2, 4.8]
    scene = antenna.scene()
    (feed,) = scene.skeleton.feeds
    assert len(feed.group_a) == 2
    at_node = np.sum(scene.skeleton.piece_nodes == feed.node)
    assert at_node == 2 + 9


@pytest.mark.parametrize("n", [3, 8, 13, 16])
@pytest.mark.parametrize("length", [2.4, 4.1, 6.5])
def test_fitted_radials_keep_length_margin_spacing_and_start(n, length):
    radials = Counterpoise(n, length, 31.0, margin=0.12, spacing=0.07).wires(
        HUB, kind=THIN, attic=HOUSE
    )
    assert len(radials) == n
    for k, wire in enumerate(radials):
        assert wire.length == pytest.approx(length, abs=1e-9)
        flat = wire.vertices[:, :2]
        assert inside(HOUSE.corners, flat, tolerance=-0.12 + 1e-9).all()
        way = flat[1] - flat[0]
        bearing = HOUSE.bearing(np.degrees(np.arctan2(way[1], way[0])))
        assert bearing == pytest.approx((31.0 + 360.0 * k / n) % 360.0)
    for a in radials:
        for b in radials:
            if a is b:
                continue
            p, q = a.vertices[:, :2], b.vertices[:, :2]
            for i in range(1, len(p) - 1):  # stretches along walls
                for j in range(1, len(q) - 1):
                    assert segment_distance(p[i], p[i + 1], q[j], q[j + 1]) > 0.07 - 1e-9
                assert segment_distance(p[i], p[i + 1], q[0], q[1]) > 0.02
    Scene([Wire([[*HUB[:2], 4.8], [*HUB[:2], 6.4]], radius=5e-4, name="up"), *radials],
          feed=Feed("up"))  # fmt: skip


def test_radials_fit_round_a_reentrant_corner():
    hook = Attic(
        outline=[(0, 0), (10, 0), (10, 4), (6, 4), (6, 7), (0, 7)],
        ceiling_height=5, ridge_height=8,
    )  # fmt: skip
    wires = Counterpoise(12, "5.5 m").wires((5.1, 3.3, 0), kind=THIN, attic=hook)
    assert max(len(w.vertices) for w in wires) >= 3
    for wire in wires:
        assert wire.length == pytest.approx(5.5, abs=1e-9)
        assert hook.way_out(hook.to_attic(wire.vertices)) is None


def test_no_room_is_an_error_that_names_the_radial_never_a_shorter_wire():
    with pytest.raises(GeometryError, match=r"no way was found for radial \d+ \(14\.00 m\)"):
        Counterpoise(64, 14.0, 0.0).wires(HUB, kind=THIN, attic=HOUSE)
    assert isinstance(
        fit_radials(HOUSE.corners, np.array([0.05, 3.0]), [0.3], [2.0], margin=0.1, spacing=0.06),
        int,
    )


def test_straight_radials_that_leave_must_say_so():
    with pytest.raises(GeometryError, match=r"'radial \d+' leaves the attic.*outside = true"):
        bent(Counterpoise(7, 4.1, fit=False))
    antenna = bent(Counterpoise(7, 4.1, fit=False, outside=True))
    assert all(len(w.vertices) == 2 for w in antenna.wires()[2:])


def test_radials_told_one_by_one():
    counterpoise = Counterpoise(
        [
            Radial(3.0, bearing=203.0),
            Radial("2.5 m", points=[(1.7, 0.6), (4.9, 0.6)], name="along the eaves"),
            Radial(9.0, bearing=23.0, name="garden", outside=True),
        ]
    )
    antenna = bent(counterpoise)
    along = wire_named(antenna, "radial 1").vertices
    assert along[-1] == pytest.approx([4.7, 2.2, 4.8])  # the ridge's bearing is +x
    assert wire_named(antenna, "along the eaves").vertices[-1] == pytest.approx([2.6, 0.6, 4.8])
    assert wire_named(antenna, "garden").vertices[-1] == pytest.approx([-7.3, 2.2, 4.8])


def test_radials_lower_or_higher_than_the_feed_keep_their_length():
    wires = Counterpoise(6, 4.0, height=0.2).wires((3.0, 3.0, 0.9), kind=THIN, attic=HOUSE)
    for wire in wires:
        assert wire.length == pytest.approx(4.0, abs=1e-9)
        assert wire.vertices[1:, 2] == pytest.approx(5.0)
        assert wire.vertices[0, 2] == pytest.approx(5.7)


def test_bonded_conductor_joins_at_the_feed_point_or_by_a_lead():
    pipe = Wire([(1.7, 2.2, 0.3), (1.7, 2.2, 4.8), (1.7, 0.2, 4.8)], radius=0.01, name="pipe",
                outside=True)  # fmt: skip
    scene = bent(Counterpoise(bonds=[Bond(pipe)])).scene()
    (feed,) = scene.skeleton.feeds
    assert np.sum(scene.skeleton.piece_nodes == feed.node) == 2 + 2

    passing = Wire([(-0.2, 1.0, 0.3), (-0.2, 1.0, 7.0)], radius=0.04, name="down", outside=True)
    with pytest.raises(GeometryError, match=r"'down' is to be bonded.*at = 4\.50 m is nearest"):
        bent(Counterpoise(bonds=[Bond(passing)]))
    antenna = bent(Counterpoise(4, 2.0, bonds=[Bond(passing, "4.5 m")]))
    lead = wire_named(antenna, "bond to down")
    assert lead.vertices[-1] == pytest.approx([-0.2, 1.0, 4.8])
    assert wire_named(antenna, "down").marks == (4.5,)
    skeleton = antenna.scene().skeleton
    end = np.flatnonzero(np.linalg.norm(skeleton.nodes - [-0.2, 1.0, 4.8], axis=1) < 1e-6)
    assert np.sum(skeleton.piece_nodes == end[0]) == 3  # lead, above, below


@pytest.mark.parametrize(
    ("build", "words"),
    [
        (lambda: Counterpoise(), "nothing to work against"),
        (lambda: Counterpoise(8), "without a length"),
        (lambda: Counterpoise(**{"radials": 8.0, "length": 3}), "whole number"),
        (lambda: Counterpoise(500, 3), "500 radials"),
        (lambda: Counterpoise(8, "3"), "no unit"),
        (lambda: Radial(3.0), "bearing or its points"),
        (lambda: Element("x", [(1, 2)]), "Point 1 of the route"),
        (lambda: Element("x", [(1, 2, float("nan"))]), "not finite"),
        (lambda: bent(attic=Attic((1, 1), ceiling_height=3, ridge_height=4)),
         "feed point.*outside"),
        (lambda: BentL(HUB, [RISE, RISE], Counterpoise(3, 1), attic=HOUSE), "called 'rise'"),
        (lambda: WireKind.from_text("copper"), "cannot be read"),
        (lambda: bent(attic=dataclasses.replace(HOUSE, ridge_height=7.2)),
         r"'rise' leaves the attic at .*0.22 m above the underside of the roof"),
    ],
)  # fmt: skip
def test_bad_antennas_are_refused_with_words(build, words):
    with pytest.raises(GeometryError, match=words):
        build()


def test_routes_as_the_tape_tells_them():
    route = Route.told(
        "up to the ridge, then along it 6 m, then down the right rafter 2 m; left 0.25 m",
        start=HUB,
        attic=HOUSE,
    )
    slope = 2.8 / 3.1
    run = 2.0 / np.hypot(1.0, slope)
    assert route.array == pytest.approx(
        np.array(
            [
                HUB,
                (1.7, 3.1, 3.25),
                (7.7, 3.1, 3.25),
                (7.7, 3.1 - run, 3.25 - slope * run),
                (7.7, 3.35 - run, 3.25 - slope * run),
            ]
        )
    )
    for step, words in (
        ("down rafter 4", "Rafters are not numbered"),
        ("up to 0 m", "above the floor there"),
        ("down to the floor", "there already"),
        ("up the left rafter 1 m", "end at the ridge"),
        ("along the ridge six metres", "not understood"),
    ):
        with pytest.raises(GeometryError, match=words):
            Route.told([step], start=HUB, attic=HOUSE)


def test_a_loop_has_a_switch():
    points = [(1, 1, 0.3), (4, 1, 0.3), (4, 4, 0.3), (1, 4, 0.3)]
    loop: Any = Loop(points, kind=THIN, attic=HOUSE, opening_at="4.5 m")
    feed = Feed("loop", at=1.0)
    for one, termination in ((loop, 0.0), (loop.opened(), "open")):
        scene = Scene(one.wire(), feeds=[feed, one.switch()])
        assert scene.feeds[1].termination == termination
        assert scene.wires[0].is_closed
        assert len(scene.skeleton.feeds) == 2
    with pytest.raises(FeedError, match="has no opening"):
        Loop(points, kind=THIN, is_open=True)
    with pytest.raises(FeedError, match="off the loop"):
        Loop(points, kind=THIN, opening_at=12.5)
