"""Two or more layouts in the same house, side by side."""

from __future__ import annotations

import html
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from .answer_records import Answer, BandAnswer, data_frame, same
from .bands import Band
from .errors import SolverError

DECIBELS_PER_S_UNIT = 6.0
"""IARU Region 1 recommendation on S-meters (from memory)."""


@dataclass(frozen=True)
class ComparedAngle:
    """Gain of one layout in one direction.

    Attributes
    ----------
    elevation_deg : float
    direction_deg : float or None
        Bearing (azimuth without a house); None: averaged over all bearings, as power.
    gain_dbi : float
    difference : float
        To the first layout. [dB]
    """

    elevation_deg: float
    direction_deg: float | None
    gain_dbi: float
    difference: float

    @property
    def s_units(self) -> float:
        """Difference in S-units of 6 dB."""
        return self.difference / DECIBELS_PER_S_UNIT


@dataclass(frozen=True)
class ComparisonRow:
    """One layout on one band.

    Attributes
    ----------
    band : str
    layout : str
    rank : int
        1 is the best of the band, by `mean_difference`.
    angles : tuple of ComparedAngle
    mean_difference : float
        Mean of the differences. [dB]
    efficiency : float
        At the centre, 0 to 1.
    lowest_swr : float
    """

    band: str
    layout: str
    rank: int
    angles: tuple[ComparedAngle, ...]
    mean_difference: float
    efficiency: float
    lowest_swr: float


@dataclass(frozen=True, repr=False)
class Comparison:
    """Layouts ranked, band by band and over all.

    Attributes
    ----------
    first : str
        The layout that all differences are relative to.
    rows : tuple of ComparisonRow
        By band, the best first.
    ranking : tuple of (layout, mean difference over all bands and angles [dB])
        The best first.
    reference : float
        What SWR refers to. [ohm]
    has_bearings : bool
    left_out : tuple of str
        Bands that not every answer holds; they are not compared.
    """

    first: str
    rows: tuple[ComparisonRow, ...]
    ranking: tuple[tuple[str, float], ...]
    reference: float
    has_bearings: bool
    left_out: tuple[str, ...] = ()

    @property
    def best(self) -> str:
        """The layout with the greatest mean gain."""
        return self.ranking[0][0]

    def __iter__(self) -> Iterator[ComparisonRow]:
        return iter(self.rows)

    def to_dataframe(self) -> Any:
        """One row a band, layout and angle; needs pandas."""
        columns: dict[str, list[Any]] = {}
        for row in self.rows:
            for at in row.angles:
                values = {
                    "band": row.band, "layout": row.layout, "rank": row.rank,
                    "elevation_deg": at.elevation_deg,
                    "bearing_deg" if self.has_bearings else "azimuth_deg":
                        np.nan if at.direction_deg is None else at.direction_deg,
                    "gain_dbi": at.gain_dbi, "difference_db": at.difference,
                    "difference_s_units": at.s_units, "efficiency": row.efficiency,
                    f"lowest_swr_{self.reference:g}": row.lowest_swr,
                }  # fmt: skip
                for key, value in values.items():
                    columns.setdefault(key, []).append(value)
        return data_frame(columns)

    def to_text(self, *, width: int = 100) -> str:
        """The printed comparison."""
        from .views.tables import comparison_text

        return comparison_text(self, width=width)

    def __str__(self) -> str:
        return self.to_text()

    __repr__ = __str__

    def _repr_html_(self) -> str:
        return f"<pre>{html.escape(str(self))}</pre>"


def compare(
    answers: Sequence[Answer],
    *,
    elevations: Sequence[float] = (10.0, 25.0, 60.0),
    bearings: Sequence[float] | None = None,
    names: Sequence[str] | None = None,
) -> Comparison:
    """Rank two or more layouts in the same house.

    Parameters
    ----------
    answers : sequence of Answer
        All of the same house and earth; differences are to the first, in the bands all hold.
    elevations : sequence of float
        Angles above the horizon. [degree]
    bearings : sequence of float, optional
        Compass bearings (azimuths where there is no house); left out, the power is averaged over
        all bearings. [degree]
    names : sequence of str, optional
        What to call the layouts.

    Returns
    -------
    Comparison

    Raises
    ------
    SolverError
        If there are fewer than two, or they cannot be compared.

    Notes
    -----
    Gain counts all losses up to the feed point and no mismatch: what a tuner makes of the
    impedance is not in it, so look at the SWR beside it.
    """
    layouts = tuple(answers) if isinstance(answers, Iterable) else (answers,)
    for number, layout in enumerate(layouts, start=1):
        if not isinstance(layout, Answer):
            raise SolverError(
                f"compare takes answers, as answer(plan) gives them; number {number} is {layout!r}."
            )
    _check(layouts, elevations, bearings)
    called = _names(layouts, names)
    angles: list[tuple[float, float | None]] = [
        (float(e), None if b is None else float(b))
        for e in elevations
        for b in ([None] if bearings is None else bearings)
    ]
    rows: list[ComparisonRow] = []
    shared, left_out = _shared_bands(layouts)
    for band in shared:
        inside = [next(b for b in layout.bands if b.band == band) for layout in layouts]
        gains = [_gains(here, angles) for here in inside]
        found = []
        for name, here, gain in zip(called, inside, gains, strict=True):
            differences = gain - gains[0]
            found.append(
                (
                    name,
                    here,
                    float(differences.mean()),
                    tuple(
                        ComparedAngle(e, b, float(g), float(d))
                        for (e, b), g, d in zip(angles, gain, differences, strict=True)
                    ),
                )
            )
        found.sort(key=lambda item: -item[2])
        rows += [
            ComparisonRow(band.name, name, rank, at, mean, here.efficiency, here.lowest.swr)
            for rank, (name, here, mean, at) in enumerate(found, start=1)
        ]
    means = {
        name: float(np.mean([row.mean_difference for row in rows if row.layout == name]))
        for name in called
    }
    ranking = tuple(sorted(means.items(), key=lambda item: -item[1]))
    return Comparison(
        called[0],
        tuple(rows),
        ranking,
        layouts[0].reference,
        layouts[0].house is not None,
        left_out,
    )


