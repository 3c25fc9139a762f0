"""Feeds: gaps in wires, driven, terminated or open."""

from __future__ import annotations

import cmath
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import NDArray

from .errors import FeedError, GeometryError
from .lengths import LengthLike, metres
from .moves import read_factor

if TYPE_CHECKING:
    from ..materials import Impedance

__all__ = ["Feed"]


@dataclass(frozen=True, init=False, repr=False)
class Feed:
    """A gap in the wires at one point, driven, terminated or left open.

    Parameters
    ----------
    wires : str or sequence of str
        Name of the wire, or of the wires, on the driven side. At the fed point the part of each
        that runs on from there towards its end (at its end: its last part) is one side of the
        gap; everything else that meets there, or a perfect ground, is the other.
    at : float, length, "start", "middle" or "end"
        Distance along the (each) wire; "middle" goes with one wire. [m]
    name : str
        How results call this port.
    termination : complex, Impedance or "open", optional
        None: driven by `voltage`. A number or an impedance over frequency: this across the gap,
        undriven, 0 a short. "open": nothing connected. [ohm]
    voltage : complex
        RMS voltage across the gap where it is driven. [V]

    Raises
    ------
    FeedError
        If no wire is named, `at` is negative or the middle of several wires, or termination or
        voltage are not finite.

    Examples
    --------
    >>> Feed("dipole", at=5.0)
    Feed('dipole' at 5 m)
    >>> Feed(["first", "second"], at="start", name="radio")
    Feed('first' + 'second' at start, 'radio')
    """

    wires: tuple[str, ...]
    at: float | Literal["start", "middle", "end"]
    name: str
    termination: complex | Impedance | Literal["open"] | None
    voltage: complex

    def __init__(
        self,
        wires: str | Sequence[str],
        *,
        at: LengthLike | Literal["start", "middle", "end"] = 0.0,
        name: str = "feed",
        termination: complex | Impedance | Literal["open"] | None = None,
        voltage: complex = 1.0,
    ) -> None:
        if not isinstance(name, str) or not name.strip():
            raise FeedError(f"A feed has the name {name!r}; give name='...', or leave it out.")
        names = (wires,) if isinstance(wires, str) else tuple(wires)
        if not names or not all(isinstance(n, str) and n.strip() for n in names):
            raise FeedError(
                f"Feed {name!r} names the wires {wires!r}; it needs the name of one wire or a "
                "sequence of names."
            )
        if len(set(names)) < len(names):
            raise FeedError(f"Feed {name!r} names a wire twice: {', '.join(names)}.")
        if at == "middle" and len(names) > 1:
            raise FeedError(
                f"Feed {name!r}: at='middle' goes with one wire, and {', '.join(names)} are named. "
                "Give 'start', 'end' or metres along each."
            )
        if not isinstance(at, str) or at not in ("start", "middle", "end"):
            try:
                at = metres(at)
            except GeometryError as error:
                raise FeedError(
                    f"Feed {name!r}: at={at!r} is no place on a wire; give metres along it, "
                    f"'start', 'middle' or 'end'. {error}"
                ) from None
            if at < 0.0:
                raise FeedError(
                    f"Feed {name!r}: at={at:g} m is negative; it counts from the wire's first "
                    "point. For the far end write at='end'."
                )
        over_frequency = callable(getattr(termination, "at", None))
        if not (termination is None or termination == "open" or over_frequency):
            termination = _read_complex(termination, f"Feed {name!r}: termination", "ohm")
            if termination.real < 0.0:
                raise FeedError(
                    f"Feed {name!r}: termination {termination:g} ohm has a negative resistance; "
                    "a load must be passive. A source is a feed with termination=None."
                )
        voltage = _read_complex(voltage, f"Feed {name!r}: voltage", "V")
        if termination is not None and voltage != 1.0:
            raise FeedError(
                f"Feed {name!r} has both a voltage and a termination; a terminated feed is not "
                "driven. Leave one of them out."
            )
        put = object.__setattr__
        put(self, "wires", names)
        put(self, "at", at)
        put(self, "name", name)
        put(self, "termination", termination)
        put(self, "voltage", voltage)

    @property
    def is_driven(self) -> bool:
        """Whether a source is connected."""
        return self.termination is None

    def termination_at(self, frequency: NDArray[np.float64]) -> NDArray[np.complex128]:
        """Impedance across the gap, infinite where it is open, 0 where it is driven, (F,). [ohm]

        Parameters
        ----------
        frequency : (F,) float
            [Hz]

        Raises
        ------
        MaterialError
            If the impedance is not known at a frequency.
        FeedError
            If its resistance is negative there.
        """
        what: Any = self.termination
        if what is None or isinstance(what, str):
            return np.full(len(frequency), 0.0 if what is None else np.inf, dtype=complex)
        if isinstance(what, complex):
            return np.full(len(frequency), what)
        found = np.asarray(what.at(np.asarray(frequency, dtype=float)), dtype=np.complex128)
        if np.any(found.real < 0.0):
            worst = int(np.argmin(found.real))
            raise FeedError(
                f"{self.label}: its resistance is {found.real[worst]:g} ohm at "
                f"{frequency[worst] / 1e6:g} MHz; a load must be passive, 0 ohm or more."
            )
        return found

    @property
    def label(self) -> str:
        """How messages call it: its name, and the first wire's where that is another."""
        first = self.wires[0]
        return repr(self.name) if first == self.name else f"{self.name!r} on {first!r}"

    def scaled(self, factor: float) -> Feed:
        """With its distance along the wire times `factor` > 0."""
        if isinstance(self.at, str):
            return self
        return self._changed(at=self.at * read_factor(factor))

    def renamed(self, name: str) -> Feed:
        """With another name."""
        return self._changed(name=name)

    def _changed(self, **changes: Any) -> Feed:
        return replace(self, **changes)

    def __repr__(self) -> str:
        at = self.at if isinstance(self.at, str) else f"{self.at:.4g} m"
        text = f"{' + '.join(map(repr, self.wires))} at {at}"
        if self.name != "feed":
            text += f", {self.name!r}"
        if self.termination is not None:
            what = self.termination
            text += f", {what:.4g} ohm" if isinstance(what, complex) else f", {what}"
        elif self.voltage != 1.0:
            text += f", {self.voltage:.4g} V"
        return f"{type(self).__name__}({text})"


def _read_complex(value: Any, what: str, unit: str) -> complex:
    try:
        number = complex(value)
    except (TypeError, ValueError):
        number = complex(math.nan)
    if isinstance(value, str | bool) or not cmath.isfinite(number):
        raise FeedError(f"{what} is {value!r}; give a finite number. [{unit}]")
    return number
