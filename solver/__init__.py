"""What follows from a scene: currents, impedance, power budget, fields, answers and pictures."""

from .answer import answer
from .answer_records import Answer, BandAnswer
from .answer_store import open_answer
from .bands import Band, band_names
from .comparison import Comparison, compare
from .errors import (
    BandError,
    LimitsError,
    PriorError,
    ReadingError,
    SolverError,
    StoreError,
    SweepError,
    TargetError,
)
from .settings import read_attic
from .solution import Solution
from .solve import solve
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
from .station.chokes import ChokeEffect, choke_effect
from .station.exposure import exposure
from .station.exposure_records import Exposure, PlaneExposure, RoomExposure
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
from .station.station_answer import StationAnswer, StationBand, station_answer
from .station.station_tables import StationSetup
from .station.touch import Touch, touch
from .station.touched_conductors import TouchedConductor, touched_conductors
from .station.voltages import voltage_readings, wire_voltages
from .study import (
    Influence,
    SweepEffort,
    SweepResult,
    design_layouts,
    influence,
    open_sweep,
    resume_sweep,
    sweep,
)
from .study.calibration.calibrate import calibrate
from .study.calibration.records import Calibration
from .study.calibration.store import open_calibration
from .study.calibration.visits import Visit
from .study.ensemble import HowSure, MeasuringSheet, how_sure, measuring_sheet
from .study.model.sensitivities import Sensitivities, sensitivities
from .study.pruning import Advice, Target, prune
from .study.readings import Readings, line_of, read_readings
from .study.searching import SearchResult, search
from .study.unknowns import Distribution, Unknown, unknowns_of
from .voltage_records import VoltageLimits, VoltageReading, WireVoltage

__all__ = [
    "Advice",
    "Answer",
    "Band",
    "BandAnswer",
    "BandError",
    "Calibration",
    "CapacitorRange",
    "ChokeEffect",
    "CoilRange",
    "Comparison",
    "DistanceZone",
    "Distribution",
    "ExemptionCheck",
    "Exposure",
    "GainComparison",
    "HowSure",
    "IdealTransformer",
    "Influence",
    "LNetwork",
    "LadderEntry",
    "LadderRow",
    "LimitFraction",
    "Limits",
    "LimitsError",
    "Line",
    "LineStress",
    "Lobe",
    "Match",
    "MatchMap",
    "MeasuringSheet",
    "NoisePath",
    "PiNetwork",
    "PlaneExposure",
    "PowerLadder",
    "PriorError",
    "RankedNoise",
    "ReadingError",
    "Readings",
    "RoomExposure",
    "SearchResult",
    "Sensitivities",
    "Solution",
    "SolverError",
    "Stage",
    "StationAnswer",
    "StationBand",
    "StationSetup",
    "StoreError",
    "SweepEffort",
    "SweepError",
    "SweepResult",
    "SystemNoise",
    "TNetwork",
    "Target",
    "TargetError",
    "Touch",
    "TouchedConductor",
    "Transformer",
    "TunerPlaces",
    "TwoPort",
    "Unknown",
    "Visit",
    "VoltageLimits",
    "VoltageReading",
    "WindowMatcher",
    "WindowVerdict",
    "WireVoltage",
    "answer",
    "band_names",
    "calibrate",
    "choke_effect",
    "compare",
    "compare_gains",
    "compare_tuner_places",
    "contact_current_limit",
    "design_layouts",
    "distance_zones",
    "duty_factor",
    "exemption_check",
    "exposure",
    "external_noise_figure",
    "field_at",
    "fraction_of_limit",
    "greatest_hop",
    "hop_distance",
    "hop_elevation_deg",
    "how_sure",
    "influence",
    "layer_incidence_deg",
    "layer_secant",
    "limit_names",
    "line_of",
    "lobes",
    "match_map",
    "measuring_sheet",
    "near_vertical_share",
    "noise_coupling",
    "nulls",
    "open_answer",
    "open_calibration",
    "open_sweep",
    "power_ladder",
    "predicted_distance",
    "predicted_power_density",
    "prune",
    "rank_noise",
    "read_attic",
    "read_readings",
    "resume_sweep",
    "ring_lobes",
    "search",
    "sensitivities",
    "solve",
    "station_answer",
    "sum_of_fractions",
    "sweep",
    "swr",
    "system_noise",
    "touch",
    "touched_conductors",
    "unknowns_of",
    "voltage_readings",
    "wire_voltages",
    "zone_shares",
]
