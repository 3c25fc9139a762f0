"""Elements of any length within a range against layouts solved in full on the same mesh."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from length_scenes import (
    BENT,
    COIL,
    FREQUENCIES,
    JACKETED,
    NARROW,
    WIDE,
    Case,
    plan_of,
    slope,
    straight,
)
from small_attic import RADIALS

from ridgepole.geometry import GeometryError
from ridgepole.materials import Earth
from ridgepole.solver import SolverError
from ridgepole.solver.study.model.eliminated import Eliminated
from ridgepole.solver.study.model.lengths import LEAST_PAST_CORNER, LengthPool, pieces_of

BETWEEN = 1e-6
"""Of polynomials between lengths, within a tenth or two."""

FAR_BETWEEN = 5e-6
"""The same over lengths past a corner of one to eight."""

ROUNDING = 1e-9

UP = straight("up", 2.1, 2.5, 2.5, 2.3)
ASIDE = straight("aside", 4.9, 4.4, 0.7, 3.0)
FEED = BENT.split("[[element]]")[0]


def worst(case: Case, count: int, seed: int) -> float:
    """Greatest relative error of the impedance at lengths drawn within the ranges."""
    random = np.random.default_rng(seed)
    low, high = np.array([(own[0].low, own[-1].high) for own in case.lengths.pieces.values()]).T
    found = 0.0
    for _ in range(count):
        lengths = [float(x) for x in low + (high - low) * random.random(low.size)]
        whole = case.impedance(*lengths)
        found = max(found, abs(case.state(*lengths).impedance / whole - 1.0))
    return found


CASES = {
    "narrow": (plan_of, {}, NARROW),
    "across bends": (plan_of, {}, WIDE),
    "jacket": (plan_of, {"wire": JACKETED}, NARROW),
    "one of two": (plan_of, {}, {"long": (7.6, 8.6)}),
    "the other": (plan_of, {}, {"cross": (2.9, 3.9)}),
}


@pytest.mark.parametrize("name", list(CASES))
def test_lengths_between(name: str) -> None:
    make, options, ranges = CASES[name]
    limit = FAR_BETWEEN if ranges is WIDE else BETWEEN
    assert worst(Case.of(make(**options), ranges), 3, 5) < limit


def test_elements_without_a_bend_move_at_the_feed() -> None:
    """Their first element, which meets the others' first, stretches with them."""
    plan = plan_of(elements=FEED + UP + ASIDE)
    case = Case.of(plan, {"up": (1.9, 2.4), "aside": (2.4, 3.2)})
    assert case.lengths.pool.n_fixed > 0
    assert worst(case, 3, 6) < BETWEEN


@pytest.mark.parametrize("ranges", [{"long": (7.8, 8.6)}, {"long": (4.3, 5.5), "cross": (3, 3.6)}])
def test_a_coil_in_a_wire(ranges: dict[str, tuple[float, float]]) -> None:
    case = Case.of(plan_of(COIL), ranges)
    assert worst(case, 2, 8) < BETWEEN
    bare = Case.of(plan_of(), ranges)
    lengths = [high for _, high in ranges.values()]
    assert abs(case.state(*lengths).impedance / bare.state(*lengths).impedance - 1.0) > 0.1


def test_lengths_that_are_held() -> None:
    """A range of one length, and no element that moves."""
    plan = plan_of()
    both = Case.of(plan, {"long": (8.3, 8.3), "cross": (3.4, 3.4)})
    assert abs(both.state(8.3, 3.4).impedance / both.impedance(8.3, 3.4) - 1.0) < ROUNDING
    one = Case.of(plan, {"long": (8.3, 8.3), "cross": (3.2, 3.6)})
    assert abs(one.state(8.3, 3.31).impedance / one.impedance(8.3, 3.31) - 1.0) < BETWEEN
    # and still have slopes
    expected = slope(lambda x: one.impedance(x, 3.31), 8.28, 4e-3)
    assert abs(one.state(8.28, 3.31).by_length[0] / expected - 1.0) < 1e-5
    none = Case.of(plan, {})
    assert none.lengths.names == ()
    assert abs(none.state().impedance / none.impedance() - 1.0) < ROUNDING


def test_at_its_own_lengths_nothing_is_interpolated() -> None:
    case = Case.of(plan_of(), {"long": (7.9, 8.6)})
    for length in case.lengths.pieces["long"][0].lengths:
        found = case.state(float(length)).impedance
        assert abs(found / case.impedance(float(length)) - 1.0) < ROUNDING


def test_another_ground_on_the_same_mesh() -> None:
    """A pool made like another, over a ground for which it would be meshed otherwise."""
    plan = plan_of()
    first = LengthPool.build(plan, NARROW, FREQUENCIES, tolerance=0.01)
    wet = plan.with_earth(Earth(30.0, 0.03))
    again = LengthPool.build(wet, NARROW, FREQUENCIES, tolerance=None, like=first)
    assert again.pool.meshing.divisions == first.pool.meshing.divisions
    assert len(again.pool.system.mesh) > len(
        LengthPool.build(wet, NARROW, FREQUENCIES, tolerance=None).pool.system.mesh
    )
    assert again.pieces is first.pieces


