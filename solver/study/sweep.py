"""`sweep`: many layouts of one attic on some bands, into a store that survives."""

from __future__ import annotations

import shutil
import tempfile
import weakref
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Executor
from importlib.metadata import version
from pathlib import Path
from typing import Any, Literal

import numpy as np

from ...geometry.plan import AtticPlan
from ..bands import Band
from ..errors import SolverError, SweepError
from ..settings import read_settings
from ..solve import DEFAULT_TOLERANCE
from ..station.station_tables import STATION_TABLES
from .sweep_effort import SweepEffort, estimate_sweep
from .sweep_parameters import design_layouts
from .sweep_records import Design, SweepPlan
from .sweep_result import SweepResult
from .sweep_running import run_batches
from .sweep_settings import DEFAULT_FIGURES, DEFAULT_POINTS, FIGURES, read_sweep
from .sweep_store import SweepStore, is_begun, open_store, read_plan
from .sweep_work import SweepWork, figures_of

LEAST_POINTS = 2


class _PassingFolder:
    """A folder that is there as long as this object is."""

    def __init__(self) -> None:
        self.path = Path(tempfile.mkdtemp(prefix="sweep"))
        weakref.finalize(self, shutil.rmtree, self.path, ignore_errors=True)


def open_sweep(path: str | Path) -> SweepResult:
    """What a sweep has kept, finished or not.

    Parameters
    ----------
    path : path
        Of its file, "night.h5", also while that is not there yet.

    Raises
    ------
    StoreError
        If there is none, or it is damaged, something else, or of a newer schema.
    """
    return SweepResult(open_store(path))


def plan_sweep(
    plan: AtticPlan,
    vary: Mapping[str, Any] | None = None,
    *,
    bands: Sequence[Band | str | Sequence[float]] | str | Band | None = None,
    method: str | None = None,
    count: int | None = None,
    seed: int | None = None,
    points: int | None = None,
    figures: Sequence[str] | None = None,
    angles: Sequence[tuple[float, float]] | None = None,
    angle_limits: tuple[float, float] = (30.0, 60.0),
    where: str | None = None,
    reference: float | None = None,
    power: float | None = None,
    tolerance: float | None = DEFAULT_TOLERANCE,
) -> SweepPlan:
    """All that a sweep is to do; parameters as for `sweep`."""
    if not isinstance(plan, AtticPlan):
        raise SolverError(f"plan is {plan!r}; a sweep takes what read_attic(path) gives.")
    told = read_sweep(plan) if vary is None else None
    if told is None and not vary:
        raise SweepError('vary is empty; name something, {"element.long.length": "9 m to 14 m"}.')
    settings = read_settings(plan, bands=bands, power=power, reference=reference)
    wanted_bands = settings.bands if told is None or bands is not None else told.bands
    if told is None:
        has_tuner = plan.file.has("tuner")
        default = (*DEFAULT_FIGURES, *["tuner"] * has_tuner, *["gain"] * bool(angles))
        names = default if figures is None else tuple(figures)
        design = design_layouts(
            plan, vary or {}, method=method or "grid", count=count, seed=seed or 0
        )
    else:
        given = {"method": method, "count": count, "seed": seed}
        if any(value is not None for value in given.values()):
            raise SweepError(
                "method, count and seed go with vary=; without it the file's [sweep] counts."
            )
        names = told.figures if figures is None else tuple(figures)
        design = told.design(plan)
        points = told.points if points is None else points
        angles = told.angles if angles is None else angles
        where = told.where if where is None else where
    names = _checked_figures(names, has_tuner=plan.file.has("tuner"), angles=angles or ())
    try:
        _check_tuner_is_kept(design, names)
    except SweepError as error:
        if told is None:
            raise
        raise plan.file.error(told.places[error.parameter], f"[sweep.vary]: {error}") from error
    n_points = DEFAULT_POINTS if points is None else points
    if not (isinstance(n_points, int) and LEAST_POINTS <= n_points <= 1001):
        raise SweepError(f"points is {points!r}; it must be a whole number from 2 to 1001.")
    _check_angle_limits(angle_limits)
    elements = [] if plan.antenna is None else [one.name for one in plan.antenna.elements]
    return SweepPlan(
        text=plan.text,
        name=plan.file.name,
        design=design,
        bands=wanted_bands,
        frequencies=np.array([np.linspace(b.low, b.high, n_points) for b in wanted_bands]),
        figures=figures_of(
            names, n_points=n_points, angle_limits=angle_limits, angles=angles or (),
            elements=elements,
        ),
        settings={
            "power": settings.power,
            "reference": settings.reference,
            "angle_limits": tuple(map(float, angle_limits)),
            "angles": tuple((float(e), float(b)) for e, b in angles or ()),
            "tolerance": tolerance or 0.0,
            "where": where or "",
        },
        version=version("ridgepole"),
    )  # fmt: skip


