"""What a station makes of an answer: tuner, line, watts to the sky, noise and distances.

All of it follows from the impedances, budgets and far fields that an answer holds; nothing is
solved again.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ...geometry.file_tables import AtticFile
from ...geometry.plan import Assumption, AtticPlan
from ..answer_records import Answer, BandAnswer, Record, data_frame
from ..errors import BandError, SolverError
from ..moments.basis import ComplexArray, FloatArray
from .chain import LINE, TUNER, LadderRow
from .checks import require_value
from .hops import DistanceZone, distance_zones, hop_distance, zone_shares
from .line import Line
from .lobes import near_vertical_share
from .noise import NOISE_CLASSES, SystemNoise, external_noise_figure, system_noise
from .station_tables import AT_FEED_POINT, IN_SHACK, StationSetup, read_station, tells_station
from .verdicts import StationChain, copes_of, station_chain
from .window_matcher import WindowMatcher

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

STRONG = 0.5
"""Elevations are strong where the mean over all bearings is at least this part of the most."""

ELEVATIONS = np.arange(1.0, 90.0, 2.0)
BEARINGS = np.arange(0.0, 360.0, 15.0)
"""Where that mean is taken: exact for an antenna within 10 m around the feed at 30 MHz, whose
intensity has some 2 k r = 13 turns around the compass at most. [degree]"""

SMALLEST_SHARE = -1e-6
"""Shares above this and below 0 are rounding; they go to what is unaccounted for."""


@dataclass(frozen=True, eq=False)
class StationPoint(Record):
    """The station at one frequency.

    Attributes
    ----------
    label : str
        "low edge", "centre" or "high edge".
    frequency : float
        [Hz]
    copes : bool
        Whether the tuner copes: SWR at its input within the setup's limit, or within its data
        sheet; without a tuner, whether SWR at the radio is 2 or less.
    settings : str
        Of the tuner, or why it cannot.
    swr : float
        Left at the radio; NaN where a data sheet does not say what happens.
    tuner_loss : float
        Power into the tuner over power out of it. [dB]
    tuner_watts, delivered, sky : float
        Lost in the tuner, into the antenna, radiated to the sky. [W]
    """

    label: str
    frequency: float
    copes: bool
    settings: str
    swr: float
    tuner_loss: float
    tuner_watts: float
    delivered: float
    sky: float


@dataclass(frozen=True, eq=False)
class PartStress(Record):
    """The most that one part has to stand, anywhere in a band where the tuner copes.

    Attributes
    ----------
    part : str
        Of a tuner; "terminals" of one known by its data sheet alone, "line".
    peak_voltage, current : float
        sqrt(2) times the RMS voltage; RMS, NaN where it is not known. [V, A]
    """

    part: str
    peak_voltage: float
    current: float


@dataclass(frozen=True, eq=False)
class StrongRange(Record):
    """Elevations at which most is sent, and the distances that one hop from there reaches.

    Attributes
    ----------
    low_deg, high_deg : float
    near, far : float
        Over ground. [m]
    """

    low_deg: float
    high_deg: float
    near: float
    far: float


@dataclass(frozen=True, eq=False)
class Reach(Record):
    """How far one hop goes.

    Attributes
    ----------
    strong : tuple of StrongRange
        Within 3 dB of the most, on the mean over all bearings.
    zones : tuple of DistanceZone
    shares : tuple of float
        Of the radiated power, towards each zone.
    near_vertical : float
        Share of the radiated power above 70 degrees.
    """

    strong: tuple[StrongRange, ...]
    zones: tuple[DistanceZone, ...]
    shares: tuple[float, ...]
    near_vertical: float


@dataclass(frozen=True, eq=False)
class StationBand(Record):
    """One band.

    Attributes
    ----------
    name : str
    points : tuple of StationPoint
        Low edge, centre, high edge.
    frequencies : ndarray of float, shape (F,)
        Where the tuner was tried. [Hz]
    copes_at : ndarray of bool, shape (F,)
    swr : ndarray of float, shape (F,)
        Left at the radio.
    loads : ndarray of complex, shape (F,)
        What the tuner sees; without one, the antenna. [ohm]
    not_coped : tuple of pair of float
        Ranges of those frequencies, first to last, where it does not cope. [Hz]
    stresses : tuple of PartStress
        Of the tuner's parts; none without a tuner and where it copes nowhere.
    line_stress : PartStress or None
        Anywhere along the line, anywhere in the band.
    ladder : LadderRow or None
        At the centre; None where a data sheet does not say what happens.
    sky_at_feed_point, sky_in_shack : tuple of float
        Watts to the sky at low edge, centre and high edge with the tuner there; empty unless both
        line and tuner are told. [W]
    noise : SystemNoise or None
        None where no class of noise covers the band, or there is no ladder.
    reach : Reach or None
        None in free space.
    """

    name: str
    points: tuple[StationPoint, ...]
    frequencies: FloatArray
    copes_at: NDArray[np.bool_]
    swr: FloatArray
    loads: ComplexArray
    not_coped: tuple[tuple[float, float], ...]
    stresses: tuple[PartStress, ...]
    line_stress: PartStress | None
    ladder: LadderRow | None
    sky_at_feed_point: tuple[float, ...]
    sky_in_shack: tuple[float, ...]
    noise: SystemNoise | None
    reach: Reach | None

    @property
    def centre(self) -> StationPoint:
        return self.points[1]

    @property
    def copes(self) -> bool:
        """Whether the tuner copes everywhere in the band that was tried."""
        return not self.not_coped

    def most(self, of: str) -> float:
        """Greatest "peak_voltage" or "current" of the tuner's parts, NaN without any."""
        values = [getattr(stress, of) for stress in self.stresses]
        known = [value for value in values if value == value]
        return max(known) if known else np.nan


