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
from .sweep_values import read_quantity

__all__ = ["READING_ERRORS", "refusal"]

READING_ERRORS = (AtticFileError, GeometryError, FeedError, MaterialError)
"""What reading a plan and making its scene may raise."""


def refusal(
    plan: AtticPlan, path: TomlPath, value: Any, *, beside: Mapping[TomlPath, Any] | None = None
) -> str:
    """Why no reader takes a value, "" if one does, even where it does not fit the attic.

    Parameters
    ----------
    plan : AtticPlan
    path : path of the key
    value
        As in the file.
    beside : mapping of path to value, optional
        Other values to put in with it.

    Notes
    -----
    Readers complain about kind and range of a value by themselves, and pass on what objects
    complain about. Of the latter, what is wrong with a number or a place may be right in another
    layout: an element longer than its route, radials without room. A text may not.
    """
    if path[-1] == "route" and _is_told(value):
        step = Route.unread_step(value)
        if step is not None:
            return f"step {step.strip()!r} of the route is not understood."
    values = {**(beside or {}), path: value}
    try:
        if all(one[0] in OWN_TABLES for one in values):
            with_own_values(plan, values, text_fault="")
        else:
            file = with_values(plan.file, values)
            if path[0] in STATION_TABLES:
                read_station(file)
            else:
                plan_from(file)
    except AtticFileError as error:
        is_place = path[-1] == "route" or not isinstance(value, str)
        may_fit = is_place or read_quantity(value) is not None
        return "" if may_fit and isinstance(error.__cause__, GeometryError) else str(error)
    except (GeometryError, FeedError, MaterialError) as error:
        return str(error)
    return ""


def _is_told(value: object) -> bool:
    told = [value] if isinstance(value, str) else value
    return isinstance(told, list) and bool(told) and all(isinstance(one, str) for one in told)
