"""`solve`: from a scene and frequencies to a solution."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from ..geometry import Scene
from ..geometry.checks import check_frequency
from ..geometry.mesh import LONGEST_ELEMENT, TIP_RADII, Mesh, build_mesh
from .errors import SolverError
from .solution import Solution
from .system import System

DEFAULT_TOLERANCE = 0.02
"""Of the error estimate, which is two to three times the true error in most scenes."""


def solve(
    scene: Scene,
    frequency: ArrayLike,
    *,
    mesh: Mesh | None = None,
    degree: int | None = None,
    longest_element: float = LONGEST_ELEMENT,
    tip_radii: Sequence[float] = TIP_RADII,
    raise_degree: int = 0,
    tolerance: float | None = DEFAULT_TOLERANCE,
    error_estimate: bool | None = None,
    progress: bool = False,
    reuse: Solution | None = None,
) -> Solution:
    """Currents, impedances and everything that follows from them.

    Parameters
    ----------
    scene : Scene
        Wires, feeds and earth.
    frequency : float or array_like, shape (F,)
        0.1 to 300 MHz. A single number gives scalar results. [Hz]
    mesh : Mesh, optional
        Use exactly this mesh; otherwise one is made for the highest of the frequencies.
    degree, longest_element, tip_radii, raise_degree
        How to make the mesh, see `ridgepole.geometry.build_mesh`.
    tolerance : float, optional
        The mesh is refined until the estimated relative error of the impedance is within this at
        the lowest, a middle and the highest frequency (or a few rounds are over, see
        `Solution.error_estimate`). None: the mesh as it was made.
    error_estimate : bool, optional
        Estimate the discretisation error of the impedance; by default for a single frequency.
    progress : bool
        Show a progress bar with the time left.
    reuse : Solution, optional
        Of another layout in the same house: what was worked out for timbers and sheets near which
        no wire differs is taken from there. The result is the same.

    Returns
    -------
    Solution

    Raises
    ------
    GeometryError
        If a frequency or a mesh setting is out of range, or a wire is too thick for it.
    SolverError
        If the equations cannot be solved.

    Examples
    --------
    >>> from ridgepole.geometry import Wire, Feed, Scene
    >>> from ridgepole.solver import solve
    >>> wire = Wire([(0, 0, -5.0), (0, 0, 5.0)], radius=1e-3, name="rod")
    >>> solution = solve(Scene(wires=[wire], feed=Feed("rod", at=5.0)), 14.2e6)
    >>> bool(60 < solution.impedance.real < 75)
    True
    """
    if not isinstance(scene, Scene):
        raise SolverError(f"scene is a {type(scene).__name__}; give a Scene of wires and a feed.")
    check_frequency(scene, frequency)
    frequencies = np.asarray(frequency, dtype=float)
    if frequencies.ndim > 1 or frequencies.size == 0:
        raise SolverError(
            f"frequency has the shape {frequencies.shape}; give one number or a flat list in hertz."
        )
    flat = np.atleast_1d(frequencies)
    if not isinstance(reuse, Solution | None):
        raise SolverError(f"reuse is a {type(reuse).__name__}; give an earlier Solution, or None.")
    known = None if reuse is None else reuse.system
    if tolerance is not None and not (isinstance(tolerance, int | float) and 0.0 < tolerance < 1.0):
        raise SolverError(
            f"tolerance is {tolerance!r}; it must lie between 0 and 1 (0.01 is one per cent), or "
            "be None to leave the mesh as it is made."
        )
    if mesh is not None:
        settings = (degree, longest_element, tuple(tip_radii), raise_degree)
        if settings != (None, LONGEST_ELEMENT, TIP_RADII, 0):
            raise SolverError(
                "mesh= is given together with degree, longest_element, tip_radii or raise_degree, "
                "which say how to make one. Give either."
            )
        if not isinstance(mesh, Mesh) or not mesh.fits(scene):
            raise SolverError(
                "mesh= does not belong to this scene: it must be a Mesh made from the same wires, "
                "feed points and kind of ground (build_mesh(scene, top_frequency))."
            )
        system = System.from_scene(scene, mesh, reuse=known)
    else:
        made = build_mesh(
            scene,
            float(flat.max()),
            degree=degree,
            longest=longest_element,
            tip_radii=tip_radii,
            raise_degree=raise_degree,
        )
        if tolerance is None:
            system = System.from_scene(scene, made, reuse=known)
        else:
            ordered = np.sort(flat)
            some = np.unique(ordered[[0, ordered.size // 2, -1]])
            system = System.adapted(
                scene, made, [float(f) for f in some], tolerance=tolerance, reuse=known
            )
    with_estimate = frequencies.ndim == 0 if error_estimate is None else error_estimate
    steps = flat
    if progress:
        from tqdm.auto import tqdm

        steps = tqdm(flat, desc="solving", unit="frequency", leave=False)
    ports = [system.solve(float(value), with_estimate=with_estimate) for value in steps]
    return Solution.from_ports(system, float(frequencies) if frequencies.ndim == 0 else flat, ports)
