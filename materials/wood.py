"""Wood: complex permittivity along and across the grain, by moisture, temperature and density."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import overload

import numpy as np
from numpy.typing import NDArray

from .catalogue_reader import Entry, find_entry, read_catalogue
from .checks import require_frequencies, require_number
from .dielectrics import Spread, check_spread
from .errors import MaterialError
from .frequency_curves import Points, check_points, interpolate, require_in_range

_FILE = "woods.toml"
_SPECIES_KEYS = frozenset({"density"})
_COLUMN_KEYS = frozenset({"moisture", "points", "along", "per_kelvin", "spread"})
_REFERENCE_KEYS = frozenset({"density", "temperature_c", "density_range", "temperature_range"})


@dataclass(frozen=True)
class _Column:
    """The table of the catalogue at one moisture."""

    moisture: float
    points: Points
    along: tuple[float, float]
    per_kelvin: tuple[float, float]
    spread: Spread


@dataclass(frozen=True)
class _Data:
    """What the catalogue knows of wood in general: the columns by rising moisture, and limits."""

    columns: tuple[_Column, ...]
    density: float
    temperature_c: float
    density_range: tuple[float, float]
    temperature_range: tuple[float, float]
    source: str

    @property
    def moisture_range(self) -> tuple[float, float]:
        return self.columns[0].moisture, self.columns[-1].moisture

    @property
    def frequency_range(self) -> tuple[float, float]:
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
        Water by oven-dry mass, 0.06 to 0.28: a heated house 0.08 to 0.10, a dry attic 0.12, a damp
        one 0.18. [1]
    temperature_c : float
        Temperature, -20 to 60. [degrees C]
    density : float, optional
        Oven-dry mass by volume, 300 to 750; None: that of the species. [kg/m^3]

    Raises
    ------
    MaterialError
        If there is no such species, or a value is outside what is known.
    """

    species: str = "spruce"
    moisture: float = field(default=0.12, kw_only=True)
    temperature_c: float = field(default=15.0, kw_only=True)
    density: float | None = field(default=None, kw_only=True)
    source: str = field(default="", init=False)
    _data: _Data = field(init=False, compare=False)

    def __post_init__(self) -> None:
        entry = find_entry(self.species, entries=_species(), what="wood")
        data = _read_data()
        density = entry.values["density"] if self.density is None else self.density
        for key, value, unit, limits, cure in (
            ("moisture", self.moisture, "", data.moisture_range, _MOISTURE_CURE),
            ("temperature_c", self.temperature_c, "degrees C", data.temperature_range, _WARM_CURE),
            ("density", density, "kg/m^3", data.density_range, _DENSITY_CURE),
        ):
            number = _within(
                value, what=f"{key} of {entry.name}", unit=unit, limits=limits, cure=cure
            )
            object.__setattr__(self, key, number)
        object.__setattr__(self, "species", entry.name)
        object.__setattr__(self, "source", f"{entry.source}; {data.source}")
        object.__setattr__(self, "_data", data)

    @classmethod
    def names(cls) -> tuple[str, ...]:
        """Return the species in the catalogue, in its order."""
        return tuple(entry.name for entry in _species())

    def with_moisture(self, moisture: float) -> Wood:
        """Return the same wood at another moisture (fraction of the oven-dry mass)."""
        return replace(self, moisture=moisture)

    @property
    def dry_density(self) -> float:
        """Oven-dry mass by volume, given or of the species. [kg/m^3]"""
        return self._data.density if self.density is None else self.density

    @property
    def frequency_range(self) -> tuple[float, float]:
        """Lowest and highest frequency that it holds for. [Hz]"""
        return self._data.frequency_range

    @property
    def spread(self) -> Spread:
        """Factors by which a true piece may lie above or below: on eps_r - 1, and on tan d."""
        (low, high), part = self._neighbours()
        pairs = zip(low.spread, high.spread, strict=True)
        return Spread(*(float(a ** (1.0 - part) * b**part) for a, b in pairs))

    @overload
    def permittivity_across(self, frequency: float) -> complex: ...
    @overload
    def permittivity_across(self, frequency: NDArray[np.float64]) -> NDArray[np.complex128]: ...
    def permittivity_across(
        self, frequency: float | NDArray[np.float64]
    ) -> complex | NDArray[np.complex128]:
        """Relative complex permittivity across the grain, mean of radial and tangential."""
        reference = self._reference(frequency, along=False)
        root = 1.0 + self.dry_density / self._data.density * (
            np.cbrt(np.abs(reference)) * np.exp(1j * np.angle(reference) / 3.0) - 1.0
        )
        result = np.asarray(root**3)
        return result if result.ndim else complex(result)

    @overload
    def permittivity_along(self, frequency: float) -> complex: ...
    @overload
    def permittivity_along(self, frequency: NDArray[np.float64]) -> NDArray[np.complex128]: ...
    def permittivity_along(
        self, frequency: float | NDArray[np.float64]
    ) -> complex | NDArray[np.complex128]:
        """Relative complex permittivity along the grain."""
        reference = self._reference(frequency, along=True)
        result = np.asarray(1.0 + self.dry_density / self._data.density * (reference - 1.0))
        return result if result.ndim else complex(result)

    def describe(self, frequency: float | None = None) -> str:
        """Return the values, spread and source in words, at a frequency [Hz] if one is given."""
        text = f"{self.species}: {self._make()}"
        if frequency is not None:
            across, along = self.permittivity_across(frequency), self.permittivity_along(frequency)
            text += f"; at {frequency / 1e6:g} MHz"
            for value, way in ((across, "across"), (along, "along")):
                loss = -value.imag / value.real
                text += f" {way} the grain eps_r {value.real:.3g}, tan d {loss:.2g};"
            text = text.rstrip(";")
        return (
            f"{text}; spread {self.spread.permittivity:.3g} on eps_r - 1, "
            f"{self.spread.loss:.3g} on tan d. Source: {self.source}."
        )

    def __repr__(self) -> str:
        return f"<Wood {self.species!r}: {self._make()}>"

    def _make(self) -> str:
        return (
            f"{100.0 * self.moisture:.3g} % moisture, {self.temperature_c:g} C, "
            f"{self.dry_density:.4g} kg/m^3 dry"
        )

    def _neighbours(self) -> tuple[tuple[_Column, _Column], float]:
        """Return the columns on both sides of the moisture, and how far it lies between them."""
        columns = self._data.columns
        at = int(np.searchsorted([column.moisture for column in columns[1:-1]], self.moisture))
        low, high = columns[at], columns[at + 1]
        return (low, high), (self.moisture - low.moisture) / (high.moisture - low.moisture)

    def _reference(
        self, frequency: float | NDArray[np.float64], *, along: bool
    ) -> NDArray[np.complex128]:
        """Return the permittivity at this moisture and temperature, and the table's density."""
        what = f"wood ({self.species})"
        frequencies = require_frequencies(frequency, what=what)
        require_in_range(
            frequencies,
            within=self.frequency_range,
            what=what,
            cure="Nothing is known outside; use Dielectric.constant(...) with values of your own.",
        )
        neighbours, part = self._neighbours()
        logs = []
        for column in neighbours:
            er, loss = interpolate(column.points, frequencies)
            warmer = self.temperature_c - self._data.temperature_c
            rise = np.exp(np.array(column.per_kelvin) * warmer)
            if along:
                rise = rise * np.array(column.along)
            logs.append((np.log((er - 1.0) * rise[0]), np.log(loss * rise[1])))
        (er_low, loss_low), (er_high, loss_high) = logs
        er = 1.0 + np.exp((1.0 - part) * er_low + part * er_high)
        loss = np.exp((1.0 - part) * loss_low + part * loss_high)
        return np.asarray(er * (1.0 - 1.0j * loss))


