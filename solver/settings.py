"""The attic file as a whole: geometry's tables, and what the solver's side asks of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from ..geometry import FeedError
from ..geometry.attic_file import load_attic_file
from ..geometry.plan import Assumption, AtticPlan
from ..materials import MaterialError
from .bands import Band, band_names, read_bands
from .errors import BandError, LimitsError, SolverError
from .station.exposure_settings import ExposureSettings, read_exposure_settings
from .station.station_tables import STATION_KEYS, STATION_TABLES, read_station

TABLES = ("bands", "station", "exposure", "sweep", "unknowns", "targets", "search", *STATION_TABLES)
"""Tables of the attic file that belong to the solver's side.

``[bands]``
    wanted = ["40 m", "14.0-14.35 MHz"]; region = 1, 2 or 3
``[station]``
    power = watts at the feed point; reference = ohms that SWR refers to; its other keys and the
    tables between radio and antenna: see `station.station_tables`
``[exposure]``
    limits = ["FCC general", "ICNIRP 2010 general below 10 MHz"], limits_occupational likewise;
    limits_file = a file of one's own with [[limits]] that those names stand in; mode = "SSB", or
    duty = average over greatest power; minutes_on, minutes_off = sending and listening in turn;
    step = of the grid in the rooms
``[sweep]``
    what is varied, how, and what is kept of it: see `study.sweep_settings`
``[unknowns]``
    what is not known exactly, and how it is spread: see `study.unknowns.reading`
``[targets]``
    what to prune for, by band: see `study.pruning.targets`
``[search]``
    what is sought, within which limits: see `study.searching.search_settings`
