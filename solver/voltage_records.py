"""Voltages of an answer as plain numbers: along wires, at their ends, and what is near."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from .answer_records import Record
from .errors import SolverError
from .moments.basis import ComplexArray, FloatArray

if TYPE_CHECKING:
    from matplotlib.axes import Axes

TOUCHING = 1e-3
"""Gaps below this count as this where voltage is divided by them. [m]"""

WORDS = {"timber": "wood", "sheet": "a board", "screen": "foil or sheet metal", "metal": "metal"}

CAUTION = (
    "High radio-frequency voltage beside wood, boards or cables brings corona, charring and worn "
    "insulation: end every wire on an end insulator, keep ends off timber and cables, and do not "
    "trust a jacket as insulation."
)


@dataclass(frozen=True, eq=False)
class VoltageLimits(Record):
    """When a voltage near something is worth a warning.

    Attributes
    ----------
    peak : float
        Peak potential from which on nearness matters. [V]
    distance : float
        How near is near. [m]
    field : float
        Peak potential over the gap that is too much whatever the potential is; inf: not asked.
        The gap counts as 1 mm where it is less. [V/m]

    Notes
    -----
    1 kV and 50 mm are common practice, not a limit of any code.
    """

    peak: float = 1000.0
    distance: float = 0.050
    field: float = math.inf

    def __post_init__(self) -> None:
        for name, unit in (("peak", "V"), ("distance", "m"), ("field", "V/m")):
            value = getattr(self, name)
            fits = isinstance(value, int | float) and not isinstance(value, bool) and value > 0.0
            if not fits or (name != "field" and math.isinf(value)):
                raise SolverError(
                    f"The voltage limit {name} is {value!r} {unit}; it must be a number above zero"
                    + (", or inf to leave it out." if name == "field" else " and finite.")
                )
            object.__setattr__(self, name, float(value))

    def are_passed(self, peak: FloatArray, gap: FloatArray) -> np.ndarray:
        """Whether a peak potential [V] so far [m] from something is worth a warning; broadcast."""
        steep = peak / np.maximum(gap, TOUCHING) > self.field
        return (peak > self.peak) & (gap < self.distance) | steep


@dataclass(frozen=True, eq=False)
class WireVoltage(Record):
    """Potential along one wire.

    Attributes
    ----------
    wire : str
    distances : (M,) float
        Along the wire, rising, both ends among them. [m]
    potential : (M,) complex
        At the conductor's surface, RMS, see `wire_voltages`. [V]
    """

    wire: str
    distances: FloatArray
    potential: ComplexArray

    @property
    def rms(self) -> FloatArray:
        """Magnitude, (M,). [V]"""
        return np.abs(self.potential)

    @property
    def peak(self) -> FloatArray:
        """Greatest in a cycle of a steady carrier, (M,). [V]"""
        return math.sqrt(2.0) * self.rms

    def plot(self, ax: Axes | None = None) -> Axes:
        """Peak voltage along the wire."""
        from .views.voltage_figures import draw_wire_voltages

        return draw_wire_voltages([self], ax)

    @property
    def ends(self) -> dict[str, complex]:
        """At "start" and "end". [V]"""
        return {"start": complex(self.potential[0]), "end": complex(self.potential[-1])}


@dataclass(frozen=True, eq=False)
class VoltageReading(Record):
    """Voltage at an end of a wire, or at the place along it that wants watching most.

    Attributes
    ----------
    wire : str
    place : str
        "start", "end" or "along".
    at : float
        Distance along the wire. [m]
    is_open_end : bool
        Whether nothing else meets there.
    rms, peak : float
        Potential against remote earth. [V]
    nearest, nearest_kind : str
        Timber, sheet, or piece of metal that is nearest; "" where there is none.
    gap : float
        From the conductor's surface to that; inf where there is none. [m]
    is_flagged : bool
        Whether limits are passed.
    """

    wire: str
    place: str
    at: float
    is_open_end: bool
    rms: float
    peak: float
    nearest: str
    nearest_kind: str
    gap: float
    is_flagged: bool

    @property
    def label(self) -> str:
        """As "end of long", "long at 3.2 m"."""
        if self.place == "along":
            return f"{self.wire} at {self.at:.2f} m"
        return f"{self.place} of {self.wire}"


def worst_first(readings: Sequence[VoltageReading]) -> list[VoltageReading]:
    """Flagged ones first, then by peak; what is told along a wire is dropped at its ends."""
    ends = {(one.wire, one.at) for one in readings if one.place != "along"}
    some = [one for one in readings if one.place != "along" or (one.wire, one.at) not in ends]
    return sorted(some, key=lambda one: (not one.is_flagged, -one.peak))


def in_words(reading: VoltageReading) -> str:
    """A warning, or what there is to say, in one sentence."""
    text = f"{reading.label}: {reading.peak:.0f} V peak"
    if not reading.nearest:
        return f"{text}, with nothing drawn near it."
    kind = WORDS.get(reading.nearest_kind, f"a {reading.nearest_kind}")
    text += f", {reading.gap * 1e3:.0f} mm from {kind} ({reading.nearest})"
    return f"{text}, too near." if reading.is_flagged else f"{text}."
