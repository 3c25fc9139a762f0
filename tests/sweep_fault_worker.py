"""A small sweep of made-up arithmetic, also run in processes that are killed on purpose."""

from __future__ import annotations

import os
import signal
import time
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import h5py
import numpy as np

from ridgepole.solver.bands import Band
from ridgepole.solver.study.sweep_records import (
    DONE,
    FAILED,
    UNFIT,
    Axis,
    Batch,
    BatchResult,
    Design,
    Figure,
    Parameter,
    SweepPlan,
)
from ridgepole.solver.study.sweep_running import run_batches
from ridgepole.solver.study.sweep_store import SweepStore

POINTS = 3


def toy_plan(layouts: int = 24, *, version: str = "0.1.0", **changes: Any) -> SweepPlan:
    """Three bands, a complex figure, one with two axes, one of whole numbers, three parameters."""
    count = np.arange(layouts)
    design = Design(
        (
            Parameter("element.long.length", (), 6.0, 14.5, np.nan, "m", False),
            Parameter("counterpoise.radials", (4, 8, 16), is_outer=True),
            Parameter("element.long.route", ("ridge", ("eaves", 2.5), "a/b"), is_outer=True),
        ),
        (
            6.0 + 8.5 * (count * 0.6180339887 % 1.0),
            np.array([4.0, 8.0, 16.0])[count % 3],
            (count * 7 % 3).astype(np.int64),
        ),
        "latin hypercube",
        11,
    )
    bands = (Band("40 m", 7.0e6, 7.2e6, 1, "made up"), Band("20 m", 14.0e6, 14.35e6),
             Band("10 m", 28.0e6, 29.7e6))  # fmt: skip
    point = Axis("point", tuple(range(POINTS)))
    part = Axis("part", ("sky", "earth", "copper"))
    elevation = Axis("elevation", (5.0, 12.5), "degree")
    plan = SweepPlan(
        text='[attic]\nlength = "9 m"  # a made-up one, \u00fc\n',
        name="toy",
        design=design,
        bands=bands,
        frequencies=np.array([np.linspace(b.low, b.high, POINTS) for b in bands]),
        figures=(
            Figure("impedance", (point,), "complex128", "ohm", "At the feed."),
            Figure("budget", (part,), "float64", "W", "Where each watt goes."),
            Figure("gain", (elevation, part), "float32", "dBi", "At chosen angles."),
            Figure("verdict", (), "int16", "", "Of the tuner."),
        ),
        settings={"power": 100.0, "angle_limits": (30.0, 60.0), "tuner": "made up", "worst": np.inf,
                  "tolerance": None},
        version=version,
    )  # fmt: skip
    return replace(plan, **changes)


def toy_batches(plan: SweepPlan, size: int = 5, *, by_band: bool = True) -> list[Batch]:
    """Layouts that lie apart, as those with one outer value do; all bands or one at a time."""
    count = len(plan.design)
    order = [n for start in range(3) for n in range(start, count, 3)]
    groups = [tuple(sorted(order[k : k + size])) for k in range(0, count, size)]
    bands = [(0,), (1, 2)] if by_band else [(0, 1, 2)]
    pairs = [(group, some) for group in groups for some in bands]
    return [Batch(number, group, some) for number, (group, some) in enumerate(pairs)]


@dataclass(frozen=True)
class ToyWork:
    """Arithmetic that depends on layout and band alone, however they are batched."""

    plan: SweepPlan
    seconds: float = 0.0
    raising: tuple[int, ...] = ()
    kills: str = ""
    """A file: the first to compute layout 7 while it is not there writes it and kills itself."""
    always_kills: int = -1

    def compute(self, batch: Batch) -> BatchResult:
        time.sleep(self.seconds)
        for layout in batch.layouts:
            if layout in self.raising:
                raise ZeroDivisionError("the wire has no end")
        if self.always_kills in batch.layouts:
            os.kill(os.getpid(), signal.SIGKILL)
        if self.kills and 7 in batch.layouts and not Path(self.kills).exists():
            Path(self.kills).write_text(str(os.getpid()))
            os.kill(os.getpid(), signal.SIGKILL)
        rows = list(batch.layouts)
        lengths, radials, routes = (column[rows] for column in self.plan.design.columns)
        values = {}
        for number, figure in enumerate(self.plan.figures):
            within: Any = np.arange(float(np.prod(figure.shape))).reshape(figure.shape)
            found = np.zeros((len(rows), len(batch.bands), *figure.shape), dtype=np.complex128)
            for n in range(len(rows)):
                for m, band in enumerate(batch.bands):
                    turn = np.exp(1j * (within + lengths[n])) * (radials[n] + 0.1 * number)
                    found[n, m] = turn + np.sqrt(band + 2.0 + within) * (routes[n] - 0.7)
            kind = np.dtype(figure.dtype).kind
            parts = {"c": found, "i": 100 * np.real(found), "f": np.imag(found)}
            values[figure.name] = parts[kind].astype(figure.dtype)
        states = np.full(len(batch.layouts), DONE, dtype=np.int8)
        reasons = {}
        for n, layout in enumerate(batch.layouts):
            if layout % 11 == 4:
                states[n], reasons[layout] = UNFIT, f"the wire is {lengths[n]:.1f} m long"
            elif layout % 13 == 5:
                states[n], reasons[layout] = FAILED, "the mesh is singular"
            else:
                continue
            for figure in self.plan.figures:
                values[figure.name][n] = -1 if np.dtype(figure.dtype).kind == "i" else np.nan
        return BatchResult(batch, values, states, reasons)


def complete(
    path: Path, plan: SweepPlan, *, size: int = 5, by_band: bool = True, work: Any = None
) -> Path:
    """The whole sweep, without interruption, gathered."""
    with SweepStore.create(path, plan) as store:
        batches = toy_batches(plan, size, by_band=by_band)
        run_batches(work or ToyWork(plan), batches, store, executor="in-process")
        return store.gather()


def datasets(path: Path) -> dict[str, Any]:
    """All that a gathered file holds, bit for bit, but its date and how it is cut into chunks."""
    found: dict[str, Any] = {}
    with h5py.File(path, "r") as file:
        found |= {f"@{key}": file.attrs[key] for key in file.attrs if key != "created"}
        for name in file:
            data: Any = file[name]
            kind = h5py.check_string_dtype(data.dtype)
            values = data[()] if kind is None else np.asarray(data.asstr()[()], dtype=str)
            array = np.asarray(values)
            found[name] = (array.dtype.str, array.shape, array.tobytes())
            found |= {
                f"{name}@{key}": str(data.attrs[key])
                for key in ("unit", "about", "choices")
                if key in data.attrs
            }
    return found
