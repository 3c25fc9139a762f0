r"""Wood: complex permittivity along and across the grain.

The catalogue (woods.toml) has a table for softwood of 400 kg/m^3 at 20 C: permittivity e and loss
tangent d across the grain by moisture u and frequency f, what they are multiplied by along the
grain, and how they rise per kelvin. From it

    ln(e - 1), ln d   at a frequency: e and ln d straight over ln f in the columns on both sides,
                      then straight over u, so that both rise with moisture where the columns do
    temperature       (e - 1) exp(p (T - 20)), d exp(q (T - 20)), p and q straight over u
    density, across   ec^(1/3) - 1 in proportion to it (Landau and Lifshitz, Electrodynamics of
                      Continuous Media, section 9; Looyenga, Physica 31, 1965; from memory)
    density, along    ec - 1 in proportion to it: cell walls side by side with air (Wiener's upper
                      bound, from memory)

Both rules keep the loss on the lossy side and tend to air as the wood gets light. Along the grain
permittivity comes out above that across everywhere, and so does loss, but for dry wood above 600
kg/m^3, where it is up to 6 % below. A grain at an angle a to the field has ec_along cos^2 a +
ec_across sin^2 a (a tensor; found to hold below 15 % moisture by Lin, Wood and Fiber Science,
abstract).

Above fibre saturation water lies free in the cells and conduction of its salts takes over; nothing
is given there.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import overload

import numpy as np
from numpy.typing import NDArray

from .catalogue_reader import Entry, find_entry, open_catalogue, read_table
from .checks import read_per_cent, require_frequencies, require_number
from .dielectrics import Spread, check_factors, check_spread
from .errors import MaterialError
from .frequency_curves import Points, check_points, interpolate, require_in_range

_FILE = "woods.toml"
_SPECIES_KEYS = frozenset({"density"})
_COLUMN_KEYS = frozenset({"moisture", "points", "along", "per_kelvin", "spread"})
_REFERENCE_KEYS = frozenset({"density", "temperature_c", "density_range", "temperature_range"})


@dataclass(frozen=True)
class Column:
    """The table of the catalogue at one moisture.

    Pairs are for the relative permittivity less 1, and for the loss tangent.
    """

    moisture: float
    """Water by oven-dry mass. [1]"""
    points: Points
    """Rows of frequency [Hz], relative permittivity, loss tangent, across the grain."""
    along: tuple[float, float]
    """What the pair is multiplied by along the grain."""
    per_kelvin: tuple[float, float]
    """Relative rise of the pair with temperature. [1/K]"""
    spread: Spread
    """Factors by which a true piece may lie above or below."""


@dataclass(frozen=True)
class WoodTable:
    """What the catalogue knows of wood in general: its columns, what they are for, the limits."""

    columns: tuple[Column, ...]
    """By rising moisture, two or more."""
    density: float
    """Oven-dry mass by volume of the table's wood. [kg/m^3]"""
    temperature_c: float
    """Temperature of the table. [degrees C]"""
    density_range: tuple[float, float]
    """Where the mixing rules hold. [kg/m^3]"""
    temperature_range: tuple[float, float]
    """Where the rise with temperature holds. [degrees C]"""
    source: str
    """Where the values come from."""

    @property
    def moisture_range(self) -> tuple[float, float]:
        """Driest and wettest wood that is known. [1]"""
        return self.columns[0].moisture, self.columns[-1].moisture

    @property
    def frequency_range(self) -> tuple[float, float]:
        """Lowest and highest frequency that all columns know. [Hz]"""
        low = max(column.points[0][0] for column in self.columns)
        return low, min(column.points[-1][0] for column in self.columns)


