"""The table [search] of an attic file.

``[search]``
    goal = "worst efficiency" (what it is unless told), or several in a list, or with weights,
    {"worst efficiency" = 2, "mean low-angle efficiency" = 1}; limits = ["swr < 10", "tuner
    matched", "feed voltage < 600 V", "low-angle share > 20 %", "wire voltage < 1.5 kV", "exposure
    < 100 %"], each on every band, or on one: "swr on 40 m < 3"; budget = solves, 200 unless told;
    robust = how many houses drawn from what is not known it must be good in, 0 unless told; seed;
    bands, those of [bands] unless told; points = how many frequencies of a band, 3 unless told;
    finalists = how many of the best are solved in full, 2 unless told
``[search.vary]``
    "element.long.length" = "9 m to 14 m": lengths in between; all else by values, each a model of
    its own: "element.long.route" = [...], "counterpoise.length" = "3 m to 5 m, step 1 m",
    "antenna.feed_point" = [...]. All elements where the table is left out
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from ....geometry.file_tables import FileTable
from ....geometry.plan import AtticPlan
from ....geometry.positions import TomlPath
from ...bands import Band
from ...errors import BandError, SweepError, TargetError
from ...settings import read_settings
from ...station.station_tables import read_station
from ..sweep_settings import flat_keys
from .goals import Goal, Limit, read_goals, read_limits
from .varying import Varied, read_vary

__all__ = [
    "DEFAULT_BUDGET",
    "DEFAULT_FINALISTS",
    "DEFAULT_POINTS",
    "SearchSettings",
    "read_search",
    "settings_of",
]

DEFAULT_BUDGET = 200
LEAST_BUDGET, MOST_BUDGET = 8, 100_000
DEFAULT_POINTS = 3
MOST_POINTS = 21
MOST_HOUSES = 256
DEFAULT_FINALISTS = 2
MOST_FINALISTS = 20


@dataclass(frozen=True, eq=False)
class SearchSettings:
    """What a search is asked to do.

    Attributes
    ----------
    varied : Varied
    goals : tuple of Goal
    limits : tuple of Limit
    bands : tuple of Band
    budget : int
        Solves: one layout on all bands in one house, and again where its slopes are asked for.
    robust : int
        Houses drawn at random that goals and limits count in; 0: the house as it is told.
    seed : int
    points : int
        Frequencies of a band, odd.
    finalists : int
        Solved in full in the end.
    reference, power : float
        [ohm], [W]
    """

    varied: Varied
    goals: tuple[Goal, ...]
    limits: tuple[Limit, ...]
    bands: tuple[Band, ...]
    budget: int
    robust: int
    seed: int
    points: int
    finalists: int
    reference: float
    power: float


def read_search(plan: AtticPlan) -> SearchSettings | None:
    """What the table [search] asks for; None without one.

    Raises
    ------
    AtticFileError
        If a key or value in it cannot be used: file, line, table, key, value and what is allowed.
    """
    return settings_of(plan) if plan.file.has("search") else None


def settings_of(plan: AtticPlan, **given: Any) -> SearchSettings:
    """What the file asks for; what is given, and is not None, counts before it.

    Raises
    ------
    AtticFileError
        If the file's table cannot be used.
    TargetError, SweepError, BandError, SolverError
        If what is given cannot be.
    """
    reader = _Reader(plan, {name: one for name, one in given.items() if one is not None})
    return reader.settings()


class _Reader:
    """Reads each setting from what is given, or else from the file."""

    def __init__(self, plan: AtticPlan, given: Mapping[str, Any]) -> None:
        self.plan, self.given = plan, given
        self.table: FileTable = plan.file.table("search")

    def settings(self) -> SearchSettings:
        plan, table = self.plan, self.table
        told = {
            name: table.take(name, None)
            for name in ("vary", "goal", "limits", "bands", "budget", "robust", "seed", "points",
                         "finalists")
        }  # fmt: skip
        table.finish()
        told = {name: one for name, one in told.items() if name not in self.given}
        bands = told.get("bands")
        if isinstance(bands, str):
            bands = [bands]
        if bands is not None and not (
            isinstance(bands, list) and bands and all(isinstance(one, str) for one in bands)
        ):
            raise table.error("bands", 'must be a list of names, ["40 m", "14.0-14.35 MHz"].')
        with _Blamed(self, "bands"):
            settings = read_settings(
                plan,
                bands=self.given.get("bands", bands),
                reference=self.given.get("reference"),
                power=self.given.get("power"),
            )
        station = read_station(plan.file)
        has_chain, has_tuner = station.has_chain, station.tuner is not None
        with _Blamed(self, "goal"):
            goals = read_goals(
                self._value("goal", told), settings.bands, has_chain=has_chain, has_tuner=has_tuner
            )
        with _Blamed(self, "limits"):
            limits = read_limits(
                self._value("limits", told), settings.bands, goals, has_chain=has_chain,
                has_tuner=has_tuner, has_rooms=bool(plan.rooms),
            )  # fmt: skip
        points = self._count("points", told, DEFAULT_POINTS, 1, MOST_POINTS)
        if points % 2 == 0:
            self._fail("points", points, "must be odd, so that the band's centre is one of them.")
        return SearchSettings(
            varied=self._vary(told),
            goals=goals,
            limits=limits,
            bands=settings.bands,
            budget=self._count("budget", told, DEFAULT_BUDGET, LEAST_BUDGET, MOST_BUDGET),
            robust=self._count("robust", told, 0, 0, MOST_HOUSES),
            seed=self._count("seed", told, 0, 0, 2**63 - 1),
            points=points,
            finalists=self._count("finalists", told, DEFAULT_FINALISTS, 0, MOST_FINALISTS),
            reference=settings.reference,
            power=settings.power,
        )

    def _value(self, name: str, told: Mapping[str, Any]) -> Any:
        return self.given.get(name, told.get(name))

    def _count(
        self, name: str, told: Mapping[str, Any], default: int, least: int, most: int
    ) -> int:
        value = self._value(name, told)
        if value is None:
            return default
        whole = isinstance(value, int) and not isinstance(value, bool)
        if not (whole and least <= value <= most):
            self._fail(name, value, f"must be a whole number, {least} to {most}.")
        return int(value)

    def _fail(self, name: str, value: Any, rule: str) -> None:
        if name in self.given:
            raise TargetError(f"{name} is {value!r}; it {rule}")
        raise self.table.error(name, rule)

    def _vary(self, told: Mapping[str, Any]) -> Varied:
        value = told.get("vary")
        if "vary" in self.given:
            return read_vary(self.plan, self.given["vary"])
        if value is None:
            return read_vary(self.plan, None)
        if not isinstance(value, dict):
            raise self.table.error("vary", "must be a table [search.vary] of names and ranges.")
        flat: dict[str, Any] = {}
        places: dict[str, TomlPath] = {}
        for name, path, one in flat_keys(value, ("search", "vary")):
            flat[name] = one
            try:  # one by one first, for the line
                found = read_vary(self.plan, {name: one})
                places.update(dict.fromkeys(found.lengths, path))
            except (TargetError, SweepError) as error:
                raise self.plan.file.error(path, f"[search.vary]: {error}") from error
        try:
            return replace(read_vary(self.plan, flat), places=places)
        except (TargetError, SweepError) as error:
            raise self.table.error("vary", str(error)) from error


class _Blamed:
    """Turns what a value of the file is blamed for into an error with its line."""

    def __init__(self, reader: _Reader, key: str) -> None:
        self.reader, self.key = reader, key

    def __enter__(self) -> None:
        return None

    def __exit__(self, kind: object, error: BaseException | None, trace: object) -> None:
        reader = self.reader
        is_named = isinstance(error, TargetError | BandError)
        if is_named and self.key not in reader.given and reader.table.has(self.key):
            raise reader.table.error(self.key, str(error)) from error
