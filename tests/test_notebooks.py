"""The notebooks, run from the first cell to the last.

Each asserts its published values inside its cells, so a cell that fails fails here. A kernel of
this very interpreter is started, whatever kernels are registered on the machine, in an empty
folder, with none of the user's start-up files, and warnings are errors.
"""

import ast
import importlib
import os
import sys
from pathlib import Path

import nbformat
import pytest
from jupyter_client.kernelspec import KernelSpec, KernelSpecManager
from jupyter_client.manager import AsyncKernelManager
from nbclient import NotebookClient
from nbclient.exceptions import CellExecutionError
from nbformat import NotebookNode
from nbformat.v4 import new_code_cell, new_notebook
from traitlets import default

NOTEBOOKS = Path(__file__).resolve().parents[1] / "notebooks"
NAMES = (
    "attic-example.ipynb",
    "from-readings.ipynb",
    "how-sure.ipynb",
    "next-cut.ipynb",
    "overnight-sweep.ipynb",
    "search.ipynb",
    "textbook-dipole.ipynb",
    "textbook-monopole.ipynb",
)
LARGEST = 300_000  # bytes of a file with its kept outputs
TIMEOUT = 300.0  # of one cell, kernels not yet compiled [s]

STRICT = """
import warnings
warnings.simplefilter("error")
"""


class OwnKernel(KernelSpecManager):
    """Every name means the kernel of this interpreter."""

    def get_kernel_spec(self, kernel_name: str) -> KernelSpec:
        return KernelSpec(
            argv=[sys.executable, "-m", "ipykernel_launcher", "-f", "{connection_file}"],
            display_name=kernel_name,
            language="python",
        )


class OwnManager(AsyncKernelManager):
    """Given as a class, so that the client shuts the kernel down again."""

    @default("kernel_spec_manager")
    def _own_kernel(self) -> KernelSpecManager:
        return OwnKernel(parent=self)


def read(name: str) -> NotebookNode:
    return nbformat.read(NOTEBOOKS / name, as_version=4)


def run(notebook: NotebookNode, folder: Path) -> NotebookNode:
    """The notebook with its outputs, run in an empty folder.

    Raises
    ------
    CellExecutionError
        If a cell fails.
    """
    work = folder / "work"
    work.mkdir()
    environment = {key: value for key, value in os.environ.items() if key != "MPLBACKEND"}
    for key in ("IPYTHONDIR", "JUPYTER_CONFIG_DIR", "JUPYTER_DATA_DIR", "JUPYTER_RUNTIME_DIR"):
        environment[key] = str(folder / key.lower())
    notebook.cells.insert(0, new_code_cell(STRICT))
    client = NotebookClient(
        notebook,
        kernel_manager_class=OwnManager,
        timeout=TIMEOUT,
        resources={"metadata": {"path": str(work)}},
    )
    client.execute(env=environment)
    return notebook


def code_of(notebook: NotebookNode) -> list[str]:
    """The code cells, without lines that are no Python."""
    cells = [cell.source for cell in notebook.cells if cell.cell_type == "code"]
    return ["\n".join(row for row in cell.split("\n") if row[:1] != "%") for cell in cells]


def outputs(notebook: NotebookNode) -> list[NotebookNode]:
    return [o for cell in notebook.cells if cell.cell_type == "code" for o in cell.outputs]


def test_all_notebooks_are_named_here():
    assert sorted(path.name for path in NOTEBOOKS.glob("*.ipynb")) == sorted(NAMES)


@pytest.mark.parametrize("name", NAMES)
def test_notebook_runs(name: str, tmp_path: Path):
    done = run(read(name), tmp_path)
    found = outputs(done)
    assert [o.text for o in found if o.output_type == "stream" and o.name == "stderr"] == []
    pictures = [o for o in found if "image/png" in o.get("data", {})]
    assert len(pictures) >= 2


@pytest.mark.parametrize(
    "cell",
    ["assert 1 + 1 == 3", "import warnings\nwarnings.warn('thin ice')"],
    ids=["assert", "warning"],
)
def test_a_failing_cell_fails(cell: str, tmp_path: Path):
    with pytest.raises(CellExecutionError):
        run(new_notebook(cells=[new_code_cell(cell)]), tmp_path)


@pytest.mark.parametrize("name", NAMES)
def test_notebook_asserts_and_names_its_sources(name: str):
    notebook = read(name)
    cells = code_of(notebook)
    n_asserts = sum(isinstance(n, ast.Assert) for cell in cells for n in ast.walk(ast.parse(cell)))
    assert n_asserts >= 8
    if name.startswith("textbook"):
        assert sum("ource: " in cell for cell in cells) >= 4


@pytest.mark.parametrize("name", NAMES)
def test_notebook_uses_public_names_only(name: str):
    """`from ridgepole.PACKAGE import NAME` with a name that the package says is public."""
    n_imports = 0
    for cell in code_of(read(name)):
        for node in ast.walk(ast.parse(cell)):
            if isinstance(node, ast.Import):
                assert not any(alias.name.startswith("ridgepole") for alias in node.names)
            elif isinstance(node, ast.ImportFrom) and (node.module or "").startswith("ridgepole"):
                assert node.module in {
                    "ridgepole.geometry",
                    "ridgepole.materials",
                    "ridgepole.solver",
                }
                public = importlib.import_module(node.module).__all__
                assert [a.name for a in node.names if a.name not in public] == []
                n_imports += 1
    assert n_imports >= 1


@pytest.mark.parametrize("name", NAMES)
def test_kept_outputs_are_small_and_clean(name: str):
    assert (NOTEBOOKS / name).stat().st_size < LARGEST
    for output in outputs(read(name)):
        assert output.output_type != "error"
        assert output.get("name") != "stderr"
