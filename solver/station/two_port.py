r"""Two-ports over frequency by chain (ABCD) matrices, for lines, networks and transformers alike.

    V1 = A V2 + B I2,   I1 = C V2 + D I2

with V1, I1 at the input (towards the radio), I1 going in, and V2, I2 at the output (towards the
antenna), I2 going out into the load. In cascade matrices multiply, and into a load Z

    Zin = (A Z + B)/(C Z + D)

(Pozar, Microwave Engineering, chapter on network analysis, from memory). RMS phasors, exp(+jwt).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from ..errors import SolverError
from ..moments.basis import ComplexArray, FloatArray
from .checks import require_load, require_power, require_value


def swr(impedance: ArrayLike, *, z0: float = 50.0) -> FloatArray:
    """Standing-wave ratio of impedances [ohm] against a real reference, same shape, >= 1.

    Parameters
    ----------
    impedance : array_like of complex, shape (...)
        Real part not negative. [ohm]
    z0 : float
        Reference, > 0. [ohm]

    Returns
    -------
    ndarray of float, shape (...)
        Infinite where nothing is taken.
    """
    values = np.asarray(impedance, dtype=np.complex128)
    size = reflection(values, z0=z0)
    with np.errstate(divide="ignore"):
        return np.asarray((1.0 + size) / np.maximum(1.0 - size, 0.0))


def reflection(impedance: ComplexArray, *, z0: float) -> FloatArray:
    """Size of the reflection coefficient of impedances [ohm] against a real reference [ohm]."""
    z0 = require_value(z0, what="reference impedance", unit="ohm", above=0.0)
    return np.asarray(np.abs((impedance - z0) / (impedance + z0)))


@dataclass(frozen=True, repr=False)
class PortState:
    """What is at both sides of a two-port that a stated power goes into. RMS, arrays shape (...).

    The phase is that of an input voltage that is real.
    """

    input_voltage: ComplexArray
    input_current: ComplexArray
    output_voltage: ComplexArray
    output_current: ComplexArray

    @property
    def input_power(self) -> FloatArray:
        """Power going in. [W]"""
        return _power(self.input_voltage, self.input_current)

    @property
    def output_power(self) -> FloatArray:
        """Power that the load takes. [W]"""
        return _power(self.output_voltage, self.output_current)

    @property
    def lost(self) -> FloatArray:
        """Power lost inside. [W]"""
        return np.asarray(self.input_power - self.output_power)

    @property
    def loss_db(self) -> FloatArray:
        """Power in over power out. [dB]"""
        return np.asarray(10.0 * np.log10(self.input_power / self.output_power))


@dataclass(frozen=True, repr=False, eq=False)
class TwoPort:
    """A two-port by its chain matrix; see the module's equations.

    Parameters
    ----------
    a, b, c, d : array_like of complex, shapes that broadcast
        Elements of the matrix; b in ohms, c in siemens.

    Raises
    ------
    SolverError
        If an element is not finite.

    Examples
    --------
    >>> two_port = TwoPort.series(3 + 40j) @ TwoPort.shunt(0.01j)
    >>> f"{two_port.input_impedance(200):.2f}"
    '43.00-40.00j'
    """

    a: ComplexArray
    b: ComplexArray
    c: ComplexArray
    d: ComplexArray

    def __post_init__(self) -> None:
        elements = (np.asarray(x, dtype=np.complex128) for x in (self.a, self.b, self.c, self.d))
        for name, values in zip("abcd", np.broadcast_arrays(*elements), strict=True):
            if not np.all(np.isfinite(values)):
                raise SolverError(
                    f"element {name} of a two-port is not finite. A series part that is open or a "
                    "shunt part that is a short lets nothing through: leave it out."
                )
            object.__setattr__(self, name, values)

    @classmethod
    def through(cls) -> TwoPort:
        """Return a two-port that is not there."""
        return cls(*(np.complex128(x) for x in (1.0, 0.0, 0.0, 1.0)))  # type: ignore[arg-type]

    @classmethod
    def series(cls, impedance: ArrayLike) -> TwoPort:
        """An impedance in series, shape (...). [ohm]"""
        z = np.asarray(impedance, dtype=np.complex128)
        one = np.ones_like(z)
        return cls(one, z, np.zeros_like(z), one)

    @classmethod
    def shunt(cls, admittance: ArrayLike) -> TwoPort:
        """An admittance across, shape (...). [S]"""
        y = np.asarray(admittance, dtype=np.complex128)
        one = np.ones_like(y)
        return cls(one, np.zeros_like(y), y, one)

    @classmethod
    def line(cls, exponent: ArrayLike, *, impedance: ArrayLike) -> TwoPort:
        """A uniform line of complex gamma times length, shape (...), and impedance. [ohm]"""
        gl = np.asarray(exponent, dtype=np.complex128)
        z = np.asarray(impedance, dtype=np.complex128)
        cosh, sinh = np.cosh(gl), np.sinh(gl)
        return cls(cosh, z * sinh, sinh / z, cosh)

    @classmethod
    def transformer(cls, turns_ratio: ArrayLike) -> TwoPort:
        """An ideal transformer; output voltage = turns_ratio times input voltage."""
        n = np.asarray(turns_ratio, dtype=np.complex128)
        return cls(1.0 / n, np.zeros_like(n), np.zeros_like(n), n)

    @property
    def shape(self) -> tuple[int, ...]:
        """Shape of each element."""
        return self.a.shape

    @property
    def determinant(self) -> ComplexArray:
        """AD - BC: 1 for what is reciprocal."""
        return np.asarray(self.a * self.d - self.b * self.c)

    def __matmul__(self, towards_antenna: TwoPort) -> TwoPort:
        """Return this one followed by another."""
        p, q = self, towards_antenna
        return TwoPort(
            np.asarray(p.a * q.a + p.b * q.c),
            np.asarray(p.a * q.b + p.b * q.d),
            np.asarray(p.c * q.a + p.d * q.c),
            np.asarray(p.c * q.b + p.d * q.d),
        )

    def reversed(self) -> TwoPort:
        """Return it with input and output exchanged."""
        e = self.determinant
        return TwoPort(self.d / e, self.b / e, self.c / e, self.a / e)

    def input_impedance(self, load: ArrayLike) -> ComplexArray:
        """Impedance at the input, for any load that is not negative; infinity is an open end.

        Parameters
        ----------
        load : array_like of complex, shape that broadcasts
            [ohm]

        Returns
        -------
        ndarray of complex128, shape (...)
            [ohm]

        Raises
        ------
        SolverError
            If a load is NaN or has a negative resistance.
        """
        z = np.asarray(load, dtype=np.complex128)
        if np.any(np.isnan(z)) or np.any(z.real < 0.0):
            raise SolverError(
                f"a load of {load!r} ohm is NaN or has a negative resistance; give one that does "
                "not bring in power."
            )
        is_open = np.isinf(z)
        finite = np.where(is_open, 0.0, z)
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.asarray(
                np.where(
                    is_open,
                    self.a / self.c,
                    (self.a * finite + self.b) / (self.c * finite + self.d),
                )
            )

    def state(self, load: ArrayLike, *, power: ArrayLike = 1.0) -> PortState:
        """Voltages and currents at both sides for a power that goes into the input.

        Parameters
        ----------
        load : array_like of complex, shape that broadcasts
            Resistance > 0. [ohm]
        power : array_like of float, shape that broadcasts
            Power that goes in, > 0. [W]

        Returns
        -------
        PortState
            Arrays of the common shape.

        Raises
        ------
        SolverError
            If a load takes no power, or the power is not above 0.
        """
        z, watts = require_load(load), require_power(power)
        per_amp_v, per_amp_i = self.a * z + self.b, self.c * z + self.d
        taken = _power(per_amp_v, per_amp_i)
        current = np.sqrt(watts / taken) * np.exp(-1j * np.angle(per_amp_v))
        return PortState(
            *np.broadcast_arrays(per_amp_v * current, per_amp_i * current, z * current, current)
        )


@dataclass(frozen=True, repr=False)
class LadderPart:
    """One part of a ladder: in series or across, its immittance, shape (...)."""

    name: str
    is_series: bool
    immittance: ComplexArray
    """Impedance of a series part [ohm], admittance of a shunt part [S]."""

    @property
    def two_port(self) -> TwoPort:
        """The part alone."""
        return (TwoPort.series if self.is_series else TwoPort.shunt)(self.immittance)


@dataclass(frozen=True, repr=False)
class PartState:
    """Voltage across and current through each part of a ladder. RMS, shape (..., P)."""

    names: tuple[str, ...]
    voltage: ComplexArray
    current: ComplexArray

    @property
    def lost(self) -> FloatArray:
        """Power lost in each part, shape (..., P). [W]"""
        return _power(self.voltage, self.current)


def cascade(two_ports: Sequence[TwoPort]) -> TwoPort:
    """Return two-ports in a row, that at the radio first."""
    whole = TwoPort.through()
    for two_port in two_ports:
        whole = whole @ two_port
    return whole


def ladder_state(
    parts: Sequence[LadderPart], load: ArrayLike, *, power: ArrayLike = 1.0
) -> PartState:
    """Voltage and current of every part of a ladder, that at the input first.

    Parameters
    ----------
    parts : sequence of LadderPart, length P
        From the input to the load.
    load : array_like of complex, shape that broadcasts
        Resistance > 0. [ohm]
    power : array_like of float
        Power that goes in. [W]

    Returns
    -------
    PartState
        Shape (..., P). Losses come from each part's own voltage and current.

    Raises
    ------
    SolverError
        If the load takes no power, or the power is not above 0.
    """
    state = cascade([part.two_port for part in parts]).state(load, power=power)
    v, i = state.output_voltage, state.output_current
    across: list[ComplexArray] = []
    through: list[ComplexArray] = []
    # From the load back to the input, so that nothing cancels where the loss is large.
    for part in reversed(parts):
        if part.is_series:
            drop = np.asarray(part.immittance * i)
            across.append(drop)
            through.append(np.broadcast_to(i, drop.shape))
            v = np.asarray(v + drop)
        else:
            branch = np.asarray(part.immittance * v)
            across.append(np.broadcast_to(v, branch.shape))
            through.append(branch)
            i = np.asarray(i + branch)
    return PartState(
        tuple(part.name for part in parts),
        np.stack(np.broadcast_arrays(*reversed(across)), axis=-1),
        np.stack(np.broadcast_arrays(*reversed(through)), axis=-1),
    )


def _power(voltage: ComplexArray, current: ComplexArray) -> FloatArray:
    return np.asarray((voltage * np.conj(current)).real)
