r"""An attic as a smooth function of its elements' lengths and of what is not known of it.

Matrices are filled in a few states of the house (`scores`) at a few frequencies of each band; what
is known in the middle of a band and of its unknowns, and on both sides, is known everywhere between
(Z f and forms of watts are interpolated, never an answer).  Lengths are exact (`lengths`); a lead
in series with the feed is added to the impedance.  Whatever is asked then takes one elimination of
the fixed part for each state of the house, and next to nothing for another length.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np

from ....geometry import Cable
from ....geometry.plan import AtticPlan
from ...band_sweep import WIDEST_STRETCH, chebyshev_nodes, first_nodes
from ...bands import Band
from ...errors import SolverError
from ...fields.far import Spare
from ...moments.basis import ComplexArray, FloatArray, IntArray
from ...moments.quadrature import lagrange_weights
from ..partition import HEAT, Partition
from ..unknowns import SCORE_LIMIT, Unknown, Unknowns, apply
from ..unknowns.cables import cables_at_height
from ..unknowns.draws import sobol_scores
from .eliminated import Eliminated, LayoutState
from .houses import House, Houses, matrices
from .lengths import PAST_LOAD, LengthPool, last_loads
from .scores import ScoreNodes

WATTS = ("low", "middle", "high", *HEAT)
"""Forms of watts: radiated at low, middle and high angles, and heat by kind."""

ANGLE_LIMITS = (30.0, 60.0)
"""Elevations that part low, middle and high angles. [degree]"""

LEAST_RANGE = 0.02
"""Of the lengths of an element that are prepared. [m]"""

BAND_NODES = {2: 3, 4: 3, 6: 5}
"""Matrices of a band where `band_sweep` begins with more: what it adds is far below what is not
known of the house."""

MOST_BYTES = 4e8
"""Of the matrices at frequencies that were asked for; those of more are made each time."""

FORM_SPARE = Spare(2.5, 4, 3)
"""Directions that the watts are summed over: 1e-4 of them is left out."""


@dataclass(frozen=True, eq=False)
class HouseState:
    """One state of what is not known.

    Attributes
    ----------
    scores : (U,) float
        Of the model's unknowns, standard normal.
    cables : (C,) bool
        Which of the candidate cables are there.
    """

    scores: FloatArray
    cables: FloatArray | Any

    def __post_init__(self) -> None:
        object.__setattr__(self, "scores", np.asarray(self.scores, dtype=np.float64))
        object.__setattr__(self, "cables", np.asarray(self.cables, dtype=bool))


@dataclass(frozen=True, eq=False)
class AtticModel:
    """See the module.

    Attributes
    ----------
    plan : AtticPlan
        Without the candidate cables.
    asked : Unknowns
        All that is unknown.
    unknowns : tuple of Unknown
        Those of them with a score, in the order of scores: all but kind "cables".
    cables : tuple of Cable
        Candidates for cables that nobody told of.
    bands : tuple of Band
    nodes : ScoreNodes
        Over the unknowns of kind "key", in their order.
    houses : tuple of House
        One for each node.
    """

    plan: AtticPlan
    asked: Unknowns
    unknowns: tuple[Unknown, ...]
    cables: tuple[Cable, ...]
    bands: tuple[Band, ...]
    ranges: Mapping[str, tuple[float, float]]
    nodes: ScoreNodes
    houses: tuple[House, ...]
    _bands: dict[str, BandModel] = field(default_factory=dict, repr=False)

    @classmethod
    def build(
        cls,
        plan: AtticPlan,
        unknowns: Sequence[Unknown],
        bands: Sequence[Band],
        ranges: Mapping[str, tuple[float, float]],
        *,
        cables: Sequence[Cable] = (),
        tolerance: float | None = 0.02,
        tick: Callable[[], None] = lambda: None,
    ) -> AtticModel:
        """Meshes and integrals for every node; matrices follow band by band, when asked for.

        Parameters
        ----------
        plan : AtticPlan
        unknowns : sequence of Unknown
            Those of kind "cables" are left to `cables`.
        bands : sequence of Band
        ranges : mapping of str to (low, high)
            Lengths that elements may be told to have [m]; they are widened by what their unknown
            may add, as far as the way goes.
        cables : sequence of Cable
            Candidates; none is in the plan.
        tolerance : float or None
            Of the mesh, as for `solve`.
        tick : callable
            Called after each node.

        Raises
        ------
        SolverError
            If a band is too wide, or the scene cannot be parted (see `build_pool`).
        """
        own = tuple(one for one in unknowns if one.kind != "cables")
        for band in bands:
            if np.log(band.high / band.low) > WIDEST_STRETCH:
                raise SolverError(
                    f"{band} is too wide for a model of what is not known; ask for parts of it, "
                    f"{100 * (np.exp(WIDEST_STRETCH) - 1):.0f} % wide at most."
                )
        wide = _widened(plan, own, ranges)
        costly = [one for one in own if one.kind == "key"]
        nodes = ScoreNodes.of(costly)
        frequencies = sorted(
            {min(b.low for b in bands), max(b.high for b in bands), *(b.centre for b in bands)}
        )
        houses = Houses()
        for place in nodes.places:
            values = {
                one.name: one.distribution.value(float(score))
                for one, score in zip(costly, place, strict=True)
            }
            changed = apply(plan, values, unknowns=unknowns)
            if cables:
                along = cables_at_height(cables, plan, changed)
                changed = changed.with_house(*changed.house, *along)
            scene = changed.scene()
            if houses.known(scene) is None:
                like = houses.pools[0] if houses.pools else None
                pool = LengthPool.build(
                    changed, wide, frequencies, tolerance=tolerance, like=like
                )  # fmt: skip
                houses.add(scene, pool)
            tick()
        return cls(
            plan, Unknowns(unknowns), own, tuple(cables), tuple(bands), dict(ranges), nodes,
            tuple(houses.found),
        )  # fmt: skip

    @property
    def lengths(self) -> LengthPool:
        """Pool of the house in its middle."""
        return self.houses[0].pool

    @property
    def names(self) -> tuple[str, ...]:
        """Elements, in the order of lengths."""
        return self.lengths.names

    @property
    def n_single(self) -> int:
        """Nodes at which one unknown at most is beside its middle; they come first."""
        return 1 + 2 * self.nodes.n_scores

    @cached_property
    def told(self) -> FloatArray:
        """Lengths as the plan has them, (E,). [m]"""
        wires = {wire.name: wire for wire in self.plan.wires}
        return np.array([wires[name].length for name in self.names])

    @cached_property
    def middle(self) -> HouseState:
        """All unknowns at their middle, and none of the candidate cables."""
        return HouseState(np.zeros(len(self.unknowns)), np.zeros(len(self.cables), dtype=bool))

    @cached_property
    def as_told(self) -> HouseState:
        """The middle without a lead at the feed point, which no attic file tells."""
        scores = self.middle.scores.copy()
        scores[self.of_kind["lead"]] = -SCORE_LIMIT
        return HouseState(scores, self.middle.cables)

    def drawn(self, count: int, seed: int) -> list[HouseState]:
        """Houses drawn from all that is unknown, evenly spread; see `sobol_scores`."""
        scores, cables = sobol_scores(self.asked, count, seed)
        return [HouseState(u, there) for u, there in zip(scores, cables, strict=True)]

    @cached_property
    def of_kind(self) -> dict[str, list[int]]:
        """Places of the unknowns of each kind."""
        found: dict[str, list[int]] = {"key": [], "length": [], "lead": []}
        for n, one in enumerate(self.unknowns):
            found[one.kind].append(n)
        return found

    def band_at(self, frequency: float) -> Band:
        """The band that a frequency lies in. [Hz]

        Raises
        ------
        SolverError
            If none of them holds it.
        """
        for band in self.bands:
            if band.low * (1 - 1e-9) <= frequency <= band.high * (1 + 1e-9):
                return band
        raise SolverError(
            f"{frequency / 1e6:g} MHz lies in none of the bands of this model: "
            f"{', '.join(map(str, self.bands))}."
        )

    def band(
        self,
        which: Band | str,
        *,
        with_watts: bool = True,
        tick: Callable[[], None] = lambda: None,
    ) -> BandModel:
        """Matrices of a band, filled when first asked for; parameters as for `BandModel.fill`."""
        name = which if isinstance(which, str) else which.name
        if name not in self._bands:
            (band,) = [one for one in self.bands if one.name == name]
            self._bands[name] = BandModel.fill(self, band, with_watts=with_watts, tick=tick)
        return self._bands[name]

    def forget(self, which: Band | str) -> None:
        """Let go of a band's matrices."""
        self._bands.pop(which if isinstance(which, str) else which.name, None)

    def effective(self, lengths: FloatArray, scores: FloatArray) -> FloatArray:
        """What elements of told lengths [m] are electrically, (E,). [m]

        What is unknown of a length adds no more than the way of the element has room for, and
        takes away no more than its loads leave.
        """
        found = np.array(lengths, dtype=np.float64)
        for n in self.of_kind["length"]:
            one = self.unknowns[n]
            k = self.names.index(one.key)
            longer = found[k] * (1.0 + one.distribution.value(float(scores[n])))
            pieces = self.lengths.pieces[one.key]
            least, most = min(found[k], pieces[0].low), max(found[k], pieces[-1].high)
            found[k] = min(max(longer, least), most)
        return found

    def lead(self, scores: FloatArray) -> float:
        """Inductance in series with the feed point. [H]"""
        return sum(
            self.unknowns[n].distribution.value(float(scores[n])) for n in self.of_kind["lead"]
        )

    def absent(self, cables: FloatArray) -> IntArray:
        """Fixed unknowns of the pool that go with the candidates that are not there."""
        missing = [c.name for c, there in zip(self.cables, cables, strict=True) if not there]
        if not missing:
            return np.zeros(0, dtype=np.int64)
        return np.concatenate([self._unknowns_of[name] for name in missing])

    @cached_property
    def _unknowns_of(self) -> dict[str, IntArray]:
        pool = self.lengths.pool
        wires, basis = pool.system.scene.wires, pool.system.prepared.basis
        combination: Any = basis.combination
        by_name = {}
        for cable in self.cables:
            numbers = [n for n, wire in enumerate(wires) if wire.piece == cable.name]
            elements = np.flatnonzero(np.isin(pool.system.mesh.wire, numbers))
            rows = np.concatenate([np.arange(basis.offset[e], basis.offset[e + 1])
                                   for e in elements])  # fmt: skip
            columns = np.unique(combination.tocsr()[rows].tocoo().col)
            by_name[cable.name] = columns[columns < pool.n_fixed]
        return by_name


