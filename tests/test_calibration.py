"""`calibrate` from end to end: bands, lines, lengths, visits, what is kept and shown."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from calibration_cases import (
    CHEAP,
    HIGH,
    LOW,
    cheap_model,
    frequencies,
    noisy,
    plan_of,
    small_model,
    swr_visit,
    truth,
    visit,
)
from small_attic import MEDIUM_DRY, ON_20_M, ROOM

from ridgepole.geometry.attic_file import read_attic_text
from ridgepole.solver import (
    Calibration,
    Readings,
    SolverError,
    StoreError,
    Visit,
    calibrate,
    open_calibration,
    read_readings,
)
from ridgepole.solver.errors import BandError, PriorError, ReadingError
from ridgepole.solver.settings import TABLES
from ridgepole.solver.station import Line
from ridgepole.solver.study.calibration.calibrate import MOST_PER_BAND, calibration_of
from ridgepole.solver.study.calibration.calibrate import plan_of as likely_plan
from ridgepole.solver.study.calibration.posterior import Posterior
from ridgepole.solver.study.model.modelling import Modelling
from ridgepole.solver.views.calibrate_page import calibration_form

HIDDEN = np.array([0.4, -0.7, 0.3, 1.1, 0.2])


@lru_cache(maxsize=1)
def _found() -> Calibration:
    model = small_model()
    f = frequencies(model, 4)
    first = visit(f, noisy(truth(model, HIDDEN, f), 1))
    second = swr_visit(f[:3], noisy(truth(model, HIDDEN, f[:3], lengths=np.array([8.1])), 2))
    return calibration_of(
        model, [first, replace(second, lengths={"long": 8.1})],
        told=plan_of().with_element_length(long=8.1), name="the small house", notes=["said before"],
    )  # fmt: skip


def _reading(f: object = None, scores: tuple[float, float] = (1.0, 0.2)) -> Readings:
    """Of the cheap attic, without noise."""
    model = cheap_model()
    at = frequencies(model, 4) if f is None else np.asarray(f, dtype=float)
    return visit(at, truth(model, scores, at)).readings


def _calibrated(readings: Any, **options: Any) -> Calibration:
    return calibrate(plan_of((LOW,), CHEAP), readings, progress=False, **options)


def test_rows_say_before_after_and_what_was_learned() -> None:
    found = _found()
    names = [row.name for row in found]
    assert names == ["ground permittivity", "ground conductivity", "height above ground",
                     "length of long", "feed lead"]  # fmt: skip
    for row, spread in zip(found, found.posterior.spread, strict=True):
        own = row.unknown.distribution
        assert row.before == pytest.approx((*own.four_in_five[:1], own.middle, own.quantile(0.9)))
        assert row.after[0] < row.after[1] < row.after[2]
        assert row.learned == pytest.approx(1.0 - spread)
        assert own.score(row.after[1]) == pytest.approx(row.score)
        assert own.score(row.after[2]) - row.score == pytest.approx(1.2816 * spread, rel=1e-3)
    assert found.row("length of long").learned > 0.4
    with pytest.raises(SolverError, match="called 'moisture'"):
        found.row("moisture")


def test_the_plan_has_the_most_likely_values() -> None:
    """Length at the last visit, made electrically as long as likely, to a millimetre."""
    found = _found()
    likely = {row.name: row.after[1] for row in found}
    earth, floor = found.plan.earth, found.plan.attic.floor_level
    assert earth is not None
    assert earth.relative_permittivity == pytest.approx(likely["ground permittivity"], rel=1e-3)
    assert earth.conductivity == pytest.approx(likely["ground conductivity"], rel=1e-3)
    assert floor == pytest.approx(likely["height above ground"], abs=6e-4)
    (long,) = [wire for wire in found.plan.wires if wire.name == "long"]
    assert long.length == pytest.approx(8.1 * (1.0 + likely["length of long"]), abs=6e-4)
    assert any(note.startswith("feed lead of") for note in found.notes)
    assert "said before" in found.notes
    found.plan.scene()


def test_a_plan_says_no_more_than_its_way_and_may_pass_a_bend() -> None:
    """An element told 5 cm short of its way's end, and one told just beyond a corner."""
    model = cheap_model(length="8.9 m")
    f = frequencies(model, 3)
    found = calibration_of(model, [visit(f, truth(model, [1.2, 0.0], f))]).posterior
    assert isinstance(found, Posterior)
    likely, notes = likely_plan(model.plan, replace(found, scores=np.array([2.5, 0.0])))
    (long,) = [wire for wire in likely.wires if wire.name == "long"]
    assert long.length == pytest.approx(8.949, abs=1e-3)
    assert any("its way ends at 8.95 m" in note for note in notes)
    bent = plan_of((LOW,), CHEAP, "8.3 m")
    straight, more = '["8.4 m", "3.1 m", "2.7 m"]', '["8.4 m", "4.6 m", "2.0 m"]'
    text = bent.text.replace(straight, f"{straight.replace('8.4', '7.7')}, {more}")
    plan = read_attic_text(text, name="bent.toml", other_tables=TABLES)
    corner = plan.antenna.element("long").path(plan.antenna.feed_point)  # type: ignore[union-attr]
    at = float(np.linalg.norm(np.diff(corner[:3], axis=0), axis=1).sum())
    plan = plan.with_element_length(long=round(at + 0.03, 3))
    past = Modelling.of(plan).build()
    read = visit(f, truth(past, [-1.2, 0.0], f))
    found = calibration_of(past, [read])
    (before,), (after,) = ([w for w in one.wires if w.name == "long"] for one in (plan, found.plan))
    assert after.length == pytest.approx(
        before.length * (1.0 + found.row("length of long").after[1]), abs=6e-4
    )
    assert after.length < at < before.length
    assert len(after.vertices) == len(before.vertices) - 1


