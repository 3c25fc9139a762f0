"""Sheets that conduct: foil, metal roofing, wire mesh in stucco, thin metal films."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import overload

import numpy as np
from numpy.typing import NDArray
from scipy.constants import mu_0

from .catalogue_reader import Entry, find_entry, read_catalogue
from .checks import require_frequencies, require_number
from .conductors import Conductor
from .errors import MaterialError
from .round_wire import skin_depth

_KEYS = frozenset({"sheet_resistance", "conductor", "thickness", "wire_radius", "pitch"})


@dataclass(frozen=True, repr=False)
class SheetConductor:
    """A conducting sheet: a thin film, a sheet of metal, or a mesh of bonded wires.

    Build metal with `SheetConductor.of`, mesh with `SheetConductor.of_mesh`, a film by its
    resistance.

    Parameters
    ----------
    name : str
        Name, for messages and tables.
    sheet_resistance : float
        Resistance of a square at direct current, > 0. [ohm]
    conductor : Conductor, optional
        The metal; None for a film, whose impedance is its resistance at every frequency.
    thickness : float, optional
        Thickness of a sheet of the conductor, > 0. [m]
    wire_radius, pitch : float, optional
        Radius of a mesh's wires, and the side of its square opening, > 2 pi radii. [m]
    source : str
        Where the values come from.

    Raises
    ------
    MaterialError
        If a value is out of range, or the values do not go together.
    """

    name: str
    sheet_resistance: float
    conductor: Conductor | None = field(default=None, kw_only=True)
    thickness: float | None = field(default=None, kw_only=True)
    wire_radius: float | None = field(default=None, kw_only=True)
    pitch: float | None = field(default=None, kw_only=True)
    source: str = field(default="", kw_only=True)

    @classmethod
    def of(
        cls, conductor: Conductor | str, thickness: float, *, name: str = "", source: str = ""
    ) -> SheetConductor:
        """Return a sheet of a metal, `thickness` thick [m]."""
        metal = Conductor.named(conductor) if isinstance(conductor, str) else conductor
        resistance = 1.0 / (metal.conductivity * thickness)
        return cls(
            name or f"{metal.name} sheet",
            resistance,
            conductor=metal,
            thickness=thickness,
            source=source,
        )

    @classmethod
    def of_mesh(
        cls,
        conductor: Conductor | str,
        *,
        wire_radius: float,
        pitch: float,
        name: str = "",
        source: str = "",
    ) -> SheetConductor:
        """Return a square mesh of wires of that radius [m], `pitch` apart [m]."""
        metal = Conductor.named(conductor) if isinstance(conductor, str) else conductor
        return cls(
            name or f"{metal.name} mesh",
            metal.dc_resistance(radius=wire_radius) * pitch,
            conductor=metal,
            wire_radius=wire_radius,
            pitch=pitch,
            source=source,
        )

    @classmethod
    def named(cls, name: str) -> SheetConductor:
        """Return a sheet of the catalogue; capitals, hyphens and spaces do not matter."""
        entry = find_entry(name, entries=_entries(), what="conducting sheet")
        values = entry.values
        if "sheet_resistance" in values:
            return cls(entry.name, values["sheet_resistance"], source=entry.source)
        build = cls.of if "thickness" in values else cls.of_mesh
        return build(name=entry.name, source=entry.source, **values)

    @classmethod
    def names(cls) -> tuple[str, ...]:
        """Return the names in the catalogue, in its order."""
        return tuple(entry.name for entry in _entries())

    @overload
    def impedance(self, frequency: float) -> complex: ...
    @overload
    def impedance(self, frequency: NDArray[np.float64]) -> NDArray[np.complex128]: ...
    def impedance(self, frequency: float | NDArray[np.float64]) -> complex | NDArray[np.complex128]:
        """Impedance of a square, shape of frequency [Hz]. [ohm]"""
        frequencies = require_frequencies(frequency, what=f"conducting sheet {self.name!r}")
        result = np.full(frequencies.shape, self.sheet_resistance, dtype=np.complex128)
        if self.conductor is not None and self.thickness is not None:
            depth = skin_depth(frequencies, conductivity=self.conductor.conductivity)
            eta = (1.0 + 1.0j) / (self.conductor.conductivity * depth)
            result = np.asarray(eta / np.tanh((1.0 + 1.0j) * self.thickness / depth))
        elif self.conductor is not None and self.pitch is not None and self.wire_radius is not None:
            wire = self.conductor.internal_impedance(frequencies, radius=self.wire_radius)
            inductance = (
                mu_0 / (2.0 * np.pi) * np.log(self.pitch / (2.0 * np.pi * self.wire_radius))
            )
            result = np.asarray(self.pitch * (wire + 2j * np.pi * frequencies * inductance))
        return result if result.ndim else complex(result)

    def describe(self) -> str:
        """Return the values and their source in words."""
        return f"{self.name}: {self._make()}. Source: {self.source or 'not stated'}."

    def __repr__(self) -> str:
        return f"<SheetConductor {self.name!r}: {self._make()}>"

    def _make(self) -> str:
        return f"{self.sheet_resistance:.4g} ohm per square"


def _entries() -> tuple[Entry, ...]:
    return read_catalogue(
        "sheet_conductors.toml", table="sheet", allowed=_KEYS, required=frozenset()
    )
