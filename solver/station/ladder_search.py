r"""The best values of a ladder of two or three adjustable parts, for many loads at once.

Arrays only. A part adds s d to the impedance (in series) or admittance (across) that it sees, with
d fixed by its Q and s >= 0 proportional to its value or to one over it:

    series coil       s = w L       d = 1/Q + j        series capacitor s = 1/(w C)  d = 1/Q - j
    shunt capacitor   s = w C       d = 1/(1/Q - j)    shunt coil      s = 1/(w L)  d = 1/(1/Q + j)

What meets an SWR limit S is a disc, of centre w0 (S + 1/S)/2 and radius w0 (S - 1/S)/2, in the
plane of impedance (w0 = z0) as in that of admittance (w0 = 1/z0). So the part at the input, given
all behind it, meets the limit for one stretch of s in closed form. Its loss rises with s: the
smallest s of the stretch is best, and where the stretch is empty the SWR along s has one minimum,
in closed form too. The part before is tried at every step, or, if it turns without steps, at points
between the places where the stretch of the first appears or ends (roots of quadratics), then ever
more closely around the best. A third part, at the load, is tried at every step or by closing in.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..moments.basis import ComplexArray, FloatArray

_GUARD = 1e-9
"""The limit is met this much inside, so that rounding cannot put a match outside."""
_MOST_STEPS = 400
"""Steps of the part at the load, of three, that are tried one by one; more are closed in on."""
_BLOCK = 400_000
"""Loads times candidates that are worked on at once."""


_Complex = NDArray[np.complexfloating] | complex


@dataclass(frozen=True)
class Slot:
    """One adjustable part in its place.

    Attributes
    ----------
    is_coil, is_series : bool
        What it is and where.
    low, high : float
        Smallest and greatest value. [H or F]
    step : float or None
        Distance of its steps, counted from the low end; None if it turns without steps.
    q : float
        Its Q.
    """

    is_coil: bool
    is_series: bool
    low: float
    high: float
    step: float | None
    q: float

    @property
    def is_direct(self) -> bool:
        """Whether s is proportional to the value, not to one over it."""
        return self.is_coil == self.is_series

    @property
    def direction(self) -> complex:
        """d of the module's equations."""
        z = 1.0 / self.q + (1.0j if self.is_coil else -1.0j)
        return z if self.is_series else 1.0 / z

    @property
    def n_steps(self) -> int:
        """Index of its last step."""
        if self.step is None:
            return 0
        return int(np.floor((self.high - self.low) / self.step + 1e-9))

    def values(self) -> FloatArray:
        """Return all values of a part with steps, without a 0 that would cut or short."""
        values = self.low + (self.step or 0.0) * np.arange(self.n_steps + 1)
        usable = values if self.is_direct else values[values > 0.0]
        return np.asarray(usable, dtype=np.float64)

    def s(self, values: FloatArray, omega: FloatArray) -> FloatArray:
        """s of the module's equations for values at angular frequencies."""
        with np.errstate(divide="ignore"):
            return np.asarray(omega * values if self.is_direct else 1.0 / (omega * values))

    def ends(self, omega: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Smallest and greatest s; a value of 0 of the inverse kind stands for high/1e6."""
        if self.is_direct:
            return omega * self.low, omega * self.high
        least = self.low or (self.step or 1e-6 * self.high)
        return 1.0 / (omega * self.high), 1.0 / (omega * least)

    def stepped(self, s: FloatArray, omega: FloatArray, *, up: bool) -> FloatArray:
        """s of the step at or next above (or below), within the range."""
        if self.step is None:
            low, high = self.ends(omega)
            return np.asarray(np.clip(s, low, high))
        with np.errstate(divide="ignore", over="ignore"):
            value = s / omega if self.is_direct else 1.0 / (omega * np.maximum(s, 1e-300))
        index = (value - self.low) / self.step
        index = np.ceil(index - 1e-9) if up == self.is_direct else np.floor(index + 1e-9)
        first = 0 if self.is_direct or self.low > 0.0 else 1
        return self.s(self.low + self.step * np.clip(index, first, self.n_steps), omega)


@dataclass(frozen=True)
class Found:
    """The best s of each part, input first, shape (N, P), and what it gives, shape (N,)."""

    s: FloatArray
    score: FloatArray
    """Loss as a part of the power where the limit is met, 2 + |reflection| where it is not."""


def search(
    slots: Sequence[Slot], loads: ComplexArray, omega: FloatArray, *, z0: float, limit: float
) -> Found:
    """Best s of a ladder of two or three parts, input first, that alternate in series and across.

    Parameters
    ----------
    slots : sequence of Slot, length P
        From the input to the load; neighbours are not both in series or both across.
    loads : ndarray of complex, shape (N,)
        Resistance > 0. [ohm]
    omega : ndarray of float, shape (N,)
        Angular frequencies. [rad/s]
    z0 : float
        Reference at the input. [ohm]
    limit : float
        Greatest SWR that counts as a match.

    Returns
    -------
    Found
        The lowest loss among what meets the limit, or else the lowest SWR.
    """
    if len(slots) == 2:
        return _search_two(slots, loads, omega, np.zeros(loads.shape), z0=z0, limit=limit)
    outer = slots[2]
    if outer.step is not None and outer.n_steps < _MOST_STEPS:
        tried = outer.s(outer.values()[None, :], omega[:, None])
        return _best_outer(slots, loads, omega, tried, z0=z0, limit=limit)
    low, high = outer.ends(omega)
    # Near resonance with the load everything changes within the load's own resistance.
    seen = loads if outer.is_series else 1.0 / loads
    resonance = -seen.imag / outer.direction.imag
    around = resonance[:, None] + seen.real[:, None] * np.linspace(-6.0, 6.0, 25)
    around = np.clip(around, low[:, None], high[:, None])
    tried = np.concatenate([_spread(low, high, 32), around], axis=1)
    tried = _rounded(outer, tried, omega)
    best = _best_outer(slots, loads, omega, tried, z0=z0, limit=limit)
    width = np.log(high / np.maximum(low, 1e-5 * high)) / 32
    for _ in range(5):
        at = best.s[:, 2:]
        factors = np.exp(width[:, None] * np.linspace(-1.0, 1.0, 9))
        near = np.clip(at * factors, low[:, None], high[:, None])
        again = _best_outer(slots, loads, omega, _rounded(outer, near, omega), z0=z0, limit=limit)
        best = _better(best, again)
        width = width / 3.5
    return best


def _rounded(slot: Slot, s: FloatArray, omega: FloatArray) -> FloatArray:
    """Both steps around each s, for a part with steps."""
    if slot.step is None:
        return s
    sides = [slot.stepped(s, omega[:, None], up=up) for up in (False, True)]
    return np.concatenate(sides, axis=1)


def _best_outer(
    slots: Sequence[Slot],
    loads: ComplexArray,
    omega: FloatArray,
    tried: FloatArray,
    *,
    z0: float,
    limit: float,
) -> Found:
    """Best over given s of the part at the load, shape (N, K)."""
    n, k = tried.shape
    outer = slots[2]
    seen = (loads if outer.is_series else 1.0 / loads)[:, None]
    with_part = seen + tried * outer.direction
    kept = seen.real / with_part.real
    inner_loads = with_part if outer.is_series else 1.0 / with_part
    wide = np.repeat(omega, k)
    lost = 1.0 - kept.ravel()
    found = _search_two(slots[:2], inner_loads.ravel(), wide, lost, z0=z0, limit=limit)
    s, score = found.s.reshape(n, k, 2), found.score.reshape(n, k)
    best = np.argmin(score, axis=1)
    rows = np.arange(n)
    return Found(
        np.concatenate([s[rows, best], tried[rows, best][:, None]], axis=1), score[rows, best]
    )


def _search_two(
    slots: Sequence[Slot],
    loads: ComplexArray,
    omega: FloatArray,
    lost: FloatArray,
    *,
    z0: float,
    limit: float,
) -> Found:
    """Best of two parts where a part `lost` of the power goes astray behind them; in blocks."""
    first, second = slots
    n = loads.size
    if second.step is not None:
        width = second.n_steps + 1
    elif first.step is not None:
        width = 18 * (first.n_steps + 1) + 100
    else:
        width = 300
    rows = max(1, _BLOCK // width)
    parts = [
        _two_block(
            first, second, loads[at : at + rows], omega[at : at + rows], lost[at : at + rows],
            z0=z0, limit=limit,
        )
        for at in range(0, n, rows)
    ]  # fmt: skip
    return Found(
        np.concatenate([part.s for part in parts]), np.concatenate([part.score for part in parts])
    )


def _two_block(
    first: Slot,
    second: Slot,
    loads: ComplexArray,
    omega: FloatArray,
    lost: FloatArray,
    *,
    z0: float,
    limit: float,
) -> Found:
    w0 = z0 if first.is_series else 1.0 / z0
    s_limit = limit * (1.0 - _GUARD)
    problem = _Problem(
        first,
        second,
        (loads if second.is_series else 1.0 / loads)[:, None],
        omega[:, None],
        1.0 - lost[:, None],
        w0=w0,
        centre=w0 * (s_limit + 1.0 / s_limit) / 2.0,
        radius=w0 * (s_limit - 1.0 / s_limit) / 2.0,
    )
    if second.step is not None:
        return problem.best_of(second.s(second.values()[None, :], omega[:, None]))
    low, high = second.ends(omega)
    roots = problem.edges()
    generic = _spread(low, high, 16)
    edges = np.sort(np.clip(np.concatenate([roots, generic], axis=1), low[:, None], high[:, None]))
    between = [edges]
    # Just inside an edge the stretch exists and its loss is least or most; the middle is sure.
    for part in (1e-6, 0.03, 0.5, 0.97, 1.0 - 1e-6):
        between.append(edges[:, :-1] + part * np.diff(edges, axis=1))
    tried = np.sort(np.concatenate(between, axis=1))
    best = problem.best_of(tried)
    for _ in range(4):
        # The neighbours of the best among those tried bound the next, closer look.
        at = best.s[:, 1:]
        below = np.where(tried < at, tried, -np.inf).max(axis=1)
        above = np.where(tried > at, tried, np.inf).min(axis=1)
        below = np.where(np.isfinite(below), below, at[:, 0])[:, None]
        above = np.where(np.isfinite(above), above, at[:, 0])[:, None]
        line = np.linspace(0.0, 1.0, 12)
        tried = np.concatenate([below + (at - below) * line, at + (above - at) * line], axis=1)
        best = _better(best, problem.best_of(tried))
    return best


@dataclass(frozen=True)
class _Problem:
    """Two parts in front of loads; `seen` is in the second part's plane, shape (N, 1)."""

    first: Slot
    second: Slot
    seen: ComplexArray
    omega: FloatArray
    kept: FloatArray
    w0: float
    centre: float
    radius: float

    def best_of(self, tried: FloatArray) -> Found:
        """Best over given s of the second part, shape (N, K)."""
        with_second = self.seen + tried * self.second.direction
        behind = 1.0 / with_second
        kept = self.kept * self.seen.real / with_second.real
        d = self.first.direction
        size = abs(d)
        away = (self.centre - behind) * np.conj(d) / size
        half = np.sqrt(np.maximum(self.radius**2 - away.imag**2, 0.0)) / size
        begins, ends = away.real / size - half, away.real / size + half
        low, high = self.first.ends(self.omega)
        s = self.first.stepped(np.maximum(begins, low), self.omega, up=True)
        slack = 1e-12 * np.abs(s)
        meets = (
            (np.abs(away.imag) <= self.radius)
            & (s <= np.minimum(ends, high) + slack)
            & (s >= np.maximum(begins, low) - slack)
        )
        loss = 1.0 - kept * behind.real / (behind + s * d).real
        nearest = self._least_swr(behind)
        sizes = [self._reflection(behind, x) for x in nearest]
        other = np.where(sizes[0] <= sizes[1], nearest[0], nearest[1])
        score = np.where(meets, loss, 2.0 + np.minimum(*sizes))
        s = np.where(meets, s, other)
        best = np.argmin(score, axis=1)
        rows = np.arange(best.size)
        return Found(np.stack([s[rows, best], tried[rows, best]], axis=1), score[rows, best])

    def _least_swr(self, behind: ComplexArray) -> tuple[FloatArray, FloatArray]:
        """s of the first part, one step below and above the least SWR."""
        d = self.first.direction
        s = _least_ratio(behind - self.w0, d, behind + self.w0, d)
        low, high = self.first.ends(self.omega)
        s = np.clip(s, low, high)
        if self.first.step is None:
            return s, s
        return (
            self.first.stepped(s, self.omega, up=False),
            self.first.stepped(s, self.omega, up=True),
        )

    def _reflection(self, behind: ComplexArray, s: FloatArray) -> FloatArray:
        w = behind + s * self.first.direction
        return np.asarray(np.abs((w - self.w0) / (w + self.w0)))

    def edges(self) -> FloatArray:
        """s of the second part where the first part's stretch can appear or end, shape (N, K).

        With W = seen + x e: the ray from 1/W along d touches the disc, or passes its middle, where
        Im(d W) = kappa |W|^2; its end 1/W + s d lies on the disc where
        |1 + k W|^2 = radius^2 |W|^2, k = s d - centre. Where no setting meets the limit, the SWR is
        least on such an end: least |1 + (s d - w0) W|/|1 + (s d + w0) W| along x.
        """
        d, e, w = self.first.direction, self.second.direction, self.seen
        square = (abs(e) ** 2, 2.0 * (w * np.conj(e)).real, np.abs(w) ** 2)  # |W|^2 over x
        found: list[FloatArray] = []
        middle = self.centre * d.imag
        for kappa in (
            middle - self.radius * abs(d),
            self.w0 * d.imag,
            middle + self.radius * abs(d),
        ):
            found += _roots(
                kappa * square[0] + 0.0 * w.real,
                kappa * square[1] - (d * e).imag,
                kappa * square[2] - (d * w).imag,
            )
        if self.first.step is None:
            s_of_ends = np.stack(self.first.ends(self.omega), axis=-1)[:, 0, :]
        else:
            s_of_ends = self.first.s(self.first.values()[None, :], self.omega)
        k = s_of_ends * d - self.centre
        excess = np.abs(k) ** 2 - self.radius**2
        found += _roots(
            excess * square[0],
            excess * square[1] + 2.0 * (k * e).real,
            excess * square[2] + 2.0 * (k * w).real + 1.0,
        )
        down = np.asarray(s_of_ends * d - self.w0, dtype=np.complex128)
        up = down + 2.0 * self.w0
        found.append(_least_ratio(1.0 + down * w, down * e, 1.0 + up * w, up * e))
        return np.concatenate(found, axis=1)


def _least_ratio(a: ComplexArray, p: _Complex, b: ComplexArray, q: _Complex) -> FloatArray:
    """Where |a + p x|/|b + q x| is least, 0 where it has no minimum.

    The derivative of its square is a quadratic in x over a square; the minimum is the root at
    which it rises.
    """
    in_a, in_b = np.real(a * np.conj(p)), np.real(b * np.conj(q))
    of_p, of_q = np.abs(p) ** 2, np.abs(q) ** 2
    of_a, of_b = np.abs(a) ** 2, np.abs(b) ** 2
    c0, c1 = in_a * of_b - in_b * of_a, of_p * of_b - of_q * of_a
    c2 = of_p * in_b - of_q * in_a
    inner = c1**2 - 4.0 * c0 * c2
    root = np.sqrt(np.maximum(inner, 0.0))
    with np.errstate(divide="ignore", invalid="ignore"):
        # Of the two forms of the root, the one that does not cancel.
        x = np.where(c1 >= 0.0, -2.0 * c0 / (c1 + root), (root - c1) / (2.0 * c2))
    return np.where((inner >= 0.0) & np.isfinite(x), x, 0.0)


def _roots(a: FloatArray, b: FloatArray, c: FloatArray) -> list[FloatArray]:
    """Both roots of a x^2 + b x + c, 0 where there is none."""
    inner = b**2 - 4.0 * a * c
    t = -0.5 * (b + np.where(b >= 0.0, 1.0, -1.0) * np.sqrt(np.maximum(inner, 0.0)))
    with np.errstate(divide="ignore", invalid="ignore"):
        both = [np.where(inner >= 0.0, x, 0.0) for x in (t / a, c / t)]
    return [np.where(np.isfinite(x), x, 0.0) for x in both]


def _spread(low: FloatArray, high: FloatArray, count: int) -> FloatArray:
    """Points from low to high, shape (N, count), by equal ratios, with 0 where low is 0."""
    start = np.maximum(low, 1e-5 * high)
    points = start[:, None] * (high / start)[:, None] ** np.linspace(0.0, 1.0, count)
    points[:, 0] = low
    return points


def _better(one: Found, other: Found) -> Found:
    take = other.score < one.score
    return Found(np.where(take[:, None], other.s, one.s), np.where(take, other.score, one.score))
