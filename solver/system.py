"""A scene made ready to be solved at any frequency: mesh, functions, static integrals."""

from __future__ import annotations

import warnings
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray
from scipy import linalg
from scipy.constants import epsilon_0
from threadpoolctl import ThreadpoolController

from ..geometry.mesh import SHORTEST_PART, Mesh
from .earth.contacts import EarthContacts
from .earth.pair_moments import reflected_adder
from .earth.reflection import free_space_wavenumber
from .earth.tables import build_earth_table
from .errors import SolverError
from .moments.assembly import (
    AddReflected,
    Filled,
    Prepared,
    fill,
    make_elements,
    prepare,
)
from .moments.basis import ComplexArray, FloatArray, IntArray, connect
from .surround.cells import CellRule
from .surround.far_earth import add_reflected
from .surround.volume import FunctionFields, Volume, prepare_volume

if TYPE_CHECKING:
    from ..geometry import Scene, Wire

ONE_THREAD_UNKNOWNS = 800
"""Smaller matrices are factored by one thread: two gain 2 ms on a quiet machine and lose 150 ms
waiting for each other on a busy one."""


@lru_cache(maxsize=1)
def _blas_threads() -> ThreadpoolController:
    return ThreadpoolController()


def tail_factor(degree: IntArray) -> FloatArray:
    """What the next function's part of the error is multiplied by: 2 p + 1.

    The true error has an algebraic tail in the degree p (the current is like a square root near
    free ends and has a logarithm at bends and junctions), so all functions after the next add
    about p times as much again.  Over six families of 60 scenes, tipped and not, degrees 1 to 8,
    this held the true error in 97 to 100 % of the cases, at most 18 times too large; a fixed
    factor of 3 held it in 13 to 92 %.
    """
    return np.asarray(2.0 * degree + 1.0, dtype=np.float64)


ADAPTION_ROUNDS = 5
MARKED_PART = 0.1
"""Elements are refined whose estimate is above this part of the greatest."""

SHORTEST_TIP = 3.0
"""In radii; shorter elements at free ends are not cut further."""


@dataclass(frozen=True, eq=False)
class PortSolution:
    """Currents and admittances with unit voltage at each port in turn, all others shorted.

    Attributes
    ----------
    currents : (N, P) complex
        Unknowns. [A]
    admittance : (P, P) complex
        [S]
    estimate : (P,) float
        Estimated relative error of the diagonal admittances, NaN where not computed.
    element_estimate : (E, P) float
        Each element's part of it.
    solid_fields : (P, 3 C) complex, optional
        Mean fields in the cells of solids. [V/m]
    """

    currents: ComplexArray
    admittance: ComplexArray
    estimate: FloatArray
    element_estimate: FloatArray
    solid_fields: ComplexArray | None = None


