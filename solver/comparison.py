"""Two or more layouts in the same house, side by side."""

from __future__ import annotations

import html
import tomllib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from ..geometry.file_tables import HOUSE_TABLES
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
        1 is the best of the band, by `mean_difference`, or by `point_current` where a point was
        asked for.
    angles : tuple of ComparedAngle
    mean_difference : float
        Mean of the differences. [dB]
    efficiency : float
        At the centre, 0 to 1.
    lowest_swr : float
    point_current : float
        At the named point, RMS at the answers' power; NaN where none was asked for. [A]
    point_difference : float
        Against the first layout. [dB]
    """

    band: str
    layout: str
    rank: int
    angles: tuple[ComparedAngle, ...]
    mean_difference: float
    efficiency: float
    lowest_swr: float
    point_current: float = np.nan
    point_difference: float = np.nan


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
        The best first; with a point, (layout, mean over all bands of its current's difference
        [dB]), the least first.
    reference : float
        What SWR refers to. [ohm]
    has_bearings : bool
    left_out : tuple of str
        Bands that not every answer holds; they are not compared.
    point : str
        The named point whose current ranks; "" where gain does.
    power : float
        Into the feed point, for that current. [W]
    house_differs : tuple of (layout, tables)
        Layouts whose file describes the house around the wires otherwise than the first's does,
        and in which tables ("roof", "cable"): what they gain may be the house's. Answers that keep
        no file are not looked at.
    """

    first: str
    rows: tuple[ComparisonRow, ...]
    ranking: tuple[tuple[str, float], ...]
    reference: float
    has_bearings: bool
    left_out: tuple[str, ...] = ()
    point: str = ""
    power: float = np.nan
    house_differs: tuple[tuple[str, tuple[str, ...]], ...] = ()

    @property
    def best(self) -> str:
        """The layout with the greatest mean gain, or with the least current at the point."""
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
                if self.point:
                    values["point_current_a"] = row.point_current
                    values["point_difference_db"] = row.point_difference
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
    point: str | None = None,
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
    point : str, optional
        Rank by the current at the named point of that name, the least first. Bands in which it
        is 0 in the first layout have no difference in dB.

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
    if point is not None:
        _check_point(layouts, point)
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
        sizes = [
            np.nan if point is None else abs(here.named_point(point).current) for here in inside
        ]
        found = []
        for name, here, gain, size in zip(called, inside, gains, sizes, strict=True):
            differences = gain - gains[0]
            at = tuple(
                ComparedAngle(e, b, float(g), float(d))
                for (e, b), g, d in zip(angles, gain, differences, strict=True)
            )
            found.append(
                ComparisonRow(
                    band.name, name, 0, at, float(differences.mean()), here.efficiency,
                    here.lowest.swr, float(size), _level(size, sizes[0]),
                )
            )  # fmt: skip
        found.sort(key=lambda row: row.point_current if point else -row.mean_difference)
        rows += [replace(row, rank=rank) for rank, row in enumerate(found, start=1)]
    sign = 1.0 if point else -1.0
    means = {name: _mean_difference(rows, name, by_point=bool(point)) for name in called}
    ranking = tuple(sorted(means.items(), key=lambda item: sign * item[1]))
    return Comparison(
        called[0],
        tuple(rows),
        ranking,
        layouts[0].reference,
        layouts[0].house is not None,
        left_out,
        point or "",
        layouts[0].power if point else np.nan,
        tuple(
            (name, tables)
            for name, layout in zip(called, layouts, strict=True)
            if (tables := _differing_tables(layouts[0].text, layout.text))
        ),
    )


def _differing_tables(one: str, other: str) -> tuple[str, ...]:
    """Tables of the house in which two attic files differ; none where a text is missing."""
    if not (one and other):
        return ()
    first, second = tomllib.loads(one), tomllib.loads(other)
    return tuple(name for name in HOUSE_TABLES if first.get(name) != second.get(name))


def _level(current: float, first: float) -> float:
    """A current against another. [dB]"""
    if not (current > 0.0 and first > 0.0):
        return np.nan
    return float(20.0 * np.log10(current / first))


def _mean_difference(rows: Sequence[ComparisonRow], layout: str, *, by_point: bool) -> float:
    """Of a layout, over all bands; NaN where no band has one. [dB]"""
    own = [row for row in rows if row.layout == layout]
    values = np.array([row.point_difference if by_point else row.mean_difference for row in own])
    known = values[~np.isnan(values)]
    return float(known.mean()) if known.size else np.nan


def _check_point(layouts: Sequence[Answer], point: object) -> None:
    for layout in layouts:
        there = {one.point for band in layout.bands for one in band.named_points}
        if point not in there:
            names = ", ".join(map(repr, sorted(there))) or "none"
            raise SolverError(
                f"{layout.name!r} has no point called {point!r}; its named points are: {names}. "
                "Name it on a conductor that both layouts hold."
            )
    powers = {layout.power for layout in layouts}
    if len(powers) > 1:
        raise SolverError(
            f"The answers are for {' and '.join(f'{p:g} W' for p in sorted(powers))}; currents at "
            f"{point!r} can be compared for one power only."
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
