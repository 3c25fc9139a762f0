"""Batches on executors of every kind: same bits everywhere, lost workers, layouts that raise."""

import logging
import os
import signal
import threading
import time
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
import psutil
import pytest
from sweep_fault_worker import ToyWork, Unpacked, complete, datasets, toy_batches, toy_plan

from ridgepole.solver.errors import SolverError, StoreError, SweepError
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
)
from ridgepole.solver.study.sweep_running import failed_result, one_thread, run_batches
from ridgepole.solver.study.sweep_store import SweepStore, open_store

POSIX = pytest.mark.skipif(os.name == "nt", reason="kills by signals of POSIX")


@pytest.fixture(scope="module")
def whole(tmp_path_factory: Any) -> dict[str, Any]:
    """What the sweep holds when run in this process."""
    return datasets(complete(tmp_path_factory.mktemp("whole") / "whole.h5", toy_plan()))


def sweep(path: Path, work: Any, **options: Any) -> Any:
    """Run and gather; what `run_batches` says."""
    with SweepStore.create(path, work.plan) as store:
        run = run_batches(work, toy_batches(work.plan), store, **options)
        store.gather()
    return run


# --- executors --------------------------------------------------------------------------------


def test_processes_by_default_and_the_same_bits(tmp_path: Path, whole: Any):
    run = sweep(tmp_path / "a.h5", ToyWork(toy_plan()), workers=2)
    assert datasets(tmp_path / "a.h5") == whole
    assert (run.batches, run.pairs, run.failed, run.is_stopped) == (10, 72, 2, False)
    assert 0 < run.longest < run.seconds


@POSIX
def test_a_pool_of_ones_own_until_it_breaks(tmp_path: Path):
    plan = toy_plan()
    with (
        ProcessPoolExecutor(1, mp_context=get_context("spawn")) as pool,
        SweepStore.create(tmp_path / "a.h5", plan) as store,
    ):
        batch = Batch(0, (3, 17, 20), (0,))
        run_batches(ToyWork(plan, raising=(17,)), [batch], store, executor=pool)
        found = open_store(tmp_path / "a.h5")
        assert found.states_by_band[[3, 17, 20], 0].tolist() == [DONE, FAILED, DONE]
        assert found.reasons == {17: "ZeroDivisionError: the wire has no end"}
        with pytest.raises(SolverError, match="executor that was given is broken"):
            run_batches(ToyWork(plan, always_kills=0), toy_batches(plan), store, executor=pool)


@pytest.mark.parametrize("executor", ["threads", "in-process"])
def test_other_executors_give_the_same_bits(tmp_path: Path, whole: Any, executor: Any):
    sweep(tmp_path / "a.h5", ToyWork(toy_plan()), executor=executor, workers=3)
    assert datasets(tmp_path / "a.h5") == whole


def test_an_executor_of_ones_own_is_used_and_left_alone(tmp_path: Path, whole: Any):
    with ThreadPoolExecutor(2) as pool:
        sweep(tmp_path / "a.h5", ToyWork(toy_plan()), executor=pool)
        assert pool.submit(int, "3").result() == 3
    assert datasets(tmp_path / "a.h5") == whole


@dataclass(frozen=True)
class Watching(ToyWork):
    """Counts how many compute at once, and threads."""

    def compute(self, batch: Batch) -> BatchResult:
        import numba
        from threadpoolctl import threadpool_info

        inside.append(threading.get_ident())
        most.append(len(inside))
        blas.append(max([one["num_threads"] for one in threadpool_info()], default=1))
        kernels.append(numba.get_num_threads())
        time.sleep(0.01)
        inside.pop()
        return super().compute(batch)


inside: list[int] = []
most: list[int] = []
blas: list[int] = []
kernels: list[int] = []


def test_threads_compute_one_at_a_time_with_one_thread_each(tmp_path: Path):
    import numba

    before = numba.get_num_threads()
    for seen in (most, blas, kernels):
        seen.clear()
    sweep(tmp_path / "a.h5", Watching(toy_plan()), executor="threads", workers=4)
    assert len(most) == 10
    assert set(most) == set(blas) == set(kernels) == {1}
    assert numba.get_num_threads() == before
    with one_thread():
        assert numba.get_num_threads() == 1
    assert numba.get_num_threads() == before


