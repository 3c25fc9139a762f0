"""The store of a sweep: safe against kills while it runs, one HDF5 file when it is done.

While a sweep into `night.h5` runs, there is a folder `night.h5.parts` beside it, on the same disk
so that files can be moved by renaming, and `night.h5` itself is not there until it is whole:

    plan.h5             what the sweep is to do, written first
    part-000001.h5      a finished batch; put in place by rename once it is synchronised
    lock, owner         held by the process that writes; the system frees it when that ends
    *.tmp               being written, never read
    *.damaged           parts that would not open; their layouts are computed again

`gather` writes them into one file, puts that in place and then removes the folder.  Which layouts
are done on which bands is read off the parts, so batches may be cut otherwise after a resume.
"""

from __future__ import annotations

import logging
import os
import platform
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..errors import StoreError
from . import sweep_format as form
from .stored_figures import PLAN, StoredFigures, Unreadable, open_store, read_head, read_plan
from .sweep_format import SCHEMA
from .sweep_parts import (
    SLICE_BYTES,
    Damage,
    Part,
    check_result,
    collect,
    merged,
    part_image,
    part_paths,
    parts_folder,
)
from .sweep_records import Batch, BatchResult, SweepPlan
from .whole_files import ASIDE, WholeFile, cannot_write, put_in_place, write_whole

__all__ = [
    "SCHEMA",
    "StoredFigures",
    "SweepStore",
    "is_begun",
    "open_store",
    "parts_folder",
    "read_plan",
]

logger = logging.getLogger(__name__)

LOCK, OWNER, DAMAGED = "lock", "owner", ".damaged"
KEPT = "What was finished is kept: resume the sweep to go on."

BoolArray = NDArray[np.bool_]


