r"""Many frequencies of a band from a few filled matrices.

The frequency times the impedance matrix, f Z(f), is smooth in f (inductive parts go with f^2,
capacitive parts do not vary, skin effect goes with f^1.5, the phase k r turns slowly), so each of
its elements is interpolated by a polynomial through Chebyshev points, and the interpolated matrix
is solved anywhere.  The impedance itself, with its resonances, is never interpolated.  Each
stretch is checked by one matrix of its own in its middle, which no polynomial has seen.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import linalg, sparse

from .bands import Band
from .errors import SolverError
from .moments.assembly import Filled
from .moments.basis import ComplexArray, FloatArray
from .moments.quadrature import lagrange_weights
from .solution import Solution
from .system import PortSolution, System

WIDEST_STRETCH = 0.3
"""Greatest logarithm of high over low that one polynomial spans."""

NODES = ((0.012, 2), (0.15, 4), (math.inf, 6))
"""Number of nodes up to a logarithmic width; even, so that the middle stays unseen."""

MOST_NODES = 10
SLOPE_STEP = 1e-4
"""Of the frequency: step of differences."""

ARNOLDI_STEPS = 24
"""Enough for the few natural frequencies that a stretch holds."""

CHECK_LIMIT = 1e-3
"""More nodes are taken until the admittance in the middle is met this well, relatively."""


def chebyshev_nodes(low: float, high: float, count: int) -> FloatArray:
    """Chebyshev points with both ends, shape (count,), rising."""
    unit = -np.cos(np.pi * np.arange(count) / (count - 1))
    nodes = 0.5 * (low + high) + 0.5 * (high - low) * unit
    nodes[0], nodes[-1] = low, high
    return nodes


class Node(NamedTuple):
    """Frequency times matrix and fields at a node, as in `Stretch`."""

    scaled: ComplexArray
    fields: NDArray[np.complex64] | None

    @classmethod
    def at(cls, system: System, frequency: float, *, with_fields: bool = True) -> Node:
        """Fill a matrix. [Hz]"""
        if system.volume is None or not with_fields:
            return cls(frequency * system.fill(frequency).matrix, None)
        fields = system.solid_fields(frequency)
        matrix = system.fill(frequency, solid_fields=fields).matrix
        return cls(frequency * matrix, (frequency * fields.local).astype(np.complex64))


@dataclass(frozen=True, eq=False)
class Stretch:
    """A stretch of frequencies and the matrices at its nodes.

    Attributes
    ----------
    nodes : (K,) float
        [Hz]
    scaled : (K, N, N) complex
        Frequency times impedance matrix. [Hz ohm]
    fields : (K, M, 3 C) complex, single precision, or None without solids
        Frequency times mean fields of the local functions over their cells. [Hz V/m per A]
    error : float
        Relative error of the admittance found in the middle.
    """

    nodes: FloatArray
    scaled: ComplexArray
    fields: NDArray[np.complex64] | None
    error: float = np.nan

    @classmethod
    def through(cls, nodes: FloatArray, values: Sequence[Node]) -> Stretch:
        """From the nodes in order. [Hz]"""
        fields = [v.fields for v in values if v.fields is not None]
        scaled = np.stack([v.scaled for v in values])
        return cls(nodes, scaled, np.stack(fields) if fields else None)

    @property
    def last(self) -> Node:
        """What it has at its upper end."""
        return Node(self.scaled[-1], None if self.fields is None else self.fields[-1])

    def _weighted(self, values: NDArray[Any], weights: FloatArray) -> NDArray[Any]:
        single = values.dtype == np.complex64
        real = weights.astype(np.float32 if single else np.float64)
        return (real @ values.reshape(self.nodes.size, -1)).reshape(values.shape[1:])

    def _at(self, values: NDArray[Any], frequency: float) -> NDArray[Any]:
        return self._weighted(values, lagrange_weights(self.nodes, frequency) / frequency)

    def matrix(self, frequency: float) -> ComplexArray:
        """Interpolated impedance matrix (N, N). [ohm]"""
        return self._at(self.scaled, frequency)

    def scaled_slope(self, frequency: float) -> ComplexArray:
        """Derivative of frequency times impedance matrix, (N, N). [ohm]"""
        step = SLOPE_STEP * frequency
        low, high = lagrange_weights(self.nodes, np.array([frequency - step, frequency + step]))
        return self._weighted(self.scaled, (high - low) / (2.0 * step))

    def selected(self, columns: sparse.csr_array) -> Stretch:
        """With other functions, combinations of these: columns (N, M)."""
        narrow: Any = columns
        each = [narrow.T @ (narrow.T @ one).T for one in self.scaled]
        return replace(self, scaled=np.stack([np.ascontiguousarray(one.T) for one in each]))

    def solve(self, system: System, frequency: float) -> PortSolution:
        """From what is interpolated to a frequency. [Hz]"""
        nothing = np.zeros(0, dtype=np.complex128)
        return system.solve_filled(
            Filled(self.matrix(frequency), nothing.reshape(0, 0), nothing),
            frequency,
            fields=None if self.fields is None else self._at(self.fields, frequency),
        )


@dataclass(frozen=True, eq=False)
class BandSweep:
    """A system over one band, ready to be solved anywhere in it.

    Attributes
    ----------
    system : System
    band : Band
    stretches : tuple of Stretch
    middle : PortSolution
        Solved directly at the band's centre, with the error estimate where asked for.
    """

    system: System
    band: Band
    stretches: tuple[Stretch, ...]
    middle: PortSolution
    _solved: dict[float, PortSolution] = field(default_factory=dict, repr=False)

    @property
    def interpolation_error(self) -> float:
        """Greatest relative error of the admittance found in the middle of a stretch."""
        return max(stretch.error for stretch in self.stretches)

    def ports(self, frequency: float) -> PortSolution:
        """Solution at one frequency of the band. [Hz]"""
        if frequency == self.band.centre:
            return self.middle
        if frequency not in self._solved:
            for stretch in self.stretches:
                if stretch.nodes[0] <= frequency <= stretch.nodes[-1]:
                    self._solved[frequency] = stretch.solve(self.system, frequency)
                    break
            else:
                raise SolverError(
                    f"{frequency / 1e6:g} MHz lies outside {self.band}, which was prepared."
                )
        return self._solved[frequency]

    def solution(self, frequency: float | Sequence[float] | FloatArray) -> Solution:
        """The same as a `Solution`, scalar for a single frequency. [Hz]"""
        flat = [float(f) for f in np.atleast_1d(np.asarray(frequency, dtype=float))]
        ports = [self.ports(f) for f in flat]
        where = flat[0] if np.ndim(frequency) == 0 else np.array(flat)
        return Solution.from_ports(self.system, where, ports)


def natural_frequencies(sweep: BandSweep, loads: Sequence[complex]) -> ComplexArray:
    r"""Natural frequencies in a band: poles of what is seen at the feeds.

    Parameters
    ----------
    sweep : BandSweep
    loads : sequence of complex, length P
        Impedance that closes each feed. [ohm]

    Returns
    -------
    (K,) complex
        Rising real parts, inside the band; the imaginary part is half the width at half power.
        [Hz]

    Notes
    -----
    f (Z + sum of load b b^T) is nearly linear in s = f^2, so natural frequencies near f0 follow
    from the greatest eigenvalues mu of W0^-1 dW/ds as s = s0 - 1/mu, found by Arnoldi's process.
    Each is then corrected by inverse iteration at its own real frequency.
    """
    found: list[complex] = []
    for stretch in sweep.stretches:
        low, high = float(stretch.nodes[0]), float(stretch.nodes[-1])
        margin = 0.05 * (high - low)
        first = _first_guesses(stretch, sweep.system.ports, loads)
        for guess, vector in first:
            if not low - margin <= guess.real <= high + margin or guess.imag > high - low:
                continue
            at = _corrected(stretch, sweep.system.ports, loads, guess, vector)
            if at is None or not low <= at.real <= high:
                continue
            if all(abs(at - other) > 0.1 * abs(at.imag) for other in found):
                found.append(at)
    return np.array(sorted(found, key=lambda f: f.real), dtype=np.complex128)


def _scaled_and_slope(
    stretch: Stretch, ports: FloatArray, loads: Sequence[complex], frequency: float
) -> tuple[ComplexArray, ComplexArray]:
    """W = f (Z + loads) and its derivative to f^2."""

    def scaled(at: float) -> ComplexArray:
        return at * (stretch.matrix(at) + (ports * np.asarray(loads)) @ ports.T)

    step = SLOPE_STEP * frequency
    slope = (scaled(frequency + step) - scaled(frequency - step)) / (4.0 * frequency * step)
    return scaled(frequency), slope


def _first_guesses(
    stretch: Stretch, ports: FloatArray, loads: Sequence[complex]
) -> list[tuple[complex, ComplexArray]]:
    """Natural frequencies of the equations made linear in f^2, and their currents."""
    middle = 0.5 * float(stretch.nodes[0] + stretch.nodes[-1])
    matrix, slope = _scaled_and_slope(stretch, ports, loads, middle)
    slope *= middle**2  # s in units of s0
    factors = linalg.lu_factor(matrix, overwrite_a=True, check_finite=False)
    size = matrix.shape[0]
    steps = min(ARNOLDI_STEPS, size)
    start = ports.sum(axis=1) + np.random.default_rng(0).standard_normal(size)
    basis = np.zeros((size, steps + 1), dtype=np.complex128)
    small = np.zeros((steps + 1, steps), dtype=np.complex128)
    basis[:, 0] = start / np.linalg.norm(start)
    for k in range(steps):
        vector = linalg.lu_solve(factors, slope @ basis[:, k], check_finite=False)
        for _ in range(2):  # twice, so that the basis stays orthogonal
            parts = basis[:, : k + 1].conj().T @ vector
            vector -= basis[:, : k + 1] @ parts
            small[: k + 1, k] += parts
        length = float(np.linalg.norm(vector))
        small[k + 1, k] = length
        if length < 1e-14 * abs(small[0, 0]):
            steps = k + 1
            break
        basis[:, k + 1] = vector / length
    values, vectors = np.linalg.eig(small[:steps, :steps])
    good = np.abs(values) > 1e-6 * np.abs(values).max()
    guesses = middle * np.sqrt(1.0 - 1.0 / values[good])
    currents = basis[:, :steps] @ vectors[:, good]
    return [(complex(g), currents[:, n]) for n, g in enumerate(guesses)]


def _corrected(
    stretch: Stretch,
    ports: FloatArray,
    loads: Sequence[complex],
    guess: complex,
    vector: ComplexArray,
) -> complex | None:
    """A natural frequency found by inverse iteration, None if it is none. [Hz]"""
    for _ in range(4):
        real = guess.real
        if not 0.9 * stretch.nodes[0] < real < 1.1 * stretch.nodes[-1]:
            return None
        matrix, slope = _scaled_and_slope(stretch, ports, loads, real)
        slope *= real**2
        factors = linalg.lu_factor(matrix, overwrite_a=True, check_finite=False)
        ratio = 0.0j
        for _ in range(2):
            vector = vector / np.linalg.norm(vector)
            moved = linalg.lu_solve(factors, slope @ vector, check_finite=False)
            ratio = complex(np.vdot(vector, moved))
            vector = moved
        if ratio == 0.0:
            return None
        guess = real * complex(np.sqrt(1.0 - 1.0 / ratio))
        if abs(guess.real - real) <= 0.2 * abs(guess.imag):
            return guess
    return None


def stretches_of(band: Band) -> list[tuple[float, float]]:
    """Edges of the stretches of a band, one after the other. [Hz]"""
    count = max(1, math.ceil(math.log(band.high / band.low) / WIDEST_STRETCH - 1e-9))
    edges = np.geomspace(band.low, band.high, count + 1)
    edges[0], edges[-1] = band.low, band.high
    return [(float(a), float(b)) for a, b in pairwise(edges)]


def first_nodes(low: float, high: float) -> int:
    """With how many nodes a stretch is begun."""
    return next(count for limit, count in NODES if math.log(high / low) <= limit)


def count_matrices(band: Band) -> int:
    """How many matrices a band will take, if no stretch needs more nodes."""
    pieces = stretches_of(band)
    checks = 1 if len(pieces) == 1 else 1 + len(pieces)
    return sum(first_nodes(*piece) for piece in pieces) - (len(pieces) - 1) + checks


def fit_stretch(
    system: System,
    low: float,
    high: float,
    error_of: Callable[[Stretch], float],
    *,
    before: Mapping[float, Node] | None = None,
    with_fields: bool = True,
    tick: Callable[[], None] = lambda: None,
) -> Stretch:
    """Matrices at the nodes of a stretch, more of them until the error found is small enough.

    Parameters
    ----------
    system : System
    low, high : float
        [Hz]
    error_of : callable
        Of a trial, against something that its nodes have not seen.
    before : mapping, optional
        Nodes that are there already, by frequency.
    with_fields : bool
        Keep the fields of the functions in the solids too.
    tick : callable
        Called after each matrix.
    """
    filled = dict(before or {})
    count = first_nodes(low, high)
    while True:
        nodes = chebyshev_nodes(low, high, count)
        for f in map(float, nodes):
            if f not in filled:
                filled[f] = Node.at(system, f, with_fields=with_fields)
                tick()
        trial = Stretch.through(nodes, [filled[float(f)] for f in nodes])
        error = error_of(trial)
        if error <= CHECK_LIMIT or count + 2 > MOST_NODES:
            return replace(trial, error=error)
        count += 2


def prepare_band(
    system: System,
    band: Band,
    *,
    error_estimate: bool = True,
    tick: Callable[[], None] = lambda: None,
) -> BandSweep:
    """Fill the matrices of a band.

    Parameters
    ----------
    system : System
    band : Band
    error_estimate : bool
        Estimate the discretisation error at the centre.
    tick : callable
        Called after each matrix.

    Notes
    -----
    Holds 2 to 10 matrices of N x N complex numbers per stretch, and as many of M x 3 C in single
    precision where there are solids.
    """
    middle = system.solve(band.centre, with_estimate=error_estimate)
    tick()
    pieces = stretches_of(band)
    stretches: list[Stretch] = []
    for low, high in pieces:
        centre = 0.5 * (low + high)
        if len(pieces) == 1:
            expected = middle.admittance
        else:
            expected = system.solve(centre).admittance
            tick()

        def error_of(trial: Stretch, at: float = centre, known: ComplexArray = expected) -> float:
            found = trial.solve(system, at).admittance
            return float(np.abs(found - known).max() / np.abs(known).max())

        before = {low: stretches[-1].last} if stretches else {}
        stretches.append(fit_stretch(system, low, high, error_of, before=before, tick=tick))
    return BandSweep(system, band, tuple(stretches), middle)
