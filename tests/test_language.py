"""The files speak of the project alone: no paths of one machine, no notes to oneself.

Also: text is UTF-8 with plain line ends, and no merge was left half done.
"""

import re
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
SUFFIXES = {".py", ".md", ".toml", ".ipynb", ".typed", ".txt", ""}

# Written with character classes, so that this file does not match itself.
FORBIDDEN = {
    "a path of one machine": r"(?<![\w.])[/](work|opt|root|home|tmp|Users)[/]\w",
    "a drive of one machine": r"\b[C]:\\\\?Users",
    "a note to oneself": r"\b(TODO|FIXME|XXX|HACK)[(:]",
    "an address of a registry": r"\b(pypi|pythonhosted)[.]org",
    "a merge left half done": r"^([<]{7} |[>]{7} )",
}


def tracked() -> list[Path]:
    if (ROOT / ".git").exists():
        listed = subprocess.run(
            ["git", "-c", "safe.directory=*", "ls-files", "-z"],
            cwd=ROOT,
            capture_output=True,
            text=True,
            check=True,
        )
        files = [ROOT / name for name in listed.stdout.split("\0") if name]
    else:
        folders = ("materials", "geometry", "solver", "tests", "notebooks", "benchmarks", ".ci")
        files = [file for folder in folders for file in (ROOT / folder).rglob("*")]
        files += ROOT.glob("*.*")
    return sorted(
        file
        for file in files
        if file.is_file() and file.suffix in SUFFIXES and "__pycache__" not in file.parts
    )


def found_in(text: str) -> list[str]:
    return [
        f"line {text.count(chr(10), 0, match.start()) + 1}: {what}: {match.group(0)!r}"
        for what, pattern in FORBIDDEN.items()
        for match in re.finditer(pattern, text, re.MULTILINE)
    ]


def test_files_speak_of_the_project_alone():
    files = tracked()
    assert len(files) >= 25
    broken = {
        str(file.relative_to(ROOT)): found
        for file in files
        if (found := found_in(file.read_text(encoding="utf-8")))
    }
    assert broken == {}


def test_line_ends_are_plain():
    assert [file for file in tracked() if b"\r" in file.read_bytes()] == []


@pytest.mark.parametrize(
    "text",
    [
        "read('" + "/" + "home/me/attic.toml')",
        "# TODO" + ": later",
        "see " + "pypi" + ".org/x",
        "x = 1\n" + "<" * 7 + " HEAD\n",
    ],
)
def test_a_breach_is_found(text: str):
    assert len(found_in(text)) == 1


@pytest.mark.parametrize("text", ["a/work/b", "watts/home", "../tmp/x", "ohm/m", "a TODO list"])
def test_ordinary_text_is_left_alone(text: str):
    assert found_in(text) == []