@dataclass(frozen=True, repr=False)
class Wood:
    """Wood below fibre saturation.

    Parameters
    ----------
    species : str
        A name of the catalogue, which tells the density; see `Wood.names`.
    moisture : float
        Water by oven-dry mass, 0.06 to 0.28, or text, "14 %": a heated house 0.08 to
        0.10, a dry attic 0.12, a damp one 0.18. [1]
    temperature_c : float
        Temperature, -20 to 60. [degrees C]
    density : float, optional
        Oven-dry mass by volume, 300 to 750; None: that of the species. [kg/m^3]
    factors : (float, float)
        What the relative permittivity less 1, and the loss tangent, are multiplied by, each > 0;
        set by `varied`.

    Attributes
    ----------
    table : WoodTable
        What the catalogue knows of wood, read once as the object is made: make one `Wood` for many
        timbers.
    source : str
        Where the values come from.

    Raises
    ------
    MaterialError
        If there is no such species, or a value is outside what is known.

    Examples
    --------
    >>> joist = Wood("spruce", moisture=0.12)
    >>> f"{joist.permittivity_across(3.6e6):.2f}, {joist.permittivity_along(3.6e6):.2f}"
    '2.47-0.11j, 3.20-0.18j'
    >>> joist.with_moisture(0.18)
    <Wood 'spruce': 18 % moisture, 15 C, 400 kg/m^3 dry>
    """

    species: str = "spruce"
    moisture: float | str = field(default=0.12, kw_only=True)
    temperature_c: float = field(default=15.0, kw_only=True)
    density: float | None = field(default=None, kw_only=True)
    factors: Spread | tuple[float, float] = field(default=Spread(1.0, 1.0), kw_only=True)
    source: str = field(init=False, compare=False)
    table: WoodTable = field(init=False, compare=False)

    def __post_init__(self) -> None:
        document = open_catalogue(_FILE)
        entry = find_entry(self.species, entries=_species(document), what="wood")
        table = _wood_table(document)
        density = entry.values["density"] if self.density is None else self.density
        told = self.moisture
        if isinstance(told, str):
            what = f"moisture of wood ({entry.name})"
            object.__setattr__(
                self, "moisture", read_per_cent(told, what=what, cure=_MOISTURE_CURE)
            )
        for key, value, unit, limits, cure in (
            ("moisture", self.moisture, "", table.moisture_range, _MOISTURE_CURE),
            ("temperature_c", self.temperature_c, "degrees C", table.temperature_range, _HEAT_CURE),
            ("density", density, "kg/m^3", table.density_range, _DENSITY_CURE),
        ):
            what = f"{key} of wood ({entry.name})"
            number = _within(value, what=what, unit=unit, limits=limits, cure=cure)
            object.__setattr__(self, key, number)
        factors = check_factors(self.factors, of=f"wood ({entry.name})")
        object.__setattr__(self, "factors", factors)
        object.__setattr__(self, "species", entry.name)
        object.__setattr__(self, "source", f"{entry.source}; {table.source}")
        object.__setattr__(self, "table", table)

    @property
    def _part(self) -> float:
        return float(self.moisture)  # read as the wood was made

    @classmethod
    def names(cls) -> tuple[str, ...]:
        """Return the species in the catalogue, in its order."""
        return tuple(entry.name for entry in _species(open_catalogue(_FILE)))

    def with_moisture(self, moisture: float | str) -> Wood:
        """Return the same wood at another moisture, a fraction of the oven-dry mass.

        Raises
        ------
        MaterialError
            If the moisture is outside what is known.
        """
        return replace(self, moisture=moisture)

    def varied(self, *, permittivity: float = 1.0, loss: float = 1.0) -> Wood:
        """Return a copy with the permittivity less 1, and the loss tangent, times these factors.

        With the two numbers of `spread`, or their inverses, this is the edge of what is known.

        Raises
        ------
        MaterialError
            If a factor is not positive.
        """
        of_permittivity, of_loss = self.factors
        return replace(self, factors=(of_permittivity * permittivity, of_loss * loss))

    @property
    def dry_density(self) -> float:
        """Oven-dry mass by volume, given or of the species. [kg/m^3]"""
        return self.table.density if self.density is None else self.density

    @property
    def frequency_range(self) -> tuple[float, float]:
        """Lowest and highest frequency that it holds for. [Hz]"""
        return self.table.frequency_range

    @property
    def spread(self) -> Spread:
        """Factors by which a true piece may lie above or below: on eps_r - 1, and on tan d."""
        low, high, part = self._neighbours()
        pairs = zip(low.spread, high.spread, strict=True)
        return Spread(*(float(a ** (1.0 - part) * b**part) for a, b in pairs))

    @overload
    def permittivity_across(self, frequency: float) -> complex: ...
    @overload
    def permittivity_across(self, frequency: NDArray[np.float64]) -> NDArray[np.complex128]: ...
    def permittivity_across(
        self, frequency: float | NDArray[np.float64]
    ) -> complex | NDArray[np.complex128]:
        """Relative complex permittivity across the grain, mean of radial and tangential.

        Parameters
        ----------
        frequency : float or ndarray, shape (...)
            Frequency, 0.1 to 50 MHz. [Hz]

        Returns
        -------
        complex for a number, ndarray of complex128 of the same shape for an array
            Relative complex permittivity; its imaginary part is negative. [1]

        Raises
        ------
        MaterialError
            If a frequency is out of range.
        """
        light = np.asarray(self._of_table(frequency, along=False) ** (1.0 / 3.0))
        return self._varied((1.0 + self._denser * (light - 1.0)) ** 3)

    @overload
    def permittivity_along(self, frequency: float) -> complex: ...
    @overload
    def permittivity_along(self, frequency: NDArray[np.float64]) -> NDArray[np.complex128]: ...
    def permittivity_along(
        self, frequency: float | NDArray[np.float64]
    ) -> complex | NDArray[np.complex128]:
        """Relative complex permittivity along the grain; see `permittivity_across`."""
        return self._varied(1.0 + self._denser * (self._of_table(frequency, along=True) - 1.0))

    def describe(self, frequency: float | None = None) -> str:
        """Return the values, spread and source in words, at a frequency [Hz] if one is given."""
        text = f"{self.species}: {self._make()}"
        if frequency is not None:
            told = []
            for way in ("across", "along"):
                ec = getattr(self, f"permittivity_{way}")(frequency)
                told.append(f"{way} the grain eps_r {ec.real:.3g}, tan d {-ec.imag / ec.real:.2g}")
            text += f"; at {frequency / 1e6:g} MHz {'; '.join(told)}"
        of_permittivity, of_loss = self.spread
        text += f"; spread {of_permittivity:.3g} on eps_r - 1, {of_loss:.3g} on tan d"
        return f"{text}. Source: {self.source}."

    def __repr__(self) -> str:
        return f"<Wood {self.species!r}: {self._make()}>"

    def _make(self) -> str:
        """Return the values on one line, without name and source."""
        text = (
            f"{100.0 * self._part:.3g} % moisture, {self.temperature_c:g} C, "
            f"{self.dry_density:.4g} kg/m^3 dry"
        )
        if self.factors != (1.0, 1.0):
            text += f", varied by {self.factors[0]:.3g} and {self.factors[1]:.3g}"
        return text

    @property
    def _denser(self) -> float:
        return self.dry_density / self.table.density

    def _neighbours(self) -> tuple[Column, Column, float]:
        """Return the columns on both sides of the moisture, and how far it lies between them."""
        columns = self.table.columns
        inner = [column.moisture for column in columns[1:-1]]
        at = int(np.searchsorted(inner, self._part))
        low, high = columns[at], columns[at + 1]
        return low, high, (self._part - low.moisture) / (high.moisture - low.moisture)

    def _of_table(
        self, frequency: float | NDArray[np.float64], *, along: bool
    ) -> NDArray[np.complex128]:
        """Return the permittivity of wood of the table's density at this moisture and heat."""
        what = f"wood ({self.species})"
        frequencies = require_frequencies(frequency, what=what)
        require_in_range(
            frequencies,
            within=self.frequency_range,
            what=what,
            cure="Nothing is known outside; use Dielectric.constant(...) with values of your own.",
        )
        low, high, part = self._neighbours()
        er_log, loss_log = np.zeros_like(frequencies), np.zeros_like(frequencies)
        for column, weight in ((low, 1.0 - part), (high, part)):
            er, loss = interpolate(column.points, frequencies)
            rise = np.array(column.per_kelvin) * (self.temperature_c - self.table.temperature_c)
            if along:
                rise = rise + np.log(column.along)
            er_log = er_log + weight * (np.log(er - 1.0) + rise[0])
            loss_log = loss_log + weight * (np.log(loss) + rise[1])
        return np.asarray((1.0 + np.exp(er_log)) * (1.0 - 1.0j * np.exp(loss_log)))

    def _varied(self, ec: NDArray[np.complex128]) -> complex | NDArray[np.complex128]:
        """Return the permittivity with the factors on it, a number for a number."""
        loss = -ec.imag / ec.real * self.factors[1]
        er = 1.0 + (ec.real - 1.0) * self.factors[0]
        result = np.asarray(er * (1.0 - 1.0j * loss))
        return result if result.ndim else complex(result)


