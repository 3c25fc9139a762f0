"""Wires and feeds: what they hold, how changed copies relate, what is refused."""

import math
import pickle

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ridgepole.geometry import Feed, FeedError, GeometryError, Scene, Wire

ROUNDING = 1e-12

coordinate = st.floats(-20, 20).map(lambda x: round(x, 3))
point = st.tuples(coordinate, coordinate, coordinate)


@st.composite
def wires(draw):
    """Bent wires whose stretches are all longer than 10 mm, with a mark."""
    points = [draw(point)]
    for step in draw(st.lists(point, min_size=1, max_size=5)):
        candidate = tuple(a + b for a, b in zip(points[-1], step, strict=True))
        if math.dist(candidate, points[-1]) > 0.01:
            points.append(candidate)
    if len(points) == 1:
        points.append((points[0][0] + 1.0, *points[0][1:]))
    part = draw(st.floats(0.0, 1.0))
    wire = Wire(points, radius=1e-3, name="w")
    return wire.with_marks(part * wire.length)


@given(wires(), st.floats(-720, 720), point, st.sampled_from(["x", "y"]))
def test_motions_keep_length_and_carry_every_point(wire, degrees, move, axis):
    at = 0.37 * wire.length
    turn = math.radians(degrees)
    x, y, z = wire.position(at)
    for changed, expected in [
        (
            wire.rotated(degrees),
            (
                x * math.cos(turn) - y * math.sin(turn),
                x * math.sin(turn) + y * math.cos(turn),
                z,
            ),
        ),
        (wire.translated(move), np.add((x, y, z), move)),
        (wire.mirrored(axis), (-x, y, z) if axis == "x" else (x, -y, z)),
    ]:
        assert changed.length == pytest.approx(wire.length, rel=ROUNDING)
        np.testing.assert_allclose(changed.position(at), expected, rtol=0, atol=1e-11)
        assert changed.marks == pytest.approx(wire.marks, rel=ROUNDING)
        assert (changed.radius, changed.name) == (wire.radius, wire.name)


@given(wires(), st.floats(0.1, 10.0))
def test_scaling_scales_length_radius_and_marks(wire, factor):
    changed = wire.scaled(factor)
    assert changed.length == pytest.approx(factor * wire.length, rel=ROUNDING)
    assert changed.radius == pytest.approx(factor * wire.radius, rel=ROUNDING)
    assert changed.marks == pytest.approx([factor * m for m in wire.marks], rel=ROUNDING)


@given(wires(), st.floats(0.01, 0.99))
def test_split_keeps_length_and_every_point(wire, part):
    at = part * wire.length
    if not 0.002 < at < wire.length - 0.002:
        return
    one, two = wire.split(at)
    assert one.length + two.length == pytest.approx(wire.length, rel=1e-9, abs=1e-9)
    assert abs(one.length - at) <= 1e-3  # a corner within 1 mm is taken instead
    np.testing.assert_array_equal(one.vertices[-1], two.vertices[0])
    where = 0.5 * (one.length + wire.length)
    np.testing.assert_allclose(
        two.position(where - one.length), wire.position(where), rtol=0, atol=1e-9
    )
    assert (one.name, two.name) == ("w 1", "w 2")


@given(wires())
def test_reversed_measures_from_the_other_end(wire):
    back = wire.reversed()
    at = 0.21 * wire.length
    np.testing.assert_allclose(
        back.position(at), wire.position(wire.length - at), rtol=0, atol=1e-10
    )
    np.testing.assert_allclose(
        back.position(back.marks[0]), wire.position(wire.marks[0]), rtol=0, atol=1e-10
    )


