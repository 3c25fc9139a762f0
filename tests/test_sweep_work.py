"""Sweeps of a small attic from end to end, against answers of single layouts."""

from __future__ import annotations

import pickle
from pathlib import Path
from typing import Literal

import numpy as np
import pytest

from ridgepole.geometry import AtticFileError
from ridgepole.geometry.attic_file import read_attic_text
from ridgepole.geometry.plan import AtticPlan
from ridgepole.solver import SweepError, answer, solve
from ridgepole.solver.fields.budget import TERMS
from ridgepole.solver.settings import TABLES
from ridgepole.solver.study import sweep_chunks
from ridgepole.solver.study.sweep import plan_sweep, sweep
from ridgepole.solver.study.sweep_effort import estimate_sweep
from ridgepole.solver.study.sweep_layouts import LayoutPlans
from ridgepole.solver.study.sweep_records import DONE, UNFIT
from ridgepole.solver.study.sweep_result import SweepResult
from ridgepole.solver.study.sweep_work import SweepWork

TEXT = """
[attic]
size = ["9.1 m", "6.7 m"]
ceiling_height = "4.9 m"
eaves_height = "5.3 m"
ridge_height = "8.2 m"
ridge_bearing = 33

[antenna]
feed_point = ["2.4 m", "2.7 m", "0 m"]
wire = "2.5 mm2 copper, bare"

[[element]]
name = "ridge"
route = [["2.4 m", "3.2 m", "2.6 m"], ["8.7 m", "3.3 m", "2.7 m"], ["8.7 m", "1.1 m", "0.9 m"]]
length = "9.4 m"

[[element]]
name = "back"
route = [["1.9 m", "3.4 m", "2.1 m"], ["0.4 m", "3.6 m", "2.2 m"], ["0.4 m", "6.1 m", "0.5 m"]]
length = "5.6 m"

[counterpoise]
radials = 5
length = "3.1 m"
height = "0 m"
start_bearing = 20

[house]
moisture = "13 %"

[[timber]]
name = "post"
points = [["5.2 m", "3.0 m", "0 m"], ["5.2 m", "3.0 m", "2.5 m"]]
section = "70 x 70 mm"

[earth]
permittivity = 11
conductivity = 0.004

[bands]
wanted = ["20 m"]
region = 1

[tuner]
kind = "L"
coil = ["0 uH", "15 uH"]
coil_q = 120
capacitor = ["0 pF", "1.5 nF"]
capacitor_q = 900

[station]
power = 100
"""

LOAD = """
[[load]]
name = "coil"
wire = "ridge"
at = "3.3 m"
coil = "2 uH"
coil_q = 90
"""

VARY = {
    "element.ridge.length": ["9.4 m", "8.1 m", "11.9 m"],
    "element.back.length": ["5.6 m", "4.2 m"],
    "house.moisture": ["10 %", "20 %"],
}
ANGLES = [(15.0, 40.0), (70.0, 200.0)]


def attic(text: str = TEXT) -> AtticPlan:
    return read_attic_text(text, name="small attic", other_tables=TABLES)


@pytest.fixture(scope="module")
def swept() -> SweepResult:
    return sweep(
        attic(), VARY, points=3, angles=ANGLES, executor="in-process", progress=False,
        figures=["impedance", "budget", "shares", "gain", "tuner", "currents"],
    )  # fmt: skip


def test_layouts_that_are_too_long_are_unfit(swept: SweepResult) -> None:
    too_long = swept.parameters["element.ridge.length"] > 11.0
    assert too_long.sum() == 4
    np.testing.assert_array_equal(swept.states, np.where(too_long, UNFIT, DONE))
    assert all("ridge" in swept.reasons[int(n)] for n in np.flatnonzero(too_long))
    assert np.isnan(swept.store.read("impedance")[too_long]).all()


@pytest.mark.parametrize("layout", [0, 3])
def test_a_layout_equals_its_answer(swept: SweepResult, layout: int) -> None:
    """On another mesh: discretisation, twice the tolerance of both."""
    plans = LayoutPlans(attic(), swept.plan.design)
    (band,) = answer(plans.plan_of(layout), progress=False).bands
    z = swept.store.read("impedance")[layout, 0, 1]
    gamma = [(v - 50.0) / (v + 50.0) for v in (z, band.centre.impedance)]
    assert abs(gamma[0] - gamma[1]) < 0.02
    budget = swept.store.read("budget")[layout, 0]
    for term, value in zip(TERMS, budget, strict=True):
        assert value == pytest.approx(float(getattr(band.budget, term)), abs=0.01)
    assert budget.sum() == pytest.approx(1.0, abs=1e-12)
    shares = swept.store.read("shares")[layout, 0]
    np.testing.assert_allclose(shares, band.shares, atol=0.01)
    assert swept.quantity("efficiency", band="20 m")[layout] == budget[0]


