r"""Sheets that conduct: foil, metal roofing, wire mesh in stucco, thin metal films.

A sheet is told by its impedance per square Z: the tangential electric field over the surface
current, with the magnetic field on one side of it (a foil over which the wires hang, a roof above
them). A metal of conductivity sigma and skin depth delta, t thick, has

    Z = eta coth(gamma t),   gamma = (1 + j)/delta,   eta = gamma/sigma,

which tends to 1/(sigma t) when thin and to (1 + j)/(sigma delta) when thick. A clad metal has its
layer on both faces; layers are carried from the far face to the near one as sections of line,
Z <- eta (Z + eta tanh(gamma t))/(eta + Z tanh(gamma t)) (Ramo, Whinnery & Van Duzer, Fields and
Waves in Communication Electronics, chapters on skin effect and on transmission lines, from memory).

A mesh of bonded wires of radius a, a pitch p apart, carries the current of a strip p wide in each
wire. Its impedance is p times the wire's own per metre, and the inductance of a grid in a field
that is even over the wavelength (grids of parallel wires, p far below the wavelength; from memory):

    Z = p z_wire + j w mu0 (p / 2 pi) ln(p / (2 pi a)).
"""

from __future__ import annotations

import math
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
_Slab = tuple[float, Conductor]


@dataclass(frozen=True, repr=False)
class SheetConductor:
    """A conducting sheet: a thin film, a sheet of metal, or a mesh of bonded wires.

    A film is told by its resistance; for metal use `SheetConductor.of`, for a mesh
    `SheetConductor.of_mesh`, for what houses have `SheetConductor.named`.

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
        Of a mesh: radius of its wires, > 0, and side of its openings, > 2 pi radii. [m]
    source : str
        Where the values come from.

    Raises
    ------
    MaterialError
        If a value is out of range, or the values do not go together.

    Examples
    --------
    >>> foil = SheetConductor.of("aluminium", 20e-6)
    >>> f"{foil.sheet_resistance * 1e3:.3f} mohm"
    '1.413 mohm'
    >>> f"{foil.impedance(28.5e6) * 1e3:.3f} mohm"
    '1.704+1.413j mohm'
    >>> SheetConductor("own film", 8.0)
    <SheetConductor 'own film': 8 ohm per square>
    """

    name: str
    sheet_resistance: float
    conductor: Conductor | None = field(default=None, kw_only=True)
    thickness: float | None = field(default=None, kw_only=True)
    wire_radius: float | None = field(default=None, kw_only=True)
    pitch: float | None = field(default=None, kw_only=True)
    source: str = field(default="", kw_only=True)

    def __post_init__(self) -> None:
        if not isinstance(self.name, str) or not self.name.strip():
            raise MaterialError(f"the name of a conducting sheet is {self.name!r}; give it a name.")
        resistance = require_number(
            self.sheet_resistance,
            what=f"sheet resistance of {self.name!r}",
            unit="ohm",
            above=0.0,
            cure="Give ohms per square; foil has some thousandths, a film of silver some ohms.",
        )
        object.__setattr__(self, "sheet_resistance", resistance)
        shape = {key: getattr(self, key) for key in ("thickness", "wire_radius", "pitch")}
        given = {key for key, value in shape.items() if value is not None}
        allowed = [set()] if self.conductor is None else [{"thickness"}, {"wire_radius", "pitch"}]
        if given not in allowed:
            raise MaterialError(
                f"conducting sheet {self.name!r} with conductor {self.conductor!r} has "
                f"{', '.join(sorted(given)) or 'no size'}. Give a film its resistance alone, metal "
                "a conductor and a thickness, a mesh a conductor, wire_radius and pitch; "
                "SheetConductor.of and of_mesh do that."
            )
        if self.conductor is not None:
            self._check_resistance(_dc_resistance(self.name, self.conductor, **shape))

    def _check_resistance(self, of_metal: float) -> None:
        if not math.isclose(self.sheet_resistance, of_metal, rel_tol=1e-9):
            raise MaterialError(
                f"sheet resistance of {self.name!r} is {self.sheet_resistance:g} ohm, but its "
                f"metal and size make {of_metal:g} ohm. Use SheetConductor.of or of_mesh, which "
                "take it from there."
            )

    @classmethod
    def of(
        cls, conductor: Conductor | str, thickness: float, *, name: str = "", source: str = ""
    ) -> SheetConductor:
        """Return a sheet of metal, a clad one with its layer on both faces.

        Parameters
        ----------
        conductor : Conductor or str
            The metal, or its name in the catalogue.
        thickness : float
            Thickness, > 0, and above twice the layer of a clad metal. [m]
        name, source : str
            Name, and where the values come from.

        Raises
        ------
        MaterialError
            If the thickness is out of range, or a clad metal tells its layer as a part of a radius.
        """
        metal = _metal(conductor)
        name = name or f"{metal.name} sheet"
        resistance = _dc_resistance(name, metal, thickness=thickness)
        return cls(name, resistance, conductor=metal, thickness=thickness, source=source)

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
        """Return a square mesh of wires that are bonded where they cross.

        Parameters
        ----------
        conductor : Conductor or str
            What the wires are made of, or its name in the catalogue.
        wire_radius : float
            Radius of the wires, > 0. [m]
        pitch : float
            Distance between neighbouring wires, > 2 pi radii. [m]
        name, source : str
            Name, and where the values come from.

        Raises
        ------
        MaterialError
            If radius or pitch is out of range.
        """
        metal = _metal(conductor)
        name = name or f"{metal.name} mesh"
        size = {"wire_radius": wire_radius, "pitch": pitch}
        resistance = _dc_resistance(name, metal, **size)
        return cls(name, resistance, conductor=metal, source=source, **size)

    @classmethod
    def named(cls, name: str) -> SheetConductor:
        """Return a sheet of the catalogue; capitals, hyphens and spaces do not matter.

        Raises
        ------
        MaterialError
            If there is none of that name: the message has near names and the list.
        """
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
        """Impedance of a square, the magnetic field on one side; see the module's equations.

        Parameters
        ----------
        frequency : float or ndarray, shape (...)
            Frequency, > 0. [Hz]

        Returns
        -------
        complex for a number, ndarray of complex128 of the same shape for an array
            Impedance; resistance and reactance are never negative. [ohm]

        Raises
        ------
        MaterialError
            If a frequency is out of range.
        """
        frequencies = require_frequencies(frequency, what=f"conducting sheet {self.name!r}")
        if self.conductor is None:
            result = np.full(frequencies.shape, self.sheet_resistance, dtype=np.complex128)
        elif self.thickness is not None:
            result = _metal_impedance(
                frequencies, slabs=_slabs(self.name, self.conductor, self.thickness)
            )
        else:
            radius, pitch = self.wire_radius or 0.0, self.pitch or 0.0
            wire = self.conductor.internal_impedance(frequencies, radius=radius)
            inductance = mu_0 * math.log(pitch / (2.0 * math.pi * radius)) / (2.0 * math.pi)
            result = np.asarray(pitch * (wire + 2j * np.pi * frequencies * inductance))
        return result if result.ndim else complex(result)

    def describe(self, frequency: float | None = None) -> str:
        """Return the values and their source in words, at a frequency [Hz] if one is given."""
        text = f"{self.name}: {self._make()}"
        if frequency is not None:
            z = self.impedance(frequency)
            text += f"; at {frequency / 1e6:g} MHz {z.real:.3g} + j{z.imag:.3g} ohm"
        return f"{text}. Source: {self.source or 'not stated'}."

    def __repr__(self) -> str:
        return f"<SheetConductor {self.name!r}: {self._make()}>"

    def _make(self) -> str:
        """Return the values on one line, without name and source."""
        text = f"{self.sheet_resistance:.4g} ohm per square"
        if self.conductor is None:
            return text
        if self.thickness is not None:
            return f"{text}, {self.thickness * 1e6:.4g} um of {self.conductor.name!r}"
        return (
            f"{text}, {2e3 * (self.wire_radius or 0.0):.3g} mm wires of {self.conductor.name!r} "
            f"{1e3 * (self.pitch or 0.0):.3g} mm apart"
        )


