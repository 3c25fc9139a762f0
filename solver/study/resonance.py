r"""Where a band's resonance lies, with everything and without one piece.

The impedance is computed at a few points about the band's centre.  Through them goes a quotient of
two polynomials, which a series or a parallel resonance is, and resonances are sought on that
curve.  Every crossing is sought a second time on the curve that leaves one point out; where the
two disagree, the curve turns too fast for its points, and there is no number but a reason.  A kink
much narrower than the points' distance, 1 to 3 % of the frequency, may still lie unseen between
them.
"""

from __future__ import annotations

from functools import cached_property
from typing import NamedTuple

import numpy as np

from ..band_sweep import chebyshev_nodes
from ..bands import HIGHEST, LOWEST, Band
from ..moments.basis import ComplexArray, FloatArray

POINTS = 5
"""Odd, so that the centre is one of them."""

LEAST_REACH, MOST_REACH = 0.04, 0.08
"""How far from the centre resonances are sought, relative to it."""

BAND_PART = 1.1
"""The reach covers this times the band, within the two limits."""

CURVE_STEPS = 800
NEGLIGIBLE = 1e-9
"""Directions of the coefficients that the impedances do not determine are left at 0."""

AGREEMENT = 2e-4
"""Two curves may disagree by this much of the frequency, or by `SHIFT_PART` of the shift."""

SHIFT_PART = 0.1


class Reference(NamedTuple):
    """What is called the resonance of a band.

    Attributes
    ----------
    frequency : float
        The zero of the reactance nearest to the centre, with everything; the centre itself where
        there is none within reach. [Hz]
    reactance : float
        There: 0, or that at the centre. [ohm]
    rising : bool
        Whether the reactance rises there.
    """

    frequency: float
    reactance: float
    rising: bool

    @property
    def is_resonance(self) -> bool:
        """Whether the reactance is zero there."""
        return self.reactance == 0.0


class Shift(NamedTuple):
    """How far a piece moves the resonance.

    Attributes
    ----------
    by : float
        With the piece less without it; NaN where it was not found. [Hz]
    reason : str
        Why not, else "".
    """

    by: float
    reason: str = ""


def points_about(band: Band) -> FloatArray:
    """Frequencies at which the impedance is computed, (POINTS,), the centre in the middle. [Hz]"""
    centre = band.centre
    reach = BAND_PART * 0.5 * band.width / centre
    reach = min(max(reach, LEAST_REACH), MOST_REACH)
    reach = min(reach, 1.0 - LOWEST / centre, HIGHEST / centre - 1.0)
    if reach <= 0.0:
        return np.full(POINTS, centre)
    nodes = chebyshev_nodes(centre * (1.0 - reach), centre * (1.0 + reach), POINTS)
    nodes[POINTS // 2] = centre
    return nodes


class Curve:
    """Reactance about a band's centre from impedances at a few points.

    Parameters
    ----------
    points : (F,) float
        Rising. [Hz]
    impedances : (F,) complex
        [ohm]
    """

    def __init__(self, points: FloatArray, impedances: ComplexArray) -> None:
        self.points, self.impedances = points, impedances

    def without(self, which: int) -> Curve:
        """The curve through all points but one."""
        return Curve(np.delete(self.points, which), np.delete(self.impedances, which))

    @cached_property
    def _quotient(self) -> tuple[ComplexArray, ComplexArray]:
        """Coefficients of numerator and denominator, rising powers, the denominator's first 1."""
        x, z = self._place(self.points), self.impedances
        below = (z.size - 1) // 2
        above = z.size - below
        matrix = np.concatenate(
            [x[:, None] ** np.arange(above), -z[:, None] * x[:, None] ** np.arange(1, below + 1)],
            axis=1,
        )
        size = np.abs(matrix).max(axis=0)
        found = np.linalg.lstsq(matrix / size, z, rcond=NEGLIGIBLE)[0] / size
        return found[:above], np.concatenate([[1.0], found[above:]])

    def _place(self, at: FloatArray) -> FloatArray:
        low, high = float(self.points[0]), float(self.points[-1])
        return (2.0 * at - low - high) / (high - low)

    def reactance(self, at: FloatArray) -> FloatArray:
        """[ohm]"""
        above, below = self._quotient
        polyval = np.polynomial.polynomial.polyval
        return (polyval(self._place(at), above) / polyval(self._place(at), below)).imag

    def crossings(self, reactance: float, low: float, high: float) -> tuple[FloatArray, FloatArray]:
        """Where the reactance is met, rising frequencies, and its slopes there. [Hz], [ohm/Hz]"""
        fine = np.linspace(low, high, CURVE_STEPS + 1)
        above = self.reactance(fine) - reactance
        k = np.flatnonzero((above[:-1] < 0.0) != (above[1:] < 0.0))
        step = above[k + 1] - above[k]
        return fine[k] - above[k] * (fine[k + 1] - fine[k]) / step, step


def reference_of(curve: Curve) -> Reference:
    """The resonance of a band, with everything."""
    centre = float(curve.points[curve.points.size // 2])
    low, high = float(curve.points[0]), float(curve.points[-1])
    if not low < high:
        here = float(curve.impedances[curve.points.size // 2].imag)
        return Reference(centre, here, rising=True)
    found, slopes = curve.crossings(0.0, low, high)
    if found.size:
        nearest = int(np.argmin(np.abs(found - centre)))
        return Reference(float(found[nearest]), 0.0, bool(slopes[nearest] > 0.0))
    step = 0.01 * (high - low)
    below, here, above = curve.reactance(np.array([centre - step, centre, centre + step]))
    return Reference(centre, float(here), bool(above > below))


def shift_of(reference: Reference, everything: Curve, without: Curve) -> Shift:
    """How far what is missing in the second curve moves the resonance of the first."""
    low, high = float(everything.points[0]), float(everything.points[-1])
    if not low < high:
        return Shift(np.nan, "the band lies at the edge of what can be computed")

    def nearest(curve: Curve) -> float:
        found, slopes = curve.crossings(reference.reactance, low, high)
        found = found[(slopes > 0.0) == reference.rising]
        if not found.size:
            return np.nan
        return float(found[np.argmin(np.abs(found - reference.frequency))])

    at = nearest(without)
    if at != at:
        return Shift(
            np.nan,
            f"without it the reactance is nowhere {reference.reactance:.0f} ohm between "
            f"{low / 1e6:.3f} and {high / 1e6:.3f} MHz",
        )
    by = nearest(everything) - at
    # The point farthest from both is left out: what is near still counts.
    middle = 0.5 * (at + reference.frequency)
    far = int(np.argmax(np.abs(everything.points - middle)))
    again = nearest(everything.without(far)) - nearest(without.without(far))
    allowed = max(AGREEMENT * reference.frequency, SHIFT_PART * abs(by))
    if not abs(again - by) <= allowed:
        return Shift(np.nan, "the reactance turns too fast to be followed")
    return Shift(by)