class Counting(ThreadPoolExecutor):
    """Keeps how many were handed out and not yet done, at most."""

    most = 0
    futures: tuple[Any, ...] = ()

    def submit(self, *args: Any, **kwargs: Any) -> Any:
        future = super().submit(*args, **kwargs)
        self.futures = (*(one for one in self.futures if not one.done()), future)
        self.most = max(self.most, len(self.futures))
        return future


def test_few_batches_are_in_flight(tmp_path: Path):
    plan = toy_plan()
    with Counting(2) as pool, SweepStore.create(tmp_path / "a.h5", plan) as store:
        batches = toy_batches(plan, 1)
        assert len(batches) == 48
        run_batches(ToyWork(plan, seconds=0.005), batches, store, executor=pool)
        assert 3 <= pool.most <= 4
        assert store.is_complete


def test_what_is_stored_is_not_computed_again(tmp_path: Path):
    plan = toy_plan()
    with SweepStore.create(tmp_path / "a.h5", plan) as store:
        batches = toy_batches(plan)
        first = run_batches(ToyWork(plan), batches[:4], store, executor="in-process")
        second = run_batches(ToyWork(plan), batches, store, executor="in-process")
        third = run_batches(ToyWork(plan), batches, store, executor="in-process")
    assert (first.pairs, second.pairs, third.pairs) == (30, 42, 0)


def test_it_stops_when_asked(tmp_path: Path):
    plan = toy_plan()
    with SweepStore.create(tmp_path / "a.h5", plan) as store:
        run = run_batches(
            ToyWork(plan), toy_batches(plan), store, executor="in-process",
            stop=lambda: store.finished().sum() >= 30,
        )  # fmt: skip
        assert run.is_stopped
        assert run.pairs == 30
        assert store.finished().sum() == 30


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ({"workers": 0}, "workers=0: must be a whole number from 1 on"),
        ({"executor": "cloud"}, "executor='cloud': must be 'processes'"),
    ],
)
def test_options_that_are_none(tmp_path: Path, options: Any, said: str):
    with (
        SweepStore.create(tmp_path / "a.h5", toy_plan()) as store,
        pytest.raises(SolverError, match=said),
    ):
        run_batches(ToyWork(toy_plan()), [], store, **options)


def test_a_bar_shows_rate_and_time_left(tmp_path: Path, capsys: Any):
    work = ToyWork(toy_plan(), seconds=0.05)
    sweep(tmp_path / "a.h5", work, executor="in-process", progress=True)
    shown = capsys.readouterr().err
    assert "sweeping" in shown
    assert "layouts x bands/s" in shown
    assert "/72 [" in shown
    sweep(tmp_path / "b.h5", work, executor="in-process")  # no terminal here
    assert capsys.readouterr().err == ""


# --- layouts that raise -----------------------------------------------------------------------


def test_a_layout_that_raises_is_recorded_and_the_rest_goes_on(tmp_path: Path, caplog: Any):
    plan = toy_plan()
    with caplog.at_level(logging.WARNING):
        run = sweep(tmp_path / "a.h5", ToyWork(plan, raising=(2, 9, 10)), executor="in-process")
    found = open_store(tmp_path / "a.h5")
    direct = ToyWork(plan).compute(Batch(0, tuple(range(24)), (0, 1, 2)))
    for layout in range(24):
        failed = layout in (2, 9, 10)
        assert found.states[layout] == (FAILED if failed else direct.states[layout])
        if failed:
            assert found.reasons[layout] == "ZeroDivisionError: the wire has no end"
            assert np.isnan(found.read("impedance")[layout]).all()
            assert (found.read("verdict")[layout] == -1).all()
        else:
            assert np.array_equal(
                found.read("impedance")[layout], direct.values["impedance"][layout], equal_nan=True
            )
    assert set(found.reasons) == {2, 9, 10, 4, 15, 5, 18}
    assert run.failed == 5
    told = [r.message for r in caplog.records if "the wire has no end" in r.message]
    assert len(told) == 1  # six times it failed
    assert "the rest goes on" in told[0]


