"""Lumped impedances in wires: coils, capacitors, traps, resistors, chokes."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Literal

from .errors import FeedError
from .feeds import Feed
from .lengths import LengthLike

if TYPE_CHECKING:
    from ..materials import Impedance

__all__ = ["Load"]

MOST_HENRIES_OR_FARADS = 1.0
"""More is a slip of the unit."""


class Load(Feed):
    """An impedance across a gap in a wire, in series with what meets there.

    A choke on the outside of a coax shield is one, and so is whatever is cut into a wire.

    Parameters
    ----------
    wires : str or sequence of str
        Name of the wire, or of the wires on one side of the gap, as for a `Feed`.
    at : float, length, "start", "middle" or "end"
        Distance along the wire. [m]
    impedance : Impedance, complex or float
        Of `ridgepole.materials`, or the same ohms at every frequency. [ohm]
    name : str, optional
        How results call it; otherwise after the wire.

    Raises
    ------
    FeedError
        If no wire is named, the place is none, or the impedance is none or not passive.

    Examples
    --------
    >>> from ridgepole.materials import Coil
    >>> Load("long", at="3.2 m", impedance=Coil("12 uH", q=200))
    Load('long' at 3.2 m, 'load of long', coil 12 uH of Q 200)
    """

    def __init__(
        self,
        wires: str | tuple[str, ...] | list[str],
        *,
        at: LengthLike | Literal["start", "middle", "end"],
        impedance: Impedance | complex | float,
        name: str = "",
    ) -> None:
        first = wires if isinstance(wires, str) else "".join(str(w) for w in tuple(wires)[:1])
        if impedance is None or isinstance(impedance, str):
            raise FeedError(
                f"A load on {first!r} has the impedance {impedance!r}; give ohms or an Impedance "
                "of ridgepole.materials, as Coil('12 uH', q=200)."
            )
        for what, unit, meant in (("henries", "H", "uH"), ("farads", "F", "pF")):
            value = getattr(impedance, what, 0.0)
            if value > MOST_HENRIES_OR_FARADS:
                raise FeedError(
                    f"A load on {first!r} has {value:g} {unit}; at radio frequencies it is up to "
                    f"{MOST_HENRIES_OR_FARADS:g} {unit}. Was '{value:g} {meant}' meant?"
                )
        super().__init__(wires, at=at, name=name or f"load of {first}", termination=impedance)

    @property
    def impedance(self) -> Impedance | complex:
        """[ohm]"""
        return self.termination  # pyright: ignore[reportReturnType]

    def _changed(self, **changes: Any) -> Load:
        kept = {"wires": self.wires, "at": self.at, "impedance": self.termination,
                "name": self.name}  # fmt: skip
        return Load(**{**kept, **changes})
