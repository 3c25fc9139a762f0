"""Dielectrics: jackets of wires, boards, insulation, roofing and walls."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple, overload

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .catalogue_reader import Entry, find_entry, read_catalogue
from .checks import require_frequencies, require_number
from .errors import MaterialError
from .frequency_curves import Points, check_points, interpolate, require_in_range

_KEYS = frozenset({"points", "frequency_range", "spread"})


class Spread(NamedTuple):
    """How far a true sample may lie from the value, up or down, as two factors >= 1."""

    permittivity: float
    """Factor on the relative permittivity less 1."""
    loss: float
    """Factor on the loss tangent."""


@dataclass(frozen=True, repr=False)
class Dielectric:
    """A stuff that does not conduct, with permeability of free space.

    Parameters
    ----------
    name : str
        Name, for messages and tables.
    points : tuple of (frequency [Hz], relative permittivity, loss tangent), length N >= 1
        Frequencies rising. Between points permittivity is straight over log f, the logarithm of
        the loss tangent likewise. One point holds over all of `frequency_range`.
    frequency_range : (float, float), optional
        With one point, where it holds; None: at every frequency. Several points hold from the
        first to the last, and this is taken from them. [Hz]
    spread : (float, float)
        Factors, each >= 1, by which a true sample may lie above or below: on the relative
        permittivity less 1, and on the loss tangent.
    source : str
        Where the values come from.

    Raises
    ------
    MaterialError
        If a value is out of range, or range and points do not go together.

    Examples
    --------
    >>> jacket = Dielectric.named("PTFE")
    >>> f"{jacket.complex_permittivity(14.1e6):.4f}"
    '2.1000-0.0004j'
    >>> Dielectric.constant(2.7, 0.03, name="own board")
    <Dielectric 'own board': eps_r 2.7, tan d 0.03>
    """

    name: str
    points: Points = field(kw_only=True)
    frequency_range: tuple[float, float] | None = field(default=None, kw_only=True)
    spread: Spread | tuple[float, float] = field(default=Spread(1.0, 1.0), kw_only=True)
    source: str = field(default="", kw_only=True)

    def __post_init__(self) -> None:
        if not isinstance(self.name, str) or not self.name.strip():
            raise MaterialError(f"the name of a dielectric is {self.name!r}; give it a name.")
        points = check_points(
            self.points, of=self._called(), third="loss tangent", may_be_lossless=True
        )
        object.__setattr__(self, "points", points)
        object.__setattr__(self, "frequency_range", self._check_range())
        object.__setattr__(self, "spread", check_spread(self.spread, of=self._called()))

    def _check_range(self) -> tuple[float, float] | None:
        ends = (self.points[0][0], self.points[-1][0])
        if self.frequency_range is None:
            return ends if len(self.points) > 1 else None
        try:
            low, high = self.frequency_range
        except (TypeError, ValueError):
            raise MaterialError(
                f"frequency_range of {self._called()} is {self.frequency_range!r}; give the lowest "
                "and the highest frequency in hertz."
            ) from None
        cure = "Give the lowest and the highest frequency in hertz."
        what = f"frequency_range of {self._called()}"
        low = require_number(low, what=what, unit="Hz", above=0.0, cure=cure)
        high = require_number(high, what=what, unit="Hz", above=0.0, cure=cure)
        if high <= low:
            raise MaterialError(f"{what} runs from {low:g} to {high:g} Hz. {cure}")
        if len(self.points) > 1 and (low, high) != ends:
            raise MaterialError(
                f"{what} is {low:g} to {high:g} Hz, but its points run from {ends[0]:g} to "
                f"{ends[1]:g} Hz. Leave frequency_range away, or add points at its ends."
            )
        if not low <= ends[0] <= high:
            raise MaterialError(
                f"{what}, {low:g} to {high:g} Hz, does not hold its point at {ends[0]:g} Hz. {cure}"
            )
        return low, high

    @classmethod
    def constant(
        cls, relative_permittivity: float, loss_tangent: float = 0.0, *, name: str = "dielectric"
    ) -> Dielectric:
        """Return a dielectric that is the same at every frequency.

        Raises
        ------
        MaterialError
            If the permittivity is below 1 or the loss tangent is negative.
        """
        points = ((10e6, relative_permittivity, loss_tangent),)
        return cls(name, points=points, source="given")

    @classmethod
    def named(cls, name: str) -> Dielectric:
        """Return a dielectric of the catalogue; capitals, hyphens and spaces do not matter.

        Raises
        ------
        MaterialError
            If there is none of that name: the message has near names and the list.
        """
        entry = find_entry(name, entries=_entries(), what="dielectric")
        return cls(entry.name, source=entry.source, **entry.values)

    @classmethod
    def names(cls) -> tuple[str, ...]:
        """Return the names in the catalogue, in its order."""
        return tuple(entry.name for entry in _entries())

    @overload
    def complex_permittivity(self, frequency: float) -> complex: ...
    @overload
    def complex_permittivity(self, frequency: NDArray[np.float64]) -> NDArray[np.complex128]: ...
    def complex_permittivity(
        self, frequency: float | NDArray[np.float64]
    ) -> complex | NDArray[np.complex128]:
        """Relative complex permittivity er (1 - j tan d).

        Parameters
        ----------
        frequency : float or ndarray, shape (...)
            Frequency, > 0 and within `frequency_range`. [Hz]

        Returns
        -------
        complex for a number, ndarray of complex128 of the same shape for an array
            Relative complex permittivity; its imaginary part is never positive. [1]

        Raises
        ------
        MaterialError
            If a frequency is out of range.
        """
        er, loss = self._constants(frequency)
        result = np.asarray(er * (1.0 - 1.0j * loss))
        return result if result.ndim else complex(result)

    def permittivity_at(self, frequency: ArrayLike) -> NDArray[np.float64]:
        """Relative permittivity, shape of frequency [Hz]; MaterialError as above."""
        return self._constants(frequency)[0]

    def loss_tangent_at(self, frequency: ArrayLike) -> NDArray[np.float64]:
        """Loss tangent, shape of frequency [Hz]; MaterialError as above."""
        return self._constants(frequency)[1]

    def varied(self, *, permittivity: float = 1.0, loss: float = 1.0) -> Dielectric:
        """Return a copy with the permittivity less 1, and the loss tangent, times these factors.

        With the two numbers of `spread`, or their inverses, this is the edge of what is known.

        Raises
        ------
        MaterialError
            If a factor is not positive.
        """
        check_factors((permittivity, loss), of=self._called())
        points = tuple((f, 1.0 + (er - 1.0) * permittivity, d * loss) for f, er, d in self.points)
        return Dielectric(
            self.name,
            points=points,
            frequency_range=self.frequency_range,
            spread=self.spread,
            source=f"{self.source or 'not stated'}; varied by {permittivity:g} and {loss:g}",
        )

    def describe(self, frequency: float | None = None) -> str:
        """Return the values, spread and source in words, at a frequency [Hz] if one is given."""
        text = f"{self.name}: {self._make()}"
        if frequency is not None:
            er, loss = self._constants(frequency)
            text += (
                f"; at {frequency / 1e6:g} MHz relative permittivity {float(er):.3g}, "
                f"loss tangent {float(loss):.2g}"
            )
        of_permittivity, of_loss = self.spread
        text += f"; spread {of_permittivity:g} on eps_r - 1, {of_loss:g} on tan d"
        return f"{text}. Source: {self.source or 'not stated'}."

    def __repr__(self) -> str:
        return f"<Dielectric {self.name!r}: {self._make()}>"

    def _called(self) -> str:
        return f"dielectric {self.name!r}"

    def _make(self) -> str:
        """Return the values on one line, without name and source."""
        _, er, loss = self.points[0]
        text = f"eps_r {er:.4g}, tan d {loss:.3g}"
        if len(self.points) > 1:
            _, last_er, last_loss = self.points[-1]
            text = f"eps_r {er:.4g} to {last_er:.4g}, tan d {loss:.3g} to {last_loss:.3g}"
        if self.frequency_range is None:
            return text
        low, high = self.frequency_range
        return f"{text} over {low / 1e6:g}-{high / 1e6:g} MHz"

    def _constants(self, frequency: ArrayLike) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return permittivity and loss tangent, each the shape of the frequencies."""
        frequencies = require_frequencies(frequency, what=self._called())
        if self.frequency_range is not None:
            require_in_range(
                frequencies,
                within=self.frequency_range,
                what=self._called(),
                cure="Use Dielectric.constant(...) with values for that frequency instead.",
            )
        return interpolate(self.points, frequencies)


