"""The table [unknowns] of an attic file, and the unknowns of a plan.

``[unknowns]``
    "earth.conductivity" = "4 mS/m, factor 2", "house.moisture" = "14 % +- 4 %", "line.length" =
    "+- 1 %", ...: table and key of any number of the file, and how it is spread: MIDDLE +- SPREAD
    and MIDDLE, factor F hold four cases in five, without a middle they are about what the file
    says; LOW to HIGH is a range that nothing lies outside of; , at least X and , at most X may
    follow; "length of NAME" = "+- 1 %" of an element's electrical length; "feed lead" = "0 cm to
    20 cm"; cables = the greatest number of house cables that nobody told; "known" for what is
    taken as told; defaults = false to begin with none
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from ....geometry.file_tables import nearest
from ....geometry.plan import AtticPlan
from ....geometry.positions import TomlPath
from ...errors import PriorError, SweepError
from ...station.station_tables import STATION_TABLES
from ..sweep_names import resolve, value_at
from ..sweep_settings import flat_keys
from ..sweep_trials import READING_ERRORS, refusal
from ..sweep_values import read_quantity, written
from .applying import (
    CONDUCTIVITY,
    MOISTURE,
    PERMITTIVITY,
    apply_values,
    changed_topology,
    told_length,
    varied,
    with_constants,
)
from .defaults import LEAD_INDUCTANCE, default_unknowns, feed_lead, house_cables
from .distribution_texts import HOW, parse_distribution, unit_of
from .distributions import Distribution
from .records import Unknown, Unknowns

__all__ = ["apply", "read_unknowns", "unknowns_of"]

KNOWN = "known"
MOST_CABLES = 12

_UNITS = {"m": "1 m", "S/m": "0.01 S/m", "ohm": "50 ohm", "H": "1 uH", "F": "10 pF"}
"""Units and a text of each, to learn which one the reader of a key takes."""


def unknowns_of(plan: AtticPlan, given: Mapping[str, Any] | None = None) -> Unknowns:
    """What is not known exactly of an attic, how it is spread, and why.

    Parameters
    ----------
    plan : AtticPlan
    given : mapping of str to distribution, optional
        Changes what the file's table [unknowns] says, which changes the defaults. By the name
        of an unknown or of any key of the file with a number; each is a text as in the file, a
        `Distribution`, (low, high), or "known". "cables" is a number, "defaults" False begins
        with none.

    Returns
    -------
    Unknowns
        A tuple of `Unknown` that shows itself as a table.

    Raises
    ------
    AtticFileError
        If the file's table cannot be used: line, key, value, rule and cure.
    PriorError
        If what is given here cannot be used.
    """
    return read_unknowns(plan, given)


def apply(
    plan: AtticPlan, values: Mapping[str, float], *, unknowns: Sequence[Unknown] | None = None
) -> AtticPlan:
    """The plan in which unknowns have values: the same wires with the same bends.

    Parameters
    ----------
    plan : AtticPlan
    values : mapping of str to float
        By name, of the kinds "key" and "length"; in the unknown's unit. All others are as told.
    unknowns : sequence of Unknown, optional
        Those of the plan; `unknowns_of` unless given.

    Returns
    -------
    AtticPlan
        Read anew; a ground that was told by name says its constants where they are given.

    Raises
    ------
    AtticFileError
        If the values do not fit the attic, or the file's text cannot say them.
    PriorError
        If there is no such unknown, a value cannot be, or other wires come of it.
    """
    return apply_values(plan, values, unknowns_of(plan) if unknowns is None else unknowns)


def read_unknowns(plan: AtticPlan, given: Mapping[str, Any] | None) -> Unknowns:
    """The defaults, changed by the file's table [unknowns], and that by `given`; see `unknowns_of`.

    Raises
    ------
    AtticFileError, PriorError
    """
    told = _from_file(plan)
    if given is not None and not isinstance(given, Mapping):
        raise PriorError(
            f"{given!r} is no mapping; give distributions by name, as "
            "{'house.moisture': '10 % to 18 %'}."
        )
    asked = [*told, *((name, value, None) for name, value in (given or {}).items())]
    begin = True
    for name, value, path in asked:
        if name == "defaults":
            if not isinstance(value, bool):
                raise _blamed(plan, path, PriorError(f"defaults is {value!r}; say true or false."))
            begin = value
    found = {one.name: one for one in default_unknowns(plan)} if begin else {}
    seen: dict[tuple[bool, str], str] = {}
    for name, value, path in asked:
        if name == "defaults":
            continue
        try:
            where, one = _one(plan, name, value, found)
            before = seen.setdefault((path is None, where), name)
            if before != name:
                raise PriorError(f"{name!r} is told before, as {before!r}; keep one.")
        except PriorError as error:
            raise _blamed(plan, path, error) from error
        if one is None:
            found.pop(where, None)
        else:
            found[where] = one
    return Unknowns(found.values())


def _blamed(plan: AtticPlan, path: TomlPath | None, error: PriorError) -> Exception:
    """With the line, for what the file says."""
    return error if path is None else plan.file.error(path, f"[unknowns]: {error}")


def _from_file(plan: AtticPlan) -> Iterator[tuple[str, Any, TomlPath]]:
    if plan.file.has("unknowns"):
        table = plan.file.table("unknowns")
        for name, path, value in flat_keys(table.values, ("unknowns",)):
            yield name, value, path


def _one(
    plan: AtticPlan, name: Any, told: Any, found: Mapping[str, Unknown]
) -> tuple[str, Unknown | None]:
    """Name of the unknown that is meant, and what it is; None where it is known."""
    if not isinstance(name, str) or not name.strip():
        raise PriorError(f"{name!r} is no name; give text, as 'house.moisture'.")
    name = name.strip()
    elements = () if plan.antenna is None else tuple(e.name for e in plan.antenna.elements)
    is_known = told is None or told is False or told == KNOWN
    if name in ("cables", "house cables"):
        return "house cables", None if is_known else _cables(told)
    if name == "feed lead":
        return name, None if is_known else feed_lead(_lead(told))
    element = _element(plan, name, elements)
    if element is not None:
        whole = f"length of {element}"
        if is_known:
            return whole, None
        like = found.get(whole)
        return whole, Unknown(
            whole, "length", element, _length(plan, element, told), "",
            _why(told), "" if like is None else like.measure,
        )  # fmt: skip
    default = found.get(name)
    key = name if default is None else default.key
    try:
        key, path = resolve(plan.file, key)
    except SweepError as error:
        lengths = [f"length of {one}" for one in elements]
        known = list(dict.fromkeys([*found, *lengths, "feed lead", "house cables"]))
        hint = nearest(name, known) if "." not in name else ""
        raise PriorError(
            f"{name!r} is neither a key of the file nor an unknown by name. {hint}{error} Unknowns "
            f"are: {', '.join(known)}."
        ) from error
    if key == MOISTURE and not is_known and not any(hasattr(p, "with_wood") for p in plan.house):
        raise PriorError(
            f"{name}: there is no timber in this house, so that its moisture changes nothing. "
            "Leave it out, or tell of timber, as [joists] or [[timber]]."
        )
    default = next((one for one in found.values() if one.kind == "key" and one.key == key), None)
    whole = key if default is None else default.name
    return whole, None if is_known else _of_key(plan, whole, key, path, told, default)


def _element(plan: AtticPlan, name: str, elements: tuple[str, ...]) -> str | None:
    """The element whose length is meant, by its name, "length of NAME" or its key."""
    for one in elements:
        if name in (one, f"length of {one}", f"element.{one}.length"):
            return one
    return None


def _why(told: Any) -> str:
    return f"As told: {told}." if isinstance(told, str | Distribution) else "As told."


def _given(told: Any) -> Distribution | None:
    """What is given as numbers, None for a text."""
    if isinstance(told, Distribution):
        return told
    if isinstance(told, tuple) and len(told) == 2 and not isinstance(told[0], str):
        return Distribution.between(told[0], told[1])
    if not isinstance(told, str):
        raise PriorError(f"{told!r} tells no spread. {HOW}")
    return None


def _cables(told: Any) -> Unknown | None:
    if isinstance(told, bool) or not isinstance(told, int) or not 0 <= told <= MOST_CABLES:
        raise PriorError(
            f"cables = {told!r}: it must be a whole number, 0 to {MOST_CABLES}, the greatest "
            "number of cables that nobody told."
        )
    return house_cables(told) if told else None


def _lead(told: Any) -> Distribution:
    """Of an inductance, or of a length at 1 uH per metre."""
    found = _given(told)
    if found is None:
        unit = "m" if unit_of(told) == "m" else "H"
        try:
            found = parse_distribution(told, unit=unit, middle=None, least=0.0)
        except PriorError as error:
            raise PriorError(
                f"feed lead = {error} It is a length, as '0 cm to 20 cm', or an inductance."
            ) from error
        found = found.times(LEAD_INDUCTANCE) if unit == "m" else found
    if found.low < 0.0:
        raise PriorError(f"feed lead = {told!r}: it may come below 0; give a range from 0 up.")
    if found.high > 1e-4:
        raise PriorError(
            f"feed lead = {told!r}: it may come to {1e6 * found.high:g} uH, as much as "
            f"{1e6 * found.high:g} m of wire; draw such a lead as wire. Numbers are in henries."
        )
    return found


def _length(plan: AtticPlan, element: str, told: Any) -> Distribution:
    """Relative error of an element's length, told as such or in metres."""
    found = _given(told)
    if found is None:
        if "%" in told and unit_of(told) != "m":
            found = parse_distribution(told, unit="", middle=0.0, in_per_cent=True)
        else:
            length = told_length(plan, element)
            whole = parse_distribution(told, unit="m", middle=length)
            if whole.shape == "lognormal":
                raise PriorError(f"{told!r}: a length has no factor; write '+- 1 %' or '+- 5 cm'.")
            found = _relative(whole, length)
    if not -0.3 <= found.low < found.high <= 0.3:
        raise PriorError(
            f"length of {element} = {told!r}: it may come {100 * found.low:.3g} to "
            f"{100 * found.high:.3g} % off what the file says; up to 30 % can be."
        )
    return found


