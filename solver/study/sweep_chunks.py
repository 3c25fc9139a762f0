"""Layouts of a sweep that are computed together: their variants of elements, and one pool.

A chunk has the layouts of one outer group whose elements, taken together, have few enough variants
for one pool.  Which layouts fit is found from the longest elements on each way: what neither leaves
the attic nor touches anything leaves it in no shorter form.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from ...geometry import AtticFileError, FeedError, GeometryError, Scene, Wire
from ...geometry.own_values import with_own_values
from ...geometry.plan import AtticPlan
from ...geometry.positions import TomlPath
from ...materials import MaterialError
from ..bands import Band
from ..errors import SolverError
from ..gaps import terminations_of
from ..moments.basis import ComplexArray, IntArray
from .pool import Pool, build_pool
from .pool_meshing import longest_ways
from .sweep_layouts import LayoutPlans
from .sweep_records import SweepPlan

MOST_VARIANTS = 200
"""Of all elements together in one pool: its matrix then has some 1500 unknowns."""

MOST_LAYOUTS = 5_000
"""In a chunk, so that a batch takes seconds."""

MOST_CHUNKS = 2
"""That a process keeps at once."""

MOST_WAYS = 64
"""Combinations of ways that are tried for fitting before layouts are tried one by one."""

UNREADABLE = (AtticFileError, GeometryError, FeedError, MaterialError)
"""What a layout raises that does not fit."""


@dataclass(frozen=True)
class Tables:
    """The [[element]] and [[load]] tables whose values are swept within an outer group.

    Attributes
    ----------
    elements : tuple of (place in the file, parameters)
        Parameters by their place in the design.
    loads : tuple of int
        Parameters that are loads' values.
    """

    elements: tuple[tuple[int, tuple[int, ...]], ...]
    loads: tuple[int, ...]

    @classmethod
    def of(cls, plans: LayoutPlans) -> Tables:
        """From the paths of a design's inner parameters."""
        elements: dict[int, list[int]] = {}
        loads: list[int] = []
        for n, (path, parameter) in enumerate(
            zip(plans.paths, plans.design.parameters, strict=True)
        ):
            if parameter.is_outer:
                continue
            if path[0] == "load":
                loads.append(n)
            else:
                place = path[1] if isinstance(path[1], int) else 0
                elements.setdefault(place, []).append(n)
        ordered = sorted(elements.items())
        return cls(tuple((place, tuple(own)) for place, own in ordered), tuple(loads))


