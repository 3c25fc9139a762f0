"""Point moments of solids: checks, and how the earth's kernels see a dipole without its charges."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import jv

from ..errors import SolverError
from ..moments.basis import ComplexArray, FloatArray, PointMoments
from ..moments.boxes import ChebyshevBox

STENCIL_STEP = 0.05
"""Spacing of a dipole's charges over the distance from its image to the nearest observer."""

COINCIDENT = 1e-6

FAR_ERROR = 1e-6
"""Of a gathered far field, relative to that of the moments one by one."""


def plain_moments(polarisation: PointMoments) -> PointMoments:
    """The same in writable, contiguous arrays: compiled kernels then see one signature only."""
    return PointMoments(
        np.array(polarisation.positions, dtype=float, order="C"),
        np.array(polarisation.moments, dtype=np.complex128, order="C"),
    )


def check_moments(polarisation: PointMoments, *, above_ground: bool) -> None:
    """Refuse point moments of the wrong shape, that are not finite, or that lie below ground."""
    positions, moments = (np.asarray(x) for x in polarisation)
    if positions.ndim != 2 or positions.shape[1] != 3 or moments.shape != positions.shape:
        raise SolverError(
            f"polarisation: positions have shape {positions.shape} and moments {moments.shape}; "
            "both must be (C, 3)"
        )
    if not (np.all(np.isfinite(positions)) and np.all(np.isfinite(moments))):
        raise SolverError("polarisation: a position or moment is not finite")
    if above_ground and np.any(positions[:, 2] <= 0.0):
        low = float(positions[:, 2].min())
        raise SolverError(
            f"polarisation: a point lies at z = {low:g} m; over ground all must lie at z > 0"
        )


def gathered(polarisation: PointMoments, wavenumber: float) -> PointMoments:
    """Fewer point moments with the same far field, or the same where that gains nothing.

    exp(jk r.r') is interpolated over the box that holds all points from a Chebyshev grid, and the
    moments are handed to its points by the same weights: along a side of length 2 L the error is
    the Bessel function J_n(k L), below `FAR_ERROR` for the n taken.
    """
    positions = np.asarray(polarisation.positions, dtype=float)
    if not len(positions):
        return polarisation

    def count(_: int, half: float) -> int:
        missed = np.abs(jv(np.arange(1, 400), wavenumber * half))
        return int(np.argmax(missed < FAR_ERROR)) + 1

    box = ChebyshevBox.around(positions, count)
    if box.size >= len(positions):
        return polarisation
    return PointMoments(box.nodes, box.gathered(np.asarray(polarisation.moments), positions))


def check_clear(points: FloatArray, polarisation: PointMoments) -> None:
    """Refuse field points that coincide with a point moment."""
    for n, point in enumerate(points):
        gap = np.abs(polarisation.positions - point).max(axis=1, initial=0.0)
        if gap.size and gap.min() < COINCIDENT:
            raise SolverError(
                f"field point {n} at ({point[0]:g}, {point[1]:g}, {point[2]:g}) m coincides with a "
                "cell of a solid, where the field of its point moment is infinite: move it"
            )


def dipole_sources(
    polarisation: PointMoments, frequency: float, observers: FloatArray
) -> tuple[FloatArray, FloatArray, ComplexArray, ComplexArray]:
    r"""Currents and charges that act like point dipoles of current moment m at a distance.

    Parameters
    ----------
    polarisation : PointMoments
    frequency : float
        [Hz]
    observers : (N, 3) float
        Points at z >= 0; the images of the dipoles in z = 0 are what they are near to. [m]

    Returns
    -------
    positions, tangents : (S, 3) float
        [m, 1]
    moments, charges : (S,) complex
        As `PointSources`. [A m, C]

    Notes
    -----
    The charges of a dipole are +-m/(jw l) at its ends for l -> 0: a derivative of the potential
    along m.  It is taken by six-point central differences, which the table's smooth kernels bear:
    with a step of 0.05 R the rule leaves about 1e-6, and the table's own error grows 20-fold.
    The current sits on the same six points with the weights that keep its moments up to the
    fifth order.  Real and imaginary part of m have directions of their own.
    """
    mirror = np.array([1.0, 1.0, -1.0])
    parts: list[tuple[FloatArray, ComplexArray]] = []
    owners: list[NDArray[np.intp]] = []
    for part, factor in ((polarisation.moments.real, 1.0), (polarisation.moments.imag, 1.0j)):
        size = np.linalg.norm(part, axis=1)
        there = np.flatnonzero(size > 0.0)
        parts.append((part[there] / size[there, None], factor * size[there]))
        owners.append(there)
    owner = np.concatenate(owners)
    tangent = np.concatenate([t for t, _ in parts])
    moment = np.concatenate([m for _, m in parts])
    images = polarisation.positions * mirror
    least = np.full(images.shape[0], np.inf)
    for point in observers:
        least = np.minimum(least, np.linalg.norm(images - point, axis=1))
    step = STENCIL_STEP * least[owner]
    at = np.array([-3.0, -2.0, -1.0, 1.0, 2.0, 3.0])
    value = np.array([1.0, -6.0, 15.0, 15.0, -6.0, 1.0]) / 20.0
    # Charge -div J/(jw) with J = m delta: its potential is the derivative along m, over jw, of
    # the kernel by the source's place.
    slope = np.array([-1.0, 9.0, -45.0, 45.0, -9.0, 1.0]) / 60.0
    positions = (
        polarisation.positions[owner][:, None]
        + (step[:, None] * at)[..., None] * (tangent[:, None])
    )
    charges = (moment / step)[:, None] * slope / (2j * np.pi * frequency)
    return (
        positions.reshape(-1, 3),
        np.repeat(tangent, at.size, axis=0),
        (moment[:, None] * value).ravel(),
        charges.ravel(),
    )