def _widened(
    plan: AtticPlan, unknowns: Sequence[Unknown], ranges: Mapping[str, tuple[float, float]]
) -> dict[str, tuple[float, float]]:
    """Ranges with what unknowns may add, as far as there is room and past all loads."""
    found = {}
    loads = last_loads(plan, tuple(ranges))
    for name, (least, most) in ranges.items():
        low, high = least, most
        for one in unknowns:
            if one.kind == "length" and one.key == name:
                low *= 1.0 + one.distribution.low
                high *= 1.0 + one.distribution.high
        antenna: Any = plan.antenna
        if antenna is None:
            raise SolverError(f"There is no [antenna] with an element {name!r}.")
        room = antenna.element(name).room(antenna.feed_point)
        if high - low < LEAST_RANGE:  # known exactly: a range all the same, to lie within
            low, high = low - 0.5 * LEAST_RANGE, high + 0.5 * LEAST_RANGE
        if loads[name] > 0.0:  # an end does not reach the load
            low = max(low, min(least, loads[name] + PAST_LOAD))
        found[name] = (low, min(high, room))
    return found


@dataclass(frozen=True, eq=False)
class Reading:
    """What the model says an analyser reads.

    Attributes
    ----------
    band : BandModel
    frequency : float
        [Hz]
    lengths, effective : (E,) float
        As told, and electrically. [m]
    state : HouseState
    layout : LayoutState
        Without the lead.
    """

    band: BandModel
    frequency: float
    lengths: FloatArray
    effective: FloatArray
    state: HouseState
    layout: LayoutState

    @cached_property
    def impedance(self) -> complex:
        """At the feed point. [ohm]"""
        lead = self.band.model.lead(self.state.scores)
        return complex(self.layout.impedance + 2j * np.pi * self.frequency * lead)

    @cached_property
    def by_length(self) -> ComplexArray:
        """Its derivatives to the told lengths, (E,). [ohm/m]"""
        return self.layout.by_length * self.effective / self.lengths

    @cached_property
    def by_score(self) -> ComplexArray:
        """Its derivatives to the scores of the unknowns, (U,). [ohm]"""
        model, scores = self.band.model, self.state.scores
        found = np.zeros(len(model.unknowns), dtype=np.complex128)
        for n in model.of_kind["length"]:
            k = model.names.index(model.unknowns[n].key)
            own = model.unknowns[n].distribution
            longer = self.lengths[k] * (1.0 + own.value(float(scores[n])))
            if abs(self.effective[k] - longer) < 1e-9:  # else it ends where its way or a load does
                slope = own.slope(float(scores[n]))
                found[n] = self.layout.by_length[k] * self.lengths[k] * slope
        for n in model.of_kind["lead"]:
            slope = model.unknowns[n].distribution.slope(float(scores[n]))
            found[n] = 2j * np.pi * self.frequency * slope
        keys = model.of_kind["key"]
        if keys:
            each = self.layout.quadratic(self.band.at(self.frequency))
            found[keys] = model.nodes.slopes(scores[keys]) @ each / self.layout.feed_current**2
        return found


