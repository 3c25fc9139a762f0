"""What an answer is made of: plain numbers, names and arrays, fit to be kept and compared."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ..geometry.attic import Attic
from ..geometry.plan import Assumption
from ..materials import Ground
from .bands import Band
from .errors import BandError, SolverError
from .fields.budget import Budget
from .moments.basis import ComplexArray, ElementCurrents, FloatArray, PointMoments

if TYPE_CHECKING:
    from .fields.far import FarField
    from .station.station_answer import StationAnswer
    from .voltage_records import VoltageLimits, VoltageReading, WireVoltage

SWR_LIMIT = 2.0
"""Up to here a transmitter's output stage is content (common practice)."""


class Record:
    """Equality that looks into arrays and takes NaN for equal to NaN."""

    def __eq__(self, other: object) -> bool:
        if type(self) is not type(other):
            return NotImplemented
        return same(self, other)

    __hash__ = None  # pyright: ignore[reportAssignmentType]


def same(one: Any, two: Any) -> bool:
    """Whether two records, arrays, sequences or values are equal, part by part."""
    if dataclasses.is_dataclass(one) and not isinstance(one, type):
        return type(one) is type(two) and all(
            same(getattr(one, f.name), getattr(two, f.name)) for f in dataclasses.fields(one)
        )
    if isinstance(one, tuple):
        return isinstance(two, tuple) and len(one) == len(two) and all(map(same, one, two))
    if isinstance(one, np.ndarray):
        with_nan = one.dtype.kind in "fc"
        return isinstance(two, np.ndarray) and np.array_equal(one, two, equal_nan=with_nan)
    if isinstance(one, float | complex) and isinstance(two, float | complex):
        return one == two or (one != one and two != two)
    return one == two


@dataclass(frozen=True, eq=False)
class PointAnswer(Record):
    """One frequency of a band.

    Attributes
    ----------
    label : str
        "low edge", "centre", "high edge" or "lowest SWR".
    frequency : float
        [Hz]
    impedance : complex
        At the feed point. [ohm]
    swr : float
        Of the band's reference.
    efficiency : float
        Radiated (to the sky) over input power, 0 to 1.
    """

    label: str
    frequency: float
    impedance: complex
    swr: float
    efficiency: float


@dataclass(frozen=True, eq=False)
class NodeCurrent(Record):
    """Current that leaves the feed point along one wire end.

    Attributes
    ----------
    wire : str
    is_driven : bool
        True for the driven side (the elements), False for the counterpoise side.
    current : complex
        RMS, positive away from the feed point, at the answer's power; the phase is that against
        the voltage at the feed. [A]
    """

    wire: str
    is_driven: bool
    current: complex


@dataclass(frozen=True, eq=False)
class GroupLoss(Record):
    """What one group of timbers or sheets turns to heat, at the centre of a band.

    Attributes
    ----------
    group : str
        "joists", "ceiling".
    share : float
        Watts per watt of input.
    """

    group: str
    share: float


@dataclass(frozen=True, eq=False)
class PointReading(Record):
    """What flows at a named point of a conductor, at the centre of a band.

    Attributes
    ----------
    point : str
        Its name: "breaker", "thermostat".
    wire : str
    at : float
        Distance along the wire. [m]
    current : complex
        RMS at the answer's power, positive towards the wire's end; 0 at an open end. [A]
    is_open_end : bool
        Whether nothing else meets there.
    potential : complex
        Of an open end (the mean over its last 25 radii), by the charges on all wires and the
        earth's response, relative to infinity, RMS at the answer's power; NaN elsewhere. The
        voltage to what is near by depends on the way there; where that is small against a
        wavelength and carries no charge of its own, it is the difference of the potentials. What
        timber and sheets add is left out. [V]
    """

    point: str
    wire: str
    at: float
    current: complex
    is_open_end: bool
    potential: complex


@dataclass(frozen=True, eq=False)
class House(Record):
    """The attic as plain numbers.

    Attributes
    ----------
    name : str
    corners : (N, 2) float
        Plan. [m]
    floor, eaves, ridge : float
        Above ground. [m]
    ridge_bearing : float
        Of +x, clockwise from true north. [degree]
    """

    name: str
    corners: FloatArray
    floor: float
    eaves: float
    ridge: float
    ridge_bearing: float

    @classmethod
    def of(cls, attic: Attic) -> House:
        """From an attic."""
        return cls(
            attic.name, np.array(attic.corners), attic.floor_level, attic.eaves_level,
            attic.ridge_level, float(attic.ridge_bearing),
        )  # fmt: skip

    def attic(self) -> Attic:
        """The attic again."""
        return Attic(
            outline=self.corners.tolist(), ceiling_height=self.floor, eaves_height=self.eaves,
            ridge_height=self.ridge, ridge_bearing=self.ridge_bearing, name=self.name,
        )  # fmt: skip


