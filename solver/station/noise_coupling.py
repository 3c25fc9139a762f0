r"""Noise of cables and ducts at the antenna's terminals, by reciprocity from the transmit case.

Take the antenna's terminals as port 0 and a gap at a point p of a conductor as port 1, with
currents into the ports, so that

    V0 = Z00 I0 + Z01 I1        V1 = Z10 I0 + Z11 I1        Z01 = Z10

*Transmitting*, the conductor is whole at p: V1 = 0. The current at p (towards the wire's end, as
the gap's I1) for a feed current I0 is

    t = I1/I0 = -Z10/Z11        and        Zin = Z00 - Z10^2/Z11

*Receiving, a source of voltage e in series with the conductor at p*, driving current towards the
wire's end, the terminals open: I0 = 0, V1 = e, so

    Voc = Z01/Z11 e = -t e        impedance at the terminals: Zin

It is the current of the transmit case that tells, nothing else. As |I0|^2 Re Zin is the power P
that drives the antenna when transmitting, what is available at the terminals is

    |Voc|^2/(4 Re Zin) = |e|^2 |I_p|^2/(4 P)

*A noise current I on the conductor at p*: it is I1 = I whatever impedance the source of the noise
has in series with the conductor, with the terminals open. So

    Voc = Z01 I = -t Z11 I

and besides t it takes Z11, the impedance in a gap at p with the terminals open. That is one more
right-hand side of the same matrix: a shorted feed at p changes nothing, and with unit voltage at
each feed in turn the admittances hold all of it. A gap has to lie where elements meet: in the
middle of one, smooth functions miss the kink of the current and Z11 is 5 to 30 % off. So a
solution that has no shorted feed at p is solved once more with one.

The power that is available depends, through the impedance at the terminals, on the source's own
impedance. Two cases bound it:

    source without impedance (noise drives the cable as a voltage)   |Z01|^2/(4 Re Zin)
    source without admittance (a current forced through the gap)     |Z01|^2/(4 Re Z00)

Where the conductor hardly changes the antenna they agree. The first is what is ranked.

The noise is taken to enter at p alone. A current that is found on a cable with a probe at p, and
that came from elsewhere, spreads otherwise along it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from ...geometry import Feed, Scene
from ..answer_records import WireCurrent
from ..currents_along import wire_currents
from ..errors import SolverError
from ..moments.basis import ComplexArray
from ..solution import Solution
from ..solve import DEFAULT_TOLERANCE, solve

JOINING_DISTANCE = 1e-3
"""Places nearer than this are one, as wires are. [m]"""

PLACES_EACH = 9
"""Places on every element at which the greatest current is sought."""

CARRIES_NOTHING = 1e-20
"""Part of the greatest squared current anywhere that is none: an open end."""


@dataclass(frozen=True)
class NoisePath:
    """From one place of a conductor to the antenna's terminals, at one frequency.

    Attributes
    ----------
    conductor : str
        As it was asked for: a piece of the house, a wire or a named point.
    wire : str
    at : float
        Distance along the wire. [m]
    frequency : float
        [Hz]
    transmit_current : complex
        At the place when 1 W drives the antenna, RMS, towards the wire's end; its phase is that
        against the feed current. [A]
    gap_impedance : complex
        In a gap at the place, the antenna's terminals open: Z11. [ohm]
    transfer_impedance : complex
        Open voltage at the terminals over the noise current at the place: Z01. [ohm]
    terminal_impedance : complex
        Of the antenna with the conductor whole: Zin. [ohm]
    cut_terminal_impedance : complex
        Of the antenna with the conductor open at the place: Z00. [ohm]
    error_estimate : float
        Estimated relative discretisation error of the gap's own admittance; NaN: not asked.
    layout : str
    """

    conductor: str
    wire: str
    at: float
    frequency: float
    transmit_current: complex
    gap_impedance: complex
    transfer_impedance: complex
    terminal_impedance: complex
    cut_terminal_impedance: complex
    error_estimate: float = np.nan
    layout: str = ""

    def __str__(self) -> str:
        watts = 10.0 * np.log10(self.power_per_square_ampere)
        return (
            f"{self.conductor} at {self.at:.2f} m of {self.wire!r}, {self.frequency / 1e6:g} MHz: "
            f"{watts:.0f} dBW available at the antenna's terminals for 1 A of noise there"
            + (f" ({self.layout})" if self.layout else "")
        )

    @property
    def voltage_transfer(self) -> complex:
        """Open voltage at the terminals over a voltage in series with the conductor."""
        return self.transfer_impedance / self.gap_impedance

    @property
    def power_per_square_volt(self) -> float:
        """Power available at the terminals per squared series voltage. [W/V^2]"""
        return 0.25 * abs(self.transmit_current) ** 2

    @property
    def power_per_square_ampere(self) -> float:
        """Power available at the terminals per squared noise current at the place. [W/A^2]

        From a source of noise without impedance of its own.
        """
        return abs(self.transfer_impedance) ** 2 / (4.0 * self.terminal_impedance.real)

    @property
    def power_of_forced_current(self) -> float:
        """The same from a source that forces its current through the gap. [W/A^2]"""
        return abs(self.transfer_impedance) ** 2 / (4.0 * self.cut_terminal_impedance.real)


@dataclass(frozen=True)
class RankedNoise:
    """Noise paths, per band and layout the worst first.

    Attributes
    ----------
    paths : tuple of NoisePath
    """

    paths: tuple[NoisePath, ...]

    def __iter__(self) -> Iterator[NoisePath]:
        return iter(self.paths)

    def __len__(self) -> int:
        return len(self.paths)

    def __str__(self) -> str:
        return "\n".join(map(str, self.paths))

    def of(self, frequency: float, layout: str | None = None) -> tuple[NoisePath, ...]:
        """Those at one frequency [Hz] (and of one layout), the worst first.

        Raises
        ------
        SolverError
            If there is none.
        """
        found = tuple(
            path
            for path in self.paths
            if abs(path.frequency - frequency) <= 1e-9 * frequency and layout in (None, path.layout)
        )
        if not found:
            have = sorted({path.frequency / 1e6 for path in self.paths})
            raise SolverError(
                f"No noise path at {frequency / 1e6:g} MHz"
                + (f" of {layout!r}" if layout is not None else "")
                + f"; there are some at {', '.join(f'{f:g}' for f in have)} MHz."
            )
        return found

    def over_worst(self) -> tuple[float, ...]:
        """Each one's power per squared ampere over the greatest of its frequency. [dB]"""
        best: dict[float, float] = {}
        for path in self.paths:
            most = max(best.get(path.frequency, 0.0), path.power_per_square_ampere)
            best[path.frequency] = most
        with np.errstate(divide="ignore"):
            return tuple(
                float(10.0 * np.log10(np.float64(p.power_per_square_ampere) / best[p.frequency]))
                if best[p.frequency] > 0.0
                else np.nan
                for p in self.paths
            )


