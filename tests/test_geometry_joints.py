"""Joints: which ends meet at which node, how wires are cut, where feeds sit."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ridgepole.geometry import Feed, FeedError, GeometryError, Scene, Wire
from ridgepole.geometry.joints import cluster_points, trace_joints
from ridgepole.geometry.nearness import segment_distances
from ridgepole.materials import Earth


def line(*points, name="a", radius=1e-3, **rest):
    return Wire(points, radius=radius, name=name, **rest)


def ends_at(skeleton, node):
    """(wire, side) of every piece end at a node, in order."""
    return sorted(
        (int(skeleton.piece_wire[k]), side) for k, side in np.argwhere(skeleton.piece_nodes == node)
    )


def hub(n, bend=0.3):
    """n lopsided bent wires from (1, 2, 8)."""
    made = []
    for k in range(n):
        turn = 2 * np.pi * (k + 0.1 * (k % 3)) / n
        c, s = np.cos(turn), np.sin(turn)
        far = 3.0 + 0.2 * k
        made.append(
            line(
                (1, 2, 8),
                (1 + 2 * c, 2 + 2 * s, 8.0 + bend),
                (1 + far * c, 2 + far * s, 8.2),
                name=f"r{k}",
            )
        )
    return made


def test_three_wires_meet_at_one_node():
    """One drawn towards the hub, all within 1 mm of it but none exactly on another."""
    wires = [
        line((0, 0, 5), (3, 0, 5.5), name="a"),
        line((-1, 2, 5), (0.0005, 0, 5), name="b"),
        line((0, -0.0004, 5), (-1, -2, 6), (-3, -2, 6), name="c"),
    ]
    skeleton = trace_joints(Scene(wires, feed=Feed("a")))
    assert skeleton.nodes.shape == (5, 3)
    node = skeleton.feeds[0].node
    assert ends_at(skeleton, node) == [(0, 0), (1, 1), (2, 0)]
    np.testing.assert_allclose(skeleton.nodes[node], (0.0005 / 3, -0.0004 / 3, 5), atol=1e-15)
    assert skeleton.feeds[0].group_a == ((0, 0),)
    assert skeleton.piece_wire.tolist() == [0, 1, 2, 2]
    assert not skeleton.node_on_ground.any()


def test_a_gap_above_one_millimetre_is_no_join():
    def meets(gap):
        wires = [
            line((0, 0, 5), (3, 0, 5), radius=1e-4),
            line((-gap, 0, 5), (-3, 0, 5), name="b", radius=1e-4),
        ]
        return len(Scene(wires, feed=Feed("a", at=1)).skeleton.nodes) == 4

    assert meets(0.99e-3)  # two free ends, the join, the feed
    assert not meets(1.01e-3)


def test_hub_of_35_wires_in_any_order():
    wires = hub(35)
    skeleton = Scene(wires, feed=Feed("r0")).skeleton
    node = skeleton.feeds[0].node
    assert ends_at(skeleton, node) == [(k, 0) for k in range(35)]
    assert skeleton.nodes.shape == (71, 3)
    assert skeleton.piece_wire.size == 70
    shuffled = [wires[k] for k in np.random.default_rng(3).permutation(35)]
    again = Scene(shuffled, feed=Feed("r0")).skeleton
    assert len(ends_at(again, again.feeds[0].node)) == 35
    np.testing.assert_array_equal(again.nodes[again.feeds[0].node], skeleton.nodes[node])


def test_closed_loop_joins_itself():
    loop = Wire.loop([(0, 0, 5), (4, 0, 5), (4, 2, 6)], radius=1e-3)
    skeleton = Scene(loop, feed=Feed("loop")).skeleton
    assert skeleton.nodes.shape == (3, 3)
    assert skeleton.piece_nodes.tolist() == [[0, 1], [1, 2], [2, 0]]
    assert skeleton.feeds[0].node == 0
    assert skeleton.feeds[0].group_a == ((0, 0),)
    at_end = Scene(loop, feed=Feed("loop", at="end")).skeleton
    assert at_end.feeds[0].node == 0
    assert at_end.feeds[0].group_a == ((2, 1),)


def test_mark_makes_a_t_junction():
    through = line((0, 0, 5), (10, 0, 5), marks=(4.0,))
    stem = line((4, 3, 5), (4, 0, 5), name="b")
    skeleton = Scene([through, stem], feed=Feed("b", at="end")).skeleton
    node = skeleton.feeds[0].node
    assert ends_at(skeleton, node) == [(0, 0), (0, 1), (1, 1)]
    assert skeleton.feeds[0].group_a == ((2, 1),)
    np.testing.assert_allclose(skeleton.piece_span, [[0, 4], [4, 10], [0, 3]], atol=1e-15)


def test_two_marked_wires_cross_and_join():
    one = line((0, 0, 5), (10, 0, 5), marks=(4.0,))
    two = line((4, -2, 5), (4, 5, 5), name="b", marks=(2.0,))
    skeleton = Scene([one, two], feed=Feed("b", at=2.0)).skeleton
    assert len(ends_at(skeleton, skeleton.feeds[0].node)) == 4
    assert skeleton.feeds[0].group_a == ((3, 0),)


def test_feed_and_mark_near_a_corner_are_that_corner():
    wire = line((0, 0, 5), (4, 0, 5), (4, 3, 5), marks=(4.0005, 6.0))
    skeleton = Scene(wire, feeds=[Feed("a", at=3.9995), Feed("a", at=6.0009)]).skeleton
    np.testing.assert_allclose(skeleton.piece_span, [[0, 4], [4, 6], [6, 7]], atol=1e-15)
    assert [feed.group_a for feed in skeleton.feeds] == [((1, 0),), ((2, 0),)]


def test_feed_in_a_stretch_cuts_it_and_drives_the_far_part():
    wire = line((0, 0, -5), (0, 0, 5), name="dipole")
    for at in (2.5, "2.5 m"):
        skeleton = Scene(wire, feed=Feed("dipole", at=at)).skeleton
        np.testing.assert_array_equal(skeleton.nodes, [(0, 0, -5), (0, 0, -2.5), (0, 0, 5)])
        assert skeleton.feeds[0].group_a == ((1, 0),)


def test_feed_between_groups_of_wires():
    skeleton = Scene(hub(7), feed=Feed(["r1", "r4"], at="start")).skeleton
    assert skeleton.feeds[0].group_a == ((2, 0), (8, 0))


def test_only_perfect_ground_makes_ground_points():
    wire = line((0, 0, 0.0006), (0, 0, 5), (3, 0, 5), (3, 0, -0.0004))
    skeleton = Scene(wire, feed=Feed("a"), earth=Earth.perfect()).skeleton
    assert skeleton.node_on_ground.tolist() == [True, False, False, True]
    assert skeleton.nodes[:, 2].tolist() == [0.0, 5.0, 5.0, 0.0]
    assert skeleton.feeds[0].group_a == ((0, 0),)  # the ground is the other side
    free = Scene(wire, feed=Feed("a", at=2.0)).skeleton
    assert not free.node_on_ground.any()
    assert free.nodes[0, 2] == 0.0006


def test_ground_points_join_where_they_stand():
    """1.7 mm apart in height, but both are set on the ground there."""
    wires = [line((0, 0, 0.0009), (0, 0, 5)), line((0, 0.0002, -0.0008), (0, 4, 2), name="b")]
    skeleton = Scene(wires, feed=Feed("a"), earth=Earth.perfect()).skeleton
    assert ends_at(skeleton, skeleton.feeds[0].node) == [(0, 0), (1, 0)]
    np.testing.assert_allclose(skeleton.nodes[skeleton.feeds[0].node], (0, 0.0001, 0), atol=1e-15)


@pytest.mark.parametrize(
    ("feed", "says"),
    [
        (Feed("a"), "free end"),
        (Feed("a", at="end"), "free end"),
        (Feed("a", at=5.002), "5.002 m is off the end of wire 'a', which is 5 m"),
        (Feed("dipol", at=1), "no wire 'dipol'.*'dipole'"),
        (Feed("zzz", at=1), "no wire 'zzz'.*The scene has 'a', 'dipole'"),
        (Feed(["a", "dipole"], at=1), "'a' and 'dipole' are not joined at at=1.0"),
    ],
)
def test_misplaced_feeds_are_refused(feed, says):
    wires = [line((0, 0, 5), (5, 0, 5)), line((0, 2, 5), (5, 2, 5), name="dipole")]
    with pytest.raises(FeedError, match=says):
        Scene(wires, feed=feed)


def test_a_sliver_that_closes_on_itself_is_refused():
    """Three corners that chain into one node, each within 1 mm of the next by way of another."""
    wire = line((0, 0, 5), (0.0012, 0, 5), (3, 0, 5), radius=1e-4)
    other = line((0.0006, 0, 5), (0, 4, 5), name="b", radius=1e-4)
    with pytest.raises(GeometryError, match="begins and ends at one join"):
        Scene([wire, other], feed=Feed("b"))


@given(st.integers(0, 2**32 - 1), st.integers(2, 60))
@settings(max_examples=40)
def test_clusters_agree_with_comparing_all_pairs(seed, n):
    """Twin: all pairs, connected by repeated squaring of the nearness matrix."""
    random = np.random.default_rng(seed)
    points = random.integers(0, 4, (n, 3)) * 0.7e-3 + random.uniform(0, 2e-4, (n, 3))
    near = np.linalg.norm(points[:, None] - points[None], axis=2) <= 1e-3
    for _ in range(7):
        near = (near.astype(int) @ near.astype(int)) > 0
    labels = cluster_points(points, 1e-3)
    np.testing.assert_array_equal(labels[:, None] == labels[None], near)
    firsts = [int(np.flatnonzero(labels == k)[0]) for k in range(labels.max() + 1)]
    assert firsts == sorted(firsts)


@given(st.integers(0, 2**32 - 1), st.sampled_from(["skew", "parallel", "flat"]))
@settings(max_examples=40)
def test_segment_distance_agrees_with_a_fine_scan(seed, kind):
    """Twin: distance of 801 points of one segment to the other segment, exact for a point."""
    random = np.random.default_rng(seed)
    a0, a1, b0, b1 = random.uniform(-1, 1, (4, 3))
    if kind == "parallel":
        b1 = b0 + random.uniform(-2, 2) * (a1 - a0)
    if kind == "flat":
        a0[2] = a1[2] = b0[2] = b1[2] = 0.0
    along = np.linspace(0, 1, 801)[:, None]
    on_a = a0 + along * (a1 - a0)
    v = b1 - b0
    t = np.clip((on_a - b0) @ v / (v @ v), 0, 1)
    scan = np.linalg.norm(on_a - b0 - t[:, None] * v, axis=1).min()
    distance, s, t = (x[0] for x in segment_distances(*(p[None] for p in (a0, a1, b0, b1))))
    step = np.linalg.norm(a1 - a0) / 800
    assert scan - step <= distance <= scan + 1e-12
    gap = a0 + s * (a1 - a0) - b0 - t * (b1 - b0)
    assert np.linalg.norm(gap) == pytest.approx(distance, abs=1e-14)
    assert 0 <= s <= 1
    assert 0 <= t <= 1
