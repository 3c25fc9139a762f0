"""The examples in docstrings run and print what they say.

`pytest --doctest-modules` cannot import the folders under their own names, so the examples are
found in the source and run through the imported modules.
"""

import ast
import doctest
import importlib
import types
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
PACKAGES = ("materials", "geometry", "solver")
FLAGS = doctest.NORMALIZE_WHITESPACE | doctest.ELLIPSIS


def examples_written(source: str) -> int:
    """How many `>>>` examples the docstrings of a module hold, read without importing it."""
    documented = (ast.Module, ast.ClassDef, ast.FunctionDef, ast.AsyncFunctionDef)
    nodes = [node for node in ast.walk(ast.parse(source)) if isinstance(node, documented)]
    texts = [ast.get_docstring(node) or "" for node in nodes]
    return sum(len(doctest.DocTestParser().get_examples(text)) for text in texts)


def written() -> dict[str, int]:
    """Examples per module, dotted names, modules without an example left out."""
    found = {}
    for package in PACKAGES:
        for file in sorted((ROOT / package).rglob("*.py")):
            parts = file.relative_to(ROOT).with_suffix("").parts
            parts = parts[:-1] if parts[-1] == "__init__" else parts
            if count := examples_written(file.read_text(encoding="utf-8")):
                found[".".join(["ridgepole", *parts])] = count
    return found


def run_examples(module: types.ModuleType) -> doctest.TestResults:
    runner = doctest.DocTestRunner(optionflags=FLAGS, verbose=False)
    for test in doctest.DocTestFinder(exclude_empty=True).find(module):
        runner.run(test)
    return runner.summarize(verbose=False)


@pytest.mark.parametrize(("name", "count"), list(written().items()))
def test_docstring_examples(name: str, count: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.chdir(tmp_path)  # an example may write a file
    results = run_examples(importlib.import_module(name))
    assert results.failed == 0
    # Compiled functions and the like hide their docstrings from the finder.
    assert results.attempted == count, "an example was written but not run"


def test_there_are_examples():
    assert sum(written().values()) >= 5


def module_with(docstring: str) -> tuple[types.ModuleType, str]:
    source = f'def twice(x):\n    """Two of it.\n\n    {docstring}\n    """\n    return 2 * x\n'
    module = types.ModuleType("made_up")
    exec(compile(source, "made_up", "exec"), module.__dict__)
    return module, source


def test_a_right_example_passes_and_is_counted():
    module, source = module_with(">>> twice(3.5)\n    7.0")
    assert run_examples(module) == (0, 1)
    assert examples_written(source) == 1


def test_a_wrong_example_fails(capsys: pytest.CaptureFixture[str]):
    module, _ = module_with(">>> twice(3.5)\n    7.5")
    assert run_examples(module) == (1, 1)
    assert "7.5" in capsys.readouterr().out
