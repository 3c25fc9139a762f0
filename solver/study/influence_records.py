"""What `influence` gives back: rows of plain numbers, ranked."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from ..answer_records import data_frame
from ..errors import SolverError
from .resonance import Reference, Shift

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Kind = Literal["metal", "timber", "sheet"]


@dataclass(frozen=True)
class State:
    """The antenna at a band's centre, with everything or without something.

    Attributes
    ----------
    impedance : complex
        At the feed point. [ohm]
    efficiency : float
        Radiated over input power.
    shares : tuple of float
        Low, middle and high angles, of the radiated power.
    """

    impedance: complex
    efficiency: float
    shares: tuple[float, float, float]


NO_STATE = State(complex(np.nan, np.nan), np.nan, (np.nan, np.nan, np.nan))


@dataclass(frozen=True)
class InfluenceRow:
    """What one piece of the house does on one band.

    Attributes
    ----------
    band : str
    piece : str
        A piece of metal or a group of solids.
    kind : "metal", "timber" or "sheet"
    rank : int
        1 is the greatest effect on the band; what the antenna cannot do without comes last.
    frequency : float
        Centre of the band. [Hz]
    whole, without : State
        With everything, and without this piece (all NaN where there is nothing without it).
    resonance : Reference
        Of the whole.
    shift : Shift
        By which the piece moves it.
    current : float
        Greatest current induced in a piece of metal, RMS at 1 W of input; NaN of solids. [A]
    current_at : (wire, distance [m])
        Where that is; the wire of a grid or a lead has a name of its own.
    current_point : (x, y, z)
        The same, z above ground. [m]
    watts : float
        Turned to heat in a group of solids per watt of input; NaN of metal.
    reason : str
        Why there is no state without it, else "".
    """

    band: str
    piece: str
    kind: Kind
    rank: int
    frequency: float
    whole: State
    without: State
    resonance: Reference
    shift: Shift
    current: float
    current_at: tuple[str, float]
    watts: float
    reason: str = ""
    current_point: tuple[float, float, float] = (np.nan, np.nan, np.nan)

    @property
    def impedance_change(self) -> complex:
        """With the piece less without it. [ohm]"""
        return self.whole.impedance - self.without.impedance

    @property
    def efficiency_change(self) -> float:
        """With the piece less without it."""
        return self.whole.efficiency - self.without.efficiency

    @property
    def share_changes(self) -> tuple[float, float, float]:
        """Low, middle, high: with the piece less without it."""
        low, middle, high = np.subtract(self.whole.shares, self.without.shares).tolist()
        return low, middle, high

    @property
    def shift_per_cent(self) -> float:
        """Of the resonance of the whole."""
        return 100.0 * self.shift.by / self.resonance.frequency

    @property
    def effect(self) -> float:
        """What is ranked: relative change of impedance or of efficiency, whichever is greater."""
        return effect_of(self.whole, self.without)


def effect_of(whole: State, without: State) -> float:
    """Relative change of the impedance or of the efficiency, whichever is greater."""
    of_impedance = abs(whole.impedance / without.impedance - 1.0)
    of_efficiency = abs(whole.efficiency / without.efficiency - 1.0)
    return float(np.maximum(of_impedance, of_efficiency))


@dataclass(frozen=True)
class MoistureRow:
    """All timber dry and all timber wet, on one band.

    Attributes
    ----------
    band : str
    frequency : float
        Centre of the band. [Hz]
    dry_moisture, wet_moisture : float
        Water over dry mass.
    dry, wet : State
    dry_watts, wet_watts : float
        Turned to heat in timber per watt of input.
    resonance : Reference
        Of the house as it is.
    shift : Shift
        By which drying moves the resonance of the wet house: with dry less with wet timber.
    """

    band: str
    frequency: float
    dry_moisture: float
    wet_moisture: float
    dry: State
    wet: State
    dry_watts: float
    wet_watts: float
    resonance: Reference
    shift: Shift

    @property
    def effect(self) -> float:
        """As `InfluenceRow.effect`, of wet against dry."""
        return effect_of(self.wet, self.dry)


@dataclass(frozen=True, repr=False)
class Influence:
    """What each piece of the house does to the antenna, ranked.

    Attributes
    ----------
    name : str
    rows : tuple of InfluenceRow
        By band, the greatest effect first.
    moisture : tuple of MoistureRow
        By band; empty without timber.
    angle_limits : pair of float
        What parts low, middle and high angles. [degree]
    unknowns : int
    """

    name: str
    rows: tuple[InfluenceRow, ...]
    moisture: tuple[MoistureRow, ...]
    angle_limits: tuple[float, float]
    unknowns: int

    def __iter__(self) -> Iterator[InfluenceRow]:
        return iter(self.rows)

    @property
    def bands(self) -> tuple[str, ...]:
        """Names of the bands, in order."""
        return tuple(dict.fromkeys(row.band for row in self.rows))

    @property
    def ranking(self) -> tuple[tuple[str, float], ...]:
        """(piece, greatest effect on any band), the greatest first; NaN last."""
        worst: dict[str, float] = {}
        for row in self.rows:
            worst[row.piece] = float(np.fmax(worst.get(row.piece, np.nan), row.effect))
        return tuple(sorted(worst.items(), key=lambda item: (item[1] != item[1], -item[1])))

    def row(self, piece: str, band: str) -> InfluenceRow:
        """What one piece does on one band; SolverError lists what there is."""
        for row in self.rows:
            if row.piece == piece and row.band == band:
                return row
        pieces = ", ".join(repr(name) for name, _ in self.ranking)
        raise SolverError(
            f"There is no piece {piece!r} on {band!r}; pieces are {pieces}, bands "
            f"{', '.join(self.bands)}."
        )

    def to_dataframe(self) -> Any:
        """One row a band and piece; needs pandas."""
        from ..views.influence_page import influence_columns

        return data_frame(influence_columns(self))

    def plot(self, ax: Axes | None = None) -> Axes:
        """Bars of the greatest effects, ranked."""
        from ..views.influence_page import draw_influence

        return draw_influence(self, ax)

    def to_text(self, *, width: int = 100) -> str:
        """The printed form, paragraphs no wider than `width`."""
        from ..views.influence_page import influence_text

        return influence_text(self, width=width)

    def __str__(self) -> str:
        return self.to_text()

    __repr__ = __str__

    def _repr_html_(self) -> str:
        from ..views.influence_page import influence_html

        return influence_html(self)