def _shared_bands(layouts: Sequence[Answer]) -> tuple[list[Band], tuple[str, ...]]:
    """Bands that every answer holds, in the first one's order, and the names of the others."""
    held = [[b.band for b in layout.bands] for layout in layouts]
    shared = [band for band in held[0] if all(band in own for own in held)]
    others = dict.fromkeys(str(band) for own in held for band in own if band not in shared)
    return shared, tuple(others)


def _gains(band: BandAnswer, angles: Sequence[tuple[float, float | None]]) -> np.ndarray:
    around = np.arange(0.0, 360.0, 5.0)
    found = []
    for elevation, direction in angles:
        if direction is None:
            power = 10.0 ** (band.gain_at(elevation, around) / 10.0)
            found.append(10.0 * np.log10(power.mean()))
        else:
            found.append(float(band.gain_at(elevation, direction)))
    return np.array(found)


def _check(
    layouts: Sequence[Answer], elevations: Sequence[float], bearings: Sequence[float] | None
) -> None:
    if len(layouts) < 2:
        raise SolverError(f"compare needs two answers or more, got {len(layouts)}.")
    if not _are_numbers(elevations) or not all(0.0 < e <= 90.0 for e in elevations):
        raise SolverError(
            f"elevations is {elevations!r}; a list of angles above the horizon is needed, above 0 "
            "and up to 90 degrees."
        )
    if bearings is not None and not _are_numbers(bearings):
        raise SolverError(
            f"bearings is {bearings!r}; a list of finite degrees is needed. Leave it out to "
            "average over all bearings."
        )
    first = layouts[0]
    for other in layouts[1:]:
        if not same(first.house, other.house):
            raise SolverError(
                f"{first.name!r} and {other.name!r} are not in the same house: outline, heights "
                "and ridge_bearing must be equal, or bearings would mean different things."
            )
        if first.earth != other.earth:
            raise SolverError(
                f"{first.name!r} is over {first.earth}, {other.name!r} over {other.earth}; compare "
                "layouts over the same earth."
            )
        if first.reference != other.reference:
            raise SolverError(
                f"SWR refers to {first.reference:g} ohm in {first.name!r} and to "
                f"{other.reference:g} ohm in {other.name!r}; answer both with one reference."
            )
    if not _shared_bands(layouts)[0]:
        held = "; ".join(f"{a.name!r} {', '.join(str(b.band) for b in a.bands)}" for a in layouts)
        raise SolverError(
            f"No band is in every answer: {held}. Answer all for the same bands, or at least one "
            "of them."
        )


def _are_numbers(values: object) -> bool:
    """Whether it is a list of finite numbers that is not empty."""
    try:
        found = np.asarray(values)
    except ValueError:
        return False
    return (
        found.ndim == 1
        and found.size > 0
        and found.dtype.kind in "iuf"
        and bool(np.isfinite(found).all())
    )


def _names(layouts: Sequence[Answer], names: Sequence[str] | None) -> list[str]:
    if names is not None:
        if len(names) != len(layouts) or len(set(names)) != len(names):
            raise SolverError(f"names is {list(names)}; {len(layouts)} different names are needed.")
        return list(names)
    found = [layout.name for layout in layouts]
    if len(set(found)) == len(found):
        return found
    # The same file in several forms: tell them by the lengths that differ.
    lengths = [{w.name: round(w.length, 3) for w in layout.wires if w.is_element}
               for layout in layouts]  # fmt: skip
    told = []
    for n, own in enumerate(lengths):
        differing = [
            f"{wire} {size:.2f} m"
            for wire, size in own.items()
            if any(other.get(wire) != size for other in lengths)
        ]
        told.append(f"{found[n]} ({', '.join(differing)})" if differing else found[n])
    return [
        name if told.count(name) == 1 else f"{name} no. {told[: n + 1].count(name)}"
        for n, name in enumerate(told)
    ]
