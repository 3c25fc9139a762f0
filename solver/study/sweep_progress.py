"""How far a sweep is, read off its files while another process works on it."""

from __future__ import annotations

import os
import platform
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .stored_figures import StoredFigures, open_store
from .sweep_format import layout_states
from .sweep_records import DONE, WAITING, SweepPlan
from .sweep_result import SweepResult
from .sweep_store import OWNER

__all__ = ["SweepProgress", "on_bands_done", "sweep_progress"]


@dataclass(frozen=True, eq=False)
class SweepProgress:
    """A sweep as its files have it at one moment.

    Attributes
    ----------
    path : Path
        Of the file, or of the folder of its parts.
    result : SweepResult
        What can be ranked so far; see `on_bands_done`.
    bands : tuple of str
        Those that count in it.
    pairs, done : int
        Layouts times bands, all and those that are through.
    counts : mapping of str to int
        Layouts that are waiting for a band, done, unfit, failed, on all bands.
    batches : int or None
        Finished ones in files of their own; None once they are gathered.
    owner : str
        "process 123 on host" that works on it, or was the last to; "" if not known.
    is_running : bool or None
        Whether that process is there; None if it cannot be told from here.
    began, last : float
        When that process began and the last batch came, as `time.time` has it; NaN if not known.
        [s]
    rate : float
        Layouts times bands a second since then; NaN if not known. [1/s]
    is_gathered : bool
    """

    path: Path
    result: SweepResult
    bands: tuple[str, ...]
    pairs: int
    done: int
    counts: Mapping[str, int]
    batches: int | None
    owner: str
    is_running: bool | None
    began: float
    last: float
    rate: float
    is_gathered: bool

    @property
    def seconds_left(self) -> float:
        """At that rate; NaN if not known. [s]"""
        return (self.pairs - self.done) / self.rate if self.rate > 0.0 else float("nan")


def sweep_progress(path: str | Path) -> SweepProgress:
    """How far a sweep is; nothing is written, locked or computed.

    Raises
    ------
    StoreError
        As `open_store`.
    """
    store = open_store(path)
    result, bands = on_bands_done(store)
    owner, is_running, began = "", None, float("nan")
    if not store.is_gathered:
        with suppress(OSError):  # not begun, or gathered meanwhile
            owner = (store.path / OWNER).read_text()
            began = (store.path / OWNER).stat().st_mtime
            is_running = _is_running(owner)
    times = _written(store)
    own = {part: when for part, when in times.items() if when >= began}
    fresh = sum(store.parts[n].layouts.size * store.parts[n].bands.size for n in own)
    last = max(times.values(), default=float("nan"))
    elapsed = last - began if own else 0.0
    return SweepProgress(
        path=store.path,
        result=result,
        bands=bands,
        pairs=store.states_by_band.size,
        done=int((store.states_by_band != WAITING).sum()),
        counts=SweepResult(store).counts,
        batches=None if store.is_gathered else len(store.parts),
        owner=owner,
        is_running=is_running,
        began=began,
        last=last,
        rate=fresh / elapsed if elapsed > 0.0 else float("nan"),
        is_gathered=store.is_gathered,
    )


def _written(store: StoredFigures) -> dict[int, float]:
    """When each part was put in place, by its place among them."""
    found: dict[int, float] = {}
    for n, part in enumerate(store.parts):
        with suppress(OSError):  # gathered meanwhile
            found[n] = part.path.stat().st_mtime
    return found


def _is_running(owner: str) -> bool | None:
    """Whether a process of this machine is there; None where that cannot be told."""
    words = owner.split()
    here = len(words) == 4 and words[1].isdigit() and words[3] == platform.node()
    if not here or os.name == "nt":  # there os.kill ends what it asks after
        return None
    try:
        os.kill(int(words[1]), 0)
    except ProcessLookupError:
        return False
    except OSError:
        return None
    return True


# ---- ranking what is there -----------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _OnBands:
    """Figures of a sweep in which a layout is done once it is on some of the bands."""

    store: StoredFigures
    places: tuple[int, ...]

    @property
    def plan(self) -> SweepPlan:
        return self.store.plan

    @property
    def states(self) -> NDArray[np.int8]:
        return layout_states(self.store.states_by_band[:, list(self.places)])

    @property
    def reasons(self) -> Mapping[int, str]:
        return self.store.reasons

    def read(self, name: str, *, layouts: slice = slice(None)) -> NDArray[Any]:
        return self.store.read(name, layouts=layouts)


def on_bands_done(
    store: StoredFigures, bands: Sequence[str] | None = None
) -> tuple[SweepResult, tuple[str, ...]]:
    """A result in which layouts count as done once they are on the bands that count.

    Parameters
    ----------
    store : StoredFigures
    bands : sequence of str, optional
        Where left out, all; or those that are there so far, as long as no layout is on all.

    Returns
    -------
    SweepResult
    tuple of str
        The bands, for its `rank` and `pareto`.

    Raises
    ------
    SweepError
        If the sweep has no such band.
    """
    result = SweepResult(store)
    places = result.band_places(bands)
    if bands is None and not (store.states == DONE).any():
        some = np.flatnonzero((store.states_by_band == DONE).any(axis=0)).tolist()
        places = some or places
    names = tuple(store.plan.bands[k].name for k in places)
    if len(places) == len(store.plan.bands):
        return result, names
    return SweepResult(_OnBands(store, tuple(places))), names
