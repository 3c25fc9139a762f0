r"""How bricks of a timber act on each other, where a wire comes close.

A field that changes within a timber is met by charges on its faces.  The timber is cut into
bricks; a brick with the polarisation P = eps0 chi E gives, quasi-statically, the mean field
K P/eps0 in every other and in itself, so that the mean fields E of all bricks and e of the wires'
obey

    E = e + K chi E,      P = eps0 chi (1 - K chi)^-1 e.

K is minus the demagnetising tensor of a uniformly polarised prism [1]_, averaged over the brick
that receives it; on itself a cube has -1/3.

Cells one after the other that a wire crosses are taken together as a run, so that no result
depends on where between them they are cut.  Alongside a wire a cell is a run of its own: the field
hardly changes from cell to cell.  The timber goes on beyond a run, where the wires' uneven field is
left out: all its slices are alike, so the answer of one to another depends on their distance alone
and is had by Fourier transform along the timber, with a few small matrices to invert.

References
----------
.. [1] A. J. Newell, W. Williams, D. J. Dunlop, J. Geophys. Res. 98(B6), 1993, tensors of prisms
   (from memory; the point function is computed anew from the potential of charged rectangles).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, NamedTuple, TypeAlias

import numpy as np
from scipy.constants import epsilon_0
from scipy.fft import next_fast_len

from ..moments.basis import ComplexArray, FloatArray, IntArray
from ..moments.quadrature import gauss
from .cells import Cells
from .distance_kernels import nearest_elements
from .kernels import BRICKED, SHEET, WHOLE

AVERAGE_NODES = 4
"""Gauss nodes along each side of the brick that receives a field."""

CLOSE_IN_DEPTHS, CLOSE_TO_CROSSING = 1.0, 3.0
"""Timber nearer to a wire alongside it, or one that crosses it, than this times its greater side is
cut into bricks."""

BEYOND_IN_DEPTHS = 6.0
"""Length of timber, in greater sides, that answers beyond a run before all repeats itself."""

MOST_BRICKS_ACROSS = 5
"""Bricks are about as long as the timber's lesser side; not less than this part of the greater."""

ALONGSIDE, LONG_BRICK, NARROW_BRICK = 0.8, 2.2, 0.4
"""A wire whose direction has this cosine with the timber runs alongside: its field changes over the
section but not along, so bricks are longer, narrower and less deep by these factors.  Under a wire
that crosses they are half as long: its place in a brick then matters by 1 % where it touches."""

LONGEST_RUN = 4
"""Cells in a run at most: the functions near it and their pairs grow with it."""

Sides: TypeAlias = tuple[float, float, float]
Counts: TypeAlias = tuple[int, int, int]


def prism_field(points: FloatArray, half: FloatArray) -> FloatArray:
    """E of uniform polarisations along x, y, z of a prism about the origin, P/eps0 = 1, (N, 3, 3).

    Last axis the component of the field, middle axis the direction of the polarisation.

    Parameters
    ----------
    points : (N, 3) float
        Off the edges. [m]
    half : (3,) float
        Half sides of the prism. [m]
    """
    tensor = np.zeros((points.shape[0], 3, 3))
    for corner in range(8):
        signs = np.array([1.0 if corner >> a & 1 else -1.0 for a in range(3)])
        # second derivatives of the triple integral of 1/R are elementary at its corners
        x, y, z = (points - signs * half).T
        r = np.sqrt(x * x + y * y + z * z)
        parity = float(signs.prod())
        for a, (u, v, w) in enumerate(((x, y, z), (y, z, x), (z, x, y))):
            b = (a + 1) % 3
            tensor[:, a, a] += parity * np.arctan(v * w / (u * r))
            mixed = parity * np.log(r + w)
            tensor[:, a, b] -= mixed
            tensor[:, b, a] -= mixed
    return tensor / (4.0 * np.pi)


def brick_fields(sides: Sides, counts: Counts) -> FloatArray:
    """Mean field over a brick of one that lies some bricks before it, (*counts, 3, 3).

    Parameters
    ----------
    sides : three floats
        Of one brick. [m]
    counts : three ints
        Distances 0 ... n - 1 along each axis, in bricks.
    """
    half = 0.5 * np.array(sides)
    grid = np.stack(np.meshgrid(*(np.arange(n) for n in counts), indexing="ij"), axis=-1)
    centers = (grid * np.array(sides)).reshape(-1, 3)
    xi, weight = gauss(AVERAGE_NODES)
    nodes = np.stack(np.meshgrid(xi, xi, xi, indexing="ij"), axis=-1).reshape(-1, 3) * half
    weights = np.einsum("i,j,k->ijk", weight, weight, weight).ravel() / 8.0
    points = (centers[:, None] + nodes).reshape(-1, 3)
    fields = prism_field(points, half).reshape(len(centers), -1, 3, 3)
    return np.einsum("lgab,g->lab", fields, weights).reshape(*counts, 3, 3)


