"""Quantities of a sweep from wherever its figures lie, slice by slice."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from ..moments.basis import FloatArray
from .sweep_quantities import Vocabulary
from .sweep_records import SweepPlan

SLICE_BYTES = 16_000_000
"""Of figures held at once while quantities are worked out."""

KEPT_BYTES = 128_000_000
"""Of quantities, (L, B) each, that are remembered."""


class SweepFigures(Protocol):
    """Figures of a sweep wherever they lie; read when asked for."""

    @property
    def plan(self) -> SweepPlan:
        """All that the sweep was to do."""
        ...

    @property
    def states(self) -> NDArray[np.int8]:
        """Of each layout, (L,)."""
        ...

    @property
    def reasons(self) -> Mapping[int, str]:
        """Why a layout is not done."""
        ...

    def read(self, name: str, *, layouts: slice = ...) -> NDArray[Any]:
        """A figure of some layouts on all bands, (n, B, *shape)."""
        ...


class QuantityReader:
    """Numbers a layout and band, worked out slice by slice and remembered within bounds."""

    def __init__(self, store: SweepFigures) -> None:
        self.store, self.plan = store, store.plan
        self.words = Vocabulary(self.plan)
        self._known: dict[str, FloatArray] = {}

    def by_band(self, names: Sequence[str]) -> dict[str, FloatArray]:
        """Quantities that are kept, (L, B) each, read-only; each figure is read once."""
        found = {name: self._known[name] for name in names if name in self._known}
        wanted = [name for name in dict.fromkeys(names) if name not in found]
        if wanted:
            size = (len(self.plan.design), len(self.plan.bands))
            made = {name: np.full(size, np.nan) for name in wanted}
            for part in self._slices(wanted):
                for name, values in self.of(wanted, part).items():
                    made[name][part] = values
            for name, values in made.items():
                values.flags.writeable = False
                self._known[name] = values
            while len(self._known) > 1 and sum(v.nbytes for v in self._known.values()) > KEPT_BYTES:
                del self._known[next(iter(self._known))]
            found |= made
        return found

    def of(self, names: Sequence[str], part: slice) -> dict[str, FloatArray]:
        """The same of some layouts only, (n, B) each."""
        recipes = {name: self.words.kept[name] for name in names}
        figures = {
            figure: self.store.read(figure, layouts=part)
            for figure in dict.fromkeys(f for one in recipes.values() for f in one.figures)
        }
        with np.errstate(invalid="ignore"):  # NaN of what is not done
            return {name: one.compute(figures) for name, one in recipes.items()}

    def _slices(self, names: Sequence[str]) -> Iterator[slice]:
        figures = {f for name in names for f in self.words.kept[name].figures}
        each = sum(
            len(self.plan.bands) * int(np.prod(f.shape)) * np.dtype(f.dtype).itemsize
            for f in self.plan.figures
            if f.name in figures
        )
        step = max(SLICE_BYTES // max(each, 1), 1)
        for first in range(0, len(self.plan.design), step):
            yield slice(first, min(first + step, len(self.plan.design)))
