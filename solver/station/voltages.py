r"""Potential along wires and at their ends, and what is near enough to mind it.

The potential is the scalar potential in the Lorenz gauge of the charges on all wires and of what
the earth reflects, against a point far away (over ground: against the remote earth),

    Phi = (1/eps0) Int q (g + g_phi) ds,        E = -grad Phi - jw A,

as the mean around the conductor at its surface.  It is what the mixed-potential equation works
with.  At open ends, on pieces short against a wavelength, and between places whose distance is, it
is what people call the voltage; between places farther apart a voltage depends on the way, by the
part jw Int A ds that no potential has.  No meter shows it at a high place: its leads take part.

On a conductor E is z_s I, next to nothing, so Phi(a) - Phi(b) = jw Int A ds + Int z_s I ds along
it.  Right at a feed it is smeared: the current's polynomials pass over the gap within some
hundredths of a wavelength; across the gap stands `Solution.feed_voltage`.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ...geometry.clearance import Clearance, wire_clearances
from ..currents_along import along_wires
from ..errors import SolverError
from ..moments.basis import FloatArray
from ..moments.quadrature import gauss
from ..potentials import end_potentials, end_reach, surface_potential
from ..solution import Solution
from ..voltage_records import TOUCHING, VoltageLimits, VoltageReading, WireVoltage

SHORT_ELEMENT = 30.0
"""Elements of fewer radii, at tips, have their potential at two places. [radii]"""


def wire_voltages(
    solution: Solution, *, power: float = 100.0, wires: Sequence[str] | None = None
) -> tuple[WireVoltage, ...]:
    """Potential along wires, RMS, at Gauss points of every element and at both ends.

    Scalar potential in the Lorenz gauge, at the conductor's surface (beneath a jacket), against
    remote earth: at open ends and on short pieces what people call the voltage, see this module.
    An open end's value is the mean over its last 25 radii, that of an end which joins others the
    next place on the wire (on a contact to the ground too). Timber and sheets are in the currents,
    the potential of their own charges is left out: 19 % too high at the end of a radial that lies
    on a joist of spruce, 1.2 % at 40 mm from it (7.1 MHz; `touched_conductors` has them).

    Parameters
    ----------
    solution : Solution
        At a single frequency.
    power : float
        Watts put into the driven feeds. [W]
    wires : sequence of str, optional
        Which; left out: all but the grids of screens.

    Returns
    -------
    tuple of WireVoltage
        In the order of the scene's wires.

    Raises
    ------
    SolverError
        If there is no such wire, the power is none, or the solution has several frequencies.
    """
    mesh, scene = solution.mesh, solution.scene
    numbers = _numbers(solution, wires)
    wanted = np.isin(mesh.wire, numbers)
    # A stretch of elements may belong to several wires: all of it is looked at.
    for run in mesh.runs:
        if run.wire in numbers:
            wanted[run.first_element : run.first_element + len(run.breaks) - 1] = True
    elements, xi = _places(solution, np.flatnonzero(wanted))
    values = surface_potential(solution, elements, xi, power=power)
    # On the short elements of tips the equations hold in the mean alone.
    short = _are_short(solution)[elements]
    values[short] = np.repeat(values[short].reshape(-1, 2).mean(axis=1), 2)
    ends = [
        (n, is_last) for n in numbers for is_last in (False, True) if _is_open(solution, n, is_last)
    ]
    tips = dict(zip(ends, end_potentials(solution, ends, power=power), strict=True))
    along = along_wires(mesh, len(scene.wires), elements, xi, some=numbers)
    found = []
    for number in numbers:
        wire = scene.wires[number]
        distances, rows, _ = along[number]
        potential = values[rows]
        first = tips.get((number, False), potential[0])
        last = tips.get((number, True), potential[-1])
        # What the mean at an open end stands for is not told again.
        before, after = (
            end_reach(wire, is_last=is_last) if (number, is_last) in tips else 1e-9
            for is_last in (False, True)
        )
        inner = (distances > before) & (distances < wire.length - after)
        found.append(
            WireVoltage(
                wire.name,
                np.concatenate([[0.0], distances[inner], [wire.length]]),
                np.concatenate([[first], potential[inner], [last]]),
            )
        )
    return tuple(found)


def voltage_readings(
    solution: Solution,
    *,
    power: float = 100.0,
    limits: VoltageLimits | None = None,
    voltages: Sequence[WireVoltage] | None = None,
    clearances: Sequence[Clearance] | None = None,
) -> tuple[VoltageReading, ...]:
    """Both ends of every wire, and the place along it where potential over distance is greatest.

    Parameters
    ----------
    power : float
        Watts put into the driven feeds. [W]
    limits : VoltageLimits, optional
        When to warn; 1 kV peak nearer than 50 mm (common practice) where left out.
    voltages : sequence of WireVoltage, optional
        Of `wire_voltages` for that power, where they are there already.
    clearances : sequence of Clearance, optional
        Of `wire_clearances`, which no frequency changes.

    Returns
    -------
    tuple of VoltageReading
        Three a wire: start, end, along.

    Notes
    -----
    The potential is that against remote earth. To another piece of metal the voltage is the
    difference of both potentials, which may be more or less.
    """
    scene = solution.scene
    limits = VoltageLimits() if limits is None else limits
    if voltages is None:
        voltages = wire_voltages(solution, power=power)
    if clearances is None:
        clearances = wire_clearances(scene)
    near = {one.wire: one for one in clearances}
    numbers = {wire.name: n for n, wire in enumerate(scene.wires)}
    found: list[VoltageReading] = []
    for one in voltages:
        if one.wire not in near:
            raise SolverError(
                f"There is no clearance of wire {one.wire!r}; take those of this scene."
            )
        clear = near[one.wire]
        peak = np.interp(clear.distances, one.distances, one.peak)
        passed = limits.are_passed(peak, clear.gaps)
        score = peak / np.maximum(np.minimum(clear.gaps, 1e6), TOUCHING)
        worst = int(np.argmax(np.where(passed, score, score * 1e-12) if passed.any() else score))
        open_end = [_is_open(solution, numbers[one.wire], last) for last in (False, True)]
        places = (
            ("start", 0, float(one.peak[0]), open_end[0]),
            ("end", clear.distances.size - 1, float(one.peak[-1]), open_end[1]),
            ("along", worst, float(peak[worst]), False),
        )
        for place, row, volts, is_open in places:
            name, kind, gap = clear.at_place(row)
            found.append(
                VoltageReading(
                    one.wire, place, float(clear.distances[row]), is_open,
                    volts / float(np.sqrt(2.0)), volts, name, kind, gap,
                    bool(limits.are_passed(np.array(volts), np.array(gap))),
                )
            )  # fmt: skip
    return tuple(found)


def _numbers(solution: Solution, wires: Sequence[str] | None) -> list[int]:
    scene = solution.scene
    called = {wire.name: n for n, wire in enumerate(scene.wires)}
    if wires is None:
        grids = {
            getattr(piece, "group", "") or piece.name
            for piece in scene.house
            if piece.kind == "screen"
        }
        return [n for n, wire in enumerate(scene.wires) if wire.piece not in grids]
    names = [wires] if isinstance(wires, str) else list(wires)
    for name in names:
        if name not in called:
            raise SolverError(
                f"There is no wire named {name!r}; there are {', '.join(list(called)[:12])}."
            )
    if not names:
        raise SolverError("wires is empty; name some, or leave it out for all.")
    return sorted({called[name] for name in names})


def _places(solution: Solution, elements: np.ndarray) -> tuple[np.ndarray, FloatArray]:
    """Gauss points: one more than the degree, two on the short elements of tips."""
    mesh = solution.mesh
    short = _are_short(solution)
    owners, places = [], []
    for e in elements.tolist():
        xi, _ = gauss(2 if short[e] else int(mesh.degree[e]) + 1)
        owners.append(np.full(xi.size, e))
        places.append(xi)
    return np.concatenate(owners), np.concatenate(places)


def _are_short(solution: Solution) -> np.ndarray:
    mesh = solution.mesh
    return np.linalg.norm(mesh.end - mesh.start, axis=1) < SHORT_ELEMENT * mesh.radius


def _is_open(solution: Solution, number: int, is_last: bool) -> bool:
    """Whether nothing else meets at an end of a wire."""
    mesh = solution.mesh
    at = solution.scene.wires[number].length if is_last else 0.0
    element, xi, _ = mesh.locate(number, at)
    return bool(mesh.free_end[element, 0 if xi < 0.0 else 1])
