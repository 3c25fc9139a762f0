"""What the house around the wires costs.

Run from the project folder:  python benchmarks/house.py

An attic of 10 m by 8 m with 26 joists, 26 pairs of rafters, a plasterboard ceiling, 8 cables and 2
ducts around a three-wire L with 32 radials, on the mesh that the benchmark of the solver finds to
meet 0.5 %.  One JSON line per figure with its limit; the exit code is 1 when one is past it.  All
times come from this one run, so that their ratios hold on a shared machine.
"""

from __future__ import annotations

import sys
import time

from figures import Figures, median_time
from scenes import furnished_attic

from ridgepole.geometry import build_mesh
from ridgepole.solver.solve import DEFAULT_TOLERANCE
from ridgepole.solver.system import System

FREQUENCY = 14.1e6
TOP = 28.5e6
REPEATS = 9
MOST_TIMES, MOST_EXTRA = 4.0, 0.15
CUT = 0.23
"""Of the shortest wire. [m]"""


def prepared(*, with_house: bool, cut: float = 0.0) -> System:
    scene = furnished_attic(with_house=with_house, cut=cut)
    mesh = build_mesh(scene, TOP)
    return System.adapted(scene, mesh, (FREQUENCY, TOP), tolerance=DEFAULT_TOLERANCE)


def main() -> int:
    figures = Figures()
    alone, housed = prepared(with_house=False), prepared(with_house=True)
    volume = housed.volume
    if volume is None:
        raise SystemExit("the house has no solids")
    figures.add("unknowns of the antenna alone", alone.n_unknowns, "1")
    figures.add("unknowns with the house's metal", housed.n_unknowns, "1")
    figures.add("solids", len(housed.scene.solids), "1")
    figures.add("cells", len(volume.cells), "1")
    integrals = [part.integrals for part in volume.parts]
    figures.add("points of the fine integration", sum(one.points for one in integrals), "1")
    figures.add("runs of bricks", sum(one.bricks is not None for one in integrals), "1")

    begin = time.perf_counter()
    System.from_scene(housed.scene, housed.mesh)
    figures.add("once per geometry, solids included", time.perf_counter() - begin, "s")
    begin = time.perf_counter()
    System.from_scene(housed.scene, housed.mesh, with_solids=False)
    figures.add("once per geometry, without the solids", time.perf_counter() - begin, "s")
    begin = time.perf_counter()
    housed.fill(FREQUENCY)
    figures.add("first matrix, bricks worked out", time.perf_counter() - begin, "s")

    other = prepared(with_house=True, cut=CUT)
    begin = time.perf_counter()
    whole = System.from_scene(other.scene, other.mesh)
    figures.add(
        "another length of one wire, house integrated anew", time.perf_counter() - begin, "s"
    )
    begin = time.perf_counter()
    reused = System.from_scene(other.scene, other.mesh, reuse=housed)
    again = time.perf_counter() - begin
    figures.add("another length of one wire, house reused", again, "s")
    begin = time.perf_counter()
    found = reused.solve(FREQUENCY).admittance[0, 0]
    figures.add("its first frequency", time.perf_counter() - begin, "s")
    differs = abs(found / whole.solve(FREQUENCY).admittance[0, 0] - 1.0)
    figures.add("what reuse changes in the impedance", differs, "1", limit=1e-12)

    metal = System.from_scene(housed.scene, housed.mesh, with_solids=False)
    antenna = median_time(lambda: alone.solve(FREQUENCY), repeats=REPEATS)
    with_metal = median_time(lambda: metal.solve(FREQUENCY), repeats=REPEATS)
    fields = median_time(lambda: housed.solid_fields(FREQUENCY), repeats=REPEATS)
    known = housed.solid_fields(FREQUENCY)
    filled = housed.fill(FREQUENCY, solid_fields=known)

    def add() -> None:
        with housed.few_threads():
            volume.add_to(filled, known, FREQUENCY)

    term = median_time(add, repeats=REPEATS)
    with_house = median_time(lambda: housed.solve(FREQUENCY), repeats=REPEATS)
    figures.add("one frequency, antenna alone", antenna, "s")
    figures.add("one frequency, with the metal", with_metal, "s")
    figures.add("fields of all functions over the cells", fields, "s")
    figures.add("term of the matrix", term, "s")
    limit = max(MOST_TIMES * antenna, antenna + MOST_EXTRA)
    figures.add("one frequency, with the house", with_house, "s", limit=limit)
    figures.add("with the house over alone", with_house / antenna, "1")
    return figures.exit_code


if __name__ == "__main__":
    sys.exit(main())
