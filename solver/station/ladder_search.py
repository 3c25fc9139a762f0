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
more closely around the best. Of three parts one with steps is tried at every step, whichever place
it has: behind the two, between them or, moving the disc, in front of them. Without steps, the part
at the load is tried here and there and then ever more closely around the best.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from ..moments.basis import ComplexArray, FloatArray

_GUARD = 1e-9
"""The limit is met this much inside, so that rounding cannot put a match outside."""
_MOST_STEPS = 400
"""Of three parts: the steps of one that are tried one by one; of more, first every so many."""
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
        return _search_two(slots[0], slots[1], loads, omega, _Fixed(), z0=z0, limit=limit)

    def over(which: int, tried: FloatArray) -> Found:
        return _best_over(slots, which, loads, omega, tried, z0=z0, limit=limit)

    for which in (2, 1, 0):
        if slots[which].step is None:
            continue
        # Of very many steps first some, then those around the best.
        values = slots[which].values()
        stride = -(-values.size // _MOST_STEPS)
        best = over(which, slots[which].s(values[None, ::stride], omega[:, None]))
        if stride > 1:
            s_of_best = best.s[:, which]
            value = s_of_best / omega if slots[which].is_direct else 1.0 / (s_of_best * omega)
            index = np.rint((value - values[0]) / (slots[which].step or 1.0)).astype(np.int64)
            near = np.clip(index[:, None] + np.arange(1 - stride, stride), 0, values.size - 1)
            best = _better(best, over(which, slots[which].s(values[near], omega[:, None])))
        return best
    outer = slots[2]
    low, high = outer.ends(omega)
    # Near resonance with the load everything changes within the load's own resistance.
    seen = loads if outer.is_series else 1.0 / loads
    resonance = -seen.imag / outer.direction.imag
    around = resonance[:, None] + seen.real[:, None] * np.linspace(-6.0, 6.0, 25)
    around = np.clip(around, low[:, None], high[:, None])
    best = over(2, np.concatenate([_spread(low, high, 32), around], axis=1))
    width = np.log(high / np.maximum(low, 1e-5 * high)) / 32
    for _ in range(5):
        factors = np.exp(width[:, None] * np.linspace(-1.0, 1.0, 9))
        near = np.clip(best.s[:, 2:] * factors, low[:, None], high[:, None])
        best = _better(best, over(2, near))
        width = width / 3.5
    return best


@dataclass(frozen=True)
class _Fixed:
    """What is held while two parts are sought, each shape (N, 1): the third part, or none."""

    kept: FloatArray = field(default_factory=lambda: np.ones((1, 1)))
    """Part of the power that gets past a third part at the load."""
    between: ComplexArray | None = None
    """Immittance of a third part between the two, in the plane that is not theirs."""
    ahead: ComplexArray | None = None
    """Immittance of a third part in front of the two."""

    def rows(self, rows: slice) -> _Fixed:
        """Return some rows."""
        kept = self.kept if self.kept.shape[0] == 1 else self.kept[rows]
        between = None if self.between is None else self.between[rows]
        return _Fixed(kept, between, None if self.ahead is None else self.ahead[rows])


def _best_over(
    slots: Sequence[Slot],
    which: int,
    loads: ComplexArray,
    omega: FloatArray,
    tried: FloatArray,
    *,
    z0: float,
    limit: float,
) -> Found:
    """Best of three parts over given s of one of them, shape (N, K)."""
    n, k = tried.shape
    held = np.asarray(tried * slots[which].direction, dtype=np.complex128)
    behind = np.repeat(loads, k)
    fixed = _Fixed(between=held.reshape(-1, 1))
    if which == 2:
        seen = (loads if slots[2].is_series else 1.0 / loads)[:, None]
        with_part = seen + held
        behind = (with_part if slots[2].is_series else 1.0 / with_part).ravel()
        fixed = _Fixed((seen.real / with_part.real).reshape(-1, 1))
    elif which == 0:
        fixed = _Fixed(ahead=held.reshape(-1, 1))
    others = [m for m in range(3) if m != which]
    first, second = (slots[m] for m in others)
    found = _search_two(first, second, behind, np.repeat(omega, k), fixed, z0=z0, limit=limit)
    score = found.score.reshape(n, k)
    best, rows = np.argmin(score, axis=1), np.arange(n)
    s = np.empty((n, 3))
    s[:, others] = found.s.reshape(n, k, 2)[rows, best]
    s[:, which] = tried[rows, best]
    return Found(s, score[rows, best])


def _search_two(
    first: Slot,
    second: Slot,
    loads: ComplexArray,
    omega: FloatArray,
    fixed: _Fixed,
    *,
    z0: float,
    limit: float,
) -> Found:
    """Best of two parts with a third held, or none; in blocks of loads."""
    if second.step is not None:
        width = second.n_steps + 1
    elif first.step is not None:
        width = 18 * (first.n_steps + 1) + 100
    else:
        width = 250
    rows = max(1, _BLOCK // width)
    parts = []
    for at in range(0, loads.size, rows):
        block = slice(at, at + rows)
        problem = _Problem.of(
            first, second, loads[block], omega[block], fixed.rows(block), z0=z0, limit=limit
        )
        parts.append(problem.solved())
    return Found(
        np.concatenate([part.s for part in parts]), np.concatenate([part.score for part in parts])
    )


@dataclass(frozen=True)
class _Problem:
    """Two parts in front of loads, arrays of shape (N, 1).

    With W = seen + x e in the second part's plane, the first part adds s d to
    P = (n W + m)/(k W + l): 1/W where the two are neighbours, W/(1 + between W) where a third is
    between them.
    """

    first: Slot
    second: Slot
    seen: ComplexArray
    omega: FloatArray
    fixed: _Fixed
    w0: float
    centre: ComplexArray
    radius: FloatArray
    """The disc that meets the limit."""

    @classmethod
    def of(
        cls,
        first: Slot,
        second: Slot,
        loads: ComplexArray,
        omega: FloatArray,
        fixed: _Fixed,
        *,
        z0: float,
        limit: float,
    ) -> _Problem:
        """Set up a problem for loads [ohm], shape (N,)."""
        is_series = first.is_series == (fixed.ahead is None)  # of the part at the input
        w0 = z0 if is_series else 1.0 / z0
        limit = limit * (1.0 - _GUARD)
        centre = np.full((1, 1), w0 * (limit + 1.0 / limit) / 2.0, dtype=np.complex128)
        radius = np.full((1, 1), w0 * (limit - 1.0 / limit) / 2.0)
        if fixed.ahead is not None:
            # The disc before the part ahead, and its inverse in the plane of the first part.
            # Where it holds the origin, that part alone takes nearly all power: left out.
            moved = centre - fixed.ahead
            power = np.abs(moved) ** 2 - radius**2
            usable = power > 0.0
            power = np.where(usable, power, 1.0)
            centre = np.asarray(np.conj(moved) / power, dtype=np.complex128)
            radius = np.asarray(np.where(usable, radius / power, 0.0))
        seen = (loads if second.is_series else 1.0 / loads)[:, None]
        return cls(first, second, seen, omega[:, None], fixed, w0, centre, radius)

    def solved(self) -> Found:
        """Best of both parts."""
        if self.second.step is not None:
            return self.best_of(self.second.s(self.second.values()[None, :], self.omega))
        omega = self.omega[:, 0]
        low, high = self.second.ends(omega)
        edges = np.concatenate([self.edges(), _spread(low, high, 16)], axis=1)
        edges = np.sort(np.clip(edges, low[:, None], high[:, None]))
        between = [edges]
        # Just inside an edge the stretch exists and its loss is least or most; the middle is sure.
        for part in (1e-6, 0.03, 0.5, 0.97, 1.0 - 1e-6):
            between.append(edges[:, :-1] + part * np.diff(edges, axis=1))
        tried = np.sort(np.concatenate(between, axis=1))
        best = self.best_of(tried)
        for _ in range(4):
            # The neighbours of the best among those tried bound the next, closer look.
            at = best.s[:, 1:]
            below = np.where(tried < at, tried, -np.inf).max(axis=1)
            above = np.where(tried > at, tried, np.inf).min(axis=1)
            below = np.where(np.isfinite(below), below, at[:, 0])[:, None]
            above = np.where(np.isfinite(above), above, at[:, 0])[:, None]
            line = np.linspace(0.0, 1.0, 12)
            tried = np.concatenate([below + (at - below) * line, at + (above - at) * line], axis=1)
            best = _better(best, self.best_of(tried))
        return best

    def best_of(self, tried: FloatArray) -> Found:
        """Best over given s of the second part, shape (N, K)."""
        with_second = self.seen + tried * self.second.direction
        kept = self.fixed.kept * self.seen.real / with_second.real
        inverse = 1.0 / with_second
        if self.fixed.between is None:
            behind = inverse
        else:
            with_between = inverse + self.fixed.between
            kept = kept * inverse.real / with_between.real
            behind = 1.0 / with_between
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
        loss = self._loss(kept, behind, s)
        if self.fixed.ahead is not None:
            # The part ahead may gain from the far end of the stretch.
            far = self.first.stepped(np.minimum(ends, high), self.omega, up=False)
            gains = meets & (far >= s) & (self._loss(kept, behind, far) < loss)
            s = np.where(gains, far, s)
            loss = self._loss(kept, behind, s)
        down, up = self._sums(behind, d)
        least = np.clip(_least_ratio(down[0], down[1], up[0], up[1]), low, high)
        nearest = [self.first.stepped(least, self.omega, up=up) for up in (False, True)]
        sizes = [np.abs((down[0] + x * down[1]) / (up[0] + x * up[1])) for x in nearest]
        other = np.where(sizes[0] <= sizes[1], nearest[0], nearest[1])
        score = np.where(meets, loss, 2.0 + np.minimum(*sizes))
        s = np.where(meets, s, other)
        best = np.argmin(score, axis=1)
        rows = np.arange(best.size)
        return Found(np.stack([s[rows, best], tried[rows, best]], axis=1), score[rows, best])

    def _loss(self, kept: FloatArray, behind: ComplexArray, s: FloatArray) -> FloatArray:
        total = behind + s * self.first.direction
        kept = kept * behind.real / total.real
        if self.fixed.ahead is not None:
            inverse = 1.0 / total
            kept = kept * inverse.real / (inverse + self.fixed.ahead).real
        return np.asarray(1.0 - kept)

    def _sums(
        self, behind: ComplexArray, d: _Complex, over: _Complex = 1.0
    ) -> tuple[tuple[ComplexArray, _Complex], tuple[ComplexArray, _Complex]]:
        """Input less and plus w0, each as (at s = 0, per s), for (behind + s d)/over.

        Both may have a common factor, which their ratio, the reflection, does not see.
        """
        sums = []
        for w in (-self.w0, self.w0):
            if self.fixed.ahead is None:
                sums.append((np.asarray(behind + w * over), d))
            else:
                ahead = self.fixed.ahead + w
                sums.append((np.asarray(over + ahead * behind), ahead * d))
        return sums[0], sums[1]

    def edges(self) -> FloatArray:
        """s of the second part where the first part's stretch can appear or end, shape (N, K).

        With P = top/den, both straight in x: the ray from P along d touches the disc where
        Im(conj(d) top conj(den)) + kappa |den|^2 = 0; its end P + s d lies on
        the disc where |top + (s d - centre) den| = radius |den|. Where no setting meets the limit,
        the SWR is least on such an end.
        """
        d, e, w = self.first.direction, self.second.direction, self.seen
        one, none = np.ones_like(w), np.zeros_like(w)
        if self.fixed.between is None:
            top, den = (one, none), (w, one * e)
        else:
            y = self.fixed.between
            top, den = (w, one * e), (one + y * w, y * e)
        square = _product(den, den)
        crossed = _product(top, den)
        found: list[FloatArray] = []
        for kappa in (
            -(self.centre * np.conj(d)).imag - self.radius * abs(d),
            -(self.centre * np.conj(d)).imag + self.radius * abs(d),
        ):
            a, b, c = (
                kappa * of_den.real + (np.conj(d) * of_both).imag
                for of_den, of_both in zip(square, crossed, strict=True)
            )
            found += _roots(a, b, c)
        if self.first.step is None:
            s_of_ends = np.concatenate(self.first.ends(self.omega), axis=1)
        else:
            s_of_ends = self.first.s(self.first.values()[None, :], self.omega)
        k = s_of_ends * d - self.centre
        on_disc = (top[0] + k * den[0], top[1] + k * den[1])
        a, b, c = (
            of_sum.real - self.radius**2 * of_den.real
            for of_sum, of_den in zip(_product(on_disc, on_disc), square, strict=True)
        )
        found += _roots(a, b, c)
        sums = []
        for part in (0, 1):  # at x = 0, per x
            ended = np.asarray(top[part] + s_of_ends * d * den[part])
            down, up = self._sums(ended, 0.0, den[part])
            sums.append((down[0], up[0]))
        found.append(_least_ratio(sums[0][0], sums[1][0], sums[0][1], sums[1][1]))
        return np.concatenate(found, axis=1)


def _product(
    one: tuple[ComplexArray, ComplexArray], other: tuple[ComplexArray, ComplexArray]
) -> tuple[ComplexArray, ComplexArray, ComplexArray]:
    """(p + q x) conj(u + v x) as coefficients of x^2, x and 1."""
    (p, q), (u, v) = one, other
    return (
        np.asarray(q * np.conj(v)),
        np.asarray(p * np.conj(v) + q * np.conj(u)),
        np.asarray(p * np.conj(u)),
    )


def _least_ratio(a: _Complex, p: _Complex, b: _Complex, q: _Complex) -> FloatArray:
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
