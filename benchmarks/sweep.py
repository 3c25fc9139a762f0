"""What a sweep costs, and how good its interpolation over a band is.

Run from the project folder:  python benchmarks/sweep.py [--quick]

The three-wire L with 32 radials of the other benchmarks, in its attic with the house around it;
every layout gives impedance, budget and three angle shares.  One JSON line per figure with its
limit; the exit code is 1 when one is past it.  All times come from this one run, so that their
ratios hold on a shared machine.
"""

from __future__ import annotations

import argparse
import itertools
import multiprocessing
import os
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import psutil
from figures import Figures, median_time
from scenes import furnished_attic, three_wire_l
from scipy import linalg

from ridgepole.geometry import Scene, Wire, build_mesh
from ridgepole.solver.bands import Band, read_bands
from ridgepole.solver.solution import Solution
from ridgepole.solver.solve import DEFAULT_TOLERANCE
from ridgepole.solver.study.partition import Partition
from ridgepole.solver.study.pool import Pool, build_pool
from ridgepole.solver.study.pool_band import PoolBand
from ridgepole.solver.study.sweep_records import (
    DONE,
    Axis,
    Batch,
    BatchResult,
    Design,
    Figure,
    Parameter,
    SweepPlan,
)
from ridgepole.solver.study.sweep_running import one_thread
from ridgepole.solver.study.sweep_store import SweepStore
from ridgepole.solver.system import System

FREQUENCY = 14.15e6
TOP = 28.5e6
BANDS = ("80 m", "40 m", "30 m", "20 m", "17 m", "15 m", "12 m", "10 m")
NAMES = ("long", "middle", "short")
LENGTHS = 22
SHORTEST = 1.9
"""Taken off the longest of the lengths of each wire. [m]"""

LAYOUTS = 1000
SEED = 7
POINTS = 201
EDGES = (0.0, 30.0, 60.0, 90.0)
REFERENCE = 50.0
OVERNIGHT_LAYOUTS, OVERNIGHT_HOURS = 10_000, 8.0
BY_BATCH = 5
"""Frequencies; a batch takes some seconds, as those of a sweep do."""

RECORDS = 100_000


def variants(scene: Scene) -> dict[str, list[Wire]]:
    cuts = np.linspace(0.0, SHORTEST, LENGTHS)
    return {
        name: [scene.wire(name).with_length(scene.wire(name).length - cut) for cut in cuts]
        for name in NAMES
    }


def random_layouts(count: int) -> np.ndarray:
    return np.random.default_rng(SEED).integers(0, LENGTHS, (count, len(NAMES)))


def make_pool(scene: Scene, count: int) -> Pool:
    return build_pool(
        scene, variants(scene), random_layouts(count), [FREQUENCY, TOP],
        tolerance=DEFAULT_TOLERANCE,
    )  # fmt: skip


def one_frequency(pool: Pool, frequency: float) -> tuple[np.ndarray, np.ndarray]:
    """Impedance, budget and shares of all layouts of a pool."""
    fields = None if pool.system.volume is None else pool.system.solid_fields(frequency)
    matrix = pool.system.fill(frequency, solid_fields=fields).matrix
    middle = Partition.of(pool, matrix, frequency)
    forms = np.concatenate([middle.heat_forms(fields), middle.sky_forms(EDGES, [], fields)])
    return middle.solve(forms)


def full_solve(system: System, frequency: float) -> tuple[complex, object, list[float]]:
    """The same of one layout by itself."""
    solution = Solution.from_ports(system, frequency, [system.solve(frequency)])
    far = solution.far_field()
    ends = itertools.pairwise(EDGES)
    return complex(solution.impedance), solution.budget, [far.share(a, b) for a, b in ends]  # pyright: ignore


