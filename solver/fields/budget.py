r"""Where each watt goes: every term computed by itself, as watts per watt of input.

The terms are radiated power (integrated far field), the earth's share (spectral flux through the
surface), conductors (Int |I|^2 Re z_s ds), jackets, timbers with sheets, and loads.  A term that
was not computed is NaN, and then so is the balance.  Parts of a term say where it is, in which
wire, piece of the house or electrode; they are not counted twice.
"""

from __future__ import annotations

import html
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from ..errors import SolverError
from ..moments.basis import ElementCurrents, FloatArray
from .near import slope_coefficients

TERMS = ("radiated", "earth", "conductors", "jackets", "timbers", "loads")
"""What adds up to the input."""

ELEMENTS, OTHER_WIRES = "elements", "counterpoise and leads"
"""Parts of the antenna's own wire: wires named by a driven feed, and all others."""

LABELS = {"timbers": "timbers and sheets"}
"""What a term is called where its name says too little."""


@dataclass(frozen=True)
class BudgetPart:
    """What of a term is where, in watts per watt of input.

    Attributes
    ----------
    term : str
        "earth", "conductors", "jackets", "timbers" or "loads".
    name : str
        A piece of the house or a group of it, `ELEMENTS` or `OTHER_WIRES` of the antenna, or an
        electrode or a load.
    share : float or (F,) float
    """

    term: str
    name: str
    share: float | FloatArray


@dataclass(frozen=True, eq=False)
class Budget:
    """Watts per watt of input, numbers or arrays of shape (F,); NaN where not computed.

    Terms that are exactly 0, because nothing of that kind is there, have no line when it is shown.

    Attributes
    ----------
    radiated : float or (F,) float
        To the sky over ground, in all directions in free space.
    earth, conductors, jackets, timbers : float or (F,) float
        Turned to heat there; electrodes count with the earth, sheets with the timbers.
    loads : float or (F,) float
        In terminations across gaps.
    parts : tuple of BudgetPart
        Where in a term: they add up to conductors, jackets and timbers; of the earth's share they
        are what each electrode dissipates, and the rest is the ground's own.
    """

    radiated: float | FloatArray
    earth: float | FloatArray = 0.0
    conductors: float | FloatArray = 0.0
    jackets: float | FloatArray = 0.0
    timbers: float | FloatArray = 0.0
    loads: float | FloatArray = 0.0
    parts: tuple[BudgetPart, ...] = ()

    @classmethod
    def stacked(cls, budgets: Sequence[Budget]) -> Budget:
        """One budget with arrays of shape (F,) from F budgets of single numbers, of one scene."""
        if not budgets:
            raise SolverError("budget: none to stack; give at least one")
        terms = {term: np.array([getattr(b, term) for b in budgets]) for term in TERMS}
        parts = tuple(
            BudgetPart(one.term, one.name, np.array([b.parts[k].share for b in budgets]))
            for k, one in enumerate(budgets[0].parts)
        )
        return cls(**terms, parts=parts)

    def parts_of(self, term: str) -> dict[str, float | FloatArray]:
        """Shares of a term by the name of where they are, see `parts`."""
        return {one.name: one.share for one in self.parts if one.term == term}

    @property
    def efficiency(self) -> float | FloatArray:
        """Radiated power over input power."""
        return self.radiated

    @property
    def total(self) -> float | FloatArray:
        """Sum of all terms; NaN where one was not computed."""
        return sum(self.as_dict().values())

    @property
    def balance_error(self) -> float | FloatArray:
        """|1 - total|; NaN where a term was not computed."""
        return abs(1.0 - self.total)

    def as_dict(self) -> dict[str, float | FloatArray]:
        """Terms by name, in the order of the attributes."""
        return {term: getattr(self, term) for term in TERMS}

    def rows(self) -> list[tuple[str, float | FloatArray, float | FloatArray]]:
        """(term, per cent of the input, dB relative to the input); a term of 0 has -inf dB."""
        with np.errstate(divide="ignore", invalid="ignore"):
            return [
                (name, 100.0 * value, 10.0 * np.log10(np.asarray(value))[()])
                for name, value in self.as_dict().items()
            ]

    def _cells(self) -> list[tuple[str, str, str]]:
        cells = []
        for term, percent, _ in self.rows():
            if term != "radiated" and np.all(np.equal(percent, 0.0)):
                continue  # nothing of that kind is there
            cells.append(_line(LABELS.get(term, term), getattr(self, term)))
            cells += [_line(f"  {name}", share) for name, share in self.parts_of(term).items()]
        error = self.balance_error
        known = not np.any(np.isnan(error))
        cells.append(("balance error", _span(error, ".1e", "") if known else "not known", ""))
        return cells

    def __repr__(self) -> str:
        cells = self._cells()
        wide = [max(len(row[i]) for row in cells) for i in range(3)]
        lines = [
            f"{name:<{wide[0]}}  {percent:>{wide[1]}}  {decibel:>{wide[2]}}".rstrip()
            for name, percent, decibel in cells
        ]
        return "\n".join(["Budget of the input power", *lines])

    def _repr_html_(self) -> str:
        body = "".join(
            "<tr>" + "".join(f"<td>{html.escape(cell)}</td>" for cell in row) + "</tr>"
            for row in self._cells()
        )
        return f"<table><caption>Budget of the input power</caption>{body}</table>"


def _line(name: str, share: float | FloatArray) -> tuple[str, str, str]:
    """Name, per cent of the input, dB relative to it."""
    if np.any(np.isnan(share)):
        return name, "not computed", ""
    percent = _span(100.0 * np.asarray(share), ".3f", " %")
    if 0.0 < np.max(share) < 5e-6:
        percent = "under 0.001 %"
    if not np.all(np.greater(share, 0.0)):
        return name, percent, ""
    return name, percent, _span(10.0 * np.log10(share), ".2f", " dB")


def _span(value: float | FloatArray, form: str, unit: str) -> str:
    """A number, or the least and the greatest of several."""
    low, high = float(np.min(value)), float(np.max(value))
    text = f"{low:{form}}" if np.size(value) == 1 else f"{low:{form}} to {high:{form}}"
    return text + unit


def _square_integrals(coefficients: np.ndarray, currents: ElementCurrents) -> FloatArray:
    """Int |sum c_i P_i|^2 ds on each element, (E,): h sum |c_i|^2 2/(2i + 1)."""
    half = 0.5 * np.linalg.norm(currents.end - currents.start, axis=1)
    norm = 2.0 / (2.0 * np.arange(coefficients.shape[1]) + 1.0)
    return half * (np.abs(coefficients) ** 2 @ norm)


def conductor_loss(currents: ElementCurrents, impedance_per_metre: ArrayLike) -> FloatArray:
    """Heat in each conductor element, Int |I|^2 Re z_s ds, shape (E,). [W]

    Parameters
    ----------
    impedance_per_metre : array_like, shape (E,) or scalar
        Internal impedance z_s; only its real part counts. [ohm/m]
    """
    resistance = np.real(np.asarray(impedance_per_metre))
    return resistance * _square_integrals(currents.current, currents)


def jacket_loss(currents: ElementCurrents, coefficient: ArrayLike) -> FloatArray:
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
    parts: Sequence[BudgetPart] = (),
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
        parts=tuple(BudgetPart(one.term, one.name, one.share / input_power) for one in parts),
    )
