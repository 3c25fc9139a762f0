"""Conductors: what wires are made of, solid or clad, and their internal impedance."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from . import round_wire
from .catalogue_reader import Entry, find_entry, read_catalogue
from .checks import require_number
from .errors import MaterialError
from .round_wire import Layer

_KEYS = frozenset(
    {"conductivity", "relative_permeability", "core", "layer_thickness", "layer_fraction"}
)


@dataclass(frozen=True, repr=False)
class Conductor:
    """What a round wire is made of: one metal, or a layer of it on a core.

    Parameters
    ----------
    name : str
        Name, for messages and tables.
    conductivity : float
        Conductivity of the metal, or of the outer layer, > 0. [S/m]
    relative_permeability : float
        Relative permeability of the same, > 0.
    core : Conductor, optional
        What lies below the layer (it may be clad itself); None for a solid wire.
    layer_thickness : float, optional
        Thickness of the layer, > 0; below the radius of the wire it is used on. [m]
    layer_fraction : float, optional
        The same as a part of the wire's radius, between 0 and 1. One of the two goes with a core.
    source : str
        Where the values come from.

    Raises
    ------
    MaterialError
        If a value is out of range, or core and layer do not go together.

    Examples
    --------
    >>> copper = Conductor.named("annealed copper")
    >>> f"{copper.internal_impedance(14.1e6, radius=1e-3):.4f}"
    '0.1573+0.1559j'
    >>> Conductor("own alloy", 2.0e7)
    <Conductor 'own alloy': 20 MS/m>
    """

    name: str
    conductivity: float
    relative_permeability: float = field(default=1.0, kw_only=True)
    core: Conductor | None = field(default=None, kw_only=True)
    layer_thickness: float | None = field(default=None, kw_only=True)
    layer_fraction: float | None = field(default=None, kw_only=True)
    source: str = field(default="", kw_only=True)

    def __post_init__(self) -> None:
        if not isinstance(self.name, str) or not self.name.strip():
            raise MaterialError(f"the name of a conductor is {self.name!r}; give it a name.")
        where = f"of conductor {self.name!r}"
        self._set_number(
            "conductivity",
            what=f"conductivity {where}",
            unit="S/m",
            above=0.0,
            cure="Give siemens per metre, for copper 5.8e7; for a wire without loss give no "
            "conductor.",
        )
        self._set_number(
            "relative_permeability",
            what=f"relative permeability {where}",
            unit="",
            above=0.0,
            cure="Use 1 for metals that a magnet does not attract, hundreds for iron and steel.",
        )
        self._check_layer(where)

    def _set_number(self, attribute: str, **rule: Any) -> None:
        number = require_number(getattr(self, attribute), **rule)
        object.__setattr__(self, attribute, number)

    def _check_layer(self, where: str) -> None:
        given = [
            key for key in ("layer_thickness", "layer_fraction") if getattr(self, key) is not None
        ]
        if self.core is None:
            if given:
                raise MaterialError(
                    f"{given[0]} {where} is given, but no core. Give core=Conductor(...), or "
                    f"leave {given[0]} away for a solid wire."
                )
            return
        if not isinstance(self.core, Conductor):
            raise MaterialError(
                f"core {where} is {self.core!r}; it must be a Conductor, for example "
                "Conductor.named('mild steel')."
            )
        if len(given) != 1:
            found = "both are given" if given else "neither is given"
            raise MaterialError(
                f"a core {where} needs either layer_thickness [m] or layer_fraction (of the "
                f"radius); {found}. Give one."
            )
        self._set_number(
            given[0],
            what=f"{given[0]} {where}",
            unit="m" if given[0] == "layer_thickness" else "",
            above=0.0,
            cure="For a wire without a layer give no core.",
        )
        if self.layer_fraction is not None and self.layer_fraction >= 1.0:
            raise MaterialError(
                f"layer_fraction {where} is {self.layer_fraction:g}; it is a part of the radius "
                "and must be below 1. For a wire that is all layer give no core."
            )

    @classmethod
    def named(cls, name: str) -> Conductor:
        """Return a conductor of the catalogue; capitals, hyphens and spaces do not matter.

        Raises
        ------
        MaterialError
            If there is none of that name: the message has near names and the list.
        """
        entries = _entries()
        return _from_entry(find_entry(name, entries=entries, what="conductor"), entries)

    @classmethod
    def names(cls) -> tuple[str, ...]:
        """Return the names in the catalogue, in its order."""
        return tuple(entry.name for entry in _entries())

    @property
    def is_clad(self) -> bool:
        """Whether it is a layer on a core."""
        return self.core is not None

    def layers(self, *, radius: float) -> tuple[Layer, ...]:
        """Return the layers of a wire of that outer radius [m], from the core outwards.

        Raises
        ------
        MaterialError
            If the radius is not positive, or not greater than the layer.
        """
        outer = require_number(
            radius,
            what=f"radius of a wire of {self.name!r}",
            unit="m",
            above=0.0,
            cure="Give the radius (not the diameter) in metres, for example 0.0008.",
        )
        own = Layer(outer, self.conductivity, self.relative_permeability)
        if self.core is None:
            return (own,)
        if self.layer_fraction is not None:
            thickness = self.layer_fraction * outer
        else:
            thickness = self.layer_thickness or 0.0
        if thickness >= outer:
            raise MaterialError(
                f"the layer of {self.name!r} is {thickness:g} m thick; a wire of it needs a "
                f"greater radius than that, not {outer:g} m. Use a thicker wire, a thinner layer, "
                "or a solid conductor."
            )
        return (*self.core.layers(radius=outer - thickness), own)

    def internal_impedance(self, frequency: ArrayLike, *, radius: float) -> NDArray[np.complex128]:
        """Internal impedance per metre of a round wire, exact (Bessel functions).

        Parameters
        ----------
        frequency : array_like, shape (...)
            Frequency, > 0. [Hz]
        radius : float
            Outer radius of the wire, > 0, and above the layer's thickness. [m]

        Returns
        -------
        ndarray of complex128, shape (...)
            Impedance per length; the inductive part is positive. [ohm/m]

        Raises
        ------
        MaterialError
            If frequency or radius is out of range.

        See Also
        --------
        ridgepole.materials.round_wire : the equations.
        """
        layers = self.layers(radius=radius)
        return round_wire.layered_internal_impedance(frequency, layers=layers)

    def dc_resistance(self, *, radius: float) -> float:
        """Direct-current resistance per metre of a round wire of that outer radius [m]. [ohm/m]"""
        return round_wire.dc_resistance(self.layers(radius=radius))

    def skin_depth(self, frequency: ArrayLike) -> NDArray[np.float64]:
        """Skin depth in the metal, or in the outer layer's metal, shape of frequency. [m]"""
        return round_wire.skin_depth(
            frequency,
            conductivity=self.conductivity,
            relative_permeability=self.relative_permeability,
        )

    def describe(self) -> str:
        """Return the values and their source in words."""
        text = f"{self.name}: {self._make()}"
        if self.core is not None:
            text += f". Core: {self.core._make()}"
        return f"{text}. Source: {self.source or 'not stated'}."

    def __repr__(self) -> str:
        return f"<Conductor {self.name!r}: {self._make()}>"

    def _make(self) -> str:
        """Return the values on one line, without name and source."""
        text = f"{self.conductivity / 1e6:.4g} MS/m"
        if self.relative_permeability != 1.0:
            text += f", mu_r {self.relative_permeability:g}"
        if self.core is None:
            return text
        if self.layer_fraction is not None:
            thick = f"{100.0 * self.layer_fraction:.4g} % of the radius"
        else:
            thick = f"{(self.layer_thickness or 0.0) * 1e6:.4g} um"
        return f"{text}, {thick} thick on {self.core.name!r}"


def _entries() -> tuple[Entry, ...]:
    return read_catalogue(
        "conductors.toml", table="conductor", allowed=_KEYS, required=frozenset({"conductivity"})
    )


def _from_entry(entry: Entry, entries: tuple[Entry, ...]) -> Conductor:
    values = dict(entry.values)
    core_name = values.pop("core", None)
    core = None
    if core_name is not None:
        # Only earlier entries may be a core, so that no entry can come to stand on itself.
        earlier = entries[: entries.index(entry)]
        found = find_entry(core_name, entries=earlier, what=f"core of {entry.name!r}")
        core = _from_entry(found, earlier)
    conductivity = values.pop("conductivity")
    return Conductor(entry.name, conductivity, core=core, source=entry.source, **values)
