"""`ridgepole how-sure` and `ridgepole measure`: what they say, what they write, exit codes."""

import json
from pathlib import Path

import pytest
from small_ensemble import TEXT

from ridgepole.solver.views.command import main

CHEAP = """[unknowns]
"ground permittivity" = "known"
"ground conductivity" = "known"
"height above ground" = "known"
cables = 0
"""
"""Lengths and the lead are left: one state of the house."""


@pytest.fixture
def attic(tmp_path: Path) -> Path:
    path = tmp_path / "small.toml"
    path.write_text(TEXT + CHEAP, encoding="utf-8")
    return path


def test_how_sure(attic: Path, capsys: pytest.CaptureFixture[str]):
    assert main(["how-sure", str(attic), "--bands", "20 m", "--cases", "16", "--power", "25"]) == 0
    said, wrong = capsys.readouterr()
    assert wrong == ""
    # what it is about to do, how long, the answer, where it is
    assert said.index("How sure the answer of") < said.index("16 houses at 5 frequencies of 1 band")
    assert said.index("about") < said.index("1. Will it load?") < said.index("Table and pictures")
    assert "feed volts at 25 W" in said
    folder = attic.with_name("small-how-sure")
    assert {file.name for file in folder.iterdir()} == {
        "how-sure.txt", "swr.png", "impedance.png", "watts.png", "what-matters.png",
    }  # fmt: skip
    assert (folder / "swr.png").read_bytes()[:4] == b"\x89PNG"
    assert "5. How sure, and what next?" in (folder / "how-sure.txt").read_text("utf-8")


def test_how_sure_for_machines(attic: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]):
    folder = tmp_path / "deep" / "er"
    typed = ["how-sure", str(attic), "--bands", "20m,", "--cases", "8", "--seed", "3", "--json"]
    assert main([*typed, "--to", str(folder)]) == 0
    said, told = capsys.readouterr()
    form = json.loads(said)
    assert "8 houses" in told
    assert (form["cases"], form["seed"], form["power_w"]) == (8, 3, 65.0)
    assert [band["band"] for band in form["bands"]] == ["20 m"]
    assert [one["name"] for one in form["unknowns"]] == [
        "length of long", "length of short", "feed lead",
    ]  # fmt: skip
    assert all(Path(file).exists() for file in form["files"])
    assert Path(form["files"][0]).parent == folder


def test_measure(attic: Path, capsys: pytest.CaptureFixture[str]):
    assert main(["measure", str(attic), "--bands", "20 m", "--cases", "16"]) == 0
    said, wrong = capsys.readouterr()
    assert wrong == ""
    assert said.index("16 houses at") < said.index("What to measure: the small house")
    folder = attic.with_name("small-measure")
    text = (folder / "what-to-measure.txt").read_text("utf-8")
    assert "1. length of" in text
    assert "14.175 MHz   R ________ ohm" in text
    page = (folder / "what-to-measure.html").read_text("utf-8")
    assert page.startswith("<!doctype html>")
    assert main(["measure", str(attic), "--bands", "20 m", "--cases", "8", "--json"]) == 0
    form = json.loads(capsys.readouterr().out)
    assert form["readings"][0]["band"] == "20 m"


@pytest.mark.parametrize("job", ["how-sure", "measure"])
@pytest.mark.parametrize(
    ("typed", "words"),
    [
        (["--cases", "4"], "--cases of the command"),
        (["--seed", "-2"], "seed is -2"),
        (["--bands", "41 m"], "There is no band '41 m'"),
        (["--to", "FILE"], "is a file; give a folder"),
    ],
)
def test_bad_usage(
    job: str, typed: list[str], words: str, attic: Path, capsys: pytest.CaptureFixture[str]
):
    typed = [str(attic) if one == "FILE" else one for one in typed]
    assert main([job, str(attic), *typed]) == 2
    assert words in capsys.readouterr().err
    assert list(attic.parent.iterdir()) == [attic]  # nothing was begun


def test_a_spread_of_nothing_is_told_with_its_line(attic: Path, capsys: pytest.CaptureFixture[str]):
    attic.write_text(TEXT + CHEAP + '"house.moisture" = "14 % to 14 %"\n', encoding="utf-8")
    assert main(["how-sure", str(attic)]) == 2
    said = capsys.readouterr().err
    line = (TEXT + CHEAP).count("\n") + 1
    assert f"line {line}" in said
    assert "Traceback" not in said


def test_nothing_unknown(attic: Path, capsys: pytest.CaptureFixture[str]):
    attic.write_text(TEXT + "[unknowns]\ndefaults = false\n", encoding="utf-8")
    assert main(["measure", str(attic)]) == 2
    assert "Nothing is unknown" in capsys.readouterr().err
