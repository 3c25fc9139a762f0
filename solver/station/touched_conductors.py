r"""What a conductor puts through who touches it: open-circuit voltage and impedance at a point.

A current i is led from far away (over ground: from the remote earth) into the conductor at a point
p, along a way that takes no part: it has no charge and no magnetic field of its own.  In the
mixed-potential equation that is one more function per wire end at p, which keeps its current
there, as at a contact to perfect ground, but with nothing below.  Integrating its row by parts
leaves the potential at p,

    (Z I)_p = Int f_p (jw A + z_s I) ds - Int f_p' Phi ds = Phi(p),

so a generator of voltage V at that port holds p at the potential V, and with the gaps of the feeds
(Y of all of them together, currents into the antenna and into p)

    i = Y_pp V + Y_pf V_f        open: V_oc = -Y_pf V_f/Y_pp        Z = 1/Y_pp

with the transmitter's voltage at its feed held.  V_oc is the potential of the conductor at p as
`wire_voltages` has it (and with the charges of timber, which that leaves out), Z at low
frequencies 1/(jw C), C what the conductor has to earth and to all that is there, the antenna's
wires held by its feed.  The current into a short is V_oc/Z.

What it is not: a person, and what leads from the point to them and on to earth, have inductance,
charge and pick-up of their own.  All that is left out of `open_voltage` and `impedance`.  Without
the way's magnetic field the resistance lacks what way and charges radiate together: charges alone
have -30 ohm in free space, -5 (2 k h)^2 ohm at height h over perfect ground, so it is up to 30 ohm
too small, beside the 500 ohm of a body.

For a way that goes straight down, as a person does, the greater part of that can be told:

    V_down = -Int E . dl,    Z_down = Z + jw mu0 h/(2 pi) (ln(4 h/a) - 1),

the voltage along that way and the inductance of a straight conductor of radius a on the ground
(common practice; a = `WAY_RADIUS`).  Against a wire led down in the model these are within some
10 % where the way is short against a wavelength.  The charge on the way, a person's fields on
either side of it, and that the transmitter's output changes when someone touches are still left
out.  Above, take it for an order of magnitude.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.constants import epsilon_0, mu_0

from ...geometry import Feed, Scene
from ...geometry.checks import check_frequency
from ...geometry.joints import FeedNode
from ...geometry.mesh import Mesh
from ...geometry.wires import JOINING_DISTANCE
from ..errors import SolverError
from ..fields.near import scalar_potential
from ..moments.basis import ComplexArray
from ..moments.quadrature import gauss
from ..solution import Solution
from ..solve import DEFAULT_TOLERANCE, solve
from ..system import System
from .touch import Touch, touch

WAY_RADIUS = 0.1
"""Of a person who stands between the point and the ground (common practice). [m]"""

WAY_START = 2.5
"""Distance from the conductor's axis from which on the field along the way is taken. [radii]"""

WAY_NODES = 8
NOWHERE = complex(np.nan, np.nan)

AT_NODE = 1e-6
"""Places nearer than this to where elements meet are there. [m]"""

LACKING = float(0.25 * np.sqrt(mu_0 / epsilon_0) / np.pi)
"""What the resistance may lack at most: that of a lone charge, eta/(4 pi). [ohm]"""


@dataclass(frozen=True)
class TouchedConductor:
    """A conductor seen from a hand at one of its points: a source against remote earth.

    Attributes
    ----------
    point : str
        As it was asked for.
    wire : str
    at : float
        Distance along the wire. [m]
    frequency : float
        [Hz]
    power : float
        Watts into the driven feeds. [W]
    open_voltage : complex
        Potential of the point when nobody touches, RMS. [V]
    impedance : complex
        Against remote earth, without the way there. [ohm]
    voltage_down : complex
        Along a straight way down to the ground; NaN without ground below, or where a wire or
        timber stands in that way. [V]
    impedance_down : complex
        With the inductance of that way; NaN likewise. [ohm]
    """

    point: str
    wire: str
    at: float
    frequency: float
    power: float
    open_voltage: complex
    impedance: complex
    voltage_down: complex
    impedance_down: complex

    def __str__(self) -> str:
        """In words; a resistance below zero lacks what the way to the point radiates."""
        text = (
            f"{self.point!r} on {self.wire!r} at {self.at:.2f} m, {self.frequency / 1e6:g} MHz: "
            f"{abs(self.open_voltage):.3g} V RMS open for {self.power:g} W, behind "
            f"{self.impedance:.3g} ohm; {1e3 * abs(self.short_circuit_current):.3g} mA into a short"
        )
        if np.isnan(self.voltage_down):
            return f"{text}. No straight way down to the ground is free."
        return f"{text}. On a straight way down {abs(self.voltage_down):.3g} V RMS."

    @property
    def short_circuit_current(self) -> complex:
        """Into a short to the remote earth, RMS. [A]"""
        return self.open_voltage / self.impedance

    @property
    def capacitance(self) -> float:
        """That has the reactance of the impedance; negative where that is inductive. [F]"""
        return -1.0 / (2.0 * np.pi * self.frequency * self.impedance.imag)

    def touch(self, **options: Any) -> Touch:
        """Currents through a person; options as for `touch`, 100 to 200 pF and 500 ohm if none.

        A resistance below zero, for want of the way's radiation, counts as none.
        """
        return _touched(self.open_voltage, self.impedance, self.frequency, options)

    def touch_down(self, **options: Any) -> Touch:
        """The same with the straight way down.

        Raises
        ------
        LimitsError
            If there is no such way.
        """
        return _touched(self.voltage_down, self.impedance_down, self.frequency, options)


