"""A search against layouts drawn at random, by the same evaluator: python benchmarks/search.py

The shipped example with its house, its nine bands, the lengths of its three elements: the best
efficiency on the worst band, without a limit and with so much of the radiated power at low angles
on each. Of the best of 2,000 layouts drawn at random, and of a search with 200 solves, derivatives
counted as solves of their own, medians of ten seeds each are held against each other; then what an
evaluation takes. One JSON line per figure with its limit; the exit code is 1 when one is past it.
"""

from __future__ import annotations

import statistics
import sys
import time
from importlib.resources import files
from typing import Any

import numpy as np
from figures import Figures
from threadpoolctl import threadpool_limits

from ridgepole.solver import read_attic
from ridgepole.solver.study.searching import plan_search
from ridgepole.solver.study.searching.judging import Judge
from ridgepole.solver.study.searching.outcomes import PreparedModel
from ridgepole.solver.study.searching.running import spend
from ridgepole.solver.study.searching.seeking import Purse, Space

SEEDS = 10
DRAWN, BUDGET = 2000, 200
GOAL = "worst efficiency"
LIMITS = {"none": [], "low angles": ["low-angle share > 40 %"]}
VARY = {"long": (8.0, 15.0), "cross": (3.5, 8.0), "short": (2.2, 5.77)}


def main() -> int:
    figures = Figures()
    plan = read_attic(files("ridgepole.geometry") / "examples" / "gable-house.toml")  # pyright: ignore[reportArgumentType]
    asked = {
        name: plan_search(plan, vary=VARY, goal=GOAL, limits=limits, points=1, finalists=0)
        for name, limits in LIMITS.items()
    }
    first = next(iter(asked.values()))
    print(f"{plan.file.name}: {first.effort}", flush=True)
    began = time.perf_counter()
    model = first.modellings[0].build()
    prepared = PreparedModel.of(model, [model.middle], 1)
    print(f"model made in {time.perf_counter() - began:.0f} s", flush=True)
    low, high = np.array([VARY[name] for name in model.names]).T
    judges = {name: one.judge() for name, one in asked.items()}

    began = time.perf_counter()
    drawn = [_drawn(prepared, judges, low, high, seed) for seed in range(SEEDS)]
    seconds = (time.perf_counter() - began) / SEEDS
    print(f"{DRAWN} layouts at random: {seconds:.1f} s each time", flush=True)
    for name, judge in judges.items():
        began = time.perf_counter()
        found = [_sought(prepared, judge, low, high, seed) for seed in range(SEEDS)]
        took = (time.perf_counter() - began) / SEEDS
        others = [one[name] for one in drawn]
        ratio = statistics.median(found) / statistics.median(others)
        print(f"limit {name}: at random {_told(others)}, sought {_told(found)}", flush=True)
        what = f"{BUDGET} solves over {DRAWN} at random, limit {name}"
        figures.at_least(f"worst efficiency, {what}", ratio, "1", limit=1.0)
        figures.add(f"time, {what}", took / seconds, "1")
    _speed(prepared, low, high, figures)
    return figures.exit_code


def _drawn(
    prepared: PreparedModel, judges: dict[str, Judge], low: Any, high: Any, seed: int
) -> dict[str, float]:
    """The best of layouts at random that keep the limits, by limit."""
    rng = np.random.default_rng(seed)
    every = low + rng.random((DRAWN, low.size)) * (high - low)
    # one set of pieces after the other: what they have in common is kept
    every = sorted(every, key=prepared.lengths.piece_numbers)
    best = dict.fromkeys(judges, 0.0)
    for lengths in every:
        outcome = prepared.outcome(lengths)
        for name, judge in judges.items():
            judged = judge(outcome)
            if judged.broken == 0.0:
                best[name] = max(best[name], judged.figures[GOAL])
    return best


def _sought(prepared: PreparedModel, judge: Judge, low: Any, high: Any, seed: int) -> float:
    """The best of a search that keeps the limits."""
    space = Space(0, prepared, judge, low, high, Purse(BUDGET), [])
    spend([space], space.purse, houses=1, mixes=[(1.0,)], starts=[[]], seed=seed)
    if space.purse.spent > BUDGET:
        raise RuntimeError(f"{space.purse.spent} solves were spent")
    kept = [one.judgement for one in space.trials if one.judgement.broken == 0.0]
    return max((one.figures[GOAL] for one in kept), default=0.0)


def _told(values: list[float]) -> str:
    middle = 100.0 * statistics.median(values)
    return f"{middle:.3f} % ({100.0 * min(values):.3f} to {100.0 * max(values):.3f})"


def _speed(prepared: PreparedModel, low: Any, high: Any, figures: Figures) -> None:
    lengths = low + 0.7 * (high - low)
    count = prepared.frequencies.size
    for what, with_slopes in (("value", False), ("value and slopes", True)):
        prepared.outcome(lengths, with_slopes=with_slopes)
        began = time.perf_counter()
        for _ in range(10):
            prepared.outcome(lengths, with_slopes=with_slopes)
        each = (time.perf_counter() - began) / 10 / count
        figures.add(f"{what}, a layout and frequency", 1e3 * each, "ms")


if __name__ == "__main__":
    with threadpool_limits(1):
        sys.exit(main())
