"""Running the batches of a sweep on any `concurrent.futures.Executor`, each result stored at once.

Everything that a batch does goes through `_compute`, wherever it runs: one thread of linear algebra
and of compiled kernels, so that the same batch gives the same bits in every kind of executor on one
machine; and an exception of the physics comes back as a value, so that an exception of the
executor itself means that a worker was lost.

Batches are not cut anew by the clock: how many layouts are computed together may show in the last
bits, and a run that was killed and resumed is to equal one that was not.
"""

from __future__ import annotations

import hashlib
import logging
import multiprocessing
import os
import pickle
import signal
import sys
import threading
import time
import traceback
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import (
    FIRST_COMPLETED,
    BrokenExecutor,
    Executor,
    Future,
    ProcessPoolExecutor,
    ThreadPoolExecutor,
    wait,
)
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from functools import cached_property
from multiprocessing.context import SpawnContext
from typing import Any, Literal, Protocol

import numpy as np
from threadpoolctl import threadpool_limits

from ..answer import progress_bar
from ..errors import SolverError
from .sweep_format import nothing_of
from .sweep_records import FAILED, Batch, BatchResult, SweepPlan
from .sweep_store import SweepStore

logger = logging.getLogger(__name__)

Where = Literal["in-process", "threads", "processes"]

IN_FLIGHT = 2
"""Batches per worker that are handed out, so that none waits for the store."""

ASSUMED_WORKERS = 16
"""Of an executor that does not say how many it has."""

MOST_DEADLY = 3
"""Batches that may each have killed two workers before the whole run is given up."""

POLL = 1.0
"""Between looks at `stop`, and so that Ctrl-C gets through on every system. [s]"""

_ALONE = threading.RLock()
"""Two threads of a process must not run parallel kernels at once."""


class Work(Protocol):
    """What computes; it is pickled for workers in other processes."""

    def compute(self, batch: Batch) -> BatchResult:
        """All layouts of a batch on all of its bands."""
        ...


@dataclass(frozen=True)
class SweepRun:
    """What one call of `run_batches` did.

    Attributes
    ----------
    batches : int
        That were computed and stored, pieces of split ones counted each.
    pairs : int
        Layouts times bands in them.
    failed : int
        Layouts that failed in them.
    seconds : float
        It took. [s]
    longest : float
        That a batch took: what a kill may cost, and is done again. [s]
    is_stopped : bool
        Whether `stop` ended it before all was done.
    """

    batches: int
    pairs: int
    failed: int
    seconds: float
    longest: float
    is_stopped: bool


def run_batches(
    work: Work,
    batches: Iterable[Batch],
    store: SweepStore,
    *,
    executor: Where | Executor | None = None,
    workers: int | None = None,
    progress: bool | None = None,
    stop: Callable[[], bool] | None = None,
) -> SweepRun:
    """Compute what is missing of some batches, and put every result as it comes.

    Parameters
    ----------
    work : Work
        Has `compute(batch) -> BatchResult`. A batch should take 5 to 20 s.
    batches : iterable of Batch
        What the store has already is left out of them.
    store : SweepStore
        Open for writing. Gathering is left to the caller.
    executor : "processes", "threads", "in-process" or Executor, optional
        Where to compute; None is "processes". In threads one batch computes at a time: compiled
        kernels must not run in two threads at once. A given executor, as of a
        `dask.distributed.Client`, is used as it is and not shut down.
    workers : int, optional
        How many batches are computed at once. None: one per processor, or what a given executor
        has, 16 where it does not say.
    progress : bool, optional
        Show a bar over layouts times bands with rate and time left; None: if it takes more than a
        second and there is a terminal.
    stop : callable, optional
        Asked every second or so; once it says True, what is running is finished and stored, and
        nothing more is begun.

    Returns
    -------
    SweepRun

    Raises
    ------
    SolverError
        If the work cannot be pickled for other processes; if a batch has killed its worker twice,
        at the end when all others are done; or if the executor given is broken, or the options
        are wrong.
    StoreError
        If a result cannot be written; what was put before is kept.
    SweepError
        If what `work` returns does not fit the plan.
    KeyboardInterrupt
        As it comes; results that are there are stored first, workers ended.

    Notes
    -----
    A batch that raises is halved until the layout that does it is alone; that is recorded as
    failed with its reason, and the rest goes on.
    """
    if workers is not None and not (isinstance(workers, int) and workers >= 1):
        raise SolverError(f"workers={workers!r}: must be a whole number from 1 on, or None.")
    jobs = [_Job(rest) for batch in batches if (rest := store.rest_of(batch)) is not None]
    total = sum(_pairs(job.batch) for job in jobs)
    sent = _Sent(work)
    if executor in (None, "processes"):
        sent.pack()
    crew = _Crew.of(executor, workers)
    shown = progress if progress is not None or sys.stderr.isatty() else False
    with progress_bar(total, shown, doing="sweeping", unit=" layouts x bands") as bar:
        return _Running(sent, store, crew, deque(jobs), bar.update).run(stop)


