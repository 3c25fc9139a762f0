"""A sweep for pandas and xarray."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from ..answer_records import data_frame
from ..errors import SweepError
from .sweep_quantities import axis_label, is_choice
from .sweep_records import STATES

if TYPE_CHECKING:
    from .sweep_result import SweepResult


def sweep_frame(result: SweepResult) -> Any:
    """See `SweepResult.to_dataframe`."""
    numbers = np.flatnonzero(result.passed)
    names = [band.name for band in result.plan.bands]
    bands = np.array(names, dtype=object)
    columns: dict[str, Any] = {
        "layout": np.repeat(numbers, bands.size),
        "state": np.repeat(np.array(STATES, dtype=object)[result.states[numbers]], bands.size),
        "band": np.tile(bands, numbers.size),
    }
    for name, values in result.parameters.items():
        columns[name] = np.repeat(values[numbers], bands.size)
    for name, values in result.by_band(result.band_quantity_names).items():
        columns[name] = values[numbers].ravel()
    return data_frame(columns)


def sweep_dataset(result: SweepResult, figures: Sequence[str] | None = None) -> Any:
    """See `SweepResult.to_xarray`."""
    try:
        import xarray
    except ImportError as error:
        raise ImportError(
            "to_xarray needs xarray, which is not installed: pip install 'xarray>=2024.1'"
        ) from error
    kept = {figure.name: figure for figure in result.plan.figures}
    asked = [figures] if isinstance(figures, str) else figures
    wanted = list(kept) if asked is None else list(asked)
    for name in wanted:
        if name not in kept:
            raise SweepError(
                f"Figure {name!r} was not kept in this sweep; kept are: {', '.join(kept)}."
            )
    numbers = np.flatnonzero(result.passed)
    coords: dict[str, Any] = {
        "layout": numbers,
        "band": [band.name for band in result.plan.bands],
        "state": ("layout", np.array(STATES)[result.states[numbers]]),
    }
    for parameter, values in zip(
        result.plan.design.parameters, result.parameters.values(), strict=True
    ):
        shown = [axis_label(v) for v in values] if is_choice(parameter) else values
        coords[parameter.name] = (
            "layout", np.asarray(shown)[numbers], {"unit": parameter.unit}
        )  # fmt: skip
    data: dict[str, Any] = {}
    for name in wanted:
        axes = [f"{name} {axis.name}" for axis in kept[name].axes]
        for label, axis in zip(axes, kept[name].axes, strict=True):
            numeric = not any(isinstance(v, str | tuple | list) for v in axis.values)
            coords[label] = list(axis.values if numeric else map(axis_label, axis.values))
        values = result.store.read(name, layouts=slice(0, len(result)))[numbers]
        about = {"unit": kept[name].unit, "about": kept[name].about}
        data[name] = (("layout", "band", *axes), values, about)
    attributes = {
        key: value
        for key, value in result.plan.settings.items()
        if isinstance(value, int | float | str)
    }
    return xarray.Dataset(data, coords=coords, attrs={"name": result.name, **attributes})
