"""What a choke does: currents, loss and impedance for a range of values, from one solve.

A choke closes a gap of the solved system, so that another value takes a little algebra and no new
matrix.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ..errors import SolverError
from ..moments.basis import ComplexArray, FloatArray
from ..solution import Solution

if TYPE_CHECKING:
    from ...materials import Impedance

__all__ = ["ChokeEffect", "choke_effect"]

NOTHING = 1e-12
"""Less than that flows at open ends alone. [A]"""


@dataclass(frozen=True, eq=False)
class ChokeEffect:
    """Currents and losses for K values of a choke at F frequencies.

    Attributes
    ----------
    name : str
        Of the load.
    values : tuple of str
        The choke's values in words, the first "none" (a short).
    frequencies : (F,) float
        [Hz]
    power : float
        Into the feed point. [W]
    currents : mapping of str to (K, F) float
        At each named point, RMS. [A]
    choke_current : (K, F) float
        Through the choke, RMS. [A]
    loss : (K, F) float
        Watts per watt of input turned to heat in it.
    impedances : (K, F) complex
        At the feed point. [ohm]
    """

    name: str
    values: tuple[str, ...]
    frequencies: FloatArray
    power: float
    currents: Mapping[str, FloatArray]
    choke_current: FloatArray
    loss: FloatArray
    impedances: ComplexArray

    def to_text(self) -> str:
        """A table for each frequency."""
        points = list(self.currents)
        lines = [f"{self.name}: amperes RMS for {self.power:g} W into the feed point"]
        heads = ["choke", "through it", *(f"at {p}" for p in points), "heat in it", "feed point"]
        for f, frequency in enumerate(self.frequencies):
            rows = [heads]
            for k, value in enumerate(self.values):
                z = self.impedances[k, f]
                rows.append(
                    [
                        value,
                        _amperes(self.choke_current[k, f]),
                        *(_amperes(self.currents[p][k, f]) for p in points),
                        f"{100 * self.loss[k, f]:.2g} %",
                        f"{z.real:.0f} {'+' if z.imag >= 0 else '-'} j{abs(z.imag):.0f} ohm",
                    ]
                )
            wide = [max(len(row[i]) for row in rows) for i in range(len(heads))]
            lines += ["", f"{frequency / 1e6:g} MHz"]
            lines += ["  ".join(c.rjust(w) for c, w in zip(row, wide, strict=True)) for row in rows]
        return "\n".join(lines)

    def __str__(self) -> str:
        return self.to_text()


def choke_effect(
    solution: Solution,
    name: str,
    impedances: Mapping[str, Impedance | complex | float] | Sequence[Impedance | complex | float],
    *,
    power: float = 100.0,
) -> ChokeEffect:
    """What other values of a load do to the currents at the named points.

    Parameters
    ----------
    solution : Solution
        Of a scene with the load, at one frequency or several.
    name : str
        Of the load, as "choke of coax".
    impedances : mapping of str to impedance, or sequence
        What to put in its place, by the words that tables use. Without any choke comes first by
        itself. [ohm]
    power : float
        Into the driven feeds. [W]

    Raises
    ------
    SolverError
        If no load has the name or the scene has no named points.
    """
    if not isinstance(solution, Solution):
        raise SolverError(f"solution is a {type(solution).__name__}; give what solve(...) returns.")
    wires = solution.scene.wires
    points = {n: (w.name, w.place(n)) for w in wires for n, _ in w.named_points}
    if not points:
        raise SolverError(
            "No point has a name, so there is nowhere to tell the current: give a coax or another "
            "conductor points_of_interest={'radio': 'end'}."
        )
    told = impedances if isinstance(impedances, Mapping) else {_words(z): z for z in impedances}
    cases = [solution.with_load(name, 0.0), *(solution.with_load(name, z) for z in told.values())]

    def stacked(values: Sequence[object]) -> FloatArray:
        return np.array([np.abs(np.atleast_1d(np.asarray(v))) for v in values])

    return ChokeEffect(
        name,
        ("none", *told),
        solution.frequencies,
        power,
        {
            p: stacked([c.current(*place, power=power) for c in cases])
            for p, place in points.items()
        },
        stacked([c.load_currents(power=power)[name] for c in cases]),
        stacked([c.load_losses[name] for c in cases]),
        np.array([np.atleast_1d(np.asarray(c.impedance)) for c in cases]),
    )


def _words(impedance: Impedance | complex | float) -> str:
    return f"{impedance:g} ohm" if isinstance(impedance, int | float | complex) else f"{impedance}"


def _amperes(value: float) -> str:
    return f"{value:.3g}" if value > NOTHING else "0 (open end)"