def _metal(conductor: Conductor | str) -> Conductor:
    if isinstance(conductor, str):
        return Conductor.named(conductor)
    if not isinstance(conductor, Conductor):
        raise MaterialError(
            f"the metal of a conducting sheet is {conductor!r}; it must be a Conductor or a name, "
            "for example 'aluminium'."
        )
    return conductor


def _dc_resistance(
    name: str,
    conductor: Conductor,
    *,
    thickness: float | None = None,
    wire_radius: float | None = None,
    pitch: float | None = None,
) -> float:
    """Return the resistance of a square at direct current [ohm]; checks the sizes."""
    if thickness is not None:
        slabs = _slabs(name, conductor, thickness)
        return 1.0 / sum(thick * metal.conductivity for thick, metal in slabs)
    radius = require_number(
        wire_radius,
        what=f"wire radius of {name!r}",
        unit="m",
        above=0.0,
        cure="Give the radius (not the diameter) in metres, for example 0.0007.",
    )
    apart = require_number(
        pitch,
        what=f"pitch of {name!r}",
        unit="m",
        above=2.0 * math.pi * radius,
        cure="The pitch must be above 2 pi wire radii; a closer mesh is a sheet, use "
        "SheetConductor.of.",
    )
    return conductor.dc_resistance(radius=radius) * apart


