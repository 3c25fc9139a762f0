r"""Rules of thumb for exposure, to hold beside the fields that were computed.

Power density far from an antenna, and whether its radiated power at its distance is exempt from
evaluation. Both know nothing of the near field: in an attic they are for comparison only.

    S = c P G / (4 pi R^2),   c = 1 without ground, 2.56 with a field 1.6 times as great (the usual
                              reflection from the ground), 4 with twice the field

References
----------
.. [1] OET Bulletin 65, equations 4 to 7 (from memory).
.. [2] 47 CFR 1.1307(b)(3) (see the catalogue for how each number is known).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike
from scipy.constants import c as LIGHT_SPEED

from ..errors import LimitsError
from .limits import FloatArray, exemption_curve, require

Reflection = Literal["none", "usual", "full"]
REFLECTION_FACTORS = {"none": 1.0, "usual": 1.6**2, "full": 4.0}

ISOTROPIC_OVER_DIPOLE = 1.64
"""Effective isotropic over effective radiated power: a half-wave dipole (common practice)."""


def _reflection_factor(reflection: str) -> float:
    if reflection not in REFLECTION_FACTORS:
        known = ", ".join(map(repr, REFLECTION_FACTORS))
        raise LimitsError(f"reflection is {reflection!r}; it must be one of {known}.")
    return REFLECTION_FACTORS[reflection]


def predicted_power_density(
    radiated: ArrayLike, distance: ArrayLike, *, reflection: Reflection = "usual"
) -> FloatArray:
    """Power density by the far-field formula, broadcast. [W/m^2]

    Parameters
    ----------
    radiated : array_like
        Effective isotropic radiated power (power times gain), averaged. [W]
    distance : array_like
        From the middle of the antenna. [m]
    reflection : "none", "usual" or "full"
        From the ground: field as it is, times 1.6, times 2.
    """
    power = require(radiated, what="radiated power", unit="W")
    away = require(distance, what="distance", unit="m", above_zero=True)
    return _reflection_factor(reflection) * power / (4.0 * np.pi * away**2)


def predicted_distance(
    radiated: ArrayLike, power_density: ArrayLike, *, reflection: Reflection = "usual"
) -> FloatArray:
    """Distance at which the far-field formula gives a power density [W/m^2], broadcast. [m]"""
    power = require(radiated, what="radiated power", unit="W")
    density = require(power_density, what="power density", unit="W/m^2", above_zero=True)
    return np.sqrt(_reflection_factor(reflection) * power / (4.0 * np.pi * density))


@dataclass(frozen=True)
class ExemptionCheck:
    """Whether an antenna is exempt from evaluation by power and distance.

    Attributes
    ----------
    effective_radiated_power : float or ndarray
        Averaged, relative to a half-wave dipole. [W]
    threshold : float or ndarray
        [W]
    """

    effective_radiated_power: Any
    threshold: Any

    @property
    def is_exempt(self) -> Any:
        """Whether the power is at or below the threshold."""
        return self.effective_radiated_power <= self.threshold


def exemption_check(
    radiated: ArrayLike,
    distance: ArrayLike,
    frequency: ArrayLike,
    *,
    duty: float = 1.0,
    name: str = "FCC 1.1307",
) -> ExemptionCheck:
    """Exemption by effective radiated power and distance; all broadcast.

    Parameters
    ----------
    radiated : array_like
        Effective isotropic radiated power at full power. [W]
    distance : array_like
        From the antenna to the nearest place people can be at, at least lambda/(2 pi). [m]
    frequency : array_like
        [Hz]
    duty : float
        Average over greatest power.
    name : str
        Of the rule in the catalogue.

    Raises
    ------
    LimitsError
        If a distance is below lambda/(2 pi), or the rule does not cover a frequency.
    """
    power = require(radiated, what="radiated power", unit="W")
    away = require(distance, what="distance", unit="m", above_zero=True)
    part = require(duty, what="duty factor", unit="", above_zero=True)
    if part > 1.0:
        raise LimitsError(f"duty factor is {float(part):g}; it must be 1 at most. 20 % is 0.2.")
    per_square = exemption_curve(name).at(frequency, what=name)
    least = LIGHT_SPEED / (2.0 * np.pi * np.asarray(frequency, dtype=float))
    near = np.broadcast_arrays(away, least, away < least * (1.0 - 1e-9))
    if np.any(near[2]):
        first = int(np.flatnonzero(near[2])[0])
        raise LimitsError(
            f"distance is {near[0].flat[first]:g} m, nearer than lambda/(2 pi) = "
            f"{near[1].flat[first]:.3g} m: {name} holds from there on only. Evaluate the fields."
        )
    return ExemptionCheck(part * power / ISOTROPIC_OVER_DIPOLE, per_square * away**2)