class SweepStore:
    """A sweep's results while it runs; from `create` or `resume`, closed by `close` or `with`.

    Attributes
    ----------
    path : Path
        Of the one file that it becomes.
    plan : SweepPlan
    is_gathered : bool
        Whether that file is there, and nothing is left to do.
    """

    def __init__(self, path: Path, plan: SweepPlan, created: str, lock: Any) -> None:
        self.path = path
        self.plan = plan
        self.is_gathered = False
        self._folder = parts_folder(path)
        self._created = created
        self._lock = lock
        self._fingerprint = form.fingerprint_of(plan)
        self._parts: list[Part] = []
        self._done = np.zeros((len(plan.design), len(plan.bands)), dtype=np.bool_)
        self._last = 0

    # opening

    @classmethod
    def create(cls, path: str | Path, plan: SweepPlan) -> SweepStore:
        """Begin a sweep.

        Parameters
        ----------
        path : path
            Of the file that it will be, "night.h5".
        plan : SweepPlan

        Raises
        ------
        StoreError
            If a file or a sweep is there already (says in what it differs), another process works
            on it, or the place cannot be written to.
        SweepError
            If the plan cannot be kept.
        """
        form.check_plan(plan)
        target = Path(path)
        _refuse_file(target, plan)
        folder = parts_folder(target)
        lock = _locked(target)
        try:
            _refuse_file(target, plan)  # another process may have finished meanwhile
            if (folder / PLAN).exists():
                _refuse(target, read_plan(folder), plan, "resume it")
            if paths := part_paths(folder):
                raise StoreError(
                    f"{folder}: holds {len(paths)} finished batches, but no plan. Resume with the "
                    "attic file and settings that they were computed with, or remove the folder."
                )
            store = cls(target, plan, datetime.now(UTC).isoformat(timespec="seconds"), lock)
            store._write_plan()
            return store
        except BaseException:
            _unlock(lock)
            raise

    @classmethod
    def resume(cls, path: str | Path, plan: SweepPlan | None = None) -> SweepStore:
        """Go on with a sweep, whatever ended it.

        Parameters
        ----------
        path : path
            As given to `create`.
        plan : SweepPlan, optional
            What is wanted now; None takes what the store says.

        Raises
        ------
        StoreError
            If there is none, it is another one (says in what it differs), another process works
            on it, or its files are damaged or of a newer schema.
        """
        target = Path(path)
        folder = parts_folder(target)
        if not folder.is_dir() and not target.exists():
            raise StoreError(f"{target}: no sweep was begun here. Check the path, or start it.")
        if target.exists() and not folder.is_dir():
            return cls._finished(target, plan, None)
        lock = _locked(target)
        try:
            if target.exists():  # killed between putting the file in place and removing the parts
                store = cls._finished(target, plan, lock)
                store._remove_parts()
                store.close()
                return store
            return cls._reopened(target, plan, lock)
        except BaseException:
            _unlock(lock)
            raise

    @classmethod
    def _finished(cls, target: Path, plan: SweepPlan | None, lock: Any) -> SweepStore:
        try:
            found, created, _ = read_head(target, form.FORMAT)
        except Unreadable as error:
            if not part_paths(parts_folder(target)):
                raise
            raise StoreError(
                f"{error} Its parts are still in {parts_folder(target)}: move the file away and "
                "resume."
            ) from error
        _same(target, found, plan)
        store = cls(target, found, created, lock)
        store.is_gathered = True
        store._done[...] = True
        return store

    @classmethod
    def _reopened(cls, target: Path, plan: SweepPlan | None, lock: Any) -> SweepStore:
        folder = parts_folder(target)
        created = datetime.now(UTC).isoformat(timespec="seconds")
        if (folder / PLAN).exists():
            try:
                found, created, _ = read_head(folder / PLAN, form.PLAN_FORMAT)
            except Unreadable as error:
                if plan is None:
                    raise
                _set_aside(folder / PLAN, error)
                found = plan
            _same(target, found, plan)
        elif plan is None or not part_paths(folder):
            raise StoreError(f"{target}: no sweep was begun here. Check the path, or start it.")
        else:
            found = plan
        if plan is not None and plan.version != found.version:
            logger.warning(
                "%s: begun with version %s of the library, goes on with %s",
                target, found.version, plan.version,
            )  # fmt: skip
        store = cls(target, found, created, lock)
        store._take_stock()
        if not (folder / PLAN).exists():
            if not store._parts:
                raise StoreError(
                    f"{folder}: its plan is lost, and no part in it belongs to this sweep. Remove "
                    "the folder and start anew."
                )
            store._write_plan()
        return store

    def _take_stock(self) -> None:
        """Read what is there, set aside what does not open, remove what is half done."""
        for half in self._folder.glob(f"*{ASIDE}"):
            half.unlink(missing_ok=True)
        for path in [*self._folder.glob(f"part-*{DAMAGED}*"), *part_paths(self._folder)]:
            self._last = max(self._last, int(path.name.split(".")[0].split("-")[1]))
        for path in part_paths(self._folder):
            try:
                self._add(Part.read(path, self.plan, self._fingerprint, in_full=True))
            except (PermissionError, MemoryError):
                raise
            except Exception as error:  # whatever fails inside of HDF5 is the file's
                _set_aside(path, error)

    def _add(self, part: Part) -> None:
        self._done[np.ix_(part.layouts, part.bands)] = True
        self._parts.append(part)

    def _write_plan(self) -> None:
        def write(file: Any) -> None:
            form.describe(file, self.plan, kind=form.PLAN_FORMAT, created=self._created)

        self._write(self._folder / PLAN, form.image_of(write))

    def _write(self, target: Path, content: bytes) -> None:
        try:
            write_whole(target, content)
        except OSError as error:
            raise cannot_write(target, error, KEPT) from error

    # what is done

    def finished(self) -> BoolArray:
        """Which layouts are done on which bands, unfit and failed ones included, (L, B)."""
        return self._done.copy()

    def missing(self) -> BoolArray:
        """Which layouts are still to be computed on which bands, (L, B)."""
        return ~self._done

    @property
    def is_complete(self) -> bool:
        """Whether nothing is missing."""
        return bool(self._done.all())

    def rest_of(self, batch: Batch) -> Batch | None:
        """What of a batch is still to be computed; None if nothing."""
        missing = ~self._done[np.ix_(batch.layouts, batch.bands)]
        rows, columns = np.atleast_1d(missing.any(axis=1), missing.any(axis=0))
        if rows.all() and columns.all():
            return batch
        if not rows.any():
            return None
        return Batch(
            batch.number,
            tuple(one for one, wanted in zip(batch.layouts, rows.tolist(), strict=True) if wanted),
            tuple(one for one, wanted in zip(batch.bands, columns.tolist(), strict=True) if wanted),
        )

    # writing

    def put(self, result: BatchResult) -> None:
        """Keep a finished batch; when this returns it survives whatever comes.

        Raises
        ------
        SweepError
            If it does not fit the plan.
        StoreError
            If it cannot be written; what was put before is kept.
        """
        self._must_be_open()
        check_result(self.plan, result)
        self._last += 1
        path = self._folder / f"part-{self._last:06d}.h5"
        self._write(path, part_image(self.plan, result, self._fingerprint))
        self._add(
            Part(
                path,
                np.array(result.batch.layouts, dtype=np.int64),
                np.array(result.batch.bands, dtype=np.int64),
                np.array(result.states, dtype=np.int8),
                {layout: why for layout, why in result.reasons.items() if why},
            )
        )

    def gather(self) -> Path:
        """Make the one file of all parts, then remove them.

        Returns
        -------
        Path
            Of the file.

        Raises
        ------
        StoreError
            If something is missing or cannot be written, or a part does not open any more; the
            parts are then kept.
        """
        if self.is_gathered:
            return self.path
        self._must_be_open()
        if not self.is_complete:
            raise StoreError(
                f"{self.path}: {int(self.missing().sum())} of {self._done.size} layouts and bands "
                "are still to be computed. Resume the sweep, then gather."
            )
        aside = self._folder / ("gathered.h5" + ASIDE)
        sink = None
        try:
            sink = WholeFile(aside)
            self._write_gathered(sink)
            sink.finish()
            put_in_place(aside, self.path)
        except BaseException as error:
            if sink is not None:
                sink.discard()
            fault = error if sink is None or sink.fault is None else sink.fault
            if isinstance(fault, OSError):
                raise cannot_write(self.path, fault, KEPT) from error
            if isinstance(fault, Damage):
                self._forget(fault)
                raise StoreError(
                    f"{fault.part.path}: would not open while gathering ({fault}), and was set "
                    "aside. Resume the sweep: it computes that part again."
                ) from error
            raise
        self.is_gathered = True
        self._remove_parts()
        return self.path

    def _write_gathered(self, sink: WholeFile) -> None:
        import h5py

        plan = self.plan
        slices = form.slices_of(plan, SLICE_BYTES)
        count = len(plan.design)
        with h5py.File(sink, "w") as file:
            scales = form.describe(file, plan, kind=form.FORMAT, created=self._created)
            states, reasons = merged(self._parts, plan)
            form.write_states(file, states, reasons, [file["layout"], file["band"]])
            made = {}
            for figure in plan.figures:
                made[figure.name] = form.create_figure(
                    file,
                    figure,
                    (*self._done.shape, *figure.shape),
                    slices.chunk_rows[figure.name],
                    scales[figure.name],
                )
            for start in range(0, count, slices.rows):
                stop = min(count, start + slices.rows)
                for name, values in collect(self._parts, plan, plan.figures, start, stop).items():
                    if values.size:
                        made[name][start:stop] = values
                    if sink.fault is not None:
                        return

    def _forget(self, damage: Damage) -> None:
        _set_aside(damage.part.path, damage)
        self._parts.remove(damage.part)
        self._done[...] = False
        for part in self._parts:
            self._done[np.ix_(part.layouts, part.bands)] = True

    def _remove_parts(self) -> None:
        """The plan goes last, then the lock; what was set aside as damaged stays."""
        try:
            for path in [*part_paths(self._folder), *self._folder.glob(f"*{ASIDE}")]:
                os.unlink(path)
            (self._folder / PLAN).unlink(missing_ok=True)
            if not {path.name for path in self._folder.iterdir()} - {LOCK, OWNER}:
                _clear(self._folder)
        except OSError as error:
            logger.warning("%s: not removed (%s); it is not needed any more", self._folder, error)
        self._parts = []

    def _must_be_open(self) -> None:
        if self._lock is None or self.is_gathered:
            state = "is gathered and complete" if self.is_gathered else "is closed"
            raise StoreError(f"{self.path}: {state}; nothing can be put. Resume it to go on.")

    def close(self) -> None:
        """Let other processes at it. The store can be resumed afterwards."""
        if self._lock is not None:
            _unlock(self._lock)
            self._lock = None

    def __enter__(self) -> SweepStore:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def __repr__(self) -> str:
        done, total = int(self._done.sum()), self._done.size
        return f"SweepStore({str(self.path)!r}: {done} of {total} layouts and bands)"


