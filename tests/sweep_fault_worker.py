"""A small sweep of made-up arithmetic, also run in processes that are killed on purpose."""

from __future__ import annotations

import os
import signal
import sys
import time
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import h5py
import numpy as np

from ridgepole.solver.bands import Band
from ridgepole.solver.errors import StoreError
from ridgepole.solver.study import sweep_store
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
from ridgepole.solver.study.sweep_store import SweepStore, read_plan

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


class Unpacked(ToyWork):
    """Says how often it has been unpickled where it computes."""

    def __setstate__(self, state: Any) -> None:
        unpacked.append(os.getpid())
        object.__setattr__(self, "__dict__", state)

    def compute(self, batch: Batch) -> BatchResult:
        if len(unpacked) != 1:
            raise ValueError(f"unpickled {len(unpacked)} times")
        return super().compute(batch)


unpacked: list[int] = []


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
        for name in map(str, file):
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


# --- processes that are killed ----------------------------------------------------------------

MOMENTS = ("half written", "before fsync", "before rename", "after rename", "gathering",
           "gathered", "removing", "planning")  # fmt: skip
"""Where `run_and_die` kills itself; it can also be killed from outside, in "open" batches."""


@dataclass(frozen=True)
class _Told(ToyWork):
    """Tells through a pipe when the batch of that number in a row is open, and logs all."""

    channel: Any = None
    log: str = ""
    telling: int = -1

    def compute(self, batch: Batch) -> BatchResult:
        with open(self.log, "a") as log:
            log.write(f"{len(batch.layouts) * len(batch.bands)}\n")
        count[0] += 1
        if count[0] == self.telling:
            self.channel.send("open")
            time.sleep(30.0)  # until it is killed
        return super().compute(batch)


count = [0]


def _die() -> None:
    os.kill(os.getpid(), signal.SIGKILL)


def _aim(moment: str, number: int, path: Path) -> None:
    """Have this process kill itself at a moment, the first or a later time that it comes."""
    left = [number]

    def due() -> bool:
        left[0] -= 1
        return left[0] == 0

    collect = sweep_store.collect
    write, fsync, rename, unlink = os.write, os.fsync, os.replace, os.unlink

    def killing_write(handle: int, content: Any) -> int:
        if len(content) > 1000 and due():
            write(handle, content[: len(content) // 2])
            _die()
        return write(handle, content)

    def killing_fsync(handle: int) -> None:
        if due():
            _die()
        fsync(handle)

    def killing_rename(source: Any, target: Any) -> None:
        is_meant = {
            "planning": Path(target).name == "plan.h5",
            "gathered": Path(target) == path,
        }.get(moment, True)
        if moment in ("before rename", "planning") and is_meant and due():
            _die()
        rename(source, target)
        if moment in ("after rename", "gathered") and is_meant and due():
            _die()

    def killing_unlink(name: Any, **options: Any) -> None:
        unlink(name, **options)
        if Path(name).name.startswith("part-") and due():
            _die()

    def killing_collect(*arguments: Any) -> Any:
        found = collect(*arguments)
        _die()
        return found

    if moment == "half written":
        os.write = killing_write
    elif moment == "before fsync":
        os.fsync = killing_fsync
    elif moment in ("before rename", "after rename", "planning", "gathered"):
        os.replace = killing_rename
    elif moment == "removing":
        os.unlink = killing_unlink
    elif moment == "gathering":
        sweep_store.collect = killing_collect


def run_and_die(path: Path, size: int, moment: str, number: int, channel: Any) -> None:
    """In a process of its own: go on with the sweep at `path`, or begin it, to its end if alive."""
    plan = toy_plan()
    work = _Told(
        plan, channel=channel, log=f"{path}.log", telling=number if moment == "open" else -1
    )
    if moment != "open":
        _aim(moment, number, path)
    batches = toy_batches(plan, size)
    with begin_or_resume(path, plan) as store:
        run_batches(work, batches, store, executor="in-process")
        store.gather()


def begin_or_resume(path: Path, plan: SweepPlan) -> SweepStore:
    """As a command would."""
    try:
        read_plan(path)
    except StoreError:
        return SweepStore.create(path, plan)
    return SweepStore.resume(path, plan)


def hold(path: Path, channel: Any) -> None:
    """In a process of its own: have the store open until killed."""
    with SweepStore.create(path, toy_plan()):
        channel.send("held")
        time.sleep(60.0)


def run_out_of_disk(path: Path, channel: Any, limits: tuple[int, int] | None) -> None:
    """In a process of its own: what is said when files may not grow, and that it goes on after.

    Without limits the disk itself is small: `ballast` beside the store is removed to go on.
    """
    import resource

    plan = toy_plan()
    batches = toy_batches(plan)
    hard = resource.getrlimit(resource.RLIMIT_FSIZE)[1]

    def squeeze(limit: int) -> None:
        if limits is not None:
            resource.setrlimit(resource.RLIMIT_FSIZE, (limit, hard))
            return
        with suppress(OSError), open(path.parent / "ballast", "wb", buffering=0) as ballast:
            while True:
                ballast.write(bytes(1024))

    def relax() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (hard, hard))
        (path.parent / "ballast").unlink(missing_ok=True)

    with SweepStore.create(path, plan) as store:
        store.put(ToyWork(plan).compute(batches[0]))
        squeeze(limits[0] if limits else 0)
        try:
            run_batches(ToyWork(plan), batches, store, executor="in-process")
        except StoreError as error:
            channel.send((str(error), sorted(os.listdir(f"{path}.parts"))))
        relax()
        run_batches(ToyWork(plan), batches, store, executor="in-process")
        squeeze(limits[1] if limits else 0)
        try:
            store.gather()
        except StoreError as error:
            channel.send((str(error), sorted(os.listdir(f"{path}.parts"))))
        relax()
        store.gather()
    channel.send("gathered")


if __name__ == "__main__":  # a sweep with two workers, to be interrupted
    from sweep_fault_worker import ToyWork as Importable

    # processes that share the tests do not listen to Ctrl-C, and their children inherit that
    signal.signal(signal.SIGINT, signal.default_int_handler)
    own_plan = toy_plan()
    with begin_or_resume(Path(sys.argv[1]), own_plan) as own_store:
        slow: Any = Importable(own_plan, seconds=1.0)
        run_batches(slow, toy_batches(own_plan, 3), own_store, workers=2)
        own_store.gather()
