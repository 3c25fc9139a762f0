"""The attic as a room: roof, walls, bearings. Tolerance class: rounding."""

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ridgepole.geometry import Attic, GeometryError
from ridgepole.geometry.outlines import inset, inside, signed_area

HOUSE: Any = Attic(
    ("9.4 m", "6.2 m"), ceiling_height=4.8, eaves_height=5.3, ridge_height=8.1, ridge_bearing=203
)
# plan like an L: the notch is x > 6, y > 4
HOOK: Any = Attic(
    outline=[(0, 0), (0, 7), (6, 7), (6, 4), (10, 4), (10, 0)],  # clockwise on purpose
    ceiling_height="16 ft",
    ridge_height="27 ft 6 in",
)


def test_roof_is_a_gable_over_the_middle():
    # straight lines by hand: eaves 0.5 m and ridge 3.3 m above the floor, half width 3.1 m
    assert HOUSE.roof_height([0.0, 3.1, 6.2, 1.55]) == pytest.approx([0.5, 3.3, 0.5, 1.9])
    assert HOUSE.slope == pytest.approx(2.8 / 3.1)


@pytest.mark.parametrize(
    ("point", "within"),
    [
        ((4.0, 3.1, 3.29), True),
        ((4.0, 3.1, 3.31), False),
        ((4.0, 0.2, 0.7), False),  # above the roof near the eaves
        ((4.0, 0.2, 0.6), True),
        ((-0.01, 3.0, 1.0), False),
        ((0.0, 0.0, 0.0), True),  # corners and surfaces count as inside
        ((4.0, 3.0, -0.01), False),
    ],
)
def test_contains(point, within):
    assert HOUSE.contains(point)[0] == within


def test_a_wire_across_a_reentrant_corner_leaves_though_its_ends_are_inside():
    ends = [(5.0, 6.5, 0.2), (9.5, 3.5, 0.2)]
    assert HOOK.contains(ends).all()
    point, words = HOOK.way_out(ends)
    assert words == "outside the walls"
    assert point[0] > 6.0
    assert point[1] > 4.0
    assert HOOK.way_out([ends[0], (5.9, 3.9, 0.2), ends[1]]) is None


def test_corners_come_out_counter_clockwise_and_lengths_in_feet_are_read():
    assert signed_area(HOOK.corners) == pytest.approx(6 * 7 + 4 * 4)
    assert HOOK.floor_level == pytest.approx(16 * 0.3048)
    assert HOOK.eaves_are_assumed
    assert HOOK.eaves_level == HOOK.floor_level


@given(st.floats(-720, 720), st.floats(-360, 360))
def test_bearing_and_azimuth_undo_each_other(azimuth, ridge):
    attic = Attic((5, 4), ceiling_height=3, ridge_height=6, ridge_bearing=ridge)
    bearing = attic.bearing(azimuth)
    assert 0.0 <= bearing < 360.0
    turn = math.radians(attic.azimuth(bearing) - azimuth)
    assert math.cos(turn) == pytest.approx(1.0, abs=1e-9)


def test_bearing_runs_clockwise_and_starts_at_the_ridge():
    assert HOUSE.bearing(0.0) == 203.0
    assert HOUSE.bearing(90.0) == 113.0  # +y lies to the left of the ridge


def test_pitch_gives_the_missing_height():
    rise = 3.1 * math.tan(math.radians(40.0))
    by_ridge = Attic((9.4, 6.2), ceiling_height=4.8, ridge_height=8.1, pitch=40)
    assert by_ridge.eaves_level == pytest.approx(8.1 - rise)
    assert not by_ridge.eaves_are_assumed
    by_eaves = Attic((9.4, 6.2), ceiling_height=4.8, eaves_height=5.0, pitch=40)
    assert by_eaves.ridge_level == pytest.approx(5.0 + rise)


@pytest.mark.parametrize(
    ("told", "words"),
    [
        ({"size": (9, 6), "ceiling_height": 5}, "give ridge_height, or pitch"),
        ({"size": (9, 6), "ceiling_height": 5, "ridge_height": 4.9}, "not above ceiling_height"),
        ({"size": (9, 6), "ceiling_height": 5, "ridge_height": 8, "pitch": 95}, "pitch is 95"),
        (
            {
                "size": (9, 6),
                "ceiling_height": 5,
                "ridge_height": 8,
                "eaves_height": 5,
                "pitch": 30,
            },
            "leave one of the three out",
        ),
        ({"ceiling_height": 5, "ridge_height": 8}, "neither"),
        (
            {"outline": [(0, 0), (5, 5), (5, 0), (0, 5)], "ceiling_height": 5, "ridge_height": 8},
            "crosses or touches itself",
        ),
        ({"size": (9, math.nan), "ceiling_height": 5, "ridge_height": 8}, "not finite"),
        ({"size": (9, 6), "ceiling_height": 5, "ridge_height": 8, "ridge_bearing": 400}, "400"),
    ],
)
def test_bad_attics_are_refused_by_name(told, words):
    with pytest.raises(GeometryError, match=words):
        Attic(**told)


def test_room_shrinks_under_the_roof_and_by_the_margin():
    room = HOUSE.room_at(1.9)  # the roof is that high at y = 1.55 and 4.65
    assert room[:, 1].min() == pytest.approx(1.55)
    assert room[:, 1].max() == pytest.approx(4.65)
    assert HOUSE.room_at(3.4) is None
    small = HOOK.room_at(0.0, margin=0.25)
    # area of a polygon less its rim: A - d L + d^2 (sum over corners; 5 convex, 1 re-entrant)
    assert signed_area(small) == pytest.approx(58 - 0.25 * 34 + 0.25**2 * 4)
    assert inset(HOUSE.corners, 3.2) is None


def test_inside_agrees_with_the_winding_of_angles():
    rng = np.random.default_rng(5)
    points = rng.uniform((-1, -1), (11, 8), (200, 2))
    for point, found in zip(points, inside(HOOK.corners, points), strict=True):
        ways = HOOK.corners - point
        turns = np.angle((ways[:, 0] + 1j * ways[:, 1]) / np.roll(ways[:, 0] + 1j * ways[:, 1], 1))
        assert found == (abs(turns.sum()) > np.pi)
