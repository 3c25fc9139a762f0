"""The earth below the antenna: constants, named grounds that vary with frequency, layers."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple, overload

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.constants import c, epsilon_0

from .catalogue_reader import Entry, find_entry, read_catalogue
from .checks import require_frequencies, require_number
from .errors import MaterialError
from .frequency_curves import require_in_range
from .ground import Ground
from .ground_models import GroundCurve, WaterModel

_KEYS = frozenset({"relative_permittivity", "conductivity", "points"})


class Layer(NamedTuple):
    """One layer of a layered earth."""

    thickness: float  #: infinite for the half-space below all others [m]
    earth: Earth  #: what it is made of


@dataclass(frozen=True, repr=False)
class Earth:
    """The ground below z = 0, with permeability of free space: a half-space, or layers.

    Parameters
    ----------
    relative_permittivity : float
        Relative permittivity, >= 1. [1]
    conductivity : float
        Conductivity, >= 0; infinite for a perfect ground. [S/m]
    name, source : str
        Name, and where the values come from.
    variation : GroundCurve or WaterModel, optional
        How the two vary with frequency; they are then the values at the low end of its range.
        None: the same at every frequency.
    layers : tuple of Layer
        Empty for a half-space. Else all layers from the top down, the last one of infinite
        thickness; the values above are then those of the material at the surface. Made by
        `Earth.layered`.

    Raises
    ------
    MaterialError
        If a value is out of range.

    Examples
    --------
    >>> ground = Earth(relative_permittivity=13, conductivity=0.005)
    >>> f"{ground.complex_permittivity(7.1e6):.3f}"
    '13.000-12.659j'
    >>> f"{ground.penetration_depth(7.1e6):.2f} m"
    '4.19 m'
    """

    relative_permittivity: float = 13.0
    conductivity: float = 0.005
    name: str = field(default="", kw_only=True)
    source: str = field(default="", kw_only=True)
    variation: GroundCurve | WaterModel | None = field(default=None, kw_only=True)
    layers: tuple[Layer, ...] = field(default=(), kw_only=True)

    def __post_init__(self) -> None:
        where = f"of earth {self.name!r}" if self.name else "of the earth"
        if isinstance(self.relative_permittivity, str):
            raise MaterialError(
                f"relative permittivity {where} is {self.relative_permittivity!r}, which is text. "
                f"Grounds are found by name with Earth.named({self.relative_permittivity!r})."
            )
        permittivity = require_number(
            self.relative_permittivity,
            what=f"relative permittivity {where}",
            unit="",
            least=1.0,
            cure="Dry sand has about 3, average ground 13, water 80; see Earth.names().",
        )
        conductivity = require_number(
            self.conductivity,
            what=f"conductivity {where}",
            unit="S/m",
            least=0.0,
            cure="Give siemens per metre, for average ground 0.005; for perfect ground use "
            "Earth.perfect().",
            may_be_infinite=True,
        )
        if self.variation is not None:
            if not isinstance(self.variation, (GroundCurve, WaterModel)):
                raise MaterialError(
                    f"variation {where} is {self.variation!r}; it must be a GroundCurve or a "
                    "WaterModel."
                )
            lowest = np.array(self.variation.frequency_range[0])
            er, sigma = self.variation.evaluate(lowest)
            if not (
                math.isclose(permittivity, float(er), rel_tol=1e-9)
                and math.isclose(conductivity, float(sigma), rel_tol=1e-9)
            ):
                raise MaterialError(
                    f"permittivity {permittivity:g} and conductivity {conductivity:g} S/m {where} "
                    f"are not those of its variation at {float(lowest):g} Hz, {float(er):g} and "
                    f"{float(sigma):g} S/m. Use Earth.varying(...), which takes them from there."
                )
        object.__setattr__(self, "relative_permittivity", permittivity)
        object.__setattr__(self, "conductivity", conductivity)
        object.__setattr__(self, "layers", _checked_layers(self, where))

    @classmethod
    def perfect(cls) -> Earth:
        """Return the perfectly conducting ground."""
        return cls(1.0, math.inf, name="perfect ground", source="idealisation")

    @classmethod
    def varying(
        cls, variation: GroundCurve | WaterModel, *, name: str = "", source: str = ""
    ) -> Earth:
        """Return a ground that varies with frequency as the curve or model says."""
        er, sigma = variation.evaluate(np.array(variation.frequency_range[0]))
        return cls(float(er), float(sigma), name=name, source=source, variation=variation)

    @classmethod
    def layered(
        cls,
        layers: Sequence[tuple[float, Earth]],
        below: Earth,
        *,
        name: str = "",
        source: str = "",
    ) -> Earth:
        """Return an earth of horizontal layers.

        Parameters
        ----------
        layers : sequence of (float, Earth)
            Thickness [m] and material of every layer, the uppermost first; any number of them.
        below : Earth
            The half-space below them; it may be perfect, and a layered one goes on with its
            layers.
        name, source : str
            Name of the whole, made from the layers if empty, and where the values come from.

        Raises
        ------
        MaterialError
            If there is no layer, a thickness is not positive and finite, or a layer (other than
            what is below all) is perfect, layered, or no Earth.

        Examples
        --------
        >>> snow, clay = Earth(1.5, 1e-5, name="snow"), Earth(25, 0.02, name="clay")
        >>> Earth.layered([(0.3, snow)], below=clay).name
        '0.3 m of snow over clay'
        """
        given = _read_layers(layers, below)
        top = given[0].earth
        return cls(
            top.relative_permittivity,
            top.conductivity,
            name=name or _layers_in_words(given),
            source=source or "; ".join(_sources(given)),
            variation=top.variation,
            layers=given,
        )

    @classmethod
    def water(cls, *, temperature_c: float = 20.0, salinity_g_per_kg: float = 35.0) -> Earth:
        """Return fresh or sea water by temperature [degrees C] and salinity [g/kg].

        Raises
        ------
        MaterialError
            If the temperature is outside -2 to 40, or the salinity outside 0 to 40.

        See Also
        --------
        ridgepole.materials.ground_models.WaterModel : the model and its sources.
        """
        model = WaterModel(temperature_c, salinity_g_per_kg)
        name = f"water at {model.temperature_c:g} C with {model.salinity_g_per_kg:g} g/kg of salt"
        source = "double Debye model of ITU-R P.527-4 and later, coefficients from memory"
        return cls.varying(model, name=name, source=source)

    @classmethod
    def named(cls, name: str) -> Earth:
        """Return a ground of the catalogue; capitals, hyphens and spaces do not matter.

        Raises
        ------
        MaterialError
            If there is none of that name: the message has near names and the list.
        """
        entry = find_entry(name, entries=_entries(), what="ground")
        values = entry.values
        if "points" in values:
            curve = GroundCurve(tuple(tuple(row) for row in values["points"]))
            return cls.varying(curve, name=entry.name, source=entry.source)
        return cls(
            values["relative_permittivity"],
            values["conductivity"],
            name=entry.name,
            source=entry.source,
        )

    @classmethod
    def names(cls) -> tuple[str, ...]:
        """Return the names in the catalogue, in its order."""
        return tuple(entry.name for entry in _entries())

    @property
    def is_perfect(self) -> bool:
        """Whether it conducts perfectly from the surface down."""
        return math.isinf(self.conductivity)

    @property
    def is_layered(self) -> bool:
        """Whether it is made of layers."""
        return bool(self.layers)

    def at(self, frequency: float) -> Ground:
        """Permittivities and thicknesses of all layers at one frequency.

        Parameters
        ----------
        frequency : float
            Frequency, > 0. [Hz]

        Returns
        -------
        Ground
            One permittivity and no thickness for a half-space; infinite where it is perfect.

        Raises
        ------
        MaterialError
            If the frequency is out of range, or outside the range of a ground's curve.
        """
        materials = [layer.earth for layer in self.layers] or [self]
        return Ground(
            tuple(
                complex(math.inf)
                if one.is_perfect
                else complex(one.complex_permittivity(frequency))
                for one in materials
            ),
            tuple(layer.thickness for layer in self.layers[:-1]),
        )

    @overload
    def complex_permittivity(self, frequency: float) -> complex: ...
    @overload
    def complex_permittivity(self, frequency: NDArray[np.float64]) -> NDArray[np.complex128]: ...
    def complex_permittivity(
        self, frequency: float | NDArray[np.float64]
    ) -> complex | NDArray[np.complex128]:
        """Relative complex permittivity er - j sigma/(w eps0), of layers the uppermost's.

        Parameters
        ----------
        frequency : float or ndarray, shape (...)
            Frequency, > 0. [Hz]

        Returns
        -------
        complex for a number, ndarray of complex128 of the same shape for an array
            Relative complex permittivity. [1]

        Raises
        ------
        MaterialError
            If the ground is perfect, the frequency is out of range, or it is outside the range
            that the ground's curve is known for.
        """
        if self.is_perfect:
            raise MaterialError(
                "a perfect ground has no complex permittivity: its conductivity is infinite. "
                "Ask Earth.is_perfect first, and use image theory there."
            )
        frequencies = require_frequencies(frequency, what=self._called())
        er, loss = self._permittivity_and_loss(frequencies)
        result = np.asarray(er - 1.0j * loss)
        return result if result.ndim else complex(result)

    @overload
    def penetration_depth(self, frequency: float) -> float: ...
    @overload
    def penetration_depth(self, frequency: NDArray[np.float64]) -> NDArray[np.float64]: ...
    def penetration_depth(
        self, frequency: float | NDArray[np.float64]
    ) -> float | NDArray[np.float64]:
        """Depth at which a plane wave has fallen by 1/e, 1/Re(gamma), in the uppermost layer.

        Parameters
        ----------
        frequency : float or ndarray, shape (...)
            Frequency, > 0. [Hz]

        Returns
        -------
        float for a number, ndarray of float64 of the same shape for an array
            Depth: zero in a perfect ground, infinite in one without loss. [m]

        Raises
        ------
        MaterialError
            As for `complex_permittivity`.
        """
        frequencies = require_frequencies(frequency, what=self._called())
        if self.is_perfect:
            depth = np.zeros_like(frequencies)
        else:
            # With sqrt(ec) = n' - j n'' and loss = sigma/(w eps0): 2 n'^2 = er + |ec| and
            # n'' = loss/(2 n'), neither of which cancels where the loss is small.
            er, loss = self._permittivity_and_loss(frequencies)
            lag = loss / np.sqrt(2.0 * (er + np.hypot(er, loss)))
            with np.errstate(divide="ignore"):
                depth = np.asarray(c / (2.0 * np.pi * frequencies * lag))
        return depth if depth.ndim else float(depth)

    def permittivity_at(self, frequency: ArrayLike) -> NDArray[np.float64]:
        """Relative permittivity, shape of frequency [Hz]; MaterialError as above."""
        return self._constants(require_frequencies(frequency, what=self._called()))[0]

    def conductivity_at(self, frequency: ArrayLike) -> NDArray[np.float64]:
        """Conductivity [S/m], shape of frequency [Hz]; MaterialError as above."""
        return self._constants(require_frequencies(frequency, what=self._called()))[1]

    def describe(self, frequency: float | None = None) -> str:
        """Return the values and their source in words, at a frequency [Hz] if one is given."""
        called = self.name or "earth"
        if self.is_layered:
            parts = [
                f"{_depth_in_words(layer)}{layer.earth.describe(frequency)}"
                for layer in self.layers
            ]
            return f"{called}: {' '.join(parts)}"
        if self.is_perfect:
            return f"{called}: perfectly conducting. Source: {self.source or 'not stated'}."
        text = f"{called}: {self._make()}"
        if frequency is not None:
            er, sigma = self.permittivity_at(frequency), self.conductivity_at(frequency)
            depth = self.penetration_depth(frequency)
            text += (
                f"; at {frequency / 1e6:g} MHz relative permittivity {float(er):.4g}, "
                f"conductivity {float(sigma) * 1e3:.4g} mS/m, penetration depth {depth:.3g} m"
            )
        return f"{text}. Source: {self.source or 'not stated'}."

    def __repr__(self) -> str:
        if self.is_perfect:
            return "<Earth: perfect ground>"
        if self.is_layered:
            return f"<Earth: {self.name}>"
        called = f" {self.name!r}" if self.name else ""
        return f"<Earth{called}: {self._make()}>"

    def _called(self) -> str:
        return f"earth {self.name!r}" if self.name else "the earth"

    def _make(self) -> str:
        """Return the values on one line, without name and source."""
        values = f"eps_r {self.relative_permittivity:.4g}, {self.conductivity * 1e3:.4g} mS/m"
        if self.variation is None:
            return values
        low, high = self.variation.frequency_range
        return f"{values}, varying over {low / 1e6:g}-{high / 1e6:g} MHz"

    def _permittivity_and_loss(
        self, frequencies: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return er and sigma/(w eps0), each the shape of frequencies."""
        er, sigma = self._constants(frequencies)
        return er, np.asarray(sigma / (2.0 * np.pi * frequencies * epsilon_0))

    def _constants(
        self, frequencies: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        if self.variation is None:
            flat = np.ones_like(frequencies)
            return flat * self.relative_permittivity, flat * self.conductivity
        require_in_range(
            frequencies,
            within=self.variation.frequency_range,
            what=self._called(),
            cure="Give relative_permittivity and conductivity for that frequency instead.",
        )
        return self.variation.evaluate(frequencies)


def _entries() -> tuple[Entry, ...]:
    return read_catalogue("grounds.toml", table="ground", allowed=_KEYS, required=frozenset())


def _read_layers(layers: Sequence[tuple[float, Earth]], below: Earth) -> tuple[Layer, ...]:
    """Layers from the top down, the last without an end; what they are is checked later."""
    if not isinstance(below, Earth):
        raise MaterialError(
            f"below={below!r} is no earth. Give an Earth, for example Earth.named('wet ground') "
            "or Earth.perfect()."
        )
    if isinstance(layers, str) or not isinstance(layers, Iterable):
        raise MaterialError(
            f"layers={layers!r} are none. Give pairs of thickness in metres and Earth, the "
            "uppermost first."
        )
    found = []
    for number, given in enumerate(layers, 1):
        if not (isinstance(given, (tuple, list)) and len(given) == 2):
            raise MaterialError(
                f"layer {number} is {given!r}; it must be a pair of its thickness in metres and "
                "an Earth."
            )
        if not isinstance(given[1], Earth):
            raise MaterialError(f"layer {number} is made of {given[1]!r}; give an Earth.")
        found.append(Layer(given[0], given[1]))
    if not found:
        raise MaterialError(
            "a layered earth has no layers. Give at least one pair of thickness and Earth; for a "
            "half-space take the Earth itself."
        )
    return (*found, *(below.layers or (Layer(math.inf, below),)))


def _checked_layers(whole: Earth, where: str) -> tuple[Layer, ...]:
    found = []
    last = len(whole.layers) - 1
    for number, (thickness, earth) in enumerate(whole.layers):
        called = f"layer {number + 1} {where}"
        if not isinstance(earth, Earth):
            raise MaterialError(f"{called} is made of {earth!r}; give an Earth.")
        if earth.layers:
            raise MaterialError(
                f"{called} has layers itself; list them one by one. Only what is below all may "
                "be layered."
            )
        if number == last:
            if thickness != math.inf:
                raise MaterialError(
                    f"{called} is the last and ends after {thickness!r} m; what is below all has "
                    "no end. Use Earth.layered(..., below=...)."
                )
            found.append(Layer(math.inf, earth))
            continue
        if earth.is_perfect:
            raise MaterialError(
                f"{called} is a perfect conductor, which hides all below it; only the lowest may "
                "be one. Give it as below=Earth.perfect() and leave out the rest."
            )
        metres = require_number(
            thickness,
            what=f"thickness of {called}",
            unit="m",
            above=0.0,
            cure="Give metres; leave out a layer that is not there.",
        )
        found.append(Layer(metres, earth))
    if found:
        top = found[0].earth
        mine = (whole.relative_permittivity, whole.conductivity, whole.variation)
        if mine != (top.relative_permittivity, top.conductivity, top.variation) or last < 1:
            raise MaterialError(
                f"the values {where} are not those of the uppermost of its layers, or there is "
                "one layer only. Use Earth.layered(...), which takes them from there."
            )
    return tuple(found)


def _depth_in_words(layer: Layer) -> str:
    thickness = layer.thickness
    if thickness == math.inf:
        return "below "
    # what is no number is complained about later
    return f"{thickness:g} m of " if isinstance(thickness, (int, float)) else f"{thickness} of "


def _layers_in_words(layers: Sequence[Layer]) -> str:
    """As "0.3 m of snow over clay"."""
    parts = []
    for layer in layers:
        earth = layer.earth
        words = earth.name or f"eps_r {earth.relative_permittivity:g}, {earth.conductivity:g} S/m"
        parts.append(words if layer.thickness == math.inf else f"{_depth_in_words(layer)}{words}")
    return " over ".join(parts)


def _sources(layers: Sequence[Layer]) -> tuple[str, ...]:
    """Sources of the materials, each once."""
    return tuple(dict.fromkeys(one.earth.source for one in layers if one.earth.source))
