"""What one solve costs and how good it is.

Run from the project folder:  python benchmarks/solve.py [--quick]

One JSON line per figure with its limit; the exit code is 1 when one is past it.  All times come
from this one run, so that their ratios hold on a shared machine.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from figures import Figures, median_time, memory_growth
from scenes import three_wire_l
from scipy import linalg

from ridgepole.geometry import Mesh, Scene, build_mesh
from ridgepole.solver.earth.reflection import free_space_wavenumber
from ridgepole.solver.earth.tables import build_earth_table
from ridgepole.solver.solve import DEFAULT_TOLERANCE
from ridgepole.solver.system import System

FREQUENCIES = (14.1e6, 21.2e6, 28.5e6)
TOP = FREQUENCIES[-1]
REFERENCE_TIPS = (200.0, 80.0, 20.0, 5.0, 1.0)
"""Radii from the ends at which the reference is cut: its error must not be that of the ends."""


def admittances(system: System) -> np.ndarray:
    return np.array([system.solve(f).admittance[0, 0] for f in FREQUENCIES])


def reference_system(scene: Scene, degree: int) -> System:
    mesh = build_mesh(
        scene, TOP, longest=0.125, tip_radii=REFERENCE_TIPS, degree=min(degree + 3, 8)
    )
    return System.from_scene(scene, mesh)


def relative_errors(system: System, reference: np.ndarray) -> np.ndarray:
    return np.abs(admittances(system) / reference - 1.0)


def accuracy(figures: Figures, scene: Scene) -> tuple[System, np.ndarray]:
    """Error against unknowns and time, degrees 1 to 5, and the mesh that solve() would take."""
    reference_mesh = reference_system(scene, 4)
    reference = admittances(reference_mesh)
    figures.add("reference unknowns", reference_mesh.n_unknowns, "1")
    adapted = System.adapted(
        scene, build_mesh(scene, TOP), FREQUENCIES, tolerance=DEFAULT_TOLERANCE
    )
    errors = relative_errors(adapted, reference)
    figures.add("unknowns, adapted mesh", adapted.n_unknowns, "1", limit=350)
    for f, error in zip(FREQUENCIES, errors, strict=True):
        limit = 0.5 if f == TOP else 1.0
        name = f"impedance error, adapted mesh, {f / 1e6:g} MHz"
        figures.add(name, 100.0 * error, "%", limit=limit)
    own_time = median_time(lambda: adapted.solve(TOP), repeats=20)
    figures.add("one frequency, adapted mesh", 1e3 * own_time, "ms")
    for degree in range(1, 6):
        system = System.from_scene(scene, build_mesh(scene, TOP, degree=degree))
        error = relative_errors(system, reference)[-1]
        spent = median_time(lambda s=system: s.solve(TOP), repeats=5)
        figures.add(f"degree {degree}: unknowns", system.n_unknowns, "1")
        figures.add(f"degree {degree}: impedance error, 28.5 MHz", 100.0 * error, "%")
        figures.add(f"degree {degree}: one frequency", 1e3 * spent, "ms")
    against_degree_one(figures, scene, reference, adapted.n_unknowns, own_time, errors[-1])
    return adapted, errors


def against_degree_one(
    figures: Figures,
    scene: Scene,
    reference: np.ndarray,
    unknowns: int,
    seconds: float,
    error: float,
) -> None:
    """Refine a piecewise-linear mesh until it is as good, and compare."""
    system, found = None, np.inf
    for per_wavelength in (20, 30, 45, 68, 100, 150):
        mesh = build_mesh(scene, TOP, degree=1, longest=1.0 / per_wavelength, tip_radii=(25.0,))
        system = System.from_scene(scene, mesh)
        y = system.solve(TOP).admittance[0, 0]
        found = abs(y / reference[-1] - 1.0)
        if found <= error:
            break
    assert system is not None
    spent = median_time(lambda: system.solve(TOP), repeats=3, warm=1)
    figures.add("degree 1 refined: unknowns", system.n_unknowns, "1")
    figures.add("degree 1 refined: impedance error, 28.5 MHz", 100.0 * found, "%")
    figures.at_least(
        "unknowns, degree 1 over adapted", system.n_unknowns / unknowns, "1", limit=5.0
    )
    figures.at_least("time, degree 1 over adapted", spent / seconds, "1", limit=10.0)


def cost(figures: Figures, system: System) -> None:
    """One frequency and its parts, against the LU of its own size."""
    matrix = system.fill(TOP).matrix
    lu = median_time(lambda: linalg.lu_factor(matrix, check_finite=False), repeats=20)
    solve = median_time(lambda: system.solve(TOP), repeats=20)
    with_estimate = median_time(lambda: system.solve(TOP, with_estimate=True), repeats=20)
    across, lowest, highest = system.prepared.extent(free_space_wavenumber(TOP))
    earth = system.scene.earth
    permittivity = complex(earth.complex_permittivity(TOP)) if earth is not None else 1.0
    table = median_time(
        lambda: build_earth_table(
            TOP, permittivity, rho_max=across, zeta_min=lowest, zeta_max=highest
        ),
        repeats=20,
    )
    fill = median_time(lambda: system.fill(TOP), repeats=20)
    prepare = median_time(lambda: System.from_scene(system.scene, system.mesh), repeats=5)
    figures.add("unknowns", system.n_unknowns, "1")
    figures.add("static integrals, once per geometry", 1e3 * prepare, "ms")
    figures.add("earth table", 1e3 * table, "ms", limit=15.0)
    figures.add("fill without the earth table", 1e3 * (fill - table), "ms")
    figures.add("LU", 1e3 * lu, "ms")
    limit = 12.0 * lu + 40e-3
    figures.add("one frequency", 1e3 * solve, "ms", limit=1e3 * limit)
    figures.add("one frequency, part of its limit", 100.0 * solve / limit, "%")
    figures.add(
        "error estimate, part of a solve", 100.0 * (with_estimate / solve - 1.0), "%", limit=15.0
    )


def large_mesh(scene: Scene, least: int) -> Mesh:
    for per_wavelength in range(4, 80):
        mesh = build_mesh(scene, TOP, degree=3, longest=1.0 / per_wavelength)
        if 3 * len(mesh) - len(scene.wires) >= least:
            return mesh
    raise AssertionError("no mesh is that large")


def memory(figures: Figures, system: System) -> None:
    """Growth of resident memory over a solve after a first, warm one."""
    big = System.from_scene(system.scene, large_mesh(system.scene, 3000))
    for each in (system, big):
        each.solve(TOP)
        growth = memory_growth(lambda s=each: s.solve(TOP))
        n = each.n_unknowns
        limit = 4 * 16 * n**2 + 100e6
        figures.add(f"memory growth, {n} unknowns", growth / 1e6, "MB", limit=limit / 1e6)


def command_line(figures: Figures) -> None:
    """The shipped example through the command: cold (no compiled kernels kept) and warm."""
    command = shutil.which("ridgepole", path=str(Path(sys.executable).parent))
    if command is None:
        raise SystemExit("The command ridgepole is not beside this Python: install the project.")
    with tempfile.TemporaryDirectory() as folder:
        environment = os.environ | {"NUMBA_CACHE_DIR": str(Path(folder) / "compiled")}
        subprocess.run(
            [command, "example", "--to", "attic.toml"],
            cwd=folder, env=environment, check=True, capture_output=True,
        )  # fmt: skip
        for state, first_limit, limit in (("cold", 5.0, 60.0), ("warm", 5.0, 6.0)):
            begin = time.perf_counter()
            process = subprocess.Popen(
                [command, "answer", "attic.toml"],
                cwd=folder, env=environment, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
            )  # fmt: skip
            assert process.stdout is not None
            process.stdout.readline()
            first = time.perf_counter() - begin
            process.stdout.read()
            code = process.wait()
            spent = time.perf_counter() - begin
            figures.add(f"shipped example, {state}: exit code", code, "1", limit=0)
            figures.add(f"shipped example, {state}: first line", first, "s", limit=first_limit)
            figures.add(f"shipped example, {state}: all bands", spent, "s", limit=limit)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="leave out the command line")
    quick = parser.parse_args().quick
    figures = Figures()
    adapted, _ = accuracy(figures, three_wire_l())
    cost(figures, adapted)
    memory(figures, adapted)
    if not quick:
        command_line(figures)
    return figures.exit_code


if __name__ == "__main__":
    raise SystemExit(main())