def test_values_that_do_not_fit_leave_the_plan_as_told(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise PriorError("The ridge lies below the floor.")

    monkeypatch.setattr("ridgepole.solver.study.calibration.calibrate.apply", refuse)
    model = cheap_model()
    f = frequencies(model, 3)
    found = calibration_of(model, [visit(f, truth(model, [1.2, 0.0], f))])
    assert found.plan is found.told
    assert found.notes[-1].endswith("do not fit: The ridge lies below the floor.")


def test_fitted_readings_stand_beside_the_model() -> None:
    found = _found()
    fitted, model = found.fitted, small_model()
    f = frequencies(model, 4)
    np.testing.assert_allclose(fitted.before[:8], truth(model, np.zeros(5), f), rtol=1e-12)
    np.testing.assert_allclose(
        fitted.after[:8], truth(model, found.posterior.scores, f), rtol=1e-12
    )
    assert fitted.band == (LOW,) * 4 + (HIGH,) * 4 + (LOW,) * 3
    assert list(fitted.visit) == [0] * 8 + [1] * 3
    missed = fitted.residual()
    direct = (np.abs(fitted.after[8:]) - found.readings.magnitude) / 0.01
    np.testing.assert_allclose(missed[8:, 0], direct, rtol=1e-9)
    assert np.isnan(missed[8:, 1]).all()
    parts = (fitted.after[:8] - fitted.read[:8]) * np.exp(-1j * np.angle(fitted.read[:8]))
    np.testing.assert_allclose(missed[:8], np.stack([parts.real, parts.imag], axis=1) /
                               fitted.noise[:8], rtol=1e-9)  # fmt: skip
    assert np.isnan(fitted.impedance("read")[8:]).all()
    z = found.visits[0].readings.impedance
    np.testing.assert_allclose(fitted.impedance("read")[:8], z, rtol=1e-12)
    assert found.numbers == 19
    assert found.misfit < found.prior_misfit
    assert 0.0 < found.chance < 1.0


def test_it_shows_itself() -> None:
    found = _found()
    text = repr(found)
    for words in ("What the readings say of the small house", "Learned most: length of long",
                  "ground conductivity", "19 numbers were read", "Done on the way"):  # fmt: skip
        assert words in text
    assert max(map(len, found.to_text(width=72).splitlines())) <= 72
    assert "Before this is believed" not in text
    assert "<table>" in found._repr_html_()
    frame = found.to_dataframe()
    assert list(frame["unknown"]) == [row.name for row in found]
    assert frame["after_50"][3] == found.rows[3].after[1]
    figure = found.plot()
    assert len(figure.axes) == 4  # R and X over what is missed, for each of two bands
    assert [ax.get_title(loc="left") for ax in figure.axes if ax.get_title(loc="left")] == [
        LOW,
        HIGH,
    ]
    assert json.loads(json.dumps(calibration_form(found), allow_nan=False))["numbers"] == 19


def test_what_is_saved_comes_back(tmp_path: Path) -> None:
    found = _found()
    path = tmp_path / "kept.json"
    found.save(path)
    back = open_calibration(path)
    assert back.rows == found.rows
    assert back.plan.text == found.plan.text
    assert back.told.text == found.told.text
    assert (back.warnings, back.notes, back.bands) == (found.warnings, found.notes, found.bands)
    for name in ("scores", "covariance"):
        np.testing.assert_array_equal(getattr(back.posterior, name), getattr(found.posterior, name))
    np.testing.assert_array_equal(back.posterior.draws(4, 7), found.posterior.draws(4, 7))
    np.testing.assert_array_equal(back.fitted.residual(), found.fitted.residual())
    np.testing.assert_array_equal(back.readings.magnitude, found.readings.magnitude)
    assert back.visits[1].lengths == {"long": 8.1}
    assert back.to_text() == found.to_text()


@pytest.mark.parametrize(
    ("text", "word"),
    [("no JSON", "it is no saved calibration"), ("{}", "it is no saved calibration"),
     ('{"format": "ridgepole calibration", "format_version": 99}', "reads 1"),
     ('{"format": "ridgepole calibration", "format_version": 1}', "it is damaged")],
)  # fmt: skip
def test_what_is_no_calibration_is_not_opened(tmp_path: Path, text: str, word: str) -> None:
    path = tmp_path / "a.json"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(StoreError, match=word):
        open_calibration(path)


def test_files_that_are_not_there_or_cannot_be_written(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="cannot be read"):
        open_calibration(tmp_path / "none.json")
    with pytest.raises(StoreError, match="cannot be written"):
        _found().save(tmp_path / "no folder" / "a.json")


def test_readings_at_the_end_of_a_line_equal_those_at_the_feed_point() -> None:
    """The same noise given, the same scores come of both."""
    line = Line.named("RG-58", length="7 m")
    direct = _reading()
    port = line.two_port(direct.frequencies)
    z = direct.impedance
    shown = (port.a * z + port.b) / (port.c * z + port.d)
    typed = [(float(f), complex(x)) for f, x in zip(direct.frequencies, shown, strict=True)]
    behind = _calibrated(typed, line=line)
    there = behind.readings
    np.testing.assert_allclose(there.reflection, direct.reflection, atol=1e-12)
    assert "7 m of RG-58" in there.taken_at
    noise = {"magnitude_sd": there.magnitude_sd, "phase_sd_deg": there.phase_sd_deg}
    plain = _calibrated(replace(direct, **noise))
    # Tolerance class rounding.
    np.testing.assert_allclose(behind.posterior.scores, plain.posterior.scores, atol=1e-9)
    assert abs(plain.posterior.scores[0] - 1.0) < 2.0 * plain.posterior.spread[0]
    without = _calibrated(typed)
    assert "improbable" in [one.kind for one in without.warnings]


def test_lengths_when_it_was_read() -> None:
    """The hidden attic read with 20 cm less wire; the plan says that length, corrected."""
    model = small_model()
    f = frequencies(model, 4)
    g = truth(model, HIDDEN, f, lengths=np.array([8.1]))
    told = _found()
    assert told.told.text != plan_of().text
    short = calibration_of(model, [visit(f, g, {"long": 8.1})])
    wrong = calibration_of(model, [visit(f, g)])
    assert abs(short.posterior.scores[3] - HIDDEN[3]) < 2.0 * short.posterior.spread[3]
    assert wrong.posterior.scores[3] < -1.5
    found = _calibrated(_reading(scores=(0.3, 0.0)), lengths={"long": "27 ft 2.8 in"})
    (told_long,) = [wire for wire in found.told.wires if wire.name == "long"]
    assert told_long.length == pytest.approx(27 * 0.3048 + 2.8 * 0.0254)
    assert 'length = "27 ft 2.8 in"' in found.told.text


def test_an_earlier_visit_had_the_lengths_of_the_file() -> None:
    """Two visits, the last after a cut: the first counts with the length that the file says."""
    first = _reading()
    found = _calibrated([Visit(first), Visit(_reading(), {"long": 8.25})])
    assert [one.lengths["long"] for one in found.visits] == pytest.approx([8.3, 8.25])
    posterior = found.posterior
    assert isinstance(posterior, Posterior)
    np.testing.assert_allclose(posterior.data.lengths, [[8.3], [8.25]])


def test_many_readings_are_thinned_and_those_in_no_band_left_out() -> None:
    inside = _reading(np.linspace(9.4e6, 10.4e6, 41))
    outside = Readings.of([7.1e6, 14.2e6], [20 - 30j, 40 + 9j])
    found = _calibrated(inside.joined(outside))
    assert found.readings.frequencies.size == MOST_PER_BAND
    assert found.readings.frequencies[[0, -1]] == pytest.approx([9.4e6, 10.4e6])
    assert any(f"of 41 readings on {LOW} {MOST_PER_BAND} were used" in one for one in found.notes)
    assert found.warnings[0].kind == "left out"
    assert found.warnings[0].text.startswith("7.1, 14.2 MHz: in none of the bands")
    few = _calibrated(_reading(np.linspace(9.4e6, 10.4e6, MOST_PER_BAND)))
    assert "left out" not in [one.kind for one in few.warnings]
    assert not any("were used" in one for one in few.notes)
    assert few.readings.frequencies.size == MOST_PER_BAND


def test_readings_in_no_band_are_refused_with_their_frequencies() -> None:
    with pytest.raises(ReadingError, match=r"7.1, 14.2 MHz do not. This calibration is for 9.4-"):
        _calibrated("7.1 MHz 20 - 30j\n14.2 MHz 40 + 9j")


@pytest.mark.parametrize(
    ("options", "error", "words"),
    [
        ({"lengths": {"short": "8 m"}}, ReadingError, "no element 'short'. Elements are 'long'"),
        ({"lengths": {"long": "80 m"}}, ReadingError, "'long' cannot have been '80 m'"),
        ({"lengths": {"long": "much"}}, ReadingError, "'long' cannot have been 'much'"),
        ({"unknowns": {"defaults": False, "length of long": "known", "feed lead": "known"}},
         SolverError, "Nothing is unknown"),
        ({"unknowns": {"length of long": "+- 0 %"}}, PriorError, "the spread is 0"),
        ({"bands": ["41 m"]}, BandError, "no band '41 m'"),
        ({"line": "7 m of string"}, ReadingError, "the line '7 m of string'"),
        ({"reference": -5.0}, ReadingError, "the reference"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_refused(options: dict, error: type[Exception], words: str) -> None:
    with pytest.raises(error, match=words):
        _calibrated("9.9 MHz 20 - 100j", **options)


def test_plans_without_elements_are_refused() -> None:
    with pytest.raises(SolverError, match="takes what read_attic"):
        calibrate("small.toml", "9.9 MHz 20 - 100j")  # type: ignore[arg-type]
    wires = """
[[wire]]
name = "plain"
points = [["2 m", "2 m", "1 m"], ["7 m", "2 m", "1 m"]]
wire = "2.5 mm2 copper, bare"
[[feed]]
wire = "plain"
at = "2.5 m"
"""
    plan = read_attic_text(ROOM + wires + MEDIUM_DRY + ON_20_M, other_tables=TABLES)
    with pytest.raises(SolverError, match=r"has no \[antenna\] with elements"):
        calibrate(plan, "14.1 MHz 20 - 100j")


def test_effort_is_announced_before_anything_is_computed() -> None:
    told: list[str] = []

    class Enough(Exception):
        pass

    def announce(effort: object) -> None:
        told.append(str(effort))
        raise Enough

    with pytest.raises(Enough):
        calibrate(plan_of(), "9.9 MHz 20 - 100j", announce=announce, progress=False)
    assert "matrices of about" in told[0]
    assert "1 band" in told[0]  # the other one has no reading


def test_references_of_readings_are_kept_or_changed() -> None:
    read = read_readings("9.9 MHz 20 - 100j\n10.1 MHz 22 - 90j", reference=75.0)
    assert _calibrated(read).fitted.reference == 75.0
    assert _calibrated(read, reference=50.0).fitted.reference == 50.0
