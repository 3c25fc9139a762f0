r"""What a centimetre of each element does: impedance, resonance and efficiency, from few matrices.

With I the currents for a voltage at the feed and I_f what flows into it, a change of the matrix
changes the impedance by I^T dZ I/I_f^2; the matrix is a smooth function of lengths (`lengths`), so
that one elimination gives the derivatives to all of them.  A resonance, X(f, L) = 0, moves by
df/dL = -(dX/dL)/(dX/df).
"""

from __future__ import annotations

import html
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from ....geometry.plan import AtticPlan
from ...answer_records import data_frame
from ...bands import Band
from ...errors import SolverError
from ...solve import DEFAULT_TOLERANCE
from ..unknowns import Unknowns
from .attic_model import BandModel
from .modelling import Modelling

__all__ = ["Sensitivities", "Sensitivity", "sensitivities"]

RANGE = 0.01
"""Lengths of an element on both sides of its own that derivatives are taken from, part of it."""

FREQUENCY_STEP = 1e-3
"""Of the differences to frequency, relative; the band's edges are kept."""

CENTIMETRE = 0.01

HEADS = (
    "band", "MHz", "element", "length", "R + jX", "dR/cm", "dX/cm", "resonance/cm", "efficiency/cm"
)  # fmt: skip


@dataclass(frozen=True)
class Sensitivity:
    """What the length of one element does at one frequency.

    Attributes
    ----------
    band, element : str
    frequency : float
        [Hz]
    length : float
        Of the element. [m]
    impedance : complex
        At the feed point. [ohm]
    by_length : complex
        Its derivative. [ohm/m]
    by_frequency : complex
        The impedance's derivative to frequency. [ohm/Hz]
    efficiency : float
        Radiated over input power; NaN anywhere but at the centre of a band.
    efficiency_by_length : float
        [1/m]
    """

    band: str
    element: str
    frequency: float
    length: float
    impedance: complex
    by_length: complex
    by_frequency: complex
    efficiency: float
    efficiency_by_length: float

    @property
    def resonance_by_length(self) -> float:
        """How a resonance here would move, -(dX/dL)/(dX/df). [Hz/m]"""
        return -self.by_length.imag / self.by_frequency.imag

    @property
    def row(self) -> tuple[str, ...]:
        """As the printed table has it, by centimetre."""
        z, by, efficiency = self.impedance, CENTIMETRE * self.by_length, self.efficiency_by_length
        return (
            self.band,
            f"{self.frequency / 1e6:.3f}",
            self.element,
            f"{self.length:.2f} m",
            f"{z.real:.4g} {'-' if z.imag < 0 else '+'} j{abs(z.imag):.4g} ohm",
            f"{by.real:+.3g} ohm",
            f"{by.imag:+.3g} ohm",
            f"{1e-3 * CENTIMETRE * self.resonance_by_length:+.3g} kHz",
            "" if np.isnan(efficiency) else f"{100.0 * CENTIMETRE * efficiency:+.2g} %",
        )


@dataclass(frozen=True, repr=False)
class Sensitivities:
    """One row a frequency and element; shows itself as a table by centimetre.

    Attributes
    ----------
    rows : tuple of Sensitivity
    """

    rows: tuple[Sensitivity, ...]

    def __len__(self) -> int:
        return len(self.rows)

    def __iter__(self) -> Iterator[Sensitivity]:
        return iter(self.rows)

    def of(self, element: str, band: str | None = None) -> tuple[Sensitivity, ...]:
        """Rows of an element, on one band or on all.

        Raises
        ------
        SolverError
            If there are none.
        """
        found = tuple(
            row for row in self.rows if row.element == element and band in (None, row.band)
        )
        if not found:
            there = dict.fromkeys((row.element, row.band) for row in self.rows)
            raise SolverError(
                f"There is no {element!r} on {band or 'any band'}; there are "
                f"{', '.join(f'{e!r} on {b}' for e, b in there)}."
            )
        return found

    def to_dataframe(self) -> Any:
        """One row a frequency and element, SI units; needs pandas."""
        columns: dict[str, Any] = {
            "band": [row.band for row in self.rows],
            "element": [row.element for row in self.rows],
        }
        for name in ("frequency", "length", "efficiency", "efficiency_by_length",
                     "resonance_by_length"):  # fmt: skip
            columns[name] = [getattr(row, name) for row in self.rows]
        for name, value in (("", "impedance"), ("_by_length", "by_length")):
            columns[f"resistance{name}"] = [getattr(row, value).real for row in self.rows]
            columns[f"reactance{name}"] = [getattr(row, value).imag for row in self.rows]
        return data_frame(columns)

    def __repr__(self) -> str:
        table = [HEADS, *(row.row for row in self.rows)]
        widths = [max(map(len, column)) for column in zip(*table, strict=True)]
        return "\n".join(
            "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
            for row in table
        )

    def _repr_html_(self) -> str:
        head = "".join(f"<th>{cell}</th>" for cell in HEADS)
        rows = "".join(
            f"<tr>{''.join(f'<td>{html.escape(cell)}</td>' for cell in row.row)}</tr>"
            for row in self.rows
        )
        return (
            "<table><caption>What a centimetre more of each element does</caption>"
            f"<tr>{head}</tr>{rows}</table>"
        )