def rank_noise(*couplings: RankedNoise | Sequence[NoisePath]) -> RankedNoise:
    """Paths of several layouts together, ordered by frequency, then by power per squared ampere."""
    paths = [path for some in couplings for path in some]
    return RankedNoise(
        tuple(sorted(paths, key=lambda p: (p.frequency, -p.power_per_square_ampere, p.conductor)))
    )


def noise_coupling(
    solution: Solution,
    conductors: Sequence[str] | Mapping[str, tuple[str, float]] | None = None,
    *,
    layout: str = "",
    tolerance: float | None = DEFAULT_TOLERANCE,
) -> RankedNoise:
    """What noise on cables and ducts does at the antenna's terminals.

    Parameters
    ----------
    solution : Solution
        With one driven feed, the antenna's terminals; at one or several frequencies.
    conductors : sequence of str, or mapping of name to (wire, metres along it), optional
        Names of pieces of the house, of wires, or of named points of wires; left out: all pieces
        of metal. On a piece or a wire the place is taken where the squared transmit current, summed
        over the frequencies, is greatest; a named point, or a place of a mapping, as it is.
    layout : str
        What to call it among others.
    tolerance : float, optional
        Of the second solve, see `solve`.

    Returns
    -------
    RankedNoise

    Raises
    ------
    SolverError
        If there is not one driven feed, a name is unknown, or a place carries no current.

    Notes
    -----
    Solved once more, with a shorted feed at each place, unless all places have one already.
    Z11 holds the capacitance of a gap without width, which creeps up with refinement: per cent on
    wires, more on pipes as thick as a downpipe. `error_estimate` says so at a single frequency.
    Powers per squared volt come from the transmit current alone and do not depend on it.
    """
    driven = [n for n, feed in enumerate(solution.feeds) if feed.is_driven]
    if len(driven) != 1:
        raise SolverError(
            f"{len(driven)} feeds are driven; noise is found at the terminals of one. Give the "
            "others a termination."
        )
    asked = _asked(solution.scene, conductors)
    along = [wire_currents(one, 1.0, places_each=PLACES_EACH) for one in solution]
    places = {name: _place(solution, along, name, *where) for name, where in asked.items()}
    ports, extra = _gaps(solution.scene, places)
    if extra:
        scene = solution.scene.with_feeds(*solution.feeds, *extra)
        solution = solve(scene, solution.frequency, tolerance=tolerance)
    closed = np.array([port.termination_at(solution.frequencies) for port in solution.ports])
    paths: list[NoisePath] = []
    for k, frequency in enumerate(solution.frequencies):
        for name, (wire, at) in places.items():
            port, sign = ports[name]
            z = _two_port(solution.port_admittance[k], closed[:, k], driven[0], port)
            seen = complex(z[0, 0] - z[0, 1] * z[1, 0] / z[1, 1])
            paths.append(
                NoisePath(
                    name, wire, at, float(frequency),
                    transmit_current=complex(-sign * z[1, 0] / z[1, 1] / np.sqrt(seen.real)),
                    gap_impedance=complex(z[1, 1]), transfer_impedance=complex(sign * z[0, 1]),
                    terminal_impedance=seen, cut_terminal_impedance=complex(z[0, 0]),
                    error_estimate=float(solution.port_estimate[k, port]), layout=layout,
                )
            )  # fmt: skip
    return rank_noise(paths)