def _checked_figures(
    names: Sequence[str], *, has_tuner: bool, angles: Sequence[tuple[float, float]]
) -> tuple[str, ...]:
    for name in names:
        if name not in FIGURES:
            raise SweepError(f"There is no figure {name!r}; there are: {', '.join(FIGURES)}.")
    if "tuner" in names and not has_tuner:
        raise SweepError("The tuner's verdict is asked for, but the file has no [tuner].")
    if "gain" in names and not angles:
        raise SweepError("Gain is asked for; say at which angles = [(elevation, bearing), ...].")
    for pair in angles:
        if not (len(pair) == 2 and 0.0 <= pair[0] <= 90.0 and -360.0 <= pair[1] <= 360.0):
            raise SweepError(
                f"angles holds {pair!r}; give (elevation 0 to 90, bearing -360 to 360), degrees."
            )
    return tuple(name for name in FIGURES if name in (*names, "impedance"))


def _check_tuner_is_kept(design: Design, names: Sequence[str]) -> None:
    """What lies between radio and feed point shows in the tuner's verdict alone."""
    for parameter in design.parameters:
        if parameter.name.partition(".")[0] in STATION_TABLES and "tuner" not in names:
            raise SweepError(
                f"Parameter {parameter.name!r} does not change what a sweep computes: of what is "
                "kept, it shows in the figure 'tuner' alone, which is not. Add a [tuner] where "
                "there is none and keep that figure, or leave the parameter out.",
                parameter=parameter.name,
            )


def _check_angle_limits(limits: tuple[float, float]) -> None:
    if not (len(limits) == 2 and 0.0 < limits[0] < limits[1] < 90.0):
        raise SweepError(f"angle_limits is {limits!r}; give two rising elevations within 0 to 90.")