def is_begun(path: str | Path) -> bool:
    """Whether there is something to resume: a file, a plan or parts; a lock alone is nothing."""
    folder = parts_folder(path)
    return Path(path).exists() or (folder / PLAN).exists() or bool(part_paths(folder))


def _locked(target: Path) -> Any:
    """The lock of a store; StoreError where another process has it."""
    from filelock import FileLock, Timeout

    folder = parts_folder(target)
    lock = FileLock(folder / LOCK, timeout=0, thread_local=False)
    try:
        folder.mkdir(exist_ok=True)
        lock.acquire()
    except Timeout:
        raise StoreError(
            f"{target}: another process works on this sweep ({_owner(folder)}). Wait for it, stop "
            "it, or give this sweep another file."
        ) from None
    except OSError as error:
        raise cannot_write(folder, error) from error
    except NotImplementedError as error:  # older filelock, disks that cannot lock
        raise StoreError(
            f"{folder}: lies on a disk that cannot lock files ({error}). Choose another place."
        ) from error
    try:
        (folder / OWNER).write_text(f"process {os.getpid()} on {platform.node()}")
    except OSError as error:
        _unlock(lock)
        raise cannot_write(folder, error, KEPT) from error
    return lock


def _unlock(lock: Any) -> None:
    """Free a lock; its folder goes with it if nothing else is in there."""
    folder = Path(lock.lock_file).parent
    empty = folder.is_dir() and not {path.name for path in folder.iterdir()} - {LOCK, OWNER}
    if empty and os.name != "nt":  # while it is held, so that it is not another's by now
        _clear(folder)
    lock.release()
    if empty and os.name == "nt":  # an open file cannot be removed there
        _clear(folder)


