"""Derivatives to lengths, scores and frequency against differences of full solves."""

from __future__ import annotations

import itertools
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from length_scenes import AT, BARE, COIL, JACKETED, JOIST, Case, hold_cells, plan_of, slope
from small_attic import ON_20_M

from ridgepole.materials import Earth
from ridgepole.solver import Sensitivities, SolverError, sensitivities
from ridgepole.solver.study.model.attic_model import FORM_SPARE
from ridgepole.solver.study.partition import Partition

HELD = 1e-5
"""Mesh held: polynomials between lengths, and the differences themselves."""

RANGES = {"long": (8.1, 8.5), "cross": (3.3, 3.5)}
PLACE = (8.27, 3.42)
STEP = 4e-3

CASES: dict[str, Any] = {
    "free space": {"earth": None},
    "perfect ground": {"earth": Earth.perfect()},
    "real earth": {},
    "jacket": {"wire": JACKETED},
    "coil": {"extra": COIL},
    "timber": {"extra": JOIST},
}


def case_of(*, extra: str = "", wire: str = BARE, earth: Any = "told") -> Case:
    plan = plan_of(extra, wire=wire) if extra else plan_of(wire=wire)
    return Case.of(plan, RANGES, earth=earth)


def moved(function: Any, which: int, step: float = STEP, place: Any = PLACE) -> Any:
    """Slope of a function of all lengths to one of them."""

    def at(length: float) -> Any:
        lengths = list(place)
        lengths[which] = length
        return function(*lengths)

    return slope(at, place[which], step)


