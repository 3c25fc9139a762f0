"""`ridgepole calibrate`: what is said, in which order, what is written, and what is refused."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from calibration_cases import CHEAP, HIGH, LOW, cheap_model, frequencies, plan_of, truth
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from ridgepole.solver import Line, open_calibration, read_attic
from ridgepole.solver.study.calibration.records import Fitted
from ridgepole.solver.views.calibration_figures import draw_band
from ridgepole.solver.views.command import main
from ridgepole.solver.views.command_voice import BadUsage
from ridgepole.solver.views.reading_options import lengths_of

LINE = """
[line]
type = "RG-58"
length = "7 m"
"""


@pytest.fixture
def attic(tmp_path: Path) -> Path:
    path = tmp_path / "hut.toml"
    path.write_text(plan_of((LOW, HIGH), CHEAP).text, encoding="utf-8")
    return path


def _typed(behind: Line | None = None) -> str:
    """Readings of a hidden attic whose long wire is 0.8 % longer than told."""
    model = cheap_model()
    f = frequencies(model, 3)
    g = truth(model, [1.0, 0.0], f)
    z = 50.0 * (1.0 + g) / (1.0 - g)
    if behind is not None:
        port = behind.two_port(f)
        z = (port.a * z + port.b) / (port.c * z + port.d)
    return "; ".join(
        f"{x / 1e6:.6g} MHz {a.real:.6f} {'-' if a.imag < 0 else '+'} {abs(a.imag):.6f}j"
        for x, a in zip(f, z, strict=True)
    )


def test_effort_first_then_what_was_learned_and_what_was_written(
    attic: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "out"
    assert main(["calibrate", str(attic), "--reading", _typed(), "--to", str(folder)]) == 0
    said = capsys.readouterr().out
    order = ["Fitting what is not known", "Computing 1 state of the house on 1 band",
             "What the readings say of hut", "Learned most: length of long", "6 numbers were read",
             "Wrote "]  # fmt: skip
    places = [said.index(words) for words in order]
    assert places == sorted(places)
    assert sorted(one.name for one in folder.iterdir()) == [
        "calibration.json", "calibration.png", "hut.toml",
    ]  # fmt: skip
    text = (folder / "hut.toml").read_text(encoding="utf-8")
    assert text.startswith("# Most likely values after 3 readings, typed in.\n# Lengths")
    (long,) = [one for one in read_attic(folder / "hut.toml").wires if one.name == "long"]
    kept = open_calibration(folder / "calibration.json")
    likely = kept.row("length of long").after[1]
    assert long.length == pytest.approx(8.3 * (1.0 + likely), abs=6e-4)
    assert 0.003 < likely < 0.012  # hidden: 0.0078
    assert (folder / "calibration.png").stat().st_size > 5000


def test_json_for_machines(attic: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A file of readings, at the end of the file's line; beside the attic where not told."""
    attic.write_text(attic.read_text(encoding="utf-8") + LINE, encoding="utf-8")
    table = attic.with_name("read.csv")
    line = Line.named("RG-58", length="7 m")
    rows = [one.replace(" MHz ", ",").replace("j", "") for one in _typed(line).split("; ")]
    body = "\n".join(row.replace(" - ", ",-").replace(" + ", ",") for row in rows)
    table.write_text(f"frequency [MHz],R [ohm],X [ohm]\n{body}\n", encoding="utf-8")
    words = ["calibrate", str(attic), "--reading", str(table), "--line", "--json"]
    assert main(words) == 0
    out, err = capsys.readouterr()
    form = json.loads(out)
    assert "Fitting what is not known" in err
    by_name = {one["unknown"]: one for one in form["unknowns"]}
    assert 0.003 < by_name["length of long"]["after"][1] < 0.012
    assert form["bands"] == [LOW]
    assert len(form["readings"]) == 3
    assert form["files"][0] == str(attic.with_name("hut-calibrated") / "hut.toml")
    assert {one["kind"] for one in form["warnings"]} <= {"alike"}


