"""What the coach says: what to cut, why, and what the analyser will read then."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from ....geometry import Length
from ...answer_records import data_frame
from ...moments.basis import ComplexArray, FloatArray
from .targets import Target

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from ....geometry.plan import AtticPlan
    from ..calibration.posterior import Posterior
    from .coach import NextLengths

__all__ = ["Advice", "BandCurve", "Cut", "Expected"]

CHANCE_OF_DONE = 0.9
"""Part of the possible houses in which all targets are met, from which on nothing is cut."""

ONE_TRIP = 0.7
"""The same after the cut, from which on one more trip is expected to do."""


@dataclass(frozen=True)
class Cut:
    """What to do to one element.

    Attributes
    ----------
    element : str
    now, next : Length
        Its length now, and after this trip, from the feed point, in the user's unit. [m]
    best : float
        Where all targets would be met if the most likely house were the true one. [m]
    low, high : float
        10 and 90 % of where that may be in truth. [m]
    margin : Length
        Wire to leave beyond the new end, folded back or for the knot at the insulator. [m]
    order : int
        1 is done first.
    reason : str
    """

    element: str
    now: Length
    next: Length
    best: float
    low: float
    high: float
    margin: Length
    order: int
    reason: str

    @property
    def change(self) -> float:
        """New length less the old one; negative where wire comes off. [m]"""
        return float(self.next) - float(self.now)

    @property
    def cut_off(self) -> Length:
        """Wire to cut off, the margin left on; 0 where none. [m]"""
        return self.now.with_value(max(0.0, -self.change - float(self.margin)))

    def __str__(self) -> str:
        by = self.now.with_value(abs(self.change))
        if self.change == 0.0:
            return f"{self.element}: leave it at {self.now}"
        verb = "shorten" if self.change < 0.0 else "lengthen"
        return f"{self.element}: {verb} by {by}, from {self.now} to {self.next}"


@dataclass(frozen=True)
class Expected:
    """Where a target stands, and where it will.

    Attributes
    ----------
    target : Target
    now, after : (3,) tuple of float
        Where the wanted reactance is met, 10, 50 and 90 %: before and after the cuts. [Hz]
    impedance_now, impedance_after : complex
        At the target's frequency, in the most likely house. [ohm]
    by_length : mapping of str to float
        How the resonance moves with each element. [Hz/m]
    is_met, will_be_met : bool
        In the most likely house.
    """

    target: Target
    now: tuple[float, float, float]
    after: tuple[float, float, float]
    impedance_now: complex
    impedance_after: complex
    by_length: dict[str, float]
    is_met: bool
    will_be_met: bool


@dataclass(frozen=True, eq=False)
class BandCurve:
    """Impedance over one band in the most likely house.

    Attributes
    ----------
    band : str
    frequencies : (F,) float
        [Hz]
    now, after : (F,) complex
        Before and after the cuts. [ohm]
    """

    band: str
    frequencies: FloatArray
    now: ComplexArray
    after: ComplexArray


@dataclass(frozen=True, eq=False, repr=False)
class Advice:
    """What to cut next.

    Attributes
    ----------
    name : str
    plan : AtticPlan
        With the lengths that are proposed.
    targets : tuple of Target
    cuts : tuple of Cut
        One for each element that can be reached, the first to be done first.
    out_of_reach : tuple of str
        Elements that are left as they are.
    expected : tuple of Expected
        By target.
    curves : tuple of BandCurve
    chance_now, chance_after : float
        Part of the houses that the readings leave possible in which every target is met, as the
        elements are, and after the cuts.
    visits : int
        How many sets of readings it follows from.
    is_believed : bool
        Whether the readings can be of this antenna; nothing is cut where not.
    warnings : tuple of str
    posterior : Posterior
        What is known of the house.
    lengths : NextLengths
        The same in numbers, of all elements. [m]
    """

    name: str
    plan: AtticPlan
    targets: tuple[Target, ...]
    cuts: tuple[Cut, ...]
    out_of_reach: tuple[str, ...]
    expected: tuple[Expected, ...]
    curves: tuple[BandCurve, ...]
    chance_now: float
    chance_after: float
    visits: int
    is_believed: bool
    warnings: tuple[str, ...]
    posterior: Posterior
    lengths: NextLengths
    _reach: Any = field(default=None)

    @property
    def is_done(self) -> bool:
        """Whether the elements are best left as they are."""
        return all(cut.change == 0.0 for cut in self.cuts)

    @property
    def trips(self) -> int:
        """Trips to the attic still to be expected, 0 where nothing is to be cut."""
        if self.is_done:
            return 0
        return 1 if self.chance_after >= ONE_TRIP else 2

    def after(self, readings: Any, *, lengths: dict[str, Any] | None = None, **how: Any) -> Advice:
        """Take the next reading in, and say what to do then.

        Parameters
        ----------
        readings
            As for `prune`, with the elements as they are now.
        lengths : mapping, optional
            What they really were cut to; as was proposed where left out. [m]
        how
            `progress`, as for `prune`.
        """
        from .prune import next_advice

        return next_advice(self, readings, lengths=lengths, **how)

    def to_text(self, *, width: int = 100) -> str:
        """What is printed."""
        from ...views.prune_page import advice_text

        return advice_text(self, width=width)

    def to_dataframe(self) -> Any:
        """The cuts as a table; needs pandas."""
        from ...views.prune_page import advice_columns

        return data_frame(advice_columns(self))

    def plot(self) -> Figure:
        """Reactance over each band, before and after, with what was read."""
        from ...views.prune_figures import draw_advice

        return draw_advice(self)

    def __repr__(self) -> str:
        return self.to_text()

    def _repr_html_(self) -> str:
        from ...views.prune_page import advice_html

        return advice_html(self)


def three(values: Sequence[float] | FloatArray) -> tuple[float, float, float]:
    """10, 50 and 90 %."""
    low, middle, high = np.quantile(np.asarray(values, dtype=float), [0.1, 0.5, 0.9])
    return float(low), float(middle), float(high)
