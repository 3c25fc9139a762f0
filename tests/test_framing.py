"""Builders of the framing: counts, places, sections, and houses that pass the checks."""

from __future__ import annotations

import numpy as np
import pytest

from ridgepole.geometry import Attic, Feed, GeometryError, Scene, Screen, Sheet, Wire
from ridgepole.geometry.framing import (
    ceiling,
    floor,
    joists,
    rafters,
    read_section,
    ridge_board,
    roof,
    studs,
    trusses,
    walls,
)
from ridgepole.geometry.outlines import inside
from ridgepole.materials import Earth, Wood

GABLE = Attic((10.0, 8.0), ceiling_height=5.2, pitch=38.0)
L_PLAN = Attic(
    outline=[(0, 0), (10, 0), (10, 8), (6, 8), (6, 5), (0, 5)],
    ceiling_height=2.7,
    eaves_height=3.1,
    ridge_height=6.0,
)
ROUNDING = 1e-9  # rounding [m]


def lopsided(attic: Attic) -> list[Wire]:
    """An L on the floor and up, with two radials that lie on the joists."""
    z = attic.floor_level
    return [
        Wire([(7.1, 2.2, z), (7.1, 2.2, z + 1), (9, 3, z + 1.2)], radius=1e-3, name="up"),
        Wire([(7.1, 2.2, z), (9.3, 0.4, z)], radius=1e-3, name="radial 1"),
        Wire([(7.1, 2.2, z), (1.2, 3.4, z)], radius=1e-3, name="radial 2"),
    ]


@pytest.mark.parametrize(
    ("text", "width", "depth"),
    [
        ("45 x 195 mm", 0.045, 0.195),
        ("45 mm X 195 mm", 0.045, 0.195),
        ("2x8", 0.038, 0.184),  # nominal inches, common practice
        ("2 x 12", 0.038, 0.286),
        ("1.5 x 7.25 in", 0.0381, 0.18415),
        ((0.05, "150 mm"), 0.05, 0.15),
    ],
)
def test_sections(text: str, width: float, depth: float) -> None:
    assert read_section(text) == pytest.approx((width, depth))


@pytest.mark.parametrize("text", ["45", "2x7", "1.5 x 7.25", "a x b mm", (1, 2, 3)])
def test_bad_sections(text: str) -> None:
    with pytest.raises(GeometryError):
        read_section(text)


@pytest.mark.parametrize(
    ("spacing", "count"),  # first at the wall, on centres, one more at the far wall
    [("400 mm", 26), ("450 mm", 24), ("600 mm", 18), ("16 in", 26), ("24 in", 18), ("12 in", 34)],
)
def test_counts_of_joists_over_ten_metres(spacing: str, count: int) -> None:
    found = joists(GABLE, spacing=spacing)
    assert len(found) == count
    x = np.array([t.center[0] for t in found])
    assert x[0] == pytest.approx(0.0225)
    assert x[-1] == pytest.approx(10 - 0.0225)
    assert np.diff(x)[:-1] == pytest.approx(np.diff(x)[0])
    assert np.diff(x).min() > 0.045


def test_joists_end_at_the_attic_floor_and_inside_the_plan() -> None:
    for attic, direction in ((GABLE, "across"), (L_PLAN, "across"), (L_PLAN, "along")):
        found = joists(attic, spacing="450 mm", direction=direction)
        corners = np.concatenate([t.corners() for t in found])
        assert corners[:, 2].max() == pytest.approx(attic.floor_level)
        assert corners[:, 2].min() == pytest.approx(attic.floor_level - 0.195)
        assert inside(attic.corners, corners[:, :2], tolerance=1e-6).all()
    lengths = {round(t.length, 6) for t in joists(L_PLAN)}
    assert lengths == {5.0, 8.0}


def test_rafters_stand_on_the_roofs_underside_or_hang_under_it() -> None:
    for attic in (GABLE, L_PLAN):
        for position, sign in (("above", 1.0), ("below", -1.0)):
            found = rafters(attic, spacing="16 in", section="2x6", position=position)
            at = attic.to_attic(np.concatenate([t.corners() for t in found]))
            over = sign * (at[:, 2] - attic.roof_height(at[:, 1]))
            flat = over.reshape(-1, 8)
            assert np.sort(flat, axis=1)[:, :4] == pytest.approx(0.0, abs=ROUNDING), position
            assert over.max() == pytest.approx(0.140 * np.hypot(1, attic.slope), abs=0.05)
        assert len(rafters(attic, spacing="16 in")) == 2 * len(joists(attic, spacing="16 in"))


