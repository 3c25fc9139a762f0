r"""A length of transmission line: loss, transformation, and voltage and current along it.

With alpha = alpha_c + alpha_d [Np/m] from A = k1 sqrt(f) + k2 f (`LineType`) and
beta = w/(velocity factor c), the line is gamma = alpha + j beta. Its characteristic impedance
follows from the loss: with C per metre of the nominal Z_n, beta/(w Z_n), and insulation that loses
G = 2 alpha_d/Z_n,

    Z0 = gamma/(G + j w C) = Z_n (1 - j alpha/beta)/(1 - j 2 alpha_d/beta).

It is passive for every load: the series impedance gamma Z0 has the real part of
alpha_d alpha^2 + alpha_c beta^2 times a positive number. A real Z0 = Z_n beside a loss, as handbook
formulae have it, shares that loss equally between conductors and insulation, which is wrong by a
multiple for short mismatched pieces: `real_impedance=True` is there to compare with them.
Telegrapher's equations: Pozar, Microwave Engineering, chapter on transmission lines, from memory.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike
from scipy.constants import c as speed_of_light
from scipy.constants import mu_0

from ...geometry.lengths import metres
from ...materials import Conductor, LineType
from ..errors import SolverError
from ..moments.basis import ComplexArray, FloatArray
from .checks import require_frequency, require_load
from .two_port import PortState, TwoPort, swr

_NEPER_PER_DB = math.log(10.0) / 20.0
_OPEN_WIRE_FIT = 10e6
_SAMPLES_PER_WAVE = 48


@dataclass(frozen=True, repr=False)
class LineStress:
    """Greatest RMS voltage and current on a line, arrays shape (...).

    Attributes
    ----------
    voltage, current : ndarray of float
        RMS. [V, A]
    voltage_from_load, current_from_load : ndarray of float
        Where, as distances from the load. [m]
    """

    voltage: FloatArray
    voltage_from_load: FloatArray
    current: FloatArray
    current_from_load: FloatArray

    @property
    def peak_voltage(self) -> FloatArray:
        """sqrt(2) times the greatest RMS voltage. [V]"""
        return np.asarray(math.sqrt(2.0) * self.voltage)

    @property
    def peak_current(self) -> FloatArray:
        """sqrt(2) times the greatest RMS current. [A]"""
        return np.asarray(math.sqrt(2.0) * self.current)


@dataclass(frozen=True)
class Line:
    """A length of line.

    Parameters
    ----------
    kind : LineType
        Impedance, velocity factor and loss.
    length : float or str
        Length, > 0; text as "20 m" or "66 ft". [m]
    real_impedance : bool
        Take the nominal impedance as it is, real in spite of the loss.

    Raises
    ------
    SolverError
        If the length is not above 0 or the kind is none.

    Examples
    --------
    >>> line = Line.named("RG-58", length="20 m")
    >>> f"{line.matched_loss_db(14.1e6):.2f} dB"
    '1.10 dB'
    >>> f"{line.total_loss_db(14.1e6, 25 + 40j):.2f} dB"
    '1.77 dB'
    """

    kind: LineType
    length: float | str = field(kw_only=True)
    real_impedance: bool = field(default=False, kw_only=True)

    def __post_init__(self) -> None:
        if not isinstance(self.kind, LineType):
            raise SolverError(
                f"the kind of a line is {self.kind!r}; give a LineType, or use Line.of, "
                "Line.named or Line.open_wire."
            )
        length = metres(self.length) + 0.0
        if length <= 0.0:
            raise SolverError(
                f"the length of line {self.kind.name!r} is {length:g} m; it must be above 0. "
                "Leave the line out where there is none."
            )
        object.__setattr__(self, "length", length)

    def __str__(self) -> str:
        return f"{self.length:g} m of {self.kind.name} ({self.kind.impedance:g} ohm)"

    @classmethod
    def of(
        cls,
        impedance: float,
        *,
        length: float | str,
        velocity_factor: float,
        k1: float = 0.0,
        k2: float = 0.0,
        name: str = "line",
        real_impedance: bool = False,
    ) -> Line:
        """Return a line by its numbers; see `LineType` for their units.

        Raises
        ------
        MaterialError, SolverError
            If a value is out of range.
        """
        kind = LineType(name, impedance=impedance, velocity_factor=velocity_factor, k1=k1, k2=k2)
        return cls(kind, length=length, real_impedance=real_impedance)

    @classmethod
    def named(cls, name: str, *, length: float | str, limits: bool = False) -> Line:
        """Return a length of a line of the catalogue, as "RG-58"; see `LineType.named`.

        Raises
        ------
        MaterialError, SolverError
            If there is none of that name, or the length is not above 0.
        """
        return cls(LineType.named(name, limits=limits), length=length)

    @classmethod
    def open_wire(
        cls,
        spacing: float | str,
        *,
        wire_radius: float | str,
        length: float | str,
        conductor: Conductor | str = "copper",
        velocity_factor: float = 1.0,
        k2: float = 0.0,
    ) -> Line:
        r"""Return a line of two round wires side by side in air.

        Parameters
        ----------
        spacing : float or str
            Between the axes, > 2 radii. [m]
        wire_radius : float or str
            Of each wire, > 0. [m]
        length : float or str
            Length of the line. [m]
        conductor : Conductor or str
            What the wires are made of.
        velocity_factor : float
            Less than 1 where there is insulation between the wires.
        k2 : float
            Loss of the insulation. [dB/(100 m MHz)]

        Notes
        -----
        Z0 = (mu0 c/pi) acosh(D/2a) times the velocity factor (the insulation adds capacitance
        alone), and alpha_c = R/(2 Z0) with both wires' resistance R = 2 r (D/2a)/sqrt((D/2a)^2 - 1)
        (crowding of the current included; Ramo, Whinnery & Van Duzer, chapter on transmission
        lines, from memory). k1 is taken at 10 MHz: r follows sqrt(f) within some per cent above
        3 MHz for wires of 0.5 mm radius and more.

        Raises
        ------
        MaterialError, SolverError
            If a value is out of range, or the wires touch.
        """
        apart, radius = metres(spacing), metres(wire_radius)
        if not 0.0 < 2.0 * radius < apart:
            raise SolverError(
                f"an open-wire line has a spacing of {apart:g} m and wires of radius {radius:g} m; "
                "the radius must be above 0 and the spacing above two radii."
            )
        metal = Conductor.named(conductor) if isinstance(conductor, str) else conductor
        ratio = apart / (2.0 * radius)
        z = mu_0 * speed_of_light / math.pi * math.acosh(ratio) * velocity_factor
        wire = float(metal.internal_impedance(_OPEN_WIRE_FIT, radius=radius).real)
        crowding = ratio / math.sqrt(ratio**2 - 1.0)
        alpha = 2.0 * wire * crowding / (2.0 * z)
        k1 = 100.0 * alpha / _NEPER_PER_DB / math.sqrt(_OPEN_WIRE_FIT / 1e6)
        kind = LineType(
            f"open wire, {1e3 * apart:g} mm of {metal.name}",
            impedance=z,
            velocity_factor=velocity_factor,
            k1=k1,
            k2=k2,
            source="computed from spacing, radius and conductor",
        )
        return cls(kind, length=length)

    def propagation(self, frequency: ArrayLike) -> ComplexArray:
        """Return gamma = alpha + j beta at frequencies [Hz], shape (...). [1/m]"""
        alpha_c, alpha_d, beta = self._constants(require_frequency(frequency))
        return np.asarray(alpha_c + alpha_d + 1j * beta)

    def characteristic_impedance(self, frequency: ArrayLike) -> ComplexArray:
        """Characteristic impedance at frequencies [Hz], shape (...). [ohm]"""
        f = require_frequency(frequency)
        if self.real_impedance:
            return np.full(f.shape, self.kind.impedance, dtype=np.complex128)
        alpha_c, alpha_d, beta = self._constants(f)
        over = 1.0 - 1j * (alpha_c + alpha_d) / beta
        return np.asarray(self.kind.impedance * over / (1.0 - 2j * alpha_d / beta))

    def two_port(self, frequency: ArrayLike) -> TwoPort:
        """Chain matrix at frequencies [Hz], shape (...)."""
        return TwoPort.line(
            self.propagation(frequency) * float(self.length),
            impedance=self.characteristic_impedance(frequency),
        )

    def matched_loss_db(self, frequency: ArrayLike) -> FloatArray:
        """Loss into a load of its own impedance at frequencies [Hz], shape (...). [dB]"""
        return np.asarray(self.propagation(frequency).real * float(self.length) / _NEPER_PER_DB)

    def input_impedance(self, frequency: ArrayLike, load: ArrayLike) -> ComplexArray:
        """Impedance at the input for a load; an infinite load is an open end.

        Parameters
        ----------
        frequency : array_like of float, shape (...)
            [Hz]
        load : array_like of complex, shape that broadcasts
            Resistance at least 0. [ohm]

        Returns
        -------
        ndarray of complex128, shape (...)
            [ohm]

        Raises
        ------
        SolverError
            If a frequency or load is out of range.
        """
        return self.two_port(frequency).input_impedance(load)

    def state(self, frequency: ArrayLike, load: ArrayLike, *, power: ArrayLike = 1.0) -> PortState:
        """Voltages and currents at both ends for a power going in; see `TwoPort.state`."""
        return self.two_port(frequency).state(load, power=power)

    def total_loss_db(self, frequency: ArrayLike, load: ArrayLike) -> FloatArray:
        """Power in over power into the load, from the exact state of both ends. [dB]

        With a real impedance it is 10 log10[(B^2 - g^2)/(B (1 - g^2))], B = 10^(matched/10), g the
        reflection at the load. With the exact one it can be less than the matched loss for some
        loads on short lines, never below 0.
        """
        return self.state(frequency, load).loss_db

    def swr_at_load(self, load: ArrayLike) -> FloatArray:
        """SWR of the load [ohm] against the nominal impedance."""
        return swr(require_load(load), z0=self.kind.impedance)

    def swr_at_input(self, frequency: ArrayLike, load: ArrayLike) -> FloatArray:
        """SWR at the input against the nominal impedance."""
        return swr(self.input_impedance(frequency, load), z0=self.kind.impedance)

    def along(
        self,
        frequency: ArrayLike,
        load: ArrayLike,
        *,
        from_load: ArrayLike,
        power: ArrayLike = 1.0,
    ) -> tuple[ComplexArray, ComplexArray]:
        """Voltage and current at distances from the load.

        Parameters
        ----------
        frequency, load, power : array_like, shapes that broadcast to (...)
            [Hz, ohm with a resistance above 0, W into the input]
        from_load : array_like of float, shape (N,)
            Distances, 0 to the length. [m]

        Returns
        -------
        voltage, current : ndarray of complex128, shape (..., N)
            RMS. [V, A]

        Raises
        ------
        SolverError
            If a value is out of range.
        """
        x = np.asarray(from_load, dtype=np.float64)
        if x.ndim != 1 or not np.all((x >= 0.0) & (x <= float(self.length) * (1 + 1e-12))):
            raise SolverError(
                f"distances from the load of line {self.kind.name!r} must be a list from 0 to "
                f"{self.length:g} m; asked for {from_load!r}."
            )
        state = self.state(frequency, load, power=power)
        return self._at(x, *self._end(frequency, state))

    def stress(
        self, frequency: ArrayLike, load: ArrayLike, *, power: ArrayLike = 1.0
    ) -> LineStress:
        """Greatest voltage and current anywhere on the line for a power going in.

        Parameters
        ----------
        frequency, load, power : array_like, shapes that broadcast to (...)
            [Hz, ohm with a resistance above 0, W into the input]

        Returns
        -------
        LineStress
            Arrays of shape (...).

        Notes
        -----
        The maximum of |V|^2 is bracketed among samples (48 a wave, and both ends), then its place
        is found by bisection of the derivative, 2 Re(V* V'), V' = gamma Z0 I.
        """
        state = self.state(frequency, load, power=power)
        gamma, z, v, i = self._end(frequency, state)
        length = float(self.length)
        waves = float(np.max(gamma.imag)) * length / (2.0 * np.pi)
        x = np.linspace(0.0, length, max(3, 1 + math.ceil(_SAMPLES_PER_WAVE * waves)))
        voltage, current = self._at(x, gamma, z, v, i)
        found: list[FloatArray] = []
        for k, sampled in enumerate((voltage, current)):
            best = np.argmax(np.abs(sampled), axis=-1)
            low, high = x[np.maximum(best - 1, 0)], x[np.minimum(best + 1, x.size - 1)]
            for _ in range(60):
                middle = 0.5 * (low + high)
                here = self._at(middle[..., None], gamma, z, v, i)
                v_m, i_m = here[0][..., 0], here[1][..., 0]
                rate = np.conj(v_m) * gamma * z * i_m if k == 0 else np.conj(i_m) * gamma / z * v_m
                rises = rate.real > 0.0
                low, high = np.where(rises, middle, low), np.where(rises, high, middle)
            where = 0.5 * (low + high)
            size = np.abs(self._at(where[..., None], gamma, z, v, i)[k][..., 0])
            found += [np.asarray(size), np.asarray(where)]
        return LineStress(*found)

    def _constants(self, frequencies: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """alpha_c, alpha_d [Np/m] and beta [rad/m]."""
        megahertz = frequencies / 1e6
        per_metre = _NEPER_PER_DB / 100.0
        beta = 2.0 * np.pi * frequencies / (self.kind.velocity_factor * speed_of_light)
        return (
            self.kind.k1 * np.sqrt(megahertz) * per_metre,
            self.kind.k2 * megahertz * per_metre,
            beta,
        )

    def _end(
        self, frequency: ArrayLike, state: PortState
    ) -> tuple[ComplexArray, ComplexArray, ComplexArray, ComplexArray]:
        """gamma, Z0, and voltage and current at the load, of one shape."""
        arrays = (
            self.propagation(frequency),
            self.characteristic_impedance(frequency),
            state.output_voltage,
            state.output_current,
        )
        gamma, z, v, i = np.broadcast_arrays(*arrays)
        return gamma, z, v, i

    @staticmethod
    def _at(
        x: FloatArray, gamma: ComplexArray, z: ComplexArray, v: ComplexArray, i: ComplexArray
    ) -> tuple[ComplexArray, ComplexArray]:
        """Voltage and current at distances from the load, shape (..., N)."""
        gx = gamma[..., None] * x
        cosh, sinh = np.cosh(gx), np.sinh(gx)
        v, i, z = v[..., None], i[..., None], z[..., None]
        return np.asarray(v * cosh + z * i * sinh), np.asarray(i * cosh + v / z * sinh)
