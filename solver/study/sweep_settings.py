"""The table [sweep] of an attic file.

``[sweep]``
    method = "grid", "list", "latin hypercube" or "sobol"; count and seed of the latter two; bands,
    those of [bands] unless told; points = how many frequencies of a band, 9 unless told; figures
    = ["impedance", "budget", "shares", "gain", "tuner", "currents"], the first three, and tuner
    where there is one, gain where there are angles, unless told; angles = [[elevation, bearing],
    ...] for gain; where = "element.long.length > element.cross.length + 1 m", with and, or, not
    and brackets where it takes several
``[sweep.vary]``
    "element.long.length" = "9 m to 14 m, step 25 cm", "house.moisture" = ["8 %", "14 %"], ...:
    table and key, with the name between where there are several; a list of values, or a range
    with a step, with "6 values", or with neither where it is drawn
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from ...geometry.file_tables import FileTable, nearest
from ...geometry.plan import AtticPlan
from ...geometry.positions import TomlPath
from ..bands import Band
from ..errors import BandError, SweepError
from .sweep_filter import check_condition
from .sweep_layouts import LayoutPlans
from .sweep_parameters import METHODS, MOST_LAYOUTS, design_layouts, read_parameter
from .sweep_records import Design

__all__ = ["DEFAULT_POINTS", "FIGURES", "SweepSettings", "flat_keys", "read_sweep"]

FIGURES = ("impedance", "budget", "shares", "gain", "tuner", "currents")
"""What can be kept of every layout; the first always is."""

DEFAULT_FIGURES = ("impedance", "budget", "shares")

DEFAULT_POINTS = 9
MOST_POINTS = 1001

SMALLEST = """\
[sweep.vary]
"element.long.length" = "9 m to 14 m, step 25 cm\""""
"""A table to begin with."""


@dataclass(frozen=True)
class SweepSettings:
    """What a file asks a sweep to do.

    Attributes
    ----------
    method : str
        As for `design_layouts`, and so are count and seed.
    count : int or None
    seed : int
    bands : tuple of Band
    points : int
        Frequencies of a band at which the impedance is kept.
    figures : tuple of str
        Of `FIGURES`, in their order.
    angles : tuple of (elevation, bearing)
        For the gain. [degree]
    where : str or None
        A condition; see `sweep_filter`.
    vary : mapping of str to values
        By the full name of the parameter, as `design_layouts` takes them.
    places : mapping of str to path
        Where in the file each of them stands.
    """

    method: str
    count: int | None
    seed: int
    bands: tuple[Band, ...]
    points: int
    figures: tuple[str, ...]
    angles: tuple[tuple[float, float], ...]
    where: str | None
    vary: Mapping[str, Any]
    places: Mapping[str, TomlPath]

    def design(self, plan: AtticPlan) -> Design:
        """The layouts, every value tried by the reader of what it belongs to.

        Raises
        ------
        AtticFileError
            If no reader takes a value, or there are too many layouts; with the line.
        """
        try:
            found = design_layouts(
                plan, self.vary, method=self.method, count=self.count, seed=self.seed
            )
        except SweepError as error:
            path = self.places.get(error.parameter, ("sweep",))
            raise plan.file.error(path, f"[sweep]: {error}") from error
        if self.where is not None:  # once more: now plain numbers have their units
            try:
                check_condition(self.where, found.parameters, plan.file)
            except SweepError as error:
                raise plan.file.error(("sweep", "where"), f"[sweep]: {error}") from error
        return found

    def layouts(self, plan: AtticPlan) -> LayoutPlans:
        """The same as plans, those that `where` lets pass."""
        return LayoutPlans(plan, self.design(plan), where=self.where)


