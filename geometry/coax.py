"""The outside of a coax's shield: a wire of its own from the feed point to the radio."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, ClassVar

from .errors import GeometryError
from .jackets import Jacket
from .lengths import LengthLike, metres
from .loads import Load
from .metalwork import MetalRun, read_size, scaled_place
from .wires import Wire

if TYPE_CHECKING:
    from ..materials import Conductor, Impedance

__all__ = ["Choke", "Coax"]

SHIELDS = {
    "RG-58": ("3.6 mm", "4.95 mm"),
    "RG-8X": ("5.0 mm", "6.15 mm"),
    "RG-8": ("8.1 mm", "10.3 mm"),
    "RG-213": ("8.1 mm", "10.3 mm"),
    "RG-59": ("4.5 mm", "6.15 mm"),
    "RG-11": ("8.2 mm", "10.3 mm"),
    "RG-174": ("2.0 mm", "2.8 mm"),
}
"""Diameters over the braid and over the jacket (from memory of the cables' sheets, within 10 %)."""

RADIO = "radio"


@dataclass(frozen=True)
class Choke:
    """A choke on the outside of a coax, in series with what flows there.

    Parameters
    ----------
    impedance : Impedance, complex or float
        Over frequency, of `ridgepole.materials`; or ohms. [ohm]
    at : float, length, "start", "middle" or "end"
        Distance along the coax. [m]
    name : str, optional
        How results call it; otherwise after the coax.
    """

    impedance: Impedance | complex | float
    at: Any = "middle"
    name: str = ""

    def load(self, coax: str, number: int | None) -> Load:
        """It as a load of the coax's wire; `number` where there are several."""
        label = f"choke of {coax}" if number is None else f"choke {number} of {coax}"
        return Load(coax, at=self.at, impedance=self.impedance, name=self.name or label)


@dataclass(frozen=True, repr=False)
class Coax(MetalRun):
    """The outside of a coax's shield, joined to the counterpoise, with chokes where they are.

    What flows inside is no matter of the scene: see `ridgepole.solver.Line`.

    Parameters
    ----------
    points : array_like, shape (N, 3)
        From the feed point to the radio. [m]
    kind_of_line : str, optional
        One of `SHIELDS`, as "RG-58": sizes of braid and jacket. This or `diameter`.
    diameter : length, optional
        Over the braid. [m]
    jacket : Jacket, str or None
        On the braid; with `kind_of_line` PVC of its size.
    chokes : Choke or sequence of Choke
    conductor, name, bonded, earthed, points_of_interest, outside
        As for `MetalRun`: bonded to the counterpoise unless told, and its end is the named point
        "radio" unless others are named.

    Raises
    ------
    GeometryError
        If a size is missing or none, or a choke is none.

    Examples
    --------
    >>> Coax([(0, 0, 5), (0, 0, 1.2), (3, 0, 1.2)], kind_of_line="RG-58", name="coax")
    Coax('coax', 6.8 m, radius 1.8 mm, bonded to 'counterpoise')
    """

    kind_of_line: str | None = None
    diameter: LengthLike | None = None
    jacket: Jacket | str | None = None
    chokes: Choke | Sequence[Choke] = ()
    conductor: Conductor | str | None = "annealed copper"
    name: str = "coax"
    bonded: Any = "counterpoise"
    points_of_interest: Any = ((RADIO, "end"),)
    kind: ClassVar[str] = "coax"

    def _read_sizes(self) -> None:
        put = object.__setattr__
        if (self.kind_of_line is None) == (self.diameter is None):
            raise GeometryError(
                f"Coax {self.name!r}: give kind_of_line ({', '.join(map(repr, SHIELDS))}) or the "
                "diameter over the braid, one of the two."
            )
        if self.kind_of_line is not None:
            if self.kind_of_line not in SHIELDS:
                raise GeometryError(
                    f"Coax {self.name!r}: kind_of_line={self.kind_of_line!r} is not known; there "
                    f"are {', '.join(map(repr, SHIELDS))}. For another give the diameter over the "
                    "braid."
                )
            braid, outside = SHIELDS[self.kind_of_line]
            put(self, "diameter", metres(braid))
            put(self, "kind_of_line", None)
            if self.jacket is None:
                put(self, "jacket", Jacket("PVC", diameter=outside))
        read_size(self.diameter or 0.0, f"The diameter of coax {self.name!r}")
        chokes = (self.chokes,) if isinstance(self.chokes, Choke) else self.chokes
        if not isinstance(chokes, Sequence) or not all(isinstance(c, Choke) for c in chokes):
            raise GeometryError(
                f"Coax {self.name!r}: chokes={self.chokes!r}; give Choke(impedance, at=metres), or "
                "a list of them."
            )
        put(self, "chokes", tuple(chokes))

    @property
    def radius(self) -> float:
        """Over the braid. [m]"""
        return 0.5 * metres(self.diameter or 0.0)

    def wires(self) -> tuple[Wire, ...]:
        """One wire."""
        return (self._wire(self.vertices, jacket=self.jacket),)

    @property
    def loads(self) -> tuple[Load, ...]:
        """Its chokes."""
        chokes: Any = self.chokes
        several = len(chokes) > 1
        return tuple(
            choke.load(self.name, n if several else None) for n, choke in enumerate(chokes, 1)
        )

    def with_choke(self, name: str, impedance: Any) -> Coax:
        """With another impedance in the choke that its loads call by this name, if it has it."""
        chokes: Any = self.chokes
        changed = [
            replace(choke, impedance=impedance) if load.name == name else choke
            for choke, load in zip(chokes, self.loads, strict=True)
        ]
        return replace(self, chokes=changed)

    def _scaled_sizes(self, by: float) -> dict[str, Any]:
        sizes = super()._scaled_sizes(by)
        if self.jacket is not None:
            jacket = Jacket.from_text(self.jacket) if isinstance(self.jacket, str) else self.jacket
            sizes["jacket"] = jacket.scaled(by)
        chokes: Any = self.chokes
        sizes["chokes"] = [replace(c, at=scaled_place(c.at, by)) for c in chokes]
        return sizes
