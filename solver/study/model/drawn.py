"""A house as a model draws it, as a plan of its own and solved by itself."""

from __future__ import annotations

import numpy as np

from ....geometry.mesh import build_mesh
from ....geometry.plan import AtticPlan
from ...moments.basis import FloatArray
from ...solution import Solution
from ...system import System
from ..unknowns import apply
from ..unknowns.cables import cables_at_height
from .attic_model import AtticModel, HouseState

__all__ = ["drawn_plan", "drawn_solution", "drawn_system"]


def drawn_plan(
    model: AtticModel, state: HouseState, lengths: FloatArray | None = None
) -> AtticPlan:
    """The plan in which the unknowns of a model have a state's values; no lead at the feed point.

    Parameters
    ----------
    model : AtticModel
    state : HouseState
    lengths : (E,) float, optional
        Told lengths of the elements; the plan's where left out. They come out as they are
        electrically. [m]
    """
    values = {
        one.name: one.distribution.value(float(score))
        for one, score in zip(model.unknowns, state.scores, strict=True)
        if one.kind == "key"
    }
    changed = apply(model.plan, values, unknowns=model.asked) if values else model.plan
    lying = [cable for cable, there in zip(model.cables, state.cables, strict=True) if there]
    if lying:
        along = cables_at_height(lying, model.plan, changed)
        changed = changed.with_house(*changed.house, *along)
    effective = model.effective(model.told if lengths is None else lengths, state.scores)
    named = dict(zip(model.names, map(float, effective), strict=True))
    return changed.with_element_length(**named)


def drawn_system(model: AtticModel, state: HouseState, lengths: FloatArray | None = None) -> System:
    """That plan on elements like the model's, all integrals of its own."""
    scene = drawn_plan(model, state, lengths).scene()
    pool, pieces = model.lengths.pool, model.lengths.pieces
    effective = model.effective(model.told if lengths is None else lengths, state.scores)
    numbers = model.lengths.piece_numbers(effective.tolist())
    before = {wire.name: wire for wire in pool.scene.wires}
    divisions = {}
    for wire in scene.wires:
        if wire.name in pieces:
            number = numbers[model.names.index(wire.name)]
            first = pieces[wire.name][number].first
            divisions[wire.name] = pool.variants[wire.name][first][1].stretched(wire)
        elif wire.name in pool.meshing.divisions:
            old = pool.meshing.divisions[wire.name]
            divisions[wire.name] = old.carried(before[wire.name], wire)
    mesh = build_mesh(scene, pool.top_frequency, divisions=divisions)
    return System.from_scene(scene, mesh)


def drawn_solution(
    system: System, frequency: float, *, lead: float = 0.0
) -> tuple[complex, Solution]:
    """Impedance with a lead [H] in series with the feed point, and all else without it. [ohm]"""
    found = Solution.from_ports(system, frequency, [system.solve(frequency)])
    z = complex(np.asarray(found.impedance)[()])
    return z + 2j * np.pi * frequency * lead, found
