"""What nobody knows exactly of an attic: how it is spread, by default and as told."""

from .applying import edits, with_constants
from .distribution_texts import parse_distribution
from .distributions import FOUR_IN_FIVE, SCORE_LIMIT, Distribution
from .reading import apply, read_unknowns, unknowns_of
from .records import Unknown, Unknowns

__all__ = [
    "FOUR_IN_FIVE",
    "SCORE_LIMIT",
    "Distribution",
    "Unknown",
    "Unknowns",
    "apply",
    "edits",
    "parse_distribution",
    "read_unknowns",
    "unknowns_of",
    "with_constants",
]
