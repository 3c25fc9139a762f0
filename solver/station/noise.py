r"""Noise from outside against the receiver's own: does loss in the antenna cost anything?

The external noise factor fa is the noise power that a lossless antenna receives over k T0 B. With
losses at T0 = 290 K behind it the whole system has, referred to the terminals of that antenna,

    f = fa + (lc - 1) + lc (lt - 1) + lc lt m (fr - 1)

lc loss in the antenna (1/efficiency), lt in line and tuner, fr the receiver's noise factor; for
lc = lt = m = 1 it is fa + fr - 1. m >= 1 is what a mismatch at the receiver keeps from it: it
weakens signal and noise from outside alike, but adds none, and the receiver's own noise is taken
as a fixed power at its input (which of a receiver that is badly matched is not quite so). A signal
is worth 1/f.

The antenna's directions are left out: fa is for noise that is alike all around.

Atmospheric noise (thunderstorms) is left out: it needs maps by season and hour. On the lower bands
on summer evenings it may be the greatest part by far.

References
----------
.. [1] ITU-R P.372, man-made and galactic noise, and the combination of losses (from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike
from scipy.constants import Boltzmann

from ..errors import SolverError
from ..moments.basis import FloatArray

T0 = 290.0
"""Reference temperature of noise factors. [K]"""


@dataclass(frozen=True)
class NoiseClass:
    """Fa = c - d log10(f/MHz), median over hours and places. [dB over k T0 B]

    Attributes
    ----------
    c, d : float
        [dB]
    lowest, highest : float
        Where it holds. [Hz]
    """

    c: float
    d: float
    lowest: float
    highest: float


NOISE_CLASSES = {
    "city": NoiseClass(76.8, 27.7, 0.3e6, 250e6),
    "residential": NoiseClass(72.5, 27.7, 0.3e6, 250e6),
    "rural": NoiseClass(67.2, 27.7, 0.3e6, 250e6),
    "quiet rural": NoiseClass(53.6, 28.6, 0.3e6, 30e6),
    "galactic": NoiseClass(52.0, 23.0, 10e6, 100e6),
}
"""ITU-R P.372, table of man-made noise and galactic noise: all numbers from memory."""


def external_noise_figure(
    frequency: ArrayLike, noise: str | Sequence[str] = "residential"
) -> FloatArray:
    """External noise figure Fa of the ITU-R P.372 classes, median. [dB over k T0 B]

    Parameters
    ----------
    frequency : array_like
        [Hz]
    noise : str or sequence of str
        "city", "residential", "rural", "quiet rural", "galactic"; the powers of several add.
        Atmospheric noise is not among them.

    Raises
    ------
    SolverError
        If a class is unknown or does not cover a frequency.

    Examples
    --------
    >>> f"{external_noise_figure(7.1e6, 'rural'):.1f} dB"
    '43.6 dB'
    """
    f = np.asarray(frequency, dtype=float)
    names = (noise,) if isinstance(noise, str) else tuple(noise)
    if not names:
        raise SolverError("external noise: no class is given; give one or more.")
    total = np.zeros(f.shape)
    for name in names:
        if name not in NOISE_CLASSES:
            known = ", ".join(map(repr, NOISE_CLASSES))
            raise SolverError(f"external noise {name!r} is no class; there are: {known}.")
        one = NOISE_CLASSES[name]
        if not np.all((f >= one.lowest) & (f <= one.highest)):
            raise SolverError(
                f"external noise {name!r} at {frequency!r} Hz: this class holds from "
                f"{one.lowest / 1e6:g} to {one.highest / 1e6:g} MHz. Take another class."
            )
        total = total + 10.0 ** (0.1 * (one.c - one.d * np.log10(f / 1e6)))
    return 10.0 * np.log10(total)


@dataclass(frozen=True)
class SystemNoise:
    """Where the noise that is heard comes from, referred to a lossless antenna; shapes broadcast.

    Attributes
    ----------
    external, antenna, line, receiver : float or ndarray
        Terms of f: fa, lc - 1, lc (lt - 1), lc lt m (fr - 1), each over k T0 B.
    without_antenna_loss : float or ndarray
        f of the same chain behind a lossless antenna.
    """

    external: Any
    antenna: Any
    line: Any
    receiver: Any
    without_antenna_loss: Any

    @property
    def factor(self) -> Any:
        """Noise factor f of the system."""
        return self.external + self.internal

    @property
    def figure(self) -> Any:
        """Noise figure of the system. [dB]"""
        return 10.0 * np.log10(self.factor)

    @property
    def internal(self) -> Any:
        """All that is not from outside, over k T0 B."""
        return self.antenna + self.line + self.receiver

    @property
    def margin(self) -> Any:
        """External over internal noise. [dB]"""
        with np.errstate(divide="ignore"):
            return 10.0 * np.log10(np.asarray(self.external) / self.internal)

    @property
    def is_noise_limited(self) -> Any:
        """Whether noise from outside is greater than that from inside."""
        return self.margin > 0.0

    @property
    def antenna_loss_cost(self) -> Any:
        """Signal to noise lost on receive through the antenna's loss. [dB]"""
        return 10.0 * np.log10(self.factor / np.asarray(self.without_antenna_loss))

    def power(self, bandwidth: float) -> Any:
        """Noise power of the system in a bandwidth [Hz], at the lossless antenna. [W]"""
        if not (np.isfinite(bandwidth) and bandwidth > 0.0):
            raise SolverError(f"bandwidth is {bandwidth!r} Hz; it must be finite and above 0.")
        return Boltzmann * T0 * bandwidth * self.factor