@dataclass(frozen=True, eq=False, repr=False)
class StationAnswer(Record):
    """What the station makes of an answer, band by band.

    Attributes
    ----------
    name : str
        Of the answer.
    setup : StationSetup
    power : float
        That the radio gives into its reference. [W]
    reference : float
        The radio's. [ohm]
    bands : tuple of StationBand
    """

    name: str
    setup: StationSetup
    power: float
    reference: float
    bands: tuple[StationBand, ...]

    @property
    def assumptions(self) -> tuple[Assumption, ...]:
        """What was not told, the worst first."""
        return self.setup.assumptions

    def band(self, name: str) -> StationBand:
        """One band; BandError lists them if there is none of that name."""
        for one in self.bands:
            if one.name == name:
                return one
        have = ", ".join(one.name for one in self.bands)
        raise BandError(f"Band {name!r} was not answered; there are: {have}.")

    def __iter__(self) -> Iterator[StationBand]:
        return iter(self.bands)

    def __len__(self) -> int:
        return len(self.bands)

    def plot(self, ax: Axes | None = None) -> Axes:
        """The ladder: watts of the radio over the bands."""
        from ..views.station_figures import draw_ladder

        return draw_ladder(self, ax)

    def plot_map(self, bands: Sequence[str] | None = None) -> Figure:
        """What the tuner can match at each band's centre, with the loads it gets there as dots.

        Raises
        ------
        SolverError
            If no tuner was told.
        """
        from ..views.station_figures import draw_match_maps

        return draw_match_maps(self, bands)

    def to_dataframe(self) -> Any:
        """One row a band and point; needs pandas."""
        rows = [
            {"band": band.name, **{key: getattr(point, key) for key in POINT_COLUMNS}}
            for band in self.bands
            for point in band.points
        ]
        columns = {
            POINT_COLUMNS.get(key, key): [row[key] for row in rows]
            for key in ("band", *POINT_COLUMNS)
        }
        return data_frame(columns)

    def to_text(self, *, width: int = 100) -> str:
        """The station in words and tables, paragraphs no wider than `width`."""
        from ..views.station_page import station_text

        return station_text(self, width=width)

    def __str__(self) -> str:
        return self.to_text()

    __repr__ = __str__

    def _repr_html_(self) -> str:
        from ..views.station_page import station_html

        return station_html(self)


POINT_COLUMNS = {
    "label": "at",
    "frequency": "frequency_hz",
    "copes": "copes",
    "settings": "settings",
    "swr": "swr_at_radio",
    "tuner_loss": "tuner_loss_db",
    "tuner_watts": "tuner_loss_w",
    "delivered": "delivered_w",
    "sky": "sky_w",
}