def _touched(voltage: complex, impedance: complex, frequency: float, options: Any) -> Touch:
    if -LACKING <= impedance.real < 0.0:
        impedance = complex(0.0, impedance.imag)
    return touch(voltage, impedance, frequency, **options)


def touched_conductors(
    solution: Solution,
    points: Sequence[str] | Mapping[str, tuple[str, float]] | str | None = None,
    *,
    power: float = 100.0,
    tolerance: float | None = DEFAULT_TOLERANCE,
) -> tuple[TouchedConductor, ...]:
    """Open-circuit voltage and impedance against remote earth, at points of conductors.

    Parameters
    ----------
    solution : Solution
        At one or several frequencies.
    points : sequence of str, or mapping of name to (wire, metres along it), optional
        Named points of wires, or places; left out: all named points.
    power : float
        Watts put into the driven feeds before anybody touches. [W]
    tolerance : float, optional
        Of the mesh where it has to be made anew, see `solve`: no elements meet at a point.

    Returns
    -------
    tuple of TouchedConductor
        By frequency, then point. Each with all other points left alone.

    Raises
    ------
    SolverError
        If a point is unknown, or lies on a contact to the earth.

    Notes
    -----
    One more fill of the matrix per frequency. See the module for what it is and what it is not: the
    way to the point has no charge and does not radiate, so a resistance may lack up to 30 ohm and
    come out below zero, and what goes down straight is NaN where that way is blocked.
    """
    places = _places_of(solution.scene, points)
    scene, mesh, known = solution.scene, solution.mesh, solution.system
    nodes = [_node(mesh, scene, *where) for where in places.values()]
    if None in nodes:
        scene = _with_shorted_gaps(scene, places)
        check_frequency(scene, float(solution.frequencies.max()))
        solution = solve(scene, solution.frequency, tolerance=tolerance, reuse=solution)
        mesh, known = solution.mesh, solution.system
        nodes = [_node(mesh, scene, *where) for where in places.values()]
    at_nodes: dict[str, int] = {}
    for name, node in zip(places, nodes, strict=True):
        if node is None:
            raise SolverError(f"At {name!r} no elements meet; give another point.")
        if mesh.node_on_ground[node]:
            raise SolverError(
                f"{name!r} is a contact to the earth: it has no voltage to be touched. Give a "
                "point farther up."
            )
        at_nodes[name] = node
    ports = list(dict.fromkeys(at_nodes.values()))  # two names of one place share a port
    system = System.from_scene(scene, _with_ports(mesh, ports), reuse=known)
    n_gaps = len(mesh.feeds)
    found = []
    for k, frequency in enumerate(solution.frequencies):
        y = system.solve(float(frequency)).admittance
        gaps = _gap_voltages(solution, k, power)
        impedances = _open_impedances(y, scene, n_gaps, float(frequency))
        # i of all ports is none: their voltages follow from those of the feeds.
        held = -np.linalg.solve(y[n_gaps:, n_gaps:], y[n_gaps:, :n_gaps] @ gaps)
        for name, (wire, at) in places.items():
            node = at_nodes[name]
            port = ports.index(node)
            own, volts = complex(impedances[port, port]), complex(held[port])
            down = _voltage_down(solution[k], node, volts, power)
            way = 2j * np.pi * frequency * _way_inductance(float(mesh.nodes[node, 2]))
            found.append(
                TouchedConductor(
                    name, wire, at, float(frequency), float(power), volts, own, down,
                    own + way if np.isfinite(down) else NOWHERE,
                )
            )  # fmt: skip
    return tuple(found)


def _voltage_down(solution: Solution, node: int, potential: complex, power: float) -> complex:
    """-Int E . dl from the ground straight up to a conductor of that potential. [V]

    Close to the conductor the difference of the potentials stands for it.
    """
    mesh, earth = solution.mesh, solution.scene.earth
    place = mesh.nodes[node]
    first = WAY_START * float(mesh.radius[(mesh.element_nodes == node).any(axis=1)].max())
    height = float(place[2])
    if earth is None or height <= 2.0 * first:
        return NOWHERE
    count = max(1, int(np.ceil(np.log2(height / first))))
    edges = np.append(first * 2.0 ** np.arange(count), height)  # distances below the conductor
    xi, weight = gauss(WAY_NODES)
    middle, half = 0.5 * (edges[1:] + edges[:-1]), 0.5 * np.diff(edges)
    below = (middle[:, None] + half[:, None] * xi).ravel()
    points = np.repeat(place[None], below.size, axis=0)
    points[:, 2] -= below
    try:
        upward = solution.electric_field(points, power=power)[:, 2]
    except SolverError:
        return NOWHERE
    near = scalar_potential(
        solution.currents(power=power), float(solution.frequencies[0]),
        place[None] - np.array([[0.0, 0.0, first]]), earth=earth,
        contacts=solution.contact_charges(power=power),
    )[0]  # fmt: skip
    steps = (half[:, None] * weight).ravel()
    return complex(potential - near - upward @ steps)


