"""Names of parameters: paths of keys in an attic file, and where they lead."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from ...geometry import AtticFile
from ...geometry.file_tables import OWN_TABLES, nearest
from ...geometry.positions import TomlPath
from ..errors import SweepError
from ..station.station_tables import STATION_TABLES
from .sweep_values import read_quantity

__all__ = ["is_outer", "known_numbers", "resolve", "value_at"]

TABLES = (*(name for name in OWN_TABLES if name not in ("room", "feed")), "feed", *STATION_TABLES)
"""Tables whose keys can be varied."""

ADDED = ("house", "earth")
"""Tables that are added where the file has none; others would bring new things in."""

ELEMENT_KEYS = ("length", "route", "wire", "gauge", "radius", "conductor", "jacket")
"""Of an element, what changes nothing but the element."""

LOAD_KEYS = (
    "resistance", "coil", "coil_q", "capacitor", "capacitor_q", "table", "parallel",
)  # fmt: skip
"""Of a load, what changes no matrix."""


def resolve(file: AtticFile, name: str) -> tuple[str, TomlPath]:
    """The full name of a parameter and the path of its key in the file.

    Parameters
    ----------
    file : AtticFile
    name : str
        "house.moisture"; "element.long.length", where several tables are told apart by their
        name; or the name of an element alone, which means its length.

    Raises
    ------
    SweepError
        If it leads to nothing that could be varied; the nearest is named.
    """
    if not isinstance(name, str) or not name.strip():
        raise SweepError(f"{name!r} is no name of a parameter; give text, as 'house.moisture'.")
    name = name.strip()
    elements = _tables_by_name(file, "element")
    if name in elements:
        name = f"element.{name}.length"
    parts = name.split(".")
    table = parts[0]
    if table not in TABLES:
        known = [*elements, *dict(known_numbers(file)), *TABLES]
        what = "does not change what a sweep computes" if _is_known(file, table) else "is not known"
        raise SweepError(
            f"Parameter {name!r}: {table!r} {what}. {nearest(name, known)}"
            f"A name is a table and a key, as 'house.moisture' or 'element.long.length', or an "
            f"element's name for its length. Tables are: {', '.join(TABLES)}.",
            parameter=name,
        )
    if len(parts) < 2 or not all(part.strip() for part in parts):
        near = nearest(name, [*elements])
        raise SweepError(
            f"Parameter {name!r} is a table; say which of its keys, as '{table}.key'. {near}",
            parameter=name,
        )
    told = file.document.get(table)
    if told is None:
        if table in ADDED and len(parts) == 2:
            return name, (table, parts[1])
        raise SweepError(
            f"Parameter {name!r}: {file.name} has no [{table}]. Write one, then vary what it says.",
            parameter=name,
        )
    path, rest = _into_table(file, name, parts)
    node = value_at(file.document, path)
    for key in rest[:-1]:
        node = node.get(key) if isinstance(node, dict) else None
        path = (*path, key)
    if not isinstance(node, dict):
        whole = ".".join(map(str, (p for p in path if isinstance(p, str))))
        raise SweepError(
            f"Parameter {name!r}: {whole!r} has no keys; vary it as a whole.", parameter=name
        )
    if rest[-1] == "name":
        raise SweepError(
            f"Parameter {name!r}: names stay, since others refer to them.", parameter=name
        )
    return name, (*path, rest[-1])


def _is_known(file: AtticFile, table: str) -> bool:
    return table in OWN_TABLES or table in file.other_tables


def _into_table(file: AtticFile, name: str, parts: list[str]) -> tuple[TomlPath, list[str]]:
    """Path of the table that is meant, and the keys that follow."""
    table, told = parts[0], file.document[parts[0]]
    named = _tables_by_name(file, table)
    for end in range(len(parts) - 1, 1, -1):  # names may have points
        called = ".".join(parts[1:end])
        if called in named:
            if len(named[called]) > 1:
                raise SweepError(
                    f"Parameter {name!r}: {len(named[called])} [[{table}]] are called {called!r}; "
                    "rename all but one.",
                    parameter=name,
                )
            return named[called][0], parts[end:]
    if isinstance(told, dict):
        return (table,), parts[1:]
    called = ".".join(parts[1:-1])
    hint = nearest(called, [*named])
    if not called:
        if not named:
            raise SweepError(
                f"Parameter {name!r}: no [[{table}]] has a name to tell it by. Give the one that "
                f"is meant a line name = \"main\", and write '{table}.main.{parts[1]}'.",
                parameter=name,
            )
        hint = f"Write '{table}.NAME.{parts[1]}'. "
        raise SweepError(
            f"Parameter {name!r} does not say which [[{table}]]. {hint}There are: "
            f"{', '.join(map(repr, named))}.",
            parameter=name,
        )
    raise SweepError(
        f"Parameter {name!r}: no [[{table}]] is called {called!r}. {hint}There are: "
        f"{', '.join(map(repr, named)) or 'none with a name'}.",
        parameter=name,
    )


def _tables_by_name(file: AtticFile, table: str) -> dict[str, list[TomlPath]]:
    told = file.document.get(table, [])
    listed = [((table,), told)] if isinstance(told, dict) else [
        ((table, n), one) for n, one in enumerate(told)
    ]  # fmt: skip
    found: dict[str, list[TomlPath]] = {}
    for path, values in listed:
        if isinstance(values, dict) and isinstance(values.get("name"), str):
            found.setdefault(values["name"], []).append(path)
    return found


def value_at(document: Any, path: TomlPath) -> Any:
    """What stands at a path, None where nothing does."""
    node = document
    for key in path:
        if isinstance(node, dict):
            node = node.get(key)
        elif isinstance(node, list) and isinstance(key, int) and key < len(node):
            node = node[key]
        else:
            return None
    return node


def known_numbers(file: AtticFile) -> Iterator[tuple[str, tuple[float, str]]]:
    """Names and values, with units, of all numbers that the file tells in its tables."""
    for table in TABLES:
        told = file.document.get(table)
        named = _tables_by_name(file, table)
        pairs: list[tuple[str, Any]] = [(table, told)] if isinstance(told, dict) else []
        pairs += [
            (f"{table}.{called}", value_at(file.document, paths[0]))
            for called, paths in named.items()
            if len(paths) == 1 and paths[0] != (table,)
        ]
        for head, values in pairs:
            for key, value in values.items():
                found = read_quantity(value)
                if found is not None:
                    yield f"{head}.{key}", found


def is_outer(path: TomlPath) -> bool:
    """Whether another value there changes more than an element or the value of a load."""
    table, key = path[0], path[-1]
    depth = 2 + sum(isinstance(part, int) for part in path)
    if len(path) != depth:
        return True
    return not (
        (table == "element" and key in ELEMENT_KEYS) or (table == "load" and key in LOAD_KEYS)
    )