_MOISTURE_CURE = (
    "Give a fraction of the oven-dry mass: a heated house 0.08 to 0.10, a dry attic 0.12, a damp one "
    "0.18. Above fibre saturation water lies free in the cells and no handbook value helps; use "
    "0.28 and read the result as a lower bound of the loss."
)
_WARM_CURE = "Give the temperature of the wood in degrees Celsius."
_DENSITY_CURE = "Give the oven-dry mass by volume; softwoods have 350 to 550, oak about 680."


def _within(
    value: object, *, what: str, unit: str, limits: tuple[float, float], cure: str
) -> float:
    low, high = limits
    number = require_number(value, what=what, unit=unit, least=low, cure=cure)
    if number > high:
        of_unit = f" {unit}" if unit else ""
        raise MaterialError(
            f"{what} is {number:g}{of_unit}; it must be at most {high:g}{of_unit}. {cure}"
        )
    return number


def _species() -> tuple[Entry, ...]:
    return read_catalogue(_FILE, table="wood", allowed=_SPECIES_KEYS, required=_SPECIES_KEYS)


def _read_data() -> _Data:
    (reference,) = read_catalogue(
        _FILE, table="reference", allowed=_REFERENCE_KEYS, required=_REFERENCE_KEYS
    )
    rows = read_catalogue(_FILE, table="moisture", allowed=_COLUMN_KEYS, required=_COLUMN_KEYS)
    columns = tuple(
        _Column(
            row.values["moisture"],
            check_points(row.values["points"], of=f"wood at {row.name}", third="loss tangent"),
            tuple(row.values["along"]),
            tuple(row.values["per_kelvin"]),
            check_spread(row.values["spread"], of=f"wood at {row.name}"),
        )
        for row in rows
    )
    values = {key: tuple(v) if isinstance(v, list) else v for key, v in reference.values.items()}
    return _Data(columns=columns, source=rows[0].source, **values)
