"""What a sweep has kept, read when asked for, from its file or from the parts so far."""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..errors import StoreError, SweepError
from . import sweep_format as form
from .sweep_parts import (
    Damage,
    Part,
    collect,
    gathered_path,
    merged,
    part_paths,
    parts_folder,
)
from .sweep_records import WAITING, Figure, SweepPlan

logger = logging.getLogger(__name__)

PLAN = "plan.h5"
"""In the folder of parts."""


class Unreadable(StoreError):
    """HDF5 cannot make sense of the file."""


def read_head(source: Path, kind: str) -> tuple[SweepPlan, str, str]:
    """Plan, date of creation and fingerprint of a file."""

    if not source.is_file():
        raise StoreError(f"{source}: there is no such file. Check the path.")
    try:
        file = form.opened(source)
    except Exception as error:  # whatever fails inside of HDF5 is the file's
        raise Unreadable(
            f"{source}: is damaged or no HDF5 file, and nothing can be read of it ({error}). "
            "Take it from a copy, or compute the sweep again."
        ) from error
    with file:
        try:
            form.check_kind(file, source, kind)
            plan = form.read_description(file)
            form.check_columns(plan)
            if kind == form.FORMAT:
                shape = (len(plan.design), len(plan.bands))
                form.check_arrays(file, file, plan, shape, shape)
            return plan, str(file.attrs["created"]), str(file.attrs["fingerprint"])
        except StoreError:
            raise
        except Exception as error:
            raise Unreadable(
                f"{source}: is damaged ({error}). Any HDF5 reader still reads: "
                f"{form.readable(file)}."
            ) from error


def _where(path: str | Path) -> tuple[Path, bool]:
    """The file that a path means, and whether it is gathered; else the folder of its parts."""
    if not isinstance(path, str | Path):
        raise StoreError(f"{path!r} is no path of a sweep; give one, as 'night.h5'.")
    source = Path(path)
    if source.is_file():
        return source, True
    folder = source if source.is_dir() else parts_folder(source)
    if source.is_dir() and (gathered := gathered_path(folder)).is_file():
        return gathered, True
    if (folder / PLAN).is_file():
        return folder, False
    if batches := len(part_paths(folder)):
        raise StoreError(
            f"{folder}: holds {batches} finished batch{'es' * (batches != 1)}, but its plan "
            f"({PLAN}) is missing. Sweep the attic file they were computed from into the same "
            "store again: it takes them over."
        )
    raise StoreError(f"{source}: there is no sweep here. Check the path.")


def read_plan(path: str | Path) -> SweepPlan:
    """What a sweep is to do, from its file or the folder of an unfinished one.

    Raises
    ------
    StoreError
        If there is none, or it is damaged, something else, or of a newer schema.
    """
    source, is_gathered = _where(path)
    if is_gathered:
        return read_head(source, form.FORMAT)[0]
    return _read_begun(source)[0]


def _read_begun(folder: Path) -> tuple[SweepPlan, str, str]:
    """Head of an unfinished sweep."""
    try:
        return read_head(folder / PLAN, form.PLAN_FORMAT)
    except Unreadable as error:
        if not (batches := len(part_paths(folder))):
            raise
        raise Unreadable(
            f"{error} {batches} finished batch{'es' * (batches != 1)} lie beside it: sweep the "
            "attic file they were computed from into the same store again, and it takes them over."
        ) from error


