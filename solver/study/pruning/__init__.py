"""What to cut next, given what the analyser read."""

from .prune import prune
from .records import Advice, Cut, Expected
from .targets import Target, read_targets

__all__ = ["Advice", "Cut", "Expected", "Target", "prune", "read_targets"]