def test_lengths_and_bands_that_are_typed(attic: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = ["calibrate", str(attic), "--reading", _typed(), "--lengths", "long=8.25m", "--json",
             "--bands", "9.3-10.5 MHz"]  # fmt: skip
    assert main(words) == 0
    form = json.loads(capsys.readouterr().out)
    by_name = {one["unknown"]: one for one in form["unknowns"]}
    assert form["bands"] == ["9.3-10.5 MHz"]
    # told 0.6 % shorter than it was: so much more is found
    assert 0.008 < by_name["length of long"]["after"][1] < 0.018


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--reading", "7.1 MHz 20 - 30j"], "No reading lies in a band: 7.1 MHz do not."),
        (["--reading", "9.9 MHz abc"], "abc"),
        (["--reading", "9.9 MHz 20 - 30j", "--lengths", "long"], "is no NAME=LENGTH"),
        (["--reading", "9.9 MHz 20 - 30j", "--lengths", "short=2m"], "no element 'short'"),
        (["--reading", "9.9 MHz 20 - 30j", "--line"], "it tells no line"),
        (["--reading", "9.9 MHz 20 - 30j", "--to", "{attic}"], "is a file; name a folder"),
        (["--reading", "missing.csv"], "there is no such file"),
    ],
)
def test_what_cannot_be_is_told_without_a_traceback(
    attic: Path, capsys: pytest.CaptureFixture[str], words: list[str], told: str
) -> None:
    typed = [word.replace("{attic}", str(attic)) for word in words]
    assert main(["calibrate", str(attic), *typed]) == 2
    err = capsys.readouterr().err
    assert told in err
    assert "Traceback" not in err
    assert [one.name for one in attic.parent.iterdir()] == ["hut.toml"]


def test_the_file_itself_is_not_written_over(
    attic: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = attic.read_bytes()
    words = ["calibrate", str(attic), "--reading", _typed(), "--to", str(attic.parent)]
    assert main(words) == 2
    assert "holds" in capsys.readouterr().err
    assert attic.read_bytes() == before


def test_several_readings_are_several_visits(
    attic: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Each with its own lengths, and --lengths for those that have none behind @."""
    first, last = _typed(), _typed().split(";")[0]
    words = ["calibrate", str(attic), "--reading", f"{first} @ long=8.32", "--reading", last,
             "--lengths", "long=8.25 m", "--json"]  # fmt: skip
    assert main(words) == 0
    out, err = capsys.readouterr()
    form = json.loads(out)
    assert "3 readings from 9.4 to 10.4 MHz" in err
    assert "; then to 1 reading at 9.4 MHz" in err
    assert [(one["visit"]) for one in form["readings"]] == [0, 0, 0, 1]
    kept = open_calibration(attic.with_name("hut-calibrated") / "calibration.json")
    assert [dict(one.lengths)["long"] for one in kept.visits] == pytest.approx([8.32, 8.25])
    heading = (attic.with_name("hut-calibrated") / "hut.toml").read_text(encoding="utf-8")
    assert "after 4 readings of 2 visits, typed in." in heading


def test_typed_words() -> None:
    found = lengths_of("long=8.2m, short=5 ft 3 in,top=5.3,low=0.9 m", "--lengths")
    assert found == pytest.approx({"long": 8.2, "short": 1.6002, "top": 5.3, "low": 0.9})
    for typed, told in [
        ("long=8m,long=9m", "--lengths: 'long' is there twice"),
        ("long=8 cubits", "--lengths: long: "),
        ("long=nan", "--lengths: long: "),
        ("long", "is no NAME=LENGTH"),
    ]:
        with pytest.raises(BadUsage, match=told):
            lengths_of(typed, "--lengths")


def test_a_file_of_readings_may_have_an_at_sign_in_its_name(
    attic: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    table = attic.with_name("me@hut.txt")
    table.write_text(_typed().replace("; ", "\n"), encoding="utf-8")
    for told, length in ((str(table), 8.3), (f"{table}@long=8.27m", 8.27)):
        assert main(["calibrate", str(attic), "--reading", told]) == 0
        kept = open_calibration(attic.with_name("hut-calibrated") / "calibration.json")
        assert dict(kept.visits[0].lengths)["long"] == pytest.approx(length)
    capsys.readouterr()


def test_an_open_circuit_leaves_no_offset_over_its_picture() -> None:
    f = np.array([9.5e6, 9.9e6])
    g = np.array([1.0 - 1e-9, 0.2 - 0.3j])
    fitted = Fitted(f, np.zeros(2, dtype=int), (LOW, LOW), g, g, g, np.ones(2, dtype=bool),
                    np.full((2, 2), 0.01), 50.0)  # fmt: skip
    figure = Figure()
    ax = draw_band(fitted, LOW, figure.add_subplot())
    FigureCanvasAgg(figure).draw()
    assert ax.yaxis.get_offset_text().get_text() == ""