def rate(figures: Figures) -> float:
    """Layouts in a second against full solves, one thread each. Returns seconds a layout."""
    alone = three_wire_l()
    bare = System.adapted(alone, build_mesh(alone, TOP), (FREQUENCY, TOP), tolerance=0.02)
    matrix = bare.fill(FREQUENCY).matrix
    lu = median_time(lambda: linalg.lu_factor(matrix, check_finite=False), repeats=15)
    solve = median_time(lambda: bare.solve(FREQUENCY), repeats=15)
    limit = 12.0 * lu + 40e-3
    figures.add("full solve of the antenna alone, two threads", solve, "s", limit=limit)

    scene = furnished_attic()
    with one_thread():
        single = median_time(lambda: bare.solve(FREQUENCY), repeats=9)
        figures.add("full solve of the antenna alone, one thread", single, "s")
        begin = time.perf_counter()
        housed = System.adapted(
            scene, build_mesh(scene, TOP), (FREQUENCY, TOP), tolerance=DEFAULT_TOLERANCE
        )
        housed.fill(FREQUENCY)
        figures.add("mesh and house of one layout", time.perf_counter() - begin, "s")
        matrix_only = median_time(lambda: housed.solve(FREQUENCY), repeats=5, warm=1)
        whole = median_time(lambda: full_solve(housed, FREQUENCY), repeats=3, warm=1)
        figures.add("full solve with the house, impedance alone", matrix_only, "s")
        figures.add("full solve with the house, budget and shares too", whole, "s")

        begin = time.perf_counter()
        pool = make_pool(scene, LAYOUTS)
        once = time.perf_counter() - begin
        figures.add("pool: layouts", len(pool), "1")
        figures.add("pool: unknowns", pool.system.n_unknowns, "1")
        figures.add("pool: fixed unknowns", pool.n_fixed, "1")
        figures.add("pool, once for all frequencies", once, "s")
        begin = time.perf_counter()
        one_frequency(pool, FREQUENCY)
        figures.add("pool, first frequency, bricks worked out", time.perf_counter() - begin, "s")
        begin = time.perf_counter()
        admittance, _ = one_frequency(pool, FREQUENCY + 1e5)
        spent = time.perf_counter() - begin
        figures.add("pool, one frequency, all layouts", spent, "s")
        each = spent / len(pool)
        figures.add("one layout at one frequency, fixed part included", 1e3 * each, "ms")
        figures.add(
            "rate, over the full solve of the antenna alone on two threads", solve / each, "1"
        )
        figures.at_least("rate, over the full solve of the antenna alone", single / each, "1",
                         limit=10.0)  # fmt: skip
        figures.at_least("rate, over the full solve with the house, impedance alone",
                         matrix_only / each, "1", limit=10.0)  # fmt: skip
        figures.at_least("rate, over the full solve with the house, budget and shares too",
                         whole / each, "1", limit=10.0)  # fmt: skip
        three_hundred = (once + spent) / 300
        figures.add("one of 300 layouts, pool and one frequency included", three_hundred, "s")
        system = pool.layout_system(17)
        y = system.solve(FREQUENCY + 1e5).admittance[0, 0]
        figures.add("admittance of a layout against its full solve",
                    abs(admittance[17, 0, 0] / y - 1.0), "1", limit=1e-9)  # fmt: skip
    return each


def overnight(figures: Figures) -> None:
    """One chunk on all bands, nine points each; and how long 10,000 layouts take."""
    scene = furnished_attic()
    with one_thread():
        begin = time.perf_counter()
        pool = make_pool(scene, LAYOUTS)
        once = time.perf_counter() - begin
        shared, by_layout = once, 0.0
        matrices = 0
        for band in read_bands(BANDS, region=1):
            begin = time.perf_counter()
            prepared = PoolBand.prepare(pool, band, reference=REFERENCE)
            middle, fields = prepared.middle, prepared.fields
            forms = np.concatenate([middle.heat_forms(fields), middle.sky_forms(EDGES, [], fields)])
            shared += time.perf_counter() - begin
            matrices += prepared.n_matrices
            begin = time.perf_counter()
            middle.solve(forms)
            prepared.curve(np.linspace(band.low, band.high, 9))
            by_layout += time.perf_counter() - begin
    figures.add("eight bands: matrices", matrices, "1", limit=5 * len(BANDS))
    figures.add("eight bands: shared by all layouts", shared, "s")
    figures.add("eight bands: nine points, watts and angles of 1000 layouts", by_layout, "s")
    # chunks of 5000 layouts, on two processes that share nothing
    chunks = OVERNIGHT_LAYOUTS / 5000
    hours = (chunks * shared + by_layout * OVERNIGHT_LAYOUTS / LAYOUTS) / 3600.0
    figures.add(
        "10,000 layouts on 8 bands with the house, one core, extrapolated", hours, "h",
        limit=OVERNIGHT_HOURS,
    )  # fmt: skip


def _solve_for(seconds: float, started: object, queue: object) -> None:
    """How many frequencies of a small pool a process solves in a time."""
    with one_thread():
        pool = make_pool(three_wire_l(), LAYOUTS)
        one_frequency(pool, FREQUENCY)
        started.wait()  # pyright: ignore
        begin, count = time.perf_counter(), 0
        while time.perf_counter() - begin < seconds:
            one_frequency(pool, FREQUENCY + 1e3 * count)
            count += 1
        queue.put(count / (time.perf_counter() - begin))  # pyright: ignore


