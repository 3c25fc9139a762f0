"""How permittivity and conductivity of ground and water vary with frequency."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.constants import epsilon_0

from .checks import require_number
from .errors import MaterialError
from .frequency_curves import check_points, interpolate

LOWEST_FREQUENCY = 0.1e6
"""Lowest frequency at which a ground that varies with frequency is known. [Hz]"""
HIGHEST_FREQUENCY = 300.0e6
"""Highest such frequency. [Hz]"""


@dataclass(frozen=True)
class GroundCurve:
    """Published curve as points: straight in log f for permittivity, log-log for conductivity.

    Parameters
    ----------
    points : tuple of (frequency [Hz], relative permittivity, conductivity [S/m]), length N >= 2
        Frequencies rising. Between points permittivity is interpolated linearly over log f,
        the logarithm of the conductivity likewise.

    Raises
    ------
    MaterialError
        If there are fewer than two points, frequencies do not rise, a permittivity is below 1 or a
        conductivity is not positive.
    """

    points: tuple[tuple[float, float, float], ...]

    def __post_init__(self) -> None:
        checked = check_points(
            self.points, of="a ground", third="conductivity", unit="S/m", fewest=2
        )
        object.__setattr__(self, "points", checked)

    @property
    def frequency_range(self) -> tuple[float, float]:
        """Lowest and highest frequency that it holds for. [Hz]"""
        return self.points[0][0], self.points[-1][0]

    def evaluate(
        self, frequencies: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return relative permittivity and conductivity [S/m], each the shape of frequencies."""
        return interpolate(self.points, frequencies)


@dataclass(frozen=True)
class WaterModel:
    r"""Fresh or sea water by temperature and salinity: double Debye relaxation plus conduction.

    Parameters
    ----------
    temperature_c : float
        Temperature, -2 to 40. [degrees C]
    salinity_g_per_kg : float
        Dissolved salt, 0 to 40; the open sea has about 35. [g/kg]

    Raises
    ------
    MaterialError
        If a value is out of range.

    Notes
    -----
    ITU-R P.527 (from its fourth edition on) gives water this way [1]_; the coefficients here are
    from memory, of the double Debye form [2]_ with the static permittivity and conductivity of
    sea water [3]_. Salt shifts the relaxation frequencies by a few per cent; that is left out,
    for below 300 MHz relaxation makes less than 1 % of the loss in the sea.

    References
    ----------
    .. [1] Recommendation ITU-R P.527, Electrical characteristics of the surface of the Earth
       (from memory).
    .. [2] Liebe, Hufford & Manabe, A model for the complex permittivity of water at frequencies
       below 1 THz, Int. J. Infrared and Millimeter Waves 12, 1991 (from memory).
    .. [3] Meissner & Wentz, The complex dielectric constant of pure and sea water from microwave
       satellite observations, IEEE Trans. Geoscience and Remote Sensing 42, 2004 (from memory).
    """

    temperature_c: float
    salinity_g_per_kg: float

    def __post_init__(self) -> None:
        limits = (("temperature_c", "degrees C", -2.0), ("salinity_g_per_kg", "g/kg", 0.0))
        for key, unit, least in limits:
            cure = f"The model holds from {least:g} to 40 {unit}; the sea: 20 degrees C, 35 g/kg."
            value = require_number(
                getattr(self, key), what=f"{key} of water", unit=unit, least=least, cure=cure
            )
            if value > 40.0:
                raise MaterialError(f"{key} of water is {value:g} {unit}. {cure}")
            object.__setattr__(self, key, value)

    @property
    def frequency_range(self) -> tuple[float, float]:
        """Lowest and highest frequency that it holds for. [Hz]"""
        return LOWEST_FREQUENCY, HIGHEST_FREQUENCY

    @property
    def static_permittivity(self) -> float:
        """Relative permittivity well below the relaxation."""
        salt = self.salinity_g_per_kg
        theta = self._theta
        return (77.66 + 103.3 * theta) * float(np.exp(-3.3333e-3 * salt + 4.74868e-6 * salt**2))

    @property
    def ionic_conductivity(self) -> float:
        """Conductivity of the dissolved salt. [S/m]"""
        t, s = self.temperature_c, self.salinity_g_per_kg
        at_35 = 2.903602 + 8.607e-2 * t + 4.738817e-4 * t**2 - 2.991e-6 * t**3 + 4.3047e-9 * t**4
        at_15_degrees = (
            s * (37.5109 + 5.45216 * s + 1.4409e-2 * s**2) / (1004.75 + 182.283 * s + s**2)
        )
        alpha0 = (6.9431 + 3.2841 * s - 9.9486e-2 * s**2) / (84.850 + 69.024 * s + s**2)
        alpha1 = 49.843 - 0.2276 * s + 0.198e-2 * s**2
        return at_35 * at_15_degrees * (1.0 + alpha0 * (t - 15.0) / (alpha1 + t))

    def evaluate(
        self, frequencies: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return relative permittivity and conductivity [S/m], each the shape of frequencies.

        The conductivity holds the relaxation loss too.
        """
        theta = self._theta
        static = self.static_permittivity
        middle, optical = 0.0671 * static, 3.52 - 7.52 * theta
        first = frequencies / ((20.20 - 146.4 * theta + 316.0 * theta**2) * 1e9)
        second = first / 39.8
        relaxed = optical + (static - middle) / (1.0 + 1.0j * first)
        relaxed = relaxed + (middle - optical) / (1.0 + 1.0j * second)
        loss = -relaxed.imag * 2.0 * np.pi * frequencies * epsilon_0
        return np.asarray(relaxed.real), np.asarray(self.ionic_conductivity + loss)

    @property
    def _theta(self) -> float:
        return 300.0 / (self.temperature_c + 273.15) - 1.0