@lru_cache(maxsize=32)
def spectrum(sides: Sides, section: tuple[int, int], period: int) -> ComplexArray:
    """K of a slice of bricks on the slices of a long timber, in the Fourier domain, (L, 3 s, 3 s).

    Read-only and complex symmetric in the sense K(-q) = K(q)^T.

    Parameters
    ----------
    sides : three floats
        Of one brick. [m]
    section : two ints
        The s bricks of a slice along the second and the third axis, the latter fastest.
    period : int
        Slices L after which all repeats itself, even.
    """
    fields = brick_fields(sides, (period // 2, *section))
    place = np.stack(np.unravel_index(np.arange(section[0] * section[1]), section), axis=-1)
    wide, deep = np.moveaxis(place[:, None] - place[None], -1, 0)
    lag = np.fft.fftfreq(period, 1.0 / period).astype(np.int64)[:, None, None]
    # half a period away counts on neither side
    along = np.minimum(np.abs(lag), period // 2 - 1)
    found = fields[along, np.abs(wide), np.abs(deep)]
    found[period // 2] = 0.0
    # even in the distance along each axis where a component is its own, else odd in both
    way = np.where(np.stack(np.broadcast_arrays(lag, wide, deep), axis=-1) < 0, -1.0, 1.0)
    found = found * np.where(np.eye(3, dtype=bool), 1.0, way[..., :, None] * way[..., None, :])
    size = 3 * len(place)
    matrix = np.fft.fft(found.transpose(0, 1, 3, 2, 4).reshape(period, size, size), axis=0)
    matrix.setflags(write=False)
    return matrix


def response(sides: Sides, counts: Counts, susceptibility: ComplexArray) -> ComplexArray:
    """(1/chi - K)^-1 of a long timber, chi = ec - 1 along its axes (3,), (L, 3 s, 3 s).

    P/eps0 of a slice of its s bricks by the fields in a slice, in the Fourier domain; `counts` are
    the bricks of the run, which is shorter than the period L.
    """
    size = max(sides[1] * counts[1], sides[2] * counts[2])
    beyond = int(np.ceil(BEYOND_IN_DEPTHS * size / sides[0]))
    half: Any = next_fast_len((counts[0] + beyond + 1) // 2)
    along, wide, deep = (complex(chi) for chi in susceptibility)
    return _response(sides, (counts[1], counts[2]), 2 * int(half), (along, wide, deep))


@lru_cache(maxsize=32)
def _response(
    sides: Sides, section: tuple[int, int], period: int, susceptibility: tuple[complex, ...]
) -> ComplexArray:
    own = np.diag(np.tile(1.0 / np.array(susceptibility), section[0] * section[1]))
    inverse = np.asarray(np.linalg.inv(own - spectrum(sides, section, period)), dtype=complex)
    inverse.setflags(write=False)
    return inverse


class BrickWeight(NamedTuple):
    """Of what a run is made.

    Attributes
    ----------
    bricks : (L, 3 s, 3 s) complex
        `response`: P/eps0 of a slice of bricks by the fields in a slice, in the Fourier domain.
    unit : float
        eps0 times the volume of a brick. [F m^2]
    even : (3,) complex
        alpha of even fields times the volume of a brick. [F m^2]
    """

    bricks: ComplexArray
    unit: float
    even: ComplexArray

    def moments(self, fields: FloatArray) -> ComplexArray:
        """Of the bricks, by fields of functions in them, (3 N, n) both."""
        period, size, _ = self.bricks.shape
        slices = fields.reshape(-1, size, fields.shape[1])
        answers = np.fft.ifft(self.bricks @ np.fft.fft(slices, period, axis=0), axis=0)
        return self.unit * answers[: len(slices)].reshape(fields.shape)


@dataclass(frozen=True, eq=False)
class Bricks:
    """A run of cells of timber close to wires, cut into bricks.

    Attributes
    ----------
    sides, counts
        Of one brick [m], and bricks along each axis.
    vector, slope : (3 N, n) float
        Means over the N bricks of t v_f and s_f less those over the run.
    run_vector, run_slope : (3, n) float
        Means over the run.
    cell_vector, cell_slope : (R, 3, n) float
        Means over its R cells less those over the run.
    shares : (R,) int
        Bricks in each of its cells.
    place : (n, n) int
        Where the pairs of functions are in the part's `Covariance`, -1 below the diagonal.
    """

    sides: Sides
    counts: Counts
    vector: FloatArray
    slope: FloatArray
    run_vector: FloatArray
    run_slope: FloatArray
    cell_vector: FloatArray
    cell_slope: FloatArray
    shares: IntArray
    place: IntArray

    @classmethod
    def from_means(
        cls,
        sides: FloatArray,
        counts: IntArray,
        means: tuple[FloatArray, FloatArray],
        *,
        place: IntArray,
    ) -> Bricks:
        """From the means of t v_f and s_f over the bricks, each (N, n, 3).

        Parameters
        ----------
        sides : (3,) float
            Of one brick. [m]
        counts : (R, 3) int
            Bricks of each cell along its axes.
        """
        shares = counts.prod(axis=1)
        first = np.cumsum(shares) - shares
        parts = []
        for each in means:
            run = each.mean(axis=0)
            rest = np.ascontiguousarray((each - run).transpose(0, 2, 1))
            cell = np.add.reduceat(rest, first, axis=0) / shares[:, None, None]
            parts.append((rest.reshape(-1, rest.shape[2]), run.T, cell))
        (vector, run_vector, cell_vector), (slope, run_slope, cell_slope) = parts
        return cls(
            (float(sides[0]), float(sides[1]), float(sides[2])),
            (int(counts[:, 0].sum()), int(counts[0, 1]), int(counts[0, 2])),
            vector, slope, run_vector, run_slope, cell_vector, cell_slope, shares, place,
        )  # fmt: skip

    def weight(self, susceptibility: ComplexArray, even: ComplexArray) -> BrickWeight:
        """With chi = ec - 1 along the axes (3,) and alpha of even fields (3,) [F/m]."""
        volume = float(np.prod(self.sides))
        answer = response(self.sides, self.counts, susceptibility)
        return BrickWeight(answer, epsilon_0 * volume, volume * even)

    def forms(self, weights: Sequence[BrickWeight]) -> list[ComplexArray]:
        """Reaction of the functions on each other less that of their means over cells, (3, n, n).

        For each of some stuffs that the run may be made of.  Vector potentials with each other,
        both ways with the gradients, gradients with each other.  An even field across the timber
        polarises it unevenly over the section, so that it reacts on the rest as well, as it does
        in a long timber.
        """
        size, n = 3 * self.counts[1] * self.counts[2], self.vector.shape[1]
        slices = np.concatenate([self.vector, self.slope], axis=1).reshape(-1, size, 2 * n)
        (period,) = {weight.bricks.shape[0] for weight in weights}
        # of real fields, so that one half of the spectrum tells all
        rests = np.fft.rfft(slices, period, axis=0)
        part = np.ones((len(rests), 1, 1))
        part[[0, -1]] = 0.5
        left = (rests.conj() * (part / period)).reshape(-1, 2 * n).T
        return [self._forms(weight, rests, left) for weight in weights]

    def _forms(self, weight: BrickWeight, rests: ComplexArray, left: ComplexArray) -> ComplexArray:
        n_section, n = self.counts[1] * self.counts[2], self.vector.shape[1]
        answers = weight.bricks[: len(rests)] @ rests
        half = left @ answers.reshape(left.shape[::-1])
        # (section, component, direction of an even field)
        profile = weight.bricks[0].reshape(n_section, 3, n_section, 3).sum(axis=2)
        on_rest = np.zeros((n_section, 3, 1), dtype=np.complex128)
        on_rest[:, 1:, 0] = profile[:, [1, 2], [1, 2]]
        felt = (on_rest * rests[0].reshape(n_section, 3, 2 * n)).sum(axis=0)
        half += np.concatenate([self.run_vector, self.run_slope], axis=1).T @ felt
        total = weight.unit * (half + half.T)
        # what the means over cells differ by within a run has been counted with them
        again = (self.shares[:, None] * weight.even).ravel()[:, None]
        cells = np.concatenate([self.cell_vector, self.cell_slope], axis=2).reshape(-1, 2 * n)
        total -= cells.T @ (again * cells)
        mixed = total[:n, n:]
        return np.array([total[:n, :n], mixed + mixed.T, total[n:, n:]])


class BrickPlan(NamedTuple):
    """How cells are integrated.

    Attributes
    ----------
    kind : (C,) int
        SHEET, BRICKED or WHOLE.
    counts : (C, 3) int
        Bricks along the axes of each cell, 1 unless BRICKED.
    runs : tuple of (R,) int
        Cells of each run, in order along the timber; their bricks are all alike.
    """

    kind: IntArray
    counts: IntArray
    runs: tuple[IntArray, ...]


def plan_bricks(cells: Cells, starts: FloatArray, ends: FloatArray) -> BrickPlan:
    """Which timber to cut into bricks, by its distance to wires (E, 3) to (E, 3)."""
    sides = 2.0 * cells.half
    distance, which = nearest_elements(_spread(cells), starts, ends)
    distance, which = distance.reshape(len(cells), -1), which.reshape(len(cells), -1)
    rows, least = np.arange(len(cells)), distance.argmin(axis=1)
    nearest = distance[rows, least]
    way = (ends - starts)[which[rows, least]]
    along = np.abs(np.einsum("ca,ca->c", way, cells.frame[:, 0])) / np.linalg.norm(way, axis=1)
    narrow, deep = sides[:, 1:].min(axis=1), sides[:, 1:].max(axis=1)
    parallel = along > ALONGSIDE
    close = ~cells.flat & (nearest < np.where(parallel, CLOSE_IN_DEPTHS, CLOSE_TO_CROSSING) * deep)
    size = np.stack(
        [np.where(parallel, LONG_BRICK, 0.5), *2 * [np.where(parallel, NARROW_BRICK, 1.0)]], axis=1
    )
    size = size * np.maximum(narrow, deep / MOST_BRICKS_ACROSS)[:, None]
    counts = np.where(close[:, None], np.maximum(np.rint(sides / size), 1), 1).astype(np.int64)
    kind = np.where(cells.flat, SHEET, np.where(close, BRICKED, WHOLE)).astype(np.int64)
    runs: list[IntArray] = []
    for chain in _chains(cells, np.flatnonzero(close & ~parallel)):
        # cells are halves of halves: the bricks of the shortest serve all
        length = cells.half[chain, 0]
        shortest = chain[int(np.argmin(length))]
        counts[chain] = counts[shortest]
        counts[chain, 0] *= np.rint(length / length.min()).astype(np.int64)
        runs += _shorter(chain, nearest)
    runs += [np.array([c]) for c in np.flatnonzero(close & parallel)]
    return BrickPlan(kind, counts, tuple(runs))


def _chains(cells: Cells, chosen: IntArray) -> list[IntArray]:
    """Chosen cells that continue each other along a timber, twice or half as long or alike."""

    def key(c: int, side: float) -> tuple[object, ...]:
        end = cells.center[c] + side * cells.half[c, 0] * cells.frame[c, 0]
        alike = np.concatenate([end, cells.half[c, 1:], cells.frame[c].ravel()])
        return int(cells.solid[c]), *np.round(alike, 6)

    def fits(c: int, other: int | None) -> int | None:
        if other is None:
            return None
        octaves = np.log2(cells.half[other, 0] / cells.half[c, 0])
        return other if abs(octaves - np.rint(octaves)) < 1e-6 else None

    begins = {key(c, -1.0): int(c) for c in chosen}
    following = {int(c): fits(c, begins.get(key(c, 1.0))) for c in chosen}
    heads = set(following) - set(following.values())
    chains = []
    for head in sorted(heads):
        chain, at = [], head
        while at is not None:
            chain.append(at)
            at = following[at]
        chains.append(np.array(chain))
    return chains


def _shorter(chain: IntArray, nearest: FloatArray) -> list[IntArray]:
    """Runs of at most `LONGEST_RUN` cells, parted where the wires are farthest."""
    if chain.size <= LONGEST_RUN:
        return [chain]
    between = np.minimum(nearest[chain[:-1]], nearest[chain[1:]])
    # the nearer to the middle the better where all are as near
    between = between - 1e-6 * np.abs(np.arange(between.size) - 0.5 * (between.size - 1))
    cut = int(np.argmax(between)) + 1
    return _shorter(chain[:cut], nearest) + _shorter(chain[cut:], nearest)


def _spread(cells: Cells) -> FloatArray:
    """Points along the first axis of each cell, (C 9, 3). [m]"""
    steps = np.linspace(-1.0, 1.0, 9)[:, None] * cells.half[:, None, :1]
    return np.ascontiguousarray((cells.center[:, None] + steps * cells.frame[:, :1]).reshape(-1, 3))