def system_noise(
    external_figure: ArrayLike,
    *,
    efficiency: ArrayLike,
    receiver_figure: ArrayLike,
    line_loss: ArrayLike = 0.0,
    mismatch_loss: ArrayLike = 0.0,
) -> SystemNoise:
    """Noise of antenna, line and receiver together; all broadcast.

    Parameters
    ----------
    external_figure : array_like
        Fa, see `external_noise_figure`. [dB]
    efficiency : array_like
        Of the antenna: radiated over input power, above 0, up to 1.
    receiver_figure : array_like
        Noise figure of the receiver. [dB]
    line_loss : array_like
        Heat in line, tuner and choke, at least 0. [dB]
    mismatch_loss : array_like
        Kept from the receiver by reflection, at least 0. [dB]

    Raises
    ------
    SolverError
        If a value is out of range.
    """
    part = np.asarray(efficiency, dtype=float)
    if not np.all((part > 0.0) & (part <= 1.0)):
        raise SolverError(f"efficiency is {efficiency!r}; it must be above 0, up to 1.")
    levels = {
        "receiver_figure": receiver_figure,
        "line_loss": line_loss,
        "mismatch_loss": mismatch_loss,
    }
    factors = {}
    for name, value in levels.items():
        decibels = np.asarray(value, dtype=float)
        if not np.all(np.isfinite(decibels) & (decibels >= 0.0)):
            raise SolverError(f"{name} is {value!r} dB; it must be finite and at least 0.")
        factors[name] = 10.0 ** (0.1 * decibels)
    outside = np.asarray(external_figure, dtype=float)
    if not np.all(np.isfinite(outside)):
        raise SolverError(f"external_figure is {external_figure!r} dB; it must be finite.")
    fa, lc = 10.0 ** (0.1 * outside), 1.0 / part
    lt = factors["line_loss"]
    own = factors["mismatch_loss"] * (factors["receiver_figure"] - 1.0)
    return SystemNoise(
        external=fa,
        antenna=lc - 1.0,
        line=lc * (lt - 1.0),
        receiver=lc * lt * own,
        without_antenna_loss=fa + (lt - 1.0) + lt * own,
    )