@dataclass(frozen=True, eq=False)
class WirePath(Record):
    """A wire as drawn.

    Attributes
    ----------
    name : str
    vertices : (N, 3) float
        World coordinates. [m]
    radius : float
        [m]
    is_element : bool
        Whether it is on the driven side of the feed.
    piece, kind : str
        The piece of the house that it belongs to, and what that is ("cable", "duct", "screen");
        "" of the antenna's own.
    """

    name: str
    vertices: FloatArray
    radius: float
    is_element: bool
    piece: str = ""
    kind: str = ""

    @property
    def length(self) -> float:
        """[m]"""
        return float(np.linalg.norm(np.diff(self.vertices, axis=0), axis=1).sum())


@dataclass(frozen=True, eq=False)
class FeedPlace(Record):
    """A feed as drawn.

    Attributes
    ----------
    name : str
    wires : tuple of str
    at : float or str
        Metres along the first of them, "start" or "end".
    is_driven : bool
    """

    name: str
    wires: tuple[str, ...]
    at: float | str
    is_driven: bool


@dataclass(frozen=True, eq=False)
class WireCurrent(Record):
    """Current along one wire at the centre of a band.

    Attributes
    ----------
    wire : str
    distances : (M,) float
        Along the wire, rising. [m]
    current : (M,) complex
        RMS at the answer's power, positive towards the wire's end. [A]
    """

    wire: str
    distances: FloatArray
    current: ComplexArray


