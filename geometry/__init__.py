"""Where things are: lengths, wires, feeds, scenes, the attic, and the mesh made from them."""

from .antenna import BentL, Element, Loop, Route
from .attic import Attic
from .attic_file import load_attic_file, read_attic_text
from .checks import check_frequency
from .coax import Choke, Coax
from .counterpoise import Bond, Counterpoise, Radial
from .electrodes import Electrode
from .errors import AtticFileError, FeedError, GeometryError
from .feeds import Feed
from .file_tables import AtticFile, FileTable
from .jackets import Jacket
from .joints import FeedNode, Skeleton, trace_joints
from .lengths import Length, gauge_radius, metres
from .loads import Load
from .mesh import Mesh, build_mesh
from .metalwork import BondTo, Cable, Downpipe, Duct, Gutter, Pipe, Tank
from .obstructions import Sheet, Timber
from .plan import Assumption, AtticPlan
from .rooms import Room
from .scene import Scene
from .screens import Screen
from .wire_kinds import WireKind
from .wires import Wire

__all__ = [
    "Assumption",
    "Attic",
    "AtticFile",
    "AtticFileError",
    "AtticPlan",
    "BentL",
    "Bond",
    "BondTo",
    "Cable",
    "Choke",
    "Coax",
    "Counterpoise",
    "Downpipe",
    "Duct",
    "Electrode",
    "Element",
    "Feed",
    "FeedError",
    "FeedNode",
    "FileTable",
    "GeometryError",
    "Gutter",
    "Jacket",
    "Length",
    "Load",
    "Loop",
    "Mesh",
    "Pipe",
    "Radial",
    "Room",
    "Route",
    "Scene",
    "Screen",
    "Sheet",
    "Skeleton",
    "Tank",
    "Timber",
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
