"""Timber and sheets: frames, what they contain and cover, moved copies, bad input."""

from __future__ import annotations

import numpy as np
import pytest

from ridgepole.geometry import GeometryError, Sheet, Timber
from ridgepole.geometry.obstructions import covered_area
from ridgepole.materials import Dielectric, MaterialError, Wood

ROUNDING = 1e-12  # rounding
BOARD = Dielectric.constant(2.8, 0.02, name="board")
RAFTER = Timber((1.0, 0.5, 5.0), (1.7, 4.1, 7.3), width="45 mm", depth="170 mm", name="rafter")
# An L with a slanting side, in a tilted plane.
TILT = np.array([[0.8, 0.6, 0.0], [-0.6 * 0.8, 0.8 * 0.8, 0.6]])
L_SHAPE = np.array([[0, 0], [5, 0], [5, 2], [3, 2.5], [2.2, 4], [0, 4.3]])
TILTED = Sheet(L_SHAPE @ TILT + [1, 2, 3], thickness=0.02, material=BOARD, name="tilted")


def test_frame_of_a_rafter_is_right_handed_with_its_depth_square_to_the_slope() -> None:
    frame = RAFTER.frame
    along = np.subtract(RAFTER.end, RAFTER.start)
    np.testing.assert_allclose(frame[0], along / np.linalg.norm(along), atol=ROUNDING)
    np.testing.assert_allclose(frame @ frame.T, np.eye(3), atol=ROUNDING)
    assert np.linalg.det(frame) == pytest.approx(1.0)
    assert frame[1, 2] == pytest.approx(0.0, abs=ROUNDING)  # the width is level
    assert frame[2, 2] > 0.5
    assert RAFTER.half == pytest.approx([0.5 * np.linalg.norm(along), 0.0225, 0.085])


def test_upright_timbers_have_their_depth_along_y_unless_told() -> None:
    stud = Timber((0, 0, 0), (0, 0, 2), width=0.045, depth=0.095)
    assert stud.frame[2] == pytest.approx([0, 1, 0])
    turned = Timber((0, 0, 0), (0, 0, 2), width=0.045, depth=0.095, up=(1, 0, 0.3))
    assert turned.frame[2] == pytest.approx([1, 0, 0])


def test_timber_contains_what_its_own_axes_say() -> None:
    rng = np.random.default_rng(3)
    local = rng.uniform(-1.2, 1.2, (400, 3)) * RAFTER.half
    inside = (np.abs(local) <= RAFTER.half).all(axis=1)
    assert 50 < inside.sum() < 350
    np.testing.assert_array_equal(RAFTER.contains(local @ RAFTER.frame + RAFTER.center), inside)
    edge = RAFTER.center + (RAFTER.half[1] + 0.001) * RAFTER.frame[1]
    assert not RAFTER.contains(edge)[0]
    assert RAFTER.contains(edge, margin=0.0011)[0]
    assert not RAFTER.contains(RAFTER.center, margin=-0.03)[0]


def test_permittivity_follows_the_axes() -> None:
    wood = Wood("spruce", moisture=0.18)
    timber = Timber((0, 0, 1), (3, 0, 1), width=0.05, depth=0.1, wood=wood)
    along, first, second = timber.permittivity(7.1e6)
    assert along == wood.permittivity_along(7.1e6)
    assert first == second == wood.permittivity_across(7.1e6)
    assert along != first
    assert timber.permittivity(np.array([3.6e6, 28.5e6])).shape == (2, 3)
    assert TILTED.permittivity(7.1e6) == pytest.approx([2.8 * (1 - 0.02j)] * 3)


def test_sheet_frame_and_center() -> None:
    frame, half = TILTED.frame, TILTED.half
    assert frame[0] == pytest.approx(TILT[0])  # the longest side
    assert np.linalg.det(frame) == pytest.approx(1.0)
    assert half == pytest.approx([2.5, 2.15, 0.01])
    assert TILTED.center == pytest.approx(np.array([2.5, 2.15]) @ TILT + [1, 2, 3])


