"""Where things are: lengths, wires, feeds, scenes, the attic, and the mesh made from them."""

from .errors import AtticFileError, FeedError, GeometryError
from .lengths import Length
from .mesh import Mesh, build_mesh
from .scene import Scene
from .wires import Feed, Wire

__all__ = ["AtticFileError", "Feed", "FeedError", "GeometryError", "Length", "Mesh", "Scene", "Wire", "build_mesh"]