def test_webs_of_trusses_stay_under_the_roof_and_studs_reach_it() -> None:
    webs = [t for t in trusses(GABLE) if "web" in t.name]
    assert len(webs) == 4 * 18
    heights = np.array([[t.start[2], t.end[2]] for t in webs]) - 5.2
    assert heights[:, 0] == pytest.approx(0.045 + 0.060)
    assert heights[:, 1].max() == pytest.approx(GABLE.ridge_level - 5.2)
    for stud in studs(L_PLAN):
        corners = L_PLAN.to_attic(stud.corners())
        gap = L_PLAN.roof_height(corners[:, 1]) - corners[:, 2]
        assert gap.min() == pytest.approx(0.0, abs=ROUNDING)
        assert inside(L_PLAN.corners, corners[:, :2], tolerance=1e-6).all()


def test_sheets_cover_the_plan_and_the_slopes() -> None:
    rise = np.hypot(1.0, L_PLAN.slope)
    assert ceiling(L_PLAN)[0].area == pytest.approx(62.0)
    assert sum(s.area for s in roof(L_PLAN)) == pytest.approx(62.0 * rise)
    assert [s.area for s in walls(GABLE)] == pytest.approx([0.5 * 8 * 4 * GABLE.slope] * 2)
    full = walls(GABLE, base=0)
    assert sum(s.area for s in full) == pytest.approx(36 * 5.2 + 2 * 16 * GABLE.slope)


def test_roof_lies_on_what_it_is_given() -> None:
    timbers = [*rafters(GABLE, section="2x10"), *ridge_board(GABLE, section="2x10")]
    for sheet in roof(GABLE, covering="slate", on=timbers):
        highest = max(((t.corners() - sheet.center) @ sheet.frame[2]).max() for t in timbers[:8:2])
        lowest = min(((t.corners() - sheet.center) @ sheet.frame[2]).min() for t in timbers[:8:2])
        assert sheet.half[2] == pytest.approx(0.006)
        assert min(abs(highest), abs(lowest)) >= 0.006 - ROUNDING


def test_wet_and_metal_roofs() -> None:
    wet = roof(GABLE, wet=True)
    assert [s.group for s in wet if isinstance(s, Sheet)] == ["roof", "wet roof layer"] * 2
    metal = roof(GABLE, covering="steel roofing")
    assert all(isinstance(s, Screen) for s in metal)
    with pytest.raises(GeometryError, match="usual thickness"):
        roof(GABLE, covering="glass")


@pytest.mark.parametrize("attic", [GABLE, L_PLAN], ids=["gable", "L"])
def test_a_whole_house_passes_the_checks(attic: Attic) -> None:
    wood = Wood("pine", moisture=0.14) if "pine" in Wood.names() else Wood(moisture=0.14)
    house = [
        joists(attic, spacing="400 mm", wood=wood),
        rafters(attic, spacing="400 mm", wood=wood),
        ridge_board(attic, wood=wood),
        studs(attic, wood=wood),
        ceiling(attic),
        roof(attic, wet=True),
        walls(attic),
    ]
    scene = Scene(lopsided(attic), feed=Feed("up", at="start"), house=house, earth=Earth(13, 0.005))
    assert scene.groups[:5] == ("joists", "rafters", "ridge board", "studs", "ceiling")
    assert len(scene.solids) > 80
    # A deck on the joists would hold the radials that lie on them.
    with pytest.raises(GeometryError, match="lies inside sheet 'floor'"):
        Scene(
            [w.translated((0, 0, 0.01)) for w in lopsided(attic)],
            feed=Feed("up", at="start"),
            house=[house, floor(attic)],
        )


def test_trusses_with_boards_pass_the_checks() -> None:
    house = [trusses(GABLE), ceiling(GABLE, under="120 mm"), roof(GABLE), floor(GABLE)]
    wires = [
        Wire([(7.5, 2.2, 5.222), (7.5, 2.2, 6.5)], radius=1e-3, name="up"),
        Wire([(7.5, 2.2, 5.222), (7.5, 7.5, 5.222)], radius=1e-3, name="radial"),
    ]
    scene = Scene(wires, feed=Feed("up", at="start"), house=house)
    assert len(scene.solids) == 18 * 7 + 4


@pytest.mark.parametrize(
    ("build", "words"),
    [
        (lambda: joists(GABLE, spacing="4 cm"), "spacing 0.04 m"),
        (lambda: joists(GABLE, direction="up"), "direction='up'"),
        (lambda: rafters(GABLE, position="on"), "position='on'"),
        (lambda: ceiling(GABLE, thickness=-0.01), "above 0"),
        (lambda: joists(GABLE, section="-45 x 195 mm"), "above 0|above their width"),
    ],
)
def test_bad_builders(build, words: str) -> None:
    with pytest.raises(GeometryError, match=words):
        build()