def _slabs(name: str, conductor: Conductor, thickness: float) -> tuple[_Slab, ...]:
    """Return thickness [m] and metal of each layer, from face to face."""
    thick = require_number(
        thickness,
        what=f"thickness of {name!r}",
        unit="m",
        above=0.0,
        cure="Give metres, for foil 20e-6.",
    )
    if conductor.core is None:
        return ((thick, conductor),)
    if conductor.layer_thickness is None:
        raise MaterialError(
            f"{name!r} is of {conductor.name!r}, whose layer is a part of a wire's radius, and a "
            "sheet has none. Use a conductor with a layer_thickness, or a solid one."
        )
    inner = thick - 2.0 * conductor.layer_thickness
    if inner <= 0.0:
        raise MaterialError(
            f"thickness of {name!r} is {thick:g} m; with {conductor.name!r} on both faces it must "
            f"be above {2.0 * conductor.layer_thickness:g} m, twice the layer. Use a thicker sheet "
            "or a solid conductor."
        )
    face = (conductor.layer_thickness, conductor)
    return (face, *_slabs(name, conductor.core, inner), face)


def _metal_impedance(
    frequencies: NDArray[np.float64], *, slabs: tuple[_Slab, ...]
) -> NDArray[np.complex128]:
    """Impedance at the near face of metal slabs with no field behind them. [ohm]"""
    admittance = np.zeros(frequencies.shape, dtype=np.complex128)
    for thickness, metal in reversed(slabs):
        gamma = (1.0 + 1.0j) / skin_depth(
            frequencies,
            conductivity=metal.conductivity,
            relative_permeability=metal.relative_permeability,
        )
        eta = gamma / metal.conductivity
        tanh = np.tanh(gamma * thickness)
        # The module's step, written for 1/Z: no field behind is then zero, not infinity.
        admittance = (admittance + tanh / eta) / (1.0 + eta * admittance * tanh)
    return np.asarray(1.0 / admittance)


def _entries() -> tuple[Entry, ...]:
    return read_catalogue(
        "sheet_conductors.toml", table="sheet", allowed=_KEYS, required=frozenset()
    )