def _way_inductance(height: float) -> float:
    """Of a straight conductor that stands on the ground. [H]"""
    tall = max(height, WAY_RADIUS)
    return float(mu_0 * tall / (2.0 * np.pi) * (np.log(4.0 * tall / WAY_RADIUS) - 1.0))


def _gap_voltages(solution: Solution, index: int, power: float) -> ComplexArray:
    """Voltages across all gaps, feeds then loads, for the stated power, (P,). [V]"""
    currents = solution.driven_unknowns(index, power=power)
    through = solution.system.ports.T @ currents
    found = np.linalg.solve(solution.port_admittance[index], through)
    return found.astype(np.complex128)


def _open_impedances(y: ComplexArray, scene: Scene, n_gaps: int, frequency: float) -> ComplexArray:
    """Impedances of the ports at the points, driven feeds held, other gaps closed as they say."""
    keep, across = [], []
    for n, gap in enumerate(scene.ports):
        if gap.termination is None:
            continue  # its voltage is held
        impedance = complex(gap.termination_at(np.array([frequency]))[0])
        if impedance != 0.0:  # a short is what the admittances have already
            keep.append(n)
            across.append(0.0 if np.isinf(impedance) else 1.0 / impedance)
    own = y[n_gaps:, n_gaps:]
    if keep:
        rest = y[np.ix_(keep, keep)] + np.diag(across)
        own = own - y[n_gaps:, keep] @ np.linalg.solve(rest, y[keep, n_gaps:])
    return np.linalg.inv(own).astype(np.complex128)


def _with_ports(mesh: Mesh, nodes: Sequence[int]) -> Mesh:
    """The mesh with a port from far away into each of the nodes, after its feeds."""
    feeds = list(mesh.feeds)
    led = mesh.node_on_ground.copy()
    for node in nodes:
        ends = np.argwhere(mesh.element_nodes == node)
        feeds.append(FeedNode(node, tuple((int(e), int(side)) for e, side in ends)))
        led[node] = True
    return dataclasses.replace(mesh, feeds=tuple(feeds), node_on_ground=led)


def _node(mesh: Mesh, scene: Scene, wire: str, at: float) -> int | None:
    """Where elements meet at a place of a wire, None where they do not."""
    number = [w.name for w in scene.wires].index(wire)
    element, xi, _ = mesh.locate(number, at)
    length = float(np.linalg.norm(mesh.end[element] - mesh.start[element]))
    side = 0 if xi < 0.0 else 1
    if 0.5 * length * (1.0 - abs(xi)) > AT_NODE:
        return None
    return int(mesh.element_nodes[element, side])


def _with_shorted_gaps(scene: Scene, places: Mapping[str, tuple[str, float]]) -> Scene:
    """The scene with a shorted gap at every place in the middle of a wire: elements meet there."""
    taken = {feed.name for feed in scene.feeds}
    extra: list[Feed] = []
    for name, (wire, at) in places.items():
        if not JOINING_DISTANCE < at < scene.wire(wire).length - JOINING_DISTANCE:
            continue
        called = f"touched at {name}"
        while called in taken:
            called += "'"
        taken.add(called)
        extra.append(Feed(wire, at=at, name=called, termination=0))
    return scene.with_feeds(*scene.feeds, *extra)


def _places_of(
    scene: Scene, points: Sequence[str] | Mapping[str, tuple[str, float]] | str | None
) -> dict[str, tuple[str, float]]:
    named = {
        point: (wire.name, float(at)) for wire in scene.wires for point, at in wire.named_points
    }
    if isinstance(points, Mapping):
        found: dict[str, tuple[str, float]] = {}
        lengths = {wire.name: wire.length for wire in scene.wires}
        for name, (wire, at) in points.items():
            if wire not in lengths:
                raise SolverError(
                    f"{name!r}: there is no wire named {wire!r}; there are "
                    f"{', '.join(list(lengths)[:12])}."
                )
            if not (isinstance(at, int | float) and 0.0 <= at <= lengths[wire]):
                raise SolverError(
                    f"{name!r}: wire {wire!r} has no point at {at!r} m; it runs from 0 to "
                    f"{lengths[wire]:g} m."
                )
            found[name] = wire, float(at)
    elif points is None:
        found = named
    else:
        asked = [points] if isinstance(points, str) else list(points)
        for name in asked:
            if name not in named:
                known = ", ".join(map(repr, named)) or "none"
                raise SolverError(
                    f"No point is called {name!r}; there are: {known}. Or give a mapping of name "
                    "to (wire, metres along it)."
                )
        found = {name: named[name] for name in asked}
    if not found:
        raise SolverError(
            "There is no point to touch: give wires named_points, or a mapping of name to (wire, "
            "metres along it)."
        )
    return found
