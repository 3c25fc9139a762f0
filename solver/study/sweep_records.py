"""What a sweep is made of: parameters, layouts, figures, batches; plain records."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..bands import Band
from ..moments.basis import FloatArray

WAITING, DONE, UNFIT, FAILED = 0, 1, 2, 3
"""State of a layout: not computed yet, computed, ruled out by a filter, failed while computed."""

STATES = ("waiting", "done", "unfit", "failed")
"""Their names, in order."""


@dataclass(frozen=True)
class Parameter:
    """Something in the attic file that is varied.

    Attributes
    ----------
    name : str
        Path of the key in the attic file: "element.long.length", "counterpoise.radials",
        "house.moisture", "earth.ground".
    choices : tuple
        Values to take, as in the file: numbers, texts, routes; empty for a range.
    low, high : float
        Ends of a range, both included; NaN for choices.
    step : float
        Values are whole steps from `low`; NaN for any value in the range.
    unit : str
        "m", "ohm", ...; "" for plain numbers, texts and routes.
    is_outer : bool
        Whether another value means another fixed part (ground, moisture, house, counterpoise), or
        only other elements or loads, which are cheap.
    """

    name: str
    choices: tuple[Any, ...] = ()
    low: float = np.nan
    high: float = np.nan
    step: float = np.nan
    unit: str = ""
    is_outer: bool = True

    @property
    def is_number(self) -> bool:
        """Whether all its values are numbers."""
        return all(isinstance(v, int | float) and not isinstance(v, bool) for v in self.choices)


@dataclass(frozen=True, eq=False)
class Design:
    """Which layouts there are.

    Attributes
    ----------
    parameters : tuple of Parameter
    columns : tuple of arrays, each (L,)
        Their values layout by layout: float64 for numbers, in SI units; int64 indices into
        `Parameter.choices` where those are not all numbers.
    method : str
        "grid", "list", "latin hypercube" or "sobol".
    seed : int or None
        None where nothing is drawn at random.
    remarks : tuple of str
        What was worth saying while it was made: layouts dropped because they came twice.
    """

    parameters: tuple[Parameter, ...]
    columns: tuple[NDArray[Any], ...]
    method: str = "grid"
    seed: int | None = None
    remarks: tuple[str, ...] = ()

    def __len__(self) -> int:
        return int(self.columns[0].size) if self.columns else 1

    def layout(self, number: int) -> dict[str, Any]:
        """Values of one layout by the parameter's name, choices as in the file."""
        found: dict[str, Any] = {}
        for parameter, column in zip(self.parameters, self.columns, strict=True):
            value = column[number]
            by_index = bool(parameter.choices) and not parameter.is_number
            found[parameter.name] = parameter.choices[int(value)] if by_index else float(value)
        return found


@dataclass(frozen=True)
class Axis:
    """What an axis of a figure counts.

    Attributes
    ----------
    name : str
    values : tuple of float or of str
        Its coordinates.
    unit : str
    """

    name: str
    values: tuple[Any, ...]
    unit: str = ""


@dataclass(frozen=True)
class Figure:
    """A quantity kept for every layout on every band.

    Attributes
    ----------
    name : str
        "impedance", "budget", "shares", ...
    axes : tuple of Axis
        Beside layout and band; none for a single number.
    dtype : str
        numpy's name: "complex128", "float64".
    unit : str
    about : str
        A sentence.
    """

    name: str
    axes: tuple[Axis, ...] = ()
    dtype: str = "float64"
    unit: str = ""
    about: str = ""

    @property
    def shape(self) -> tuple[int, ...]:
        """Of one layout on one band."""
        return tuple(len(axis.values) for axis in self.axes)


@dataclass(frozen=True, eq=False)
class SweepPlan:
    """All that a sweep is to do, and all that its store says of itself.

    Attributes
    ----------
    text : str
        The attic file that it varies.
    name : str
        Of that file.
    design : Design
    bands : tuple of Band
    frequencies : (B, N) float
        At which each band's impedance is kept. [Hz]
    figures : tuple of Figure
        "impedance" first: (N,) complex, with the points of the band as its axis.
    settings : mapping of str to number, text or tuple of numbers
        power [W], reference [ohm], angle_limits [degree], tolerance, ...
    version : str
        Of the library.
    """

    text: str
    name: str
    design: Design
    bands: tuple[Band, ...]
    frequencies: FloatArray
    figures: tuple[Figure, ...]
    settings: Mapping[str, Any] = field(default_factory=dict)
    version: str = ""

    def figure(self, name: str) -> Figure | None:
        """The figure of that name, None if it is not kept."""
        return next((f for f in self.figures if f.name == name), None)


@dataclass(frozen=True)
class Batch:
    """Layouts that are computed together on some bands; work is lost by whole batches only.

    Attributes
    ----------
    number : int
    layouts : tuple of int
        Rows of the design, rising.
    bands : tuple of int
        Of `SweepPlan.bands`, rising.
    """

    number: int
    layouts: tuple[int, ...]
    bands: tuple[int, ...]


@dataclass(frozen=True, eq=False)
class BatchResult:
    """What came of a batch.

    Attributes
    ----------
    batch : Batch
    values : mapping of str to array (n, m, *shape)
        By figure, for the batch's n layouts on its m bands; NaN where a layout failed or is unfit.
    states : (n,) int8
        `DONE`, `UNFIT` or `FAILED`.
    reasons : mapping of int to str
        Why, by layout, where it is not done.
    """

    batch: Batch
    values: Mapping[str, NDArray[Any]]
    states: NDArray[np.int8]
    reasons: Mapping[int, str] = field(default_factory=dict)
