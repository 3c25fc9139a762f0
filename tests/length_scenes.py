"""Attics with elements of any length, and the same layouts solved in full on the same mesh."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from small_attic import MEDIUM_DRY, RADIALS, ROOM

from ridgepole.geometry.attic_file import read_attic_text
from ridgepole.geometry.mesh import build_mesh
from ridgepole.geometry.plan import AtticPlan
from ridgepole.materials import Earth
from ridgepole.solver.settings import TABLES
from ridgepole.solver.solution import Solution
from ridgepole.solver.study.model.eliminated import Eliminated, LayoutState
from ridgepole.solver.study.model.lengths import LengthPool, _bounded
from ridgepole.solver.surround import volume as volumes
from ridgepole.solver.surround.bricks import plan_bricks
from ridgepole.solver.system import System

FREQUENCIES = [14.0e6, 14.35e6]
AT = 14.12e6

BARE, JACKETED = '"2.5 mm2 copper, bare"', '"2.5 mm2 copper, PVC"'

BENT = """[antenna]
feed_point = ["2.1 m", "2.5 m", "0 m"]
wire = {wire}
[[element]]
name = "long"
route = [["2.1 m", "3.0 m", "2.6 m"], ["8.4 m", "3.1 m", "2.7 m"], ["8.4 m", "0.7 m", "0.8 m"]]
length = "8.3 m"
[[element]]
name = "cross"
route = [["1.2 m", "3.6 m", "1.9 m"], ["0.5 m", "5.2 m", "0.8 m"]]
length = "3.4 m"
"""
STRAIGHT = """[[element]]
name = "{name}"
route = [["{x} m", "{y} m", "{z} m"]]
length = "{length} m"
"""
COIL = """[[load]]
wire = "long"
at = "4 m"
coil = "4 uH"
coil_q = 150
name = "loading coil"
"""
JOIST = """[[timber]]
name = "joist"
points = [["1 m", "3.3 m", "2.2 m"], ["8 m", "3.3 m", "2.2 m"]]
section = "45 x 145 mm"
"""

NARROW = {"long": (8.0, 8.6), "cross": (3.2, 3.6)}
WIDE = {"long": (2.2, 10.4), "cross": (2.1, 4.0)}
"""Across bends: the first of each element is 2.65 m and 2.37 m up."""


def straight(name: str, x: float, y: float, z: float, length: float) -> str:
    """An element without a bend."""
    return STRAIGHT.format(name=name, x=x, y=y, z=z, length=length)


def plan_of(
    *extra: str, wire: str = BARE, elements: str = BENT, radials: str = RADIALS
) -> AtticPlan:
    """An attic over medium dry ground, and more tables."""
    text = ROOM + elements.replace("{wire}", wire) + radials + MEDIUM_DRY + "".join(extra)
    return read_attic_text(text, name="small.toml", other_tables=TABLES)


@dataclass(frozen=True, eq=False)
class Case:
    """A pool, what it was made of, and the matrix of all its elements."""

    plan: AtticPlan
    lengths: LengthPool
    earth: Earth | None
    frequency: float
    eliminated: Eliminated

    @classmethod
    def of(
        cls,
        plan: AtticPlan,
        ranges: Mapping[str, tuple[float, float]],
        *,
        earth: Any = "told",
        frequency: float = AT,
    ) -> Case:
        """Over the plan's ground, another or none."""
        lengths = LengthPool.build(plan, ranges, FREQUENCIES, tolerance=None)
        if earth == "told":
            earth = lengths.pool.scene.earth
        else:
            pool = lengths.pool
            scene = replace(pool.system.scene, earth=earth)  # pyright: ignore
            ground = "none" if earth is None else "perfect" if earth.is_perfect else "real"
            prepared = volumes_prepared(pool.system, ground)
            system = replace(pool.system, scene=scene, prepared=prepared)
            pool = replace(pool, scene=pool.scene.with_earth(earth), system=system)
            lengths = replace(lengths, pool=pool)
        matrix = lengths.pool.system.fill(frequency).matrix
        return cls(plan, lengths, earth, frequency, Eliminated.of(lengths, matrix, frequency))

    def state(self, *lengths: float) -> LayoutState:
        """From the pool."""
        return self.eliminated.state(lengths)

    def solved(self, *lengths: float) -> Solution:
        """By itself, its wires cut as the pool's would be: stretched from the end of the piece."""
        pool = self.lengths.pool
        told = dict(zip(self.lengths.names, lengths, strict=True))
        scene = self.plan.with_element_length(**told).scene().with_earth(self.earth)
        divisions = dict(pool.meshing.divisions)
        numbers = self.lengths.piece_numbers(lengths)
        for (name, pieces), number in zip(self.lengths.pieces.items(), numbers, strict=True):
            high = {**told, name: pieces[number].high}
            longest = self.plan.with_element_length(**high).scene().wire(name)
            cut = divisions[name].shortened(longest)
            divisions[name] = cut.stretched(_bounded(scene.wire(name), scene))
        mesh = build_mesh(scene, pool.top_frequency, divisions=divisions)
        system = System.from_scene(scene, mesh)
        return Solution.from_ports(system, self.frequency, [system.solve(self.frequency)])

    def impedance(self, *lengths: float) -> complex:
        """Of `solved`."""
        return complex(np.asarray(self.solved(*lengths).impedance)[()])


def volumes_prepared(system: System, ground: Any) -> Any:
    """A pool's static integrals over another kind of ground."""
    from ridgepole.solver.moments.assembly import prepare

    basis, elements = system.prepared.basis, system.prepared.elements
    return prepare(elements, basis, ground=ground, meets=None)


def hold_cells(monkeypatch: Any, case: Case) -> None:
    """Let full solves cut solids into the very cells and bricks of the pool."""
    volume = case.lengths.pool.system.volume
    assert volume is not None
    elements = volume.elements
    plan = plan_bricks(
        volume.cells, elements.center - elements.half, elements.center + elements.half
    )
    monkeypatch.setattr(volumes, "cut_solids", lambda *_: volume.cells)
    monkeypatch.setattr(volumes, "plan_bricks", lambda *_: plan)


def slope(function: Any, at: float, step: float) -> Any:
    """Central difference of the fourth order."""
    near = (function(at + step) - function(at - step)) * 8.0
    return (near - function(at + 2.0 * step) + function(at - 2.0 * step)) / (12.0 * step)