def station_answer(
    answer_or_plan: Answer | AtticPlan,
    *,
    setup: StationSetup | None = None,
    power: float | None = None,
) -> StationAnswer:
    """What a station makes of an antenna.

    Parameters
    ----------
    answer_or_plan : Answer or AtticPlan
        An answer, of which nothing is solved again; or a plan, which is answered first.
    setup : StationSetup, optional
        Line, tuner and the rest; the attic file's where left out.
    power : float, optional
        That the radio gives into its reference, > 0; left out, the setup's, or else the answer's
        power. [W]

    Returns
    -------
    StationAnswer

    Raises
    ------
    AtticFileError
        If a table of the file cannot be used.
    SolverError
        If it is neither, or there is no setup: a scene has no attic file.
    """
    found, file = _answer_and_file(answer_or_plan)
    if setup is None:
        if file is None:
            raise SolverError(
                f"answer {found.name!r} holds no attic file to read the station from; give "
                "setup=StationSetup(line=..., tuner=...)."
            )
        setup = read_station(file)
    watts = setup.transmitter_power if power is None else power
    watts = require_value(
        found.power if watts is None else watts, what="power of the radio", unit="W", above=0.0
    )
    reference = found.reference
    shares = _shares(found.bands)
    return StationAnswer(
        name=found.name,
        setup=setup,
        power=watts,
        reference=reference,
        bands=tuple(
            _answer_band(band, setup, watts, reference, share)
            for band, share in zip(found.bands, shares, strict=True)
        ),
    )


def station_of(answer: Answer) -> StationAnswer | None:
    """The station of an answer whose attic file tells of one; None for all others."""
    file = _file_of(answer)
    return station_answer(answer) if file is not None and tells_station(file) else None


def _answer_and_file(what: object) -> tuple[Answer, AtticFile | None]:
    if isinstance(what, AtticPlan):
        from ..answer import answer

        return answer(what), what.file
    if isinstance(what, Answer):
        return what, _file_of(what)
    raise SolverError(
        f"{what!r} is no answer; station_answer takes what answer(...), open_answer(path) or "
        "read_attic(path) gives."
    )


def _file_of(answer: Answer) -> AtticFile | None:
    if not answer.text:
        return None
    from ..settings import TABLES

    return AtticFile.from_text(answer.text, name=f"{answer.name}.toml", other_tables=TABLES)


def _shares(bands: Sequence[BandAnswer]) -> list[dict[str, float] | None]:
    """Where the antenna's watts go, per band; None where the budget does not say."""
    from ..views.tables import watt_columns

    columns = watt_columns(bands)
    found: list[dict[str, float] | None] = []
    for k in range(len(bands)):
        parts = {word: values[k] for word, values in columns.items()}
        known = all(np.isfinite(part) and part >= SMALLEST_SHARE for part in parts.values())
        parts = {word: max(part, 0.0) for word, part in parts.items()}
        found.append(parts if known and abs(1.0 - sum(parts.values())) < 0.02 else None)
    return found


# ---- one band ----------------------------------------------------------------------------


def _answer_band(
    band: BandAnswer,
    setup: StationSetup,
    power: float,
    reference: float,
    shares: dict[str, float] | None,
) -> StationBand:
    points = (band.low_edge, band.centre, band.high_edge)
    n_points = len(points)
    frequencies = np.concatenate([[p.frequency for p in points], band.frequencies])
    antenna = np.concatenate([[p.impedance for p in points], band.impedances])
    efficiency = np.array([p.efficiency for p in points])

    def chain(where: str, count: int | None = None) -> StationChain:
        return station_chain(setup, where, antenna[:count], frequencies[:count], power, reference)

    here = chain(setup.tuner_at)
    ladder = here.ladder
    swr = here.spread(None if ladder is None else ladder.swr)
    delivered = here.spread(None if ladder is None else ladder.delivered)
    copes = copes_of(here, setup, swr)
    column = here.column(TUNER)
    blank = np.full(frequencies.shape, np.nan)
    lost_db, lost = blank, blank
    if ladder is not None and column is not None:
        lost_db = here.spread(ladder.loss_db[:, column])
        lost = here.spread(ladder.lost[:, column])
    sky = delivered[:n_points] * efficiency

    both: dict[str, tuple[float, ...]] = {AT_FEED_POINT: (), IN_SHACK: ()}
    if setup.line is not None and setup.tuner is not None:
        other = IN_SHACK if setup.tuner_at == AT_FEED_POINT else AT_FEED_POINT
        there = chain(other, n_points)
        watts = there.spread(None if there.ladder is None else there.ladder.delivered) * efficiency
        both = {setup.tuner_at: tuple(map(float, sky)), other: tuple(map(float, watts))}

    order = np.unique(frequencies, return_index=True)[1]
    row = _centre_row(here, points[1].efficiency, shares)
    return StationBand(
        name=band.name,
        points=tuple(
            StationPoint(
                point.label,
                point.frequency,
                bool(copes[k]),
                here.words[k],
                float(swr[k]),
                float(lost_db[k]),
                float(lost[k]),
                float(delivered[k]),
                float(sky[k]),
            )
            for k, point in enumerate(points)
        ),
        frequencies=frequencies[order],
        copes_at=copes[order],
        swr=swr[order],
        loads=here.loads[order],
        not_coped=_gaps(frequencies[order], copes[order]),
        stresses=_tuner_stresses(here, copes),
        line_stress=_line_stress(here, setup.line),
        ladder=row,
        sky_at_feed_point=both[AT_FEED_POINT],
        sky_in_shack=both[IN_SHACK],
        noise=None if row is None else _noise(band, setup, row),
        reach=None if band.ground is None else _reach(band, setup.virtual_height),
    )