def _pairs(batch: Batch) -> int:
    return len(batch.layouts) * len(batch.bands)


# --- in the worker ----------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Outcome:
    """What came of a batch: a result, or why there is none."""

    result: BatchResult | None
    seconds: float
    reason: str = ""
    trace: str = ""


@contextmanager
def one_thread() -> Iterator[None]:
    """One thread of linear algebra and of compiled kernels in this thread."""
    import numba

    before = numba.get_num_threads()
    with threadpool_limits(limits=1):
        numba.set_num_threads(1)
        try:
            yield
        finally:
            numba.set_num_threads(before)


class _Sent:
    """Work on its way: pickled once, and unpickled once by each process, which keeps the last."""

    def __init__(self, work: Work) -> None:
        self.work = work

    @cached_property
    def _parcel(self) -> tuple[str, bytes]:
        content = pickle.dumps(self.work)
        return hashlib.sha256(content).hexdigest(), content

    def pack(self) -> None:
        """Pickle it now.

        Raises
        ------
        SolverError
            If it cannot be.
        """
        try:
            _ = self._parcel
        except Exception as error:  # whatever its parts raise
            raise SolverError(
                f"The work cannot be sent to other processes: {error}. It must be possible to "
                "pickle it; or take executor='in-process'."
            ) from error

    def __getstate__(self) -> tuple[str, bytes]:
        return self._parcel

    def __setstate__(self, parcel: tuple[str, bytes]) -> None:
        name, content = parcel
        with _ALONE:
            if name not in _UNPACKED:
                _UNPACKED.clear()
                _UNPACKED[name] = pickle.loads(content)
            self.work = _UNPACKED[name]


_UNPACKED: dict[str, Any] = {}
"""One work by its content, so that what it has read and sorted serves all batches of a process."""


def _compute(sent: _Sent, batch: Batch, attempt: int) -> _Outcome:
    """In the worker. The attempt is there so that no executor takes two for one and the same."""
    with _ALONE, one_thread():
        began = time.perf_counter()
        try:
            result = sent.work.compute(batch)
        except Exception as error:  # physics may raise anything; the sweep goes on
            reason = f"{type(error).__name__}: {error}"
            return _Outcome(None, time.perf_counter() - began, reason, traceback.format_exc())
        return _Outcome(result, time.perf_counter() - began)