def _relative(whole: Distribution, length: float) -> Distribution:
    """Of the length relative to what the file says."""

    def part(value: float) -> float:
        return (value - length) / length

    if whole.shape == "between":
        return Distribution.between(part(whole.first), part(whole.second))
    return Distribution.normal(
        part(whole.first), whole.second / length, least=part(whole.least), most=part(whole.most)
    )


def _of_key(
    plan: AtticPlan, name: str, key: str, path: TomlPath, told: Any, default: Unknown | None
) -> Unknown:
    """Any number of the file."""
    base = with_constants(plan) if key in (PERMITTIVITY, CONDUCTIVITY) else plan
    like = value_at(base.file.document, path)
    read = read_quantity(like)
    if like is not None and read is None:
        raise PriorError(
            f"{key!r} is {like!r} in the file, no number. Only numbers can be unknown: names, "
            "routes, points and switches stay."
        )
    unit = _unit(base, path, like) if default is None else default.unit
    middle = None if read is None else read[0]
    if default is not None:
        middle = default.distribution.middle if middle is None else middle
    found = _given(told)
    if found is None:
        try:
            found = parse_distribution(
                told, unit=unit, middle=middle,
                in_per_cent=isinstance(like, str) and like.rstrip().endswith("%"),
                **_limits(default),
            )  # fmt: skip
        except PriorError as error:
            raise PriorError(f"{key} = {error}") from error
    one = Unknown(
        name, "key", key, found, unit, _why(told), "" if default is None else default.measure
    )
    _try(plan, base, one, path, like)
    return one


