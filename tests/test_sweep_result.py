"""A sweep's layouts ranked and told of, against plain numpy on the same figures."""

import gc
import re
import sys
import time
import weakref
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
import small_attic
from sweep_stand_in import (
    CROSS,
    GROUND,
    LONG,
    POWER,
    TERMS,
    MemoryStore,
    attic_sweep,
    bands_of,
    slow_swr,
)

from ridgepole.geometry.lengths import Length
from ridgepole.solver import SweepError
from ridgepole.solver.bands import read_band
from ridgepole.solver.study import sweep_reading
from ridgepole.solver.study.sweep_quantities import file_units
from ridgepole.solver.study.sweep_records import (
    DONE,
    STATES,
    UNFIT,
    Axis,
    Design,
    Figure,
    Parameter,
    SweepPlan,
)
from ridgepole.solver.study.sweep_result import SweepResult
from ridgepole.solver.views.sweep_page import parameter_text, ranking_form, sweep_summary

BANDS = ("80 m", "40 m", "20 m", "15 m", "10 m")


@pytest.fixture(scope="module")
def store() -> MemoryStore:
    return attic_sweep(BANDS)


@pytest.fixture
def result(store: MemoryStore) -> SweepResult:
    return SweepResult(store)


# ---- quantities --------------------------------------------------------------------------
# Tolerances here: rounding.


def test_swr_is_the_greatest_over_the_points_and_worst_over_the_bands(
    store: MemoryStore, result: SweepResult
):
    expected = slow_swr(store)
    np.testing.assert_allclose(result.quantity("swr"), expected, rtol=1e-12)
    np.testing.assert_allclose(result.quantity("worst swr"), expected.max(axis=1), rtol=1e-12)
    np.testing.assert_allclose(result.quantity("Best SWR"), expected.min(axis=1), rtol=1e-12)
    np.testing.assert_allclose(result.quantity("mean swr"), expected.mean(axis=1), rtol=1e-12)
    np.testing.assert_allclose(result.quantity("swr", "20 m"), expected[:, 2], rtol=1e-12)
    np.testing.assert_array_equal(result.quantity("swr on 20m"), result.quantity("swr", "20 m"))
    np.testing.assert_array_equal(np.isnan(expected[:, 0]), store.states != DONE)
    assert (result.quantity("lowest swr") <= result.quantity("swr"))[result.done].all()


def test_feed_voltage_and_impedance(store: MemoryStore, result: SweepResult):
    z = store.figures["impedance"]
    volts = np.abs(z * np.sqrt(POWER / z.real)).max(axis=2)  # |V| = |Z| |I|, I^2 R = P
    np.testing.assert_allclose(result.quantity("feed voltage"), volts, rtol=1e-12)
    np.testing.assert_allclose(result.quantity("|z|"), np.abs(z[:, :, 2]), rtol=1e-12)
    np.testing.assert_array_equal(result.quantity("reactance"), z[:, :, 2].imag)
    np.testing.assert_array_equal(result.quantity("resistance"), z[:, :, 2].real)
    assert result.ask("feed voltage").quantity.unit == "V"
    assert "RMS" in result.ask("feed voltage").quantity.about


def test_the_centre_is_the_point_nearest_to_the_bands_centre():
    bands, _ = bands_of(("40 m", "10 m"), 4)
    # Lopsided points: the third of the first band, the second of the other.
    frequencies = np.array([[7.0e6, 7.02e6, 7.09e6, 7.2e6], [28.0e6, 28.9e6, 29.5e6, 29.7e6]])
    z = (np.arange(8.0).reshape(1, 2, 4) + 1.0) * (3.0 - 2.0j)
    figure = Figure("impedance", (Axis("point", (0, 1, 2, 3)),), "complex128", "ohm")
    plan = SweepPlan("", "x", Design((), ()), bands, frequencies, (figure,), {"power": 1.0})
    found = SweepResult(MemoryStore(plan, np.array([DONE], np.int8), {}, {"impedance": z}))
    np.testing.assert_allclose(found.quantity("reactance"), [[-6.0, -12.0]], rtol=1e-15)
    with pytest.raises(SweepError, match="does not say its reference"):
        found.quantity("swr")