def _gaps(
    scene: Scene, places: Mapping[str, tuple[str, float]]
) -> tuple[dict[str, tuple[int, float]], list[Feed]]:
    """Port and direction (1: towards the wire's end) of each place, and feeds still needed."""
    ports: dict[str, tuple[int, float]] = {}
    extra: list[Feed] = []
    taken = {feed.name for feed in scene.feeds}
    for name, (wire, at) in places.items():
        length = scene.wire(wire).length
        # At the end of a wire the driven side is its last part: current into it goes backwards.
        sign = -1.0 if at > length - JOINING_DISTANCE else 1.0
        for port, feed in enumerate((*scene.feeds, *extra)):
            is_there = feed.wires == (wire,) and abs(_metres(feed, length) - at) < JOINING_DISTANCE
            if is_there and not feed.is_driven and feed.termination == 0:
                ports[name] = port, sign
                break
        else:
            called = f"gap at {name}"
            while called in taken:
                called += "'"
            taken.add(called)
            ports[name] = len(scene.feeds) + len(extra), sign
            extra.append(Feed(wire, at="end" if sign < 0 else at, name=called, termination=0))
    return ports, extra


def _metres(feed: Feed, length: float) -> float:
    if isinstance(feed.at, str):
        return {"start": 0.0, "middle": 0.5 * length, "end": length}[feed.at]
    return feed.at


