"""Where things are: lengths, wires, feeds, scenes, the attic, and the mesh made from them."""

from .antenna import BentL, Element, Loop, Route
from .attic import Attic
from .attic_file import load_attic_file, read_attic_text
from .checks import check_frequency
from .counterpoise import Bond, Counterpoise, Radial
from .errors import AtticFileError, FeedError, GeometryError
from .file_tables import AtticFile, FileTable
from .jackets import Jacket
from .joints import FeedNode, Skeleton, trace_joints
from .lengths import Length, gauge_radius, metres
from .mesh import Mesh, build_mesh
from .plan import Assumption, AtticPlan
from .scene import Scene
from .wire_kinds import WireKind
from .wires import Feed, Wire

__all__ = [
    "Assumption",
    "Attic",
    "AtticFile",
    "AtticFileError",
    "AtticPlan",
    "BentL",
    "Bond",
    "Counterpoise",
    "Element",
    "Feed",
    "FeedError",
    "FeedNode",
    "FileTable",
    "GeometryError",
    "Jacket",
    "Length",
    "Loop",
    "Mesh",
    "Radial",
    "Route",
    "Scene",
    "Skeleton",
    "Wire",
    "WireKind",
    "build_mesh",
    "check_frequency",
    "gauge_radius",
    "load_attic_file",
    "metres",
    "read_attic_text",
    "trace_joints",
]
