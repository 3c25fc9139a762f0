"""Thin wires that leave the side of a thick conductor: the part inside of it.

Such a wire is drawn from the thick conductor's axis, where its node is, but starts on the surface.
The current that enters there spreads over the skin; seen from outside, its dipole moment is that
of a wire from the surface to the axis, so that part stays an ordinary wire: it conserves charge,
radiates, and stands for the image in the skin.  What the skin does not have is that wire's own
magnetic field: the inductance of the length l inside, as of a straight wire [1]_,

    L' = mu0/(2 pi) (ln(2 l/b) - 1) per metre,

is taken out of the matrix again, a local term -jw L' <f_m f_n> over the part inside.  Its charge
needs nothing: inside of a conductor there is next to none.

References
----------
.. [1] E. B. Rosa, "The self and mutual inductances of linear conductors", Bulletin of the Bureau
   of Standards 4, 1908, without the field inside the wire (from memory).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from scipy.constants import mu_0

from .basis import ComplexArray, FloatArray, IntArray, legendre_of_functions
from .quadrature import gauss

if TYPE_CHECKING:
    from .assembly import Elements

THICKER = 3.0
"""A conductor that much thicker than a wire has leads of it inside."""

SHORTEST = 1e-3
LONGEST = 3.0
"""In radii of the thick conductor, the length inside of a lead."""


class Leads(NamedTuple):
    """Parts of elements that lie inside of thicker conductors.

    Attributes
    ----------
    element : (L,) int
    low, high : (L,) float
        Where in xi the part begins and ends.
    inductance : (L,) float
        Of the lead per metre. [H/m]
    """

    element: IntArray
    low: FloatArray
    high: FloatArray
    inductance: FloatArray


def find_leads(elements: Elements) -> Leads:
    """The parts of thin elements inside of elements at least THICKER times as thick."""
    found: dict[int, tuple[float, float, float]] = {}
    radius = elements.radius
    for thick in np.flatnonzero(radius > THICKER * radius.min()):
        a, reach = float(radius[thick]), float(elements.length[thick])
        axis = elements.half[thick] / reach
        thin = np.flatnonzero(THICKER * radius < a)
        away = elements.center[thin] - elements.center[thick]
        close = np.linalg.norm(away, axis=1) < elements.length[thin] + reach + a
        for e in thin[close]:
            center, half = elements.center[e] - elements.center[thick], elements.half[e]
            along, step = float(center @ axis), float(half @ axis)
            across, turn = center - along * axis, half - step * axis
            low, high = _below(turn @ turn, across @ turn, across @ across - a * a)
            if abs(step) > 0.0:
                room = reach + 1e-6 * a
                ends = sorted(((-room - along) / step, (room - along) / step))
                low, high = max(low, ends[0]), min(high, ends[1])
            elif abs(along) > reach + 1e-6 * a:
                continue
            low, high = max(low, -1.0), min(high, 1.0)
            length = float(elements.length[e])
            if (high - low) * length < SHORTEST * a:
                continue
            inside = min(a * length / max(float(np.linalg.norm(turn)), 1e-9), LONGEST * a)
            value = float(mu_0 / (2.0 * np.pi) * (np.log(2.0 * inside / radius[e]) - 1.0))
            before = found.get(int(e), (low, high, value))
            found[int(e)] = min(low, before[0]), max(high, before[1]), max(value, before[2])
    rows = sorted(found)
    return Leads(
        np.array(rows, dtype=np.int64),
        *(np.array([found[e][i] for e in rows], dtype=float) for i in range(3)),
    )


def _below(a: float, b: float, c: float) -> tuple[float, float]:
    """Between which x the parabola a x^2 + 2 b x + c is negative; (1, -1) for nowhere."""
    if a <= 0.0:
        return (-np.inf, np.inf) if c < 0.0 else (1.0, -1.0)
    inner = b * b - a * c
    if inner <= 0.0:
        return 1.0, -1.0
    root = float(np.sqrt(inner))
    return (-b - root) / a, (-b + root) / a


def add_leads(
    local: ComplexArray,
    next_rows: ComplexArray,
    next_diagonal: ComplexArray,
    elements: Elements,
    offset: IntArray,
    leads: Leads,
    omega: float,
) -> None:
    """Take the inductance of leads out of the matrix of local functions."""
    for e, low, high, inductance in zip(*leads, strict=True):
        n = int(elements.degree[e]) + 1
        xi, weight = gauss(n + 2)
        at = 0.5 * (low + high) + 0.5 * (high - low) * xi
        values = legendre_of_functions(n + 1) @ np.polynomial.legendre.legvander(at, n).T
        part = 0.5 * (high - low) * elements.length[e]
        block = -1j * omega * inductance * part * ((values * weight) @ values.T)
        own = slice(offset[e], offset[e] + n)
        local[own, own] += block[:n, :n]
        if next_diagonal.size:
            next_rows[e, own] += block[n, :n]
            next_diagonal[e] += block[n, n]