_MOISTURE_CURE = (
    "Give a fraction of the oven-dry mass: a heated house 0.08 to 0.10, a dry attic 0.12, a damp "
    "one 0.18. Above fibre saturation water lies free in the cells and nothing is known here; use "
    "0.28 and read the loss as a lower bound."
)
_HEAT_CURE = "Give the temperature of the wood in degrees Celsius."
_DENSITY_CURE = "Give the oven-dry mass by volume; softwoods have 320 to 550, oak about 680."


def _within(
    value: object, *, what: str, unit: str, limits: tuple[float, float], cure: str
) -> float:
    low, high = limits
    of_unit = f" {unit}" if unit else ""
    cure = f"Known from {low:g} to {high:g}{of_unit}. {cure}"
    number = require_number(value, what=what, unit=unit, least=low, cure=cure)
    if number > high:
        raise MaterialError(f"{what} is {number:g}{of_unit}. {cure}")
    return number


def _species(document: dict[str, object]) -> tuple[Entry, ...]:
    return read_table(
        document, file=_FILE, table="wood", allowed=_SPECIES_KEYS, required=_SPECIES_KEYS
    )


def _wood_table(document: dict[str, object]) -> WoodTable:
    (reference,) = read_table(
        document, file=_FILE, table="reference", allowed=_REFERENCE_KEYS, required=_REFERENCE_KEYS
    )
    rows = read_table(
        document, file=_FILE, table="moisture", allowed=_COLUMN_KEYS, required=_COLUMN_KEYS
    )
    columns: list[Column] = []
    for row in rows:
        of = f"wood at {row.name} moisture"
        pairs = {key: tuple(row.values[key]) for key in ("along", "per_kelvin")}
        points = check_points(row.values["points"], of=of, third="loss tangent")
        spread = check_spread(row.values["spread"], of=of)
        columns.append(Column(row.values["moisture"], points=points, spread=spread, **pairs))
    values = reference.values
    low_density, high_density = values["density_range"]
    coldest, warmest = values["temperature_range"]
    return WoodTable(
        columns=tuple(columns),
        density=values["density"],
        temperature_c=values["temperature_c"],
        density_range=(low_density, high_density),
        temperature_range=(coldest, warmest),
        source=reference.note,
    )