@dataclass(frozen=True, eq=False)
class StoredFigures:
    """Results of a sweep, finished or not, figures read when asked for; from `open_store`.

    Attributes
    ----------
    path : Path
        The file, or the folder of an unfinished sweep.
    plan : SweepPlan
    states_by_band : (L, B) int8
    states : (L,) int8
        `WAITING` until all bands are there, then `FAILED` if any failed, else `UNFIT` if any is,
        else `DONE`.
    reasons : mapping of int to str
        Why, by layout, where it is not done.
    is_gathered : bool
        Whether it is one file; False for an unfinished sweep as it was when opened.
    """

    path: Path
    plan: SweepPlan
    states_by_band: NDArray[np.int8]
    states: NDArray[np.int8]
    reasons: Mapping[int, str]
    is_gathered: bool
    _parts: tuple[Part, ...] = ()

    @property
    def parts(self) -> tuple[Part, ...]:
        """Finished batches, while it is not one file."""
        return self._parts

    @property
    def is_complete(self) -> bool:
        """Whether nothing is missing."""
        return bool((self.states_by_band != WAITING).all())

    def read(
        self, name: str, *, layouts: slice | Sequence[int] | NDArray[np.int64] | None = None
    ) -> NDArray[Any]:
        """A figure of all layouts, or of some, on all bands.

        Parameters
        ----------
        name : str
            Of a figure of the plan.
        layouts : slice or sequence of int, optional
            Which, None for all. Numbers may come in any order.

        Returns
        -------
        ndarray (n, B, *shape)
            In the figure's unit; NaN (-1 for whole numbers) where nothing was computed.

        Raises
        ------
        SweepError
            If there is no such figure or layout.
        StoreError
            If it does not open; says what does.
        """
        figure = self.plan.figure(name)
        if figure is None:
            names = ", ".join(figure.name for figure in self.plan.figures)
            raise SweepError(f"{self.path}: no figure {name!r} is kept; there are {names}.")
        count = len(self.plan.design)
        if layouts is None or isinstance(layouts, slice):
            start, stop, step = (layouts or slice(None)).indices(count)
            if step > 0:
                return self._range(figure, start, max(start, stop))[::step]
            layouts = range(start, stop, step)
        numbers = np.asarray(layouts, dtype=np.int64)
        if numbers.size and not (numbers.min() >= 0 and numbers.max() < count):
            raise SweepError(f"{self.path}: has layouts 0 to {count - 1}, not all of {layouts}.")
        wanted, back = np.unique(numbers, return_inverse=True)
        return self._rows(figure, wanted)[back]

    def _range(self, figure: Figure, start: int, stop: int) -> NDArray[Any]:
        return self._reading(
            figure,
            lambda data: data[start:stop],
            lambda: collect(self._parts, self.plan, [figure], start, stop)[figure.name],
        )

    def _rows(self, figure: Figure, rows: NDArray[np.int64]) -> NDArray[Any]:
        def one_by_one() -> NDArray[Any]:
            shape = (rows.size, len(self.plan.bands), *figure.shape)
            found = np.empty(shape, dtype=figure.dtype)
            for n, row in enumerate(rows):
                found[n] = collect(self._parts, self.plan, [figure], row, row + 1)[figure.name][0]
            return found

        return self._reading(figure, lambda data: data[rows], one_by_one)

    def _reading(
        self,
        figure: Figure,
        from_file: Callable[[Any], NDArray[Any]],
        from_parts: Callable[[], NDArray[Any]],
    ) -> NDArray[Any]:

        if not self.is_gathered:
            try:
                return from_parts()
            except Damage as damage:
                gathered = gathered_path(self.path)
                if damage.part.path.exists() or not gathered.is_file():
                    raise StoreError(
                        f"{damage.part.path}: does not open ({damage}). Resume the sweep: that "
                        "part is then set aside and computed again."
                    ) from damage
                # It was gathered after it was opened here.
                return open_store(gathered)._reading(figure, from_file, from_parts)
        try:
            with form.opened(self.path) as file:
                return from_file(file[figure.name])
        except Exception as error:  # whatever fails inside of HDF5 is the file's
            raise StoreError(
                f"{self.path}: {figure.name!r} is damaged ({error}). {_still_read(self.path)}"
            ) from error

    def __repr__(self) -> str:
        done, total = int((self.states_by_band != WAITING).sum()), self.states_by_band.size
        return f"StoredFigures({str(self.path)!r}: {done} of {total} layouts and bands)"


def _still_read(source: Path) -> str:

    try:
        with form.opened(source) as file:
            return f"What can still be read: {form.readable(file)}."
    except Exception:
        return "Nothing can be read of the file."


def open_store(path: str | Path) -> StoredFigures:
    """Results of a sweep from its file, or from the folder of an unfinished one.

    Raises
    ------
    StoreError
        If there is none, or it is damaged, something else, or of a newer schema; says what can
        still be read.
    """

    source, is_gathered = _where(path)
    if not is_gathered:
        plan, _, fingerprint = _read_begun(source)
        parts = []
        for part in part_paths(source):
            try:
                parts.append(Part.read(part, plan, fingerprint, in_full=False))
            except Exception as error:
                if not part.exists():  # gathered meanwhile
                    return open_store(path)
                logger.warning("%s: left out, it will not open (%s)", part, error)
        states, reasons = merged(parts, plan)
        return StoredFigures(
            source, plan, states, form.layout_states(states), reasons, False, tuple(parts)
        )
    plan, _, _ = read_head(source, form.FORMAT)
    try:
        with form.opened(source) as file:
            states, reasons = file["state"][()], form.read_reasons(file)
    except Exception as error:
        raise StoreError(f"{source}: is damaged ({error}). {_still_read(source)}") from error
    return StoredFigures(source, plan, states, form.layout_states(states), reasons, True)
