"""Sweeps from the shell: beginning, stopping, going on, watching, ranking, saving."""

import contextlib
import io
import json
import os
import re
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest
from small_attic import LONG, MEDIUM_DRY, RADIALS, ROOM, named

from ridgepole.solver import (
    SweepEffort,
    SweepError,
    SweepResult,
    answer,
    open_sweep,
    read_attic,
    resume_sweep,
    sweep,
)
from ridgepole.solver.study.sweep_parameters import design_layouts
from ridgepole.solver.study.sweep_progress import sweep_progress
from ridgepole.solver.study.sweep_quantities import file_units
from ridgepole.solver.study.sweep_records import SweepPlan
from ridgepole.solver.study.sweep_store import OWNER, parts_folder
from ridgepole.solver.study.sweep_work import SweepWork
from ridgepole.solver.views.command import main
from ridgepole.solver.views.sweep_page import parameter_text

ATTIC = (
    named(ROOM)
    + LONG
    + """[[element]]
name = "cross"
route = [["2.6 m", "2.5 m", "1.1 m"], ["3.1 m", "5.1 m", "1.2 m"]]
length = "3.1 m"
"""
    + RADIALS
    + MEDIUM_DRY
    + """[bands]
wanted = ["20 m", "15 m"]
[sweep]
points = 3
where = "element.long.length > element.cross.length + 4.5 m"
[sweep.vary]
"element.long.length" = "7.2 m to 8.4 m, step 60 cm"
"element.cross.length" = ["2.4 m", "3.1 m"]
"""
)
"""Six layouts, of which `where` leaves out long 7.2 m with cross 3.1 m."""

LONG_ROUTE = LONG.partition("route = ")[2].partition("\n")[0]

PAIRS = 12  # layouts times bands
HERE = ["--where-it-runs", "in-process"]


def run(*words: str) -> tuple[int, str, str]:
    """Exit code, standard output and standard error."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = main([*map(str, words)])
    return code, out.getvalue(), err.getvalue()


def stored(path: Path) -> dict[str, Any]:
    """Some of what a store holds."""
    file: Any
    with h5py.File(path) as file:
        return {name: file[name][()] for name in ("impedance", "budget", "shares", "state")}


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """A finished sweep, and what was printed."""
    folder = tmp_path_factory.mktemp("night")
    (folder / "my.toml").write_text(ATTIC, encoding="utf-8")
    code, out, err = run("sweep", str(folder / "my.toml"), *HERE)
    assert (code, err) == (0, "")
    return folder / "my.sweep.h5", out


@pytest.fixture
def attic(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The attic file in a folder of its own, which is the current one."""
    monkeypatch.chdir(tmp_path)
    Path("my.toml").write_text(ATTIC, encoding="utf-8")
    return Path("my.toml")


@pytest.fixture
def nothing_computed(monkeypatch: pytest.MonkeyPatch) -> None:
    def forbidden(*_: object) -> None:
        raise AssertionError("it computes")

    monkeypatch.setattr(SweepWork, "compute", forbidden)