def _begin_worker() -> None:
    """Ctrl-C is for the process that hands out work; without it a worker has no reason to live."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    parent = multiprocessing.parent_process()
    if parent is not None:
        threading.Thread(target=_end_with, args=(parent,), daemon=True).start()


def _end_with(parent: Any) -> None:
    parent.join()
    os._exit(1)


# --- who computes -----------------------------------------------------------------------------


class _InProcess(Executor):
    """Computes when asked, here."""

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        future: Future[Any] = Future()
        future.set_result(fn(*args, **kwargs))
        return future


class _Spawning(SpawnContext):
    """Spawned processes that are remembered, so that they can be ended at once."""

    def __init__(self) -> None:
        super().__init__()
        self.processes: list[Any] = []

    def Process(self, *args: Any, **kwargs: Any) -> Any:  # pyright: ignore[reportIncompatibleVariableOverride]
        process = super().Process(*args, **kwargs)
        self.processes.append(process)
        return process


class _Crew:
    """An executor, how many batches it gets at a time, and how to renew or end it."""

    def __init__(self, make: Callable[[], Executor], room: int, *, is_ours: bool) -> None:
        self._make = make
        self._executor = make()
        self.room = room
        self.is_ours = is_ours

    @classmethod
    def of(cls, executor: Where | Executor | None, workers: int | None) -> _Crew:
        if isinstance(executor, Executor):
            found = workers or getattr(executor, "_max_workers", ASSUMED_WORKERS)
            return cls(lambda: executor, IN_FLIGHT * found, is_ours=False)
        count = workers or _processors()
        if executor == "in-process":
            return cls(_InProcess, 1, is_ours=True)
        if executor == "threads":
            return cls(lambda: ThreadPoolExecutor(count), IN_FLIGHT * count, is_ours=True)
        if executor in (None, "processes"):
            return _Processes(count)
        raise SolverError(
            f"executor={executor!r}: must be 'processes', 'threads', 'in-process' or an executor "
            "of concurrent.futures; of a dask client, its get_executor()."
        )

    def submit(self, work: _Sent, job: _Job) -> Future[_Outcome]:
        return self._executor.submit(_compute, work, job.batch, job.deaths)

    def renew(self) -> None:
        """A fresh executor in place of a broken one."""
        self.end()
        self._executor = self._make()

    def close(self) -> None:
        """Everything is done."""
        if self.is_ours:
            self._executor.shutdown(wait=True)

    def end(self) -> None:
        """Give up what is running as far as that can be done."""
        if self.is_ours:
            self._executor.shutdown(wait=True, cancel_futures=True)


class _Processes(_Crew):
    def __init__(self, count: int) -> None:
        self._context = _Spawning()
        super().__init__(lambda: self._pool(count), IN_FLIGHT * count, is_ours=True)

    def _pool(self, count: int) -> Executor:
        self._context = _Spawning()
        return ProcessPoolExecutor(count, mp_context=self._context, initializer=_begin_worker)

    def submit(self, work: _Sent, job: _Job) -> Future[_Outcome]:
        with _ctrl_c_held_back():  # a worker that starts meanwhile never hears of it
            return super().submit(work, job)

    def end(self) -> None:
        for process in self._context.processes:
            process.terminate()
        # What it still waits for has ended, so that it joins them all.
        self._executor.shutdown(wait=True, cancel_futures=True)


@contextmanager
def _ctrl_c_held_back() -> Iterator[None]:
    """Ctrl-C waits for the end of this, where the system can do that."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _processors() -> int:
    """That this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


# --- the loop ---------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Job:
    batch: Batch
    deaths: int = 0


@dataclass
class _Running:
    """One call of `run_batches`."""

    work: _Sent
    store: SweepStore
    crew: _Crew
    waiting: deque[_Job]
    advance: Callable[[int], Any]
    pending: dict[Future[_Outcome], _Job] = field(default_factory=dict)
    suspects: deque[_Job] = field(default_factory=deque)
    deadly: list[_Job] = field(default_factory=list)
    lost: BaseException | None = None
    is_broken: bool = False
    told: set[str] = field(default_factory=set)
    batches: int = 0
    pairs: int = 0
    failed: set[int] = field(default_factory=set)
    longest: float = 0.0

    def run(self, stop: Callable[[], bool] | None) -> SweepRun:
        began = time.perf_counter()
        is_stopped = False
        try:
            while self.waiting or self.suspects or self.pending:
                if not is_stopped and stop is not None and stop():
                    is_stopped = True
                    self._drop_waiting()
                if not is_stopped:
                    self._hand_out()
                if not self.pending and is_stopped:
                    break
                self._take_in(POLL)
        except BaseException:
            self._save_what_is_there()
            self.crew.end()
            raise
        self.crew.close()
        if self.deadly:
            raise self._deadly_error() from self.lost
        seconds = time.perf_counter() - began
        return SweepRun(
            self.batches, self.pairs, len(self.failed), seconds, self.longest, is_stopped
        )  # fmt: skip

    def _hand_out(self) -> None:
        if self.is_broken and not self.pending:
            self.crew.renew()
            self.is_broken = False
        # Suspects of having killed a worker run one at a time, so that the right one is found.
        while not self.is_broken:
            if self.suspects:
                if self.pending:
                    return
                queue = self.suspects
            elif self.waiting and len(self.pending) < self.crew.room:
                queue = self.waiting
            else:
                return
            alone = queue is self.suspects
            job = queue.popleft()
            try:
                self.pending[self.crew.submit(self.work, job)] = job
            except BrokenExecutor as error:
                queue.appendleft(job)
                self._broken(error, [])
            if alone:
                return

    def _take_in(self, timeout: float) -> None:
        if not self.pending:
            return
        done, _ = wait(self.pending, timeout=timeout, return_when=FIRST_COMPLETED)
        for future in done:
            self._settle(future, self.pending.pop(future))

    def _settle(self, future: Future[_Outcome], job: _Job) -> None:
        try:
            outcome = future.result()
        except BrokenExecutor as error:
            self._broken(error, [job])
        except Exception as error:  # the executor's own: a worker was lost, something not pickled
            self._mourn(job, error, self.waiting)
        else:
            self._keep(outcome, job)

    def _broken(self, error: BrokenExecutor, jobs: list[_Job]) -> None:
        self.is_broken = True
        if not self.crew.is_ours:
            numbers = ", ".join(str(job.batch.number) for job in [*jobs, *self.pending.values()])
            raise SolverError(
                f"The executor that was given is broken ({error}); a worker died while batches "
                f"{numbers or 'were handed out'} were with it. Resume the sweep with a fresh one."
            ) from error
        for job in jobs:
            self._mourn(job, error, self.suspects)

    def _mourn(self, job: _Job, error: Exception, queue: deque[_Job]) -> None:
        """Once more for a batch whose worker was lost; the second time it is given up."""
        job = replace(job, deaths=job.deaths + 1)
        if job.deaths < 2:
            logger.warning("Batch %d lost its worker (%s); once more", job.batch.number, error)
            queue.appendleft(job)
            return
        self.deadly.append(job)
        self.lost = error
        if len(self.deadly) >= MOST_DEADLY:
            raise self._deadly_error() from error

    def _deadly_error(self) -> SolverError:
        batches = [job.batch for job in self.deadly]
        named = "; ".join(
            f"batch {batch.number} (layouts {_span(batch.layouts)}, bands {_span(batch.bands)})"
            for batch in batches
        )
        memory = "memory runs out: use fewer workers or smaller batches, then resume"
        if self.batches:
            why = f"Most often {memory}; what was finished is stored."
        else:
            why = (
                "No batch came back at all: a script that starts a sweep needs "
                "`if __name__ == '__main__':` around it, and `work` must be possible to pickle. "
                f"If both are so, {memory}."
            )
        return SolverError(f"A worker died twice over each of: {named} ({self.lost}). {why}")

    def _keep(self, outcome: _Outcome, job: _Job) -> None:
        self.longest = max(self.longest, outcome.seconds)
        result = outcome.result
        if result is None:
            layouts = job.batch.layouts
            if len(layouts) > 1:
                half = len(layouts) // 2
                for some in (layouts[half:], layouts[:half]):
                    self.waiting.appendleft(_Job(replace(job.batch, layouts=some)))
                return
            self._tell(layouts, outcome.reason, outcome.trace)
            result = failed_result(self.store.plan, job.batch, outcome.reason)
        for layout, state in zip(job.batch.layouts, result.states, strict=False):
            if state == FAILED:
                self.failed.add(layout)
                self._tell((layout,), result.reasons.get(layout, "no reason given"), "")
        self.store.put(result)
        self.batches += 1
        self.pairs += _pairs(job.batch)
        self.advance(_pairs(job.batch))

    def _tell(self, layouts: tuple[int, ...], reason: str, trace: str) -> None:
        """Each reason once."""
        if reason not in self.told:
            self.told.add(reason)
            logger.warning("Layout %s failed, the rest goes on: %s", _span(layouts), reason)
            if trace:
                logger.debug("%s", trace)

    def _drop_waiting(self) -> None:
        self.waiting.clear()
        self.suspects.clear()
        for future in [future for future in self.pending if future.cancel()]:
            del self.pending[future]

    def _save_what_is_there(self) -> None:
        """On the way out: results that have come, and nothing more begun."""
        try:
            for future in list(self.pending):
                if not future.done():
                    future.cancel()
                elif not future.cancelled() and future.exception() is None:
                    result = future.result().result
                    if result is not None:
                        self.store.put(result)
        except Exception as error:  # the first error is the one to be told
            logger.debug("Not all that had come was stored: %s", error)


def _span(numbers: tuple[int, ...]) -> str:
    return str(numbers[0]) if numbers[0] == numbers[-1] else f"{numbers[0]} to {numbers[-1]}"


def failed_result(plan: SweepPlan, batch: Batch, reason: str) -> BatchResult:
    """A batch of which nothing came."""
    n, m = len(batch.layouts), len(batch.bands)
    return BatchResult(
        batch,
        {
            figure.name: np.full((n, m, *figure.shape), nothing_of(figure), dtype=figure.dtype)
            for figure in plan.figures
        },
        np.full(n, FAILED, dtype=np.int8),
        dict.fromkeys(batch.layouts, reason),
    )
