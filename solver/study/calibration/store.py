"""Calibrations as JSON files: texts of the attic, scores and their covariance, readings."""

from __future__ import annotations

import json
import math
from dataclasses import asdict, fields
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np

from ....geometry import AtticFileError
from ....geometry.attic_file import read_attic_text
from ....geometry.plan import AtticPlan
from ...bands import Band
from ...errors import StoreError
from ...settings import TABLES
from ..readings import Readings
from ..unknowns import Distribution, Unknown
from .posterior import ScoreSpread
from .records import Calibration, Caution, Fitted, rows_of
from .visits import Visit

__all__ = ["open_calibration", "save_calibration"]

FORMAT, FORMAT_VERSION = "ridgepole calibration", 1

_SPREAD = ("shape", "first", "second", "least", "most")


def save_calibration(found: Calibration, path: Path) -> None:
    """Write a calibration; see `Calibration.save`."""
    form = {
        "format": FORMAT,
        "format_version": FORMAT_VERSION,
        "version": version("ridgepole"),
        "name": found.name,
        "told": {"name": found.told.file.name, "text": found.told.text},
        "calibrated": {"name": found.plan.file.name, "text": found.plan.text},
        "unknowns": [_unknown_form(one) for one in found.unknowns],
        "scores": _plain(found.posterior.scores),
        "covariance": _plain(found.posterior.covariance),
        "misfit": found.misfit,
        "prior_misfit": found.prior_misfit,
        "numbers": found.numbers,
        "bands": [asdict(band) for band in found.bands],
        "visits": [
            {"lengths": dict(one.lengths), "readings": _record_form(one.readings)}
            for one in found.visits
        ],
        "fitted": _record_form(found.fitted),
        "warnings": [asdict(one) for one in found.warnings],
        "notes": list(found.notes),
    }
    try:
        path.write_text(json.dumps(form, indent=1, allow_nan=False) + "\n", encoding="utf-8")
    except OSError as error:
        raise StoreError(f"{path}: it cannot be written ({error.strerror}).") from error


def open_calibration(path: str | Path) -> Calibration:
    """A calibration that was saved; its posterior has scores and covariance, not the model.

    Raises
    ------
    StoreError
        If the file cannot be read, or is none.
    """
    try:
        form = json.loads(Path(path).read_text(encoding="utf-8"))
    except OSError as error:
        raise StoreError(f"{path}: it cannot be read ({error.strerror}).") from error
    except ValueError as error:
        raise StoreError(f"{path}: it is no saved calibration ({error}).") from error
    if not isinstance(form, dict) or form.get("format") != FORMAT:
        raise StoreError(f"{path}: it is no saved calibration; Calibration.save writes them.")
    if form.get("format_version") != FORMAT_VERSION:
        raise StoreError(
            f"{path}: its format is {form.get('format_version')!r}, and this version reads "
            f"{FORMAT_VERSION}. Calibrate again, or use ridgepole {form.get('version')}."
        )
    try:
        return _calibration(form)
    except (KeyError, TypeError, ValueError, AtticFileError) as error:
        raise StoreError(f"{path}: it is damaged ({error}). Calibrate again.") from error


def _calibration(form: dict[str, Any]) -> Calibration:
    unknowns = tuple(_unknown(one) for one in form["unknowns"])
    scores = np.array(form["scores"], dtype=np.float64)
    covariance = np.array(form["covariance"], dtype=np.float64)
    if scores.shape != (len(unknowns),) or covariance.shape != (scores.size, scores.size):
        raise ValueError("scores, covariance and unknowns differ in number")
    spread = ScoreSpread(scores=scores, covariance=covariance)
    return Calibration(
        name=form["name"],
        plan=_plan(form["calibrated"]),
        told=_plan(form["told"]),
        rows=rows_of(unknowns, spread),
        posterior=spread,
        visits=tuple(
            Visit(_record(Readings, one["readings"]), one["lengths"]) for one in form["visits"]
        ),
        fitted=_record(Fitted, form["fitted"]),
        bands=tuple(Band(**one) for one in form["bands"]),
        warnings=tuple(Caution(**one) for one in form["warnings"]),
        notes=tuple(form["notes"]),
        misfit=float(form["misfit"]),
        prior_misfit=float(form["prior_misfit"]),
        numbers=int(form["numbers"]),
    )


def _plan(form: dict[str, str]) -> AtticPlan:
    return read_attic_text(form["text"], name=form["name"], other_tables=TABLES)


def _unknown_form(one: Unknown) -> dict[str, Any]:
    spread = {name: getattr(one.distribution, name) for name in _SPREAD}
    found = {f.name: getattr(one, f.name) for f in fields(one) if f.name != "distribution"}
    return found | {"distribution": {name: _number(value) for name, value in spread.items()}}


def _unknown(form: dict[str, Any]) -> Unknown:
    told = dict(form["distribution"])
    ends = {"least": -math.inf, "most": math.inf}
    spread = {name: ends.get(name) if told[name] is None else told[name] for name in _SPREAD}
    return Unknown(**{**form, "distribution": Distribution(**spread)})  # type: ignore[arg-type]


def _number(value: Any) -> Any:
    return None if isinstance(value, float) and not math.isfinite(value) else value


def _record_form(record: Any) -> dict[str, Any]:
    return {f.name: _plain(getattr(record, f.name)) for f in fields(record)}


def _plain(value: Any) -> Any:
    """Arrays as lists, null for NaN, complex ones as a pair of lists; all else as it is."""
    if not isinstance(value, np.ndarray):
        return list(value) if isinstance(value, tuple) else value
    if np.iscomplexobj(value):
        return {"real": _plain(value.real.copy()), "imaginary": _plain(value.imag.copy())}
    if value.dtype.kind == "f":
        return [_plain(row) if value.ndim > 1 else _number(float(row)) for row in value]
    return value.tolist()


def _record(kind: Any, form: dict[str, Any]) -> Any:
    return kind(**{f.name: _array(form[f.name]) for f in fields(kind)})


def _array(value: Any) -> Any:
    if isinstance(value, dict):
        return _array(value["real"]) + 1j * _array(value["imaginary"])
    if not isinstance(value, list):
        return value
    if all(isinstance(one, str) for one in value):
        return tuple(value)
    if all(isinstance(one, bool | int) for one in value):
        return np.array(value)
    return np.array(value, dtype=np.float64)  # null becomes NaN
