"""What a sweep will take: what is the outer loop, what is cheap, about how long, how much disk.

The times are those of one core of one machine at about 3 GHz, measured on the attic of
`benchmarks/sweep.py` with and without its house; they hold within a factor of about 3.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ...geometry import Scene
from ..band_sweep import count_matrices
from ..effort import estimate_effort
from .sweep_chunks import UNREADABLE, Tables, mesh_frequencies

if TYPE_CHECKING:
    from .sweep_work import SweepWork

COLUMNS = 6.0
"""Moving columns of a variant of an element."""

THOUSANDS = 1000.0  # unknowns that the times below refer to

MATRIX = 0.15
MATRIX_BY_CELL = 5e-4
"""Filling the pool's matrix, by the square of its unknowns; with the fields in cells. [s]"""

POINT = 0.3
"""One more frequency of a band from matrices that are there, by that square. [s]"""

FORMS = 0.7
FORMS_BY_CELL = 2.5e-3
"""Watts and angles at a band's centre, by that square. [s]"""

VARIANT = 0.03
VARIANT_BY_CELL = 6e-5
"""Meshing a variant, and integrating over the cells near it, once a chunk. [s]"""

LAYOUT = 2e-4
"""A layout at a frequency. [s]"""

BYTES = 16.0

MOST_TRIED = 64
"""Layouts that are tried for one that has a scene to count from."""


@dataclass(frozen=True)
class SweepEffort:
    """What a sweep is about to do.

    Attributes
    ----------
    layouts, bands, points : int
        Points are the frequencies of a band.
    wanted : int
        Layouts that `where` lets pass.
    outer : tuple of str
        Parameters that make a new fixed part each: the outer loop.
    inner : tuple of str
        Those that are cheap.
    groups : int
        Outer combinations.
    chunks : int
        Pools to be made; more than groups where elements have many variants.
    variants : int
        Of elements, in all pools together.
    unknowns : int
        Of the largest pool, about; 0 where none of the layouts tried fits.
    matrices : int
        To be filled.
    seconds : float
        About how long on one core, once compiled. [s]
    bytes : float
        What the store will hold, about.
    """

    layouts: int
    bands: int
    points: int
    wanted: int
    outer: tuple[str, ...]
    inner: tuple[str, ...]
    groups: int
    chunks: int
    variants: int
    unknowns: int
    matrices: int
    seconds: float
    bytes: float

    def __str__(self) -> str:
        head = f"{_counted(self.layouts, 'layout')} on {_counted(self.bands, 'band')}: "
        if self.unknowns:
            head += (
                f"{self.matrices:,} matrices of about {self.unknowns} unknowns, about "
                f"{in_words(self.seconds)} on one core, "
            )
        lines = [f"{head}{_size(self.bytes)} on disk."]
        if self.wanted < self.layouts:
            lines.append(f"Wanted, as where says: {self.wanted:,} of {self.layouts:,} layouts.")
        if self.wanted and not self.unknowns:
            lines.append(
                "None of the layouts tried fits, so the time is not known; those that fit are "
                "computed, the others kept with their reasons."
            )
        if self.outer:
            lines.append(
                f"Outer loop, {self.groups} times a new fixed part: {', '.join(self.outer)}."
            )
        if self.inner:
            lines.append(f"Cheap: {', '.join(self.inner)}.")
        if self.chunks > self.groups:
            lines.append(
                f"Elements take {self.variants} forms, which makes {self.chunks} pools; fewer "
                "values, or a step, would make it quicker."
            )
        return "\n".join(lines)


def _counted(count: int, thing: str) -> str:
    return f"{count:,} {thing}{'s' * (count != 1)}"


def _size(count: float) -> str:
    """Bytes as people say them."""
    if count < 1e6:
        return f"{max(count / 1e3, 1.0):.0f} kB"
    return f"{count / 1e6:.1f} MB" if count < 1e9 else f"{count / 1e9:.1f} GB"


def in_words(seconds: float) -> str:
    """A duration as people say it."""
    if seconds < 90.0:
        return f"{max(1.0, seconds):.0f} s"
    if seconds < 5400.0:
        return f"{seconds / 60.0:.0f} min"
    return f"{seconds / 3600.0:.1f} h"


def estimate_sweep(work: SweepWork) -> SweepEffort:
    """Count what a sweep will do; no time where no layout that is tried has a scene."""
    plan, plans = work.plan, work.plans
    groups = plans.outer_groups()
    chunks = work.chunks
    tables = Tables.of(plans)
    counts = [
        sum(
            len(np.unique(np.stack([plan.design.columns[n][chunk].astype(float) for n in own]),
                          axis=1).T)
            for _, own in tables.elements
        )
        for chunk in chunks
    ]  # fmt: skip
    unknowns, cells, once = _of_one(work)
    points, bands = plan.frequencies.shape[1], len(plan.bands)
    matrices = sum(count_matrices(band) for band in plan.bands)
    seconds, largest = 0.0, unknowns
    for chunk, variants in zip(chunks, counts, strict=True) if unknowns else ():
        size = unknowns + COLUMNS * variants
        square = (size / THOUSANDS) ** 2
        largest = max(largest, size)
        seconds += once + variants * (VARIANT + VARIANT_BY_CELL * cells)
        seconds += square * (
            matrices * (MATRIX + MATRIX_BY_CELL * cells)
            + bands * (points * POINT + FORMS + FORMS_BY_CELL * cells)
        )
        seconds += chunk.size * bands * (points + 1) * LAYOUT
    values = sum(np.dtype(f.dtype).itemsize * int(np.prod(f.shape)) for f in plan.figures)
    design = plan.design
    return SweepEffort(
        layouts=len(design),
        bands=bands,
        points=points,
        wanted=int(plans.wanted.sum()),
        outer=tuple(p.name for p in design.parameters if p.is_outer),
        inner=tuple(p.name for p in design.parameters if not p.is_outer),
        groups=len(groups),
        chunks=len(chunks),
        variants=sum(counts),
        unknowns=round(largest),
        matrices=matrices * len(chunks) if unknowns else 0,
        seconds=seconds,
        bytes=float(len(design) * (bands * values + BYTES * len(design.parameters))),
    )


def _of_one(work: SweepWork) -> tuple[float, int, float]:
    """Unknowns and cells of a layout, and seconds that its mesh and solids take once.

    All 0 where none of the first layouts fits.
    """
    from ...geometry.mesh import build_mesh

    scene = next(_scenes(work), None)
    if scene is None:
        return 0.0, 0, 0.0
    frequencies = mesh_frequencies(work.plan)
    mesh = build_mesh(scene, max(frequencies))
    effort = estimate_effort(scene, mesh, (), matrices=0, frequencies=len(frequencies))
    return float(effort.unknowns), effort.cells, effort.seconds


def _scenes(work: SweepWork) -> Iterator[Scene]:
    """Of the bases of the groups, or of the first layouts where those have none."""
    tried = 0
    for group in work.plans.outer_groups():
        if tried >= MOST_TRIED:
            return
        tried += 1
        try:
            base = work.plans.base_plan(group)
        except UNREADABLE:
            continue
        try:
            yield base.scene()
        except UNREADABLE:
            for layout in group[: MOST_TRIED - tried]:
                tried += 1
                scene, _ = work.plans.scene_or_reason(int(layout), base)
                if scene is not None:
                    yield scene