def _independent(seconds: float) -> float:
    """Rate of two processes that know nothing of each other, together. [1/s]"""
    context = multiprocessing.get_context("spawn")
    barrier, queue = context.Barrier(2), context.Queue()
    two = [context.Process(target=_solve_for, args=(seconds, barrier, queue)) for _ in range(2)]
    for process in two:
        process.start()
    total = sum(queue.get() for _ in two)
    for process in two:
        process.join()
    return total


class PoolWork:
    """Batches that each solve a small pool at some frequencies."""

    def __init__(self, frequencies: int) -> None:
        self.frequencies = frequencies

    def __getstate__(self) -> dict[str, int]:
        return {"frequencies": self.frequencies}

    def compute(self, batch: Batch) -> BatchResult:
        pool = self.__dict__.get("pool")
        if pool is None:
            pool = self.pool = make_pool(three_wire_l(), LAYOUTS)
        values = np.zeros((len(batch.layouts), len(batch.bands)))
        for k in range(self.frequencies):
            admittance, _ = one_frequency(pool, FREQUENCY + 1e3 * k)
            values[:] = np.abs(admittance[: len(batch.layouts), 0, 0])[:, None]
        states = np.full(len(batch.layouts), DONE, dtype=np.int8)
        return BatchResult(batch, {"value": values}, states)


def simulated_plan(layouts: int, bands: int, figures: tuple[Figure, ...]) -> SweepPlan:
    parameter = Parameter("element.long.length", low=0.0, high=1.0, step=1.0 / layouts, unit="m")
    design = Design((parameter,), (np.linspace(0.0, 1.0, layouts),))
    several = tuple(Band(f"band {n}", 1e6 * (n + 1), 1.1e6 * (n + 1), None, "") for n in
                    range(bands))  # fmt: skip
    frequencies = np.array([[band.low, band.high] for band in several])
    return SweepPlan("", "simulated", design, several, frequencies, figures)


def processes(figures: Figures, seconds: float) -> None:
    """Two processes of the sweep's own running against two that are independent."""
    plan = simulated_plan(36, 1, (Figure("value"),))
    ratios = []
    for _ in range(2):
        independent = _independent(seconds)
        ratios.append(_rate_of_two(plan) / independent)
    mean = float(np.mean(ratios))
    figures.at_least("two processes, over two independent ones", mean, "1", limit=0.9)


def _rate_of_two(plan: SweepPlan) -> float:
    """Frequencies in a second that the sweep's own running solves on two processes."""
    from ridgepole.solver.study.sweep_running import run_batches

    stamps: list[float] = []
    with (
        tempfile.TemporaryDirectory() as folder,
        SweepStore.create(Path(folder) / "two.h5", plan) as store,
    ):
        original = store.put

        def put(result: BatchResult) -> None:
            stamps.append(time.perf_counter())
            original(result)

        store.put = put  # pyright: ignore
        batches = [Batch(n, (n,), (0,)) for n in range(len(plan.design))]
        run_batches(
            PoolWork(BY_BATCH), batches, store, executor="processes", workers=2, progress=False
        )
    # by then both have made their pools; at the end one waits for the other
    first, last = len(stamps) // 3, len(stamps) - 3
    return BY_BATCH * (last - first) / (stamps[last] - stamps[first])


