"""A matcher known by its data sheet alone: what it says about a load, in words."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..errors import SolverError
from ..moments.basis import ComplexArray, FloatArray
from .checks import require_frequency, require_load, require_power, require_value
from .two_port import TwoPort, swr

Window = tuple[float, float]


@dataclass(frozen=True, repr=False, eq=False)
class WindowVerdict:
    """What a data sheet says about loads: arrays of the shape (...) of loads and frequencies.

    Attributes
    ----------
    can_match : ndarray of bool
        Whether the load lies in the window and no limit is passed.
    words : ndarray of str
        Why, with the numbers.
    peak_voltage : ndarray of float
        At the antenna's terminals after the stated loss; NaN where the load is outside the window,
        for nothing is known there. [V]
    output_power, loss_watts : ndarray of float
        After and by the stated loss; NaN likewise. [W]
    """

    can_match: NDArray[np.bool_]
    words: NDArray[np.str_]
    peak_voltage: FloatArray
    output_power: FloatArray
    loss_watts: FloatArray

    def __repr__(self) -> str:
        return f"<WindowVerdict: {int(self.can_match.sum())} of {self.can_match.size} loads>"


@dataclass(frozen=True)
class WindowMatcher:
    """A matcher told by a window of loads, its power, greatest voltage and stated loss.

    Parameters
    ----------
    name : str
        For messages and tables.
    resistance, reactance : pair of float, optional
        Window of the load, low end first; either alone leaves the other free. [ohm]
    swr : float, optional
        Window of the load as a greatest SWR against `z0`, > 1.
    power : float
        Greatest power, > 0. [W]
    peak_voltage : float, optional
        Greatest peak voltage at the antenna's terminals, > 0; None if it is not stated. [V]
    loss_db : float
        Stated loss, at least 0. [dB]
    frequencies : pair of float, optional
        Range, low end first. [Hz]
    z0 : float
        What it matches to. [ohm]

    Raises
    ------
    SolverError
        If there is no window, or a value is out of range.

    Examples
    --------
    >>> box = WindowMatcher("box", resistance=(5, 600), reactance=(-800, 800), power=100,
    ...                     peak_voltage=1000, loss_db=0.5)
    >>> print(box.verdict(3 - 200j, 7.1e6).words)
    cannot: resistance 3 ohm is outside its 5 to 600 ohm
    """

    name: str
    resistance: Window | None = field(default=None, kw_only=True)
    reactance: Window | None = field(default=None, kw_only=True)
    swr: float | None = field(default=None, kw_only=True)
    power: float = field(kw_only=True)
    peak_voltage: float | None = field(default=None, kw_only=True)
    loss_db: float = field(kw_only=True)
    frequencies: Window | None = field(default=None, kw_only=True)
    z0: float = field(default=50.0, kw_only=True)

    def __post_init__(self) -> None:
        of = f"of matcher {self.name!r}"
        if self.resistance is None and self.reactance is None and self.swr is None:
            raise SolverError(
                f"matcher {self.name!r} has no window. Give resistance and reactance, or swr."
            )
        for key, unit in (("resistance", "ohm"), ("reactance", "ohm"), ("frequencies", "Hz")):
            window = getattr(self, key)
            if window is None:
                continue
            if not isinstance(window, (tuple, list)) or len(window) != 2:
                raise SolverError(
                    f"{key} {of} is {window!r}; give a pair of {unit}, low end first."
                )
            low, high = (require_value(x, what=f"{key} {of}", unit=unit) for x in window)
            if not low < high or (key != "reactance" and low < 0.0):
                raise SolverError(
                    f"{key} {of} runs from {low:g} to {high:g} {unit}; the low end comes first"
                    f"{'' if key == 'reactance' else ' and is at least 0'}."
                )
            object.__setattr__(self, key, (low, high))
        if self.swr is not None:
            require_value(self.swr, what=f"SWR {of}", unit="", above=1.0)
        if self.peak_voltage is not None:
            require_value(self.peak_voltage, what=f"greatest voltage {of}", unit="V", above=0.0)
        require_value(self.power, what=f"power {of}", unit="W", above=0.0)
        require_value(self.loss_db, what=f"loss {of}", unit="dB", least=0.0)
        require_value(self.z0, what=f"reference {of}", unit="ohm", above=0.0)

    def verdict(
        self, load: ArrayLike, frequency: ArrayLike, *, power: ArrayLike = 100.0
    ) -> WindowVerdict:
        """Say what the data sheet has about loads.

        Parameters
        ----------
        load, frequency, power : array_like, shapes that broadcast to (...)
            [ohm with a resistance above 0, Hz, W into the matcher]

        Returns
        -------
        WindowVerdict
            Arrays of shape (...).

        Raises
        ------
        SolverError
            If a value is out of range.
        """
        f, watts = require_frequency(frequency), require_power(power)
        z = np.asarray(require_load(load) + np.zeros(np.broadcast_shapes(f.shape, watts.shape)))
        f, watts = np.broadcast_to(f, z.shape), np.broadcast_to(watts, z.shape)
        outside = np.zeros(z.shape, dtype=np.bool_)
        reasons: list[tuple[NDArray[np.bool_], FloatArray, str, str]] = []
        for what, values, window, scale, unit in (
            ("frequency", f, self.frequencies, 1e6, "MHz"),
            ("resistance", z.real, self.resistance, 1.0, "ohm"),
            ("reactance", z.imag, self.reactance, 1.0, "ohm"),
        ):
            if window is not None:
                bad = (values < window[0]) | (values > window[1])
                rule = f"is outside its {window[0] / scale:g} to {window[1] / scale:g} {unit}"
                reasons.append((bad, values / scale, what, f"{unit} {rule}"))
                outside |= bad
        if self.swr is not None:
            ratio = swr(z, z0=self.z0)
            reasons.append((ratio > self.swr, ratio, "SWR", f"is above its {self.swr:g}"))
            outside |= ratio > self.swr
        out = np.where(outside, np.nan, watts * 10.0 ** (-self.loss_db / 10.0))
        voltage = math.sqrt(2.0) * np.abs(z) * np.sqrt(out / z.real)
        limits: list[tuple[NDArray[np.bool_], FloatArray, str, str]] = [
            (watts > self.power, watts, "power", f"W is above its {self.power:g} W")
        ]
        if self.peak_voltage is not None:
            rule = f"V peak is above its {self.peak_voltage:g} V"
            limits.append((voltage > self.peak_voltage, voltage, "voltage", rule))
        can = ~outside
        for bad, *_ in limits:
            can = can & ~bad
        words = np.empty(z.shape, dtype=object)
        for at in np.ndindex(z.shape):
            faults = [
                f"{what} {values[at]:.4g} {rule}"
                for bad, values, what, rule in (*reasons, *limits)
                if bad[at]
            ]
            words[at] = (
                f"cannot: {'; '.join(faults)}"
                if faults
                else f"can: {self.loss_db:g} dB as stated, {voltage[at]:.0f} V peak at the antenna"
            )
        return WindowVerdict(
            can, words.astype(np.str_), voltage, np.asarray(out), np.asarray(watts - out)
        )

    def two_port(self, frequency: ArrayLike, load: ComplexArray, *, power: ArrayLike) -> TwoPort:
        """A two-port that turns loads into z0 with the stated loss, as the data sheet has it.

        Raises
        ------
        SolverError
            If the data sheet does not say that it matches a load.
        """
        verdict = self.verdict(load, frequency, power=power)
        if not np.all(verdict.can_match):
            first = np.flatnonzero(~verdict.can_match.ravel())[0]
            f = np.broadcast_to(frequency, verdict.can_match.shape).ravel()[first]
            raise SolverError(
                f"matcher {self.name!r} at {f / 1e6:g} MHz: {verdict.words.ravel()[first]}. Leave "
                "that frequency out or change the antenna."
            )
        loss = TwoPort.line(self.loss_db * math.log(10.0) / 20.0, impedance=self.z0)
        turns = TwoPort.transformer(np.sqrt(load.real / self.z0))
        return loss @ turns @ TwoPort.series(-1j * load.imag)
