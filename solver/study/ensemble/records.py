"""How sure an answer is: every figure with its 10-50-90 % values, and what it hangs on."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np

from ....geometry.lengths import Length
from ...answer_records import data_frame, swr_of
from ...bands import Band
from ...errors import BandError, SolverError
from ...moments.basis import ComplexArray, FloatArray
from ..unknowns import Unknown, Unknowns
from .quantities import CURVES, DECIDING, PARTS
from .sobol import Group, Indices, dependent_groups, first_order, groups_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from .measuring import MeasuringSheet

__all__ = ["BandSureness", "Check", "Contribution", "HowSure"]


@dataclass(frozen=True)
class Check:
    """One house of an ensemble against the same one solved by itself, at a band's centre.

    Attributes
    ----------
    band : str
    case : int
        Which house.
    reflection : float
        Difference of the reflection coefficients.
    budget : float
        Greatest difference of a part of the budget, of the input.
    """

    band: str
    case: int
    reflection: float
    budget: float


@dataclass(frozen=True)
class Contribution:
    """What one unknown does to the figures that decide, over all bands.

    Attributes
    ----------
    unknown : Unknown
    share : float
        Part of their variance that goes once it is known.
    error : float
        Its standard error.
    most_on : str
        Band and figure on which it does the most, "SWR on 40 m".
    most : float
        Part of the variance there.
    """

    unknown: Unknown
    share: float
    error: float
    most_on: str
    most: float


@dataclass(frozen=True, eq=False, repr=False)
class BandSureness:
    """One band of an ensemble.

    Attributes
    ----------
    band : Band
    reference, power : float
        [ohm, W]
    frequencies : (F,) float
        From edge to edge. [Hz]
    impedances : (V, F) complex
        At the feed point in all cases. [ohm]
    values : mapping of str to (V,) float
        Every figure in all cases; see `QUANTITIES`.
    told_impedances : (F,) complex
        With all unknowns at their middle, and none of the candidate cables. [ohm]
    told : mapping of str to float
        The figures there.
    groups : tuple of Group
        What the unknowns may add to a figure.
    independent : bool
        Whether the unknowns are independent of each other.
    """

    band: Band
    reference: float
    power: float
    frequencies: FloatArray
    impedances: ComplexArray
    values: Mapping[str, FloatArray]
    told_impedances: ComplexArray
    told: Mapping[str, float]
    groups: tuple[Group, ...]
    independent: bool
    _indices: dict[str, Indices] = field(default_factory=dict, repr=False)

    @property
    def name(self) -> str:
        return self.band.name

    @property
    def figures(self) -> tuple[str, ...]:
        """Names of the figures, in the order of the five questions."""
        return tuple(self.values)

    def figure(self, name: str) -> FloatArray:
        """A figure in all cases, (V,).

        Raises
        ------
        SolverError
            If there is none of that name.
        """
        if name not in self.values:
            raise SolverError(
                f"There is no figure {name!r} on {self.name}; there are: {', '.join(self.values)}."
            )
        return self.values[name]

    def quantiles(self, figure: str) -> FloatArray:
        """The 10, 50 and 90 % values of a figure, (3,); NaN where some cases have none."""
        return np.quantile(self.figure(figure), PARTS)

    def curves(self, figure: str) -> FloatArray:
        """Resistance, reactance or SWR in all cases at `frequencies`, (V, F)."""
        return _curve(figure, self.impedances, self.reference)

    def curve(self, figure: str) -> FloatArray:
        """Their 10, 50 and 90 % values, (3, F)."""
        return np.quantile(self.curves(figure), PARTS, axis=0)

    def told_curve(self, figure: str) -> FloatArray:
        """The same with all unknowns at their middle, (F,)."""
        return _curve(figure, self.told_impedances, self.reference)

    def indices(self, figure: str) -> Indices:
        """First-order Sobol indices of a figure."""
        if figure not in self._indices:
            values = self.figure(figure)
            self._indices[figure] = first_order(values, self.groups, independent=self.independent)
        return self._indices[figure]

    def plot(self, what: str = "swr", ax: Axes | None = None) -> Axes:
        """SWR, "resistance" or "reactance" over the band, with the range of four cases in five."""
        from ...views.ensemble_figures import draw_curve

        return draw_curve(self, what, ax)

    def to_dataframe(self) -> Any:
        """One row a case, one column a figure; needs pandas."""
        return data_frame({name: np.array(values) for name, values in self.values.items()})

    def __repr__(self) -> str:
        low, middle, high = self.quantiles("swr")
        return (
            f"<BandSureness {self.name}: {self.impedances.shape[0]} cases, SWR ({self.reference:g} "
            f"ohm) {low:.3g} | {middle:.3g} | {high:.3g}>"
        )


def _curve(figure: str, impedance: ComplexArray, reference: float) -> FloatArray:
    if figure == "resistance":
        return impedance.real
    if figure == "reactance":
        return impedance.imag
    if figure == "swr":
        return np.asarray(swr_of(impedance, reference))
    raise SolverError(f"There is no curve of {figure!r}; there are: {', '.join(CURVES)}.")


@dataclass(frozen=True, eq=False, repr=False)
class HowSure:
    """Every figure of an answer over all that is not known; see `how_sure`.

    Attributes
    ----------
    name : str
        Of the attic.
    bands : tuple of BandSureness
    unknowns : Unknowns
        All that is not known.
    scores : (V, U) float
        Of the unknowns that are not cables, in their order.
    cables : (V, C) bool
        Which of the candidate cables are there.
    seed : int
    reference, power : float
        [ohm, W]
    after : str
        What the cases are drawn after: "" where nothing was read, or "readings".
    lengths : mapping of str to float
        Of the elements, as told. [m]
    units : mapping of str to str
        In which unit of length the file tells what is unknown, by name.
    check : Check or None
        None where none was asked for.
    """

    name: str
    bands: tuple[BandSureness, ...]
    unknowns: Unknowns
    scores: FloatArray
    cables: Any
    seed: int
    reference: float
    power: float
    after: str
    lengths: Mapping[str, float]
    units: Mapping[str, str]
    check: Check | None = None

    def band(self, name: str) -> BandSureness:
        """One band.

        Raises
        ------
        BandError
            If it was not asked for; the message lists what was.
        """
        for one in self.bands:
            if one.name == name or one.name == name.strip().replace("m", " m").replace("  ", " "):
                return one
        have = ", ".join(one.name for one in self.bands)
        raise BandError(f"Band {name!r} was not asked for; there are: {have}.")

    def __iter__(self) -> Iterator[BandSureness]:
        return iter(self.bands)

    def __len__(self) -> int:
        return len(self.bands)

    @property
    def count(self) -> int:
        """How many cases."""
        return self.scores.shape[0]

    @property
    def figures(self) -> tuple[str, ...]:
        """Names of the figures, in the order of the five questions."""
        return self.bands[0].figures

    def length_text(self, element: str) -> str:
        """Length of an element as the file has it, in its unit."""
        unit = self.units.get(f"length of {element}", "m")
        value = self.lengths[element]
        return f"{value:.2f} m" if unit == "m" else str(Length(value, unit))

    def values(self, figure: str, band: str) -> FloatArray:
        """A figure on a band in all cases, (V,)."""
        return self.band(band).figure(figure)

    def quantiles(self, figure: str, band: str) -> FloatArray:
        """The 10, 50 and 90 % values of a figure on a band, (3,)."""
        return self.band(band).quantiles(figure)

    def told(self, figure: str, band: str) -> float:
        """A figure on a band with all unknowns at their middle, and no cables but those told."""
        own = self.band(band)
        own.figure(figure)
        return float(own.told[figure])

    def indices(self, figure: str, band: str) -> Indices:
        """First-order Sobol indices of a figure on a band."""
        return self.band(band).indices(figure)

    @cached_property
    def contributions(self) -> tuple[Contribution, ...]:
        """What the unknowns do to the figures that decide, the greatest first.

        Reflection coefficient, reactance and efficiency count alike (`DECIDING`); bands by how
        wide the figure is there: the 10 to 90 % range itself, of the reactance over the size of
        the impedance and the reference.
        """
        names = self.bands[0].indices(DECIDING[0]).names
        shares, errors = np.zeros(len(names)), np.zeros(len(names))
        most, where = np.full(len(names), -np.inf), [""] * len(names)
        told = 0
        for figure in DECIDING:
            found = [(one, one.indices(figure), _width(one, figure)) for one in self.bands]
            found = [(one, each, w) for one, each, w in found if each.is_known and w > 0.0]
            whole = sum(w for *_, w in found)
            if not found:
                continue
            told += 1
            for one, each, weight in found:
                shares += each.shares * weight / whole
                errors += (each.errors * weight / whole) ** 2
                for n in np.flatnonzero(each.shares > most):
                    most[n] = each.shares[n]
                    where[n] = f"{_DECIDED[figure]} on {one.name}"
        if not told:
            return ()
        shares, errors = shares / told, np.sqrt(errors) / told
        rows = [
            Contribution(
                self.unknowns.named(name), float(shares[n]), float(errors[n]), where[n],
                float(most[n]),
            )
            for n, name in enumerate(names)
        ]  # fmt: skip
        return tuple(sorted(rows, key=lambda row: -row.share))

    def measuring_sheet(self) -> MeasuringSheet:
        """What to measure, in the order in which it changes the answer."""
        from .measuring import measuring_sheet

        return measuring_sheet(self)

    def plot(
        self, what: str = "swr", ax: Axes | None = None, *, bands: Sequence[str] | None = None
    ) -> Any:
        """A picture of the ensemble.

        Parameters
        ----------
        what : str
            "swr", "impedance", "watts" or "what matters": see `views.ensemble_figures.PICTURES`.
        ax : Axes, optional
            For "watts" and "what matters", which fit into one.
        bands : sequence of str, optional
            All where left out.

        Returns
        -------
        Figure, or Axes of "what matters" and where `ax` is given
        """
        from ...views.ensemble_figures import draw

        return draw(self, what, ax, bands=bands)

    def to_dataframe(self) -> Any:
        """One row a band and figure, with its quantiles and what it hangs on; needs pandas."""
        from ...views.how_sure_page import how_sure_columns

        return data_frame(how_sure_columns(self))

    def to_text(self, *, width: int = 100) -> str:
        """The printed form, no wider than `width` where it can be."""
        from ...views.how_sure_page import how_sure_text

        return how_sure_text(self, width=width)

    def __str__(self) -> str:
        return self.to_text()

    __repr__ = __str__

    def _repr_html_(self) -> str:
        from ...views.how_sure_page import how_sure_html

        return how_sure_html(self)


_DECIDED = {"reflection": "SWR", "reactance": "X", "efficiency": "efficiency"}


def _width(band: BandSureness, figure: str) -> float:
    low, _, high = band.quantiles(figure)
    width = float(high - low)
    if figure == "reactance":
        size = np.abs(band.values["resistance"] + 1j * band.values["reactance"])
        width /= float(np.median(size)) + band.reference
    return width if np.isfinite(width) else 0.0


def groups_for(
    unknowns: Unknowns, scores: FloatArray, cables: Any, *, independent: bool
) -> tuple[Group, ...]:
    """Groups of an ensemble's cases."""
    names = [one.name for one in unknowns if one.kind != "cables"]
    lying = [one.name for one in unknowns if one.kind == "cables"]
    make = groups_of if independent else dependent_groups
    return tuple(make(names, scores, cables, cables_name=lying[0] if lying else ""))