def _gaps(places: FloatArray, good: NDArray[np.bool_]) -> tuple[tuple[float, float], ...]:
    """First and last place of each run that is not good."""
    edges = np.flatnonzero(np.diff(np.concatenate([[True], good, [True]]).astype(int)))
    return tuple(
        (float(places[first]), float(places[last - 1]))
        for first, last in zip(edges[::2], edges[1::2], strict=True)
    )


def _tuner_stresses(chain: StationChain, copes: NDArray[np.bool_]) -> tuple[PartStress, ...]:
    ladder, column = chain.ladder, chain.column(TUNER)
    if ladder is None or column is None or not copes.any():
        return ()
    if TUNER in ladder.matches:
        match = ladder.matches[TUNER]
        return tuple(
            PartStress(
                part,
                float(match.peak_voltage[copes, k].max()),
                float(match.current[copes, k].max()),
            )
            for k, part in enumerate(match.part_names)
        )
    box = chain.stages[column].element
    if not isinstance(box, WindowMatcher):
        return ()
    verdict = box.verdict(
        ladder.impedance[:, column + 1], ladder.frequency, power=ladder.arriving[:, column]
    )
    return (PartStress("terminals", float(verdict.peak_voltage.max()), np.nan),)


def _line_stress(chain: StationChain, line: Line | None) -> PartStress | None:
    column = chain.column(LINE)
    if line is None or chain.ladder is None or column is None:
        return None
    ladder = chain.ladder
    stress = line.stress(
        ladder.frequency, ladder.impedance[:, column + 1], power=ladder.arriving[:, column]
    )
    return PartStress("line", float(stress.peak_voltage.max()), float(stress.current.max()))


def _centre_row(
    chain: StationChain, efficiency: float, shares: dict[str, float] | None
) -> LadderRow | None:
    """The ladder at the centre, down to what the antenna does with its watts."""
    if chain.ladder is None or not chain.known[1]:
        return None
    at = int(np.count_nonzero(chain.known[:1]))
    if shares is None:
        shares = {"sky": efficiency, "not told": 1.0 - efficiency}
    return chain.ladder.with_shares(shares).row(at)


def _noise(band: BandAnswer, setup: StationSetup, row: LadderRow) -> SystemNoise | None:
    """Line and tuner count as they do on transmit."""
    f = band.centre.frequency
    names = [
        name
        for name in (setup.noise, "galactic")
        if NOISE_CLASSES[name].lowest <= f <= NOISE_CLASSES[name].highest
    ]
    if setup.noise not in names:
        return None
    entries = [entry for entry in row.entries if entry.loss_db == entry.loss_db]
    heat = sum(entry.loss_db for entry in entries[1:])
    return system_noise(
        external_noise_figure(f, names),
        efficiency=min(band.efficiency, 1.0),
        receiver_figure=setup.receiver_noise,
        line_loss=max(heat, 0.0),
        mismatch_loss=max(entries[0].loss_db, 0.0),
    )


def _reach(band: BandAnswer, height: float) -> Reach:
    far = band.far_field
    mean = np.asarray(far.intensity(ELEVATIONS[:, None], BEARINGS[None, :])).mean(axis=1)
    weak = mean < STRONG * mean.max()
    strong = []
    for first, last in _gaps(ELEVATIONS, weak):
        high = 90.0 if last == ELEVATIONS[-1] else last
        near, most = hop_distance([high, first], virtual_height=height)
        strong.append(StrongRange(first, high, float(near), float(most)))
    zones = distance_zones(virtual_height=height)
    return Reach(tuple(strong), zones, zone_shares(far, zones), near_vertical_share(far))