def _two_port(
    admittance: ComplexArray, terminations: ComplexArray, driven: int, gap: int
) -> ComplexArray:
    """Impedances of terminals and gap, (2, 2), the other gaps closed by theirs (P,). [ohm]"""
    pair = np.array([driven, gap])
    # a short is what the admittances have already
    closed = [p for p in np.flatnonzero(terminations) if p not in (driven, gap)]
    ends = terminations[closed]
    across = np.where(np.isinf(ends), 0.0, 1.0 / ends)
    y = admittance[np.ix_(pair, pair)]
    if closed:
        rest = admittance[np.ix_(closed, closed)] + np.diag(across)
        y = y - admittance[np.ix_(pair, closed)] @ np.linalg.solve(
            rest, admittance[np.ix_(closed, pair)]
        )
    return np.linalg.inv(y).astype(np.complex128)


def _asked(
    scene: Scene, conductors: Sequence[str] | Mapping[str, tuple[str, float]] | None
) -> dict[str, tuple[tuple[int, ...], float | None]]:
    """By name: wires, and the distance along the only one of them, None: to be sought."""
    numbers = {wire.name: n for n, wire in enumerate(scene.wires)}
    if isinstance(conductors, Mapping):
        found: dict[str, tuple[tuple[int, ...], float | None]] = {}
        for name, place in conductors.items():
            if isinstance(place, str) or not isinstance(place, tuple | list) or len(place) != 2:
                raise SolverError(
                    f"{name!r}: {place!r} is no place; give the name of a wire and metres along it."
                )
            wire, at = place
            if wire not in numbers:
                raise SolverError(
                    f"{name!r}: there is no wire named {wire!r}; there are {', '.join(numbers)}."
                )
            length = scene.wires[numbers[wire]].length
            if not 0.0 <= at <= length:
                raise SolverError(
                    f"{name!r}: wire {wire!r} has no point at {at:g} m; it runs from 0 to "
                    f"{length:g} m."
                )
            found[name] = (numbers[wire],), float(at)
        return found
    if isinstance(conductors, str):
        conductors = [conductors]
    names = scene.pieces if conductors is None else tuple(conductors)
    if not names:
        raise SolverError(
            "The scene has no pieces of metal in its house; name a wire or a point of one."
        )
    points = {
        point: (n, at) for n, wire in enumerate(scene.wires) for point, at in wire.named_points
    }
    found = {}
    for name in names:
        own = tuple(n for n, wire in enumerate(scene.wires) if wire.piece == name)
        if own:
            found[name] = own, None
        elif name in numbers:
            found[name] = (numbers[name],), None
        elif name in points:
            found[name] = (points[name][0],), points[name][1]
        else:
            known = ", ".join(map(repr, [*scene.pieces, *points, *numbers][:12]))
            raise SolverError(
                f"No piece of the house, point or wire is called {name!r}; there are: {known}."
            )
    return found


def _place(
    solution: Solution,
    along: Sequence[Sequence[WireCurrent]],
    name: str,
    wires: tuple[int, ...],
    at: float | None,
) -> tuple[str, float]:
    """Wire and distance along it: the given place, or that of the greatest current."""
    called = [wire.name for wire in solution.scene.wires]
    greatest = sum(max(float(np.abs(w.current).max()) for w in each) ** 2 for each in along)
    if at is not None:
        carried = np.abs(solution.current(called[wires[0]], at)) ** 2
        if not np.sum(carried) > CARRIES_NOTHING * greatest:
            raise SolverError(
                f"{name!r}, {at:g} m along {called[wires[0]]!r}, carries no current: it is an open "
                "end, or the antenna does not reach it. Name a place that is some way along."
            )
        return called[wires[0]], at
    best: tuple[float, str, float] = (-1.0, "", 0.0)
    for n in wires:
        squares = np.sum([np.abs(each[n].current) ** 2 for each in along], axis=0)
        k = int(np.argmax(squares))
        if squares[k] > best[0]:
            best = float(squares[k]), called[n], float(along[0][n].distances[k])
    if not best[0] > CARRIES_NOTHING * greatest:
        raise SolverError(f"{name!r} carries no current at all; it has no noise to send on.")
    return best[1], best[2]
