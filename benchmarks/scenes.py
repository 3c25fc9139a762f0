"""Scenes that the benchmarks time, invented for them."""

from __future__ import annotations

import numpy as np

from ridgepole.geometry import Feed, Scene, Wire
from ridgepole.materials import Earth

HUB_HEIGHT = 5.2


def three_wire_l(*, radials: int = 32, radial_length: float = 4.0) -> Scene:
    """Three bent wires from one point against equal radials, over average earth."""
    z = HUB_HEIGHT
    hub = (0.0, 0.0, z)
    routes = {
        "long": [(0.35, 0.15, z + 2.1), (6.9, 0.9, z + 2.3), (7.3, 2.6, z + 1.1)],
        "middle": [(-0.25, 0.3, z + 1.9), (-3.9, 1.2, z + 2.0), (-4.2, 2.9, z + 1.2)],
        "short": [(0.1, -0.35, z + 1.6), (0.9, -2.9, z + 1.7)],
    }
    wires = [Wire([hub, *route], radius=1e-3, name=name) for name, route in routes.items()]
    for number in range(radials):
        angle = 2.0 * np.pi * (number + 0.37) / radials
        x, y = radial_length * np.cos(angle), radial_length * np.sin(angle)
        wires.append(Wire([hub, (x, y, z)], radius=0.8e-3, name=f"radial {number + 1}"))
    return Scene(wires, feed=Feed(tuple(routes), at=0.0), earth=Earth(13.0, 0.005))
