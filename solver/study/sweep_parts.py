"""Finished batches of a sweep as files of their own, and what they come to together."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..errors import StoreError, SweepError
from . import sweep_format as form
from .sweep_records import DONE, FAILED, UNFIT, BatchResult, Figure, SweepPlan

SLICE_BYTES = 2**26
"""Of all figures together, held at once while gathering."""


def parts_folder(path: str | Path) -> Path:
    """Where the parts of a sweep into `path` lie until they are gathered."""
    target = Path(path)
    return target.with_name(target.name + ".parts")


def gathered_path(folder: Path) -> Path:
    """The file that the parts in a folder become."""
    return folder.with_name(folder.name.removesuffix(".parts"))


def part_paths(folder: Path) -> list[Path]:
    """Of all parts in a folder, in order."""
    return sorted(folder.glob("part-*.h5"), key=lambda path: (len(path.name), path.name))


@dataclass(frozen=True, eq=False)
class Part:
    """A finished batch on disk, without its figures."""

    path: Path
    layouts: NDArray[np.int64]
    bands: NDArray[np.int64]
    states: NDArray[np.int8]
    reasons: Mapping[int, str]

    @classmethod
    def read(cls, path: Path, plan: SweepPlan, fingerprint: str, *, in_full: bool) -> Part:
        """Open a part; whatever it raises but StoreError means damage."""

        with form.opened(path) as file:
            form.check_kind(file, path, form.PART_FORMAT)
            if file.attrs["fingerprint"] != fingerprint:
                raise StoreError(f"{path}: belongs to another sweep.")
            layouts = file["layouts"][()].astype(np.int64)
            bands = file["bands"][()].astype(np.int64)
            if not (_rising(layouts, len(plan.design)) and _rising(bands, len(plan.bands))):
                raise ValueError("its layouts or bands are not those of the sweep, in order")
            shape = (layouts.size, bands.size)
            form.check_arrays(file, file["figures"], plan, shape, shape[:1])
            part = cls(
                path,
                layouts,
                bands,
                file["state"][()],
                {int(layouts[row]): why for row, why in form.read_reasons(file).items()},
            )
            if in_full:  # every chunk passes its checksum
                for data in file["figures"].values():
                    data[()]
        return part


def part_image(plan: SweepPlan, result: BatchResult, fingerprint: str) -> bytes:
    """A part as the bytes of its file."""
    layouts, bands = result.batch.layouts, result.batch.bands
    slices = form.slices_of(plan, SLICE_BYTES)

    def write(file: Any) -> None:
        file.attrs["format"] = form.PART_FORMAT
        file.attrs["schema"] = form.SCHEMA
        file.attrs["fingerprint"] = fingerprint
        file.attrs["library_version"] = plan.version
        file["layouts"] = np.array(layouts, dtype=np.int64)
        file["bands"] = np.array(bands, dtype=np.int64)
        rows = {layout: row for row, layout in enumerate(layouts)}
        reasons = {rows[layout]: why for layout, why in result.reasons.items()}
        form.write_states(file, np.asarray(result.states, dtype=np.int8), reasons)
        group = file.create_group("figures")
        for figure in plan.figures:
            shape = (len(layouts), len(bands), *figure.shape)
            most = min(len(layouts), slices.chunk_rows[figure.name])
            data = form.create_figure(group, figure, shape, most)
            if data.size:
                data[...] = np.asarray(result.values[figure.name], dtype=figure.dtype)

    return form.image_of(write)


def _rising(numbers: Sequence[int] | NDArray[np.int64], count: int) -> bool:
    steps = all(a < b for a, b in pairwise(numbers))
    return len(numbers) > 0 and steps and bool(numbers[0] >= 0 and numbers[-1] < count)


def check_result(plan: SweepPlan, result: BatchResult) -> None:
    batch = result.batch
    n, m = len(batch.layouts), len(batch.bands)

    if not (_rising(batch.layouts, len(plan.design)) and _rising(batch.bands, len(plan.bands))):
        raise SweepError(
            f"Batch {batch.number} has layouts {batch.layouts[:3]}... on bands {batch.bands}; both "
            f"must rise and lie within {len(plan.design)} layouts and {len(plan.bands)} bands."
        )
    states = np.asarray(result.states)
    if states.shape != (n,) or not np.isin(states, (DONE, UNFIT, FAILED)).all():
        raise SweepError(
            f"Batch {batch.number} has states {states}; each of its {n} layouts must be done, "
            "unfit or failed."
        )
    if strange := set(result.reasons) - set(batch.layouts):
        raise SweepError(f"Batch {batch.number} gives reasons for {sorted(strange)}, not its own.")
    for figure in plan.figures:
        shape = (n, m, *figure.shape)
        found = result.values.get(figure.name)
        if found is None or np.shape(found) != shape:
            raise SweepError(
                f"Batch {batch.number} has {figure.name!r} of shape "
                f"{None if found is None else np.shape(found)}; it must be {shape}."
            )
        if not np.can_cast(np.asarray(found).dtype, figure.dtype, casting="same_kind"):
            raise SweepError(
                f"Batch {batch.number} has {figure.name!r} of dtype {np.asarray(found).dtype}; the "
                f"plan says {figure.dtype}."
            )


def collect(
    parts: Iterable[Part], plan: SweepPlan, figures: Sequence[Figure], start: int, stop: int
) -> dict[str, NDArray[Any]]:
    """Figures (stop - start, B, *shape) of a range of layouts, from parts in order.

    Raises
    ------
    Damage
        Where a part does not open.
    """
    found = {
        figure.name: np.full(
            (stop - start, len(plan.bands), *figure.shape),
            form.nothing_of(figure),
            dtype=figure.dtype,
        )
        for figure in figures
    }
    for part in parts:
        low, high = np.searchsorted(part.layouts, (start, stop))
        if low == high:
            continue
        rows = part.layouts[low:high] - start
        try:
            with form.opened(part.path) as file:
                for figure in figures:
                    values = file["figures"][figure.name][low:high]
                    found[figure.name][np.ix_(rows, part.bands)] = values
        except Exception as error:  # whatever fails inside of HDF5 is the file's
            raise Damage(part, error) from error
    return found


class Damage(Exception):
    """A part that will not open."""

    def __init__(self, part: Part, error: Exception) -> None:
        super().__init__(str(error))
        self.part = part


def merged(parts: Sequence[Part], plan: SweepPlan) -> tuple[NDArray[np.int8], dict[int, str]]:
    """States (L, B) and reasons by layout; the same however the batches were cut."""
    states = np.zeros((len(plan.design), len(plan.bands)), dtype=np.int8)
    reasons: dict[int, dict[str, None]] = {}
    for part in parts:
        states[np.ix_(part.layouts, part.bands)] = part.states[:, None]
    for part in sorted(parts, key=lambda part: int(part.bands[0])):
        for layout, why in part.reasons.items():
            reasons.setdefault(layout, {})[why] = None
    return states, {layout: "; ".join(found) for layout, found in sorted(reasons.items())}
