"""How a sweep is written in HDF5: its plan, the layout of the file, what is in a part.

A gathered file and the plan of an unfinished sweep carry the same description.  All of the plan
but its arrays is one text of JSON, which comes back exactly; names, units and dimension scales
beside it are there for whoever opens the file with other tools.
"""

from __future__ import annotations

import dataclasses
import hashlib
import json
import math
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..bands import Band
from ..errors import StoreError, SweepError
from .sweep_records import DONE, STATES, WAITING, Axis, Design, Figure, Parameter, SweepPlan

SCHEMA = 1
"""Of the gathered file, the plan and the parts alike."""

FORMAT = "ridgepole sweep"
PLAN_FORMAT = "ridgepole sweep, plan"
PART_FORMAT = "ridgepole sweep, part"

RESERVED = ("plan", "attic_file", "layout", "band", "band_low", "band_high", "frequency", "state",
            "reason")  # fmt: skip
"""Datasets that every gathered file has beside parameters and figures."""

CHUNK_BYTES = 2**17
"""Of figures in a file; each chunk carries a checksum."""

NOTHING = -1
"""Stands for what was not computed where a figure holds whole numbers; NaN in all others."""


def opened(path: Path) -> Any:
    """A file of HDF5 to read from; whatever it raises, HDF5 cannot make sense of it."""
    import h5py

    return h5py.File(path, "r")


def image_of(write: Callable[[Any], None]) -> bytes:
    """What a file of HDF5 would hold, made in memory; `write` is given the open file."""
    import h5py

    with h5py.File("in memory", "w", driver="core", backing_store=False, block_size=2**16) as file:
        write(file)
        file.flush()
        return file.id.get_file_image()


# --- plain values as JSON ---------------------------------------------------------------------


def encode(value: Any) -> Any:
    """What JSON can hold of a value so that `decode` gives it back exactly, tuples as tuples.

    Raises
    ------
    SweepError
        If it is not made of numbers, texts, tuples, lists and tables.
    """
    if isinstance(value, np.generic):
        value = value.item()
    if value is None or isinstance(value, bool | int | str):
        return value
    if isinstance(value, float):
        return value if math.isfinite(value) else {"float": repr(value)}
    if isinstance(value, complex):
        return {"complex": [encode(value.real), encode(value.imag)]}
    if isinstance(value, tuple):
        return {"tuple": [encode(one) for one in value]}
    if isinstance(value, list):
        return [encode(one) for one in value]
    if isinstance(value, Mapping):
        return {"table": [[encode(key), encode(one)] for key, one in value.items()]}
    raise SweepError(
        f"{value!r} ({type(value).__name__}) cannot be kept in the store of a sweep; numbers, "
        "texts, and tuples, lists or tables of them can."
    )


def decode(value: Any) -> Any:
    """What `encode` was given."""
    if isinstance(value, list):
        return [decode(one) for one in value]
    if not isinstance(value, dict):
        return value
    ((kind, inner),) = value.items()
    if kind == "float":
        return float(inner)
    if kind == "complex":
        return complex(*(decode(one) for one in inner))
    if kind == "tuple":
        return tuple(decode(one) for one in inner)
    if kind == "table":
        return {decode(key): decode(one) for key, one in inner}
    raise ValueError(f"unknown kind of value {kind!r}")


def _record(record: Any) -> dict[str, Any]:
    return {f.name: encode(getattr(record, f.name)) for f in dataclasses.fields(record)}


def _remade(kind: Any, found: Mapping[str, Any]) -> Any:
    return kind(**{name: decode(value) for name, value in found.items()})


def _figure_record(figure: Figure) -> dict[str, Any]:
    axes = [_record(axis) for axis in figure.axes]
    return _record(dataclasses.replace(figure, axes=())) | {"axes": axes}


def _figure_remade(found: Mapping[str, Any]) -> Figure:
    axes = tuple(_remade(Axis, axis) for axis in found["axes"])
    rest = {name: value for name, value in found.items() if name != "axes"}
    return dataclasses.replace(_remade(Figure, rest), axes=axes)


def _sections(plan: SweepPlan) -> dict[str, Any]:
    """What makes two sweeps the same, by what a person would call it; arrays left out."""
    return {
        "the attic file's text": plan.text,
        "the parameters": [_record(one) for one in plan.design.parameters],
        "the method": [plan.design.method, plan.design.seed],
        "the bands": [_record(band) for band in plan.bands],
        "the figures": [_figure_record(figure) for figure in plan.figures],
        "the settings": {str(key): encode(value) for key, value in plan.settings.items()},
    }


