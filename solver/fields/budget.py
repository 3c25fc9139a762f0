r"""Where each watt goes: every term computed by itself, as watts per watt of input.

The terms are radiated power (integrated far field), the earth's share (spectral flux through the
surface), conductors (Int |I|^2 Re z_s ds), jackets, timbers and loads.  A term that was not
computed is NaN, and then so is the balance.
"""

from __future__ import annotations

import html
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import ArrayLike

from ..errors import SolverError
from ..moments.basis import ElementCurrents
from .near import slope_coefficients


@dataclass(frozen=True)
class Budget:
    """Watts per watt of input; NaN where a term was not computed.

    Attributes
    ----------
    radiated : float
        To the sky over ground, in all directions in free space.
    earth, conductors, jackets, timbers : float
        Turned to heat there.
    loads : float
        In terminations across gaps.
    """

    radiated: float
    earth: float = 0.0
    conductors: float = 0.0
    jackets: float = 0.0
    timbers: float = 0.0
    loads: float = 0.0

    @property
    def efficiency(self) -> float:
        """Radiated power over input power."""
        return self.radiated

    @property
    def total(self) -> float:
        """Sum of all terms; NaN where one was not computed."""
        return float(sum(self.as_dict().values()))

    @property
    def balance_error(self) -> float:
        """|1 - total|; NaN where a term was not computed."""
        return abs(1.0 - self.total)

    def as_dict(self) -> dict[str, float]:
        """Terms by name, in the order of the attributes."""
        return {f.name: float(getattr(self, f.name)) for f in fields(self)}

    def rows(self) -> list[tuple[str, float, float]]:
        """(term, per cent of the input, dB relative to the input) for each term."""
        with np.errstate(divide="ignore", invalid="ignore"):
            return [
                (name, 100.0 * value, float(10.0 * np.log10(np.float64(value))))
                for name, value in self.as_dict().items()
            ]

    def _cells(self) -> list[tuple[str, str, str]]:
        cells = []
        for name, percent, decibel in self.rows():
            if np.isnan(percent):
                cells.append((name, "not computed", ""))
            else:
                cells.append((name, f"{percent:.3f} %", f"{decibel:.2f} dB" if percent > 0 else ""))
        error = self.balance_error
        cells.append(("balance error", "not known" if np.isnan(error) else f"{error:.1e}", ""))
        return cells

    def __repr__(self) -> str:
        lines = [
            f"{name:<14}{percent:>14}{decibel:>12}" for name, percent, decibel in self._cells()
        ]
        return "\n".join(["Budget of the input power", *(line.rstrip() for line in lines)])

    def _repr_html_(self) -> str:
        body = "".join(
            "<tr>" + "".join(f"<td>{html.escape(cell)}</td>" for cell in row) + "</tr>"
            for row in self._cells()
        )
        return f"<table><caption>Budget of the input power</caption>{body}</table>"


def _square_integrals(coefficients: np.ndarray, currents: ElementCurrents) -> np.ndarray:
    """Int |sum c_i P_i|^2 ds on each element, (E,): h sum |c_i|^2 2/(2i + 1)."""
    half = 0.5 * np.linalg.norm(currents.end - currents.start, axis=1)
    norm = 2.0 / (2.0 * np.arange(coefficients.shape[1]) + 1.0)
    return half * (np.abs(coefficients) ** 2 @ norm)


def conductor_loss(currents: ElementCurrents, impedance_per_metre: ArrayLike) -> np.ndarray:
    """Heat in each conductor element, Int |I|^2 Re z_s ds, shape (E,). [W]

    Parameters
    ----------
    impedance_per_metre : array_like, shape (E,) or scalar
        Internal impedance z_s; only its real part counts. [ohm/m]
    """
    resistance = np.real(np.asarray(impedance_per_metre))
    return resistance * _square_integrals(currents.current, currents)


def jacket_loss(currents: ElementCurrents, coefficient: ArrayLike) -> np.ndarray:
    """Heat in each element's jacket, Re(coefficient) Int |dI/ds|^2 ds, shape (E,). [W]

    Parameters
    ----------
    coefficient : array_like, shape (E,) or scalar
        What multiplies <f_m' f_n'> in the impedance matrix,
        -(1/jw eps0) (1 - 1/er) ln(b/a)/(2 pi). [ohm m]
    """
    part = np.real(np.asarray(coefficient))
    return part * _square_integrals(slope_coefficients(currents), currents)


def make_budget(
    input_power: float,
    *,
    radiated: float,
    earth: float = 0.0,
    conductors: float = 0.0,
    jackets: float = 0.0,
    timbers: float = 0.0,
    loads: float = 0.0,
) -> Budget:
    """Budget from watts; pass NaN for a term that exists but was not computed."""
    if not (np.isfinite(input_power) and input_power > 0.0):
        raise SolverError(f"budget: input power is {input_power} W; it must be positive and finite")
    return Budget(
        radiated=radiated / input_power,
        earth=earth / input_power,
        conductors=conductors / input_power,
        jackets=jackets / input_power,
        timbers=timbers / input_power,
        loads=loads / input_power,
    )
