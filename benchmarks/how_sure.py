"""What it costs to say how sure an answer is, and how far the model behind it is off.

Run from the project folder:  python benchmarks/how_sure.py [--bands "40 m" ...]

The shipped example with all its bands and 64 houses drawn from what is not known of it; three of
them on three bands against full solves of the same houses, on elements like the model's, with all
integrals of their own.  One JSON line per figure with its limit; the exit code is 1 when one is
past it.
"""

from __future__ import annotations

import argparse
import sys
import time
from importlib.resources import files

import numpy as np
from figures import Figures, memory_growth

from ridgepole.geometry.plan import AtticPlan
from ridgepole.solver import HowSure, how_sure, read_attic
from ridgepole.solver.study.model.drawn import drawn_solution, drawn_system
from ridgepole.solver.study.model.modelling import Modelling

CASES = 64
SECONDS = 600.0
GIGABYTES = 4.0
CHECKED_BANDS, CHECKED_CASES = ("80 m", "40 m", "15 m"), (5, 23, 41)
REFLECTION, PARTS = 2e-3, 2e-2
"""What is not known moves both by ten times as much."""


def reflection(impedance: complex, reference: float) -> complex:
    return (impedance - reference) / (impedance + reference)


def cost(figures: Figures, plan: AtticPlan, bands: list[str] | None) -> HowSure:
    found: list[HowSure] = []
    took = spent = 0.0

    def run() -> None:
        nonlocal took, spent
        began, used = time.perf_counter(), time.process_time()
        found.append(
            how_sure(
                plan,
                bands,
                count=CASES,
                progress=False,
                check=False,
                announce=lambda effort: estimates.append(effort.seconds),
            )
        )
        took, spent = time.perf_counter() - began, time.process_time() - used

    estimates: list[float] = []
    grown = memory_growth(run, interval=0.05)
    figures.add("bands", len(found[0]), "1")
    figures.add("cases", found[0].count, "1")
    figures.add("all bands and cases", took, "s", limit=SECONDS)
    figures.add("the same, time of processors alone", spent, "s")
    figures.add("the same as estimated before", estimates[0], "s")
    figures.add("greatest memory above the start", grown / 1e9, "GB", limit=GIGABYTES)
    return found[0]


def difference(figures: Figures, plan: AtticPlan, found: HowSure, bands: list[str]) -> None:
    making = Modelling.of(plan, bands, unknowns=found.unknowns, seed=found.seed)
    model = making.build()
    states = model.drawn(CASES, found.seed)
    apart, parts, each = 0.0, 0.0, []
    for case in CHECKED_CASES:
        system = drawn_system(model, states[case])
        for band in model.bands:
            own = found.band(band.name)
            began = time.perf_counter()
            z, solution = drawn_solution(system, band.centre, lead=model.lead(states[case].scores))
            each.append(time.perf_counter() - began)
            middle = int(np.argmin(np.abs(own.frequencies - band.centre)))
            pair = [reflection(v, own.reference) for v in (z, own.impedances[case, middle])]
            apart = max(apart, abs(pair[0] - pair[1]))
            for name, value in solution.budget.as_dict().items():
                got = own.values["efficiency" if name == "radiated" else name][case]
                parts = max(parts, abs(float(got) - float(value)))
    figures.add("full solves", len(each), "1")
    figures.add("one full solve, impedance and budget, median", float(np.median(each)), "s")
    figures.add("reflection against full solves, greatest", apart, "1", limit=REFLECTION)
    figures.add("part of the budget against full solves, greatest", parts, "1", limit=PARTS)


def main() -> int:
    parser = argparse.ArgumentParser(description="What it costs to say how sure an answer is.")
    parser.add_argument("--bands", nargs="+", metavar="BAND", help="fewer than the example's")
    bands: list[str] | None = parser.parse_args().bands
    figures = Figures()
    plan = read_attic(str(files("ridgepole.geometry") / "examples" / "gable-house.toml"))
    found = cost(figures, plan, bands)
    checked = [name for name in CHECKED_BANDS if name in [b.name for b in found]]
    difference(figures, plan, found, checked or [found.bands[0].name])
    return figures.exit_code


if __name__ == "__main__":
    sys.exit(main())