def _limits(default: Unknown | None) -> dict[str, float]:
    """Bounds of what can be, of those of the defaults that have any."""
    if default is None or default.distribution.shape == "between":
        return {}
    return {"least": default.distribution.least, "most": default.distribution.most}


def _unit(plan: AtticPlan, path: TomlPath, like: Any) -> str:
    """Unit of what the file says, or that its reader takes where that is a plain number."""
    read = read_quantity(like)
    if read is not None and (read[1] or isinstance(like, str)):
        return read[1]
    for unit, text in _UNITS.items():
        # 1 m may be too long for what the file says: a length is tried as it is told
        tried = f"{read[0]:g} m" if unit == "m" and read is not None else text
        if not refusal(plan, path, tried):
            return unit
    said = refusal(plan, path, 1.0) if like is None else ""
    if "this key is not known" in said:
        raise PriorError(f"nothing there can be told: {said}")
    return ""


def _try(plan: AtticPlan, base: AtticPlan, one: Unknown, path: TomlPath, like: Any) -> None:
    """Complain unless the file's readers take both ends, and the same wires come of them."""
    for value in (one.distribution.low, one.distribution.high):
        told = written(value, one.unit, like=like)
        if path[0] in STATION_TABLES:
            fault = refusal(base, path, told)
        else:
            try:
                fault = changed_topology(plan, varied(plan, {one: value}))
            except READING_ERRORS as error:
                fault = str(error)
        if fault:
            raise PriorError(
                f"{one.key} = {one.distribution}: at {told} {fault.rstrip('.')}. Both ends must "
                "leave the same wires in the same attic; counts and names cannot be unknown. Give "
                "a smaller spread, or bounds as ', at least X'."
            )
