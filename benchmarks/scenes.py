"""Scenes that the benchmarks time, invented for them."""

from __future__ import annotations

import numpy as np

from ridgepole.geometry import Attic, Cable, Duct, Feed, Scene, Wire
from ridgepole.geometry.framing import ceiling, joists, rafters
from ridgepole.materials import Earth

HUB_HEIGHT = 5.2


def three_wire_l(*, radials: int = 32, radial_length: float = 4.0, cut: float = 0.0) -> Scene:
    """Three bent wires from one point against equal radials, over average earth.

    Parameters
    ----------
    cut : float
        Taken off the far end of the short one. [m]
    """
    z = HUB_HEIGHT
    hub = (0.0, 0.0, z)
    routes = {
        "long": [(0.35, 0.15, z + 2.1), (6.9, 0.9, z + 2.3), (7.3, 2.6, z + 1.1)],
        "middle": [(-0.25, 0.3, z + 1.9), (-3.9, 1.2, z + 2.0), (-4.2, 2.9, z + 1.2)],
        "short": [(0.1, -0.35, z + 1.6), (0.9, -2.9, z + 1.7)],
    }
    wires = [Wire([hub, *route], radius=1e-3, name=name) for name, route in routes.items()]
    if cut:
        wires[-1] = wires[-1].with_length(wires[-1].length - cut)
    for number in range(radials):
        angle = 2.0 * np.pi * (number + 0.37) / radials
        x, y = radial_length * np.cos(angle), radial_length * np.sin(angle)
        wires.append(Wire([hub, (x, y, z)], radius=0.8e-3, name=f"radial {number + 1}"))
    return Scene(wires, feed=Feed(tuple(routes), at=0.0), earth=Earth(13.0, 0.005))


def furnished_attic(*, with_house: bool = True, cut: float = 0.0) -> Scene:
    """The same antenna in an attic of 10 m by 8 m with the house around it."""
    antenna = three_wire_l(cut=cut)
    bare = antenna.translated((5.0, 4.0, 0.03))
    if not with_house:
        return bare
    attic = Attic((10.0, 8.0), ceiling_height=HUB_HEIGHT, eaves_height=5.5, ridge_height=8.9)
    floor = joists(attic, spacing=0.39, section="45 x 195 mm")
    house = [
        *floor,
        *rafters(attic, spacing=0.39, section="45 x 145 mm"),
        *ceiling(attic, under=floor),
        *cables(),
        Duct([(1.0, 6.9, 5.6), (8.5, 6.9, 5.6)], diameter=0.2, name="long duct"),
        Duct([(8.8, 0.8, 5.5), (8.8, 3.1, 5.9)], diameter=0.125, name="short duct"),
    ]
    return bare.with_house(house)


def cables() -> list[Cable]:
    """Eight cables on and between the joists, two of them down a wall."""
    floor = HUB_HEIGHT + 0.06
    ways = [
        [(0.4, 0.5, floor), (9.6, 0.5, floor)],
        [(0.4, 2.3, floor), (4.1, 2.3, floor), (4.1, 2.3, 2.9)],
        [(9.5, 1.1, floor), (9.5, 7.4, floor)],
        [(0.5, 7.5, floor), (5.2, 7.5, floor)],
        [(5.9, 7.6, floor), (9.2, 7.6, floor), (9.2, 7.6, 2.8)],
        [(0.3, 1.0, floor), (0.3, 7.1, floor)],
        [(5.8, 1.3, floor), (9.1, 1.3, floor)],
        [(0.7, 5.6, floor), (2.9, 5.6, floor)],
    ]
    return [
        Cable(way, gauge="1.5 mm2", name=f"cable {number}")
        for number, way in enumerate(ways, start=1)
    ]
