"""What a solve gives back: impedances, currents, budget, far and near fields."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .errors import SolverError
from .gaps import gap_voltages, terminations_of
from .moments.basis import ComplexArray, ElementCurrents, FloatArray
from .system import PortSolution, System

if TYPE_CHECKING:
    from ..geometry import Feed, Scene, Wire
    from ..geometry.mesh import Mesh
    from ..materials import Impedance
    from .earth.contacts import ContactCharges
    from .fields.budget import Budget, BudgetPart
    from .fields.far import FarField
    from .surround.volume import SolidState

RESOLUTION = 1e-11
"""Least ratio of watts to volt-amperes: below it rounding in the matrix is as large."""


def _positive(value: float, what: str, unit: str) -> float:
    """The value as a float, or a named error where it is not a finite positive number."""
    if not (isinstance(value, int | float) and 0.0 < value < np.inf):
        raise SolverError(f"{what} is {value!r} {unit}; it must be a finite positive number.")
    return float(value)


@dataclass(frozen=True, eq=False)
class Solution:
    """Currents and impedances of a scene at one or several frequencies.

    With a single frequency results are scalars (or lack the leading axis); with F frequencies
    they have a leading axis of length F, and `solution[i]` is the solution at one of them.

    Attributes
    ----------
    frequency : float or (F,) float
        [Hz]
    system : System
        Scene, mesh and functions that were solved.
    port_currents : (F, N, P) complex
        Unknowns with unit voltage at each gap in turn, feeds first and then loads, all other gaps
        shorted. [A]
    port_admittance : (F, P, P) complex
        [S]
    port_estimate : (F, P) float
        Estimated relative discretisation error of each gap's own admittance, NaN if not asked.
    element_estimate : (F, E, P) float
        Each element's part of it: where a higher degree would help most.
    port_solid_fields : (F, P, 3 C) complex, optional
        Mean fields in the cells of solids; where they are missing they are worked out. [V/m]
    """

    system: System
    frequency: float | FloatArray
    port_currents: ComplexArray
    port_admittance: ComplexArray
    port_estimate: FloatArray
    element_estimate: FloatArray
    port_solid_fields: ComplexArray | None = None

    @classmethod
    def from_ports(
        cls, system: System, frequency: float | FloatArray, ports: Sequence[PortSolution]
    ) -> Solution:
        """From what was solved at each of the frequencies. [Hz]"""
        inside = [p.solid_fields for p in ports if p.solid_fields is not None]
        return cls(
            system,
            frequency,
            port_currents=np.stack([p.currents for p in ports]),
            port_admittance=np.stack([p.admittance for p in ports]),
            port_estimate=np.stack([p.estimate for p in ports]),
            element_estimate=np.stack([p.element_estimate for p in ports]),
            port_solid_fields=np.stack(inside) if len(inside) == len(ports) else None,
        )

    # --- what was solved -------------------------------------------------------------------

    @property
    def scene(self) -> Scene:
        return self.system.scene

    @property
    def mesh(self) -> Mesh:
        return self.system.mesh

    @property
    def unknowns(self) -> int:
        """Number of unknowns."""
        return self.system.n_unknowns

    @property
    def frequencies(self) -> FloatArray:
        """Frequencies as an array, shape (F,). [Hz]"""
        return np.atleast_1d(np.asarray(self.frequency, dtype=float))

    @property
    def is_scalar(self) -> bool:
        """True for a single frequency."""
        return np.ndim(self.frequency) == 0

    @property
    def feeds(self) -> tuple[Feed, ...]:
        return self.scene.feeds

    @property
    def ports(self) -> tuple[Feed, ...]:
        """All gaps: feeds, then loads."""
        return self.scene.ports

    def __len__(self) -> int:
        return int(self.frequencies.size)

    def __getitem__(self, index: int) -> Solution:
        """The solution at one of the frequencies."""
        if not isinstance(index, int | np.integer) or isinstance(index, bool):
            raise SolverError(f"frequency index {index!r}: give one whole number, solution[0].")
        if not -len(self) <= index < len(self):
            raise IndexError(f"frequency index {index}: there are {len(self)} frequencies")
        index = index % len(self)
        at = slice(index, index + 1)
        return Solution(
            self.system,
            float(self.frequencies[index]),
            self.port_currents[at],
            self.port_admittance[at],
            self.port_estimate[at],
            self.element_estimate[at],
            None if self.port_solid_fields is None else self.port_solid_fields[at],
        )

    def __iter__(self) -> Iterator[Solution]:
        return (self[i] for i in range(len(self)))

    def __repr__(self) -> str:
        f = self.frequencies / 1e6
        span = (
            f"{f[0]:g} MHz"
            if self.is_scalar
            else f"{len(self)} from {f.min():g} to {f.max():g} MHz"
        )
        text = f"Solution({span}, {self.unknowns} unknowns"
        if self.is_scalar:
            z = complex(self.impedance)
            text += f", {z.real:.4g} {'+' if z.imag >= 0 else '-'} j{abs(z.imag):.4g} ohm"
        return text + ")"

    def _shaped(self, values: NDArray) -> NDArray:
        return values[0] if self.is_scalar else values

    # --- feeds -----------------------------------------------------------------------------

    @cached_property
    def _gap_voltages(self) -> ComplexArray:
        """Voltage across every gap for the feeds' own voltages, terminations and loads, (F, P)."""
        terminations = terminations_of(self.ports, self.frequencies)
        return gap_voltages(self.ports, self.port_admittance, terminations)

    @cached_property
    def _gap_currents(self) -> ComplexArray:
        return (self.port_admittance @ self._gap_voltages[..., None])[..., 0]

    @cached_property
    def _driven(self) -> NDArray[np.intp]:
        return np.flatnonzero([feed.termination is None for feed in self.feeds])

    @cached_property
    def _feed_admittance(self) -> ComplexArray:
        """Of the feeds' gaps with the loads across theirs, (F, P, P). [S]"""
        n = len(self.feeds)
        whole = self.port_admittance
        if whole.shape[1] == n:
            return whole
        impedance = np.stack([one.termination_at(self.frequencies) for one in self.scene.loads], -1)
        # I_l = Y_lf V_f + Y_ll V_l with V_l = -Z I_l
        inner = np.eye(impedance.shape[1]) + whole[:, n:, n:] * impedance[:, None, :]
        currents = np.linalg.solve(inner, whole[:, n:, :n])
        return whole[:, :n, :n] - whole[:, :n, n:] @ (impedance[:, :, None] * currents)

    @cached_property
    def _input_power(self) -> FloatArray:
        """Watts into the driven feeds for their own voltages, (F,)."""
        each = self._gap_voltages * self._gap_currents.conj()
        power = each[:, self._driven].sum(axis=1).real
        swing = np.abs(each[:, self._driven]).sum(axis=1)
        part = power / np.where(swing > 0.0, swing, np.inf)
        if not np.all(part > RESOLUTION):
            at = self.frequencies[int(np.argmin(part))] / 1e6
            raise SolverError(
                f"At {at:g} MHz the watts into the driven feeds are {part.min():.1e} of the "
                f"volt-amperes, below the {RESOLUTION:g} that can be resolved, so there is nothing "
                "to share out. The impedance's reactance is good; its resistance is not. The "
                "antenna is far too small for this frequency, or its feeds' voltages cancel."
            )
        return power

    @property
    def impedance(self) -> complex | ComplexArray:
        """Impedance at the first driven feed, the others driven or closed as they say. [ohm]"""
        first = int(self._driven[0])
        return self._shaped(self._gap_voltages[:, first] / self._gap_currents[:, first])

    @property
    def active_impedance(self) -> dict[str, complex | ComplexArray]:
        """Impedance at each driven feed with all of them driven, by feed name. [ohm]"""
        return {
            self.feeds[p].name: self._shaped(self._gap_voltages[:, p] / self._gap_currents[:, p])
            for p in self._driven
        }

    @property
    def port_impedance(self) -> ComplexArray:
        """Open-circuit impedance matrix of all feeds, loads in place, shape (F, P, P). [ohm]"""
        return self._shaped(np.linalg.inv(self._feed_admittance))

    def with_load(self, name: str, impedance: Impedance | complex | float) -> Solution:
        """The same with another impedance in place of a load; nothing is solved again.

        Raises
        ------
        SolverError
            If no load has the name.
        """
        known = [load.name for load in self.scene.loads]
        if name not in known:
            there = ", ".join(map(repr, known)) or "none"
            raise SolverError(f"There is no load named {name!r}; there are: {there}.")
        scene = self.scene.with_load(name, impedance)
        return replace(self, system=replace(self.system, scene=scene))

    def load_currents(self, *, power: float = 1.0) -> dict[str, complex | ComplexArray]:
        """Current through each load, by its name; from its other side into its wires. [A]

        Parameters
        ----------
        power : float
            Watts put into the driven feeds. [W]
        """
        scale = np.sqrt(_positive(power, "power", "W") / self._input_power)
        first = len(self.feeds)
        return {
            load.name: self._shaped(self._gap_currents[:, first + n] * scale)
            for n, load in enumerate(self.scene.loads)
        }

    @property
    def load_losses(self) -> dict[str, float | FloatArray]:
        """Watts per watt of input turned to heat in each load, by its name."""
        first = len(self.feeds)
        found = {}
        for n, load in enumerate(self.scene.loads):
            each = self._gap_voltages[:, first + n] * self._gap_currents[:, first + n].conj()
            watts = -each.real / self._input_power
            found[load.name] = float(watts[0]) if self.is_scalar else watts
        return found

    def swr(self, reference: float = 50.0) -> float | FloatArray:
        """Standing wave ratio at the first driven feed, shape (F,).

        Parameters
        ----------
        reference : float
            [ohm]
        """
        reference = _positive(reference, "SWR reference", "ohm")
        z = np.asarray(self.impedance)
        gamma = np.abs((z - reference) / (z + reference))
        with np.errstate(divide="ignore"):
            return (1.0 + gamma) / (1.0 - gamma)

    def s_parameters(self, reference: float = 50.0) -> ComplexArray:
        """Scattering matrix of all feeds, shape (F, P, P).

        Parameters
        ----------
        reference : float
            The same real reference impedance at every feed. [ohm]
        """
        reference = _positive(reference, "S-parameter reference", "ohm")
        unit = np.eye(len(self.feeds))
        y = reference * self._feed_admittance
        return self._shaped((unit - y) @ np.linalg.inv(unit + y))

    def write_touchstone(self, path: str | Path, *, reference: float = 50.0) -> Path:
        """Write S-parameters as a Touchstone 1.1 file (.s1p, .s2p, ...), real and imaginary.

        Parameters
        ----------
        path : str or Path
            The suffix .sNp is added where it is missing.
        reference : float
            [ohm]

        Raises
        ------
        SolverError
            If the path has the suffix of another number of ports.
        """
        from .touchstone import write_touchstone

        s = self.s_parameters(reference)
        return write_touchstone(
            path,
            self.frequencies,
            s[None] if self.is_scalar else s,
            reference=reference,
            port_names=[feed.name for feed in self.feeds],
        )

    @property
    def error_estimate(self) -> float | FloatArray:
        """Estimated relative discretisation error of the impedance; NaN where not asked for."""
        return self._shaped(self.port_estimate[:, int(self._driven[0])])

    # --- currents --------------------------------------------------------------------------

    def currents(self, index: int = 0, *, power: float = 1.0) -> ElementCurrents:
        """Currents on all elements at one of the frequencies.

        Parameters
        ----------
        index : int
            Which frequency.
        power : float
            Watts put into the driven feeds. [W]
        """
        if not -len(self) <= index < len(self):
            raise SolverError(f"frequency index {index}: there are {len(self)} frequencies.")
        mesh, basis = self.mesh, self.system.prepared.basis
        coefficients = basis.legendre_currents(
            self.driven_unknowns(index, power=power), mesh.degree
        )
        return ElementCurrents(mesh.start, mesh.end, mesh.radius, coefficients)

    def driven_unknowns(self, index: int = 0, *, power: float = 1.0) -> ComplexArray:
        """Unknowns at one of the frequencies for the stated input power, (N,). [A]"""
        power = _positive(power, "power", "W")
        return self._driven_at(index, self.port_currents[index], power)

    def _driven_at(self, index: int, by_port: ComplexArray, power: float) -> ComplexArray:
        """What is linear in the ports' voltages (..., P), for the feeds as they are driven."""
        scale = np.sqrt(power / self._input_power[index])
        return by_port @ self._gap_voltages[index] * scale

    def contact_charges(self, index: int = 0, *, power: float = 1.0) -> ContactCharges | None:
        """Currents out of the real earth at every contact; None where nothing is led to it.

        Parameters as for `currents`.
        """
        if not -len(self) <= index < len(self):
            raise SolverError(f"frequency index {index}: there are {len(self)} frequencies.")
        contacts, earth = self.system.contacts, self.scene.earth
        if contacts is None or earth is None:
            return None
        frequency = float(self.frequencies[index])
        unknowns = self.driven_unknowns(index, power=power)
        return contacts.charges(unknowns, frequency, earth.at(frequency))

    def feed_current(self, *, power: float = 1.0) -> complex | ComplexArray:
        """Current into the first driven feed for the stated input power, RMS. [A]"""
        scale = np.sqrt(_positive(power, "power", "W") / self._input_power)
        return self._shaped(self._gap_currents[:, int(self._driven[0])] * scale)

    def feed_voltage(self, *, power: float = 1.0) -> complex | ComplexArray:
        """Voltage at the first driven feed for the stated input power, RMS. [V]"""
        scale = np.sqrt(_positive(power, "power", "W") / self._input_power)
        return self._shaped(self._gap_voltages[:, int(self._driven[0])] * scale)

    def current(self, wire: str, at: float | ArrayLike, *, power: float = 1.0) -> ComplexArray:
        """Current along a wire, RMS, positive towards its end.

        Parameters
        ----------
        wire : str
            Name of the wire.
        at : float or array_like, shape (S,)
            Distances along it. [m]
        power : float
            Watts put into the driven feeds. [W]

        Returns
        -------
        complex, shape (F, S) less the axes of single numbers. [A]
        """
        names = [w.name for w in self.scene.wires]
        if wire not in names:
            raise SolverError(f"There is no wire named {wire!r}; there are {', '.join(names)}.")
        number = names.index(wire)
        length = self.scene.wires[number].length
        for s in np.atleast_1d(at):
            if not -1e-9 <= float(s) <= length + 1e-9:
                raise SolverError(
                    f"Wire {wire!r} has no point at {float(s):g} m; it runs from 0 to {length:g} m."
                )
        places = [self.mesh.locate(number, float(s)) for s in np.atleast_1d(at)]
        rows = np.empty((len(self), len(places)), dtype=np.complex128)
        for i in range(len(self)):
            coefficients = self.currents(i, power=power).current
            for j, (element, xi, direction) in enumerate(places):
                value = np.polynomial.legendre.legval(xi, coefficients[element])
                rows[i, j] = direction * value
        result = rows[:, 0] if np.ndim(at) == 0 else rows
        return self._shaped(result)

    # --- where the watts go ----------------------------------------------------------------

    @cached_property
    def budget(self) -> Budget:
        """Watts per watt of input; scalars, or arrays of shape (F,)."""
        from .fields.budget import Budget

        each = [self._budget_at(i) for i in range(len(self))]
        if self.is_scalar:
            return each[0]
        return Budget.stacked(each)

    @cached_property
    def _solid_states(self) -> dict[int, SolidState]:
        return {}

    def _solids(self, index: int) -> SolidState | None:
        """What the solids take at one of the frequencies, for 1 W; None without solids."""
        system, states = self.system, self._solid_states
        if system.volume is None:
            return None
        index = index % len(self)
        if index not in states:
            frequency = float(self.frequencies[index])
            currents = system.prepared.basis.combination @ self.driven_unknowns(index)
            if self.port_solid_fields is None:
                inside = currents @ system.solid_fields(frequency).local
            else:
                inside = self._driven_at(index, self.port_solid_fields[index].T, 1.0)
            states[index] = system.volume.state(inside, currents, frequency)
        return states[index]

    @property
    def solid_losses(self) -> dict[str, float | FloatArray]:
        """Watts per watt of input turned to heat in each group of timbers and sheets, (F,)."""
        volume = self.system.volume
        if volume is None:
            return {}
        states = [self._solids(i) for i in range(len(self))]
        watts = {
            group: np.array([0.0 if s is None else s.losses[group] for s in states])
            for group in volume.groups
        }
        return {g: float(w[0]) if self.is_scalar else w for g, w in watts.items()}

    def _budget_at(self, index: int) -> Budget:
        from .earth.contact_flux import contact_flux
        from .earth.flux import earth_flux
        from .fields.budget import BudgetPart, conductor_loss, jacket_loss, make_budget

        frequency, earth = float(self.frequencies[index]), self.scene.earth
        currents, solids = self.currents(index), self._solids(index)
        surface = self.system.surface_impedance(frequency)
        jackets = self.system.slope_impedance(frequency)
        absorbed, electrodes = 0.0, np.zeros(0)
        contacts, charges = self.system.contacts, self.contact_charges(index)
        if earth is not None and not earth.is_perfect:
            ground = earth.at(frequency)
            polarisation = None if solids is None else solids.polarisation
            if contacts is not None and charges is not None:
                impedances = contacts.impedances(frequency, ground)
                electrodes = np.abs(charges.currents) ** 2 * impedances.real
                absorbed = contact_flux(
                    currents,
                    charges,
                    impedances,
                    self.system.prepared,
                    frequency,
                    ground,
                    polarisation=polarisation,
                )
            else:
                absorbed = earth_flux(currents, frequency, ground, polarisation=polarisation)
        closed = [p for p in range(len(self.ports)) if p not in self._driven]
        each = -self._gap_voltages[index] * self._gap_currents[index].conj()
        none = np.zeros(len(self.mesh))
        heat = none if surface is None else conductor_loss(currents, surface)
        warmth = none if jackets is None else jacket_loss(currents, jackets)
        groups = {} if solids is None else solids.losses
        return make_budget(
            1.0,
            radiated=self._far_field_at(index).radiated,
            earth=absorbed,
            conductors=float(heat.sum()),
            timbers=sum(groups.values()),
            jackets=float(warmth.sum()),
            loads=float(each[closed].real.sum() / self._input_power[index]),
            parts=[
                *self._electrode_parts(electrodes),
                *self._wire_parts("conductors", heat, lambda wire: wire.conductor),
                *self._wire_parts("jackets", warmth, lambda wire: wire.jacket),
                *(BudgetPart("timbers", group, float(watts)) for group, watts in groups.items()),
                *(
                    BudgetPart(
                        "loads", self.ports[p].name, float(each[p].real / self._input_power[index])
                    )
                    for p in closed
                ),
            ],
        )

    def _wire_parts(
        self, term: str, watts: FloatArray, material: Callable[[Wire], Any]
    ) -> list[BudgetPart]:
        """Heat of the elements (E,) by antenna and piece of the house, where it has any. [W]"""
        from .fields.budget import ELEMENTS, OTHER_WIRES, BudgetPart

        driven = {name for feed in self.feeds if feed.is_driven for name in feed.wires}
        sums: dict[str, float] = {}
        each = np.bincount(self.mesh.wire, watts, minlength=len(self.scene.wires))
        for wire, heat in zip(self.scene.wires, each, strict=True):
            if material(wire) is not None:
                name = wire.piece or (ELEMENTS if wire.name in driven else OTHER_WIRES)
                sums[name] = sums.get(name, 0.0) + float(heat)
        return [BudgetPart(term, name, heat) for name, heat in sums.items()]

    def _electrode_parts(self, watts: FloatArray) -> list[BudgetPart]:
        """What each contact to the earth dissipates (C,), several of a piece together. [W]"""
        from .fields.budget import BudgetPart

        sums: dict[str, float] = {}
        for (node, _), heat in zip(self.mesh.electrodes, watts, strict=bool(watts.size)):
            at = np.flatnonzero((self.mesh.element_nodes == node).any(axis=1))[0]
            wire = self.scene.wires[int(self.mesh.wire[at])]
            name = f"electrode of {wire.piece or wire.name}"
            sums[name] = sums.get(name, 0.0) + float(heat)
        return [BudgetPart("earth", name, heat) for name, heat in sums.items()]

    @property
    def balance_error(self) -> float | FloatArray:
        """|1 - sum of the independently computed terms|; NaN where one was not computed."""
        return self.budget.balance_error

    # --- fields ----------------------------------------------------------------------------

    def _only(self, what: str) -> None:
        if not self.is_scalar:
            raise SolverError(
                f"{what} belongs to one frequency and this solution has {len(self)}: "
                "take one of them first, solution[0]."
            )

    def far_field(self) -> FarField:
        """Gain, directivity and shares of power over angles, for a single frequency."""
        self._only("The far field")
        return self._far_field_at(0)

    def _far_field_at(self, index: int) -> FarField:
        from .fields.far import FarField

        solids = self._solids(index)
        return FarField(
            self.currents(index),
            float(self.frequencies[index]),
            self.scene.earth,
            1.0,
            None if solids is None else solids.polarisation,
        )

    def near_fields(
        self, points: ArrayLike, *, power: float = 1.0, smooth_error: float | None = None
    ) -> tuple[ComplexArray, ComplexArray]:
        """E [V/m] and H [A/m] at once; parameters as for `electric_field` and `near.fields`."""
        from .fields.near import fields

        self._only("The near field")
        solids = self._solids(0)
        return fields(
            self.currents(),
            float(self.frequencies[0]),
            points,
            earth=self.scene.earth,
            polarisation=None if solids is None else solids.polarisation,
            power=_positive(power, "power", "W"),
            element_names=[self.scene.wires[int(w)].name for w in self.mesh.wire],
            contacts=self.contact_charges(),
            smooth_error=smooth_error,
        )

    def electric_field(self, points: ArrayLike, *, power: float = 1.0) -> ComplexArray:
        """E at points of shape (..., 3), RMS phasors of the same shape, single frequency. [V/m]

        Parameters
        ----------
        points : array_like, shape (..., 3)
            No nearer to a wire than two radii. [m]
        power : float
            Watts put into the driven feeds. [W]
        """
        return self.near_fields(points, power=power)[0]

    def magnetic_field(self, points: ArrayLike, *, power: float = 1.0) -> ComplexArray:
        """H at points of shape (..., 3), RMS phasors of the same shape, single frequency. [A/m]

        Parameters as for `electric_field`.
        """
        return self.near_fields(points, power=power)[1]
