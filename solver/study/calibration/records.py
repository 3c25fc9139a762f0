"""What `calibrate` gives back: what was believed, what is believed now, and how the model reads."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.stats import chi2

from ....geometry.plan import AtticPlan
from ...answer_records import data_frame
from ...bands import Band
from ...errors import SolverError
from ...moments.basis import ComplexArray, FloatArray
from ..readings import Readings
from ..unknowns import FOUR_IN_FIVE, SCORE_LIMIT, Unknown
from .posterior import ScoreSpread
from .visits import Visit

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["Calibration", "CalibrationRow", "Caution", "Fitted", "rows_of"]


@dataclass(frozen=True)
class Caution:
    """Something to know before the values are believed.

    Attributes
    ----------
    kind : str
        "left out", "improbable", "turned sign", "untold line", "wrong size", "one reading off",
        "more noise", "unexplained", "no better", "at its bound", "two answers",
        "nothing learned", "alike", "few frequencies" or "other start".
    text : str
        What was found, and what was done or is to be done.
    """

    kind: str
    text: str

    def __str__(self) -> str:
        return self.text


@dataclass(frozen=True)
class CalibrationRow:
    """One unknown before and after the readings.

    Attributes
    ----------
    unknown : Unknown
    before, after : (10 %, middle, 90 %)
        [unit of the unknown]
    score : float
        Of the most likely value; 0 was the middle before.
    learned : float
        Part of the spread that the readings took away, 0 to 1.
    """

    unknown: Unknown
    before: tuple[float, float, float]
    after: tuple[float, float, float]
    score: float
    learned: float

    @property
    def name(self) -> str:
        """Of the unknown."""
        return self.unknown.name


def rows_of(unknowns: tuple[Unknown, ...], found: ScoreSpread) -> tuple[CalibrationRow, ...]:
    """A row for each unknown with a score."""
    rows = []
    for one, score, spread in zip(unknowns, found.scores, found.spread, strict=True):
        value = one.distribution.value

        def at(u: float, value: Any = value) -> float:
            return float(value(float(np.clip(u, -SCORE_LIMIT, SCORE_LIMIT))))

        reach = FOUR_IN_FIVE * float(spread)
        rows.append(
            CalibrationRow(
                one,
                (at(-FOUR_IN_FIVE), at(0.0), at(FOUR_IN_FIVE)),
                (at(score - reach), at(score), at(score + reach)),
                float(score),
                float(1.0 - spread),
            )
        )
    return tuple(rows)


@dataclass(frozen=True, eq=False)
class Fitted:
    """Readings beside what the model reads, arrays of shape (K,) in the order of visits.

    Attributes
    ----------
    frequencies : float
        [Hz]
    visit : int
        Of which visit each is.
    band : tuple of str
    read, before, after : complex
        Reflection coefficients against the reference; `read` is the size alone where no phase was.
    has_phase : bool
    noise : (K, 2) float
        Standard deviations along and across the reflection coefficient.
    reference : float
        [ohm]
    """

    frequencies: FloatArray
    visit: Any
    band: tuple[str, ...]
    read: ComplexArray
    before: ComplexArray
    after: ComplexArray
    has_phase: Any
    noise: FloatArray
    reference: float

    def residual(self, which: str = "after") -> FloatArray:
        """Model less reading in units of noise, along and across, (K, 2); NaN without phase."""
        found = self.after if which == "after" else self.before
        size = np.abs(self.read)
        turn = np.where(size > 0.0, self.read.conj() / np.maximum(size, 1e-300), 1.0)
        parts = turn * found - size
        along = np.where(self.has_phase, parts.real, np.abs(found) - size)
        across = np.where(self.has_phase, parts.imag, np.nan)
        return np.stack([along, across], axis=1) / self.noise

    def impedance(self, which: str) -> ComplexArray:
        """Of "read", "before" or "after", (K,); NaN where only SWR was read. [ohm]"""
        g = {"read": self.read, "before": self.before, "after": self.after}[which]
        known = self.has_phase if which == "read" else np.ones(g.size, dtype=bool)
        found = np.full(g.size, complex(np.nan, np.nan))
        found[known] = self.reference * (1.0 + g[known]) / (1.0 - g[known])
        return found


@dataclass(frozen=True, repr=False, eq=False)
class Calibration:
    """An attic as readings make it most likely.

    Attributes
    ----------
    name : str
    plan : AtticPlan
        With the most likely values; lengths of elements are electrical ones.
    told : AtticPlan
        As it was told, with the lengths at the last visit.
    rows : tuple of CalibrationRow
        One for each unknown with a value.
    posterior : ScoreSpread
        Scores of these unknowns; of a calibration just made also the model (`Posterior`).
    visits : tuple of Visit
        What was read, as it was used.
    fitted : Fitted
    bands : tuple of Band
    warnings : tuple of Caution
    notes : tuple of str
        What was done to the readings, and what the plan cannot say.
    misfit, prior_misfit : float
        Squares of what is missed over its spread; after and before.
    numbers : int
        How many numbers were read.
    """

    name: str
    plan: AtticPlan
    told: AtticPlan
    rows: tuple[CalibrationRow, ...]
    posterior: ScoreSpread
    visits: tuple[Visit, ...]
    fitted: Fitted
    bands: tuple[Band, ...]
    warnings: tuple[Caution, ...]
    notes: tuple[str, ...]
    misfit: float
    prior_misfit: float
    numbers: int

    def __iter__(self) -> Iterator[CalibrationRow]:
        return iter(self.rows)

    @property
    def readings(self) -> Readings:
        """Of the last visit; `visits` has all."""
        return self.visits[-1].readings

    @property
    def unknowns(self) -> tuple[Unknown, ...]:
        """In the order of scores."""
        return tuple(row.unknown for row in self.rows)

    @property
    def chance(self) -> float:
        """That readings lie so far off or farther if the model is right."""
        scores = self.posterior.scores
        return float(chi2.sf(self.misfit + float(scores @ scores), self.numbers))

    def row(self, name: str) -> CalibrationRow:
        """That of an unknown.

        Raises
        ------
        SolverError
            If none is called so.
        """
        for row in self.rows:
            if row.name == name:
                return row
        raise SolverError(
            f"Nothing that was calibrated is called {name!r}. There are: "
            f"{', '.join(repr(row.name) for row in self.rows)}."
        )

    def to_dataframe(self) -> Any:
        """One row an unknown, in its unit; needs pandas."""
        from ...views.calibrate_page import calibration_columns

        return data_frame(calibration_columns(self))

    def plot(self) -> Figure:
        """Model before and after beside the readings on every band, and what is missed."""
        from ...views.calibration_figures import draw_calibration

        return draw_calibration(self)

    def to_text(self, *, width: int = 100) -> str:
        """The printed form, paragraphs no wider than `width`."""
        from ...views.calibrate_page import calibration_text

        return calibration_text(self, width=width)

    def save(self, path: str | Path) -> None:
        """Write it as JSON; `open_calibration` reads it.

        Raises
        ------
        StoreError
            If it cannot be written.
        """
        from .store import save_calibration

        save_calibration(self, Path(path))

    def __str__(self) -> str:
        return self.to_text()

    __repr__ = __str__

    def _repr_html_(self) -> str:
        from ...views.calibrate_page import calibration_html

        return calibration_html(self)