def stopped_after(count: int, monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """Ctrl-C comes once that many batches are through; the list holds how many were computed."""
    plain, done = SweepWork.compute, [0]

    def compute(self: SweepWork, batch: Any) -> Any:
        if done[0] == count:
            raise KeyboardInterrupt
        done[0] += 1
        return plain(self, batch)

    monkeypatch.setattr(SweepWork, "compute", compute)
    return done


@pytest.fixture
def half(attic: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A sweep that was stopped after one of its two bands."""
    with monkeypatch.context() as patch:
        stopped_after(1, patch)
        assert run("sweep", "my.toml", "--to", "n.h5", *HERE)[0] == 130
    return Path("n.h5")


# --- sweep --------------------------------------------------------------------------------------


def test_a_sweep_says_what_it_will_take_and_ends_with_the_best(night: tuple[Path, str]):
    store, out = night
    order = (
        "each finished batch is kept at once",
        "6 layouts on 2 bands",
        "Cheap: element.long.length, element.cross.length.",
        "Sweep of my: 6 layouts on 2 bands",
        "5 done, 1 unfit",
        "left out by where = 'element.long.length > element.cross.length",
        "Best on their worst band",
        "How sure, and what next?",
        f"ridgepole rank {store}\n",
    )
    text = out.replace("\n    ", " ")
    places = [text.index(words) for words in order]
    assert places == sorted(places)
    assert "Outer loop" not in out
    assert store.is_file()
    assert not parts_folder(store).exists()
    assert stored(store)["impedance"].shape == (6, 2, 3)


def test_a_finished_sweep_is_not_computed_again(night: tuple[Path, str], nothing_computed: None):
    store, _ = night
    before = store.read_bytes()
    code, out, _ = run("sweep", str(store.with_name("my.toml")), *HERE)
    assert code == 0
    assert "It is finished" in out
    assert "5 done, 1 unfit" in out
    assert store.read_bytes() == before


def test_an_estimate_computes_nothing(attic: Path, nothing_computed: None):
    code, out, err = run("sweep", "my.toml", "--estimate", "--to", "other night.h5")
    assert (code, err) == (0, "")
    assert re.search(r"6 layouts on 2 bands: \d+ matrices of about \d+ unknowns, about", out)
    assert "Wanted, as where says: 5 of 6 layouts." in out
    assert "sweep my.toml --to 'other night.h5'" in out
    assert [path.name for path in Path().iterdir()] == ["my.toml"]
    code, out, _ = run("sweep", "my.toml", "--estimate", "--bands", "20 m", "--json")
    form = json.loads(out)
    assert code == 0
    assert (form["layouts"], form["bands"], form["points_per_band"]) == (6, 1, 3)
    assert form["wanted"] == 5
    assert form["cheap"] == ["element.long.length", "element.cross.length"]
    assert form["seconds_on_one_core"] > 0.0


def test_what_is_outer_loop_is_said(attic: Path, nothing_computed: None):
    attic.write_text(
        ATTIC.replace("3.1 m\"]\n", "3.1 m\"]\n\"earth.ground\" = "
                      '["wet ground", "medium dry ground"]\n'),
        encoding="utf-8",
    )  # fmt: skip
    code, out, _ = run("sweep", "my.toml", "--estimate")
    assert code == 0
    assert "Outer loop, 2 times a new fixed part: earth.ground." in out


def test_ctrl_c_keeps_what_is_finished_and_the_same_line_goes_on(
    attic: Path, night: tuple[Path, str], monkeypatch: pytest.MonkeyPatch
):
    line = ["sweep", "my.toml", "--to", "n.h5", *HERE]
    with monkeypatch.context() as patch:
        stopped_after(0, patch)
        code, _, err = run(*line)
    assert code == 130
    assert "0 of 12 layouts x bands" in err
    with monkeypatch.context() as patch:
        stopped_after(1, patch)
        code, out, err = run(*line)
    assert code == 130
    assert "Traceback" not in err
    assert err.strip().splitlines() == [
        "Stopped: 5 of 12 layouts x bands are kept in n.h5.parts. Go on with: ridgepole sweep "
        "my.toml --to n.h5 --where-it-runs in-process"
    ]
    assert not Path("n.h5").exists()

    told = run("sweep", "my.toml", "--to", "n.h5", "--estimate")[1]
    assert "6 layouts on 2 bands" in told
    assert "What is left of it: about" in told
    assert "5 of 12 layouts x bands are there already in n.h5. Go on with: ridgepole" in told
    done = stopped_after(99, monkeypatch)
    code, out, _ = run(*line)
    assert code == 0
    assert "Going on: 5 of 12 layouts x bands are there already." in out
    assert "What is left of it: about" in out
    assert done == [2]  # the other band, and the layout that is not wanted
    one, other = stored(Path("n.h5")), stored(night[0])
    for name in one:
        np.testing.assert_array_equal(one[name], other[name])


@pytest.mark.parametrize(
    ("old", "new", "reason"),
    [
        ("where = ", 'where = "element.long.length > 20 m" #', "left out by where"),
        ('"element.cross.length" = ["2.4 m", "3.1 m"]',
         f'"element.cross.route" = [{LONG_ROUTE}]', "lies on top of wire"),
        ("7.2 m to 8.4 m, step 60 cm", "30 m to 40 m, step 5 m", "more than its route"),
    ],
)  # fmt: skip
def test_a_sweep_of_which_nothing_fits_ends_with_the_reasons(
    attic: Path, old: str, new: str, reason: str
):
    attic.write_text(ATTIC.replace(old, new), encoding="utf-8")
    code, out, err = run("sweep", "my.toml", *HERE)
    assert (code, err) == (0, "")
    assert reason in " ".join(out.split())
    states = stored(Path("my.sweep.h5"))["state"]
    assert (states == 2).all()  # unfit


def test_a_sweep_for_machines(night: tuple[Path, str], nothing_computed: None):
    code, out, err = run("sweep", str(night[0].with_name("my.toml")), "--json")
    form = json.loads(out)
    assert code == 0
    assert "It is finished" in err
    assert form["counts"] == {"waiting": 0, "done": 5, "unfit": 1, "failed": 0}
    assert form["store"] == str(night[0])
    assert form["best"]["by"] == "worst efficiency"


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        (["nowhere.toml"], "nowhere.toml"),
        (["my.toml", "--bands", "41 m"], "41 m"),
        (["my.toml", "--workers", "0"], "--workers 0"),
        (["my.toml", "--to", "."], "is a folder"),
        (["my.toml", "--to", "my.toml"], "attic file itself"),
        (["my.toml", "--to", "none/night.h5"], "none"),
        (["plain.toml"], "the table [sweep] is missing"),
        (["slip.toml"], "lenght"),
        (["my.toml", "--to", "junk.h5"], "damaged"),
    ],
)
def test_bad_input_is_told_and_nothing_computed(
    typed: list[str], said: str, attic: Path, nothing_computed: None
):
    Path("plain.toml").write_text(ATTIC.partition("[sweep]")[0], encoding="utf-8")
    slip = ATTIC.replace('long.length" = ', 'long.lenght" = ')
    Path("slip.toml").write_text(slip, encoding="utf-8")
    Path("junk.h5").write_bytes(b"no store")
    before = sorted(Path().rglob("*"))
    code, _, err = run("sweep", *typed, *HERE)
    assert code == 2
    assert said in err
    assert "Traceback" not in err
    assert sorted(Path().rglob("*")) == before


def test_a_store_of_another_sweep_is_left_alone(night: tuple[Path, str], attic: Path):
    attic.write_text(ATTIC.replace("radials = 3", "radials = 5"), encoding="utf-8")
    before = night[0].read_bytes()
    code, _, err = run("sweep", "my.toml", "--to", str(night[0]), *HERE)
    assert code == 2
    assert "another" in err
    assert night[0].read_bytes() == before


def test_a_lock_alone_is_no_sweep(attic: Path):
    folder = parts_folder("n.h5")
    folder.mkdir()
    (folder / "lock").touch()
    (folder / OWNER).write_text("process 1 on elsewhere")  # killed before its plan was written
    assert run("watch", "n.h5")[0] == 2
    code, out, _ = run("sweep", "my.toml", "--to", "n.h5", "--bands", "20 m", *HERE)
    assert code == 0
    assert "Going on" not in out
    assert Path("n.h5").is_file()


def test_a_store_goes_on_when_its_attic_file_was_changed(half: Path, attic: Path):
    attic.write_text(
        f"# a thought at night\n{ATTIC}",
        encoding="utf-8",
    )
    code, _, err = run("sweep", "my.toml", "--to", "n.h5", *HERE)
    assert code == 2
    assert "from line 1 on" in err
    assert err.endswith("As it was it goes on with: ridgepole sweep n.h5\n")
    assert run("sweep", "n.h5", "--bands", "20 m")[0] == 2
    assert not half.exists()
    code, out, err = run("sweep", "n.h5", *HERE)
    assert (code, err) == (0, "")
    assert "Going on: 5 of 12 layouts x bands are there already." in out
    assert "5 done, 1 unfit" in out
    assert (
        resume_sweep("n.h5").best().layouts.tolist() == open_sweep("n.h5").best().layouts.tolist()
    )


# --- watch --------------------------------------------------------------------------------------


def test_watch_while_it_runs(half: Path):
    folder = parts_folder(half)
    before = {path: path.stat().st_mtime_ns for path in folder.iterdir()}
    now = time.time()
    os.utime(folder / OWNER, (now - 100.0, now - 100.0))
    part = next(folder.glob("part-*.h5"))
    os.utime(part, (now - 50.0, now - 50.0))
    found = sweep_progress(half)
    # 5 layouts on a band in the 50 s from the start of the process to its last batch: 0.1 a second,
    # 70 s for the other seven (computed from these dates; rounding).
    assert found.rate == pytest.approx(0.1, rel=1e-4)
    assert found.seconds_left == pytest.approx(70.0, rel=1e-4)
    code, out, err = run("watch", "n.h5")
    assert (code, err) == (0, "")
    assert "5 of 12 layouts x bands, 41.6 % (6 layouts on 2 bands)" in out
    assert "1 finished batch, the last 5" in out
    assert f"process {os.getpid()} on " in out
    assert ": 6.0 layouts x bands a minute, about 70 s left" in out
    assert "so far, over 20 m." in out
    form = json.loads(run("watch", "n.h5", "--json")[1])
    assert (form["done"], form["layouts_times_bands"], form["is_running"]) == (5, 12, True)
    assert form["best_so_far"]["bands"] == ["20 m"]
    assert form["best_so_far"]["rows"][0]["layout"] in range(6)
    assert sorted(folder.iterdir()) == sorted(before)


def test_watching_again_and_again_ends_where_nothing_goes_on(half: Path):
    gone = subprocess.Popen([sys.executable, "-c", ""])
    gone.wait()
    owner = parts_folder(half) / OWNER
    owner.write_text(owner.read_text().replace(str(os.getpid()), str(gone.pid)))
    code, out, err = run("watch", "n.h5", "--every", "300")
    assert code == 0
    assert "no process works on it" in out
    assert "nothing to wait for" in err


def test_watching_again_and_again_ends_when_it_is_finished(
    half: Path, monkeypatch: pytest.MonkeyPatch
):
    looks = []

    def sleep(seconds: float) -> None:
        looks.append(seconds)
        assert run("sweep", "my.toml", "--to", "n.h5", *HERE)[0] == 0

    monkeypatch.setattr("ridgepole.solver.views.watch_command.time.sleep", sleep)
    code, out, _ = run("watch", "n.h5", "--every", "7", "--json")
    assert code == 0
    assert looks == [7.0]
    assert [json.loads(line)["done"] for line in out.splitlines()] == [5, PAIRS]


def test_watch_a_finished_one_by_its_attic_file(night: tuple[Path, str]):
    code, out, _ = run("watch", str(night[0].with_name("my.toml")), "--every", "5")
    assert code == 0
    assert "12 of 12 layouts x bands, all" in out
    assert "5 done, 1 unfit" in out
    assert f"ridgepole rank {night[0]}" in out


@pytest.mark.parametrize(
    "typed", [["watch", "none.h5"], ["watch", "my.toml"], ["watch", "n.h5", "--every", "0"],
              ["watch", "junk.h5"]]
)  # fmt: skip
def test_watching_what_is_not_there(typed: list[str], attic: Path):
    Path("junk.h5").write_bytes(b"no store")
    code, out, err = run(*typed)
    assert (code, out) == (2, "")
    assert "Traceback" not in err
    assert err.startswith("ridgepole: ")


# --- rank ---------------------------------------------------------------------------------------


def test_rank_is_the_ranking(night: tuple[Path, str]):
    store, _ = night
    result = open_sweep(store)
    code, out, err = run("rank", str(store), "--count", "4")
    assert (code, err) == (0, "")
    rows = [line.split() for line in out.splitlines() if re.match(r"  \d+ ", line)]
    assert [int(row[1]) for row in rows] == result.rank(count=4).layouts.tolist()
    worst = result.numbers("efficiency")[1]
    best = int(np.nanargmax(worst))
    assert int(rows[0][1]) == best
    assert "worst efficiency" in out
    code, out, _ = run(
        "rank", str(store), "--by", "worst swr", "--where", "long > 7.5 m", "cross < 3 m",
        "--bands", "15 m", "--show", "|z|", "--json",
    )  # fmt: skip
    form = json.loads(out)
    assert code == 0
    assert form["bands"] == ["15 m"]
    assert form["where"] == ["long > 7.5 m", "cross < 3 m"]
    assert form["is_complete"] is True
    told = [(row["layout"], row["quantities"]["worst swr"]) for row in form["rows"]]
    swr = result.quantity("swr", "15 m")
    expected = sorted((float(swr[n]), n) for n in (2, 4))  # 7.8 and 8.4 m with cross 2.4 m
    assert told == [(n, pytest.approx(value)) for value, n in expected]
    assert all("mean |z|" in row["quantities"] for row in form["rows"])


def test_rank_of_the_front(night: tuple[Path, str]):
    store, _ = night
    front = open_sweep(store).pareto()
    form = json.loads(run("rank", str(store), "--front", "--json")[1])
    assert sorted(row["layout"] for row in form["rows"]) == sorted(front.tolist())
    assert form["where"] == ["no other beats both in worst efficiency and in worst SWR"]
    assert (
        len(json.loads(run("rank", str(store), "--front", "--count", "1", "--json")[1])["rows"])
        == 1
    )


def test_ranking_so_far(half: Path):
    code, out, _ = run("rank", "n.h5")
    assert code == 0
    assert out.startswith("The sweep is not finished: this is the ranking so far.\n")
    assert "over 20 m." in out
    assert "5 of 6 layouts could be ranked; left out: 1 not computed yet." in out
    code, out, _ = run("rank", "n.h5", "--bands", "15 m", "--json")
    form = json.loads(out)
    assert (form["rows"], form["left_out"]["waiting"], form["is_complete"]) == ([], 6, False)


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        (["--by", "beauty"], "beauty"),
        (["--by", "reactance"], "best='high'"),
        (["--where", "swr <"], "ends where"),
        (["--where", "wind < 3"], "wind"),
        (["--bands", "11 m"], "11 m"),
        (["--count", "0"], "--count 0"),
        (["--to", "file.txt"], "is a file"),
    ],
)
def test_bad_questions(typed: list[str], said: str, night: tuple[Path, str], attic: Path):
    Path("file.txt").write_text("")
    code, out, err = run("rank", str(night[0]), *typed)
    assert (code, out) == (2, "")
    assert said in err
    assert "Traceback" not in err


def test_the_best_are_saved_and_are_what_was_ranked(night: tuple[Path, str], attic: Path):
    store, _ = night
    result = open_sweep(store)
    code, out, _ = run("rank", str(store), "--count", "2", "--to", "best")
    assert code == 0
    names = sorted(path.name for path in Path("best").iterdir())
    first, second = result.rank(count=2).layouts.tolist()
    pictures = ["all.png", "front.png", "map-cross-length.png", "map-long-length.png"]
    files = [f"layout-{n}.toml" for n in (first, second)]
    assert names == sorted([*pictures, *files, "ranking.txt"])
    for name in pictures:
        assert (Path("best") / name).read_bytes().startswith(b"\x89PNG")
    assert f"layout-{first}.toml" in out.partition("Next:")[2]
    assert result.rank(count=2).to_text() in Path("best/ranking.txt").read_text(encoding="utf-8")

    plan = read_attic(Path("best") / files[0])
    told = result.plan.design.layout(first)
    for name in ("long", "cross"):
        length = plan.scene().wire(name).length
        assert length == pytest.approx(told[f"element.{name}.length"], abs=1e-9)  # rounding
    fresh = answer(plan, ["20 m"], progress=False).band("20 m")
    kept = result.store.read("impedance")[first, 0, 1]
    reference = 50.0

    def reflection(z: complex) -> complex:
        return (z - reference) / (z + reference)

    # Class: discretisation. The answer refines a mesh of its own, to a tolerance of 0.01; the sweep
    # has one mesh for all lengths.
    assert abs(reflection(fresh.centre.impedance) - reflection(kept)) < 0.005
    assert result.quantity("efficiency", "20 m")[first] == pytest.approx(
        fresh.budget.efficiency, abs=0.005
    )


def test_no_map_where_no_layouts_share_the_rest(night: tuple[Path, str], attic: Path):
    code, out, _ = run("rank", str(night[0]), "--where", "cross > 3 m", "--count", "1", "--to", "b")
    assert code == 0
    assert "No map of cross length: " in out
    assert not Path("b/map-cross-length.png").exists()
    assert Path("b/map-long-length.png").exists()


def test_nothing_to_save(night: tuple[Path, str], attic: Path):
    code, out, _ = run("rank", str(night[0]), "--where", "worst swr < 1.01", "--to", "best")
    assert code == 0
    assert "No layout is left to rank." in out
    assert "Nothing to save" in out
    assert not Path("best").exists()


# --- from Python, and words ---------------------------------------------------------------------


def test_four_lines_of_python(night: tuple[Path, str], tmp_path: Path):
    plan = read_attic(night[0].with_name("my.toml"))
    told: list[SweepEffort] = []
    found = sweep(plan, store=night[0], announce=told.append)
    assert isinstance(found, SweepResult)
    assert [effort.layouts for effort in told] == [6]
    assert found.best().layouts.tolist() == open_sweep(night[0]).best().layouts.tolist()
    with pytest.raises(SweepError, match="vary is empty"):
        sweep(plan, {})


@pytest.mark.parametrize(
    ("house", "vary", "unit", "shown"),
    [
        ('moisture = "14 %"', {"house.moisture": [0.1, 0.16]}, "%", "10 %"),
        ("moisture = 0.14", {"house.moisture": [0.1, 0.16]}, "", "0.1"),
        ("moisture = 0.14", None, "%", "10 %"),
        ("", {"house.moisture": "10 % to 16 %, step 2 %"}, "%", "10 %"),
        ("", {"counterpoise.radials": [4, 6]}, "", "4"),
    ],
)
def test_parts_are_told_as_people_wrote_them(
    house: str, vary: Any, unit: str, shown: str, attic: Path
):
    text = ATTIC.replace("[earth]", f'[house]\nwood = "spruce"\n{house}\n[earth]')
    text = text.partition("[sweep]")[0]
    if vary is None:
        text += '[sweep.vary]\n"house.moisture" = ["10 %", "16 %"]\n'
    attic.write_text(text, encoding="utf-8")
    plan = read_attic(attic)
    design = design_layouts(plan, vary or {"house.moisture": [0.1, 0.16]})
    parts = SweepPlan(text, "my.toml", design, (), np.zeros((0, 3)), ())
    assert file_units(parts) == (unit,)
    parameter = design.parameters[0]
    value = design.columns[0][0]
    assert parameter_text(parameter, value, unit) == shown
    assert file_units(replace(parts, text="[not toml")) == (
        ("%",) if "moisture" in parameter.name else ("",)
    )