def check_spread(spread: object, *, of: str) -> Spread:
    """Return the two factors of a spread, or say what is wrong with them."""
    cure = "Give two factors of at least 1: on eps_r - 1, and on the loss tangent."
    if not isinstance(spread, (tuple, list)) or len(spread) != 2:
        raise MaterialError(f"spread of {of} is {spread!r}. {cure}")
    first, second = (
        require_number(factor, what=f"spread of {of}", unit="", least=1.0, cure=cure)
        for factor in spread
    )
    return Spread(first, second)


def check_factors(factors: object, *, of: str) -> Spread:
    """Return two factors that vary a stuff, or say what is wrong with them."""
    cure = "Give two factors above 0: on eps_r - 1, and on the loss tangent; 1 is no change."
    if not isinstance(factors, (tuple, list)) or len(factors) != 2:
        raise MaterialError(f"the factors on {of} are {factors!r}. {cure}")
    first, second = (
        require_number(factor, what=f"a factor on {of}", unit="", above=0.0, cure=cure)
        for factor in factors
    )
    return Spread(first, second)


def _entries() -> tuple[Entry, ...]:
    return read_catalogue(
        "dielectrics.toml",
        table="dielectric",
        allowed=_KEYS,
        required=frozenset({"points", "spread"}),
    )
