"""Where things are: lengths, wires, feeds, scenes, the attic, and the mesh made from them."""

from .checks import check_frequency
from .errors import AtticFileError, FeedError, GeometryError
from .joints import FeedNode, Skeleton, trace_joints
from .lengths import Length, gauge_radius, metres
from .mesh import Mesh, build_mesh
from .scene import Scene
from .wires import Feed, Wire

__all__ = [
    "AtticFileError",
    "Feed",
    "FeedError",
    "FeedNode",
    "GeometryError",
    "Length",
    "Mesh",
    "Scene",
    "Skeleton",
    "Wire",
    "build_mesh",
    "check_frequency",
    "gauge_radius",
    "metres",
    "trace_joints",
]
