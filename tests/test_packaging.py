"""What is installed is what stands in the folders, from a wheel and editable alike.

Both installs start from a clean copy of the last commit, because a `build/` left behind by an
earlier build would smuggle deleted modules into the wheel. Each goes into a virtual environment
of its own that sees the dependencies of the running one, but not its Ridgepole.
"""

import json
import os
import shutil
import subprocess
import sys
import sysconfig
import tarfile
import tomllib
import zipfile
from dataclasses import dataclass
from email import message_from_string
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
PACKAGES = ("materials", "geometry", "solver")


def run(*command: str | Path, folder: Path) -> str:
    """Run a command away from the checkout and return what it printed."""
    kept = {k: v for k, v in os.environ.items() if k not in ("PYTHONPATH", "PYTHONHOME")}
    done = subprocess.run(
        [str(part) for part in command], cwd=folder, env=kept, capture_output=True, text=True
    )
    assert done.returncode == 0, f"{command}\n{done.stdout}\n{done.stderr}"
    return done.stdout


def clean_copy(target: Path) -> Path:
    """The last commit; outside a repository, the tree without what tools left in it."""
    if (ROOT / ".git").exists():
        archive = target.with_suffix(".tar")
        run(
            "git",
            "-c",
            "safe.directory=*",
            "-C",
            ROOT,
            "archive",
            "HEAD",
            "-o",
            archive,
            folder=ROOT,
        )
        with tarfile.open(archive) as opened:
            opened.extractall(target, filter="data")
    else:
        left = shutil.ignore_patterns(
            "build", "dist", ".venv", ".types", "*.egg-info", "__pycache__", ".*_cache"
        )
        shutil.copytree(ROOT, target, ignore=left)
    return target


@dataclass(frozen=True)
class Environment:
    """A fresh virtual environment that borrows the dependencies of the running one."""

    folder: Path

    @classmethod
    def create(cls, folder: Path) -> "Environment":
        run(sys.executable, "-m", "venv", "--without-pip", folder, folder=folder.parent)
        made = cls(folder)
        # Path files in a borrowed folder are not read, so an editable Ridgepole there stays unseen.
        borrowed = {sysconfig.get_path("purelib"), sysconfig.get_path("platlib")}
        (made.site_packages / "borrowed.pth").write_text("\n".join(sorted(borrowed)) + "\n")
        return made

    @property
    def scripts(self) -> Path:
        return self.folder / ("Scripts" if os.name == "nt" else "bin")

    @property
    def site_packages(self) -> Path:
        where = {"base": str(self.folder), "platbase": str(self.folder)}
        return Path(sysconfig.get_path("purelib", "venv", vars=where))

    def install(self, *what: str | Path) -> None:
        offline = ("--quiet", "--no-deps", "--no-index", "--no-build-isolation")
        pip = (sys.executable, "-m", "pip", "--python", self.scripts / "python")
        run(*pip, "install", *offline, *what, folder=self.folder)

    def python(self, code: str, *, folder: Path) -> str:
        return run(self.scripts / "python", "-W", "error", "-c", code, folder=folder)