def test_pruning_cuts_the_far_end_only():
    wire = Wire([(0, 0, 6), (3, 0, 6), (3, 2, 7)], radius=1e-3, marks=(1.0,))
    pruned = wire.with_length(3.5)
    assert pruned.length == pytest.approx(3.5, rel=ROUNDING)
    np.testing.assert_allclose(pruned.position(3.2), wire.position(3.2), atol=1e-12)
    assert wire.with_length("6 ft").length == pytest.approx(1.8288, rel=ROUNDING)
    assert wire.with_length(wire.length) is wire
    with pytest.raises(GeometryError, match=r"cannot be pruned to 9 m"):
        wire.with_length(9)
    with pytest.raises(GeometryError, match=r"marked point at 1 m"):
        wire.with_length(0.7)


def test_split_hands_marks_to_the_part_that_holds_them():
    wire = Wire([(0, 0, 6), (3, 0, 6), (3, 2, 6)], radius=1e-3, marks=(1.0, 2.5, 4.0))
    one, two = wire.split(2.0)
    assert one.marks == pytest.approx([1.0])
    assert two.marks == pytest.approx([0.5, 2.0])


def test_arrays_are_read_only_also_after_pickling():
    wire = Wire([(0, 0, 0), (1, 2, 2)], gauge="14 AWG")
    assert wire.length == 3.0
    assert wire.vertices.shape == (2, 3)
    again = pickle.loads(pickle.dumps(wire))
    assert again == wire
    assert hash(again) == hash(wire)
    for array in (wire.vertices, wire.vertex_distances, again.vertices):
        with pytest.raises(ValueError, match="read-only"):
            array[0] = 1.0


def test_lengths_may_be_text():
    wire = Wire([("3 ft", 0, "8 m"), (5, 0, 8)], radius="1 mm", marks=["1 ft"])
    assert wire.points[0] == pytest.approx((0.9144, 0, 8))
    assert wire.radius == pytest.approx(1e-3)
    assert wire.marks == pytest.approx((0.3048,))
    with pytest.raises(GeometryError, match=r"Wire 'wire': points .* no unit"):
        Wire([("3", 0, 8), (5, 0, 8)], radius=1e-3)


def test_loop_closes_and_opens_where_asked():
    corners = [(0, 0, 5), (4, 0, 5), (4, 2, 5), (0, 2, 5)]
    closed = Wire.loop(corners, radius=1e-3)
    assert closed.is_closed
    assert closed.length == 12.0
    assert Wire.loop([*corners, corners[0]], radius=1e-3) == closed
    for at in (0.0, 5.3, 11.998):  # at a corner, in a stretch, just before the first corner
        wire = Wire.loop(corners, radius=1e-3, opening_at=at, opening=0.02)
        assert not wire.is_closed
        assert wire.length == pytest.approx(11.98, abs=1e-9)
        np.testing.assert_allclose(wire.vertices[0], closed.position((at + 0.01) % 12), atol=1e-9)
        np.testing.assert_allclose(wire.vertices[-1], closed.position((at - 0.01) % 12), atol=1e-9)
    with pytest.raises(GeometryError, match="opening of 7 m"):
        Wire.loop(corners, radius=1e-3, opening_at=1.0, opening=7)
    with pytest.raises(GeometryError, match="three or more"):
        Wire.loop(corners[:2], radius=1e-3)


def test_displays_are_short_and_carry_units():
    wire = Wire([(0, 0, 8), (5, 0, 8), (5, 3, 9)], gauge="14 AWG", name="first")
    assert repr(wire) == "Wire('first', 8.162 m in 2 stretches, 14 AWG (radius 0.814 mm))"
    assert repr(wire.scaled(2)) == "Wire('first', 16.32 m in 2 stretches, radius 1.63 mm)"
    assert repr(Feed("first", at=2)) == "Feed('first' at 2 m)"
    feed = Feed(["a", "b"], name="switch", termination=50 - 5j)
    assert repr(feed) == "Feed('a' + 'b' at 0 m, 'switch', 50-5j ohm)"


