"""What follows from a scene: currents, impedance, power budget, fields, answers and pictures."""

from .answer import answer
from .answer_records import Answer, BandAnswer
from .answer_store import open_answer
from .bands import Band, band_names
from .comparison import Comparison, compare
from .errors import BandError, LimitsError, SolverError, StoreError
from .settings import read_attic
from .solution import Solution
from .solve import solve
<<<<<<< HEAD
from .station.hops import (
    DistanceZone,
    distance_zones,
    greatest_hop,
    hop_distance,
    hop_elevation_deg,
    layer_incidence_deg,
    layer_secant,
    zone_shares,
)
from .station.limits import (
    LimitFraction,
    Limits,
    contact_current_limit,
    duty_factor,
    fraction_of_limit,
    limit_names,
    sum_of_fractions,
)
from .station.lobes import (
    GainComparison,
    Lobe,
    compare_gains,
    field_at,
    lobes,
    near_vertical_share,
    nulls,
    ring_lobes,
)
from .station.noise import SystemNoise, external_noise_figure, system_noise
from .station.noise_coupling import NoisePath, RankedNoise, noise_coupling, rank_noise
from .station.predictions import (
    ExemptionCheck,
    exemption_check,
    predicted_distance,
    predicted_power_density,
)
from .station.touch import Touch, touch
=======
from .station import (
    CapacitorRange,
    CoilRange,
    IdealTransformer,
    LadderEntry,
    LadderRow,
    Line,
    LineStress,
    LNetwork,
    Match,
    MatchMap,
    PiNetwork,
    PowerLadder,
    Stage,
    TNetwork,
    Transformer,
    TunerPlaces,
    TwoPort,
    WindowMatcher,
    WindowVerdict,
    compare_tuner_places,
    match_map,
    power_ladder,
    swr,
)
>>>>>>> circuits
from .study import Influence, influence

__all__ = [
    "Answer",
    "Band",
    "BandAnswer",
    "BandError",
    "CapacitorRange",
    "CoilRange",
    "Comparison",
<<<<<<< HEAD
    "DistanceZone",
    "ExemptionCheck",
    "GainComparison",
    "Influence",
    "LimitFraction",
    "Limits",
    "LimitsError",
    "Lobe",
    "NoisePath",
    "RankedNoise",
=======
    "IdealTransformer",
    "Influence",
    "LNetwork",
    "LadderEntry",
    "LadderRow",
    "Line",
    "LineStress",
    "Match",
    "MatchMap",
    "PiNetwork",
    "PowerLadder",
>>>>>>> circuits
    "Solution",
    "SolverError",
    "Stage",
    "StoreError",
<<<<<<< HEAD
    "SystemNoise",
    "Touch",
    "answer",
    "band_names",
    "compare",
    "compare_gains",
    "contact_current_limit",
    "distance_zones",
    "duty_factor",
    "exemption_check",
    "external_noise_figure",
    "field_at",
    "fraction_of_limit",
    "greatest_hop",
    "hop_distance",
    "hop_elevation_deg",
    "influence",
    "layer_incidence_deg",
    "layer_secant",
    "limit_names",
    "lobes",
    "near_vertical_share",
    "noise_coupling",
    "nulls",
    "open_answer",
    "predicted_distance",
    "predicted_power_density",
    "rank_noise",
=======
    "TNetwork",
    "Transformer",
    "TunerPlaces",
    "TwoPort",
    "WindowMatcher",
    "WindowVerdict",
    "answer",
    "band_names",
    "compare",
    "compare_tuner_places",
    "influence",
    "match_map",
    "open_answer",
    "power_ladder",
>>>>>>> circuits
    "read_attic",
    "ring_lobes",
    "solve",
<<<<<<< HEAD
    "sum_of_fractions",
    "system_noise",
    "touch",
    "zone_shares",
=======
    "swr",
>>>>>>> circuits
]
