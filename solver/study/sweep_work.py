"""What a sweep computes: the figures of a batch of layouts, wherever it runs."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ...geometry.attic import azimuth_of
from ...geometry.attic_file import read_attic_text
from ...geometry.mesh import build_mesh
from ...geometry.plan import AtticPlan
from ..band_sweep import prepare_band
from ..bands import Band
from ..fields.budget import TERMS
from ..moments.basis import ComplexArray, FloatArray, IntArray
from ..settings import TABLES
from ..solution import Solution
from ..station.station_tables import StationSetup, read_station
from ..station.verdicts import station_verdict
from ..system import System
from .partition import HEAT
from .pool import Pool
from .pool_band import PoolBand, narrow_resonances
from .sweep_chunks import Chunk, chunks_of, kept_chunk, make_chunk, mesh_frequencies
from .sweep_layouts import NOT_WANTED, LayoutPlans
from .sweep_records import DONE, FAILED, UNFIT, Axis, Batch, BatchResult, Figure, SweepPlan

ANGLES = ("low", "middle", "high")
CURRENT_POINTS = 11
"""Along each varied element."""


def figures_of(
    names: Sequence[str],
    *,
    n_points: int,
    angle_limits: tuple[float, float],
    angles: Sequence[tuple[float, float]],
    elements: Sequence[str],
) -> tuple[Figure, ...]:
    """What is kept of every layout on every band, for the names asked for.

    Parameters
    ----------
    names : sequence of str
        Of `sweep_settings.FIGURES`.
    n_points : int
        Frequencies of a band.
    angle_limits : pair of float
        That part low, middle and high angles. [degree]
    angles : sequence of (elevation, bearing)
        Of the gain. [degree]
    elements : sequence of str
        Whose currents are kept.
    """
    first, second = angle_limits
    points = Axis("point", tuple(float(n) for n in range(n_points)))
    every = {
        "impedance": Figure(
            "impedance", (points,), "complex128", "ohm",
            "Impedance at the feed point, at the band's frequencies.",
        ),
        "budget": Figure(
            "budget", (Axis("term", TERMS),), "float64", "",
            "Where each watt of input goes, at the band's centre; the earth's part is what is "
            "left of the input.",
        ),
        "shares": Figure(
            "shares", (Axis("angle", ANGLES),), "float64", "",
            f"Parts of the radiated power below {first:g} degrees, up to {second:g}, and above, "
            "at the band's centre.",
        ),
        "gain": Figure(
            "gain",
            (Axis("direction", tuple(f"{e:g} deg up, bearing {b:g}" for e, b in angles)),),
            "float64", "dBi", "Gain in some directions, at the band's centre.",
        ),
        "tuner": Figure(
            "tuner",
            (Axis("verdict", ("matched", "lost in the tuner", "radiated")),),
            "float64", "",
            "Whether the tuner matches, what of the radio's power it loses, and what of it is "
            "radiated, at the band's centre.",
        ),
        "currents": Figure(
            "currents",
            (
                Axis("element", tuple(elements)),
                Axis("part", tuple(np.linspace(0.0, 1.0, CURRENT_POINTS).tolist())),
            ),
            "complex128", "A",
            "Current along elements from the feed point to the end, at the band's centre.",
        ),
    }  # fmt: skip
    always = (
        Figure(
            "resonances", (Axis("resonance", ("count", "narrowest")),), "float64", "Hz",
            "How many natural frequencies are narrower than the band's points are apart, and the "
            "width of the narrowest.",
        ),
        Figure(
            "check", (), "float64", "",
            "Greatest difference of reflection and shares of power to the same layout solved in "
            "full, for one layout of a chunk on one band.",
        ),
    )  # fmt: skip
    return (*(every[name] for name in names), *always)


@dataclass(frozen=True, eq=False)
class SweepWork:
    """Computes the batches of a sweep; small enough to be sent to other processes.

    Attributes
    ----------
    plan : SweepPlan
        Its settings hold power [W], reference [ohm], angle_limits [degree], angles
        [(elevation, bearing), degree], tolerance (0: none) and where ("": none).
    """

    plan: SweepPlan

    def __getstate__(self) -> dict[str, Any]:
        return {"plan": self.plan}

    def __setstate__(self, state: dict[str, Any]) -> None:
        object.__setattr__(self, "plan", state["plan"])

    @cached_property
    def attic(self) -> AtticPlan:
        """The attic that is varied."""
        return read_attic_text(self.plan.text, name=self.plan.name, other_tables=TABLES)

    @cached_property
    def plans(self) -> LayoutPlans:
        """Its layouts."""
        where = self.plan.settings["where"]
        return LayoutPlans(self.attic, self.plan.design, where=where or None)

    @cached_property
    def chunks(self) -> list[IntArray]:
        """Layouts that are computed together."""
        return chunks_of(self.plans)

    @cached_property
    def batches(self) -> tuple[Batch, ...]:
        """All there is to do: each chunk on each band, and the layouts that nobody wants."""
        found: list[Batch] = []
        for chunk in self.chunks:
            layouts = tuple(int(n) for n in chunk)
            found += [
                Batch(len(found) + n, layouts, (band,)) for n, band in
                enumerate(range(len(self.plan.bands)))
            ]  # fmt: skip
        unwanted = np.flatnonzero(~self.plans.wanted)
        if unwanted.size:
            bands = tuple(range(len(self.plan.bands)))
            found.append(Batch(len(found), tuple(int(n) for n in unwanted), bands))
        return tuple(found)

    @cached_property
    def _identity(self) -> str:
        """Of all that the chunks depend on."""
        design = self.plan.design
        digest = hashlib.sha256(self.plan.text.encode())
        digest.update(repr((self.plan.bands, self.plan.settings["tolerance"])).encode())
        digest.update(repr(design.parameters).encode())
        for column in design.columns:
            digest.update(np.ascontiguousarray(column).tobytes())
        return digest.hexdigest()

    def chunk(self, layouts: IntArray) -> Chunk:
        """Some layouts of a chunk, read and made into a pool; kept by this process."""
        plan = self.plan
        tolerance = float(plan.settings["tolerance"])
        return kept_chunk(
            (self._identity, layouts.tobytes()),
            lambda last: make_chunk(
                self.plans, layouts, mesh_frequencies(plan), tolerance=tolerance or None, reuse=last
            ),
        )

    def compute(self, batch: Batch) -> BatchResult:
        """All layouts of a batch on all of its bands."""
        n, m = len(batch.layouts), len(batch.bands)
        values: dict[str, NDArray[Any]] = {
            figure.name: np.full((n, m, *figure.shape), np.nan, dtype=figure.dtype)
            for figure in self.plan.figures
        }
        wanted = self.plans.wanted[list(batch.layouts)]
        states = np.full(n, UNFIT, dtype=np.int8)
        reasons = {int(one): NOT_WANTED for one in np.array(batch.layouts)[~wanted]}
        if not wanted.any():
            return BatchResult(batch, values, states, reasons)
        chunk = self.chunk(np.array(batch.layouts, dtype=np.int64)[wanted])
        reasons.update(chunk.reasons)
        rows = np.searchsorted(batch.layouts, chunk.layouts[chunk.rows])
        states[rows] = DONE
        for k, number in enumerate(batch.bands):
            if not rows.size or chunk.plan is None:
                break
            band, frequencies = self.plan.bands[number], self.plan.frequencies[number]
            one = _Parted if chunk.pool is not None else _OneByOne
            # on one of the bands, another one for every chunk
            checked = number == int(chunk.layouts[0]) % len(self.plan.bands)
            found = one(self, chunk, band, is_checked=checked).figures(frequencies)
            for name, each in found.items():
                values[name][rows, k] = each
            for row in rows[~np.isfinite(found["impedance"]).all(axis=1)]:
                states[row] = FAILED
                reasons[batch.layouts[row]] = f"On {band.name} the equations have no solution."
        for name in values:
            values[name][states != DONE] = np.nan
        return BatchResult(batch, values, states, reasons)


class _Figures:
    """The figures of a chunk on a band."""

    def __init__(self, work: SweepWork, chunk: Chunk, band: Band, *, is_checked: bool) -> None:
        if chunk.plan is None:
            raise ValueError("a chunk without a plan has no figures")
        settings = work.plan.settings
        self.chunk, self.band, self.attic = chunk, band, chunk.plan
        self.is_checked = is_checked
        self.wanted = {figure.name: figure for figure in work.plan.figures}
        self.power = float(settings["power"])
        self.reference = float(settings["reference"])
        first, second = settings["angle_limits"]
        lowest = 0.0 if chunk.plan.earth is not None else -90.0
        self.edges = (lowest, float(first), float(second), 90.0)
        bearing = chunk.plan.attic.ridge_bearing
        self.directions = [
            (float(e), azimuth_of(float(b), ridge_bearing=bearing)) for e, b in settings["angles"]
        ]

    def verdict(self, impedance: ComplexArray, efficiency: FloatArray) -> FloatArray:
        """The figure "tuner" for impedances (V,) at the centre."""
        setup: StationSetup = read_station(self.attic.file)
        power = self.power if setup.transmitter_power is None else setup.transmitter_power
        found = station_verdict(
            setup, impedance, np.full(impedance.shape, self.band.centre),
            power=power, reference=self.reference,
        )  # fmt: skip
        sent = found.delivered * efficiency
        return np.stack([found.copes.astype(float), found.lost_in_tuner, sent], axis=1)


class _Parted(_Figures):
    """From a pool."""

    def figures(self, frequencies: FloatArray) -> Mapping[str, NDArray[Any]]:
        chunk, centre = self.chunk, self.band.centre
        pool: Any = chunk.pool
        prepared = PoolBand.prepare(
            pool, self.band, reference=self.reference, terminations=chunk.terminations
        )
        impedance, poles = prepared.curve(frequencies)
        count, width = narrow_resonances(frequencies, poles)
        middle, means = prepared.middle, prepared.means
        forms = np.concatenate(
            [middle.heat_forms(means), middle.sky_forms(self.edges, self.directions, means)]
        )
        admittance, each = middle.solve(forms)
        budget, sky = self._watts(prepared, admittance, each)
        found: dict[str, NDArray[Any]] = {
            "impedance": impedance,
            "resonances": np.stack([count, width], axis=1),
            "check": np.full(len(pool), np.nan),
        }
        if self.is_checked:
            self._check(pool, prepared.impedances(admittance, centre), budget, found["check"])
        if "budget" in self.wanted:
            found["budget"] = budget
        if "shares" in self.wanted:
            found["shares"] = sky[:, :3] / budget[:, :1]
        if "gain" in self.wanted:
            with np.errstate(divide="ignore", invalid="ignore"):
                found["gain"] = 10.0 * np.log10(sky[:, 3:])
        if "tuner" in self.wanted:
            z = prepared.impedances(admittance, centre)
            found["tuner"] = self.verdict(z, budget[:, 0])
        if "currents" in self.wanted:
            found["currents"] = self._currents(pool, prepared, admittance)
        return found

    def _watts(
        self, prepared: PoolBand, admittance: ComplexArray, each: ComplexArray
    ) -> tuple[FloatArray, FloatArray]:
        """Budget (V, 6), and shares and gains of the sky (V, 3 + G), per watt of input."""
        voltages = prepared.voltages(admittance, self.band.centre)
        watts = np.einsum("vp,vkpq,vq->vk", voltages.conj(), each, voltages).real
        currents = np.einsum("vpq,vq->vp", admittance, voltages)
        ports = (voltages * currents.conj()).real
        driven = np.array([feed.termination is None for feed in prepared.pool.scene.ports])
        power = ports[:, driven].sum(axis=1)
        loads = -ports[:, ~driven].sum(axis=1)
        heat, sky = watts[:, : len(HEAT)] / power[:, None], watts[:, len(HEAT) :] / power[:, None]
        radiated, closed = sky[:, :3].sum(axis=1), loads / power
        earth = np.zeros(power.shape)
        if self.attic.earth is not None and not self.attic.earth.is_perfect:
            earth = 1.0 - radiated - heat.sum(axis=1) - closed
        by_name = {
            "radiated": radiated, "earth": earth, "loads": closed,
            **dict(zip(HEAT, heat.T, strict=True)),
        }  # fmt: skip
        return np.stack([by_name[term] for term in TERMS], axis=1), sky

    def _check(
        self, pool: Pool, impedance: ComplexArray, budget: FloatArray, found: FloatArray
    ) -> None:
        """Of the first layout, by a full solve and its own budget."""
        system, f = pool.layout_system(0), self.band.centre
        if self.chunk.terminations(f) is not None:  # its loads are not those of the pool's scene
            return
        whole = Solution.from_ports(system, f, [system.solve(f)])
        z = complex(np.asarray(whole.impedance)[()])
        one, other = (
            (v - self.reference) / (v + self.reference) for v in (z, complex(impedance[0]))
        )
        watts = np.array([float(value) for value in whole.budget.as_dict().values()])
        found[0] = max(abs(one - other), float(np.abs(watts - budget[0]).max()))

    def _currents(self, pool: Pool, prepared: PoolBand, admittance: ComplexArray) -> ComplexArray:
        """Along the varied elements, for the stated power, (V, elements, points)."""
        elements = self.wanted["currents"].axes[0].values
        parts = np.array(self.wanted["currents"].axes[1].values)
        voltages = prepared.voltages(admittance, self.band.centre)
        z = prepared.impedances(admittance, self.band.centre)
        mesh = pool.system.mesh
        found = np.full((len(pool), len(elements), parts.size), np.nan, dtype=np.complex128)
        driven = next(n for n, feed in enumerate(pool.scene.feeds) if feed.is_driven)
        for v in range(len(pool)):
            sweep = prepared.layout(v)
            scene, divisions = pool.layout_scene(v)
            own = build_mesh(scene, pool.top_frequency, divisions=divisions)
            unknowns = sweep.middle.currents @ voltages[v]
            coefficients = sweep.system.prepared.basis.legendre_currents(unknowns, mesh.degree)
            coefficients = coefficients[mesh.places_of(own)]
            current = voltages[v, driven] / z[v]
            scale = np.sqrt(self.power / z[v].real) / abs(current)
            names = [wire.name for wire in scene.wires]
            for k, name in enumerate(elements):
                wire = names.index(name)
                for j, part in enumerate(parts):
                    e, xi, way = own.locate(wire, float(part) * scene.wires[wire].length)
                    value = np.polynomial.legendre.legval(xi, coefficients[e])
                    found[v, k, j] = scale * way * value
        return found


class _OneByOne(_Figures):
    """Layouts that cannot be parted, each solved in full."""

    def figures(self, frequencies: FloatArray) -> Mapping[str, NDArray[Any]]:
        each = [self._layout(n, frequencies) for n in range(self.chunk.rows.size)]
        return {name: np.stack([one[name] for one in each]) for name in each[0]}

    def _layout(self, number: int, frequencies: FloatArray) -> dict[str, NDArray[Any]]:
        scene, band = self.chunk.scene_of(number), self.band
        mesh = build_mesh(scene, band.high)
        some = [band.low, band.centre, band.high]
        sweep = prepare_band(System.adapted(scene, mesh, some, tolerance=0.02), band)
        solution = sweep.solution(frequencies)
        centre = sweep.solution(band.centre)
        far, budget = centre.far_field(), centre.budget
        found: dict[str, NDArray[Any]] = {
            "impedance": np.asarray(solution.impedance),
            "resonances": np.full(2, np.nan),
            "check": np.array(np.nan),
        }
        if "budget" in self.wanted:
            found["budget"] = np.array([float(v) for v in budget.as_dict().values()])
        if "shares" in self.wanted:
            ends = zip(self.edges[:-1], self.edges[1:], strict=True)
            found["shares"] = np.array([far.share(a, b) for a, b in ends])
        if "gain" in self.wanted:
            found["gain"] = np.array([float(far.gain_dbi(e, a)) for e, a in self.directions])
        if "tuner" in self.wanted:
            z = np.array([complex(np.asarray(centre.impedance)[()])])
            found["tuner"] = self.verdict(z, np.array([float(budget.radiated)]))[0]
        if "currents" in self.wanted:
            axes = self.wanted["currents"].axes
            wires = {wire.name: wire for wire in scene.wires}
            found["currents"] = np.stack([
                centre.current(name, np.array(axes[1].values) * wires[name].length,
                               power=self.power)
                for name in axes[0].values
            ])  # fmt: skip
        return found