def test_pieces_of_a_range() -> None:
    wire = plan_of().with_element_length(long=10.4).scene().wire("long")
    corners = wire.vertex_distances[1:-1]
    pieces = pieces_of(wire, 2.2, 10.4)
    assert pieces[0].low == 2.2
    assert pieces[-1].high == 10.4
    assert len(pieces) >= 3
    count = 0
    for piece in pieces:
        assert piece.first == count
        count += piece.lengths.size
        assert np.all(np.diff(piece.lengths) > 0.0)
        assert piece.lengths[[0, -1]] == pytest.approx([piece.low, piece.high], abs=1e-12)
        inside = (corners > piece.low + 1e-9) & (corners < piece.high - 1e-9)
        assert not inside.any()
        assert piece.low - piece.corner >= LEAST_PAST_CORNER - 1e-9
    # each begins where the one before ends, or the least past the corner between
    for one, other in itertools.pairwise(pieces):
        gap = other.low - one.high
        assert gap == pytest.approx(0.0 if one.corner == other.corner else LEAST_PAST_CORNER)


def test_weights_of_lengths() -> None:
    """Exact for polynomials of the logarithm past the corner, as are their slopes."""
    wire = plan_of().with_element_length(long=8.9).scene().wire("long")
    (piece,) = pieces_of(wire, 8.7, 8.9)
    count = piece.lengths.size
    past = np.log(piece.lengths - piece.corner)
    for length in (8.713, 8.79, 8.9):
        weights, slopes = piece.weights(length)
        at = np.log(length - piece.corner)
        for power in range(count):
            assert weights @ past**power == pytest.approx(at**power, rel=1e-9)
            expected = power * at ** (power - 1) / (length - piece.corner) if power else 0.0
            assert slopes @ past**power == pytest.approx(expected, rel=1e-6, abs=1e-6)


def test_ends_near_a_corner_are_moved_to_one_of_both() -> None:
    case = Case.of(plan_of(), {"long": (8.2, 10.0)})
    pieces = case.lengths.pieces["long"]
    (at,) = [b.corner for a, b in itertools.pairwise(pieces) if a.corner != b.corner]
    third = LEAST_PAST_CORNER / 3.0
    before, after = case.state(at), case.state(at + LEAST_PAST_CORNER)
    assert case.state(at + third).impedance == before.impedance
    assert case.state(at + 2.0 * third).impedance == after.impedance
    # 30 mm of wire do not matter much, so that moving an end is no more than its own size
    assert abs(after.impedance / before.impedance - 1.0) < 0.05


def test_what_is_outside_is_told() -> None:
    plan = plan_of()
    pool = LengthPool.build(plan, NARROW, [14.0e6, 14.35e6], tolerance=None)
    with pytest.raises(GeometryError, match=r"'cross': 3\.7 m is outside of 3\.2 to 3\.6 m"):
        pool.columns((8.1, 3.7))
    with pytest.raises(GeometryError, match="'long'"):
        pool.columns((float("nan"), 3.3))
    with pytest.raises(GeometryError, match="long"):
        LengthPool.build(plan, {"long": (8.0, 80.0)}, [14.2e6], tolerance=None)


def test_houses_that_are_not_alike() -> None:
    pool = LengthPool.build(plan_of(), NARROW, [14.2e6], tolerance=None)
    other = plan_of(radials=RADIALS.replace("radials = 3", "radials = 4"))
    with pytest.raises(SolverError, match="other wires than before"):
        LengthPool.build(other, NARROW, [14.2e6], tolerance=None, like=pool)


def test_unknowns_that_are_left_out() -> None:
    """As if the rows and columns of the matrix were not there."""
    case = Case.of(plan_of(), NARROW)
    pool = case.lengths.pool
    matrix = pool.system.fill(case.frequency).matrix
    gone = np.array([1, 4, pool.n_fixed - 2])
    found = Eliminated.of(case.lengths, matrix, case.frequency, absent=gone).state((8.2, 3.3))
    stiff = matrix.copy()
    stiff[gone, gone] += 1e14  # carries next to nothing
    expected = Eliminated.of(case.lengths, stiff, case.frequency).state((8.2, 3.3))
    assert found.impedance == pytest.approx(expected.impedance, rel=1e-8)
    assert abs(found.impedance / case.state(8.2, 3.3).impedance - 1.0) > 1e-6
    assert np.all(found.currents[gone] == 0.0)


def test_over_no_ground_and_a_perfect_one() -> None:
    for earth in (None, Earth.perfect()):
        case = Case.of(plan_of(), {"long": (7.9, 8.6)}, earth=earth)
        assert worst(case, 2, 9) < BETWEEN