@pytest.fixture(scope="module")
def source(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return clean_copy(tmp_path_factory.mktemp("source") / "copy")


@pytest.fixture(scope="module")
def wheel(source: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("wheel")
    build = ("wheel", "--quiet", "--no-deps", "--no-build-isolation", "--wheel-dir", folder)
    run(sys.executable, "-m", "pip", *build, source, folder=folder)
    (built,) = folder.glob("*.whl")
    return built


@pytest.fixture(scope="module")
def from_wheel(wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> Environment:
    made = Environment.create(tmp_path_factory.mktemp("from_wheel") / "venv")
    made.install(wheel)
    return made


def project(folder: Path) -> dict:
    return tomllib.loads((folder / "pyproject.toml").read_text(encoding="utf-8"))


def import_names(folder: Path) -> list[str]:
    """Dotted names of all packages below the three folders, from their `__init__.py`."""
    found = []
    for package in PACKAGES:
        for init in (folder / package).rglob("__init__.py"):
            found.append(".".join(["ridgepole", *init.parent.relative_to(folder).parts]))
    return sorted(found)


WHERE = """
import importlib, json
names = {names}
print(json.dumps([importlib.import_module(name).__file__ for name in names]))
"""


def imported_from(environment: Environment, names: list[str], folder: Path) -> list[Path]:
    printed = environment.python(WHERE.format(names=names), folder=folder)
    return [Path(file).resolve() for file in json.loads(printed)]


def test_listed_packages_are_the_folders():
    listed = project(ROOT)["tool"]["setuptools"]["packages"]
    assert len(listed) == len(set(listed))
    assert len(listed) >= 7
    assert sorted(listed) == import_names(ROOT)


def test_every_folder_with_modules_is_a_package():
    folders = {file.parent for package in PACKAGES for file in (ROOT / package).rglob("*.py")}
    assert len(folders) >= 7
    assert [folder for folder in folders if not (folder / "__init__.py").exists()] == []


def test_wheel_holds_every_file_of_the_packages_and_no_other(source: Path, wheel: Path):
    wanted = {
        "ridgepole/" + file.relative_to(source).as_posix()
        for package in PACKAGES
        for file in (source / package).rglob("*")
        if file.is_file()
    }
    with zipfile.ZipFile(wheel) as opened:
        held = {name for name in opened.namelist() if ".dist-info/" not in name}
    assert held == wanted
    for package in PACKAGES:
        assert f"ridgepole/{package}/py.typed" in held
    assert "ridgepole/__init__.py" not in held


def test_wheel_holds_the_licence_and_says_its_version(source: Path, wheel: Path):
    with zipfile.ZipFile(wheel) as opened:
        (metadata,) = [n for n in opened.namelist() if n.endswith(".dist-info/METADATA")]
        about = message_from_string(opened.read(metadata).decode("utf-8"))
        licence = opened.read(metadata.replace("METADATA", "licenses/LICENSE"))
    assert licence == (source / "LICENSE").read_bytes()
    assert about["License-Expression"] == "Apache-2.0"
    assert about["Version"] == project(source)["project"]["version"]
    assert about["Requires-Python"] == ">=3.11"


def test_wheel_is_imported_from_a_neutral_folder(
    source: Path, from_wheel: Environment, tmp_path: Path
):
    names = import_names(source)
    assert len(names) >= 7
    files = imported_from(from_wheel, names, tmp_path)
    inside = from_wheel.site_packages.resolve()
    assert [file for file in files if not file.is_relative_to(inside / "ridgepole")] == []


def test_version_comes_from_the_metadata(source: Path, from_wheel: Environment, tmp_path: Path):
    code = "from importlib.metadata import version; print(version('ridgepole'))"
    printed = from_wheel.python(code, folder=tmp_path).strip()
    assert printed == project(source)["project"]["version"]
    # No second copy of it that could grow old.
    modules = [file for package in PACKAGES for file in (source / package).rglob("*.py")]
    quoted = [f"{mark}{printed}{mark}" for mark in "'\""]
    assert [f for f in modules if any(q in f.read_text(encoding="utf-8") for q in quoted)] == []


def test_package_data_is_found_where_it_was_installed(
    source: Path, from_wheel: Environment, tmp_path: Path
):
    code = """
import json
from importlib.resources import files
held = {}
for package in ("materials", "geometry", "solver"):
    todo = [files("ridgepole." + package)]
    while todo:
        for entry in todo.pop().iterdir():
            if entry.is_dir():
                todo.append(entry)
            elif entry.name.endswith(".toml"):
                held[package + "/" + entry.name] = len(entry.read_bytes())
print(json.dumps(held))
"""
    held = json.loads(from_wheel.python(code, folder=tmp_path))
    wanted = {
        f"{package}/{file.name}": file.stat().st_size
        for package in PACKAGES
        for file in (source / package).rglob("*.toml")
    }
    assert held == wanted
    assert len(wanted) >= 1


def test_command_runs_from_the_wheel(from_wheel: Environment, tmp_path: Path):
    command = from_wheel.scripts / ("ridgepole.exe" if os.name == "nt" else "ridgepole")
    assert "ridgepole example --to" in run(command, folder=tmp_path)
    run(command, "example", "--to", "my-attic.toml", folder=tmp_path)
    assert "attic" in tomllib.loads((tmp_path / "my-attic.toml").read_text(encoding="utf-8"))


def test_editable_install_follows_the_folders(source: Path, tmp_path: Path):
    # A copy of its own, since an editable install writes beside the sources.
    copy = shutil.copytree(source, tmp_path / "copy")
    environment = Environment.create(tmp_path / "venv")
    environment.install("--editable", copy)
    neutral = tmp_path / "neutral"
    neutral.mkdir()
    # A module that is written after the install is there at once.
    (copy / "solver" / "views" / "later.py").write_text("SEEN = 17\n", encoding="utf-8")
    names = [*import_names(copy), "ridgepole.solver.views.later"]
    assert len(names) >= 8
    files = imported_from(environment, names, neutral)
    assert [file for file in files if not file.is_relative_to(copy.resolve())] == []
    code = "from importlib.metadata import version; print(version('ridgepole'))"
    printed = environment.python(code, folder=neutral).strip()
    assert printed == project(source)["project"]["version"]