def sweep(
    plan: AtticPlan,
    vary: Mapping[str, Any] | None = None,
    *,
    store: str | Path | None = None,
    bands: Sequence[Band | str | Sequence[float]] | str | Band | None = None,
    method: str | None = None,
    count: int | None = None,
    seed: int | None = None,
    points: int | None = None,
    figures: Sequence[str] | None = None,
    angles: Sequence[tuple[float, float]] | None = None,
    angle_limits: tuple[float, float] = (30.0, 60.0),
    where: str | None = None,
    reference: float | None = None,
    power: float | None = None,
    tolerance: float | None = DEFAULT_TOLERANCE,
    executor: Literal["in-process", "threads", "processes"] | Executor | None = None,
    workers: int | None = None,
    progress: bool | None = None,
    announce: Callable[[SweepEffort], None] | None = None,
    stop: Callable[[], bool] | None = None,
) -> SweepResult:
    """Compute many layouts of an attic; begin a sweep, or go on with one.

    Parameters
    ----------
    plan : AtticPlan
        From `read_attic`.
    vary : mapping, optional
        What is varied and how, ``{"element.long.length": "9 m to 14 m, step 25 cm"}``; see
        `design_layouts`. Left out, the file's table [sweep] says it all.
    store : path, optional
        HDF5 file that the results are kept in; one that is there already is gone on with. None: a
        temporary one that goes with the result.
    bands : optional
        As for `answer`; the file's where left out.
    method, count, seed
        "grid", "list", "latin hypercube" or "sobol"; see `design_layouts`.
    points : int
        Frequencies of each band, 9 where left out.
    figures : sequence of str
        Of "impedance", "budget", "shares", "gain", "tuner" and "currents".
    angles : sequence of (elevation, bearing)
        For the gain. [degree]
    angle_limits : pair of float
        Elevations that part low, middle and high angles. [degree]
    where : str, optional
        Which layouts are wanted: "element.long.length > element.cross.length + 1 m".
    reference, power : float, optional
        As for `answer`. [ohm, W]
    tolerance : float, optional
        Of the mesh, as for `solve`, for the longest elements.
    executor : optional
        Where it runs: "processes" (where left out), "threads", "in-process", or any
        `concurrent.futures.Executor`, a Dask cluster's too.
    workers : int, optional
        How many; as many as there are processors where left out.
    progress : bool, optional
        Show a bar with rate and time left; None: if it takes more than a second.
    announce : callable, optional
        Called with what it will take before it begins.
    stop : callable, optional
        Asked now and then; True ends the sweep after the batches under way.

    Returns
    -------
    SweepResult
        Of what is done: all of it, unless it was stopped.

    Raises
    ------
    SweepError, AtticFileError
        If what is asked for cannot be done.
    StoreError
        If the store holds another sweep, or cannot be written.

    Notes
    -----
    Ground, moisture, house and counterpoise make a new fixed part each: they are the outer loop.
    Lengths and ways of elements and values of loads share it and cost next to nothing.
    """
    wanted = plan_sweep(
        plan, vary, bands=bands, method=method, count=count, seed=seed, points=points,
        figures=figures, angles=angles, angle_limits=angle_limits, where=where,
        reference=reference, power=power, tolerance=tolerance,
    )  # fmt: skip
    if not (store is None or isinstance(store, str | Path)):
        raise SweepError(f"store is {store!r}; give the path of a file, as 'night.h5', or None.")
    folder = None
    if store is None:
        folder = _PassingFolder()
        store = folder.path / "sweep.h5"
    return _run(wanted, Path(store), executor=executor, workers=workers, progress=progress,
                announce=announce, stop=stop, holding=folder)  # fmt: skip


def resume_sweep(
    path: str | Path,
    *,
    executor: Literal["in-process", "threads", "processes"] | Executor | None = None,
    workers: int | None = None,
    progress: bool | None = None,
    announce: Callable[[SweepEffort], None] | None = None,
    stop: Callable[[], bool] | None = None,
) -> SweepResult:
    """Go on with a sweep as its store has it, whatever has become of its attic file.

    Parameters
    ----------
    path : path
        Of the store, "night.h5", also while that file is not there yet.
    executor, workers, progress, announce, stop
        As for `sweep`.

    Raises
    ------
    StoreError
        If there is none, or it cannot be read or written.
    """
    return _run(read_plan(path), Path(path), executor=executor, workers=workers,
                progress=progress, announce=announce, stop=stop)  # fmt: skip


def _run(
    wanted: SweepPlan,
    path: Path,
    *,
    announce: Callable[[SweepEffort], None] | None,
    holding: object = None,
    **how: Any,
) -> SweepResult:
    """Compute what is missing and gather it; `how` as `run_batches` takes it."""
    work = SweepWork(wanted)
    if announce is not None:
        announce(estimate_sweep(work))
    opened = SweepStore.resume if is_begun(path) else SweepStore.create
    with opened(path, wanted) as kept:
        if not kept.is_gathered:
            run_batches(work, work.batches, kept, **how)
            if kept.is_complete:
                kept.gather()
    return SweepResult(open_store(path), holding=holding)
