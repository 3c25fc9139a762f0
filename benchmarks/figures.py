"""What every benchmark shares: one JSON line per figure, and the exit code."""

from __future__ import annotations

import gc
import json
import statistics
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field

import psutil


@dataclass
class Figures:
    """Prints figures as they come and remembers whether one was past its limit."""

    failed: list[str] = field(default_factory=list)

    def add(self, name: str, value: float, unit: str, *, limit: float | None = None) -> None:
        """Print a figure; `limit` is the greatest value allowed, None for information only."""
        within = None if limit is None else bool(value <= limit)
        if within is False:
            self.failed.append(name)
        line = {"name": name, "value": _rounded(value), "unit": unit}
        line |= {"limit": None if limit is None else _rounded(limit), "within": within}
        print(json.dumps(line), flush=True)

    def at_least(self, name: str, value: float, unit: str, *, limit: float) -> None:
        """Print a figure whose limit is the least value allowed."""
        within = bool(value >= limit)
        if not within:
            self.failed.append(name)
        line = {"name": name, "value": _rounded(value), "unit": unit}
        print(json.dumps(line | {"limit": limit, "least": True, "within": within}), flush=True)

    @property
    def exit_code(self) -> int:
        return 1 if self.failed else 0


def _rounded(value: float) -> float:
    return float(f"{value:.4g}")


def median_time(function: Callable[[], object], *, repeats: int, warm: int = 2) -> float:
    """Median wall time of a call. [s]"""
    for _ in range(warm):
        function()
    times = []
    for _ in range(repeats):
        begin = time.perf_counter()
        function()
        times.append(time.perf_counter() - begin)
    return statistics.median(times)


def memory_growth(function: Callable[[], object], *, interval: float = 0.002) -> float:
    """Greatest resident memory during a call above the one before it. [bytes]"""
    gc.collect()
    process = psutil.Process()
    before = process.memory_info().rss
    greatest = before
    done = threading.Event()

    def watch() -> None:
        nonlocal greatest
        while not done.wait(interval):
            greatest = max(greatest, process.memory_info().rss)

    watcher = threading.Thread(target=watch, daemon=True)
    watcher.start()
    try:
        function()
        greatest = max(greatest, process.memory_info().rss)
    finally:
        done.set()
        watcher.join()
    return float(greatest - before)