@dataclass(frozen=True, eq=False, repr=False)
class BandAnswer(Record):
    """One band: its curve, and in its centre the watts, the angles and the currents.

    Attributes
    ----------
    band : Band
    reference : float
        What SWR refers to. [ohm]
    power : float
        Into the feed point, for voltages and currents. [W]
    frequencies : (F,) float
        [Hz]
    impedances : (F,) complex
        [ohm]
    low_edge, centre, high_edge, lowest : PointAnswer
    bandwidth : float or None
        Width with an SWR of 2 or less about its minimum, within the band; None: not reached. [Hz]
    interpolation_error : float
        Relative error of the admittance where the curve was checked by a solve of its own.
    error_estimate : float
        Estimated relative discretisation error of the impedance at the centre; NaN: not asked.
    budget : Budget
        Watts per watt of input at the centre.
    gain_dbi, elevation_deg, azimuth_deg : float
        Greatest gain and its direction.
    angle_limits : pair of float
        What parts low, middle and high angles. [degree]
    shares : tuple of three float
        Of the radiated power: low, middle, high.
    low_angle_deg : float
        Elevation of the cut in which lobe and null are told.
    lobe, null : (gain [dBi], azimuth [degree])
    vertical_part : float
        Part of the radiated power whose field lies in vertical planes.
    feed_voltage, feed_current : complex
        RMS at `power`. [V], [A]
    radiation_resistance, loss_resistance : float
        Referred to the feed current; NaN with several driven feeds. [ohm]
    node_currents : tuple of NodeCurrent
    wire_currents : tuple of WireCurrent
    named_points : tuple of PointReading
        Current, and potential of open ends, at the points of the wires that have names.
    wire_voltages : tuple of WireVoltage
        Potential along the wires, all but the grids of screens.
    voltages : tuple of VoltageReading
        At both ends of these wires, and where along them it wants watching most.
    voltage_limits : VoltageLimits or None
        By which they are flagged; None in answers of before.
    solid_losses : tuple of GroupLoss
        Of the groups of timbers and sheets; their sum is `budget.timbers`.
    currents : ElementCurrents
        Along all elements at 1 W of input. [A]
    polarisation : PointMoments or None
        Of timbers and sheets at 1 W of input; None without any. [A m]
    ground : Ground or None
        Permittivities and thicknesses of the earth at the centre; None in free space.
    ridge_bearing : float
        To turn azimuths into bearings; NaN where there is no house.
    """

    band: Band
    reference: float
    power: float
    frequencies: FloatArray
    impedances: ComplexArray
    low_edge: PointAnswer
    centre: PointAnswer
    high_edge: PointAnswer
    lowest: PointAnswer
    bandwidth: float | None
    interpolation_error: float
    error_estimate: float
    budget: Budget
    gain_dbi: float
    elevation_deg: float
    azimuth_deg: float
    angle_limits: tuple[float, float]
    shares: tuple[float, float, float]
    low_angle_deg: float
    lobe: tuple[float, float]
    null: tuple[float, float]
    vertical_part: float
    feed_voltage: complex
    feed_current: complex
    radiation_resistance: float
    loss_resistance: float
    node_currents: tuple[NodeCurrent, ...]
    wire_currents: tuple[WireCurrent, ...]
    named_points: tuple[PointReading, ...]
    wire_voltages: tuple[WireVoltage, ...]
    voltages: tuple[VoltageReading, ...]
    voltage_limits: VoltageLimits | None
    solid_losses: tuple[GroupLoss, ...]
    currents: ElementCurrents
    polarisation: PointMoments | None
    ground: Ground | None
    ridge_bearing: float

    @property
    def name(self) -> str:
        return self.band.name

    @property
    def swr(self) -> FloatArray:
        """SWR at `frequencies`, shape (F,)."""
        return swr_of(self.impedances, self.reference)

    @property
    def points(self) -> tuple[PointAnswer, ...]:
        """Low edge, centre, high edge, lowest SWR."""
        return self.low_edge, self.centre, self.high_edge, self.lowest

    @property
    def efficiency(self) -> float:
        """Radiated over input power at the centre."""
        return float(self.budget.efficiency)

    @property
    def balance_error(self) -> float:
        """|1 - sum of the budget's terms|, NaN where one was not computed."""
        return float(self.budget.balance_error)

    @property
    def shares_of_input(self) -> tuple[float, float, float]:
        """Low, middle and high angles as parts of the input power."""
        low, middle, high = (share * self.efficiency for share in self.shares)
        return low, middle, high

    def named_point(self, name: str) -> PointReading:
        """What flows at the point of that name; SolverError lists them if there is none."""
        for one in self.named_points:
            if one.point == name:
                return one
        there = ", ".join(repr(one.point) for one in self.named_points) or "none"
        raise SolverError(f"No point is called {name!r}; there are: {there}.")

    @property
    def worst_voltages(self) -> list[VoltageReading]:
        """Flagged ones first, then by peak; every place once."""
        from .voltage_records import worst_first

        return worst_first(self.voltages)

    @property
    def is_whole_band(self) -> bool:
        """Whether the SWR is 2 or less over the whole band."""
        return self.bandwidth is not None and self.bandwidth >= self.band.width * (1.0 - 1e-9)

    @property
    def hub_sum(self) -> complex:
        """Sum of all currents away from the feed point: 0 but for a perfect ground's part. [A]"""
        return complex(sum(one.current for one in self.node_currents))

    @property
    def has_bearings(self) -> bool:
        """Whether directions are compass bearings (else azimuths, counter-clockwise from +x)."""
        return self.ridge_bearing == self.ridge_bearing

    def direction(self, azimuth_deg: float) -> float:
        """Bearing of an azimuth, or the azimuth where there is no house. [degree]"""
        if not self.has_bearings:
            return azimuth_deg % 360.0
        return (self.ridge_bearing - azimuth_deg) % 360.0

    def azimuth(self, direction_deg: FloatArray | float) -> FloatArray:
        """Azimuth of a bearing; the same number where there is no house. [degree]"""
        direction = np.asarray(direction_deg, dtype=float)
        return direction if not self.has_bearings else self.ridge_bearing - direction

    @property
    def bearing_deg(self) -> float:
        """Direction of the greatest gain, see `direction`. [degree]"""
        return self.direction(self.azimuth_deg)

    @cached_property
    def far_field(self) -> FarField:
        """Far field at the centre."""
        from .fields.far import FarField

        return FarField(self.currents, self.band.centre, self.ground, 1.0, self.polarisation)

    def gain_at(self, elevation_deg: Any, direction_deg: Any) -> NDArray[np.float64]:
        """Gain at elevations and bearings (azimuths without a house), broadcast. [dBi]"""
        return np.asarray(self.far_field.gain_dbi(elevation_deg, self.azimuth(direction_deg)))

    def plot(self) -> Any:
        """SWR, R and X over the band, cuts of the pattern and the watts, as a figure."""
        from .views.figures import draw_band

        return draw_band(self)

    def to_dataframe(self) -> Any:
        """The curve, one row a frequency; needs pandas."""
        return data_frame(
            {
                "frequency_hz": self.frequencies,
                "resistance_ohm": self.impedances.real,
                "reactance_ohm": self.impedances.imag,
                f"swr_{self.reference:g}": self.swr,
            }
        )

    def __str__(self) -> str:
        from .views.tables import band_text

        return band_text(self)

    __repr__ = __str__


