"""Each warning of a calibration: readings that bring it, and a near miss that does not.

Readings are made from the model of a small attic: what is hidden, distorted and noisy is said in
each test.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from calibration_cases import (
    CHEAP,
    WIDE,
    cheap_model,
    distorted,
    frequencies,
    noisy,
    small_model,
    swr_visit,
    truth,
    visit,
)
from scipy.stats import chi2

from ridgepole.solver import Readings, Visit
from ridgepole.solver.study.calibration.doubts import AT_BOUND, CORRELATED, cautions_of
from ridgepole.solver.study.calibration.explanations import scatter_of
from ridgepole.solver.study.calibration.posterior import IMPROBABLE, Posterior, fit
from ridgepole.solver.study.calibration.records import Caution
from ridgepole.solver.study.model.attic_model import AtticModel

HIDDEN = np.array([0.6, -0.9, 0.5, 0.8, -0.4])


def _said(visits: Sequence[Visit], model: AtticModel | None = None) -> dict[str, str]:
    found = cautions_of(fit(small_model() if model is None else model, visits))
    assert len({one.kind for one in found}) == len(found)
    assert all(isinstance(one, Caution) and one.text.endswith(".") for one in found)
    return {one.kind: one.text for one in found}


def _read(each: int = 5) -> tuple[np.ndarray, np.ndarray]:
    """Frequencies, and the hidden house without noise."""
    model = small_model()
    f = frequencies(model, each)
    return f, truth(model, HIDDEN, f)


def test_good_readings_bring_no_warning() -> None:
    f, g = _read()
    for seed in range(4):
        assert _said([visit(f, noisy(g, seed))]) == {}


def test_improbable_readings_are_said_to_look_wrong() -> None:
    """The same noise, so great that the least value lies above and below what is improbable."""
    model = small_model()
    f, g = _read()
    noise = noisy(g, 11) - g
    limit = float(chi2.isf(IMPROBABLE, 2 * f.size))

    def found(times: float) -> Posterior:
        read = g + times * noise
        return fit(model, [visit(f, read)])

    times = 1.0
    for _ in range(6):
        times *= np.sqrt(limit / found(times).cost)
    for by, is_said in ((1.03, True), (0.97, False)):
        said = {one.kind: one.text for one in cautions_of(found(by * times))}
        assert ("improbable" in said) == is_said
        if is_said:
            assert f"over {limit:.0f} in one case of 1000" in said["improbable"]


def test_turned_sign_of_reactances() -> None:
    f, g = _read()
    said = _said([visit(f, noisy(distorted(f, g, conjugate=True), 1))])
    assert list(said)[:2] == ["improbable", "turned sign"]
    assert "untold line" not in said
    # wrong in another way: a turned sign explains nothing
    assert "turned sign" not in _said([visit(f, noisy(distorted(f, g, size=0.8), 1))])


@pytest.mark.parametrize("line", [2.3, -1.2])
def test_an_untold_piece_of_line_and_how_long_it_is(line: float) -> None:
    f, g = _read()
    said = _said([visit(f, noisy(distorted(f, g, line=line), 1))])
    assert list(said)[:2] == ["improbable", "untold line"]
    told = f"behind {line:.1f}" if line > 0 else f"as if {-line:.1f}"
    assert told in said["untold line"]
    assert ("too much had been taken away" in said["untold line"]) == (line < 0)


def test_a_plug_of_line_is_no_untold_line() -> None:
    """3 cm are within what lengths and lead leave open."""
    f, g = _read()
    assert _said([visit(f, noisy(distorted(f, g, line=0.03), 1))]) == {}


@pytest.mark.parametrize(("size", "word"), [(0.8, "too low by a factor 0.8"),
                                            (1.08, "too high by a factor 1.0")])  # fmt: skip
def test_a_reflection_of_the_wrong_size(size: float, word: str) -> None:
    f, g = _read()
    said = _said([visit(f, noisy(distorted(f, g, size=size), 1))])
    assert list(said)[:2] == ["improbable", "wrong size"]
    assert word in said["wrong size"]


def test_a_size_within_the_noise_is_not_wrong() -> None:
    f, g = _read()
    assert _said([visit(f, noisy(distorted(f, g, size=0.985), 1))]) == {}


def test_one_reading_that_is_off_is_named() -> None:
    f, g = _read()
    for degrees, is_said in ((7.0, True), (1.2, False)):
        read = noisy(g, 1)
        read[3] *= np.exp(1j * np.deg2rad(degrees))
        said = _said([visit(f, read)])
        assert ("one reading off" in said) == is_said
        if is_said:
            assert f"at {f[3] / 1e6:.6g} MHz" in said["one reading off"]
        else:
            assert said == {}


def test_more_noise_than_told() -> None:
    model = small_model()
    f, g = _read(7)
    said = _said([visit(f, noisy(g, 2, times=4.0))])
    assert list(said)[:2] == ["improbable", "more noise"]
    assert _said([visit(f, noisy(g, 2, times=1.2))]) == {}
    assert scatter_of(fit(model, [visit(f, noisy(g, 2, times=4.0))])) > 0.5


def test_readings_that_nothing_explains() -> None:
    """A loop drawn into the reflection, as of metal in resonance that no file tells."""
    model = small_model()
    f, g = _read(7)

    def looped(depth: float) -> np.ndarray:
        at = (f - 9.9e6) / 0.25e6
        return noisy(g * (1.0 - depth / (1.0 + 1j * at)), 3)

    found = fit(model, [visit(f, looped(0.5))])
    assert scatter_of(found) < 0.5
    said = _said([visit(f, looped(0.5))])
    assert list(said)[:2] == ["improbable", "unexplained"]
    assert _said([visit(f, looped(0.01))]) == {}


def test_a_fit_hardly_better_than_what_was_told() -> None:
    model = small_model()
    f, g = _read()
    far = truth(model, [0.0, 0.0, 0.0, 2.4, 2.0], f)
    # too far from the middle to be probable, but a house like that explains it
    found = fit(model, [visit(f, noisy(far, 4))])
    assert chi2.sf(found.prior_misfit, found.data.size) < IMPROBABLE
    assert "no better" not in _said([visit(f, noisy(far, 4))])
    said = _said([visit(f, noisy(distorted(f, g, conjugate=True), 4))])
    assert "hardly better than what was told" in said["no better"]


def test_a_value_on_its_bound_is_named() -> None:
    """Read at 8.3 m and told 8.3 m, or told so and 3 % longer."""
    model = small_model()
    f = frequencies(model)
    for length, is_said in ((8.3 * 1.03, True), (8.3 * 1.013, False)):
        g = truth(model, np.zeros(5), f, lengths=np.array([length]))
        found = fit(model, [visit(f, noisy(g, 5), {"long": 8.3})])
        said = _said([visit(f, noisy(g, 5), {"long": 8.3})])
        assert ("at its bound" in said) == is_said
        assert (abs(found.scores[3]) > AT_BOUND * 3.0) == is_said
        if is_said:
            assert "length of long (2.34 %)" in said["at its bound"]


def test_two_answers_are_told_with_what_parts_them() -> None:
    model = cheap_model(WIDE, ("28-29 MHz",), "7.7 m")
    f = frequencies(model, 4)
    g = truth(model, [-1.0, 0.0], f)
    said = _said([swr_visit(f[1:2], g[1:2])], model)
    assert "length of long" in said["two answers"]
    assert "two answers" not in _said([swr_visit(f, g)], model)


def test_readings_that_narrow_nothing() -> None:
    """Noise so great that most of every spread remains, and a little less."""
    f, g = _read()
    for noise, is_said in ((0.4, True), (0.03, False)):
        sd = np.full(f.size, noise)
        read = Readings(f, g, np.abs(g), magnitude_sd=sd, phase_sd_deg=np.rad2deg(sd))
        assert ("nothing learned" in _said([Visit(read)])) == is_said


def test_unknowns_that_cannot_be_told_apart() -> None:
    """A lead and a length, both of wide spread, on one narrow band; then with a tape's word."""
    wide = CHEAP.replace("+- 1 %", "+- 2 %").replace("0 cm to 20 cm", "50 cm +- 45 cm")
    model = cheap_model(wide)
    f = np.linspace(9.85e6, 9.95e6, 3)
    quiet = {"magnitude_sd": np.full(3, 1e-3), "phase_sd_deg": np.full(3, 0.05)}
    g = truth(model, [0.4, 0.3], f)
    read = Visit(replace(visit(f, g).readings, **quiet))
    found = fit(model, [read])
    said = _said([read], model)
    assert found.correlation[0, 1] < -CORRELATED
    assert "length of long and feed lead (one up, the other down)" in said["alike"]
    known = cheap_model(CHEAP.replace("20 cm", "10 cm"))
    read = Visit(replace(visit(f, truth(known, [0.4, 0.3], f)).readings, **quiet))
    assert 0.5 < abs(fit(known, [read]).correlation[0, 1]) < CORRELATED
    assert "alike" not in _said([read], known)


def test_few_frequencies_on_a_band() -> None:
    f, g = _read(3)
    assert _said([visit(f, noisy(g, 6))]) == {}
    less = np.delete(np.arange(6), 4)
    said = _said([visit(f[less], noisy(g, 6)[less])])
    assert list(said) == ["few frequencies"]
    assert "2 on 21-22 MHz" in said["few frequencies"]


def test_another_start_is_told() -> None:
    model = cheap_model(WIDE, ("28-29 MHz",), "7.7 m")
    f = frequencies(model, 4)
    visits = [visit(f, noisy(truth(model, [-1.0, 0.3], f), 6))]
    for start, is_said in (([2.7, 0.0], True), ([0.0, 0.0], False)):
        found = cautions_of(fit(model, visits, start=np.array(start)))
        assert ("other start" in [one.kind for one in found]) == is_said
