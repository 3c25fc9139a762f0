"""A model of an attic, from what is asked: bands, unknowns, cables, lengths; and what it takes."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from ....geometry.mesh import build_mesh
from ....geometry.plan import AtticPlan
from ...bands import Band
from ...effort import estimate_effort
from ...errors import SolverError
from ...settings import Settings, read_settings
from ...solve import DEFAULT_TOLERANCE
from ..unknowns import Unknowns, candidates, unknowns_of
from ..unknowns.draws import cable_count
from .attic_model import AtticModel
from .lengths import LEAST_PAST_CORNER, PAST_LOAD, last_loads, pieces_of
from .scores import ScoreNodes

LENGTH_UNKNOWNS = 45
"""Columns of each piece of its way that an element may end on, about."""

CABLE_UNKNOWNS = 8

FORMS = 1.0
"""Forms of watts at a band's centre, by the square of thousands of unknowns and per state. [s]"""


@dataclass(frozen=True)
class ModelEffort:
    """What a model is about to do.

    Attributes
    ----------
    states : int
        Of the house, at each of which matrices are filled.
    bands, matrices : int
    unknowns : int
        About so many.
    cables : int
        Candidates for cables that nobody told of.
    seconds : float
        About how long. [s]
    """

    states: int
    bands: int
    matrices: int
    unknowns: int
    cables: int
    seconds: float

    def __str__(self) -> str:
        minutes = self.seconds / 60.0
        took = f"{minutes:.0f} min" if minutes >= 2.0 else f"{max(1.0, self.seconds):.0f} s"
        return (
            f"{self.states} state{'s' * (self.states > 1)} of the house on {self.bands} "
            f"band{'s' * (self.bands > 1)}: {self.matrices} matrices of about {self.unknowns} "
            f"unknowns, some {took}"
        )


