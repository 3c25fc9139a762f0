"""Voltages across gaps in wires: feeds as they are driven, terminations and loads closed."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from .errors import SolverError
from .moments.basis import ComplexArray, FloatArray

if TYPE_CHECKING:
    from ..geometry import Feed


def terminations_of(ports: Sequence[Feed], frequencies: FloatArray) -> ComplexArray:
    """What closes each gap at frequencies (F,), infinite where it is open; 0 where it is driven.

    Returns
    -------
    (F, P) complex [ohm]
    """
    found = np.zeros((frequencies.size, len(ports)), dtype=np.complex128)
    for port, feed in enumerate(ports):
        if feed.termination is not None:
            found[:, port] = feed.termination_at(frequencies)
    return found


def gap_voltages(
    ports: Sequence[Feed], admittance: ComplexArray, terminations: ComplexArray
) -> ComplexArray:
    """Voltage across every gap, (F, P). [V]

    Parameters
    ----------
    ports : sequence of Feed
        Feeds and loads; a driven one has its own voltage.
    admittance : (F, P, P) complex
        With unit voltage at each gap in turn, all others shorted. [S]
    terminations : (F, P) complex
        Of `terminations_of`. [ohm]

    Raises
    ------
    SolverError
        If no feed is driven.
    """
    driven = np.array([feed.termination is None for feed in ports])
    if not driven.any():
        raise SolverError(
            "No feed is driven: every one has a termination. Leave termination out of one."
        )
    voltages = np.array([complex(feed.voltage) for feed in ports])
    result = np.zeros(admittance.shape[:2], dtype=np.complex128)
    result[:, driven] = voltages[driven]
    closed = np.flatnonzero(~driven)
    if closed.size:
        # Terminated: V + Z I = 0; open: I = 0.
        impedance = terminations[:, closed]
        is_open = np.isinf(impedance)
        factor = np.where(is_open, 1.0, impedance)
        matrix = factor[:, :, None] * admittance[:, closed][:, :, closed]
        matrix += np.where(is_open, 0.0, 1.0)[:, :, None] * np.eye(closed.size)
        right = -factor * (admittance[:, closed][:, :, driven] @ voltages[driven])
        result[:, closed] = np.linalg.solve(matrix, right[..., None])[..., 0]
    return result