def fingerprint_of(plan: SweepPlan) -> str:
    """The same for two plans whose results may be mixed: all but name and version count."""
    found = hashlib.sha256(json.dumps(_sections(plan), sort_keys=True).encode())
    for array in (*plan.design.columns, plan.frequencies):
        array = np.ascontiguousarray(array)
        found.update(f"{array.dtype.str}{array.shape}".encode())
        found.update(array.tobytes())
    return found.hexdigest()


def differences(old: SweepPlan, new: SweepPlan) -> list[str]:
    """In what two plans are not the same sweep, one phrase each; empty if they are."""
    found = []
    before, after = _sections(old), _sections(new)
    for name in before:
        if before[name] == after[name]:
            continue
        if name == "the settings":
            keys = sorted(before[name].keys() | after[name].keys())
            found += [
                f"the setting {key!r} ({_short(old.settings, key)}, now "
                f"{_short(new.settings, key)})"
                for key in keys
                if before[name].get(key, {}) != after[name].get(key, {})
            ]
        elif name == "the attic file's text":
            found.append(f"{name} (from line {_first_line(old.text, new.text)} on)")
        elif name == "the method":
            found.append(f"{name} ({_method(old.design)}, now {_method(new.design)})")
        else:
            found.append(f"{name} ({_names(before[name])}, now {_names(after[name])})")
    if len(old.design) != len(new.design):
        found.append(f"the number of layouts ({len(old.design)}, now {len(new.design)})")
    elif "the parameters" not in " ".join(found):
        for parameter, a, b in zip(
            old.design.parameters, old.design.columns, new.design.columns, strict=True
        ):
            if not np.array_equal(a, b, equal_nan=np.issubdtype(a.dtype, np.floating)):
                found.append(f"the values of {parameter.name!r}")
    if not np.array_equal(old.frequencies, new.frequencies) and "the bands" not in " ".join(found):
        found.append("the frequencies")
    return found


def _short(settings: Mapping[str, Any], key: str) -> str:
    return repr(settings[key]) if key in settings else "not there"


def _first_line(old: str, new: str) -> int:
    pairs = zip(old.split("\n"), new.split("\n"), strict=False)
    same = 0
    for a, b in pairs:
        if a != b:
            break
        same += 1
    return same + 1


def _method(design: Design) -> str:
    return design.method if design.seed is None else f"{design.method}, seed {design.seed}"


def _names(records: Sequence[Mapping[str, Any]]) -> str:
    return ", ".join(str(record["name"]) for record in records) or "none"


# --- plan and description ---------------------------------------------------------------------


def check_plan(plan: SweepPlan) -> None:
    """Whether a plan can be kept; see `describe`.

    Raises
    ------
    SweepError
        If names clash, or arrays do not have the length or kind that they should.
    """
    names = [figure.name for figure in plan.figures]
    for name in names:
        if not name or "/" in name or name in RESERVED or names.count(name) > 1 or name == ".":
            raise SweepError(
                f"A figure cannot be kept under the name {name!r}: it must be one of its own, "
                f"without a slash, and none of {', '.join(RESERVED)}."
            )
    for figure in plan.figures:
        if np.dtype(figure.dtype).kind not in "fci":
            raise SweepError(
                f"Figure {figure.name!r} is of dtype {figure.dtype!r}; floats, complex and signed "
                "whole numbers can be kept."
            )
    design = plan.design
    if len(design.parameters) != len(design.columns):
        raise SweepError(
            f"The design has {len(design.parameters)} parameters and {len(design.columns)} columns."
        )
    for parameter, column in zip(design.parameters, design.columns, strict=True):
        if column.shape != (len(design),):
            raise SweepError(
                f"Parameter {parameter.name!r} has values of shape {column.shape}; the design has "
                f"{len(design)} layouts."
            )
    shape = np.shape(plan.frequencies)
    if len(shape) != 2 or shape[0] != len(plan.bands):
        raise SweepError(
            f"The frequencies are of shape {shape}; {len(plan.bands)} bands need one row each."
        )