def _clear(folder: Path) -> None:
    """Remove a folder with nothing but the lock in it."""
    with suppress(OSError):  # another process has begun there, or has the lock open
        (folder / OWNER).unlink(missing_ok=True)
        (folder / LOCK).unlink(missing_ok=True)
        folder.rmdir()


def _owner(folder: Path) -> str:
    try:
        return (folder / OWNER).read_text() or "not known which"
    except OSError:
        return "not known which"


def _set_aside(path: Path, error: Exception) -> None:
    """Rename what does not open, and say so."""
    aside = path.with_name(path.name + DAMAGED)
    number = 1
    while aside.exists():
        number += 1
        aside = path.with_name(f"{path.name}{DAMAGED}{number}")
    os.replace(path, aside)
    logger.warning(
        "%s: will not open (%s); set aside as %s, and computed again", path, error, aside.name
    )


def _refuse_file(target: Path, plan: SweepPlan) -> None:
    if target.exists():
        if not target.is_file():
            raise StoreError(f"{target}: is a folder, not a file. Give the sweep another name.")
        _refuse(target, read_plan(target), plan, "open it")


def _refuse(target: Path, found: SweepPlan, plan: SweepPlan, what: str) -> None:
    if other := form.differences(found, plan):
        raise StoreError(
            f"{target}: holds another sweep; it differs in {'; '.join(other)}. Give this sweep "
            "another file, or move that one away."
        )
    raise StoreError(
        f"{target}: this very sweep is there already; {what}, or give this one another file."
    )


def _same(target: Path, found: SweepPlan, plan: SweepPlan | None) -> None:
    if plan is not None and (other := form.differences(found, plan)):
        raise StoreError(
            f"{target}: was begun as another sweep; it differs in {'; '.join(other)}. Resume it as "
            "it was, or start this one in another file."
        )
