"""All layouts of a pool over one band, from a few matrices of the pool."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from ..band_sweep import BandSweep, Stretch, fit_stretch, stretches_of
from ..bands import Band
from ..errors import SolverError
from ..gaps import gap_voltages, terminations_of
from ..moments.assembly import Filled
from ..moments.basis import ComplexArray, FloatArray
from ..surround.volume import FunctionFields
from .partition import Partition
from .pool import Pool

Closing = Callable[[float], ComplexArray | None]


def as_the_scene(_: float) -> ComplexArray | None:
    """Gaps are closed as the scene says."""
    return None


@dataclass(frozen=True, eq=False)
class PoolBand:
    """A pool over a band, ready to be solved anywhere in it.

    Attributes
    ----------
    pool : Pool
    band : Band
    terminations : callable
        What closes the gaps of each layout at a frequency [Hz], (V, P), where that is not what
        the scene says (None). [ohm]
    middle : Partition
        At the band's centre, from a matrix of its own.
    matrix : (N, N) complex
        That matrix. [ohm]
    fields : FunctionFields or None
        Of the functions over the cells of the solids, there.
    stretches : tuple of Stretch
        Of the pool's matrix; none where the centre alone is wanted.
    """

    pool: Pool
    band: Band
    terminations: Closing
    middle: Partition
    matrix: ComplexArray
    fields: FunctionFields | None
    stretches: tuple[Stretch, ...]

    @property
    def means(self) -> ComplexArray | None:
        """Fields in solids by the pool's unknowns, `Volume.means`, None without solids."""
        volume = self.pool.system.volume
        return None if volume is None or self.fields is None else volume.means(self.fields)

    @classmethod
    def prepare(
        cls,
        pool: Pool,
        band: Band,
        *,
        reference: float,
        terminations: Closing = as_the_scene,
        centre_only: bool = False,
    ) -> PoolBand:
        """Fill the matrices of a band.

        They are enough when the reflection coefficient of every layout in the middle of each
        stretch, which their nodes have not seen, is met.

        Parameters
        ----------
        pool : Pool
        band : Band
        reference : float
            That the reflection coefficient refers to. [ohm]
        terminations : callable, optional
        centre_only : bool
            Whether no other frequency will be asked for.
        """
        system = pool.system
        fields = None if system.volume is None else system.solid_fields(band.centre)
        matrix = system.fill(band.centre, solid_fields=fields).matrix
        middle = Partition.of(pool, matrix, band.centre)
        found = cls(pool, band, terminations, middle, matrix, fields, ())
        if centre_only:
            return found
        pieces = stretches_of(band)
        stretches: list[Stretch] = []
        for low, high in pieces:
            at = 0.5 * (low + high)
            known = middle if len(pieces) == 1 else Partition.of(pool, system.fill(at).matrix, at)
            expected = found.reflections(known.solve()[0], at, reference)

            def error_of(trial: Stretch, f: float = at, seen: ComplexArray = expected) -> float:
                guess = Partition.of(pool, trial.matrix(f), f).solve()[0]
                return float(np.nanmax(np.abs(found.reflections(guess, f, reference) - seen)))

            before = {low: stretches[-1].last} if stretches else {}
            stretches.append(
                fit_stretch(system, low, high, error_of, before=before, with_fields=False)
            )
        return cls(pool, band, terminations, middle, matrix, fields, tuple(stretches))

    @property
    def interpolation_error(self) -> float:
        """Greatest change of a reflection coefficient found in the middle of a stretch."""
        return max((stretch.error for stretch in self.stretches), default=0.0)

    @property
    def n_matrices(self) -> int:
        """How many matrices were filled."""
        middles = len(self.stretches) if len(self.stretches) > 1 else 0
        inner = sum(stretch.nodes.size for stretch in self.stretches)
        return 1 + inner + middles - max(0, len(self.stretches) - 1)

    def voltages(self, admittance: ComplexArray, frequency: float) -> ComplexArray:
        """Across the gaps of every layout, (V, P), for admittances (V, P, P). [V]"""
        ports = self.pool.scene.ports
        terminations = self.terminations(frequency)
        if terminations is None:
            terminations = terminations_of(ports, np.array([frequency]))
            terminations = np.broadcast_to(terminations, admittance.shape[:2])
        return gap_voltages(ports, admittance, terminations)

    def impedances(self, admittance: ComplexArray, frequency: float) -> ComplexArray:
        """At the first driven feed of every layout, (V,). [ohm]"""
        driven = [n for n, feed in enumerate(self.pool.scene.feeds) if feed.is_driven]
        voltages = self.voltages(admittance, frequency)
        currents = np.einsum("vpq,vq->vp", admittance, voltages)
        with np.errstate(divide="ignore", invalid="ignore"):
            return voltages[:, driven[0]] / currents[:, driven[0]]

    def reflections(
        self, admittance: ComplexArray, frequency: float, reference: float
    ) -> ComplexArray:
        """Reflection coefficients there, (V,)."""
        z = self.impedances(admittance, frequency)
        return (z - reference) / (z + reference)

    def stretch_of(self, frequency: float) -> Stretch:
        """The stretch that a frequency lies in. [Hz]"""
        for stretch in self.stretches:
            if stretch.nodes[0] <= frequency <= stretch.nodes[-1]:
                return stretch
        raise SolverError(f"{frequency / 1e6:g} MHz lies outside {self.band}, which was prepared.")

    def curve(self, frequencies: Sequence[float] | FloatArray) -> tuple[ComplexArray, ComplexArray]:
        """Impedances (V, F) [ohm] and nearest natural frequencies (V, F) [Hz] of all layouts.

        Natural frequencies are those with all gaps shorted.
        """
        impedances, poles = [], []
        for f in map(float, frequencies):
            stretch = self.stretch_of(f)
            at = self.middle
            if f != self.band.centre:
                at = Partition.of(self.pool, stretch.matrix(f), f)
            admittance, natural = at.solve_with_poles(stretch.scaled_slope(f))
            impedances.append(self.impedances(admittance, f))
            poles.append(natural)
        return np.stack(impedances, axis=1), np.stack(poles, axis=1)

    def layout(self, number: int) -> BandSweep:
        """One layout by itself, on the pool's elements, to be solved anywhere in the band."""
        columns = self.pool.columns(number)
        system = self.pool.selected_system(number)
        nothing = np.zeros(0, dtype=np.complex128)
        matrix = np.ascontiguousarray((columns.T @ (columns.T @ self.matrix).T).T)
        filled = Filled(matrix, nothing.reshape(0, 0), nothing)
        fields = None if self.fields is None else self.fields.local
        middle = system.solve_filled(filled, self.band.centre, fields=fields)
        stretches = tuple(stretch.selected(columns) for stretch in self.stretches)
        return BandSweep(system, self.band, stretches, middle)


def narrow_resonances(
    frequencies: FloatArray, poles: ComplexArray
) -> tuple[FloatArray, FloatArray]:
    """How many natural frequencies of each layout are narrower than its points are apart.

    Parameters
    ----------
    frequencies : (F,) float
        Rising. [Hz]
    poles : (V, F) complex
        The natural frequency nearest to each of them. [Hz]

    Returns
    -------
    count : (V,) float
    width : (V,) float
        Of the narrowest, at half power; NaN where there is none. [Hz]
    """
    count = np.zeros(poles.shape[0])
    width = np.full(poles.shape[0], np.nan)
    if frequencies.size < 2:
        return count, width
    edges = [frequencies[0], *(0.5 * (a + b) for a, b in pairwise(frequencies)), frequencies[-1]]
    step = np.diff(frequencies).min()
    for k, f in enumerate(frequencies):
        near = poles[:, k]
        wide = 2.0 * np.abs(near.imag)
        with np.errstate(invalid="ignore"):
            own = (near.real >= edges[k]) & (near.real < edges[k + 1]) & (wide < step)
        if k == frequencies.size - 1:
            own |= (near.real == f) & (wide < step)
        count += own
        width = np.where(own, np.fmin(width, wide), width)
    return count, width
