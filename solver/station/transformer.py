r"""Impedance transformers, ideal and lossy, as two-ports.

`impedance_ratio` is the antenna's side over the radio's: a "49:1" shows 50 ohm at the radio for
2450 ohm. The lossy one, all seen from the radio's side (its turns ratio is n = sqrt(ratio)):

    o--- R + jw L_leak ---+--- 1:n ---o
                          |
                   wL_m (1/Q + j)
                          |
    o---------------------+-----------o

the common equivalent circuit (from memory), with no capacitance of the windings.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike

from ...materials.impedances import Coil, inductance
from .checks import require_frequency, require_load, require_value
from .two_port import LadderPart, PartState, TwoPort, cascade, ladder_state


@dataclass(frozen=True)
class Transformer:
    """An impedance transformer; see the module's circuit.

    Parameters
    ----------
    impedance_ratio : float
        Impedance at the antenna's side over that at the radio's, > 0.
    magnetising_inductance : float or str, optional
        Of the radio's winding, > 0; text as "12 uH"; None for no limit. [H]
    magnetising_q : float
        Its reactance over its resistance, the same at every frequency; ferrite at HF has 0.3 to
        10 (common practice); infinite for no loss.
    leakage_inductance : float or str
        At the radio's side, at least 0. [H]
    winding_resistance : float
        Of both windings together, at the radio's side, at least 0, the same at every frequency.
        [ohm]
    name : str
        For tables.

    Raises
    ------
    SolverError, MaterialError
        If a value is out of range.

    Examples
    --------
    >>> unun = Transformer(49, magnetising_inductance="5 uH", magnetising_q=1.5)
    >>> f"{unun.two_port(3.6e6).state(2450).loss_db:.2f} dB"
    '0.81 dB'
    """

    impedance_ratio: float
    magnetising_inductance: float | str | None = field(default=None, kw_only=True)
    magnetising_q: float = field(default=math.inf, kw_only=True)
    leakage_inductance: float | str = field(default=0.0, kw_only=True)
    winding_resistance: float = field(default=0.0, kw_only=True)
    name: str = field(default="transformer", kw_only=True)

    def __post_init__(self) -> None:
        ratio = require_value(
            self.impedance_ratio, what=f"impedance ratio of {self.name!r}", unit="", above=0.0
        )
        object.__setattr__(self, "impedance_ratio", ratio)
        if self.magnetising_inductance is not None:
            henries = inductance(self.magnetising_inductance, what="magnetising inductance")
            require_value(henries, what="magnetising inductance", unit="H", above=0.0)
            object.__setattr__(self, "magnetising_inductance", henries)
            Coil(henries, q=self.magnetising_q)  # its own check of Q
        leakage = inductance(self.leakage_inductance, what="leakage inductance")
        object.__setattr__(self, "leakage_inductance", leakage)
        ohms = require_value(
            self.winding_resistance,
            what=f"winding resistance of {self.name!r}",
            unit="ohm",
            least=0.0,
        )
        object.__setattr__(self, "winding_resistance", ohms)

    def two_port(self, frequency: ArrayLike) -> TwoPort:
        """Chain matrix at frequencies [Hz], radio's side first, shape (...)."""
        f = require_frequency(frequency)
        turns = np.full(f.shape, math.sqrt(self.impedance_ratio))
        parts = [part.two_port for part in self._parts(f)]
        return cascade([*parts, TwoPort.transformer(turns)])

    def part_state(
        self, frequency: ArrayLike, load: ArrayLike, *, power: ArrayLike = 1.0
    ) -> PartState:
        """Voltage, current and loss of winding and core, at the radio's side.

        Parameters
        ----------
        frequency, load, power : array_like, shapes that broadcast to (...)
            [Hz, ohm at the antenna's side, W into the radio's side]

        Returns
        -------
        PartState
            Shape (..., 2): "winding" and "core".

        Raises
        ------
        SolverError
            If a value is out of range.
        """
        f = require_frequency(frequency)
        return ladder_state(self._parts(f), require_load(load) / self.impedance_ratio, power=power)

    def _parts(self, f: np.ndarray) -> list[LadderPart]:
        winding = self.winding_resistance + 2j * np.pi * f * float(self.leakage_inductance)
        core = np.zeros(f.shape, dtype=np.complex128)
        if self.magnetising_inductance is not None:
            core = 1.0 / np.asarray(Coil(self.magnetising_inductance, q=self.magnetising_q).at(f))
        return [
            LadderPart("winding", True, np.asarray(winding)),
            LadderPart("core", False, np.asarray(core)),
        ]


class IdealTransformer(Transformer):
    """An impedance transformer without loss or reactance.

    Parameters
    ----------
    impedance_ratio : float
        Impedance at the antenna's side over that at the radio's, > 0.
    name : str
        For tables.

    Raises
    ------
    SolverError
        If the ratio is not above 0.
    """

    def __init__(self, impedance_ratio: float, *, name: str = "transformer") -> None:
        super().__init__(impedance_ratio, name=name)
