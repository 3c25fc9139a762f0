"""Visits to the attic: what the analyser read, and how long the elements were then."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from ..readings import Readings

__all__ = ["Visit"]


@dataclass(frozen=True, eq=False)
class Visit:
    """Readings at the feed point, with elements as they were then.

    Attributes
    ----------
    readings : Readings
    lengths : mapping of str to float
        Of elements, as told [m]; those that are not named are as in the attic file.
    """

    readings: Readings
    lengths: Mapping[str, float] = field(default_factory=dict)