@dataclass(frozen=True, eq=False)
class System:
    """Scene, mesh and the frequency-independent integrals.

    Attributes
    ----------
    ports : (N, P) float
        Gap weights of each feed and load.
    volume : Volume, optional
        Timbers and sheets; None without any.
    contacts : EarthContacts or None
        Where wires are led to real earth.
    envelope : System or None
        Another one that has all of these elements and more in the same house: its integrals over
        solids and the span of its earth tables are taken, so that layouts that have one in common
        are computed alike.
    """

    scene: Scene
    mesh: Mesh
    prepared: Prepared
    ports: FloatArray
    volume: Volume | None = None
    contacts: EarthContacts | None = None
    envelope: System | None = None

    @classmethod
    def from_scene(
        cls,
        scene: Scene,
        mesh: Mesh,
        *,
        with_solids: bool = True,
        rule: CellRule | None = None,
        reuse: System | None = None,
        envelope: System | None = None,
    ) -> System:
        """Prepare a scene on a given mesh.

        Parameters
        ----------
        scene, mesh
            The mesh must be the scene's own.
        with_solids : bool
            False leaves timbers and sheets out.
        rule : CellRule, optional
            How finely solids are cut.
        reuse : System, optional
            Another layout in the same house: solids near which no wire differs are not integrated
            again.
        envelope : System, optional
            See the attributes.
        """
        elements = make_elements(mesh.start, mesh.end, mesh.radius, mesh.degree)
        basis = connect(mesh.element_nodes, mesh.degree, mesh.node_on_ground)
        earth = scene.earth
        ground = "none" if earth is None else "perfect" if earth.is_perfect else "real"
        ports = np.stack([basis.port_vector(f.node, f.group_a) for f in mesh.feeds], axis=1)
        volume = None
        if envelope is not None:
            if envelope.volume is not None:
                source = envelope.mesh.places_of(mesh)
                volume = envelope.volume.for_mesh(elements, basis, source)
        elif with_solids and scene.solids:
            has_images = ground == "perfect"
            known = None if reuse is None or reuse.volume is None else reuse.volume.known
            # its threads do their linear algebra one each
            with _blas_threads().limit(limits=1):
                volume = prepare_volume(
                    scene.solids,
                    elements,
                    basis,
                    has_images=has_images,
                    rule=rule,
                    known=known,
                )
        prepared = prepare(elements, basis, ground=ground)
        contacts = EarthContacts.from_mesh(mesh, basis)
        return cls(scene, mesh, prepared, ports, volume, contacts, envelope)

    @classmethod
    def adapted(
        cls,
        scene: Scene,
        mesh: Mesh,
        frequencies: Sequence[float],
        *,
        tolerance: float,
        reuse: System | None = None,
    ) -> System:
        """Refine a mesh until the error estimate is within the tolerance at the frequencies.

        Elements with a good part of the estimate get one degree more; at a free end they are cut
        in two instead, since the current there is like a square root of the distance.  Where the
        tolerance is not reached in a few rounds, the last mesh is used and its estimate says so.
        Timbers and sheets, which hardly change where current bends, come in with the last mesh.
        """
        system = cls.refined(scene, mesh, frequencies, tolerance=tolerance)
        return cls.from_scene(scene, system.mesh, reuse=reuse) if scene.solids else system

    @classmethod
    def refined(
        cls, scene: Scene, mesh: Mesh, frequencies: Sequence[float], *, tolerance: float
    ) -> System:
        """The same without the solids."""
        system = cls.from_scene(scene, mesh, with_solids=False)
        for _ in range(ADAPTION_ROUNDS):
            frequencies, finer = system._finer(frequencies, tolerance)
            if finer is None:
                break
            system = cls.from_scene(scene, finer, with_solids=False)
        return system

    def _finer(
        self, frequencies: Sequence[float], tolerance: float
    ) -> tuple[list[float], Mesh | None]:
        """Frequencies at which the estimate misses the tolerance, and a finer mesh for them."""
        solutions = [(f, self.solve(f, with_estimate=True)) for f in frequencies]
        missed = [(f, s) for f, s in solutions if s.estimate.max() > tolerance]
        if not missed:
            return [], None
        part = np.max([s.element_estimate.max(axis=1) for _, s in missed], axis=0)
        marked = part > MARKED_PART * part.max()
        mesh, length = self.mesh, 2.0 * self.prepared.elements.length
        at_end = mesh.free_end.any(axis=1) & (length / mesh.radius > SHORTEST_TIP)
        at_end &= length > SHORTEST_PART * length.max()
        # Refining for these does not undo what the others have reached.
        return [f for f, _ in missed], mesh.refined(marked & ~at_end, marked & at_end)

    @property
    def n_unknowns(self) -> int:
        return self.prepared.basis.n_unknowns

    def surface_impedance(self, frequency: float) -> ComplexArray | None:
        """Internal impedance per metre of each element, None if no wire has any. [ohm/m]"""
        return self._of_wires(
            lambda wire: wire.conductor,
            lambda metal, radius: metal.internal_impedance(frequency, radius=radius),
        )

    def slope_impedance(self, frequency: float) -> ComplexArray | None:
        """What each element adds per slope of the current, None if none does. [ohm m]

        The potential of the line charge drops by q (1 - 1/er) ln(b/a)/(2 pi eps0) across a jacket
        from a to b, so the matrix gains -(1/(jw eps0)) (1 - 1/er) ln(b/a)/(2 pi) <f_m' f_n'>. The
        wires of a screen's grid add what their charge lacks to that of a solid sheet.
        """
        omega = 2.0 * np.pi * frequency

        def what(wire: Wire) -> Any:
            return wire.conductor if hasattr(wire.conductor, "charge_logarithm") else wire.jacket

        def added(layer: Any, radius: float) -> complex:
            if hasattr(layer, "charge_logarithm"):
                logarithm = layer.charge_logarithm(radius)
            else:
                part = 1.0 - 1.0 / complex(layer.complex_permittivity(frequency))
                thick = np.log1p((layer.outer_radius(radius) - radius) / radius)
                logarithm = -part * thick
            return complex(logarithm / (2j * np.pi * omega * epsilon_0))

        return self._of_wires(what, added)

    def _of_wires(
        self, what: Callable[[Wire], Any], value: Callable[[Any, float], Any]
    ) -> ComplexArray | None:
        """A value per element from something that its wire has, None if no wire has it."""
        wires = self.scene.wires
        if all(what(wire) is None for wire in wires):
            return None
        values: dict[tuple[object, float], complex] = {}
        result = np.zeros(len(self.mesh), dtype=np.complex128)
        for number in np.unique(self.mesh.wire):
            wire = wires[int(number)]
            if what(wire) is not None:
                key = (what(wire), float(wire.radius))
                if key not in values:
                    values[key] = complex(value(*key))
                result[self.mesh.wire == number] = values[key]
        return result

    def _reflected(self, frequency: float) -> AddReflected | None:
        earth = self.scene.earth
        if earth is None or earth.is_perfect:
            return None
        ground = earth.at(frequency)
        reach = (self if self.envelope is None else self.envelope).prepared
        across, lowest, highest = reach.extent(free_space_wavenumber(frequency))
        table = build_earth_table(
            frequency, ground, rho_max=across, zeta_min=lowest, zeta_max=highest
        )
        return reflected_adder(int(self.prepared.elements.degree.max()), table.kernel_arguments())

    def fill(
        self,
        frequency: float,
        *,
        with_next: bool = False,
        solid_fields: FunctionFields | None = None,
    ) -> Filled:
        """Impedance matrix at one frequency. [Hz]

        Parameters
        ----------
        solid_fields : FunctionFields, optional
            Of `solid_fields`, where they are there already.
        """
        filled = self.fill_wires(frequency, with_next=with_next)
        if self.volume is not None:
            if solid_fields is None:
                solid_fields = self.solid_fields(frequency, with_next=with_next)
            with self.few_threads():
                self.volume.add_to(filled, solid_fields, frequency)
        return filled

    def fill_air(self, frequency: float) -> ComplexArray:
        """The same without the solids and without what a real earth reflects, (N, N). [ohm]"""
        return fill(
            self.prepared,
            frequency,
            surface_impedance=self.surface_impedance(frequency),
            slope_impedance=self.slope_impedance(frequency),
        ).matrix

    def fill_wires(
        self, frequency: float, *, with_next: bool = False, air: ComplexArray | None = None
    ) -> Filled:
        """The same without the solids' part.

        Parameters
        ----------
        air : (N, N) complex, optional
            Of `fill_air`, where it is there already; not together with `with_next`.
        """
        filled = fill(
            self.prepared,
            frequency,
            surface_impedance=self.surface_impedance(frequency),
            slope_impedance=self.slope_impedance(frequency),
            add_reflected=self._reflected(frequency),
            with_next=with_next,
            air=air,
        )
        if self.contacts is not None and self.scene.earth is not None:
            self.contacts.add_to(
                filled,
                self.prepared.elements,
                self.prepared.basis,
                frequency,
                self.scene.earth.at(frequency),
            )
        return filled

    def solid_fields(
        self,
        frequency: float,
        *,
        with_next: bool = False,
    ) -> FunctionFields:
        """Mean fields of all functions over the cells of the solids.

        Raises
        ------
        SolverError
            If there are no solids.
        """
        if self.volume is None:
            raise SolverError("There are no timbers or sheets in this scene.")
        with self.few_threads():
            fields = self.volume.fields(frequency, extra=int(with_next))
            self._add_earth(fields, frequency)
        return fields

    def solid_means(self, frequency: float, *, direct: ComplexArray) -> ComplexArray:
        """The same by unknown, (N, 3 C), from what it is without a real earth. [V/m per A]"""
        nothing = np.zeros((0, direct.shape[1]), dtype=np.complex128)
        means = FunctionFields(direct.copy(), nothing)
        with self.few_threads():
            self._add_earth(means, frequency, combination=self.prepared.basis.combination)
        return means.local

    def _add_earth(
        self, fields: FunctionFields, frequency: float, *, combination: Any = None
    ) -> None:
        """Add what a real earth reflects, and what contacts with it add, in place."""
        volume, earth = self.volume, self.scene.earth
        if volume is not None:
            if earth is not None and not earth.is_perfect:
                cells = volume.cells
                reach = (self if self.envelope is None else self.envelope).prepared
                across, lowest, highest = reach.reach(volume.grid.points)
                table = build_earth_table(
                    frequency,
                    earth.at(frequency),
                    rho_max=across,
                    zeta_min=lowest,
                    zeta_max=highest,
                    with_fields=True,
                )
                add_reflected(
                    volume.grid, cells, volume.elements, volume.basis.offset, volume.node_tables,
                    table, *fields, combination,
                )  # fmt: skip
            if self.contacts is not None and earth is not None:
                samples, first = volume.cells.samples()
                frames = np.repeat(volume.cells.frame, np.diff(first), axis=0)
                ground = earth.at(frequency)
                found = self.contacts.local_fields(samples, frames, frequency, ground)
                each = found.reshape(found.shape[0], -1, 3).transpose(0, 2, 1)
                means = volume.cells.sample_means(each).transpose(0, 2, 1)
                local = means.reshape(means.shape[0], -1)
                fields.local[...] += local if combination is None else combination.T @ local

    def few_threads(self) -> Any:
        """Threads of linear algebra limited to one while matrices are small."""
        small = self.n_unknowns <= ONE_THREAD_UNKNOWNS
        return _blas_threads().limit(limits=1 if small else None)

    def solve(self, frequency: float, *, with_estimate: bool = False) -> PortSolution:
        """Solve for unit voltage at every port in turn.

        Raises
        ------
        SolverError
            If the matrix is singular to working precision.
        """
        fields = None
        if self.volume is not None:
            fields = self.solid_fields(frequency, with_next=with_estimate)
        filled = self.fill(frequency, with_next=with_estimate, solid_fields=fields)
        return self.solve_filled(filled, frequency, fields=None if fields is None else fields.local)

    def solve_filled(
        self, filled: Filled, frequency: float, *, fields: NDArray[Any] | None = None
    ) -> PortSolution:
        """The same from a matrix that is there already; the matrix is overwritten.

        Parameters
        ----------
        fields : (M, 3 C) complex, optional
            Mean fields of the local functions over the cells of solids. [V/m per A]

        Raises
        ------
        SolverError
            If the matrix is singular to working precision.
        """
        with self.few_threads():
            currents = self._factor_and_solve(filled.matrix, frequency)
            admittance = self.ports.T @ currents
            estimate, parts = self._estimate(filled, currents, admittance)
            inside = None
            if fields is not None:
                inside = (self.prepared.basis.combination @ currents).T.astype(
                    fields.dtype
                ) @ fields
        return PortSolution(currents, admittance, estimate, parts, inside)

    def factor(self, matrix: ComplexArray, frequency: float) -> tuple[Any, Any]:
        """LU factors of a matrix, as `scipy.linalg.lu_solve` takes them; it is overwritten.

        Raises
        ------
        SolverError
            If it is singular to working precision.
        """
        with warnings.catch_warnings():
            warnings.simplefilter("error", linalg.LinAlgWarning)
            try:
                # The matrix is symmetric: its transpose is the column order that LAPACK wants.
                return linalg.lu_factor(matrix.T, overwrite_a=True, check_finite=False)
            except linalg.LinAlgWarning as problem:
                raise SolverError(
                    f"At {frequency / 1e6:g} MHz the impedance matrix is singular: two wires may "
                    "lie on top of each other, or a closed loop is very small. Check the scene."
                ) from problem

    def _factor_and_solve(self, matrix: ComplexArray, frequency: float) -> ComplexArray:
        factors = self.factor(matrix, frequency)
        currents = linalg.lu_solve(factors, self.ports.astype(complex), check_finite=False)
        if not np.all(np.isfinite(currents)):
            raise SolverError(
                f"At {frequency / 1e6:g} MHz the solution is not finite. Check the scene for "
                "wires that nearly coincide."
            )
        return currents

    def _estimate(
        self, filled: Filled, currents: ComplexArray, admittance: ComplexArray
    ) -> tuple[FloatArray, FloatArray]:
        n_elements, n_ports = len(self.mesh), currents.shape[1]
        if not filled.next_diagonal.size:
            return np.full(n_ports, np.nan), np.full((n_elements, n_ports), np.nan)
        residual = filled.next_rows @ (self.prepared.basis.combination @ currents)
        change = np.abs(residual**2 / filled.next_diagonal[:, None])
        parts = tail_factor(self.mesh.degree)[:, None] * change / np.abs(np.diag(admittance))
        return parts.sum(axis=0), parts