LINE = [(0, 0, 3), (4, 0, 3)]


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        ({"points": [(0, 0, 3), (4, math.nan, 3)]}, "y of point 2 is nan"),
        ({"points": [(0, 0, 3), (math.inf, 0, 3)]}, "x of point 2 is inf"),
        ({"points": [(0, 0, 3), (0, 0, 3)]}, "points 1 and 2.*0 mm apart"),
        ({"points": [(0, 0, 3), (4, 0, 3), (4, 0, 3.0005), (5, 0, 3)]}, "points 2 and 3"),
        ({"points": [(0, 0, 3)]}, r"shape \(1, 3\)"),
        ({"points": [(0, 0), (1, 1)]}, r"shape \(2, 2\)"),
        ({"points": [(0, 0, 3), (1, 1)]}, "list of"),
        ({"points": [(0, 0, 3), (1j, 1, 0)]}, "list of"),
        ({"points": LINE, "radius": None}, "no thickness"),
        ({"points": LINE, "radius": 0.0}, "above 0"),
        ({"points": LINE, "radius": -1e-3}, "above 0"),
        ({"points": LINE, "radius": math.nan}, "not finite"),
        ({"points": LINE, "gauge": "14 AWG"}, "both given"),
        ({"points": LINE, "radius": None, "gauge": "x"}, "Wire 'w'.*no wire gauge"),
        ({"points": LINE, "marks": [4.1]}, "mark at 4.1 m is off the wire"),
        ({"points": LINE, "marks": [-0.1]}, "mark at -0.1 m is off the wire"),
        ({"points": LINE, "name": " "}, "name ' '"),
        ({"points": LINE, "conductor": 5.8e7}, "no Conductor"),
    ],
)
def test_bad_wires_are_refused_with_place_and_value(arguments, says):
    with pytest.raises(GeometryError, match=says):
        Wire(**({"radius": 1e-3, "name": "w"} | arguments))


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda w: w.position(4.01), "4.01 m is off the wire"),
        (lambda w: w.split(0.0005), "leaves nothing"),
        (lambda w: w.scaled(0.0), "must be above 0"),
        (lambda w: w.scaled(math.nan), "must be above 0"),
        (lambda w: w.rotated(math.inf), "not finite"),
        (lambda w: w.mirrored("z"), "'x' or 'y'"),
        (lambda w: w.translated((1, 2)), "dx, dy, dz"),
    ],
)
def test_bad_changes_are_refused(call, says):
    with pytest.raises(GeometryError, match=says):
        call(Wire(LINE, radius=1e-3))


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        ({"at": -0.5}, "negative"),
        ({"at": "centre"}, "no place on a wire"),
        ({"at": math.nan}, "not finite"),
        ({"name": ""}, "name"),
        ({"wires": []}, "needs the name"),
        ({"wires": ["a", ""]}, "needs the name"),
        ({"wires": ["a", "a"]}, "twice"),
        ({"voltage": math.inf}, "voltage"),
        ({"voltage": "1"}, "voltage"),
        ({"termination": math.nan}, "termination"),
        ({"termination": "closed"}, "termination"),
        ({"termination": -1 + 2j}, "passive"),
        ({"termination": 50, "voltage": 2}, "both a voltage and a termination"),
    ],
)
def test_bad_feeds_are_refused(arguments, says):
    with pytest.raises(FeedError, match=says):
        Feed(**({"wires": "a"} | arguments))


def test_a_feed_in_the_middle_is_where_half_the_length_is():
    wire = Wire([(0, 0, 8), (5, 0, 8), (5, 3, 9)], gauge="14 AWG", name="bent")
    told, counted = (Scene(wire, feed=Feed("bent", at=at)) for at in ("middle", 0.5 * wire.length))
    assert repr(told.feed) == "Feed('bent' at middle)"
    (node,), (other,) = told.skeleton.feeds, counted.skeleton.feeds
    assert node == other
    assert told.scaled(0.5).feed == told.feed  # it stays in the middle


def test_the_middle_of_several_wires_is_refused():
    with pytest.raises(FeedError, match="at='middle' goes with one wire"):
        Feed(["first", "second"], at="middle")
