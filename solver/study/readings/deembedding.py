r"""Readings carried from where they were taken to the feed point, with their noise.

A reflection G against the analyser's reference means an impedance, this one behind a line with
chain matrix A, B, C, D another, and that a reflection against another reference. Each step is
bilinear, and so is the whole:

    G' = (p G + q)/(r G + s),   dG'/dG = (p s - q r)/(r G + s)^2

so that nothing infinite is met: an open or shorted end is as good as any. The map is conformal: a
small circle of noise stays one and grows by |dG'/dG|, which is exp(2 alpha l) for a matched line.
Noise along and across the radius changes places where the radius turns. Standard algebra of
two-ports and of bilinear maps, computed from these formulas.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ...errors import ReadingError
from ...moments.basis import ComplexArray, FloatArray
from ...station.line import Line

MATCHED_WITHIN = 0.05
"""Share by which a line's impedance may differ from the reference where only SWR was read."""

UNKNOWN_PHASE = 180.0 / np.sqrt(3.0)
"""Standard deviation of a phase of which nothing is known. [degrees]"""


@dataclass(frozen=True)
class Reflections:
    """Reflection coefficients with noise, arrays of shape (K,).

    Attributes
    ----------
    values : ndarray of complex
        NaN + NaN j where only the size is known.
    magnitude : ndarray of float
    magnitude_sd : ndarray of float
        Along the radius.
    phase_sd_deg : ndarray of float
        NaN where only the size is known. [degrees]
    """

    values: ComplexArray
    magnitude: FloatArray
    magnitude_sd: FloatArray
    phase_sd_deg: FloatArray


@dataclass(frozen=True)
class BilinearMap:
    """(p G + q)/(r G + s), elements of shape (K,)."""

    p: ComplexArray
    q: ComplexArray
    r: ComplexArray
    s: ComplexArray

    @classmethod
    def to_impedance(cls, reference: float) -> BilinearMap:
        """From a reflection to its impedance: Z = R (1 + G)/(1 - G)."""
        return cls(*(np.complex128(x) for x in (reference, reference, -1.0, 1.0)))  # type: ignore[arg-type]

    @classmethod
    def to_reflection(cls, reference: float) -> BilinearMap:
        """From an impedance to its reflection: G = (Z - R)/(Z + R)."""
        return cls(*(np.complex128(x) for x in (1.0, -reference, 1.0, reference)))  # type: ignore[arg-type]

    @classmethod
    def to_far_end(cls, line: Line, frequencies: FloatArray) -> BilinearMap:
        """From the impedance at a line's input to that behind it: Z = (D Zin - B)/(A - C Zin)."""
        port = line.two_port(frequencies)
        return cls(port.d, -port.b, -port.c, port.a)

    def after(self, first: BilinearMap) -> BilinearMap:
        """This map of what another gives."""
        return BilinearMap(
            np.asarray(self.p * first.p + self.q * first.r),
            np.asarray(self.p * first.q + self.q * first.s),
            np.asarray(self.r * first.p + self.s * first.r),
            np.asarray(self.r * first.q + self.s * first.s),
        )

    def value(self, g: ComplexArray) -> ComplexArray:
        """Its value, shape (K,)."""
        return np.asarray((self.p * g + self.q) / (self.r * g + self.s))

    def slope(self, g: ComplexArray) -> ComplexArray:
        """Its derivative, shape (K,)."""
        return np.asarray((self.p * self.s - self.q * self.r) / (self.r * g + self.s) ** 2)


