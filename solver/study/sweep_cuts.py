"""Cuts through a sweep: over one length and the bands, against one parameter, per centimetre."""

from __future__ import annotations

import html
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ..answer_records import data_frame
from ..errors import SweepError
from ..moments.basis import ComplexArray, FloatArray
from .sweep_quantities import Asked, axis_label, is_choice
from .sweep_records import Parameter

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from .sweep_result import SweepResult

MOST_GROUPS = 24
"""More different values of a parameter than this are told in groups of about equal size."""

SPREAD = (0.1, 0.9)
"""Parts of the layouts below the low and the high end of a range."""

MOST_TRIED = 50
"""Of the best, until one has neighbours."""

COARSE = 0.25
"""Slopes to the shorter and to the longer neighbour may differ by this part of the greater one."""


@dataclass(frozen=True, eq=False)
class LengthMap:
    """A quantity over one parameter and the bands.

    Attributes
    ----------
    parameter : Parameter
    lengths : (n,) float
        Its values, rising. [its unit]
    bands : tuple of str
    quantity : Asked
    values : (n, B) float
    layouts : (n,) int
        Numbers of the layouts.
    at : int
        The layout whose other parameters are held.
    """

    parameter: Parameter
    lengths: FloatArray
    bands: tuple[str, ...]
    quantity: Asked
    values: FloatArray
    layouts: NDArray[np.int64]
    at: int


def length_map(
    result: SweepResult, parameter: str, quantity: str, *, at: int | None = None
) -> LengthMap:
    """See `SweepResult.length_map`."""
    varied = _number(result, parameter)
    asked = result.ask(quantity)
    if not asked.is_by_band:
        raise SweepError(
            f"{asked.name!r} has no number for each band, so there is no map of it; "
            f"{asked.quantity.name!r} alone may have." if not asked.is_parameter else
            f"{asked.name!r} is a parameter; a map shows what follows from it, as 'swr'."
        )  # fmt: skip
    layout = _with_neighbours(result, varied.name, at)
    numbers = result.sharing(varied.name, layout)
    if numbers.size < 2:
        raise SweepError(_alone(result, varied.name, layout))
    return LengthMap(
        varied,
        result.parameters[varied.name][numbers],
        tuple(band.name for band in result.plan.bands),
        asked,
        result.quantity(asked.name)[numbers],
        numbers,
        layout,
    )


@dataclass(frozen=True, eq=False)
class Spread:
    """A quantity against one parameter, over all that else was varied.

    Attributes
    ----------
    parameter : Parameter
    quantity : Asked
    labels : tuple of str
        Of the choices, where the parameter is no number; else empty.
    values : (n,) float
        Of the parameter: its distinct values or the means of groups; 0, 1, ... of choices.
    median, low, high : (n,) float
        Of the quantity: half, a tenth, nine tenths of the layouts are below.
    counts : (n,) int
        Layouts behind each.
    is_grouped : bool
        Whether values are means of groups.
    """

    parameter: Parameter
    quantity: Asked
    labels: tuple[str, ...]
    values: FloatArray
    median: FloatArray
    low: FloatArray
    high: FloatArray
    counts: NDArray[np.int64]
    is_grouped: bool


def spread(
    result: SweepResult, parameter: str, quantity: str, *, bands: Sequence[str] | None = None
) -> Spread:
    """See `SweepResult.against`."""
    varied = result.parameter(parameter)
    asked, found = result.numbers(quantity, bands=bands)
    place = [p.name for p in result.plan.design.parameters].index(varied.name)
    column = np.asarray(result.plan.design.columns[place], dtype=np.float64)
    numbers = np.flatnonzero(result.done & result.passed & ~np.isnan(found))
    if not numbers.size:
        raise SweepError(f"No layout is done and left that has a number for {asked.name!r}.")
    own, of = column[numbers], found[numbers]
    values, group = np.unique(own, return_inverse=True)
    is_grouped = values.size > MOST_GROUPS and not is_choice(varied)
    if is_grouped:
        edges = np.quantile(own, np.linspace(0.0, 1.0, MOST_GROUPS + 1)[1:-1])
        group = np.searchsorted(np.unique(edges), own, side="right")
        _, group = np.unique(group, return_inverse=True)
    counts = np.bincount(group)
    means = np.bincount(group, own) / counts if is_grouped else values
    parts = np.split(of[np.argsort(group, kind="stable")], np.cumsum(counts)[:-1])
    low, median, high = (
        np.array([np.quantile(part, q, method="nearest") for part in parts])
        if q != 0.5
        else np.array([np.median(part) for part in parts])
        for q in (SPREAD[0], 0.5, SPREAD[1])
    )
    labels: tuple[str, ...] = ()
    if is_choice(varied):
        labels = tuple(axis_label(varied.choices[int(v)]) for v in values)
    return Spread(varied, asked, labels, means, median, low, high, counts, is_grouped)