def store_overhead(figures: Figures, each: float) -> None:
    """Writing and gathering against computing, for batches of 1000 layouts on one band."""
    kept = (
        Figure("impedance", (Axis("point", tuple(range(9))),), "complex128", "ohm"),
        Figure("budget", (Axis("term", tuple("abcdef")),)),
        Figure("shares", (Axis("angle", tuple("abc")),)),
    )
    layouts, bands = 4000, 8
    plan = simulated_plan(layouts, bands, kept)
    rng = np.random.default_rng(1)
    with tempfile.TemporaryDirectory() as folder:
        begin = time.perf_counter()
        with SweepStore.create(Path(folder) / "store.h5", plan) as store:
            for number in range(layouts // 1000 * bands):
                rows = tuple(range(number // bands * 1000, number // bands * 1000 + 1000))
                values = {
                    figure.name: rng.random((1000, 1, *figure.shape)).astype(figure.dtype)
                    for figure in kept
                }
                states = np.full(1000, DONE, dtype=np.int8)
                store.put(BatchResult(Batch(number, rows, (number % bands,)), values, states))
            store.gather()
        spent = time.perf_counter() - begin
    computing = layouts * bands * each
    figures.add("store, part of the time of computing one frequency a band",
                100.0 * spent / computing, "%", limit=3.0)  # fmt: skip


def memory(figures: Figures) -> None:
    """Resident memory over 100,000 simulated layouts, written and gathered."""
    kept = (
        Figure("impedance", (Axis("point", tuple(range(9))),), "complex128", "ohm"),
        Figure("budget", (Axis("term", tuple("abcdef")),)),
    )
    plan = simulated_plan(RECORDS, 2, kept)
    process, sizes = psutil.Process(), []
    with tempfile.TemporaryDirectory() as folder:
        with SweepStore.create(Path(folder) / "store.h5", plan) as store:
            for number in range(RECORDS // 1000):
                rows = tuple(range(number * 1000, number * 1000 + 1000))
                values = {
                    figure.name: np.ones((1000, 2, *figure.shape), dtype=figure.dtype)
                    for figure in kept
                }
                states = np.full(1000, DONE, dtype=np.int8)
                store.put(BatchResult(Batch(number, rows, (0, 1)), values, states))
                sizes.append(process.memory_info().rss)
            store.gather()
            gathered = process.memory_info().rss
        size = os.path.getsize(Path(folder) / "store.h5")
    half = len(sizes) // 2
    growth = np.median(sizes[half:]) - np.median(sizes[10:half])
    figures.add("100,000 records: size of the store", size / 1e6, "MB")
    figures.add("100,000 records: growth over the second half", growth / 1e6, "MB", limit=10.0)
    figures.add("100,000 records: growth by gathering", (gathered - sizes[-1]) / 1e6, "MB",
                limit=50.0)  # fmt: skip


def interpolation(figures: Figures, layouts: int) -> None:
    """Reflection over 201 points against direct fills: random layouts, and kinked ones."""
    cases: list[tuple[str, Pool, Band]] = []
    (band,) = read_bands(["10 m"], region=1)
    scene = three_wire_l()
    cases.append(("three wires, 10 m", make_pool(scene, layouts - layouts // 2), band))
    cases.append(("close wires, 8.2 MHz", close_wires(layouts // 2),
                  Band("8.2 MHz", 7.95e6, 8.45e6, None, "")))  # fmt: skip
    for name, pool, band in cases:
        prepared = PoolBand.prepare(pool, band, reference=REFERENCE)
        places = np.linspace(band.low, band.high, POINTS)
        curves, _ = prepared.curve(places)
        direct = np.stack(
            [
                prepared.impedances(Partition.of(pool, pool.system.fill(f).matrix, f).solve()[0], f)
                for f in places
            ],
            axis=1,
        )
        one, other = ((z - REFERENCE) / (z + REFERENCE) for z in (curves, direct))
        figures.add(f"{name}: matrices of the band", prepared.n_matrices, "1", limit=5)
        figures.add(f"{name}: change of reflection told", prepared.interpolation_error, "1")
        figures.add(f"{name}: greatest change of reflection, {len(pool)} layouts, 201 points",
                    np.abs(one - other).max(), "1", limit=5e-3)  # fmt: skip
        fast = np.abs(np.diff(other, axis=1)).max(axis=1) / np.median(
            np.abs(np.diff(other, axis=1)), axis=1
        )
        figures.add(f"{name}: fastest step over the median one, greatest", fast.max(), "1")


def close_wires(count: int) -> Pool:
    """Two unlike wires near 10 m, 5 degrees apart, against one opposite: narrow kinks."""
    from ridgepole.geometry import Feed
    from ridgepole.materials import Earth

    turn, z = np.deg2rad(5.0), 6.0

    def wires(one: float, two: float) -> list[Wire]:
        return [
            Wire([(0, 0, z), (one, 0, z)], radius=1e-3, name="one"),
            Wire([(0, 0, z), (two * np.cos(turn), two * np.sin(turn), z)], radius=1e-3,
                 name="two"),
            Wire([(0, 0, z), (-10.0, 0, z)], radius=1e-3, name="opposite"),
        ]  # fmt: skip

    rng = np.random.default_rng(SEED)
    lengths = 10.0 + rng.uniform(-0.25, 0.25, (count, 2))
    scene = Scene(wires(10.3, 10.3), feed=Feed(("one", "two"), at=0.0), earth=Earth(13.0, 0.005))
    layouts = np.stack([np.arange(count)] * 2, axis=1)
    return build_pool(
        scene,
        {"one": [wires(a, 1.0)[0] for a in lengths[:, 0]],
         "two": [wires(1.0, b)[1] for b in lengths[:, 1]]},
        layouts, [7.95e6, 8.2e6, 8.45e6], tolerance=DEFAULT_TOLERANCE,
    )  # fmt: skip


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="leave out the eight bands")
    quick = parser.parse_args().quick
    figures = Figures()
    each = rate(figures)
    if not quick:
        overnight(figures)
    processes(figures, 12.0)
    store_overhead(figures, each)
    memory(figures)
    interpolation(figures, 20)
    return figures.exit_code


if __name__ == "__main__":
    sys.exit(main())
