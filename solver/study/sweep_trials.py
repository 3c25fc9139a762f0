"""Single values put into an attic file and read, to learn whether a reader takes them at all."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from ...geometry import AtticFileError, FeedError, GeometryError, Route
from ...geometry.attic_file import plan_from
from ...geometry.own_values import OWN_TABLES, with_own_values
from ...geometry.plan import AtticPlan
from ...geometry.positions import TomlPath
from ...geometry.text_edits import with_values
from ...materials import MaterialError
from ..station.station_tables import STATION_TABLES, read_station

__all__ = ["READING_ERRORS", "refusal"]

READING_ERRORS = (AtticFileError, GeometryError, FeedError, MaterialError)
"""What reading a plan and making its scene may raise."""


def refusal(plan: AtticPlan, values: Mapping[TomlPath, Any]) -> str:
    """Why no reader takes these values, "" if one does, even where they do not fit the attic.

    Parameters
    ----------
    plan : AtticPlan
    values : mapping of path to value
        As in the file.

    Notes
    -----
    Readers complain about kind and range of a value by themselves, and pass on what objects
    complain about. Of the latter, what is wrong with a number or a place may be right in another
    layout: an element longer than its route, radials without room. A text may not.
    """
    for path, value in values.items():
        if path[-1] == "route" and _is_told(value):
            step = Route.unread_step(value)
            if step is not None:
                return f"step {step.strip()!r} of the route is not understood."
    try:
        if all(path[0] in OWN_TABLES for path in values):
            with_own_values(plan, values, text_fault="")
        else:
            file = with_values(plan.file, values)
            if any(path[0] in STATION_TABLES for path in values):
                read_station(file)
            else:
                plan_from(file)
    except AtticFileError as error:
        places = any(path[-1] == "route" or not isinstance(v, str) for path, v in values.items())
        numbers = any(_is_quantity(v) for v in values.values())
        fits_elsewhere = isinstance(error.__cause__, GeometryError) and (places or numbers)
        return "" if fits_elsewhere else str(error)
    except (GeometryError, FeedError, MaterialError) as error:
        return str(error)
    return ""


def _is_told(value: object) -> bool:
    told = [value] if isinstance(value, str) else value
    return isinstance(told, list) and bool(told) and all(isinstance(one, str) for one in told)


def _is_quantity(value: object) -> bool:
    from .sweep_values import read_quantity

    return read_quantity(value) is not None