def describe(file: Any, plan: SweepPlan, *, kind: str, created: str) -> dict[str, list[Any]]:
    """Write everything but states, reasons and figures into an open HDF5 file.

    Returns
    -------
    dict of str to list
        Dimension scales (datasets) by figure, in the order of its dimensions.
    """
    names = _parameter_names(plan)
    text = _sections(plan)
    file.attrs["format"] = kind
    file.attrs["schema"] = SCHEMA
    file.attrs["fingerprint"] = fingerprint_of(plan)
    file.attrs["library_version"] = plan.version
    file.attrs["created"] = created
    file.attrs["name"] = plan.name
    file.attrs["method"] = plan.design.method
    file.attrs["seed"] = "none" if plan.design.seed is None else plan.design.seed
    file.attrs["about"] = (
        "A sweep over layouts of an attic antenna: figures by layout and band. Phasors are RMS, "
        "time goes as exp(+jwt)."
    )
    described = {
        "name": plan.name,
        "version": plan.version,
        "parameters": text["the parameters"],
        "columns": names,
        "method": text["the method"],
        "bands": text["the bands"],
        "figures": text["the figures"],
        "settings": encode(dict(plan.settings)),
    }
    _text(file, "plan", json.dumps(described), "All settings and definitions, as JSON.")
    _text(file, "attic_file", plan.text, "The attic file that is varied.")
    layout = _scale(file, "layout", np.arange(len(plan.design)), "Number of the layout.")
    band = _scale(file, "band", tuple(one.name for one in plan.bands), "Band.")
    for name, values in (
        ("band_low", [one.low for one in plan.bands]),
        ("band_high", [one.high for one in plan.bands]),
    ):
        data = file.create_dataset(name, data=np.array(values, dtype=float))
        data.attrs["unit"] = "Hz"
        _attach(data, [band])
    for name, parameter, column in zip(
        names, plan.design.parameters, plan.design.columns, strict=True
    ):
        data = file.create_dataset(name, data=column)
        _label(data, parameter.unit, f"Parameter {parameter.name}.")
        if parameter.choices and not parameter.is_number:
            data.attrs["choices"] = (
                "Whole numbers count the choices of this parameter in the dataset plan."
            )
        _attach(data, [layout])
    scales = _figure_scales(file, plan, layout, band, set(names))
    data = file.create_dataset("frequency", data=np.asarray(plan.frequencies, dtype=float))
    _label(data, "Hz", "At which the impedance of a band is kept.")
    points = scales[plan.figures[0].name][2:3] if plan.figures else []
    if not (points and points[0].shape == data.shape[1:]):
        taken = {*names, *(figure.name for figure in plan.figures), *file}
        points = [_scale(file, _free("frequency_point", taken), np.arange(data.shape[1]), "Point.")]
    _attach(data, [band, *points])
    return scales


def read_description(file: Any) -> SweepPlan:
    """What `describe` wrote; whatever is raised here means damage."""
    described = json.loads(file["plan"].asstr()[()])
    method, seed = described["method"]
    design = Design(
        tuple(_remade(Parameter, one) for one in described["parameters"]),
        tuple(_locked(file[name][()]) for name in described["columns"]),
        method,
        seed,
    )
    return SweepPlan(
        text=file["attic_file"].asstr()[()],
        name=described["name"],
        design=design,
        bands=tuple(_remade(Band, one) for one in described["bands"]),
        frequencies=_locked(file["frequency"][()]),
        figures=tuple(_figure_remade(one) for one in described["figures"]),
        settings=decode(described["settings"]),
        version=described["version"],
    )


def check_columns(plan: SweepPlan) -> None:
    """Whether a plan that was read is sound; whatever is raised here means damage."""
    check_plan(plan)
    design = plan.design
    for parameter, column in zip(design.parameters, design.columns, strict=True):
        by_index = bool(parameter.choices) and not parameter.is_number
        if column.dtype.kind not in ("iu" if by_index else "iuf"):
            raise ValueError(f"the values of {parameter.name!r} are of dtype {column.dtype}")
        if by_index and not np.isin(column, np.arange(len(parameter.choices))).all():
            raise ValueError(
                f"{parameter.name!r} has values beyond its {len(parameter.choices)} choices"
            )
    if plan.frequencies.dtype.kind != "f":
        raise ValueError(f"the frequencies are of dtype {plan.frequencies.dtype}")


