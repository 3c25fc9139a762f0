"""Answers in HDF5 files: what was saved comes back equal.

Every record is a group with the attribute `kind`; its numbers, texts and arrays are datasets with
their unit as an attribute, what is None is an empty dataset.  Tuples are groups of numbered
members, or of columns where they hold records of one kind.  The root carries the schema version
and the version of the library.
"""

from __future__ import annotations

import dataclasses
import os
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np

from ..geometry.plan import Assumption
from ..materials import Ground
from .answer_records import (
    Answer,
    BandAnswer,
    FeedPlace,
    GroupLoss,
    House,
    NodeCurrent,
    PointAnswer,
    PointReading,
    WireCurrent,
    WirePath,
)
from .bands import Band
from .errors import StoreError
from .fields.budget import Budget, BudgetPart
from .moments.basis import ElementCurrents, PointMoments
from .voltage_records import VoltageLimits, VoltageReading, WireVoltage

SCHEMA = 5
"""5: voltages along wires and at their ends; 4: parts of the budget, wires of the house with their
piece and kind; 3: readings at named points, losses by group of solids; 2: the earth of a band may
have layers; 1: one permittivity, NaN in free space."""
FORMAT = "ridgepole answer"

_KINDS: dict[str, Any] = {
    kind.__name__: kind
    for kind in (
        Answer, BandAnswer, PointAnswer, NodeCurrent, WireCurrent, WirePath, FeedPlace, House,
        PointReading, GroupLoss, Assumption, Band, Budget, BudgetPart, ElementCurrents,
        PointMoments, Ground, WireVoltage, VoltageReading, VoltageLimits,
    )
}  # fmt: skip

UNITS = {
    "frequency": "Hz", "frequencies": "Hz", "low": "Hz", "high": "Hz", "bandwidth": "Hz",
    "impedance": "ohm", "impedances": "ohm", "reference": "ohm", "radiation_resistance": "ohm",
    "loss_resistance": "ohm", "power": "W", "feed_voltage": "V", "feed_current": "A",
    "current": "A", "vertices": "m", "radius": "m", "corners": "m", "floor": "m", "eaves": "m",
    "potential": "V", "rms": "V", "peak": "V", "gap": "m", "distance": "m", "field": "V/m",
    "at": "m", "ridge": "m", "start": "m", "end": "m", "distances": "m",
    "ridge_bearing": "degree",
    "elevation_deg": "degree", "azimuth_deg": "degree", "low_angle_deg": "degree",
    "thicknesses": "m", "gain_dbi": "dBi", "angle_limits": "degree", "lobe": "dBi, degree",
    "null": "dBi, degree",
}  # fmt: skip


def save_answer(answer: Answer, path: str | Path) -> Path:
    """Write an answer; a file of that name is replaced once the new one is complete.

    Raises
    ------
    StoreError
        If it cannot be written.
    """
    import h5py

    target = Path(path)
    half_done = target.with_name(target.name + ".part")
    try:
        with h5py.File(half_done, "w") as file:
            file.attrs["format"] = FORMAT
            file.attrs["schema"] = SCHEMA
            file.attrs["library_version"] = version("ridgepole")
            _write(file, "answer", answer)
        os.replace(half_done, target)
    except OSError as error:
        half_done.unlink(missing_ok=True)
        raise StoreError(
            f"{target}: the answer cannot be written ({error}). Check that the folder is there "
            "and may be written to."
        ) from error
    return target


def open_answer(path: str | Path) -> Answer:
    """Read an answer that `Answer.save` wrote.

    Raises
    ------
    StoreError
        If the file is missing, damaged, no answer, or of a newer schema.
    """
    import h5py

    source = Path(path)
    if not source.is_file():
        raise StoreError(f"{source}: there is no such file. Check the path.")
    try:
        with h5py.File(source, "r") as file:
            _check(file, source)
            found = _read(file["answer"])
    except StoreError:
        raise
    except Exception as error:
        # Whatever fails while reading, in the HDF5 library, numpy or our records, is the file's.
        raise StoreError(
            f"{source}: the file is damaged or no answer ({error}). Answer the attic file again "
            "and save anew."
        ) from error
    if not isinstance(found, Answer):
        raise StoreError(f"{source}: holds {type(found).__name__}, not an answer.")
    return found


def _check(file: Any, source: Path) -> None:
    if file.attrs.get("format") != FORMAT:
        raise StoreError(f"{source}: is an HDF5 file, but holds no answer of Ridgepole's.")
    schema = int(file.attrs["schema"])
    if not 1 <= schema <= SCHEMA:
        raise StoreError(
            f"{source}: was written in schema {schema} by version "
            f"{file.attrs.get('library_version')}; this version reads up to schema {SCHEMA}. "
            "Install the newer version, or answer the attic file again."
        )


