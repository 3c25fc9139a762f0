"""Cuts through a sweep: maps, spreads and trim tables."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import constants
from sweep_stand_in import (
    MemoryStore,
    attic_sweep,
    bands_of,
    reactance,
)

from ridgepole.solver import SweepError
from ridgepole.solver.study.sweep_records import (
    DONE,
    Axis,
    Design,
    Figure,
    Parameter,
    SweepPlan,
)
from ridgepole.solver.study.sweep_result import SweepResult

BANDS = ("80 m", "40 m", "20 m", "15 m", "10 m")


@pytest.fixture(scope="module")
def store() -> MemoryStore:
    return attic_sweep(BANDS)


@pytest.fixture
def result(store: MemoryStore) -> SweepResult:
    return SweepResult(store)


# ---- cuts --------------------------------------------------------------------------------


def test_length_map(store: MemoryStore, result: SweepResult):
    at = 63  # 11.5 m, 6.25 m... one of the middle
    found = result.length_map("long", "feed voltage", at=at)
    _, cross, ground = store.plan.design.columns
    own = np.flatnonzero((store.states == DONE) & (cross == cross[at]) & (ground == ground[at]))
    np.testing.assert_array_equal(found.layouts, own)
    assert (np.diff(found.lengths) > 0.0).all()
    np.testing.assert_array_equal(found.values, result.quantity("feed voltage")[own])
    assert found.bands == BANDS
    assert at in found.layouts
    best = result.length_map("long", "|z|")
    assert best.at == result.best(1).layouts[0]
    # The best by SWR stands alone in its cross length: the best that does not takes its place.
    swr_only = replace(store.plan, figures=store.plan.figures[:1])
    by_swr = SweepResult(MemoryStore(swr_only, store.states, store.reasons, store.figures))
    assert by_swr.sharing("cross", by_swr.chosen(None)).size == 1
    taken = by_swr.length_map("cross", "swr").at
    assert taken == by_swr.best(2).layouts[1]
    with pytest.raises(SweepError, match="no number for each band"):
        result.length_map("long", "worst swr")
    with pytest.raises(SweepError, match="texts or routes"):
        result.length_map("ground", "swr")
    with pytest.raises(SweepError, match="numbered 0 to 125"):
        result.length_map("long", "swr", at=126)


def scattered(store: MemoryStore) -> SweepResult:
    """The same figures as if lengths had been drawn at random."""
    rng = np.random.default_rng(3)
    long, cross, ground = store.plan.design.columns
    columns = (rng.uniform(9, 14, long.size), rng.uniform(5, 8, cross.size), ground)
    design = Design(store.plan.design.parameters, columns, "latin hypercube", 3)
    plan = replace(store.plan, design=design)
    return SweepResult(MemoryStore(plan, store.states, store.reasons, store.figures))


def test_a_map_needs_a_grid(store: MemoryStore):
    with pytest.raises(SweepError, match=r"latin hypercube design.*needs a grid"):
        scattered(store).length_map("long", "swr")
    with pytest.raises(SweepError, match="needs a grid"):
        scattered(store).trim_table("long")


def test_a_quantity_against_a_parameter(store: MemoryStore, result: SweepResult):
    found = result.against("cross", "swr")
    swr, cross = result.quantity("worst swr"), store.plan.design.columns[1]
    assert found.values.tolist() == [5.0, 6.25, 7.5]
    for k, value in enumerate(found.values):
        own = np.sort(swr[(cross == value) & (store.states == DONE)])
        assert found.counts[k] == own.size
        assert found.median[k] == pytest.approx(np.median(own), rel=1e-12)  # rounding
        # A tenth is below the low end and above the high end, ties and halves of a layout aside.
        tenth = 0.1 * own.size
        for side, end in ((own, found.low[k]), (-own, -found.high[k])):
            assert np.count_nonzero(side < end) <= tenth + 0.5
            assert np.count_nonzero(side <= end) >= tenth - 0.5
    by_ground = result.against("ground", "efficiency on 40 m")
    assert by_ground.labels == ("average ground", "wet ground")
    assert by_ground.median[1] < by_ground.median[0]


def test_many_values_go_in_groups(store: MemoryStore):
    result = scattered(store)
    found = result.against("long", "worst efficiency")
    assert found.is_grouped
    assert found.values.size == 24
    assert int(found.counts.sum()) == 118
    assert found.counts.max() - found.counts.min() <= 2
    long = result.quantity("long")[result.layouts]
    assert float(found.values @ found.counts) == pytest.approx(long.sum(), rel=1e-12)  # rounding
    assert (np.diff(found.values) > 0.0).all()


LENGTH = np.array(10.3)


def fine_grid(step: float) -> SweepResult:
    """One lossless wire in steps about 10.3 m, so that slopes are known."""
    bands, frequencies = bands_of(("40 m", "20 m", "15 m"), 41)
    long = 10.3 + step * np.arange(-3, 4)
    z = 36.0 + 1j * reactance(long[:, None, None], frequencies[None])
    figure = Figure("impedance", (Axis("point", tuple(range(41))),), "complex128", "ohm")
    parameter = Parameter("element.long.length", tuple(long), unit="m", is_outer=False)
    plan = SweepPlan("", "rod", Design((parameter,), (long,)), bands, frequencies, (figure,),
                     {"reference": 50.0, "power": 100.0})  # fmt: skip
    states = np.full(7, DONE, np.int8)
    return SweepResult(MemoryStore(plan, states, {}, {"impedance": z}))


def slope_of(frequency: float) -> float:
    """dX/dl of the wire. [ohm/m]"""
    wavenumber = 2.0 * np.pi * frequency / constants.c
    return float(600.0 * wavenumber / np.sin(wavenumber * LENGTH) ** 2)


def test_trim_table_against_the_formula():
    table = fine_grid(0.005).trim_table("long", around=3)
    assert (table.shorter, table.length, table.longer) == pytest.approx((10.295, 10.3, 10.305))
    for row in table.rows:
        # X = X(f l): computed from the formula, l dX/dl = f dX/df.
        slope = slope_of(row.frequency)
        # discretisation: differences over 1 cm and a twentieth of the band
        assert row.reactance_slope == pytest.approx(slope, rel=2e-3)
        assert row.resonance_slope == pytest.approx(-row.frequency / 10.3, rel=2e-3)
        assert not row.is_coarse
        assert row.reactance == pytest.approx(
            float(reactance(LENGTH, row.frequency)), rel=1e-9
        )  # rounding
    text = str(table)
    assert "shift per cm, kHz" in text
    assert f"{-1e-5 * table.rows[1].frequency / 10.3:.0f}" in text
    assert list(table.to_dataframe()["band"]) == ["40 m", "20 m", "15 m"]


def test_unequal_steps_are_weighed():
    result = fine_grid(0.005)
    keep = np.ones(7, dtype=np.bool_)
    keep[4] = False
    lopsided = result.filter(keep).trim_table("long", around=3)
    even = result.trim_table("long", around=3)
    assert lopsided.longer == pytest.approx(10.31)
    for one, two in zip(lopsided.rows, even.rows, strict=True):
        assert one.reactance_slope == pytest.approx(two.reactance_slope, rel=2e-3)  # discretisation


def test_trim_table_says_when_the_grid_is_too_coarse():
    table = fine_grid(0.5).trim_table("long", around=3)
    coarse = {row.band: row.reason for row in table.rows if row.is_coarse}
    assert list(coarse) == ["20 m"]  # near its antiresonance; the others are near resonances
    assert "50 cm away" in coarse["20 m"]
    for row in table.rows:
        slope = slope_of(row.frequency)
        is_right = abs(row.reactance_slope / slope - 1.0) < 0.1
        assert is_right is not row.is_coarse
    assert table.is_coarse
    assert "the grid is too coarse here" in " ".join(str(table).split())
    edge = fine_grid(0.005).trim_table("long", around=6)
    assert np.isnan(edge.longer)
    assert all(row.reason == "only a shorter neighbour was computed" for row in edge.rows)


def test_trim_table_refuses_what_it_cannot_do(store: MemoryStore, result: SweepResult):
    with pytest.raises(SweepError, match="texts or routes"):
        result.trim_table("ground")
    with pytest.raises(SweepError, match="is not done"):
        result.trim_table("long", around=17)
    with pytest.raises(SweepError, match="is not varied"):
        result.trim_table("short")