def check_arrays(
    file: Any, figures: Any, plan: SweepPlan, shape: tuple[int, ...], state_shape: tuple[int, ...]
) -> None:
    """Whether states, reasons and figures are what a plan says; if not, the file is damaged.

    Parameters
    ----------
    file, figures : groups
        Where states and reasons lie, and where the figures do.
    plan : SweepPlan
    shape : tuple of int
        Layouts and bands, the first dimensions of each figure.
    state_shape : tuple of int

    Raises
    ------
    ValueError
        Says which is not, and how it should be.
    """
    state, reason = file["state"], file["reason"]
    if state.shape != state_shape or state.dtype.kind != "i":
        raise ValueError(f"'state' is {state.shape} of {state.dtype}, not {state_shape} of int8")
    if not np.isin(found := state[()], np.arange(len(STATES))).all():
        least, most = found.min(), found.max()
        raise ValueError(f"'state' has {least} to {most}, not 0 to {len(STATES) - 1}")
    if reason.shape != shape[:1]:
        raise ValueError(f"'reason' is {reason.shape}, not {shape[:1]}")
    for figure in plan.figures:
        data, wanted = figures[figure.name], (*shape, *figure.shape)
        if data.shape != wanted or data.dtype != np.dtype(figure.dtype):
            raise ValueError(
                f"{figure.name!r} is {data.shape} of {data.dtype}, not {wanted} of {figure.dtype}"
            )


def check_kind(file: Any, source: Path, kind: str) -> None:
    """Whether an open file is of a kind and schema that can be read here.

    Raises
    ------
    StoreError
        Says what it is, and what can still be read of it.
    """
    found = file.attrs.get("format")
    if found != kind:
        raise StoreError(
            f"{source}: is an HDF5 file, but no {kind!r} of Ridgepole's"
            f"{f' (it says {found!r})' if isinstance(found, str) else ''}. Check the path."
        )
    schema = file.attrs.get("schema")
    if not isinstance(schema, int | np.integer) or not 1 <= schema <= SCHEMA:
        raise StoreError(
            f"{source}: was written in schema {schema} by version "
            f"{file.attrs.get('library_version')}; this version reads up to schema {SCHEMA}. "
            f"Install the newer version. Any HDF5 reader still reads: {readable(file)}."
        )


