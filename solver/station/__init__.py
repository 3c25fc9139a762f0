"""From the feed point to the radio, the sky, and the people underneath."""

from .chain import (
    LadderEntry,
    LadderRow,
    PowerLadder,
    Stage,
    TunerPlaces,
    compare_tuner_places,
    power_ladder,
)
from .line import Line, LineStress
from .match_map import MatchMap, match_map
from .part_ranges import CapacitorRange, CoilRange
from .transformer import IdealTransformer, Transformer
from .tuner import LNetwork, Match, PiNetwork, TNetwork
from .two_port import TwoPort, swr
from .window_matcher import WindowMatcher, WindowVerdict

__all__ = [
    "CapacitorRange",
    "CoilRange",
    "IdealTransformer",
    "LNetwork",
    "LadderEntry",
    "LadderRow",
    "Line",
    "LineStress",
    "Match",
    "MatchMap",
    "PiNetwork",
    "PowerLadder",
    "Stage",
    "TNetwork",
    "Transformer",
    "TunerPlaces",
    "TwoPort",
    "WindowMatcher",
    "WindowVerdict",
    "compare_tuner_places",
    "match_map",
    "power_ladder",
    "swr",
]
