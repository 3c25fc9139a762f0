"""Studies: many solves of scenes that differ little."""

from .influence import influence
from .influence_records import Influence

__all__ = ["Influence", "influence"]
