"""What the README tells people to type is what works."""

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from small_attic import ATTIC

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")


SMALL_SWEEP = (
    ATTIC
    + """[sweep.vary]
"element.long.length" = "7 m to 8.5 m, step 50 cm"
"""
)


def block_after(marker: str) -> str:
    """The fenced block that follows the line <!-- marker -->, as .ci/run reads it."""
    found = re.findall(rf"^<!-- {marker} -->\n```\w*\n(.*?)^```$", README, re.MULTILINE | re.DOTALL)
    assert len(found) == 1, f"README.md must hold <!-- {marker} --> once, before a fenced block"
    return found[0].strip()


@pytest.mark.parametrize("marker", ["main command", "test command"])
def test_each_command_is_one_line_and_makes_its_environment(marker: str):
    command = block_after(marker)
    assert "\n" not in command
    assert command.startswith("python3 -m venv .venv && .venv/bin/pip install -e ")
    later = [part.strip() for part in command.split("&&")[1:]]
    assert all(part.startswith(".venv/bin/") for part in later)


@pytest.mark.parametrize("marker", ["main command", "test command"])
def test_each_command_has_its_windows_twin(marker: str):
    plain = block_after(marker)
    windows = plain.replace("python3 ", "py -3 ").replace(".venv/bin/", ".venv\\Scripts\\")
    assert block_after(f"{marker}, Windows") == windows.replace("'", '"')


def test_nobody_is_told_to_install_the_name_from_a_registry():
    # `pip install ridgepole` would fetch whatever a stranger put there under the name.
    for name in ("README.md", "DEVELOPERS.md"):
        text = (ROOT / name).read_text(encoding="utf-8")
        assert re.findall(r"install\b[^\n]*\s['\"]?ridgepole\b", text) == []


def run_python(code: str, folder: Path) -> str:
    kept = {name: value for name, value in os.environ.items() if name != "PYTHONPATH"}
    done = subprocess.run(
        [sys.executable, "-P", "-W", "error", "-c", code],
        cwd=folder,
        env=kept,
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_python_example_prints_an_impedance(tmp_path: Path):
    impedance = complex(run_python(block_after("example"), tmp_path).split()[0])
    # Class: plausibility. A little under a half wave in free space, so a little under the textbook
    # 73 ohm and near resonance (common practice). Exact values have tests of their own.
    assert 55 < impedance.real < 90
    assert -60 < impedance.imag < 60


def test_attic_example_answers_the_shipped_file(tmp_path: Path):
    example = sorted((ROOT / "geometry" / "examples").glob("*.toml"))[0]
    shutil.copy(example, tmp_path / "my-attic.toml")
    printed = run_python(block_after("attic example"), tmp_path)
    assert "40 m" in printed
    assert "20 m" in printed
    assert "SWR" in printed


def test_house_example_shares_out_the_watts(tmp_path: Path):
    printed = run_python(block_after("house example"), tmp_path)
    assert "timbers and sheets" in printed
    assert "joists" in printed
    assert "ceiling" in printed


def test_pieces_example_tells_what_each_does(tmp_path: Path):
    printed = run_python(block_after("pieces example"), tmp_path)
    budget = printed.partition("What the house does")[0]
    for name in ("fan duct", "downpipe", "foil wall", "electrode of downpipe", "elements"):
        assert f"  {name} " in budget
    for name in ("fan duct", "downpipe", "foil wall"):
        assert f"{name}: greatest current" in printed
    assert "foil wall u" not in printed
    assert complex(printed.split()[-2]).real > 0.0


def test_sweep_table_varies_what_the_shipped_file_has(tmp_path: Path):
    example = sorted((ROOT / "geometry" / "examples").glob("*.toml"))[0]
    text = example.read_text(encoding="utf-8").partition("[sweep]")[0]
    (tmp_path / "my-attic.toml").write_text(f"{text}{block_after('sweep table')}", encoding="utf-8")
    code = """
from ridgepole.solver import read_attic
from ridgepole.solver.study.sweep_settings import read_sweep
plan = read_attic("my-attic.toml")
layouts = read_sweep(plan).layouts(plan)
print(len(layouts), layouts.wanted.sum(), len(layouts.outer_groups()))
"""
    # 21 lengths by 11 by 2 grounds; those with long > cross + 4 m counted apart, in centimetres.
    wanted = sum(a > b + 400 for a in range(900, 1401, 25) for b in range(500, 751, 25))
    assert run_python(code, tmp_path).split() == ["462", str(2 * wanted), "2"]


def test_sweep_example_ranks(tmp_path: Path):
    (tmp_path / "my-attic.toml").write_text(SMALL_SWEEP, encoding="utf-8")
    printed = run_python(block_after("sweep example"), tmp_path)
    assert "worst efficiency" in printed
    assert "of 4 layouts could be ranked" in printed
    assert (tmp_path / "my-attic.sweep.h5").is_file()


def test_station_example_adds_up(tmp_path: Path):
    printed = run_python(block_after("station example"), tmp_path)
    assert "4 kohm ferrite" in printed
    ladder = printed.strip().splitlines()[-1].partition(": ")[2]
    watts = [float(rung.split()[-2]) for rung in ladder.split(", ")]
    assert sum(watts) == pytest.approx(100.0, abs=0.1)  # printed to three digits


def test_readings_example_says_what_to_cut(tmp_path: Path):
    (tmp_path / "my-attic.toml").write_text(ATTIC, encoding="utf-8")
    printed = run_python(block_after("readings example"), tmp_path)
    assert "What to cut next" in printed
    assert "20 m" in printed