def sensitivities(
    plan: AtticPlan,
    bands: Sequence[Band | str | Sequence[float]] | str | Band | None = None,
    *,
    frequencies: Sequence[float] | None = None,
    tolerance: float | None = DEFAULT_TOLERANCE,
    tick: Callable[[], None] = lambda: None,
) -> Sensitivities:
    """What a little more of each element does on each band, all values as they are told.

    Parameters
    ----------
    plan : AtticPlan
        With an antenna of elements.
    bands : optional
        As for `answer`; the file's where left out.
    frequencies : sequence of float, optional
        Each within one of the bands; their centres where left out. [Hz]
    tolerance : float or None
        Of the mesh, as for `solve`.
    tick : callable
        Called after each matrix.

    Raises
    ------
    SolverError
        If there is no antenna of elements, a frequency lies in none of the bands, a band is too
        wide, or the scene cannot be parted.

    Notes
    -----
    Derivatives are those with the mesh held.  That of the efficiency is there at the centres of
    bands alone, where watts are known.
    """
    modelling = Modelling.of(
        plan, bands, unknowns=Unknowns(), ranges=_ranges(plan), tolerance=tolerance
    )
    model = modelling.build(tick=tick)
    at = [b.centre for b in model.bands] if frequencies is None else list(map(float, frequencies))
    chosen = [(model.band_at(frequency), frequency) for frequency in at]
    rows: list[Sensitivity] = []
    for band in dict.fromkeys(band for band, _ in chosen):
        own = model.band(band, tick=tick)
        for other, frequency in chosen:
            if other is band:
                rows += _rows(own, frequency)
        model.forget(band)
    return Sensitivities(tuple(rows))


def _ranges(plan: AtticPlan) -> Mapping[str, tuple[float, float]]:
    antenna: Any = plan.antenna if isinstance(plan, AtticPlan) else None
    if antenna is None:
        return {}
    found = {}
    for wire in plan.wires:
        if any(wire.name == element.name for element in antenna.elements):
            room = antenna.element(wire.name).room(antenna.feed_point)
            high = min((1.0 + RANGE) * wire.length, max(room, wire.length))
            found[wire.name] = ((1.0 - RANGE) * wire.length, high)
    return found


def _rows(own: BandModel, frequency: float) -> list[Sensitivity]:
    model, band = own.model, own.band
    state, lengths = model.middle, model.told
    eliminated = own.eliminated(frequency, state)
    found = own.reading(frequency, lengths, state, eliminated=eliminated)
    low, high = (
        min(max(frequency * (1.0 + side * FREQUENCY_STEP), band.low), band.high)
        for side in (-1.0, 1.0)
    )
    by_frequency = complex(np.nan, np.nan)
    if high > low:
        # away from an edge of the band the step is the same on both sides
        ends = [own.impedance(f, lengths, state) for f in (low, high)]
        by_frequency = (ends[1] - ends[0]) / (high - low)
    efficiency, slopes = np.nan, np.full(lengths.size, np.nan)
    if abs(frequency / band.centre - 1.0) < 1e-9:
        sky = eliminated.reduced(own.forms[0][:3])
        layout = found.layout
        radiated, changes = layout.watts(sky).sum(), layout.watts_by_length(sky).sum(axis=1)
        voltage = abs(layout.voltages[layout.driven]) ** 2
        z = layout.impedance
        power = voltage * (1.0 / z).real
        power_changes = -voltage * (found.by_length / z**2).real
        efficiency = float(radiated / power)
        slopes = (changes - efficiency * power_changes) / power
    return [
        Sensitivity(
            band.name, name, frequency, float(length), found.impedance, complex(by), by_frequency,
            efficiency, float(slope),
        )
        for name, length, by, slope in zip(
            model.names, lengths, found.by_length, slopes, strict=True
        )
    ]  # fmt: skip