def test_a_batch_of_which_nothing_came():
    found = failed_result(toy_plan(), Batch(3, (4, 6), (0, 2)), "why")
    assert found.values["impedance"].shape == (2, 2, 3)
    assert np.isnan(found.values["gain"]).all()
    assert found.states.tolist() == [FAILED, FAILED]
    assert found.reasons == {4: "why", 6: "why"}


@dataclass(frozen=True)
class Careless(ToyWork):
    """Leaves a figure out."""

    def compute(self, batch: Batch) -> BatchResult:
        found = super().compute(batch)
        return BatchResult(batch, {"impedance": found.values["impedance"]}, found.states)


def test_a_result_that_does_not_fit_ends_the_run(tmp_path: Path):
    with pytest.raises(SweepError, match="'budget' of shape None"):
        sweep(tmp_path / "a.h5", Careless(toy_plan()), executor="threads")


# --- workers that die -------------------------------------------------------------------------


@POSIX
def test_a_batch_whose_worker_died_is_done_once_more(tmp_path: Path, whole: Any, caplog: Any):
    work = ToyWork(toy_plan(), kills=str(tmp_path / "died"))
    sweep(tmp_path / "a.h5", work, workers=1)
    assert (tmp_path / "died").exists()
    assert "lost its worker" in caplog.text
    assert datasets(tmp_path / "a.h5") == whole


@POSIX
def test_a_batch_that_kills_twice_is_named_and_the_rest_is_done(tmp_path: Path):
    plan = toy_plan()
    batches = toy_batches(plan, 8, by_band=False)
    deadly = next(batch for batch in batches if 8 in batch.layouts)
    with SweepStore.create(tmp_path / "a.h5", plan) as store:
        with pytest.raises(SolverError, match="A worker died twice over each of") as raised:
            run_batches(ToyWork(plan, always_kills=8), batches, store, workers=1)
        span = f"layouts {deadly.layouts[0]} to {deadly.layouts[-1]}"
        assert f"batch {deadly.number} ({span}, bands 0 to 2)" in str(raised.value)
        assert str(raised.value).count("batch ") == 1  # no other is blamed
        assert "Most often memory runs out" in str(raised.value)
        assert "__main__" not in str(raised.value)  # others came back
        missing = store.missing()
        assert missing[list(deadly.layouts)].all()
        assert missing.sum() == 3 * len(deadly.layouts)


def test_work_is_unpickled_once_by_a_worker(tmp_path: Path):
    run = sweep(tmp_path / "a.h5", Unpacked(toy_plan()), workers=1)
    assert (run.batches, run.failed) == (10, 2)


class Unsendable(ToyWork):
    """Cannot be pickled."""

    def __reduce__(self) -> Any:
        raise TypeError("holds an open file")


def test_work_that_cannot_be_sent(tmp_path: Path):
    plan = toy_plan()
    with (
        SweepStore.create(tmp_path / "a.h5", plan) as store,
        pytest.raises(SolverError, match=r"holds an open file.*must be possible to pickle"),
    ):
        run_batches(Unsendable(plan), toy_batches(plan), store, workers=1)


def test_workers_end_when_a_result_cannot_be_stored(tmp_path: Path, monkeypatch: Any):
    plan = toy_plan()
    before = set(psutil.Process().children(recursive=True))

    def refuse(_: Any) -> None:
        raise StoreError("no space")

    with SweepStore.create(tmp_path / "a.h5", plan) as store:
        monkeypatch.setattr(store, "put", refuse)
        with pytest.raises(StoreError, match="no space"):
            run_batches(ToyWork(plan, seconds=0.2), toy_batches(plan), store, workers=1)
    left = set(psutil.Process().children(recursive=True)) - before
    assert len(left) <= 1  # the tracker of Python's that looks after shared resources


# --- a cluster --------------------------------------------------------------------------------