@pytest.mark.parametrize("name", list(CASES))
def test_impedance_by_length(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    case = case_of(**CASES[name])
    if name == "timber":
        hold_cells(monkeypatch, case)
    found = case.state(*PLACE).by_length
    for k in range(2):
        expected = moved(case.impedance, k)
        assert abs(found[k] / expected - 1.0) < HELD, (name, k)


def test_impedance_by_length_on_every_piece() -> None:
    """An element that ends before its bend, after it and after the next."""
    for place, ranges in (
        ((2.41, 3.42), {"long": (2.3, 2.55), "cross": (3.3, 3.5)}),
        ((9.55, 2.2), {"long": (9.4, 9.8), "cross": (2.1, 2.3)}),
    ):
        case = Case.of(plan_of(), ranges)
        found = case.state(*place).by_length
        for k in range(2):
            expected = moved(case.impedance, k, 3e-3, place)
            assert abs(found[k] / expected - 1.0) < HELD, (place, k)


@pytest.mark.parametrize("name", ["jacket", "timber"])
def test_watts_by_length(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """By kind and angle, at 1 V; forms over the whole pool in double precision."""
    case = case_of(**CASES[name])
    if name == "timber":
        hold_cells(monkeypatch, case)
    pool = case.lengths.pool
    size = pool.system.n_unknowns
    whole = replace(pool, n_fixed=0)
    nothing = np.zeros((0, 0), dtype=complex)
    ports = pool.system.ports.shape[1]
    free = Partition(whole, case.frequency, nothing, nothing, nothing,
                     np.zeros((0, size + ports), dtype=complex))  # fmt: skip
    volume = pool.system.volume
    means = None
    if volume is not None:
        means = volume.means(pool.system.solid_fields(case.frequency))
    edges = (0.0, 30.0, 60.0, 90.0)
    forms = np.concatenate(
        [
            free.sky_forms(edges, (), means, spare=FORM_SPARE),
            free.heat_forms(means, instead=case.lengths.instead),
        ]
    )[:, :size, :size]
    reduced = case.eliminated.reduced(forms)
    state = case.state(*PLACE)
    found, watts = state.watts_by_length(reduced), state.watts(reduced)

    def solved(*lengths: float) -> Any:
        solution = case.solved(*lengths)
        z = case.impedance(*lengths)
        far, budget = solution.far_field(), solution.budget
        parts = [far.share(a, b, of="input") for a, b in itertools.pairwise(edges)]
        parts += [float(budget.conductors), float(budget.jackets), float(budget.timbers)]
        return np.array(parts) * (1.0 / z).real

    # directions summed over: 1e-4
    np.testing.assert_allclose(watts, solved(*PLACE), rtol=3e-4, atol=1e-12)
    for k in range(2):
        # of the forms, which is what has been differentiated
        expected = moved(lambda *x: case.state(*x).watts(reduced), k)
        np.testing.assert_allclose(found[k], expected, rtol=1e-6, atol=1e-9 * watts.max())
        # and of full solves, whose directions differ
        expected = moved(solved, k, 1.5e-2)
        scale = np.abs(expected).max()
        np.testing.assert_allclose(found[k], expected, rtol=2e-3, atol=5e-4 * scale)
    assert np.abs(found).max() > 0.05 * watts.max()


@pytest.fixture(scope="module")
def table() -> Sensitivities:
    return sensitivities(plan_of(ON_20_M), tolerance=None)


def test_the_table(table: Sensitivities) -> None:
    rows = table.of("long", "20 m")
    assert len(rows) == 1
    assert len(table) == 2
    (row,) = rows
    assert row.frequency == 14.175e6
    case = Case.of(plan_of(), {"long": (8.2, 8.4), "cross": (3.35, 3.45)}, frequency=row.frequency)
    assert abs(row.impedance / case.impedance(8.3, 3.4) - 1.0) < 3e-4  # of other meshes' tops
    for k, name in enumerate(("long", "cross")):
        (one,) = table.of(name)
        expected = moved(case.impedance, k, STEP, (8.3, 3.4))
        assert abs(one.by_length / expected - 1.0) < 3e-3  # the same
        assert one.length == pytest.approx((8.3, 3.4)[k])


def test_a_resonance_follows(table: Sensitivities) -> None:
    """Where the reactance is what it was: found by solving again, a centimetre longer."""
    (row,) = table.of("long")
    longer = sensitivities(
        plan_of(ON_20_M).with_element_length(long=8.31, cross=3.4), tolerance=None,
        frequencies=[row.frequency + 0.01 * row.resonance_by_length],
    )  # fmt: skip
    drift = longer.of("long")[0].impedance.imag - row.impedance.imag
    # what is left is of the second order
    assert abs(drift) < 0.02 * abs(0.01 * row.by_length.imag)


def test_efficiency_by_length(table: Sensitivities) -> None:
    (row,) = table.of("cross")
    around = [
        sensitivities(plan_of(ON_20_M).with_element_length(cross=x), tolerance=None).rows[0]
        for x in (3.39, 3.41)
    ]
    assert 0.0 < row.efficiency < 1.0
    expected = (around[1].efficiency - around[0].efficiency) / 0.02
    assert row.efficiency_by_length == pytest.approx(expected, rel=5e-3)


def test_at_frequencies() -> None:
    table = sensitivities(plan_of(ON_20_M), frequencies=[AT, 14.05e6], tolerance=None)
    assert [row.frequency for row in table] == [AT, AT, 14.05e6, 14.05e6]
    assert all(np.isnan(row.efficiency) and np.isnan(row.efficiency_by_length) for row in table)
    assert "nan" not in repr(table).replace("resonance", "")


def test_how_it_shows_itself(table: Sensitivities) -> None:
    text = repr(table)
    lines = text.splitlines()
    assert len(lines) == 3
    assert lines[0].split()[:3] == ["band", "MHz", "element"]
    (row,) = table.of("long")
    assert f"{0.01 * row.by_length.real:+.3g} ohm" in lines[1]
    assert f"{1e-5 * row.resonance_by_length:+.3g} kHz" in lines[1]
    html = table._repr_html_()
    assert html.count("<tr>") == 3
    assert "resonance/cm" in html
    frame = table.to_dataframe()
    assert list(frame["element"]) == ["long", "cross"]
    assert frame["reactance_by_length"][0] == row.by_length.imag
    assert frame["resonance_by_length"][0] == row.resonance_by_length


def test_what_cannot_be_is_told(table: Sensitivities) -> None:
    with pytest.raises(SolverError, match="no 'short' on any band"):
        table.of("short")
    with pytest.raises(SolverError, match="lies in none of the bands"):
        sensitivities(plan_of(ON_20_M), frequencies=[21.2e6], tolerance=None)
    with pytest.raises(SolverError, match="give what read_attic"):
        sensitivities("attic.toml")  # pyright: ignore
