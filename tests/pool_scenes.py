"""Scenes for tests of layouts that share a fixed part."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from ridgepole.geometry import Feed, Load, Scene, Timber, Wire
from ridgepole.geometry.jackets import Jacket
from ridgepole.materials import Conductor, Earth, Wood
from ridgepole.solver.solution import Solution
from ridgepole.solver.study.pool import Pool, build_pool

HUB = (0.0, 0.0, 5.0)
TOP = 21.3e6


def element(name: str, way: Sequence[Sequence[float]], length: float, **options: object) -> Wire:
    """A bent wire from the hub, cut to a length."""
    return Wire([HUB, *way], radius=1e-3, name=name, **options).with_length(length)  # pyright: ignore


LONG = [(0.3, 0.1, 7.1), (6.9, 0.8, 7.3), (7.2, 2.4, 6.0)]
OTHER = [(0.3, -0.4, 6.8), (6.4, -2.8, 7.0)]
SHORT = [(-0.3, 0.3, 6.9), (-4.1, 1.3, 7.0)]


def radials(count: int) -> list[Wire]:
    """Unequal, on the floor."""
    angles = 2.0 * np.pi * (np.arange(count) + 0.3) / max(count, 1)
    return [
        Wire(
            [HUB, ((2.0 + 0.3 * n) * np.cos(a), (2.0 + 0.3 * n) * np.sin(a), 5.0)],
            radius=0.8e-3, name=f"radial {n}", conductor=Conductor.named("copper"),
        )
        for n, a in enumerate(angles)
    ]  # fmt: skip


def scene_of(
    *,
    earth: Earth | None = None,
    n_radials: int = 5,
    timbers: bool = False,
    loads: Sequence[Load] = (),
    jacket: Jacket | None = None,
) -> Scene:
    """Two elements over radials, all that is asked for around them."""
    metal = Conductor.named("copper")
    wires = [
        element("long", LONG, 9.0, conductor=metal, jacket=jacket),
        element("short", SHORT, 5.0, conductor=metal),
        *radials(n_radials),
    ]
    house = []
    if timbers:
        wood = Wood("spruce", moisture=0.14)
        house = [
            Timber((1.2, -2.0, 4.85), (1.2, 2.0, 4.85), width=0.045, depth=0.19, wood=wood,
                   name="joist", group="joists"),
            Timber((5.5, -1.0, 7.6), (5.5, 2.6, 6.6), width=0.045, depth=0.17, wood=wood,
                   name="rafter", group="rafters"),
        ]  # fmt: skip
    # without radials the elements are fed against each other
    feed = Feed(("long", "short") if n_radials else "long", at=0.0)
    return Scene(wires, feed=feed, earth=earth, loads=loads, house=house)


def variants_of(scene: Scene) -> Mapping[str, list[Wire]]:
    """Five forms of one element on two ways, three of the other."""
    long = scene.wire("long")
    options = {"conductor": long.conductor, "jacket": long.jacket}
    return {
        "long": [
            *(element("long", LONG, length, **options) for length in (9.0, 8.4, 6.1)),
            *(element("long", OTHER, length, **options) for length in (7.2, 8.0)),
        ],
        "short": [
            element("short", SHORT, length, conductor=scene.wire("short").conductor)
            for length in (5.0, 3.3, 5.6)
        ],
    }


LAYOUTS = np.array([[0, 0], [1, 2], [2, 1], [3, 0], [4, 1], [0, 2], [2, 2]])


def pool_of(scene: Scene) -> Pool:
    """All of them in one."""
    frequencies = [7.1e6, TOP]
    return build_pool(scene, variants_of(scene), LAYOUTS, frequencies, tolerance=0.02)


def solved_by_itself(pool: Pool, layout: int, frequency: float) -> Solution:
    """One layout, on the same elements, cells and earth table."""
    system = pool.layout_system(layout)
    return Solution.from_ports(system, frequency, [system.solve(frequency)])