"""

DEFAULT_REGION = 1
DEFAULT_POWER = 100.0
DEFAULT_REFERENCE = 50.0


def read_attic(path: str | Path) -> AtticPlan:
    """Read an attic file, all its tables.

    Parameters
    ----------
    path : str or Path
        See `ridgepole.geometry.attic_file` and `TABLES` for what it may hold.

    Returns
    -------
    AtticPlan

    Raises
    ------
    AtticFileError
        If the file cannot be read, or a key or value in it cannot be used: file, line, table,
        key, value and what is allowed.
    """
    plan = load_attic_file(path, other_tables=TABLES)
    settings = read_settings(plan)
    exposure = read_exposure_settings(plan)
    if plan.file.has("sweep"):
        from .study.sweep_settings import read_sweep

        read_sweep(plan)
    if plan.file.has("unknowns"):
        from .study.unknowns import read_unknowns

        read_unknowns(plan, None)
    if plan.file.has("targets"):
        from .study.pruning.targets import targets_of

        targets_of(plan, settings.bands)
    if plan.file.has("search"):
        from .study.searching.search_settings import read_search

        read_search(plan)
    if plan.file.has("bands"):
        _check_covered(plan, settings.bands, exposure)
    return plan


def _check_covered(plan: AtticPlan, bands: Sequence[Band], wanted: ExposureSettings) -> None:
    """Complain about limits and impedances that are not known in a band of the file."""
    edges = [f for band in bands for f in (band.low, band.high)]
    for who in dict.fromkeys(room.who for room in plan.rooms):
        for frequency in edges:
            try:
                wanted.limits_at(who, frequency)
            except LimitsError as error:
                key = "limits" if who == "general" else "limits_occupational"
                table = plan.file.table("exposure")
                if table.has(key):
                    raise table.error(key, str(error)) from error
                raise
    for load in plan.loads_and_chokes:
        try:
            load.termination_at(np.array(edges))
        except (MaterialError, FeedError) as error:
            raise plan.blamed_on(load.wires[0], f"{load.label}: {error}") from error


@dataclass(frozen=True)
class Settings:
    """What is asked of an attic.

    Attributes
    ----------
    bands : tuple of Band
    region : int
        ITU region of the named bands.
    power : float
        Into the feed point. [W]
    reference : float
        What SWR refers to. [ohm]
    assumptions : tuple of Assumption
        What neither the file nor the caller said.
    """

    bands: tuple[Band, ...]
    region: int
    power: float
    reference: float
    assumptions: tuple[Assumption, ...]


def read_settings(
    plan: AtticPlan | None,
    *,
    bands: Sequence[Band | str | Sequence[float]] | str | Band | None = None,
    region: int | None = None,
    power: float | None = None,
    reference: float | None = None,
) -> Settings:
    """What the file asks for; what is given here counts before it.

    Raises
    ------
    AtticFileError
        If a value in the file cannot be used.
    BandError
        If a band given here is none.
    SolverError
        If power or reference given here is not positive.
    """
    assumed: list[Assumption] = []
    wanted: list[str] | None = None
    from_file: dict[str, float | None] = {
        "region": None, "power": None, "reference": None, "transmitter_power": None,
    }  # fmt: skip
    if plan is not None:
        wanted = _read_tables(plan, from_file)

    def chosen(name: str, given: float | None, default: float, value: str, weight: float) -> float:
        if given is not None:
            return given
        found = from_file[name]
        if found is not None:
            return found
        assumed.append(Assumption(name, value, "not told", weight))
        return default

    asked = bands if bands is not None else wanted
    needs_region = asked is None or any(
        isinstance(one, str) and "hz" not in one.lower()
        for one in (asked if isinstance(asked, list | tuple) else [asked])
    )
    region_found = DEFAULT_REGION if region is None else region
    if region is None and needs_region:
        found = chosen("region", None, DEFAULT_REGION, "ITU region 1", 0.1)
        region_found = int(found)
    power_found = _read_power(power, from_file, assumed)
    ohms = chosen("reference", reference, DEFAULT_REFERENCE, "SWR refers to 50 ohm", 0.05)
    for name, value, unit in (("power", power_found, "W"), ("reference", ohms, "ohm")):
        number = isinstance(value, int | float) and not isinstance(value, bool)
        if not (number and 0.0 < value < 1e6):
            raise SolverError(f"{name} is {value!r} {unit}; it must be above 0 and below 1000000.")
    if asked is None:
        asked = band_names()
        assumed.append(Assumption("bands", "80 m to 10 m", "none was named", 0.1))
    return Settings(
        bands=read_bands(asked, region=region_found),
        region=region_found,
        power=float(power_found),
        reference=float(ohms),
        assumptions=tuple(sorted(assumed, key=lambda a: -a.weight)),
    )


def _read_power(
    given: float | None, told: dict[str, float | None], assumed: list[Assumption]
) -> float:
    """Into the feed point; all of the transmitter's where it alone is told. [W]"""
    power, radio = told["power"] if given is None else given, told["transmitter_power"]
    if power is None and radio is not None:
        assumed.append(
            Assumption(
                "power",
                f"{radio:g} W into the feed point, all that the transmitter has",
                "not told; line and tuner leave less",
                0.4,
            )
        )
        return radio
    if power is None:
        assumed.append(Assumption("power", "100 W into the feed point", "not told", 0.05))
        return DEFAULT_POWER
    number = isinstance(power, int | float) and not isinstance(power, bool)
    if radio is not None and number and radio > power:
        assumed.append(
            Assumption(
                "power",
                f"{power:g} W into the feed point",
                f"told, though the transmitter has {radio:g} W: volts and fields are for less",
                0.9,
            )
        )
    return power


def _read_tables(plan: AtticPlan, found: dict[str, float | None]) -> list[str] | None:
    """Bands wanted, if any; the others go into `found`."""
    table = plan.file.table("bands")
    wanted = table.take("wanted", None)
    region = table.number("region", None, least=1, most=3, whole=True)
    table.finish()
    if wanted is not None:
        if isinstance(wanted, str):
            wanted = [wanted]
        if not (isinstance(wanted, list) and all(isinstance(one, str) for one in wanted)):
            raise table.error(
                "wanted", 'must be a list of names or ranges, ["40 m", "14.0-14.35 MHz"].'
            )
        try:
            read_bands(wanted, region=region or DEFAULT_REGION)
        except BandError as error:
            raise table.error("wanted", str(error)) from error
    station = plan.file.table("station")
    found["region"] = region
    found["power"] = station.number("power", None, least=1e-3, most=1e4, unit="W")
    found["reference"] = station.number("reference", None, least=1.0, most=1e4, unit="ohm")
    for key in STATION_KEYS:
        station.has(key)
    station.finish()
    found["transmitter_power"] = read_station(plan.file).transmitter_power
    return wanted