@dataclass(frozen=True, eq=False, repr=False)
class Answer(Record):
    """The five questions answered for one antenna, on every band asked for.

    Attributes
    ----------
    name : str
        Of the file, or what the caller said.
    text : str
        The attic file that gives this antenna, "" for a scene and where no file can say it.
    house : House or None
    earth : str
        What lies below, in words.
    wires : tuple of WirePath
    feeds : tuple of FeedPlace
    assumptions : tuple of Assumption
        The worst first.
    remarks : tuple of str
        What looked doubtful.
    bands : tuple of BandAnswer
    region : int
        ITU region of named bands.
    reference, power : float
        [ohm], [W]
    unknowns : int
    version : str
        Of the library.
    """

    name: str
    text: str
    house: House | None
    earth: str
    wires: tuple[WirePath, ...]
    feeds: tuple[FeedPlace, ...]
    assumptions: tuple[Assumption, ...]
    remarks: tuple[str, ...]
    bands: tuple[BandAnswer, ...]
    region: int
    reference: float
    power: float
    unknowns: int
    version: str

    def band(self, name: str) -> BandAnswer:
        """The answer for one band.

        Raises
        ------
        BandError
            If it was not asked for; the message lists what was.
        """
        for one in self.bands:
            if one.name == name or one.name == name.strip().replace("m", " m").replace("  ", " "):
                return one
        have = ", ".join(one.name for one in self.bands)
        raise BandError(f"Band {name!r} was not answered; there are: {have}.")

    def __iter__(self) -> Iterator[BandAnswer]:
        return iter(self.bands)

    def __len__(self) -> int:
        return len(self.bands)

    def wire(self, name: str) -> WirePath:
        """The wire of that name; SolverError lists them if there is none."""
        for wire in self.wires:
            if wire.name == name:
                return wire
        raise SolverError(
            f"No wire is called {name!r}; there are: {', '.join(w.name for w in self.wires)}."
        )

    @property
    def place(self) -> str:
        """What is below, as "over average ground" or "in free space"."""
        return f"{'in' if self.earth == 'free space' else 'over'} {self.earth}"

    @cached_property
    def station(self) -> StationAnswer | None:
        """Tuner, line, noise and distances; None where the attic file tells of none."""
        from .station.station_answer import station_of

        return station_of(self)

    def renamed(self, name: str) -> Answer:
        """Under another name."""
        return dataclasses.replace(self, name=name)

    def save(self, path: str | Path) -> Path:
        """Write to an HDF5 file, see `open_answer`.

        Raises
        ------
        StoreError
            If it cannot be written.
        """
        from .answer_store import save_answer

        return save_answer(self, path)

    def to_dataframe(self) -> Any:
        """One row a band and point (edges, centre, lowest SWR); needs pandas."""
        from .views.tables import answer_columns

        return data_frame(answer_columns(self))

    def to_text(self, *, width: int = 100) -> str:
        """The printed answer, paragraphs no wider than `width`."""
        from .views.tables import answer_text

        return answer_text(self, width=width)

    def __str__(self) -> str:
        return self.to_text()

    __repr__ = __str__

    def _repr_html_(self) -> str:
        from .views.tables import answer_html

        return answer_html(self)


def swr_of(impedance: Any, reference: float) -> Any:
    """Standing wave ratio, shape of impedance [ohm]."""
    gamma = np.abs((np.asarray(impedance) - reference) / (np.asarray(impedance) + reference))
    with np.errstate(divide="ignore"):
        return (1.0 + gamma) / (1.0 - gamma)


def data_frame(columns: dict[str, Any]) -> Any:
    """A pandas DataFrame; ImportError with the install line where pandas is missing."""
    try:
        import pandas
    except ImportError as error:
        raise ImportError(
            "to_dataframe needs pandas, which is not installed: pip install 'pandas>=2.1'"
        ) from error
    return pandas.DataFrame(columns)
