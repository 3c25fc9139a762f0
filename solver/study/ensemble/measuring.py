"""What to measure: a sheet of dimensions and readings in the order in which they tell most."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from ....geometry.plan import AtticPlan
from ...answer_records import data_frame
from ...bands import Band
from ...errors import SolverError
from ...moments.basis import FloatArray
from ..unknowns import Unknown
from ..unknowns.defaults import LEAD_INDUCTANCE
from .how_sure import how_sure
from .records import BandSureness, Contribution, HowSure

__all__ = ["MeasuringSheet", "SheetBand", "SheetRow", "measuring_sheet"]

WORTH = 0.02
"""Part of the variance from which on an unknown is worth a measurement."""

WORTH_SOMEWHERE = 0.15
"""The same on the band and figure where it does the most."""

OUT_OF_REACH = "nothing"
"""How the words of what cannot be measured begin."""

FEWEST, MOST = 3, 5
"""Readings of a band: edges and middle, and two more between where it is wide."""

WIDE = 0.005
"""Of the frequency, from which on a band is wide."""


@dataclass(frozen=True)
class SheetRow:
    """One thing to measure.

    Attributes
    ----------
    place : int
        1 tells most.
    unknown : Unknown
    what : str
        What it is, in words.
    how : str
        How to measure it.
    told : str
        What is taken for it so far, with the range of four cases in five.
    unit : str
        To write the measured value in.
    surer, error : float
        Part of the variance of the figures that decide that goes once it is known, and its
        standard error.
    most_on : str
        On which figure and band it does the most.
    most : float
        Part of the variance there.
    """

    place: int
    unknown: Unknown
    what: str
    how: str
    told: str
    unit: str
    surer: float
    error: float
    most_on: str
    most: float


@dataclass(frozen=True)
class SheetBand:
    """Readings of one band.

    Attributes
    ----------
    band : Band
    frequencies : tuple of float
        [Hz]
    spread : float
        Root mean square of what the reflection coefficient is off its mean: how much a reading
        there tells.
    """

    band: Band
    frequencies: tuple[float, ...]
    spread: float


@dataclass(frozen=True, repr=False)
class MeasuringSheet:
    """What to measure, in the order in which it changes the answer; shows itself as a page.

    Attributes
    ----------
    name : str
        Of the attic.
    rows : tuple of SheetRow
        Worth measuring, what tells most first.
    little : tuple of SheetRow
        What hardly changes the answer.
    out_of_reach : tuple of SheetRow
        What nobody can measure.
    readings : tuple of SheetBand
        Where to read, what tells most first.
    lengths : tuple of (element, length)
        As they are to be while reading, in words.
    cases : int
        From which this was found.
    reference : float
        [ohm]
    """

    name: str
    rows: tuple[SheetRow, ...]
    little: tuple[SheetRow, ...]
    out_of_reach: tuple[SheetRow, ...]
    readings: tuple[SheetBand, ...]
    lengths: tuple[tuple[str, str], ...]
    cases: int
    reference: float

    def to_text(self, *, width: int = 80) -> str:
        """The page to print."""
        from ...views.measuring_page import measuring_text

        return measuring_text(self, width=width)

    def to_html(self) -> str:
        """The same as a document of its own."""
        from ...views.measuring_page import measuring_document

        return measuring_document(self)

    def to_dataframe(self) -> Any:
        """One row a thing to measure; needs pandas."""
        rows = [*self.rows, *self.little, *self.out_of_reach]
        return data_frame(
            {
                "unknown": [row.unknown.name for row in rows],
                "what": [row.what for row in rows],
                "how": [row.how for row in rows],
                "told": [row.told for row in rows],
                "unit": [row.unit for row in rows],
                "surer": [row.surer for row in rows],
                "error": [row.error for row in rows],
                "most_on": [row.most_on for row in rows],
                "most": [row.most for row in rows],
            }
        )

    def __str__(self) -> str:
        return self.to_text()

    __repr__ = __str__

    def _repr_html_(self) -> str:
        from ...views.measuring_page import measuring_html

        return measuring_html(self)


def measuring_sheet(
    source: HowSure | AtticPlan,
    bands: Sequence[Band | str | Sequence[float]] | str | Band | None = None,
    **options: Any,
) -> MeasuringSheet:
    """What to measure of an attic, in the order in which it changes the answer.

    Parameters
    ----------
    source : HowSure or AtticPlan
        What `how_sure` gave; or a plan, of which it is found first.
    bands : sequence, optional
        Of a plan; those of a `HowSure` are what they are.
    **options
        Of a plan, as for `how_sure`.

    Returns
    -------
    MeasuringSheet

    Raises
    ------
    SolverError
        If it is neither, or bands or options are given with a `HowSure`.
    PriorError, BandError, AtticFileError
        As for `how_sure`.
    """
    if isinstance(source, AtticPlan):
        source = how_sure(source, bands, **options)
    elif bands is not None or options:
        given = ", ".join(["bands"] * (bands is not None) + list(options))
        raise SolverError(
            f"{given}: a sheet of what how_sure gave has its bands and settings; give a plan "
            "instead."
        )
    if not isinstance(source, HowSure):
        raise SolverError(f"{source!r} is neither a plan nor what how_sure gives.")
    return _sheet(source)


def _sheet(found: HowSure) -> MeasuringSheet:
    rows: list[SheetRow] = []
    little: list[SheetRow] = []
    out_of_reach: list[SheetRow] = []
    for one in found.contributions:
        if one.unknown.measure.startswith(OUT_OF_REACH):
            where = out_of_reach
        elif one.share >= WORTH or one.most >= WORTH_SOMEWHERE:
            where = rows
        else:
            where = little
        where.append(_row(found, one, len(where) + 1))
    bands = [SheetBand(b.band, _frequencies(b.band), _spread(b)) for b in found.bands]
    lengths = tuple((name, found.length_text(name)) for name in found.lengths)
    return MeasuringSheet(
        found.name, tuple(rows), tuple(little), tuple(out_of_reach),
        tuple(sorted(bands, key=lambda one: -one.spread)), lengths, found.count, found.reference,
    )  # fmt: skip


def _row(found: HowSure, one: Contribution, place: int) -> SheetRow:
    unknown = one.unknown
    what, unit, told = unknown.name, unknown.unit, _told(unknown)
    if unknown.kind == "length":
        told = f"{found.length_text(unknown.key)} {told}"
        unit = found.units[unknown.name]
    elif unknown.kind == "cables":
        what, unit = "cables that nobody told of", "cables, and where they lie"
        told = f"none to {unknown.distribution.high:.0f}"
    elif unknown.kind == "lead":
        what, unit = "lead from the terminal to the wires", found.units[unknown.name]
    elif unknown.unit == "m":
        unit = found.units[unknown.name]
    elif unknown.is_in_per_cent:
        unit = "%"
    elif unknown.unit == "S/m":
        unit = "mS/m"
    how, surer = unknown.measure, one.share
    return SheetRow(place, unknown, what, how, told, unit, surer, one.error, one.most_on, one.most)


def _told(unknown: Unknown) -> str:
    _, middle, range_ = unknown.row
    low, high = unknown.distribution.four_in_five
    if unknown.kind == "lead":
        cm = 100.0 / LEAD_INDUCTANCE
        return f"{cm * unknown.distribution.middle:.0f} cm ({cm * low:.0f} to {cm * high:.0f} cm)"
    if unknown.kind == "length":
        return f"({100 * low:+.2g} to {100 * high:+.2g} %)"
    return f"{middle} ({range_})"


def _frequencies(band: Band) -> tuple[float, ...]:
    count = MOST if band.width > WIDE * band.centre else FEWEST
    return tuple(float(f) for f in np.linspace(band.low, band.high, count))


def _spread(band: BandSureness) -> float:
    k = int(np.argmin(np.abs(band.frequencies - band.band.centre)))
    z = band.impedances[:, k]
    reflection: FloatArray | Any = (z - band.reference) / (z + band.reference)
    return float(np.sqrt(np.mean(np.abs(reflection - reflection.mean()) ** 2)))
