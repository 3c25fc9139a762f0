"""What nobody knows exactly of an attic: how it is spread, by default and as told."""

from .applying import edits, with_constants
from .cables import cables_at_height, candidates, draw
from .distribution_texts import parse_distribution
from .distributions import FOUR_IN_FIVE, SCORE_LIMIT, Distribution
from .draws import cable_count, sobol_scores
from .reading import apply, read_unknowns, unknowns_of
from .records import Unknown, Unknowns

__all__ = [
    "FOUR_IN_FIVE",
    "SCORE_LIMIT",
    "Distribution",
    "Unknown",
    "Unknowns",
    "apply",
    "cable_count",
    "cables_at_height",
    "candidates",
    "draw",
    "edits",
    "parse_distribution",
    "read_unknowns",
    "sobol_scores",
    "unknowns_of",
    "with_constants",
]
