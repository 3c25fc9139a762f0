"""Wires on and beside timber, as scenes of the library, for the tests of timber."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from voxel_reference import ReferenceCase

from ridgepole.geometry import Feed, Scene, Timber, Wire, build_mesh
from ridgepole.solver.surround.cells import CellRule
from ridgepole.solver.surround.volume import Volume
from ridgepole.solver.system import System


@dataclass(frozen=True)
class _Even:
    """Stuff of one permittivity along and one across, at all frequencies."""

    along: complex
    across: complex

    def permittivity_along(self, frequency: ArrayLike) -> NDArray[np.complex128]:
        return np.full(np.shape(frequency), self.along, dtype=complex)

    def permittivity_across(self, frequency: ArrayLike) -> NDArray[np.complex128]:
        return np.full(np.shape(frequency), self.across, dtype=complex)


def even_wood(along: complex, across: complex) -> Any:
    """Stuff of the same permittivities at all frequencies, in place of a `Wood`."""
    return _Even(along, across)


@dataclass(frozen=True)
class Taken:
    """Impedance [ohm], and losses by group over |feed current|^2 [ohm]."""

    impedance: complex
    losses: dict[str, float]

    @property
    def loss(self) -> float:
        return sum(self.losses.values())


def reference_scene(case: ReferenceCase) -> Scene:
    """A case of the coupled brick solution: dipole on the x axis, one timber beneath it."""
    half = 0.5 * case.dipole_length
    wire = Wire([(-half, 0, 0), (half, 0, 0)], radius=case.radius, name="wire")
    timber = Timber(
        tuple(case.timber_start), tuple(case.timber_end), width=case.width, depth=case.depth,
        wood=even_wood(case.along, case.across), name="joist",
    )  # fmt: skip
    return Scene(wire, feed=Feed("wire", at=half), house=[timber])


def solids_of(system: System) -> Volume:
    """Timbers and sheets of a system that has some."""
    if system.volume is None:
        raise ValueError("this scene has no solids")
    return system.volume


def solve_on(system: System, frequency: float) -> Taken:
    """Impedance of the first feed, others shorted, and what each group takes per squared ampere."""
    ports = system.solve(frequency)
    current = ports.admittance[0, 0]
    if system.volume is None:
        return Taken(complex(1.0 / current), {})
    own = system.prepared.basis.combination @ ports.currents[:, 0]
    inside = own @ system.solid_fields(frequency).local
    state = system.volume.state(inside, own, frequency)
    size = abs(current) ** 2
    return Taken(complex(1.0 / current), {k: v / size for k, v in state.losses.items()})


def with_rules(
    scene: Scene, frequency: float, rules: Sequence[CellRule], *, longest: float = 0.05
) -> tuple[complex, list[Taken]]:
    """Impedance without the solids, and what comes out with each way of cutting them."""
    mesh = build_mesh(scene, frequency, longest=longest)
    bare = solve_on(System.from_scene(scene, mesh, with_solids=False), frequency).impedance
    systems = (System.from_scene(scene, mesh, rule=rule) for rule in rules)
    return bare, [solve_on(system, frequency) for system in systems]