def readable(file: Any) -> str:
    """Names of the datasets of an open file that can be read in full, and of those that cannot."""
    good, bad = [], []
    try:
        names = sorted(file, key=_printable)
    except Exception:
        return "nothing"
    for name in names:
        shown = _printable(name)
        try:
            item = file[name]
            rows = max(1, 2**24 // max(1, item.dtype.itemsize * math.prod(item.shape[1:])))
            for start in range(0, item.shape[0] if item.shape else 1, rows):
                item[start : start + rows] if item.shape else item[()]
            good.append(shown)
        except Exception:  # whatever fails inside of HDF5 or numpy, it is not readable
            bad.append(shown)
    return (", ".join(good) or "nothing") + (f" (not {', '.join(bad)})" if bad else "")


def _printable(name: Any) -> str:
    """Of damaged names too, which h5py gives as bytes."""
    raw = name if isinstance(name, bytes) else str(name).encode("utf-8", "backslashreplace")
    return raw.decode("utf-8", "backslashreplace")


def _parameter_names(plan: SweepPlan) -> list[str]:
    taken = {*RESERVED, *(figure.name for figure in plan.figures)}
    names = []
    for parameter in plan.design.parameters:
        names.append(_free(parameter.name.replace("/", "|"), taken))
        taken.add(names[-1])
    return names


def _free(name: str, taken: set[str]) -> str:
    while name in taken or name in ("", "."):
        name += "_"
    return name


def _figure_scales(
    file: Any, plan: SweepPlan, layout: Any, band: Any, taken: set[str]
) -> dict[str, list[Any]]:
    taken = {*taken, *RESERVED, *(figure.name for figure in plan.figures)}
    made: list[tuple[Axis, Any]] = []
    found: dict[str, list[Any]] = {}
    for figure in plan.figures:
        found[figure.name] = [layout, band]
        for axis in figure.axes:
            own = next((scale for one, scale in made if _same_axis(one, axis)), None)
            if own is None:
                name = axis.name.replace("/", "|")
                if name in taken:
                    name = _free(f"{figure.name}_{name}", taken)
                taken.add(name)
                own = _scale(file, name, axis.values, axis.name, axis.unit)
                made.append((axis, own))
            found[figure.name].append(own)
    return found


def _same_axis(one: Axis, other: Axis) -> bool:
    return _record(one) == _record(other)


def _scale(file: Any, name: str, values: Any, about: str, unit: str = "") -> Any:
    import h5py

    if isinstance(values, np.ndarray):
        data = file.create_dataset(name, data=values)
    elif values and all(isinstance(v, int | float | np.number) for v in values):
        data = file.create_dataset(name, data=np.array(values))
    else:
        texts = [str(value) for value in values]
        data = file.create_dataset(name, data=texts, dtype=h5py.string_dtype())
    _label(data, unit, about)
    data.make_scale(name)
    return data


def _attach(data: Any, scales: Sequence[Any]) -> None:
    for number, scale in enumerate(scales):
        data.dims[number].attach_scale(scale)


def _text(file: Any, name: str, text: str, about: str) -> None:
    import h5py

    data = file.create_dataset(name, data=text, dtype=h5py.string_dtype())
    data.attrs["about"] = about


def _label(data: Any, unit: str, about: str) -> None:
    if unit:
        data.attrs["unit"] = unit
    if about:
        data.attrs["about"] = about


def _locked(array: NDArray[Any]) -> NDArray[Any]:
    array.flags.writeable = False
    return array


# --- figures, states, reasons -----------------------------------------------------------------


def nothing_of(figure: Figure) -> Any:
    """What stands in a figure where nothing was computed: NaN, `NOTHING` for whole numbers."""
    return NOTHING if np.dtype(figure.dtype).kind == "i" else np.nan


class Slices(NamedTuple):
    """How many layouts are handled at once, and are together in a chunk of each figure."""

    rows: int
    chunk_rows: dict[str, int]


def slices_of(plan: SweepPlan, most_bytes: int) -> Slices:
    """Powers of 2, so that no chunk is written twice."""

    def power(limit: float) -> int:
        return 2 ** max(0, math.floor(math.log2(max(1.0, limit))))

    def row_bytes(figure: Figure) -> int:
        return max(1, np.dtype(figure.dtype).itemsize * len(plan.bands) * math.prod(figure.shape))

    count = len(plan.design)
    rows = power(most_bytes / max(1, sum(row_bytes(figure) for figure in plan.figures)))
    chunks = {f.name: min(rows, power(CHUNK_BYTES / row_bytes(f)), count) for f in plan.figures}
    return Slices(rows, chunks)


def create_figure(
    file: Any, figure: Figure, shape: tuple[int, ...], rows: int, scales: Sequence[Any] = ()
) -> Any:
    """An empty dataset of (n, m, *figure.shape) for a figure, with checksums.

    With scales it says of itself what it is.
    """
    filters: dict[str, Any] = {}
    if math.prod(shape):
        filters = {"chunks": (rows, *shape[1:]), "fletcher32": True}
    data = file.create_dataset(figure.name, shape=shape, dtype=figure.dtype, **filters)
    if scales:
        _label(data, figure.unit, figure.about)
        _attach(data, scales)
    return data


def write_states(
    file: Any,
    states: NDArray[np.int8],
    reasons: Mapping[int, str],
    scales: Sequence[Any] = (),
) -> None:
    """Datasets for states, by layout and band, and reasons, by layout."""
    import h5py

    state = file.create_dataset("state", data=states)
    texts = [reasons.get(number, "") for number in range(states.shape[0])]
    reason = file.create_dataset("reason", data=texts, dtype=h5py.string_dtype())
    if scales:
        kinds = ", ".join(f"{number} {name}" for number, name in enumerate(STATES))
        state.attrs["about"] = f"Of a layout on a band: {kinds}"
        reason.attrs["about"] = "Why a layout is unfit or failed, empty for all others."
        _attach(state, scales)
        _attach(reason, scales[:1])


def read_reasons(file: Any) -> dict[int, str]:
    """By row, where there is one."""
    return {n: text for n, text in enumerate(file["reason"].asstr()[()]) if text}


def layout_states(states: NDArray[np.int8]) -> NDArray[np.int8]:
    """State (L,) of layouts from theirs by band (L, B).

    `WAITING` until all bands are there, then `FAILED` if any failed, else `UNFIT` if any is, else
    `DONE`.
    """
    if not states.shape[1]:
        return np.full(states.shape[0], DONE, dtype=np.int8)
    return np.where((states == WAITING).any(axis=1), np.int8(WAITING), states.max(axis=1))
