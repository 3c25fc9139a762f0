"""Lumped impedances of the attic file.

``[[load]]``
    wire = name of an element, radial or wire; at = "3.2 m", "start", "middle" or "end"; name; its
    parts, in series unless parallel = true (a trap): resistance = "50 ohm"; coil = "12 uH", with
    coil_q; capacitor = "47 pF", with capacitor_q; or table = [[7.0, 900, 2100], ...] of MHz and
    ohms, R and X
``[[coax]]``
    the outside of the shield: name; points from the feed point to the radio; line = "RG-58",
    "RG-8", "RG-8X", "RG-213", "RG-59", "RG-11" or "RG-174", or size = "4 mm" over the braid;
    chokes = [{at = "0.5 m", resistance = "5 kohm", coil = "40 uH", capacitor = "2 pF"}, ...],
    their parts in parallel; heights_from; bonded, the counterpoise unless told; earthed; named
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from .coax import SHIELDS, Choke
from .file_tables import FileTable
from .loads import Load
from .wire_tables import read_place

if TYPE_CHECKING:
    from collections.abc import Collection

    from ..materials import Impedance
    from .attic_file import AtticReader

__all__ = ["read_chokes", "read_coax", "read_impedance", "read_loads"]

PARTS = ("resistance", "coil", "capacitor", "table")


def read_impedance(table: FileTable, *, parallel: bool) -> Impedance:
    """The impedance that a table tells of; its keys are in this module's docstring.

    Parameters
    ----------
    parallel : bool
        Whether parts lie side by side where the table does not say.
    """
    from ..materials import (
        Capacitor,
        Coil,
        ImpedanceTable,
        ParallelParts,
        Resistor,
        SeriesParts,
    )

    if not any(table.has(key) for key in PARTS):
        raise table.error(None, f"tells no impedance; give one of {', '.join(PARTS)}.")
    rows = table.take("table", None)
    if rows is not None:
        others = [key for key in PARTS[:3] if table.has(key)]
        if others:
            raise table.error(others[0], "stands beside table, which says it all; keep one.")
        if not isinstance(rows, list) or not all(
            isinstance(row, list) and len(row) == 3 and all(map(_is_number, row)) for row in rows
        ):
            raise table.error("table", "must be rows of three numbers: [MHz, ohms R, ohms X].")
        with table.blamed("table"):
            return ImpedanceTable(
                [1e6 * float(row[0]) for row in rows],
                [complex(float(row[1]), float(row[2])) for row in rows],
            )
    parts: list[Impedance] = []
    resistance = table.take("resistance", None)
    if resistance is not None:
        with table.blamed("resistance"):
            parts.append(Resistor(resistance))
    for key, example in (("coil", "12 uH"), ("capacitor", "47 pF")):
        if table.has(key) and not isinstance(table.values[key], str):
            raise table.error(key, f'must be text with a unit, as "{example}".')
    coil, coil_q = table.take("coil", None), table.number("coil_q", None, least=1.0, most=1e6)
    if coil is not None:
        with table.blamed("coil"):
            parts.append(Coil(coil) if coil_q is None else Coil(coil, q=coil_q))
    capacitor = table.take("capacitor", None)
    capacitor_q = table.number("capacitor_q", None, least=1.0, most=1e6)
    if capacitor is not None:
        with table.blamed("capacitor"):
            parts.append(
                Capacitor(capacitor) if capacitor_q is None else Capacitor(capacitor, q=capacitor_q)
            )
    for key, q, owner in (("coil_q", coil_q, coil), ("capacitor_q", capacitor_q, capacitor)):
        if q is not None and owner is None:
            raise table.error(key, f"needs {key[:-2]} beside it.")
    beside = table.flag("parallel", parallel)
    if len(parts) == 1:
        return parts[0]
    return ParallelParts(*parts) if beside else SeriesParts(*parts)


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def read_loads(reader: AtticReader, wires: Collection[str]) -> list[Load]:
    """All [[load]] of a file on wires of some names."""
    found: list[Load] = []
    for table in reader.file.tables("load"):
        on = table.string("wire")
        if on not in wires:
            known = ", ".join(map(repr, list(wires)[:12]))
            raise table.error("wire", f"no wire is called {on!r}; there are: {known}.")
        at = read_place(table, "at")
        if at is None:
            raise table.error("at", 'is missing; say where along the wire, as "3.2 m".')
        name = table.string("name", "")
        impedance = read_impedance(table, parallel=False)
        table.finish()
        with table.blamed():
            load = Load(on, at=at, impedance=impedance, name=name)
        reader.origins.setdefault(load.name, table.path)
        found.append(load)
    return found


def read_chokes(table: FileTable) -> list[Choke]:
    """The chokes of a coax."""
    told = table.take("chokes", [])
    if not isinstance(told, list) or not all(isinstance(one, dict) for one in told):
        raise table.error("chokes", 'must be a list of {at = "0.5 m", resistance = ..., ...}.')
    found = []
    for n, one in enumerate(told):
        inner = FileTable(table.file, (*table.path, "chokes", n), one)
        at = read_place(inner, "at")
        name = inner.string("name", "")
        impedance = read_impedance(inner, parallel=True)
        inner.finish()
        found.append(Choke(impedance, at="middle" if at is None else at, name=name))
    return found


def read_coax(table: FileTable) -> dict[str, Any]:
    """What a [[coax]] has beyond its points and fixings, as `Coax` takes it."""
    line = table.choice("line", tuple(SHIELDS), None)
    size = table.length("size", None, least=1e-3, most=0.05)
    if (line is None) == (size is None):
        raise table.error(
            "line" if line is not None else None,
            f"give line ({', '.join(map(repr, SHIELDS))}) or size over the braid, one of the two.",
        )
    return {"kind_of_line": line, "diameter": size, "chokes": read_chokes(table)}