@dataclass(frozen=True)
class TrimRow:
    """What a change of one length does on one band, about one layout.

    Attributes
    ----------
    band : str
    frequency : float
        At which reactance and resonance are told: the band's point nearest to its centre. [Hz]
    reactance : float
        There. [ohm]
    reactance_slope : float
        Change of the reactance per length added. [ohm/m]
    resonance_slope : float
        How far the frequency of that reactance moves per length added: the resonance's shift, if
        it is resonant. [Hz/m]
    is_coarse : bool
        Whether the neighbours are too far away for the slopes to be trusted.
    reason : str
        Why, or why there is no number; else "".
    """

    band: str
    frequency: float
    reactance: float
    reactance_slope: float
    resonance_slope: float
    is_coarse: bool = False
    reason: str = ""


@dataclass(frozen=True, repr=False)
class TrimTable:
    """What a centimetre of one length does on each band.

    Attributes
    ----------
    name : str
        Of the attic file.
    parameter : Parameter
    layout : int
        The layout to trim.
    length : float
        Its length. [m]
    shorter, longer : float
        Of the neighbours that the slopes come from; NaN where there is none. [m]
    rows : tuple of TrimRow
        By band.
    """

    name: str
    parameter: Parameter
    layout: int
    length: float
    shorter: float
    longer: float
    rows: tuple[TrimRow, ...]

    @property
    def is_coarse(self) -> bool:
        """Whether any band's slopes are not to be trusted."""
        return any(row.is_coarse for row in self.rows)

    def to_dataframe(self) -> Any:
        """One row a band; needs pandas."""
        columns: dict[str, list[Any]] = {}
        for row in self.rows:
            values = {
                "band": row.band, "frequency_hz": row.frequency, "reactance_ohm": row.reactance,
                "reactance_slope_ohm_per_cm": 0.01 * row.reactance_slope,
                "resonance_slope_hz_per_cm": 0.01 * row.resonance_slope,
                "is_coarse": row.is_coarse, "reason": row.reason,
            }  # fmt: skip
            for key, value in values.items():
                columns.setdefault(key, []).append(value)
        return data_frame(columns)

    def plot(self, ax: Axes | None = None) -> Axes:
        """Bars of the shift per centimetre."""
        from ..views.sweep_figures import draw_trim

        return draw_trim(self, ax)

    def to_text(self, *, width: int = 100) -> str:
        """The printed table."""
        from ..views.sweep_page import trim_text

        return trim_text(self, width=width)

    def __str__(self) -> str:
        return self.to_text()

    __repr__ = __str__

    def _repr_html_(self) -> str:
        return f"<pre>{html.escape(str(self))}</pre>"


