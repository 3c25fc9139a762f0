"""Who may import whom, how much an import loads, and what compiled kernels may call.

The walks read the source and start from the three folders. Each rule is also shown a made-up
module that breaks it, so that a walk that finds nothing has been seen to find something.
"""

import ast
import json
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
MAY_USE = {"materials": set(), "geometry": {"materials"}, "solver": {"geometry", "materials"}}
OTHER_FOLDERS = ("tests", "benchmarks", "notebooks")


def sources(*folders: str) -> list[Path]:
    return sorted(file for folder in folders for file in (ROOT / folder).rglob("*.py"))


def dotted(file: Path) -> str:
    """`ridgepole.solver.moments.basis` for solver/moments/basis.py."""
    parts = file.relative_to(ROOT).with_suffix("").parts
    return ".".join(["ridgepole", *(parts[:-1] if parts[-1] == "__init__" else parts)])


def tree_of(file: Path) -> ast.Module:
    return ast.parse(file.read_text(encoding="utf-8"), filename=str(file))


def imported(tree: ast.AST, package: str) -> Iterator[str]:
    """Absolute dotted names of all that a module imports, at any depth, relative ones resolved."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            above = package.split(".") if node.level else []
            base = above[: len(above) - node.level + 1] if node.level else []
            base = [*base, *(node.module.split(".") if node.module else [])]
            yield from (".".join([*base, alias.name]) for alias in node.names)
        elif isinstance(node, ast.Call) and node.args:
            name = node.func.attr if isinstance(node.func, ast.Attribute) else None
            name = node.func.id if isinstance(node.func, ast.Name) else name
            first = node.args[0]
            if name in ("import_module", "__import__") and isinstance(first, ast.Constant):
                yield str(first.value)


def package_of(file: Path) -> str:
    """The package that a module's relative imports start from; none outside the three."""
    if file.relative_to(ROOT).parts[0] not in MAY_USE:
        return "outside"
    return dotted(file) if file.name == "__init__.py" else dotted(file).rpartition(".")[0]


def against_direction(names: Iterator[str], package: str) -> list[str]:
    """Imports of one of our packages that `package` has no right to."""
    found = [name.split(".") for name in names]
    ours = [parts for parts in found if parts[0] == "ridgepole"]
    allowed = MAY_USE[package] | {package}
    return [".".join(parts) for parts in ours if len(parts) < 2 or parts[1] not in allowed]


def bare(names: Iterator[str]) -> list[str]:
    return [name for name in names if name.split(".")[0] in MAY_USE]


# --- direction --------------------------------------------------------------------------------


@pytest.mark.parametrize("package", list(MAY_USE))
def test_imports_run_one_way(package: str):
    files = sources(package)
    assert len(files) >= 3
    broken = {
        str(file.relative_to(ROOT)): wrong
        for file in files
        if (wrong := against_direction(imported(tree_of(file), package_of(file)), package))
    }
    assert broken == {}


@pytest.mark.parametrize(
    ("code", "found"),
    [
        ("from ..materials import Earth", ["ridgepole.materials.Earth"]),
        ("from ..solver.solve import solve", ["ridgepole.solver.solve.solve"]),
        ("from .. import solver", ["ridgepole.solver"]),
        ("from .wires import Wire", ["ridgepole.geometry.wires.Wire"]),
        ("def late():\n    import ridgepole.solver", ["ridgepole.solver"]),
        ("import importlib\nimportlib.import_module('ridgepole.solver')", ["ridgepole.solver"]),
    ],
)
def test_the_walk_resolves_relative_imports(code: str, found: list[str]):
    names = list(imported(ast.parse(code), "ridgepole.geometry"))
    assert [name for name in names if name.startswith("ridgepole.")] == found
    wrong = [name for name in found if ".solver" in name]
    assert against_direction(iter(names), "geometry") == wrong


def test_no_bare_names_in_any_module():
    files = sources(*MAY_USE, *OTHER_FOLDERS)
    assert len(files) >= 12
    broken = {
        str(file.relative_to(ROOT)): wrong
        for file in files
        if (wrong := bare(imported(tree_of(file), package_of(file))))
    }
    assert broken == {}


@pytest.mark.parametrize(
    "code",
    ["import solver", "import geometry.wires as w", "def f():\n    from materials import Earth"],
)
def test_a_bare_name_is_found(code: str):
    assert len(bare(imported(ast.parse(code), "ridgepole.solver"))) == 1