def test_wetter_wood_takes_more(swept: SweepResult) -> None:
    wood = swept.store.read("budget")[:, 0, TERMS.index("timbers")]
    dry, wet = (wood[swept.parameters["house.moisture"] == m] for m in (0.10, 0.20))
    assert np.all(wet[np.isfinite(wet)] > 1.2 * dry[np.isfinite(dry)])


def test_the_check_of_a_full_solve_is_close(swept: SweepResult) -> None:
    """The earth's part of the full solve is computed by itself: its balance shows here."""
    check = swept.store.read("check")
    assert np.isfinite(check).sum() == 2  # one layout of each pool
    assert np.nanmax(check) < 1e-6


def test_gain_and_currents_equal_those_of_a_solve(swept: SweepResult) -> None:
    work = SweepWork(swept.plan)
    chunk = work.chunk(work.chunks[0])
    assert chunk.pool is not None
    number = 1
    layout = int(chunk.layouts[chunk.rows[number]])
    system = chunk.pool.layout_system(number)
    solution = solve(
        system.scene, swept.plan.bands[0].centre, mesh=system.mesh, error_estimate=False
    )
    # the solids are cut for one layout here, for all of them there
    far = solution.far_field()
    ridge = attic().attic.ridge_bearing
    for k, (elevation, bearing) in enumerate(ANGLES):
        gain = float(far.gain_dbi(elevation, ridge - bearing))
        assert swept.store.read("gain")[layout, 0, k] == pytest.approx(gain, abs=0.01)
    currents = swept.store.read("currents")[layout, 0]
    for k, name in enumerate(("ridge", "back")):
        length = system.scene.wire(name).length
        at = np.linspace(0.0, length, currents.shape[1])
        own = np.asarray(solution.current(name, at, power=100.0))
        # phases count from the feed's voltage
        ratio = np.abs(currents[k, :-1]) / np.abs(own[:-1])
        np.testing.assert_allclose(ratio, 1.0, rtol=2e-3)
        assert abs(currents[k, -1]) < 1e-6 * abs(currents[k, 0])
    turn = np.angle(currents[:, 0] / np.asarray([solution.current("ridge", 0.0),
                                                 solution.current("back", 0.0)]))  # fmt: skip
    assert abs(turn[0] - turn[1]) < 2e-3


def test_tuner(swept: SweepResult) -> None:
    tuner, budget = swept.store.read("tuner"), swept.store.read("budget")
    done = swept.states == DONE
    matched, lost, radiated = tuner[done, 0].T
    assert set(matched) <= {0.0, 1.0}
    assert matched.any()
    assert np.all((lost > 0.0) & (lost < 1.0))
    # what the tuner leaves, less what the antenna loses; a little is reflected
    good = matched == 1.0
    expected = (1.0 - lost[good]) * budget[done][good, 0, 0]
    np.testing.assert_allclose(radiated[good], expected, rtol=2e-3)


def test_loads_are_cheap_and_equal_their_answers() -> None:
    plan = attic(TEXT + LOAD)
    vary = {"load.coil.coil": ["0.5 uH", "2 uH", "6 uH"], "back": ["5.6 m", "5 m"]}
    found = sweep(plan, vary, points=3, executor="in-process", progress=False)
    work = SweepWork(found.plan)
    assert len(work.chunks) == 1
    assert not any(p.is_outer for p in found.plan.design.parameters)
    plans = LayoutPlans(plan, found.plan.design)
    for layout in (1, 4):
        (band,) = answer(plans.plan_of(layout), progress=False).bands
        z = found.store.read("impedance")[layout, 0, 1]
        gamma = [(v - 50.0) / (v + 50.0) for v in (z, band.centre.impedance)]
        assert abs(gamma[0] - gamma[1]) < 0.02  # discretisation
        loads = found.store.read("budget")[layout, 0, TERMS.index("loads")]
        assert loads == pytest.approx(float(band.budget.loads), abs=0.005)
    assert np.ptp(np.imag(found.store.read("impedance")[:, 0, 1])) > 20.0


