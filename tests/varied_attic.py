"""An attic whose keys tests vary."""

from __future__ import annotations

from typing import Any

from ridgepole.geometry import AtticFile, AtticPlan, Scene
from ridgepole.geometry.attic_file import plan_from
from ridgepole.solver.settings import TABLES
from ridgepole.solver.study.sweep_records import Design

# A bare attic, quick to read: three elements, one in feet, one with a coil, a few radials.
TEXT = """
[attic]
size = ["12 m", "7 m"]
ceiling_height = "5 m"
ridge_height = "8.6 m"
eaves_height = "5.4 m"
ridge_bearing = 75

[antenna]
feed_point = ["3 m", "3 m", "0 m"]
wire = "2.5 mm2 copper, bare"

[[element]]
name = "long"
route = "up to 2 m; along the ridge 7.5 m; down 1 m"
length = "9.5 m"        # the one to prune

[[element]]
name = "side"
route = [["3 m", "4 m", "1.8 m"], ["0.5 m", "4.2 m", "1.6 m"]]
length = "12 ft 6 in"

[[element]]
name = "low.one"
route = [["3.6 m", "2 m", "1.1 m"], ["6 m", "1.8 m", "0.9 m"]]
wire = "1.5 mm2 copper, bare"

[counterpoise]
radials = 5
length = "2.4 m"
start_bearing = 20

[[load]]
name = "trap"
wire = "long"
at = "6 m"
coil = "3 uH"
coil_q = 200

[joists]
spacing = "600 mm"
section = "45 x 195 mm"

[earth]
ground = "medium dry ground"

[tuner]
kind = "L"
coil = ["0 uH", "20 uH"]
capacitor = ["0 pF", "2 nF"]
"""


def plan_of(text: str = TEXT) -> AtticPlan:
    return plan_from(AtticFile.from_text(text, name="house.toml", other_tables=TABLES))


def column(design: Design, name: str) -> list[Any]:
    return [design.layout(n)[name] for n in range(len(design))]


def told(scene: Scene) -> list[Any]:
    """All that the solver is given, exactly."""
    wires = [
        (w.name, w.vertices.tolist(), w.radius, w.conductor, w.jacket, w.marks) for w in scene.wires
    ]
    ports = [repr(port) for port in scene.ports]
    return [wires, ports, scene.solids, scene.earth]
