"""Studies: many solves of scenes that differ little."""

from .influence import influence
from .influence_records import Influence
from .sweep import open_sweep, resume_sweep, sweep
from .sweep_effort import SweepEffort
from .sweep_parameters import design_layouts
from .sweep_result import SweepResult

__all__ = [
    "Influence",
    "SweepEffort",
    "SweepResult",
    "design_layouts",
    "influence",
    "open_sweep",
    "resume_sweep",
    "sweep",
]