def chunks_of(plans: LayoutPlans) -> list[IntArray]:
    """Layouts that are computed together, rising in each chunk; the same for the same design."""
    tables = Tables.of(plans)
    chunks: list[IntArray] = []
    for group in plans.outer_groups():
        keys = [_codes(plans, group, own) for _, own in tables.elements]
        if not keys:
            chunks += [group]
            continue
        total = sum(int(key.max()) + 1 for key in keys)
        if total <= MOST_VARIANTS:
            cut = -(-group.size // MOST_LAYOUTS)
            chunks += [np.sort(part) for part in np.array_split(group, cut)]
            continue
        # the element with the fewest variants changes fastest
        few = sorted(range(len(keys)), key=lambda n: int(keys[n].max()))
        order = np.lexsort([keys[n] for n in few])
        chunks += [np.sort(group[part]) for part in _cut(order, keys)]
    return chunks


def _codes(plans: LayoutPlans, group: IntArray, parameters: Sequence[int]) -> IntArray:
    """Which of the combinations of some parameters each layout of a group has."""
    columns = np.stack([plans.design.columns[n][group].astype(float) for n in parameters])
    return np.unique(columns, axis=1, return_inverse=True)[1].ravel().astype(np.int64)


def _cut(order: IntArray, keys: Sequence[IntArray]) -> list[IntArray]:
    """Runs of layouts with few enough variants."""
    parts: list[IntArray] = []
    first, seen = 0, [set[int]() for _ in keys]
    for at, layout in enumerate(order):
        new = sum(int(key[layout]) not in own for key, own in zip(keys, seen, strict=True))
        full = sum(map(len, seen)) + new > MOST_VARIANTS or at - first >= MOST_LAYOUTS
        if full and at > first:
            parts.append(order[first:at])
            first, seen = at, [set() for _ in keys]
        for key, own in zip(keys, seen, strict=True):
            own.add(int(key[layout]))
    parts.append(order[first:])
    return parts


@dataclass(frozen=True, eq=False)
class Chunk:
    """Some layouts ready to be computed.

    Attributes
    ----------
    layouts : (n,) int
        Rows of the design.
    rows : (V,) int
        Which of them fit, in the order of the pool's layouts.
    reasons : dict of int to str
        Why the others do not, by row of the design.
    plan : AtticPlan or None
        With the outer values in place; None where no layout fits.
    pool : Pool or None
        None where no layout fits, or they cannot be parted.
    scene_of : callable
        The scene of one of the fitting layouts, by its place among them.
    parted : str
        Why they cannot be parted, "" where they can.
    """

    layouts: IntArray
    rows: IntArray
    reasons: dict[int, str]
    plan: AtticPlan | None
    pool: Pool | None
    scene_of: Callable[[int], Scene]
    parted: str = ""
    _closings: tuple[tuple[Any, ...], ...] = ()
    _closing_of: IntArray | None = None

    def terminations(self, frequency: float) -> ComplexArray | None:
        """What closes the gaps of the fitting layouts, (V, P); None: as the scene has it. [ohm]"""
        if self._closing_of is None:
            return None
        at = np.array([frequency])
        each = np.concatenate([terminations_of(ports, at) for ports in self._closings])
        return each[self._closing_of]


class _Variants:
    """What each varied element may be, and which layouts have which."""

    def __init__(self, plans: LayoutPlans, base: AtticPlan, layouts: IntArray) -> None:
        self.plans, self.base, self.layouts = plans, base, layouts
        self.tables = Tables.of(plans)
        self.wires: dict[str, list[Wire | None]] = {}
        self.codes: dict[str, IntArray] = {}
        self.reasons: dict[int, str] = {}
        antenna = base.antenna
        for place, own in self.tables.elements:
            if antenna is None:
                raise SolverError("There is no [antenna] whose elements could be varied.")
            name = antenna.elements[place].name
            codes = _codes(plans, layouts, own)
            found: list[Wire | None] = []
            for code in range(int(codes.max()) + 1):
                members = np.flatnonzero(codes == code)
                try:
                    changed = self._changed(int(layouts[members[0]]), own)
                    wires = () if changed.antenna is None else changed.antenna.wires()
                    found.append(next(w for w in wires if w.name == name))
                except UNREADABLE as error:
                    found.append(None)
                    self.reasons.update({int(layouts[m]): str(error) for m in members})
            self.wires[name], self.codes[name] = found, codes

    def _changed(self, layout: int, parameters: Sequence[int]) -> AtticPlan:
        values: dict[TomlPath, Any] = self.plans.values_of(layout, parameters)
        return with_own_values(self.base, values, text_fault="")

    def closings(self) -> tuple[tuple[tuple[Any, ...], ...], IntArray | None]:
        """Ports with each of the loads' values, and which of them each layout has."""
        if not self.tables.loads:
            return (), None
        codes = _codes(self.plans, self.layouts, self.tables.loads)
        found = []
        for code in range(int(codes.max()) + 1):
            members = np.flatnonzero(codes == code)
            try:
                changed = self._changed(int(self.layouts[members[0]]), self.tables.loads)
                found.append(changed.scene().ports)
            except UNREADABLE as error:
                found.append(())
                self.reasons.update({int(self.layouts[m]): str(error) for m in members})
        return tuple(found), codes

    def scene(self, at: int, base: Scene) -> Scene:
        """Of a layout by its place in the chunk."""
        own = {
            name: wires[int(self.codes[name][at])] for name, wires in self.wires.items()
        }  # fmt: skip
        replaced = [own.get(wire.name) or wire for wire in base.own_wires]
        return base.with_wires(replaced)


def make_chunk(
    plans: LayoutPlans,
    layouts: IntArray,
    frequencies: Sequence[float],
    *,
    tolerance: float | None,
    reuse: Pool | None = None,
) -> Chunk:
    """Read the layouts of a chunk and make their pool.

    Parameters
    ----------
    plans : LayoutPlans
    layouts : (n,) int
        Of one outer group.
    frequencies : sequence of float
        At which meshes are refined. [Hz]
    tolerance : float or None
    reuse : Pool, optional
        As for `build_pool`.
    """

    def nothing(_: int) -> Scene:
        raise SolverError("No layout of this chunk fits.")

    try:
        base = plans.base_plan(layouts)
        variants = _Variants(plans, base, layouts)
        closings, closing_of = variants.closings()
    except UNREADABLE as error:
        reasons = {int(one): str(error) for one in layouts}
        return Chunk(layouts, np.zeros(0, dtype=np.int64), reasons, None, None, nothing)
    reasons = variants.reasons
    likely = np.array([n for n, one in enumerate(layouts) if int(one) not in reasons], dtype=int)
    start = _some_scene(variants, base, likely, reasons)
    if start is None:
        return Chunk(layouts, np.zeros(0, dtype=np.int64), reasons, None, None, nothing)
    fitting = _fitting(variants, start, likely, reasons)

    def scene_of(number: int) -> Scene:
        return variants.scene(int(fitting[number]), start)

    pool, told = None, ""
    if fitting.size:
        scene = scene_of(0)
        wires: dict[str, list[Wire]] = {}
        columns = []
        for name, several in variants.wires.items():
            used, codes = np.unique(variants.codes[name][fitting], return_inverse=True)
            wires[name] = [wire for n in used if (wire := several[int(n)]) is not None]
            columns.append(codes.ravel())
        chosen = np.stack(columns, axis=1) if columns else np.zeros((fitting.size, 0), dtype=int)
        try:
            pool = build_pool(scene, wires, chosen, frequencies, tolerance=tolerance, reuse=reuse)
        except SolverError as error:
            told = str(error)
    of = None if closing_of is None else closing_of[fitting]
    return Chunk(layouts, fitting, reasons, base, pool, scene_of, told, closings, of)


def _some_scene(
    variants: _Variants, base: AtticPlan, likely: IntArray, reasons: dict[int, str]
) -> Scene | None:
    """A scene of the group, from the first layout that has one; what fails is told."""
    try:
        return base.scene()
    except UNREADABLE:
        pass
    for at in likely:
        layout = int(variants.layouts[at])
        scene, why = variants.plans.scene_or_reason(layout, base)
        if scene is not None:
            return scene
        reasons[layout] = why
    return None


def _fitting(
    variants: _Variants, start: Scene, likely: IntArray, reasons: dict[int, str]
) -> IntArray:
    """Places of the layouts that fit; what does not is told."""
    longest: dict[str, list[int]] = {}
    for name, wires in variants.wires.items():
        there = [n for n, wire in enumerate(wires) if wire is not None]
        ways = longest_ways([wire for wire in wires if wire is not None])
        longest[name] = [-1] * len(wires)
        for n, way in zip(there, ways, strict=True):
            longest[name][n] = there[way]
    names = list(variants.wires)
    by_way: dict[tuple[int, ...], list[int]] = {}
    for at in likely:
        way = tuple(longest[name][int(variants.codes[name][at])] for name in names)
        by_way.setdefault(way, []).append(int(at))
    fitting: list[int] = []
    for count, (way, members) in enumerate(by_way.items()):
        own = {name: variants.wires[name][n] for name, n in zip(names, way, strict=True)}
        together = count < MOST_WAYS
        if together:
            try:
                start.with_wires([own.get(wire.name) or wire for wire in start.own_wires])
                fitting += members
                continue
            except UNREADABLE:
                pass
        for at in members:
            try:
                variants.scene(at, start)
                fitting.append(at)
            except UNREADABLE as error:
                reasons[int(variants.layouts[at])] = str(error)
    return np.array(sorted(fitting), dtype=np.int64)


_KEPT: OrderedDict[Any, Chunk] = OrderedDict()


def kept_chunk(key: Any, make: Callable[[Pool | None], Chunk]) -> Chunk:
    """The chunk of a key, made where this process does not have it; the oldest is let go.

    `make` is given the pool that was used last.
    """
    if key not in _KEPT:
        last = next(reversed(_KEPT.values()), None)
        made = make(None if last is None else last.pool)
        while len(_KEPT) >= MOST_CHUNKS:
            _KEPT.popitem(last=False)
        _KEPT[key] = made
    _KEPT.move_to_end(key)
    return _KEPT[key]


def mesh_frequencies(plan: SweepPlan) -> list[float]:
    """Frequencies at which meshes are refined, as `answer` does. [Hz]"""
    bands: Sequence[Band] = plan.bands
    edges = {min(b.low for b in bands), max(b.high for b in bands)}
    return sorted(edges | {band.centre for band in bands})


__all__ = ["Chunk", "Tables", "chunks_of", "kept_chunk", "make_chunk", "mesh_frequencies"]