def test_no_bare_names_in_notebooks():
    files = sorted((ROOT / "notebooks").glob("*.ipynb"))
    if not files:
        pytest.skip("there are no notebooks")
    counted = 0
    for file in files:
        for cell in json.loads(file.read_text(encoding="utf-8"))["cells"]:
            if cell["cell_type"] == "code":
                lines = "".join(cell["source"]).splitlines()
                plain = [line for line in lines if not line.lstrip().startswith(("%", "!"))]
                names = list(imported(ast.parse("\n".join(plain)), "outside"))
                counted += len(names)
                assert bare(iter(names)) == [], file.name
    assert counted >= len(files)


# --- weight -----------------------------------------------------------------------------------

LOADED = "import json, sys, {names}; print(json.dumps(sorted(sys.modules)))"
FOR_PICTURES = {"matplotlib", "h5py", "pandas", "IPython", "nbformat"}


def loaded_by(*names: str) -> set[str]:
    """Top names of all modules that a fresh interpreter holds after importing `names`."""
    code = LOADED.format(names=", ".join(names))
    command = [sys.executable, "-P", "-W", "error", "-c", code]
    done = subprocess.run(command, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    assert done.stdout.count("\n") == 1, "an import prints"
    modules = set(json.loads(done.stdout))
    assert set(names) <= modules
    return {name.split(".")[0] for name in modules}


def test_import_of_materials_and_geometry_is_light_and_silent():
    loaded = loaded_by("ridgepole.geometry", "ridgepole.materials")
    assert loaded & (FOR_PICTURES | {"numba", "tqdm"}) == set()


def test_import_of_solver_is_light_and_silent():
    assert loaded_by("ridgepole.solver") & FOR_PICTURES == set()


def test_every_module_is_imported_silently_and_lightly():
    names = [dotted(file) for file in sources(*MAY_USE)]
    # A subclass of a matplotlib class; it is imported only where something is drawn.
    names.remove("ridgepole.geometry.picture")
    assert len(names) >= 12
    assert loaded_by(*names) & FOR_PICTURES == set()


def test_weight_is_seen():
    assert "h5py" in loaded_by("h5py")


# --- compiled kernels -------------------------------------------------------------------------

SAFE_FASTMATH = {"contract", "reassoc", "arcp", "nsz"}
JITTERS = {"njit", "jit", "vectorize", "guvectorize", "stencil"}
SAFE_MODULES = {"numpy", "math", "cmath", "numba"}


def is_jitter(node: ast.AST) -> bool:
    name = node.attr if isinstance(node, ast.Attribute) else getattr(node, "id", "")
    return name in JITTERS


class Kernels:
    """The jitted functions of one module and what is wrong with them."""

    def __init__(self, tree: ast.Module) -> None:
        self.imports: dict[str, str] = {}  # local name -> where it comes from
        self.aliases: dict[str, ast.expr] = {}  # local name -> the decorator it stands for
        self.decorators: dict[str, ast.expr] = {}  # jitted function -> its decorator
        self.functions: dict[str, ast.FunctionDef] = {}
        self.constants: dict[str, ast.expr] = {}  # module constant -> its value
        for node in ast.walk(tree):
            if isinstance(node, ast.Import):
                for alias in node.names:
                    self.imports[alias.asname or alias.name.split(".")[0]] = alias.name
            elif isinstance(node, ast.ImportFrom):
                for alias in node.names:
                    where = "." * node.level + (node.module or "")
                    self.imports[alias.asname or alias.name] = where
        # Methods cannot be called by a bare name, so only functions of the module count.
        for node in tree.body:
            if isinstance(node, ast.FunctionDef):
                self.functions[node.name] = node
        for node in tree.body:
            if isinstance(node, ast.Assign):
                self._assigned(node)
        self.overloaded: set[str] = set()  # plain functions with a compiled form of their own
        for function in self.functions.values():
            for decorator in function.decorator_list:
                if (
                    isinstance(decorator, ast.Call)
                    and getattr(decorator.func, "id", "") == "overload"
                    and isinstance(decorator.args[0], ast.Name)
                ):
                    self.overloaded.add(decorator.args[0].id)
                if (found := self._decorator(decorator)) is not None:
                    self.decorators[function.name] = found

    def _decorator(self, node: ast.expr) -> ast.expr | None:
        if isinstance(node, ast.Name) and node.id in self.aliases:
            return self.aliases[node.id]
        return node if is_jitter(node.func if isinstance(node, ast.Call) else node) else None

    def _assigned(self, node: ast.Assign) -> None:
        """`FAST = {...}`, `fast = njit(cache=True)`, `kernel = njit(cache=True)(slow)`."""
        call = node.value
        names = [target.id for target in node.targets if isinstance(target, ast.Name)]
        if not isinstance(call, ast.Call):
            self.constants.update(dict.fromkeys(names, call))
        elif is_jitter(call.func) and not call.args:
            self.aliases.update(dict.fromkeys(names, call))
        elif (found := self._decorator(call.func)) is not None or is_jitter(call.func):
            inner = call.args[0] if call.args else None
            if isinstance(inner, ast.Name) and inner.id in self.functions:
                self.functions.update(dict.fromkeys(names, self.functions[inner.id]))
                self.decorators.update(dict.fromkeys(names, found or call))

    def faults(self) -> list[str]:
        return [
            f"{name}: {fault}"
            for name, decorator in self.decorators.items()
            for fault in [*self._settings(decorator), *self._body(self.functions[name])]
        ]

    def _settings(self, decorator: ast.expr) -> Iterator[str]:
        keywords = decorator.keywords if isinstance(decorator, ast.Call) else []
        given = {keyword.arg: keyword.value for keyword in keywords}
        cache = given.get("cache")
        if not (isinstance(cache, ast.Constant) and cache.value is True):
            yield "is not cached"
        if "fastmath" in given:
            value = given["fastmath"]
            if isinstance(value, ast.Name):
                value = self.constants.get(value.id, value)
            try:
                allowed = set(ast.literal_eval(value)) <= SAFE_FASTMATH
            except (ValueError, TypeError):
                allowed = False
            if not allowed:
                yield "uses fastmath beyond the safe subset"

    def _body(self, function: ast.FunctionDef) -> Iterator[str]:
        for statement in function.body:
            for node in ast.walk(statement):
                if isinstance(node, ast.Name) and isinstance(node.ctx, ast.Load):
                    yield from self._name(node.id)

    def _name(self, name: str) -> Iterator[str]:
        where = self.imports.get(name)
        if where is not None:
            # A constant or function of another of our files stays stale in the cache.
            if where.startswith((".", "ridgepole")):
                yield f"uses {name} of another file"
            elif where.split(".")[0] not in SAFE_MODULES and where != "scipy.constants":
                yield f"uses {name} from {where}"
        elif name in self.functions and name not in self.decorators | dict.fromkeys(
            self.overloaded
        ):
            yield f"uses {name}, which is not compiled"


def test_kernels_call_only_compiled_functions_of_their_own_file():
    counted = 0
    broken = {}
    for file in sources(*MAY_USE):
        kernels = Kernels(tree_of(file))
        counted += len(kernels.decorators)
        if faults := kernels.faults():
            broken[str(file.relative_to(ROOT))] = faults
    assert counted >= 5
    assert broken == {}


KERNEL = """
import math
import numpy as np
import scipy.special
from numba import njit, prange
from ridgepole.materials import Earth
from .other import helper, LIMIT
fast = njit(cache=True)
CAREFUL = {{"arcp", "reassoc"}}
LOOSE = {{"arcp", "ninf"}}

def plain(x):
    return x

def slow(x):
    return helper(x)

@fast
def good(x):
    return math.sqrt(x) + np.exp(x)

{decorator}
def kernel(x):
    for i in prange(3):
        x = {use}
    return x
"""


@pytest.mark.parametrize(
    ("decorator", "use", "fault"),
    [
        ("@njit(cache=True)", "good(x) + np.linalg.norm(x)", None),
        ("@fast", "math.sin(good(x))", None),
        ("@njit(cache=True, fastmath={'contract', 'nsz'})", "good(x)", None),
        ("@njit(cache=True)", "helper(x)", "uses helper of another file"),
        ("@njit(cache=True)", "x * LIMIT", "uses LIMIT of another file"),
        ("@njit(cache=True)", "Earth(x)", "uses Earth of another file"),
        ("@njit(cache=True)", "plain(x)", "uses plain, which is not compiled"),
        ("@fast", "scipy.special.j0(x)", "uses scipy from scipy.special"),
        ("@njit", "good(x)", "is not cached"),
        ("@njit(parallel=True)", "good(x)", "is not cached"),
        ("@njit(cache=True, fastmath=True)", "x", "uses fastmath beyond the safe subset"),
        ("@njit(cache=True, fastmath=CAREFUL)", "x", None),
        ("@njit(cache=True, fastmath=LOOSE)", "x", "uses fastmath beyond the safe subset"),
        ("@njit(cache=True, fastmath={'nnan'})", "x", "uses fastmath beyond the safe subset"),
    ],
)
def test_a_faulty_kernel_is_found(decorator: str, use: str, fault: str | None):
    kernels = Kernels(ast.parse(KERNEL.format(decorator=decorator, use=use)))
    assert set(kernels.decorators) == {"good", "kernel"}
    assert kernels.faults() == ([] if fault is None else [f"kernel: {fault}"])


def test_a_function_that_is_compiled_by_assignment_is_found():
    code = KERNEL.format(decorator="@fast", use="x") + "fastened = njit(cache=True)(slow)\n"
    assert Kernels(ast.parse(code)).faults() == ["fastened: uses helper of another file"]
