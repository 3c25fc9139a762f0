"""The job `ridgepole search`: what it says, writes and refuses."""

from __future__ import annotations

import errno
import json
import tempfile
from pathlib import Path

import pytest
from small_attic import ATTIC

from ridgepole.solver import read_attic
from ridgepole.solver.study.searching import Searching
from ridgepole.solver.views.command import main

TABLE = """
[search]
limits = ["swr < 40"]
budget = 16
points = 1
finalists = 1
[search.vary]
long = "6.2 m to 7.4 m"
"""


PLACES = '"antenna.feed_point" = [["2.1 m", "2.5 m", "0 m"], ["50 m", "3 m", "0 m"]]'


@pytest.fixture
def file(tmp_path: Path) -> Path:
    found = tmp_path / "attic.toml"
    found.write_text(ATTIC + TABLE, encoding="utf-8")
    return found


def test_it_seeks_and_saves(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = file.parent / "found"
    assert main(["search", str(file), "--to", str(folder), "--seed", "4"]) == 0
    said = capsys.readouterr().out
    assert "16 solves" in said
    assert "worst efficiency" in said
    assert "Solved in full" in said
    layouts = sorted(folder.glob("layout-*.toml"))
    assert layouts
    for one in layouts:
        (wire,) = [w for w in read_attic(one).wires if w.name == "long"]
        assert 6.2 <= wire.length <= 7.4
    assert (folder / "front.png").stat().st_size > 10_000
    assert "seed 4" in (folder / "search.txt").read_text(encoding="utf-8")


def test_json_for_machines(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = ["search", str(file), "--json", "--budget", "12", "--finalists", "0"]
    assert main(words) == 0
    form = json.loads(capsys.readouterr().out)
    assert form["spent"] <= form["budget"] == 12
    assert form["best"]["parameters"].keys() == {"element.long.length"}
    assert form["best"]["in_full"] is None
    assert {one["layout"] for one in form["front"]} <= {one["layout"] for one in form["layouts"]}
    assert all(Path(one).is_file() for one in form["files"])


def test_an_estimate_computes_nothing(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["search", str(file), "--estimate", "--budget", "300"]) == 0
    assert "300 solves" in capsys.readouterr().out
    assert main(["search", str(file), "--estimate", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["budget"] == 16
    assert not (file.parent / "attic-search").exists()


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["--goal", "worst radiance"], "nothing is called 'radiance'"),
        (["--limits", "swr < 3", "swr > 4"], "contradict"),
        (["--budget", "2"], "budget is 2"),
        (["--bands", "21 m"], "21 m"),
    ],
)
def test_bad_input_is_told_in_a_sentence(
    file: Path, words: list[str], says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["search", str(file), *words]) == 2
    assert says in capsys.readouterr().err


def test_a_folder_that_is_a_file(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["search", str(file), "--to", str(file)]) == 2
    assert "needs a folder" in capsys.readouterr().err


@pytest.mark.parametrize("fault", ["below a file", "read only"])
def test_a_folder_that_cannot_be_made_is_told_before_the_search(
    file: Path, fault: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def run(*args: object, **kwargs: object) -> None:
        pytest.fail("it searched")

    monkeypatch.setattr(Searching, "run", run)
    folder = file / "found" if fault == "below a file" else file.parent / "a" / "b"
    if fault == "read only":

        def refuse(**told: object) -> None:
            assert told["dir"] == file.parent
            raise OSError(errno.EROFS, "read only")

        monkeypatch.setattr(tempfile, "TemporaryFile", refuse)
    assert main(["search", str(file), "--to", str(folder)]) == 2
    said = capsys.readouterr().err
    assert str(folder) in said
    assert ("is a file" if fault == "below a file" else "can only be read") in said
    assert sorted(file.parent.iterdir()) == [file]


def test_one_is_not_told_as_several(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    told = file.read_text(encoding="utf-8").replace('long = "6.2 m to 7.4 m"', PLACES)
    file.write_text(told, encoding="utf-8")
    assert main(["search", str(file), "--budget", "9", "--finalists", "0"]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "1 layout was looked at for 1 of 9 solves" in said
    assert "1 combination of choices does not fit" in said
    assert "1 layout as an attic file" in said


def test_keys_and_help_tell_of_it(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["keys"]) == 0
    assert "[search.vary]" in capsys.readouterr().out
    assert main([]) == 0
    assert "ridgepole search my-attic.toml" in capsys.readouterr().out