def carried(
    read: Reflections,
    frequencies: FloatArray,
    *,
    from_reference: float,
    to_reference: float,
    line: Line | None = None,
    source: str,
) -> Reflections:
    """Reflections at the feed point against another reference.

    Parameters
    ----------
    read : Reflections
        At the radio's end of the line.
    frequencies : ndarray of float, shape (K,)
        [Hz]
    from_reference, to_reference : float
        [ohm]
    line : Line or None
        Between the analyser and the feed point.
    source : str
        For messages.

    Raises
    ------
    ReadingError
        If only SWR was read and the line or the references do not allow to carry that.

    Notes
    -----
    Noise is carried to first order, and the correlation of radius and phase that a turned radius
    brings about is left out.
    """
    has_phase = np.isfinite(read.values)
    values, magnitude = read.values.copy(), read.magnitude.copy()
    along, phase = read.magnitude_sd.copy(), read.phase_sd_deg.copy()
    whole = BilinearMap.to_reflection(to_reference)
    if line is not None:
        whole = whole.after(BilinearMap.to_far_end(line, frequencies))
    whole = whole.after(BilinearMap.to_impedance(from_reference))
    safe = np.where(has_phase, read.values, 0.0)
    moved, slope = whole.value(safe), whole.slope(safe)
    across = np.abs(safe) * np.radians(np.where(has_phase, read.phase_sd_deg, 0.0))
    # angle by which the radius turns against the noise that came with it
    turn = np.angle(slope * _direction(safe) / _direction(moved))
    size, c2, s2 = np.abs(slope), np.cos(turn) ** 2, np.sin(turn) ** 2
    new_along = size * np.sqrt(c2 * along**2 + s2 * across**2)
    new_across = size * np.sqrt(s2 * along**2 + c2 * across**2)
    with np.errstate(divide="ignore", invalid="ignore"):
        degrees = np.degrees(new_across / np.abs(moved))
    degrees = np.where(np.abs(moved) > 0.0, np.minimum(degrees, UNKNOWN_PHASE), UNKNOWN_PHASE)
    values[has_phase] = moved[has_phase]
    magnitude[has_phase] = np.abs(moved[has_phase])
    along[has_phase], phase[has_phase] = new_along[has_phase], degrees[has_phase]
    if not np.all(has_phase):
        alone = ~has_phase
        magnitude[alone], along[alone] = _sizes_carried(
            read.magnitude[alone],
            read.magnitude_sd[alone],
            frequencies[alone],
            from_reference=from_reference,
            to_reference=to_reference,
            line=line,
            source=source,
        )
    return Reflections(values, magnitude, along, phase)


def _direction(g: ComplexArray) -> ComplexArray:
    size = np.abs(g)
    return np.where(size > 0.0, g / np.where(size > 0.0, size, 1.0), 1.0)


def _sizes_carried(
    size: FloatArray,
    sd: FloatArray,
    frequencies: FloatArray,
    *,
    from_reference: float,
    to_reference: float,
    line: Line | None,
    source: str,
) -> tuple[FloatArray, FloatArray]:
    """Sizes without a phase: through a line of nearly the reference they grow by exp(2 alpha l).

    What the steps of impedance at both ends add depends on the phase, and goes into the noise.
    """
    if from_reference != to_reference:
        raise ReadingError(
            f"{source}: SWR alone was read against {from_reference:g} ohm, and without R and X it "
            f"cannot be turned to {to_reference:g} ohm. Keep reference={from_reference:g}, or read "
            "R and X."
        )
    if line is None:
        return size, sd
    off = line.kind.impedance / from_reference - 1.0
    if abs(off) > MATCHED_WITHIN:
        raise ReadingError(
            f"{source}: SWR alone was read at the end of {line}, whose impedance is "
            f"{abs(off):.0%} {'above' if off > 0 else 'below'} the reference of "
            f"{from_reference:g} ohm; it may differ by {MATCHED_WITHIN:.0%} where no phase is "
            "known. Read R and X, or read at the feed point."
        )
    gain = np.exp(2.0 * line.propagation(frequencies).real * float(line.length))
    z = line.characteristic_impedance(frequencies)
    step = np.abs((z - from_reference) / (z + from_reference))
    found = gain * size
    near, far = gain * step * (1.0 - size**2), step * (1.0 - np.minimum(found, 1.0) ** 2)
    return found, np.sqrt((gain * sd) ** 2 + (near**2 + far**2) / 2.0)