def test_a_resistance_below_zero_gives_no_volts_and_endless_swr(store: MemoryStore):
    z = store.figures["impedance"].copy()
    z[4, 1, 3] = -2.0 + 10.0j
    found = SweepResult(
        MemoryStore(store.plan, store.states, store.reasons, {**store.figures, "impedance": z})
    )
    assert np.isnan(found.quantity("feed voltage")[4, 1])
    assert found.quantity("swr")[4, 1] == np.inf
    assert found.rank("swr", count=1000).rows[-1].layout == 4


def test_watts_angles_gain_and_tuner(store: MemoryStore, result: SweepResult):
    budget, shares = store.figures["budget"], store.figures["shares"]
    for k, term in enumerate(TERMS):
        np.testing.assert_array_equal(result.quantity(term), budget[:, :, k])
    np.testing.assert_array_equal(result.quantity("efficiency"), budget[:, :, 0])
    np.testing.assert_array_equal(result.quantity("worst efficiency"), budget[:, :, 0].min(axis=1))
    np.testing.assert_array_equal(result.quantity("worst earth"), budget[:, :, 1].max(axis=1))
    np.testing.assert_array_equal(result.quantity("low-angle share"), shares[:, :, 0])
    np.testing.assert_array_equal(result.quantity("high-angle share"), shares[:, :, 2])
    np.testing.assert_array_equal(
        result.quantity("middle-angle efficiency"), shares[:, :, 1] * budget[:, :, 0]
    )
    np.testing.assert_array_equal(
        result.quantity("gain at 60 deg up, 250"), store.figures["gain"][:, :, 1]
    )
    np.testing.assert_array_equal(result.quantity("gain"), store.figures["gain"].mean(axis=2))
    np.testing.assert_array_equal(result.quantity("tuner loss"), store.figures["tuner"][:, :, 1])
    np.testing.assert_array_equal(
        result.quantity("worst system efficiency"), store.figures["tuner"][:, :, 2].min(axis=1)
    )


def test_terms_are_found_by_their_labels_not_their_places(store: MemoryStore):
    order = [4, 0, 5, 2, 1, 3]
    figures = tuple(
        replace(f, axes=(Axis("term", tuple(TERMS[k] for k in order)),))
        if f.name == "budget"
        else f
        for f in store.plan.figures
    )
    turned = {**store.figures, "budget": store.figures["budget"][:, :, order]}
    found = SweepResult(
        MemoryStore(replace(store.plan, figures=figures), store.states, store.reasons, turned)
    )
    for name in ("efficiency", "earth", "loads", "low-angle efficiency"):
        np.testing.assert_array_equal(
            found.quantity(name), SweepResult(store).quantity(name), err_msg=name
        )


def test_parameters_by_name(store: MemoryStore, result: SweepResult):
    np.testing.assert_array_equal(
        result.quantity("element.long.length"), store.plan.design.columns[0]
    )
    np.testing.assert_array_equal(result.quantity("long"), result.quantity("long length"))
    assert result.parameters["earth.ground"][:2].tolist() == ["average ground", "wet ground"]
    assert result.parameter("cross") == CROSS
    assert list(result.parameters) == [LONG.name, CROSS.name, GROUND.name]
    with pytest.raises(SweepError, match="may be any of"):
        result.parameter("length")
    with pytest.raises(SweepError, match="texts or routes, not numbers"):
        result.quantity("earth.ground")
    with pytest.raises(SweepError, match="same on all bands"):
        result.quantity("long", "40 m")


@pytest.mark.parametrize(
    ("name", "message"),
    [
        ("effciency", "is 'efficiency' meant"),
        ("worst swrr", "is 'worst swr' meant"),
        ("element.lnog.length", "is 'element.long.length' meant"),
        ("swr on 6 m", "no band '6 m' in this sweep; it has 80 m, 40 m"),
        ("worst reactance", "'greatest reactance' or 'least reactance'"),
        ("narrow resonances", "needs the figure 'resonances'"),
        (7, "asked for by its name"),
    ],
)
def test_a_name_that_means_nothing(result: SweepResult, name: Any, message: str):
    with pytest.raises(SweepError, match=re.escape(message)):
        result.quantity(name)