@dataclass(frozen=True, eq=False)
class Modelling:
    """What a model is made of, before anything is computed.

    Attributes
    ----------
    plan : AtticPlan
    settings : Settings
        Bands, power and reference.
    unknowns : Unknowns
    ranges : mapping of str to (low, high)
        Lengths of elements. [m]
    seed : int
        Of the candidate cables.
    tolerance : float or None
    """

    plan: AtticPlan
    settings: Settings
    unknowns: Unknowns
    ranges: Mapping[str, tuple[float, float]]
    seed: int = 0
    tolerance: float | None = DEFAULT_TOLERANCE

    @classmethod
    def of(
        cls,
        plan: AtticPlan,
        bands: Sequence[Band | str | Sequence[float]] | str | Band | None = None,
        *,
        unknowns: Mapping[str, Any] | Unknowns | None = None,
        ranges: Mapping[str, tuple[float, float]] | None = None,
        reference: float | None = None,
        power: float | None = None,
        seed: int = 0,
        tolerance: float | None = DEFAULT_TOLERANCE,
    ) -> Modelling:
        """Read what is asked.

        Parameters
        ----------
        plan : AtticPlan
        bands : optional
            As for `answer`; the file's where left out.
        unknowns : optional
            As for `unknowns_of`, or what it gave.
        ranges : mapping, optional
            Lengths that elements may have [m]; as they are told where left out. They begin
            `PAST_LOAD` past the last load of each.
        reference, power : float, optional
            As for `answer`. [ohm, W]

        Raises
        ------
        SolverError
            If there is no antenna of bent elements, a wire is led to real earth, or an element
            ends too near to a load.
        """
        if not isinstance(plan, AtticPlan):
            raise SolverError(f"plan is {plan!r}; give what read_attic(path) gives.")
        if plan.antenna is None:
            raise SolverError(
                f"{plan.file.name} has no [antenna] with elements; a model of what is not known "
                "is made for those."
            )
        _require_nothing_earthed(plan)
        settings = read_settings(plan, bands=bands, reference=reference, power=power)
        known = unknowns if isinstance(unknowns, Unknowns) else unknowns_of(plan, unknowns)
        lengths = {wire.name: wire.length for wire in plan.wires}
        wanted = {one.name: (lengths[one.name], lengths[one.name]) for one in plan.antenna.elements}
        wanted.update(ranges or {})
        wanted = _past_loads(plan, lengths, wanted)
        return cls(plan, settings, known, wanted, seed, tolerance)

    @property
    def pieces(self) -> int:
        """Straight pieces of their ways that elements may end on, all together."""
        count = 0
        for name, (low, high) in self.ranges.items():
            longest = self.plan.with_element_length(**{name: high})
            (wire,) = [one for one in longest.wires if one.name == name]
            count += len(pieces_of(wire, low, high))
        return count

    @property
    def effort(self) -> ModelEffort:
        """What it will take."""
        scene, bands = self.plan.scene(), self.settings.bands
        nodes = ScoreNodes.of([one for one in self.unknowns if one.kind == "key"])
        matrices = 3 * len(bands) * len(nodes)
        mesh = build_mesh(scene, max(band.high for band in bands))
        bare = estimate_effort(scene, mesh, bands, matrices=0, frequencies=2 + len(bands))
        cables = cable_count(self.unknowns)
        unknowns = bare.unknowns + LENGTH_UNKNOWNS * self.pieces + CABLE_UNKNOWNS * cables
        each = estimate_effort(scene, mesh, (), matrices=matrices, frequencies=0)
        filling = each.seconds * unknowns / max(1, bare.unknowns)
        forms = FORMS * (unknowns / 1000.0) ** 2 * len(bands) * len(nodes)
        return ModelEffort(
            len(nodes), len(bands), matrices, unknowns, cables, bare.seconds + filling + forms
        )

    @property
    def ticks(self) -> int:
        """How often `build` and filling all bands call their tick."""
        nodes = ScoreNodes.of([one for one in self.unknowns if one.kind == "key"])
        return len(nodes) * (1 + 3 * len(self.settings.bands))

    def is_of(self, model: AtticModel) -> bool:
        """Whether a model is what `build` would give."""
        return (
            self.plan.text == model.plan.text
            and self.settings.bands == model.bands
            and tuple(self.unknowns) == tuple(model.asked)
            and dict(self.ranges) == dict(model.ranges)
            and len(model.cables) == cable_count(self.unknowns)
        )

    def build(self, *, tick: Callable[[], None] = lambda: None) -> AtticModel:
        """Meshes and integrals; see `AtticModel.build`."""
        count = cable_count(self.unknowns)
        cables = candidates(self.plan, count, self.seed) if count else ()
        return AtticModel.build(
            self.plan, self.unknowns, self.settings.bands, self.ranges, cables=cables,
            tolerance=self.tolerance, tick=tick,
        )  # fmt: skip


def _require_nothing_earthed(plan: AtticPlan) -> None:
    if plan.earth is None or plan.earth.is_perfect:
        return  # no electrode is modelled there
    led = [f"{getattr(piece, 'kind', 'piece')} {piece.name!r}"
           for piece in plan.house if getattr(piece, "earthed", None) is not None]  # fmt: skip
    led += [f"wire {wire.name!r}" for wire in plan.wires
            if wire.earth_start is not None or wire.earth_end is not None]  # fmt: skip
    if led:
        raise SolverError(
            f"{plan.file.name}: {' and '.join(led)} {'is' if len(led) == 1 else 'are'} led to "
            "earth, and what works with what is not known of a house (how-sure, calibrate, prune, "
            "search) cannot take that yet; answer, sweep and station can. Leave earthed out there, "
            "so that it floats: bonded may stay."
        )


def _past_loads(
    plan: AtticPlan, lengths: Mapping[str, float], ranges: Mapping[str, tuple[float, float]]
) -> dict[str, tuple[float, float]]:
    """Ranges [m] that leave the loads in their elements where they are."""
    found = dict(ranges)
    for name, load in last_loads(plan, tuple(ranges)).items():
        low, high = ranges[name]
        if load <= 0.0:
            continue
        if lengths[name] < load + LEAST_PAST_CORNER:
            raise SolverError(
                f"{plan.file.name}: element {name!r} is {lengths[name]:.4g} m long and its last "
                f"load sits at {load:.4g} m; {100 * LEAST_PAST_CORNER:g} cm of wire must follow "
                "it. Move the load towards the feed point, or lengthen the element."
            )
        if low < load + LEAST_PAST_CORNER:
            low = min(load + PAST_LOAD, lengths[name], high)
        found[name] = (low, high)
    return found