def _write(group: Any, name: str, value: Any) -> None:
    import h5py

    if isinstance(value, tuple(_KINDS.values())):
        inner = group.create_group(name)
        inner.attrs["kind"] = type(value).__name__
        for key in _field_names(type(value)):
            _write(inner, key, getattr(value, key))
        return
    if _is_table(value):
        _write_table(group, name, value)
        return
    if isinstance(value, tuple):
        inner = group.create_group(name)
        inner.attrs["kind"] = "tuple"
        inner.attrs["length"] = len(value)
        for number, item in enumerate(value):
            _write(inner, str(number), item)
        _label(inner, name)
        return
    if value is None:
        data = group.create_dataset(name, data=h5py.Empty("f8"))
    elif isinstance(value, np.ndarray):
        data = group.create_dataset(name, data=value)
        data.attrs["kind"] = "array"
    else:
        data = group.create_dataset(name, data=value)
        data.attrs["kind"] = type(value).__name__
    _label(data, name)


def _is_table(value: Any) -> bool:
    """Whether it is a tuple of two or more records of one kind, all numbers, texts and arrays."""
    if not (isinstance(value, tuple) and len(value) > 1):
        return False
    kind = type(value[0])
    if kind.__name__ not in _KINDS or any(type(one) is not kind for one in value):
        return False
    for key in _field_names(kind):
        column = [getattr(one, key) for one in value]
        kinds = {type(cell) for cell in column}
        if len(kinds) != 1 or not kinds <= {str, bool, int, float, complex, np.ndarray}:
            return False
        if isinstance(column[0], np.ndarray) and len({(c.dtype, c.shape[1:]) for c in column}) > 1:
            return False
    return True


def _write_table(group: Any, name: str, records: tuple[Any, ...]) -> None:
    """Records as columns; arrays one after the other, with their lengths."""
    inner = group.create_group(name)
    inner.attrs["kind"] = "table"
    inner.attrs["of"] = type(records[0]).__name__
    for key in _field_names(type(records[0])):
        column = [getattr(one, key) for one in records]
        if isinstance(column[0], np.ndarray):
            data = inner.create_dataset(key, data=np.concatenate(column))
            data.attrs["lengths"] = [len(cell) for cell in column]
        else:
            data = inner.create_dataset(key, data=column)
        data.attrs["kind"] = type(column[0]).__name__
        _label(data, key)


def _read_table(item: Any) -> tuple[Any, ...]:
    made = _KINDS[item.attrs["of"]]
    columns: dict[str, list[Any]] = {}
    for key in _field_names(made):
        if key not in item and (made, key) in _ADDED:
            continue
        data = item[key]
        kind = str(data.attrs["kind"])
        if kind == "ndarray":
            ends = np.cumsum(data.attrs["lengths"])
            columns[key] = [_locked(part) for part in np.split(data[()], ends[:-1])]
        elif kind == "str":
            columns[key] = list(data.asstr()[()])
        else:
            columns[key] = [_PLAIN[kind](cell) for cell in data[()]]
    return tuple(
        made(**dict(zip(columns, row, strict=True))) for row in zip(*columns.values(), strict=True)
    )


def _locked(array: np.ndarray) -> np.ndarray:
    array = array.copy()
    array.flags.writeable = False
    return array


def _label(item: Any, name: str) -> None:
    if name in UNITS:
        item.attrs["unit"] = UNITS[name]


def _field_names(kind: Any) -> list[str]:
    if dataclasses.is_dataclass(kind):
        return [field.name for field in dataclasses.fields(kind)]
    return list(kind._fields)


_ADDED: dict[tuple[Any, str], Any] = {
    (BandAnswer, "named_points"): (), (BandAnswer, "solid_losses"): (),  # schema 3
    (BandAnswer, "polarisation"): None,
    (Budget, "parts"): (), (WirePath, "piece"): "", (WirePath, "kind"): "",  # schema 4
    (BandAnswer, "wire_voltages"): (), (BandAnswer, "voltages"): (),  # schema 5
    (BandAnswer, "voltage_limits"): None,
}  # fmt: skip
"""What older files lack, and what stands for it."""

_PLAIN: dict[str, Any] = {"float": float, "float64": float, "int": int, "bool": bool,
                          "complex": complex, "complex128": complex}  # fmt: skip


def _read(item: Any) -> Any:
    import h5py

    kind = item.attrs.get("kind")
    if kind in _KINDS:
        made = _KINDS[kind]
        values: dict[str, Any] = {
            key: _ADDED[made, key]
            if (made, key) in _ADDED and key not in item
            else _read(item[key])
            for key in _field_names(made)
        }
        if made is BandAnswer and isinstance(values["ground"], complex):  # schema 1
            one = values["ground"]
            values["ground"] = None if np.isnan(one) else Ground((one,))
        return made(**values)
    if kind == "table":
        return _read_table(item)
    if kind == "tuple":
        return tuple(_read(item[str(number)]) for number in range(int(item.attrs["length"])))
    if not isinstance(item, h5py.Dataset):
        raise ValueError(f"{item.name}: this group does not say what kind it is ({kind!r})")
    if item.shape is None:
        return None
    if kind == "str":
        return item.asstr()[()]
    if kind == "array":
        return _locked(item[()])
    return _PLAIN[str(kind)](item[()])