def test_only_what_is_asked_for_is_read_in_bounded_slices(
    store: MemoryStore, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setattr(sweep_reading, "SLICE_BYTES", 20_000)  # 400 bytes a layout
    fresh = MemoryStore(store.plan, store.states, store.reasons, store.figures)
    result = SweepResult(fresh)
    assert "126 layouts on 5 bands" in repr(result)
    assert fresh.asked == []
    found = result.quantity("worst swr")
    assert fresh.asked == [("impedance", 50), ("impedance", 50), ("impedance", 26)]
    np.testing.assert_allclose(found, slow_swr(store).max(axis=1), rtol=1e-12)
    result.filter("swr < 1000").rank("swr on 40 m", show=["mean swr"])
    assert {name for name, _ in fresh.asked[3:]} == {"budget"}  # efficiency stands beside SWR
    assert len(fresh.asked) == 4 + (126 * 240 > 20_000)


def test_remembered_quantities_stay_within_bounds(
    store: MemoryStore, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setattr(sweep_reading, "KEPT_BYTES", 3 * 126 * 5 * 8)
    result = SweepResult(store)
    for name in result.band_quantity_names:
        result.quantity(name)
    assert len(result._quantities._known) == 3
    with pytest.raises(ValueError, match="read-only"):
        result.quantity("efficiency")[0, 0] = 1.0


# ---- ranking -----------------------------------------------------------------------------


def test_ranking_by_the_worst_band(store: MemoryStore, result: SweepResult):
    ranking = result.rank(count=7)
    worst = store.figures["budget"][:, :, 0].min(axis=1)
    done = np.flatnonzero(store.states == DONE)
    expected = done[np.argsort(-worst[done], kind="stable")][:7]
    np.testing.assert_array_equal(ranking.layouts, expected)
    assert [row.place for row in ranking] == list(range(1, 8))
    first = ranking.rows[0]
    assert first.quantities["worst efficiency"] == worst[first.layout]
    assert first.quantities["worst swr"] == pytest.approx(slow_swr(store)[first.layout].max())
    assert first.parameters == store.plan.design.layout(first.layout)
    assert ranking.ranked == 118
    assert ranking.left_out == {
        "waiting": 3, "unfit": 4, "failed": 1, "ruled out": 0, "no figure": 0,
    }  # fmt: skip
    np.testing.assert_array_equal(result.best(7).layouts, expected)


def test_ranking_on_some_bands_and_where(store: MemoryStore, result: SweepResult):
    ranking = result.rank("swr", bands=["20 m", "40 m"], where="long < 12 m", count=500)
    swr = slow_swr(store)[:, [1, 2]].max(axis=1)
    among = np.flatnonzero((store.states == DONE) & (store.plan.design.columns[0] < 12.0))
    np.testing.assert_array_equal(ranking.layouts, among[np.argsort(swr[among], kind="stable")])
    assert ranking.bands == ("40 m", "20 m")
    assert ranking.by.name == "worst swr"
    assert ranking.ranked + sum(ranking.left_out.values()) == len(result)


def test_ties_go_to_the_lower_number_and_unknown_numbers_are_counted(store: MemoryStore):
    budget = store.figures["budget"].copy()
    budget[:, :, 0] = np.round(budget[:, :, 0], 2)
    budget[40, 3] = np.nan
    found = SweepResult(
        MemoryStore(store.plan, store.states, store.reasons, {**store.figures, "budget": budget})
    )
    ranking = found.rank("efficiency", count=117)
    assert len(ranking) == 117
    assert ranking.left_out["no figure"] == 1
    keys = [(-row.quantities["worst efficiency"], row.layout) for row in ranking]
    assert keys == sorted(keys)
    assert len({key for key, _ in keys}) < 60
    for count in (1, 2, 3, 20):
        np.testing.assert_array_equal(
            found.rank("efficiency", count=count).layouts, ranking.layouts[:count]
        )


def test_what_is_better_has_to_be_known(store: MemoryStore, result: SweepResult):
    with pytest.raises(SweepError, match="say best='high' or best='low'"):
        result.rank("|z|")
    z = np.abs(store.figures["impedance"][:, :, 2])
    lowest = result.rank("|z|", best="low", count=1)
    assert lowest.layouts[0] == np.nanargmin(z.max(axis=1))
    assert lowest.by.name == "greatest |z|"
    assert result.rank("efficiency", best="low", count=1).by.name == "greatest efficiency"
    longest = result.rank("long", best="high", count=500)
    assert longest.rows[0].parameters[LONG.name] == 14.0
    assert (store.states[longest.layouts] == DONE).all()
    for wrong in ({"best": "up"}, {"count": 0}, {"count": True}, {"bands": []}):
        with pytest.raises(SweepError):
            result.rank(**wrong)  # pyright: ignore[reportArgumentType]


def test_nothing_left_to_rank(result: SweepResult):
    ranking = result.rank(where="efficiency > 99 %")
    assert len(ranking) == 0
    assert ranking.left_out["ruled out"] == 118
    assert "No layout is left to rank" in str(ranking)
    with pytest.raises(SweepError, match="done and left to choose from"):
        result.filter("efficiency > 99 %").chosen(None)


def test_a_ranking_shows_itself(result: SweepResult):
    ranking = result.rank("swr", where=["long >= 11.7 m", "earth.ground == 'wet ground'"],
                          show=["feed voltage", "reactance", "tuner matched"])  # fmt: skip
    text = ranking.to_text(width=100)
    assert max(map(len, text.splitlines())) <= 100
    for row in ranking:
        assert f"{row.layout}  " in text
        assert f"{row.parameters[LONG.name]:.2f} m  " in text
    for words in (
        "SWR (50 ohm)", "long length", "wet ground", "Volts are RMS at 80 W", "mean reactance",
        "Only where long >= 11.7 m and earth.ground == 'wet ground'", "3 not computed yet, 4 unfit",
        "80 m, 40 m, 20 m, 15 m, 10 m",
    ):  # fmt: skip
        assert words in " ".join(text.split()), words
    page = ranking._repr_html_()
    assert page.count("<tr>") == 11
    assert "long &gt;= 11.7 m" in page
    form = ranking_form(ranking)
    assert form["rows"][0]["layout"] == ranking.layouts[0]
    assert form["quantities"][0]["name"] == "worst swr"
    frame = ranking.to_dataframe()
    assert list(frame["layout"]) == ranking.layouts.tolist()
    assert list(frame[LONG.name]) == [row.parameters[LONG.name] for row in ranking]


@pytest.mark.parametrize(
    ("parameter", "value", "text"),
    [
        (LONG, 11.7, "11.70 m"),
        (Parameter("a", low=1.0, high=2.0, unit="m"), 1.23456, "1.23 m"),
        (Parameter("a", (1.205, 1.21), unit="m"), 1.205, "1.205 m"),
        (Parameter("a", low=2.2e-6, high=9e-6, unit="H"), 4.7e-6, "4.7 uH"),
        (Parameter("a", low=0.1, high=0.2, unit="m", step=0.005), 0.105, "0.105 m"),
        (Parameter("a", (8, 16, 32)), 16.0, "16"),
        (Parameter("a", low=1.0, high=50.0, unit="ohm"), 33.25, "33.25 ohm"),
        (GROUND, "wet ground", "wet ground"),
        (Parameter("a", ((1, 2),)), ((0.0, 1.0, 2.0), (3.0, 4.0, 5.5)), "0, 1, 2, 3, 4, 5.5"),
    ],
)
def test_values_of_parameters_in_peoples_units(parameter: Parameter, value: Any, text: str):
    assert parameter_text(parameter, value) == text


def test_lengths_come_back_as_the_file_has_them(store: MemoryStore):
    text = """
[[element]]
name = "cross"
length = "6.1 m"
[[element]]
name = "long"
length = "36 ft 1 in"
[earth]
ground = "average ground"
"""
    found = SweepResult(
        MemoryStore(replace(store.plan, text=text), store.states, store.reasons, store.figures)
    )
    ranking = found.rank(count=1, where="long = 12 m")
    assert ranking.units == ("ft in", "m", "")
    assert "39 ft 4.44 in" in str(ranking)  # 12 m
    assert "29 ft 6.33 in to 45 ft 11.18 in" in " ".join(found.to_text().split())
    assert file_units(store.plan) == ("m", "m", "")
    choices = (Length("31 in"), Length("47 in"))
    design = Design((Parameter("counterpoise.height", choices, unit="m"),), (np.array(choices),))
    assert file_units(replace(store.plan, design=design)) == ("in",)


def test_a_hundred_thousand_layouts_are_ranked_in_time():
    rng = np.random.default_rng(5)
    names = ("80 m", "40 m", "30 m", "20 m", "17 m", "15 m", "12 m", "10 m")
    bands, frequencies = bands_of(names, 9)
    size = 100_000
    z = np.exp(rng.normal(4.0, 1.0, (size // 10, 8, 9))).astype(np.complex128)
    z += 1j * rng.normal(0.0, 90.0, z.shape)
    budget = np.abs(rng.normal(0.4, 0.1, (size, 8, 6)))
    plan = SweepPlan(
        "", "large", Design((LONG,), (rng.uniform(9.0, 14.0, size),), "sobol", 3), bands,
        frequencies,
        (Figure("impedance", (Axis("point", tuple(range(9))),), "complex128"),
         Figure("budget", (Axis("term", TERMS),))),
        {"power": 100.0, "reference": 50.0},
    )  # fmt: skip
    figures = {"impedance": np.tile(z, (10, 1, 1)), "budget": budget}
    large = MemoryStore(plan, np.full(size, DONE, np.int8), {}, figures)
    begin = time.process_time()
    ranking = SweepResult(large).rank(show=["feed voltage"])
    taken = time.process_time() - begin
    assert ranking.layouts[0] == np.argmax(budget[:, :, 0].min(axis=1))
    assert max(rows for _, rows in large.asked) < 20_000
    assert taken < 2.0, f"{taken:.2f} s"
    begin = time.process_time()
    criteria = [("efficiency", "high"), ("swr", "low"), ("long", "high")]
    front = SweepResult(large).pareto(criteria)
    taken = time.process_time() - begin
    assert 10 < front.size < 2000
    assert taken < 2.5, f"{taken:.2f} s"


# ---- one layout, all of them -------------------------------------------------------------


def test_one_layout(store: MemoryStore):
    fresh = MemoryStore(store.plan, store.states, store.reasons, store.figures)
    found = SweepResult(fresh).layout(33)
    assert found["parameters"] == store.plan.design.layout(33)
    assert (found["state"], found["reason"]) == ("done", "")
    assert found["quantities"]["swr"]["15 m"] == pytest.approx(slow_swr(store)[33, 3])
    assert {rows for _, rows in fresh.asked} == {1}
    failed = SweepResult(store).layout(17)
    assert (failed["state"], failed["reason"]) == ("failed", "The matrix is singular on 20 m.")
    for wrong in (-1, 126, True, "3"):
        with pytest.raises(SweepError, match="numbered 0 to 125"):
            SweepResult(store).layout(wrong)  # pyright: ignore[reportArgumentType]


SMALL = small_attic.ATTIC.replace("8.3 m", "27 ft 3 in")


def test_a_layout_comes_back_as_an_attic(store: MemoryStore):
    lengths = np.array([7.0, 6.55, 8.1])
    parameters = (Parameter("element.long.length", tuple(lengths), unit="m", is_outer=False),
                  Parameter("counterpoise.radials", (3, 5)))  # fmt: skip
    design = Design(parameters, (lengths, np.array([3.0, 5.0, 3.0])), "list")
    plan = replace(store.plan, text=SMALL, name="attics/small.toml", design=design)
    figures = {name: values[:3] for name, values in store.figures.items()}
    reasons = {2: "attics/small.toml, line 14: Element 'long' is 0.2 m too long."}
    states = np.array([DONE, DONE, UNFIT], np.int8)
    result = SweepResult(MemoryStore(plan, states, reasons, figures))
    assert result.name == "small"
    assert repr(result).startswith("Sweep of small: 3 layouts on 5 bands, list over long length")
    found = result.plan_of(1)
    assert sum(wire.name.startswith("radial") for wire in found.scene().wires) == 5
    (long,) = (wire for wire in found.scene().wires if wire.name == "long")
    assert long.length == pytest.approx(6.55, rel=1e-9)  # rounding
    assert 'in"' in found.text.partition("length")[2].partition("\n")[0]
    text = " ".join(result.to_text().split())
    assert "as layout 2: Element 'long' is 0.2 m too long." in text
    assert "21 ft 5.87 in to 26 ft 6.9 in in 3 values" in text
    with pytest.raises(SweepError, match="numbered 0 to 2"):
        result.plan_of(3)


def test_what_figures_need_lives_as_long_as_any_result(store: MemoryStore):
    class Folder:
        pass

    folder = Folder()
    seen = weakref.ref(folder)
    result = SweepResult(store, holding=folder)
    del folder
    narrow = result.filter("long > 10 m")
    del result
    gc.collect()
    assert seen() is not None
    del narrow
    gc.collect()
    assert seen() is None


def test_data_frame(store: MemoryStore, result: SweepResult):
    frame = result.filter("long < 10 m").to_dataframe()
    assert len(frame) == 5 * result.filter("long < 10 m").layouts.size
    row = frame[(frame["layout"] == 14) & (frame["band"] == "15 m")].iloc[0]
    assert row["swr"] == pytest.approx(slow_swr(store)[14, 3])
    assert row["efficiency"] == store.figures["budget"][14, 3, 0]
    assert row["earth.ground"] == "average ground"
    assert row["element.long.length"] == store.plan.design.columns[0][14]
    whole = result.to_dataframe()
    assert whole.groupby("state", observed=True)["layout"].nunique().to_dict() == {
        "done": 118, "failed": 1, "unfit": 4, "waiting": 3,
    }  # fmt: skip


def test_missing_packages_are_named(result: SweepResult, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setitem(sys.modules, "xarray", None)
    monkeypatch.setitem(sys.modules, "pandas", None)
    with pytest.raises(ImportError, match="pip install 'xarray"):
        result.to_xarray()
    with pytest.raises(ImportError, match="pip install 'pandas"):
        result.to_dataframe()


def test_xarray(store: MemoryStore, result: SweepResult):
    pytest.importorskip("xarray", reason="xarray is not installed")
    found = result.filter("long > 13 m").to_xarray()
    numbers = result.filter("long > 13 m").layouts
    assert found["layout"].values.tolist() == numbers.tolist()
    np.testing.assert_array_equal(found["impedance"].values, store.figures["impedance"][numbers])
    assert found["impedance"].attrs["unit"] == "ohm"
    one = found["budget"].sel(layout=numbers[3], band="20 m").sel({"budget term": "earth"})
    assert float(one) == store.figures["budget"][numbers[3], 2, 1]
    assert list(result.to_xarray(["shares"]).data_vars) == ["shares"]
    with pytest.raises(SweepError, match="was not kept"):
        result.to_xarray(["currents"])


# ---- in words ----------------------------------------------------------------------------


@pytest.mark.parametrize("width", [60, 80, 120])
def test_summary(result: SweepResult, width: int):
    lines = sweep_summary(result, width=width)
    text = " ".join(" ".join(lines).split())
    assert max(map(len, lines)) <= width
    for words in (
        "126 layouts on 5 bands, grid over long length, cross length, earth ground",
        "118 done, 4 unfit, 1 failed, 3 waiting",
        "9.00 m to 14.00 m, step 0.25 m (cheap)",
        "5.00 m to 7.50 m in 3 values",
        "2 choices (outer loop)",
        "4 times, as layout",
        "beyond the gable",
        "1 time, as layout 17: The matrix is singular on 20 m.",
        "Best on their worst band so far",
        "Best by their worst SWR so far. SWR refers to 50 ohm.",
        "one model of the house and over one earth, but for earth ground",
    ):
        assert words in text, words
    assert str(result.best(1).layouts[0]) in text


def with_checks(store: MemoryStore, difference: float) -> SweepResult:
    size = (len(store.plan.design), len(store.plan.bands))
    check = np.full((*size, 1), np.nan)
    check[20], check[50] = difference / 7, difference
    resonances = np.zeros((*size, 2))
    resonances[60, 2], resonances[61, 1] = (1, 900.0), (2, 300.0)
    resonances[17, 1] = (1, 100.0)  # of a layout that failed
    figures = (
        *store.plan.figures,
        Figure("check", (Axis("check", ("difference",)),)),
        Figure("resonances", (Axis("what", ("count", "width")),)),
    )
    return SweepResult(
        MemoryStore(
            replace(store.plan, figures=figures), store.states, store.reasons,
            {**store.figures, "check": check, "resonances": resonances},
        )
    )  # fmt: skip


def test_summary_tells_of_checks_and_kinks(store: MemoryStore):
    text = " ".join(with_checks(store, 3e-10).to_text().split())
    assert "10 checks of a layout and band solved in full: it differed by 3e-10 at most." in text
    assert "2 layouts may have a kink" in text
    assert "too much" in " ".join(with_checks(store, 7e-3).to_text().split())


def test_many_reasons_are_counted_by_kind(store: MemoryStore):
    states, reasons = store.states.copy(), dict(store.reasons)
    states[:40] = UNFIT
    for k in range(40):
        kind = ("cross 'cross' by 2.5 mm", "no joist at", "leaves the roof", "too thick")[k % 4]
        reasons[k] = f"Wire {k}: {kind if k > 12 else 'lies below ground'} {0.1 * k:.1f} m"
    found = SweepResult(MemoryStore(store.plan, states, reasons, store.figures))
    text = " ".join(found.to_text().split())
    assert "Why unfit, the commonest first: - 13 times, as layout 0: Wire 0: lies below" in text
    assert re.search(r"\d+ for other reasons", text)


def test_summary_of_a_sweep_that_has_just_begun(store: MemoryStore):
    states = np.zeros_like(store.states)
    begun = SweepResult(MemoryStore(store.plan, states, {}, store.figures))
    lines = " ".join(begun.to_text().split())
    assert "0 done, 126 waiting" in lines
    assert "No layout is done so far." in lines


def test_states_and_names_are_those_of_the_records(result: SweepResult):
    assert list(result.counts) == list(STATES)
    assert sum(result.counts.values()) == len(result)
    assert "swr" in result.quantity_names
    assert "element.long.length" in result.quantity_names


def test_a_layout_without_an_impedance_has_no_place(store: MemoryStore, result: SweepResult):
    best = result.rank(count=1).rows[0].layout
    z = store.figures["impedance"].copy()
    z[best] = np.nan
    found = SweepResult(
        MemoryStore(store.plan, store.states, store.reasons, {**store.figures, "impedance": z})
    ).rank(count=1000)
    assert best not in found.layouts
    assert found.left_out["no figure"] == 1
    assert found.ranked == result.rank().ranked - 1


@pytest.mark.parametrize("name", ["14.0-14.35 MHz", "14-14.350 MHz", "14000 to 14350 kHz"])
def test_a_range_is_a_band_however_it_is_written(store: MemoryStore, name: str):
    own = read_band("14.0-14.35 MHz")
    bands = (*store.plan.bands[:2], own, *store.plan.bands[3:])
    plan = replace(store.plan, bands=bands)
    found = SweepResult(MemoryStore(plan, store.states, store.reasons, store.figures))
    expected = found.quantity("swr")[:, 2]
    np.testing.assert_array_equal(found.quantity(f"swr on {name}"), expected)
    assert found.band_places([name]) == [2]
    met = found.filter(f"swr on {name} < 8").layouts
    np.testing.assert_array_equal(met, np.flatnonzero(found.done & (expected < 8)))
    assert found.rank(f"swr on {name}", count=1).rows[0].layout == np.nanargmin(expected)
    with pytest.raises(SweepError, match=r"There is no band '14\.0-14\.3 MHz'"):
        found.band_places(["14.0-14.3 MHz"])


@pytest.mark.parametrize("told", ["50 ohm", "50 dBi", "5000 %", "3 m"])
@pytest.mark.parametrize("text", ["swr < {}", "{} > worst swr", "worst swr + {} > 2"])
def test_a_plain_number_takes_no_unit(result: SweepResult, told: str, text: str):
    with pytest.raises(SweepError, match="a plain number, which has no unit, against"):
        result.filter(text.format(told))
    assert result.filter("worst efficiency > 10 % and worst swr < 500").layouts.size


def test_a_where_that_is_no_condition_is_told(result: SweepResult):
    for wrong in (3, None, {"swr": 3}):
        with pytest.raises(SweepError, match="give a condition as text, a mask, or a list"):
            result.rank(where=wrong)  # pyright: ignore[reportArgumentType]
