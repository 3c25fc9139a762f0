"""How the wires of a pool are cut into elements: once for each way, at its greatest length."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from ...geometry import Scene, Wire
from ...geometry.mesh import Division, build_mesh, drawing_of
from ...materials import Earth
from ..system import System


def longest_ways(wires: Sequence[Wire]) -> list[int]:
    """For each of some wires the longest one that goes the same way, by its place among them."""
    order = sorted(range(len(wires)), key=lambda n: (-wires[n].length, n))
    found = [-1] * len(wires)
    longest: list[int] = []
    for n in order:
        wire = wires[n]
        for other in longest:
            way = wires[other]
            alike = (wire.radius, wire.conductor, wire.jacket) == (
                way.radius, way.conductor, way.jacket
            )  # fmt: skip
            if alike and wire.marks == tuple(m for m in way.marks if m < wire.length - 1e-9):
                gap = np.abs(way.points_at(wire.vertex_distances) - wire.vertices).max()
                inner = way.vertex_distances[way.vertex_distances < wire.length - 1e-9]
                if gap < 1e-9 and inner.size == wire.vertex_distances.size - 1:
                    found[n] = other
                    break
        else:
            longest.append(n)
            found[n] = n
    return found


@dataclass(frozen=True, eq=False)
class Meshing:
    """How wires are cut that go as far as any layout has them.

    Attributes
    ----------
    key : tuple
        All that it follows from.
    divisions : mapping of str to Division
        Of the reference scene's wires.
    by_way : mapping of str to mapping of int to Division
        Of the longest wire on each way, by moving wire and variant.
    """

    key: tuple[Any, ...]
    divisions: Mapping[str, Division]
    by_way: Mapping[str, Mapping[int, Division]]

    @classmethod
    def of(
        cls,
        reference: Scene,
        longest: Mapping[str, Mapping[int, Wire]],
        frequencies: Sequence[float],
        tolerance: float | None,
        *,
        earth: Earth | None,
        known: Meshing | None,
    ) -> Meshing:
        """Mesh and refine, over one earth whatever that of the scene is."""
        ways = tuple(
            (name, n, wire.vertices.tobytes()) for name, own in longest.items()
            for n, wire in own.items()
        )  # fmt: skip
        key = (drawing_of(reference), ways, tuple(frequencies), tolerance, earth)
        if known is not None and known.key == key:
            return known
        divisions: dict[str, Division] = {}
        by_way: dict[str, dict[int, Division]] = {name: {} for name in longest}

        def divided(scene: Scene) -> dict[str, Division]:
            mesh = build_mesh(scene, max(frequencies))
            if tolerance is not None:
                over = scene.with_earth(earth)
                mesh = System.refined(over, mesh, frequencies, tolerance=tolerance).mesh
            return {wire.name: mesh.division(n) for n, wire in enumerate(scene.wires)}

        divisions = divided(reference)
        for name, own in longest.items():
            for n, wire in own.items():
                if np.array_equal(wire.vertices, reference.wire(name).vertices):
                    by_way[name][n] = divisions[name]
                    continue
                others = [wire if w.name == name else w for w in reference.own_wires]
                by_way[name][n] = divided(reference.with_wires(others))[name]
        return cls(key, divisions, by_way)