def test_cover_of_a_grid_is_exact() -> None:
    u = np.linspace(-2.7, 2.6, 9)
    v = np.array([-2.2, -1.1, -1.0, 0.3, 0.4, 2.2])
    cover = TILTED.cover(u, v)
    area = (cover * np.outer(np.diff(u), np.diff(v))).sum()
    assert area == pytest.approx(TILTED.area, rel=ROUNDING)
    assert cover.min() >= -ROUNDING
    assert cover.max() <= 1.0 + ROUNDING
    # An independent count of points, tolerance: discretisation (1/400 of a rectangle and edges).
    n = 40
    part = (np.arange(n) + 0.5) / n
    for i in range(len(u) - 1):
        for j in range(len(v) - 1):
            x, y = np.meshgrid(u[i] + part * (u[i + 1] - u[i]), v[j] + part * (v[j + 1] - v[j]))
            local = np.stack([x.ravel(), y.ravel(), 0.0 * x.ravel()], axis=1)
            hits = TILTED.contains(local @ TILTED.frame + TILTED.center).mean()
            assert cover[i, j] == pytest.approx(hits, abs=0.03)


def test_cover_of_level_sides_has_no_spikes() -> None:
    square = np.array([[0, 0], [1, 1e-18], [1, 1], [0, 1.0]])
    found = covered_area(square, np.array([-1, 0.25, 2.0]), np.array([-1, 0.5, 3.0]))
    np.testing.assert_allclose(found, [[0.125, 0.125], [0.375, 0.375]], atol=1e-15)


@pytest.mark.parametrize("body", [RAFTER, TILTED], ids=["timber", "sheet"])
def test_moved_copies_contain_the_moved_points(body: Timber | Sheet) -> None:
    rng = np.random.default_rng(5)
    local = rng.uniform(-1.1, 1.1, (200, 3)) * body.half
    points = local @ body.frame + body.center
    inside = body.contains(points)
    assert 20 < inside.sum() < 190
    c, s = np.cos(0.6), np.sin(0.6)
    turn = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]])
    pairs = [
        (body.translated((1, -2, 0.5)), points + np.array([1, -2, 0.5])),
        (body.rotated(np.degrees(0.6)), points @ turn.T),
        (body.mirrored("x"), points * [-1, 1, 1]),
        (body.scaled(1.7), points * 1.7),
    ]
    for moved, there in pairs:
        np.testing.assert_array_equal(moved.contains(there), inside)
    assert pairs[3][0].volume == pytest.approx(body.volume * 1.7**3)


def test_a_turned_upright_timber_turns_its_section() -> None:
    stud = Timber((1, 0, 0), (1, 0, 2), width=0.045, depth=0.195).rotated(90)
    assert abs(stud.frame[2] @ [1, 0, 0]) == pytest.approx(1.0)


def test_triangle_and_repeated_first_corner() -> None:
    gable = [(0, 0, 5), (0, 8, 5), (0, 4, 8), (0, 0, 5)]
    sheet = Sheet(gable, thickness=0.11, material="brick")
    assert len(sheet.outline) == 3
    assert sheet.area == pytest.approx(12.0)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"thickness": -0.01}, "thickness of sheet 'bad' is -0.01 m.*above 0"),
        ({"thickness": "0 mm"}, "above 0"),
        ({"corners": [(0, 0, 0), (1, 0, 0), (1, 1, 0.02), (0, 1, 0)]}, "off the plane"),
        ({"corners": [(0, 0, 0), (1, 1, 0), (1, 0, 0), (0, 1.5, 0)]}, "crosses"),
        ({"corners": [(0, 0, 0), (1, 0, 0), (2, 0, 0)]}, "enclose nothing"),
        ({"corners": [(0, 0, 0), (1, 0, 0)]}, "2 corners"),
        ({"material": 3.0}, "no|none"),
        ({"name": " "}, "has the name"),
    ],
)
def test_bad_sheets(changes: dict, words: str) -> None:
    given = {"corners": [(0, 0, 0), (1, 0, 0), (1, 1, 0)], "thickness": 0.01, "material": BOARD}
    with pytest.raises(GeometryError, match=words):
        Sheet(**{**given, "name": "bad", **changes})


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"width": -0.045}, "width of timber 'bad' is -0.045 m.*above 0"),
        ({"end": (0, 0, 1)}, "begins and ends"),
        ({"end": (0, float("nan"), 1)}, "finite"),
        ({"up": (0, 2, 0)}, "along its axis"),
        ({"wood": 12}, "wood=12"),
    ],
)
def test_bad_timbers(changes: dict, words: str) -> None:
    given = {"start": (0, 0, 1), "end": (0, 3, 1), "width": 0.045, "depth": 0.1, "name": "bad"}
    with pytest.raises(GeometryError, match=words):
        Timber(**{**given, **changes})


def test_moisture_outside_the_data_is_refused() -> None:
    with pytest.raises(MaterialError, match="moisture"):
        Timber((0, 0, 1), (0, 3, 1), width=0.05, depth=0.1, wood=Wood(moisture=0.9))
