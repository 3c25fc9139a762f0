"""Readings of some visits beside what the model says of them, with the covariance of both."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from scipy import linalg
from scipy.constants import c

from ...moments.basis import ComplexArray, FloatArray, IntArray
from ..model.attic_model import AtticModel, HouseState
from .visits import Visit

MODEL_ERROR = 0.01
"""Of the reflection coefficient of a whole band: what mesh, timber model and geometry miss."""

LEAST_ACROSS = 0.5
"""Of the error along the reflection coefficient: less than this no analyser leaves across it,
however small the coefficient is. Common practice."""


@dataclass(frozen=True)
class Distortion:
    """What may have happened to a reflection coefficient between feed point and paper.

    Attributes
    ----------
    conjugate : bool
        The sign of every reactance is turned.
    line : float
        A piece of matched line that nobody told of, electrically so long; below 0 where more was
        taken away than was there. [m]
    size : float
        By which all |reflection| are multiplied.
    """

    conjugate: bool = False
    line: float = 0.0
    size: float = 1.0

    def applied(self, frequencies: FloatArray, found: ComplexArray) -> ComplexArray:
        """To reflection coefficients, or their derivatives to anything real, (K, ...)."""
        turned = found.conj() if self.conjugate else found
        factor = self.size * np.exp(-4j * np.pi * frequencies * self.line / c)
        return factor.reshape(-1, *[1] * (found.ndim - 1)) * turned


@dataclass(frozen=True, eq=False)
class Data:
    """Readings of some visits in one row, and the model's answer to them.

    Attributes
    ----------
    model : AtticModel
    frequencies : (K,) float
        [Hz]
    visit : (K,) int
        Of which visit each is.
    lengths : (N, E) float
        Of the elements at each visit. [m]
    reflection : (K,) complex
        Read; of SWR alone its magnitude.
    has_phase : (K,) bool
    reference : float
        [ohm]
    noise : (K, 2) float
        Standard deviations along and across the reflection coefficient.
    distortion : Distortion
        What is put between the model and the readings.
    by_cables : (D, K) complex
        What candidate cables may change of the reflection coefficients, as rows whose squares add
        up.
    """

    model: AtticModel
    frequencies: FloatArray
    visit: np.ndarray
    lengths: FloatArray
    reflection: ComplexArray
    has_phase: np.ndarray
    reference: float
    noise: FloatArray
    distortion: Distortion = Distortion()
    by_cables: ComplexArray = field(default_factory=lambda: np.zeros((0, 0), dtype=np.complex128))

    @classmethod
    def of(cls, model: AtticModel, visits: Sequence[Visit]) -> Data:
        """All readings of the visits."""
        lengths, parts = [], []
        for number, visit in enumerate(visits):
            told = dict(zip(model.names, map(float, model.told), strict=True))
            told.update({name: float(value) for name, value in visit.lengths.items()})
            lengths.append([told[name] for name in model.names])
            read = visit.readings
            if parts:
                read = read.renormalised(float(parts[0][5]))
            known = np.asarray(read.has_phase, dtype=bool)
            value = np.where(known, read.reflection, read.magnitude)
            size = np.abs(value)
            along = np.broadcast_to(read.magnitude_sd, size.shape)
            across = size * np.deg2rad(np.where(known, read.phase_sd_deg, 0.0))
            parts.append((
                read.frequencies, np.full(size.shape, number), value, known,
                np.stack([along, np.maximum(across, LEAST_ACROSS * along)], axis=1), read.reference,
            ))  # fmt: skip
        columns = [np.concatenate([part[k] for part in parts]) for k in range(5)]
        data = cls(
            model, columns[0], columns[1], np.array(lengths), columns[2], columns[3],
            float(parts[0][5]), columns[4],
        )  # fmt: skip
        return replace(data, by_cables=data._drawn_cables())

    def part(self, which: IntArray) -> Data:
        """Some of the readings, by their places."""
        columns = ("frequencies", "visit", "reflection", "has_phase", "noise")
        some = {name: getattr(self, name)[which] for name in columns}
        return replace(self, **some, by_cables=self.by_cables[:, which])

    def distorted(self, distortion: Distortion) -> Data:
        """The same readings, taken to be distorted."""
        return replace(self, distortion=distortion)

    @property
    def size(self) -> int:
        """How many numbers were read."""
        return int(self.has_phase.size + self.has_phase.sum())

    def _each(self, state: HouseState, *, slopes: bool) -> tuple[ComplexArray, ComplexArray]:
        """Reflection coefficients (K,) and derivatives to scores (K, U)."""
        model, count = self.model, self.frequencies.size
        found = np.empty(count, dtype=np.complex128)
        by_score = np.zeros((count, len(model.unknowns)), dtype=np.complex128)
        for f in np.unique(self.frequencies):
            band = model.band(model.band_at(float(f)))
            eliminated = band.eliminated(float(f), state)
            for k in np.flatnonzero(self.frequencies == f):
                own = self.lengths[self.visit[k]]
                if slopes:
                    at = band.reading(float(f), own, state, eliminated=eliminated)
                    z = at.impedance
                    by_score[k] = at.by_score * 2.0 * self.reference / (z + self.reference) ** 2
                else:
                    z = band.impedance(float(f), own, state, eliminated=eliminated)
                found[k] = (z - self.reference) / (z + self.reference)
        return found, by_score

    def reflections(self, state: HouseState) -> ComplexArray:
        """What the model reads, (K,), without distortion."""
        return self._each(state, slopes=False)[0]

    def sloped(self, state: HouseState) -> tuple[ComplexArray, ComplexArray]:
        """The same with derivatives to scores, (K, U)."""
        return self._each(state, slopes=True)

    @cached_property
    def _turn(self) -> ComplexArray:
        """What turns a change of each reflection coefficient into its parts along and across."""
        size = np.abs(self.reflection)
        safe = np.where(size > 0.0, self.reflection, 1.0)
        return np.where(size > 0.0, safe.conj() / np.abs(safe), 1.0)

    def parts(self, change: ComplexArray) -> FloatArray:
        """Changes (K, ...) as rows along, then those with phase across, (`size`, ...)."""
        turn = self._turn.reshape(-1, *[1] * (change.ndim - 1))
        turned = turn * change
        return np.concatenate([turned.real, turned.imag[self.has_phase]])

    def missed(self, found: ComplexArray) -> FloatArray:
        """Model (K, ...), distorted, less reading in parts, (`size`, ...); of SWR alone in size."""
        seen = self.distortion.applied(self.frequencies, found)
        shape = (-1, *[1] * (found.ndim - 1))
        read, known = self.reflection.reshape(shape), self.has_phase.reshape(shape)
        alone = (np.abs(seen) - np.abs(read)).astype(np.complex128)
        return self.parts(np.asarray(np.where(known, seen - read, alone), dtype=np.complex128))

    def changed(self, found: ComplexArray, slopes: ComplexArray) -> FloatArray:
        """Derivatives (K, U) of the model, distorted, in parts, (`size`, U)."""
        seen = self.distortion.applied(self.frequencies, found)
        steep = self.distortion.applied(self.frequencies, slopes)
        along = (seen.conj() / np.maximum(np.abs(seen), 1e-9))[:, None] * steep
        change = np.where(self.has_phase[:, None], steep, along.real)
        return self.parts(change.astype(np.complex128))

    def residual(self, state: HouseState) -> tuple[FloatArray, FloatArray]:
        """Model less reading, (`size`,), and its derivatives to scores (`size`, U)."""
        found, slopes = self.sloped(state)
        return self.missed(found), self.changed(found, slopes)

    def evidence(
        self, found: ComplexArray, slopes: ComplexArray, scores: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Miss at scores 0 if the model were linear about some scores, and its covariance.

        (`size`,) and (`size`, `size`); the least value of the fit is then d^T S^-1 d.
        """
        change = self.changed(found, slopes)
        return self.missed(found) - change @ scores, self.covariance + change @ change.T

    @cached_property
    def covariance(self) -> FloatArray:
        """Of the parts that are read, (`size`, `size`)."""
        along, across = self.noise[:, 0], self.noise[self.has_phase, 1]
        found = np.diag(np.concatenate([along, across]) ** 2)
        shared = []
        for band in self.model.bands:
            inside = (self.frequencies >= band.low) & (self.frequencies <= band.high)
            if inside.any():
                level = (MODEL_ERROR * inside).astype(np.complex128)
                shared += [self.parts(level), self.parts(1j * level)]
        seen = self.distortion.applied(self.frequencies, self.by_cables.T).T
        shared += [self.parts(change) for change in seen]
        root = np.stack(shared, axis=1)
        return found + root @ root.T

    def _drawn_cables(self) -> ComplexArray:
        """What the candidate cables change, as rows whose squares add up, (D, K).

        Each is there in one house of two, and they are taken to add up: with what each changes by
        itself, d_c, the mean square is the sum of d_c d_c^T / 4 and that of their sum.
        """
        model, n = self.model, len(self.model.cables)
        if not n:
            return np.zeros((0, self.frequencies.size), dtype=np.complex128)
        none = self.reflections(model.middle)
        alone = np.stack(
            [self.reflections(HouseState(model.middle.scores, one)) - none
             for one in np.eye(n, dtype=bool)]
        )  # fmt: skip
        return 0.5 * np.concatenate([alone, alone.sum(axis=0, keepdims=True)])

    @cached_property
    def whitening(self) -> FloatArray:
        """W, (`size`, `size`)."""
        lower = linalg.cholesky(self.covariance, lower=True)
        return linalg.solve_triangular(lower, np.eye(self.size), lower=True)
