"""Touchstone 1.1 files of S-parameters (open standard; written from memory of its text)."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from .errors import SolverError
from .moments.basis import ComplexArray, FloatArray


def write_touchstone(
    path: str | Path,
    frequencies: FloatArray,
    s_parameters: ComplexArray,
    *,
    reference: float,
    port_names: Sequence[str] = (),
) -> Path:
    """Write S-parameters, shape (F, P, P), at frequencies, shape (F,) in Hz, ascending in the file.

    Two-port rows go S11 S21 S12 S22, as the standard has it; more ports go row by row, four
    pairs a line.
    """
    path = Path(path)
    n_ports = s_parameters.shape[1]
    suffix = f".s{n_ports}p"
    wrong = re.fullmatch(r"\.s(\d+)p", path.suffix.lower())
    if wrong and path.suffix.lower() != suffix:
        raise SolverError(
            f"{path.name} says {wrong.group(1)} ports, but there are {n_ports}: name it {suffix}."
        )
    if not wrong:
        path = path.with_name(path.name + suffix)
    lines = [f"! port {n + 1}: {name}" for n, name in enumerate(port_names)]
    lines.append(f"# Hz S RI R {reference:g}")
    for at in np.argsort(frequencies, kind="stable"):
        matrix = s_parameters[at]
        head = f"{frequencies[at]:.10g}"
        if n_ports <= 2:
            values = matrix.T.ravel()
            lines.append(" ".join([head, *(f"{v.real:.12e} {v.imag:.12e}" for v in values)]))
            continue
        for n, row in enumerate(matrix):
            for first in range(0, n_ports, 4):
                pairs = [f"{v.real:.12e} {v.imag:.12e}" for v in row[first : first + 4]]
                lead = head if n == 0 and first == 0 else ""
                lines.append(" ".join([lead, *pairs]))
    path.write_text("\n".join(lines) + "\n", encoding="ascii", errors="replace")
    return path