def trim_table(result: SweepResult, element: str, *, around: int | None = None) -> TrimTable:
    """See `SweepResult.trim_table`.

    Notes
    -----
    With X(l, f) the reactance, the slope dX/dl is the derivative at l of the parabola through the
    layout and its two neighbours; the frequency of a reactance moves by -(dX/dl)/(dX/df), dX/df
    from the band's own points in the same way. Where the slopes to the two sides differ by more
    than `COARSE` of the greater one, or one side is missing, the grid is called too coarse.
    """
    varied = _number(result, element)
    if varied.unit != "m":
        raise SweepError(f"{varied.name!r} is no length, so no centimetre of it can be cut.")
    layout = _with_neighbours(result, varied.name, around)
    if not result.done[layout]:
        raise SweepError(f"Layout {layout} is not done; choose one that is to trim about.")
    numbers = result.sharing(varied.name, layout)
    lengths = result.parameters[varied.name]
    own = float(lengths[layout])
    below = numbers[lengths[numbers] < own][-1:]
    above = numbers[lengths[numbers] > own][:1]
    around_it = [*below.tolist(), layout, *above.tolist()]
    if len(around_it) < 2:
        raise SweepError(_alone(result, varied.name, layout))
    impedance: ComplexArray = np.concatenate(
        [result.store.read("impedance", layouts=slice(k, k + 1)) for k in around_it]
    )
    at = np.array([lengths[k] for k in around_it])
    middle = int(below.size)
    rows = []
    for k, band in enumerate(result.plan.bands):
        points = result.plan.frequencies[k]
        centre = int(np.argmin(np.abs(points - band.centre)))
        reactance = impedance[:, k, centre].imag
        by_length, reason = _slope(at, reactance, middle)
        by_frequency = _own_slope(points, impedance[middle, k].imag, centre)
        shift = -by_length / by_frequency if by_frequency else np.nan
        if not np.isfinite(shift) and not reason:
            reason = "its reactance is not known, or there is one point on the band only"
        rows.append(
            TrimRow(
                band.name, float(points[centre]), float(reactance[middle]), by_length,
                float(shift), bool(reason), reason,
            )
        )  # fmt: skip
    return TrimTable(
        result.name, varied, layout, own,
        float(at[0]) if below.size else np.nan, float(at[-1]) if above.size else np.nan,
        tuple(rows),
    )  # fmt: skip


def _slope(at: FloatArray, values: FloatArray, middle: int) -> tuple[float, str]:
    """Derivative at one of two or three points, and why it is not to be trusted."""
    sides = np.diff(values) / np.diff(at)
    if at.size == 2:
        side = "longer" if middle == 0 else "shorter"
        return float(sides[0]), f"only a {side} neighbour was computed"
    left, right = np.diff(at)
    slope = float((sides[0] * right + sides[1] * left) / (left + right))
    most = float(np.abs(sides).max())
    if most > 0.0 and abs(float(sides[1] - sides[0])) > COARSE * most:
        step = max(left, right)
        return slope, (
            f"the grid is too coarse here: a neighbour is {100.0 * step:.3g} cm away, and the "
            "slopes to the two sides differ"
        )
    return slope, ""


def _own_slope(points: FloatArray, values: FloatArray, at: int) -> float:
    """Derivative over frequency at one point of a band, NaN with one point."""
    if points.size < 2:
        return np.nan
    first = min(max(at - 1, 0), max(points.size - 3, 0))
    return float(np.gradient(values[first : first + 3], points[first : first + 3])[at - first])


def _number(result: SweepResult, name: str) -> Parameter:
    """A parameter that takes numbers; of an element its length, where more of it is varied."""
    names = [p.name for p in result.plan.design.parameters]
    length = f"element.{name}.length"
    found = result.parameter(length if length in names else name)
    if is_choice(found):
        raise SweepError(f"{found.name!r} takes texts or routes; a number is needed here.")
    return found


def _with_neighbours(result: SweepResult, parameter: str, asked: int | None) -> int:
    """The layout asked for, or the best that does not stand alone; the best if all the best do."""
    best = result.chosen(asked)
    if asked is not None or result.sharing(parameter, best).size > 1:
        return best
    among = result.rank(count=MOST_TRIED).layouts.tolist()
    return next((one for one in among if result.sharing(parameter, one).size > 1), best)


def _alone(result: SweepResult, parameter: str, layout: int) -> str:
    return (
        f"No other layout that is done and left differs from layout {layout} in {parameter!r} "
        f"alone ({result.plan.design.method} design): this needs a grid over that parameter."
    )