@dataclass(frozen=True, eq=False)
class BandModel:
    """A model on one band.

    Attributes
    ----------
    model : AtticModel
    band : Band
    nodes : (K,) float
        Frequencies of the matrices. [Hz]
    scaled : (T, K, N, N) complex
        Frequency times matrix. [Hz ohm]
    """

    model: AtticModel
    band: Band
    nodes: FloatArray
    scaled: ComplexArray
    _at: dict[float, ComplexArray] = field(default_factory=dict, repr=False)

    @classmethod
    def fill(
        cls,
        model: AtticModel,
        band: Band,
        *,
        with_watts: bool = True,
        tick: Callable[[], None] = lambda: None,
    ) -> BandModel:
        """Fill its matrices, and the forms of watts at once, or when they are asked for."""
        count = BAND_NODES.get(first_nodes(band.low, band.high), 5)
        nodes = chebyshev_nodes(band.low, band.high, count)
        nodes[count // 2] = band.centre
        n = model.lengths.pool.system.n_unknowns
        scaled = np.empty((len(model.houses), count, n, n), dtype=np.complex128)
        forms = []
        for k, f in enumerate(map(float, nodes)):
            for t, (matrix, means) in enumerate(matrices(model.houses, f)):
                scaled[t, k] = f * matrix
                if with_watts and k == count // 2 and t < model.n_single:
                    forms.append(_forms(model.houses[t], f, means))
                tick()
        found = cls(model, band, nodes, scaled)
        if with_watts:
            found.__dict__["forms"] = np.stack(forms)
        return found

    @cached_property
    def forms(self) -> ComplexArray:
        """Watts of all unknowns at the band's centre, of the nodes without pairs. [ohm]

        (1 + 2 U, len(WATTS), N, N), in single precision.
        """
        houses = self.model.houses[: self.model.n_single]
        centre = self.band.centre
        each = zip(houses, matrices(houses, centre), strict=True)
        return np.stack([_forms(house, centre, means) for house, (_, means) in each])

    def at(self, frequency: float) -> ComplexArray:
        """Matrices of all nodes of the unknowns, (T, N, N). [ohm]"""
        if not self.band.low * (1 - 1e-9) <= frequency <= self.band.high * (1 + 1e-9):
            raise SolverError(
                f"{frequency / 1e6:g} MHz lies outside {self.band}, which was prepared."
            )
        if frequency not in self._at:
            weights = lagrange_weights(self.nodes, frequency) / frequency
            shape = (*self.scaled.shape[:1], *self.scaled.shape[2:])
            found = np.einsum("k,tkn->tn", weights, self.scaled.reshape(*self.scaled.shape[:2], -1))
            matrices = found.reshape(shape)
            if sum(one.nbytes for one in self._at.values()) + matrices.nbytes > MOST_BYTES:
                return matrices
            self._at[frequency] = matrices
        return self._at[frequency]

    def forget(self, frequency: float) -> None:
        """Let go of what `at` keeps of a frequency. [Hz]"""
        self._at.pop(frequency, None)

    def eliminated(self, frequency: float, state: HouseState) -> Eliminated:
        """The house in a state, at a frequency [Hz], ready for layouts."""
        model, each = self.model, self.at(frequency)
        costly = state.scores[model.of_kind["key"]]
        weights = model.nodes.weights(costly)
        matrix = (weights @ each.reshape(len(weights), -1)).reshape(each.shape[1:])
        return Eliminated.of(model.lengths, matrix, frequency, absent=model.absent(state.cables))

    def impedance(
        self,
        frequency: float,
        lengths: FloatArray,
        state: HouseState,
        *,
        eliminated: Eliminated | None = None,
    ) -> complex:
        """At the feed point [ohm]; parameters as for `reading`."""
        model = self.model
        if eliminated is None:
            eliminated = self.eliminated(frequency, state)
        found = eliminated.state(model.effective(lengths, state.scores)).impedance
        return found + 2j * np.pi * frequency * model.lead(state.scores)

    def reading(
        self,
        frequency: float,
        lengths: FloatArray,
        state: HouseState,
        *,
        eliminated: Eliminated | None = None,
    ) -> Reading:
        """What an analyser would read at the feed point, with derivatives.

        Parameters
        ----------
        frequency : float
            [Hz]
        lengths : (E,) float
            As told. [m]
        state : HouseState
        eliminated : Eliminated, optional
            Of the same frequency and state, where it is there already.
        """
        if eliminated is None:
            eliminated = self.eliminated(frequency, state)
        effective = self.model.effective(lengths, state.scores)
        return Reading(self, frequency, lengths, effective, state, eliminated.state(effective))

    def watts(self, states: Sequence[LayoutState], scores: FloatArray) -> FloatArray:
        """Watts per watt of input of some layouts at the centre, by `WATTS`, (V, 6).

        Parameters
        ----------
        states : sequence of LayoutState
            At the band's centre.
        scores : (V, U) float
            Of the houses they are in.
        """
        model = self.model
        currents = np.stack([state.currents for state in states], axis=1)
        single_nodes = ScoreNodes(model.nodes.n_scores)
        weights = np.stack([single_nodes.weights(one[model.of_kind["key"]]) for one in scores])
        single = currents.astype(np.complex64)
        found = np.zeros((len(states), len(WATTS)))
        for t, forms in enumerate(self.forms):
            for k, form in enumerate(forms):
                value = np.einsum("nv,nv->v", single.conj(), form @ single).real
                found[:, k] += weights[:, t] * value
        power = np.array([
            (state.voltages[state.driven] * state.feed_current.conjugate()).real for state in states
        ])  # fmt: skip
        return found / power[:, None]


def _forms(house: House, frequency: float, means: ComplexArray | None) -> ComplexArray:
    """Watts of all unknowns of a house's pool at a frequency, (len(WATTS), N, N)."""
    pool = house.pool.pool
    scene = pool.scene if pool.scene.earth is house.earth else pool.scene.with_earth(house.earth)
    whole = replace(pool, n_fixed=0, system=house.system, scene=scene)
    size, n_ports = whole.system.n_unknowns, whole.system.ports.shape[1]
    nothing = np.zeros((0, 0), dtype=np.complex128)
    response = np.zeros((0, size + n_ports), dtype=np.complex128)
    free = Partition(whole, frequency, nothing, nothing, nothing, response)
    lowest = -90.0 if house.earth is None else 0.0
    sky = free.sky_forms((lowest, *ANGLE_LIMITS, 90.0), (), means, spare=FORM_SPARE)
    # a current that is spread over an element at several lengths heats as if it were there once
    heat = free.heat_forms(means, instead=house.pool.instead)
    both: Any = np.concatenate([sky, heat])[:, :size, :size].astype(np.complex64)
    return both
