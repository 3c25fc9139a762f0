"""States of a house as systems that share what they have in common.

Another ground leaves all integrals in the air as they are, another wood all fields too: of a
house in several states only what differs is computed anew.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np

from ....geometry import Scene
from ....materials import Earth
from ...moments.basis import ComplexArray
from ...surround.volume import Volume
from ...system import System
from .lengths import LengthPool

STUFF = ("wood", "material")
"""What a solid is made of: all else of it is geometry."""


@dataclass(frozen=True, eq=False)
class House:
    """One state of a house.

    Attributes
    ----------
    pool : LengthPool
        Of its geometry; of that house whose geometry is the same.
    geometry, ground, stuff : int
        Which geometry, which ground over it, and which solids it has; equal numbers are equal.
    earth : Earth or None
    volume : Volume or None
    """

    pool: LengthPool
    geometry: int
    ground: int
    stuff: int
    earth: Earth | None
    volume: Volume | None

    @property
    def system(self) -> System:
        """The pool's, over this ground and among these solids."""
        system = self.pool.pool.system
        scene: Any = replace(system.scene, earth=self.earth)  # pyright: ignore[reportArgumentType]
        return replace(system, scene=scene, volume=self.volume)


class Houses:
    """Houses one after the other, each held against those before."""

    def __init__(self) -> None:
        self.scenes: list[Scene] = []
        self.pools: list[LengthPool] = []
        self.grounds: list[Earth | None] = []
        self.volumes: list[list[Volume | None]] = []
        self.found: list[House] = []

    def known(self, scene: Scene) -> House | None:
        """A house of this scene, if one of the geometries known is its own."""
        for geometry, other in enumerate(self.scenes):
            if not _same_geometry(scene, other):
                continue
            volume = self.pools[geometry].pool.system.volume
            if volume is not None:
                volume = _refilled(volume, scene.solids)
                if volume is None:
                    continue
            return self._put(geometry, scene.earth, volume)
        return None

    def add(self, scene: Scene, pool: LengthPool) -> House:
        """One of a geometry of its own."""
        self.scenes.append(scene)
        self.pools.append(pool)
        self.volumes.append([])
        return self._put(len(self.pools) - 1, scene.earth, pool.pool.system.volume)

    def _put(self, geometry: int, earth: Earth | None, volume: Volume | None) -> House:
        if earth not in self.grounds:
            self.grounds.append(earth)
        filled = self.volumes[geometry]
        same = [n for n, other in enumerate(filled) if _same_stuff(volume, other)]
        stuff = same[0] if same else len(filled)
        if same:
            volume = filled[stuff]
        else:
            filled.append(volume)
        found = House(
            self.pools[geometry], geometry, self.grounds.index(earth), stuff, earth, volume
        )
        self.found.append(found)
        return found


def _same_geometry(one: Scene, other: Scene) -> bool:
    """Whether all is in the same place, but for what solids are made of and the ground."""
    if len(one.wires) != len(other.wires) or len(one.solids) != len(other.solids):
        return False
    perfect = [earth is not None and earth.is_perfect for earth in (one.earth, other.earth)]
    if perfect[0] != perfect[1] or (one.earth is None) != (other.earth is None):
        return False
    for a, b in zip(one.wires, other.wires, strict=True):
        same = a.name == b.name and a.radius == b.radius and a.vertices.shape == b.vertices.shape
        if not same or not np.allclose(a.vertices, b.vertices, rtol=0.0, atol=1e-10):
            return False
        if a.conductor != b.conductor or a.jacket != b.jacket or a.marks != b.marks:
            return False
    if [repr(port) for port in one.ports] != [repr(port) for port in other.ports]:
        return False
    return all(_same_solid(a, b) for a, b in zip(one.solids, other.solids, strict=True))


def _same_solid(one: Any, other: Any) -> bool:
    if type(one) is not type(other):
        return False
    return all(
        _equal(getattr(one, field.name), getattr(other, field.name))
        for field in fields(one)
        if field.name not in STUFF
    )


def _equal(one: Any, other: Any) -> bool:
    try:
        return bool(np.allclose(one, other, rtol=0.0, atol=1e-10))
    except TypeError:
        return bool(one == other)


def _same_stuff(one: Volume | None, other: Volume | None) -> bool:
    if one is None or other is None:
        return one is other
    pairs = zip(one.cells.bodies, other.cells.bodies, strict=True)
    return all(a.sample.stuff == b.sample.stuff for a, b in pairs)


def _refilled(volume: Volume, solids: Sequence[Any]) -> Volume | None:
    """The same cells filled with other solids; None where they part differently."""
    bodies = list(volume.cells.bodies)
    for b, body in enumerate(bodies):
        own = [solids[n] for n in np.unique(volume.cells.solid[volume.cells.body == b])]
        if any(solid.stuff != own[0].stuff for solid in own):
            return None
        if own and own[0].stuff != body.sample.stuff:
            bodies[b] = replace(body, sample=own[0])
    return volume.with_bodies(bodies)


def matrices(
    houses: Sequence[House], frequency: float
) -> Iterator[tuple[ComplexArray, ComplexArray | None]]:
    """Matrix (N, N), and means of fields in the solids (N, 3 C), of each house in turn. [Hz]

    The means are valid until the next house is asked for.
    """
    air: dict[int, ComplexArray] = {}
    direct: dict[int, ComplexArray] = {}
    wires: dict[tuple[int, int], ComplexArray] = {}
    inside: dict[tuple[int, int], ComplexArray] = {}
    last: dict[tuple[int, int], int] = {
        (house.geometry, house.ground): n for n, house in enumerate(houses)
    }
    for n, house in enumerate(houses):
        system, key = house.system, (house.geometry, house.ground)
        if key not in wires:
            if house.geometry not in air:
                air[house.geometry] = system.fill_air(frequency)
            wires[key] = system.fill_wires(frequency, air=air[house.geometry]).matrix
        matrix, found = wires[key].copy(), None
        if system.volume is not None:
            if key not in inside:
                if house.geometry not in direct:
                    fields = system.volume.fields(frequency)
                    direct[house.geometry] = system.volume.means(fields)
                inside[key] = system.solid_means(frequency, direct=direct[house.geometry])
            found = inside[key]
            with system.few_threads():
                system.volume.add_to_matrix(matrix, found, frequency)
        yield matrix, found
        if last[key] == n:
            wires.pop(key)
            inside.pop(key, None)