@POSIX
def test_a_cluster_that_loses_a_worker(tmp_path: Path, whole: Any):
    reason = "dask.distributed is not installed: pip install ridgepole[cluster]"
    distributed = pytest.importorskip("distributed", reason=reason)
    cluster = distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None
    )
    with cluster, distributed.Client(cluster) as client:
        killed: list[int] = []

        def kill_one() -> None:
            while not killed:
                time.sleep(0.05)
                holding = {name: tasks for name, tasks in client.processing().items() if tasks}
                if holding and list((tmp_path / "a.h5.parts").glob("part-*")):
                    pids = client.run(os.getpid, workers=[sorted(holding)[0]])
                    os.kill(pids.popitem()[1], signal.SIGKILL)
                    killed.append(len(holding))

        killer = threading.Thread(target=kill_one, daemon=True)
        killer.start()
        run = sweep(
            tmp_path / "a.h5", ToyWork(toy_plan(), seconds=0.2), executor=client.get_executor()
        )
        killer.join(20.0)
    assert killed
    assert run.pairs == 72
    assert datasets(tmp_path / "a.h5") == whole


# --- memory -----------------------------------------------------------------------------------

LAYOUTS, BATCH = 100_000, 1000


@dataclass(frozen=True)
class Recorded:
    """Records as a sweep has them, drawn once and given again and again."""

    plan: Any
    values: Any

    def compute(self, batch: Batch) -> BatchResult:
        states = np.full(len(batch.layouts), DONE, dtype=np.int8)
        states[::50] = UNFIT
        reasons = dict.fromkeys(batch.layouts[::50], "a metre too long")
        return BatchResult(batch, self.values, states, reasons)


def resident() -> float:
    """Memory of this process. [MB]"""
    return psutil.Process().memory_info().rss / 1e6


def test_memory_is_flat_over_a_hundred_thousand_layouts(tmp_path: Path, monkeypatch: Any):
    monkeypatch.setattr("ridgepole.solver.study.sweep_store.SLICE_BYTES", 2**24)
    design = Design(
        (Parameter("element.long.length", (), 6.0, 14.5, unit="m"),),
        (np.linspace(6.0, 14.5, LAYOUTS),),
    )
    figures = (
        Figure("impedance", (Axis("point", tuple(range(21))),), "complex128", "ohm"),
        Figure("budget", (Axis("part", tuple(range(8))),), "float64", "W"),
    )
    plan = toy_plan(design=design, figures=figures)
    random = np.random.default_rng(3)
    values = {
        "impedance": random.normal(size=(BATCH, 3, 21)) + 1j * random.normal(size=(BATCH, 3, 21)),
        "budget": random.normal(size=(BATCH, 3, 8)),
    }
    batches = [
        Batch(n, tuple(range(n, LAYOUTS, LAYOUTS // BATCH)), (0, 1, 2))
        for n in range(LAYOUTS // BATCH)
    ]  # layouts far apart, so that every slice needs every part
    seen = []
    with SweepStore.create(tmp_path / "a.h5", plan) as store:
        for start in range(0, len(batches), 10):
            some = batches[start : start + 10]
            run_batches(Recorded(plan, values), some, store, executor="in-process")
            seen.append(resident())
        slope = np.polyfit(np.arange(2, 10), seen[2:], 1)[0]
        assert abs(slope) < 0.6  # MB per 10,000 layouts; their records are 12 MB
        top = [resident()]
        collect = "ridgepole.solver.study.sweep_store.collect"
        from ridgepole.solver.study.sweep_parts import collect as real

        def watched(*arguments: Any) -> Any:
            found = real(*arguments)
            top.append(resident())
            return found

        monkeypatch.setattr(collect, watched)
        path = store.gather()
    assert path.stat().st_size > 110e6
    assert len(top) > 10
    assert max(top) - top[0] < 40.0
    found = open_store(path)
    before = resident()
    for start in range(0, LAYOUTS, 10_000):
        some = found.read("impedance", layouts=slice(start, start + 10_000))
        assert np.array_equal(some[7], values["impedance"][(start + 7) // 100])
    assert resident() - before < 40.0
    assert found.states.sum() == LAYOUTS + LAYOUTS // 50


@POSIX
def test_where_no_batch_comes_back_the_guard_leads(tmp_path: Path):
    plan = toy_plan()
    with SweepStore.create(tmp_path / "a.h5", plan) as store:
        batches = [Batch(0, tuple(range(24)), (0, 1, 2))]
        with pytest.raises(SolverError, match=r"\. No batch came back at all: .*__main__.*memory"):
            run_batches(ToyWork(plan, always_kills=8), batches, store, workers=1)