def read_sweep(plan: AtticPlan) -> SweepSettings:
    """What the table [sweep] asks for; values are tried later, by `SweepSettings.design`.

    Raises
    ------
    AtticFileError
        If there is no such table, or a key or value in it cannot be used: file, line, table, key,
        value and what is allowed.
    """
    file = plan.file
    if not file.has("sweep"):
        raise file.error(
            (), f"the table [sweep] is missing, so nothing is to be varied. Write for example\n\n"
            f"{SMALLEST}\n",
        )  # fmt: skip
    table = file.table("sweep")
    method = table.choice("method", METHODS, "grid")
    count = table.number("count", None, least=1, most=MOST_LAYOUTS, whole=True)
    seed = table.number("seed", None, least=0, most=2**63 - 1, whole=True)
    drawn = method in ("latin hypercube", "sobol")
    for key, value in (("count", count), ("seed", seed)):
        if value is not None and not drawn:
            raise table.error(
                key, f'belongs to method = "latin hypercube" or "sobol"; nothing is drawn in a '
                f"{method}.",
            )  # fmt: skip
    if drawn and count is None:
        raise table.error("method", "needs a count beside it, how many layouts are drawn.")
    points = table.number("points", DEFAULT_POINTS, least=2, most=MOST_POINTS, whole=True)
    bands = _read_bands(plan, table)
    figures, angles = _read_figures(table, has_tuner=file.has("tuner"))
    where = table.take("where", None)
    if where is not None and not (isinstance(where, str) and where.strip()):
        raise table.error(
            "where", 'must be one condition in quotes, as "element.long.length > 9 m"; several are '
            "joined with and. Leave the key out where all layouts are wanted.",
        )  # fmt: skip
    vary = table.take("vary", None)
    table.finish()
    if not isinstance(vary, dict) or not vary:
        raise table.error(
            "vary" if vary is not None else None,
            f"tells nothing to vary; write for example\n\n{SMALLEST}\n",
        )
    told: dict[str, Any] = {}
    places: dict[str, TomlPath] = {}
    parameters = []
    for name, path, value in flat_keys(vary, ("sweep", "vary")):
        try:
            parameter = read_parameter(plan, name, value)
        except SweepError as error:
            raise file.error(path, f"[sweep.vary]: {error}") from error
        if parameter.name in told:
            line = file.position(places[parameter.name])
            raise file.error(
                path, f"[sweep.vary]: {parameter.name!r} stands on line {line} already; keep one."
            )
        told[parameter.name], places[parameter.name] = value, path
        parameters.append(parameter)
    if where is not None:
        try:
            check_condition(where, parameters, file)
        except SweepError as error:
            said = str(error).removeprefix(f"where = {where!r}").lstrip(":, ")
            raise table.error("where", said) from error
    return SweepSettings(
        method=method,
        count=count,
        seed=0 if seed is None else seed,
        bands=bands,
        points=points,
        figures=figures,
        angles=angles,
        where=where,
        vary=told,
        places=places,
    )


def flat_keys(
    values: Mapping[str, Any], path: TomlPath, head: str = ""
) -> Iterator[tuple[str, TomlPath, Any]]:
    """Names, places and values, of quoted keys and of dotted ones, which the parser nests."""
    for key, value in values.items():
        name, place = f"{head}{key}", (*path, key)
        if isinstance(value, dict):
            yield from flat_keys(value, place, f"{name}.")
        else:
            yield name, place, value


def _read_bands(plan: AtticPlan, table: FileTable) -> tuple[Band, ...]:
    from ..settings import read_settings

    told = table.take("bands", None)
    if told is None:
        return read_settings(plan).bands
    names = [told] if isinstance(told, str) else told
    if not (isinstance(names, list) and names and all(isinstance(one, str) for one in names)):
        raise table.error("bands", 'must be a list of names or ranges, ["40 m", "14.0-14.35 MHz"].')
    try:
        return read_settings(plan, bands=names).bands
    except BandError as error:
        raise table.error("bands", str(error)) from error


def _read_figures(
    table: FileTable, *, has_tuner: bool
) -> tuple[tuple[str, ...], tuple[tuple[float, float], ...]]:
    told = table.take("figures", None)
    if told is None:
        wanted = [*DEFAULT_FIGURES, *["tuner"] * has_tuner, *["gain"] * table.has("angles")]
    else:
        wanted = [told] if isinstance(told, str) else told
        if not isinstance(wanted, list) or not wanted:
            raise table.error("figures", f"must be a list of {', '.join(map(repr, FIGURES))}.")
        for n, one in enumerate(wanted):
            if one not in FIGURES:
                near = nearest(one, FIGURES) if isinstance(one, str) else ""
                raise table.error(
                    "figures", f"{one!r} is none. {near}There are: "
                    f"{', '.join(map(repr, FIGURES))}.", item=n if isinstance(told, list) else None,
                )  # fmt: skip
    if "tuner" in wanted and not has_tuner:
        raise table.error("figures", "asks for the tuner's verdict, but the file has no [tuner].")
    angles = _read_angles(table)
    if "gain" in wanted and not angles:
        raise table.error(
            "figures", "asks for gain; say at which angles = [[elevation, bearing], ...]."
        )
    if angles and "gain" not in wanted:
        raise table.error("angles", 'is for gain, which figures leaves out; add "gain" there.')
    return tuple(one for one in FIGURES if one in (*wanted, "impedance")), angles


def _read_angles(table: FileTable) -> tuple[tuple[float, float], ...]:
    told = table.take("angles", [])
    rule = "must be a list of pairs of degrees, [[elevation 0 to 90, bearing -360 to 360], ...]."
    if not isinstance(told, list) or (table.has("angles") and not told):
        raise table.error("angles", rule)
    found: list[tuple[float, float]] = []
    for n, pair in enumerate(told):
        numbers = isinstance(pair, list) and [
            v for v in pair if isinstance(v, int | float) and not isinstance(v, bool)
        ]
        if not numbers or len(numbers) != 2 or len(pair) != 2:
            raise table.error("angles", rule, item=n)
        elevation, bearing = float(numbers[0]), float(numbers[1])
        if not (0.0 <= elevation <= 90.0 and -360.0 <= bearing <= 360.0):
            raise table.error("angles", rule, item=n)
        found.append((elevation, bearing))
    return tuple(found)