def test_what_cannot_be_parted_is_solved_one_by_one() -> None:
    pipe = """
[[pipe]]
name = "water pipe"
points = [["0.5 m", "0.4 m", "4.5 m"], ["0.5 m", "0.4 m", "0 m"]]
heights_from = "ground"
size = "18 mm"
conductor = "copper"
earthed = {rod = "1.2 m"}
"""
    text = TEXT.split("[house]")[0] + pipe
    text += "[earth]\nground = 'medium dry ground'\n[bands]\nwanted = ['20 m']\nregion = 1\n"
    plan = attic(text)
    found = sweep(plan, {"back": ["5.6 m", "5 m"]}, points=3, executor="in-process",
                  progress=False)  # fmt: skip
    work = SweepWork(found.plan)
    assert "one by one" in work.chunk(work.chunks[0]).parted
    (band,) = answer(LayoutPlans(plan, found.plan.design).plan_of(1), progress=False).bands
    assert found.store.read("impedance")[1, 0, 1] == pytest.approx(band.centre.impedance, rel=0.03)
    assert found.store.read("budget")[1, 0].sum() == pytest.approx(1.0, abs=1e-3)


def test_many_variants_are_cut_into_pools(monkeypatch: pytest.MonkeyPatch) -> None:
    vary = {"ridge": "7 m to 9.4 m", "back": "4 m to 5.6 m"}
    plan = attic()
    wanted = plan_sweep(plan, vary, method="sobol", count=64, seed=3)
    whole = SweepWork(wanted)
    assert len(whole.chunks) == 1  # 128 variants
    assert estimate_sweep(whole).variants == 128
    monkeypatch.setattr(sweep_chunks, "MOST_VARIANTS", 40)
    parted = SweepWork(wanted)
    assert len(parted.chunks) == 4
    assert sorted(np.concatenate(parted.chunks)) == list(range(64))
    assert len(parted.batches) == 4


def test_work_is_small_and_travels() -> None:
    work = SweepWork(plan_sweep(attic(), VARY, points=3))
    assert work.batches  # worked out here, not sent
    sent = pickle.dumps(work)
    assert len(sent) < 20_000
    again = pickle.loads(sent)
    assert again.batches == work.batches


def test_the_same_bits_wherever_it_runs(tmp_path: Path, swept: SweepResult) -> None:
    """Among processes that found the kernels compiled; this one may have compiled them."""
    names = ["impedance", "budget", "shares", "gain", "tuner", "currents"]

    def run(path: Path, executor: Literal["in-process", "processes"], workers: int) -> SweepResult:
        return sweep(
            attic(), VARY, store=path, points=3, angles=ANGLES, executor=executor,
            workers=workers, figures=names, progress=False,
        )  # fmt: skip

    one, two = (run(tmp_path / f"{n}.h5", "processes", n) for n in (1, 2))
    for name in (*names, "resonances", "check"):
        np.testing.assert_array_equal(one.store.read(name), two.store.read(name))
    for name in names:
        np.testing.assert_allclose(one.store.read(name), swept.store.read(name), rtol=1e-9)
    # what is there already is not computed again
    again = run(tmp_path / "2.h5", "in-process", 1)
    np.testing.assert_array_equal(again.store.read("budget"), two.store.read("budget"))


def test_estimate_says_what_is_outer() -> None:
    effort = estimate_sweep(SweepWork(plan_sweep(attic(), VARY, points=3)))
    assert effort.groups == effort.chunks == 2
    text = str(effort)
    assert "Outer loop, 2 times a new fixed part: house.moisture." in text
    assert "Cheap: element.ridge.length, element.back.length." in text
    assert effort.layouts == 12
    assert effort.seconds > 0.0


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ({"points": 1}, "whole number from 2 to 1001"),
        ({"figures": ["loss"]}, "no figure 'loss'"),
        ({"figures": ["gain"]}, "at which angles"),
        ({"angles": [(99.0, 0.0)]}, "elevation 0 to 90"),
        ({"angle_limits": (60.0, 30.0)}, "rising elevations"),
        ({"method": "sobol"}, "count"),
    ],
)
def test_bad_settings_are_told(options: dict[str, object], said: str) -> None:
    with pytest.raises(SweepError, match=said):
        plan_sweep(attic(), {"ridge": "8 m to 9 m, 2 values"}, **options)  # pyright: ignore


def test_a_parameter_that_changes_no_figure_is_refused() -> None:
    vary = {"tuner.coil_q": [80, 120]}
    plan_sweep(attic(), vary, points=3)  # the file has a tuner, so its verdict is kept
    with pytest.raises(SweepError, match=r"'tuner.coil_q' does not change what a sweep computes"):
        plan_sweep(attic(), vary, points=3, figures=["budget"])
    told = '\n[sweep]\nfigures = ["shares"]\n[sweep.vary]\n"tuner.coil_q" = [80, 120]\n'
    with pytest.raises(AtticFileError, match=r"line \d+: \[sweep.vary\]: .*'tuner' alone"):
        plan_sweep(attic(TEXT + told))
