"""`answer`: the whole way from an attic, or a scene, to the five questions on every band."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from importlib.metadata import version
from pathlib import Path
from typing import Any, TypeGuard

import numpy as np
from threadpoolctl import threadpool_limits

from ..geometry import AtticFileError, Scene
from ..geometry.checks import check_frequency
from ..geometry.clearance import Clearance, wire_clearances
from ..geometry.mesh import build_mesh
from ..geometry.plan import AtticPlan
from .answer_records import (
    SWR_LIMIT,
    Answer,
    BandAnswer,
    FeedPlace,
    GroupLoss,
    House,
    PointAnswer,
    WirePath,
    swr_of,
)
from .band_sweep import (
    BandSweep,
    count_matrices,
    natural_frequencies,
    prepare_band,
)
from .bands import Band
from .currents_along import named_point_readings, node_currents, wire_currents
from .effort import Effort, estimate_effort
from .errors import SolverError
from .moments.basis import ComplexArray, FloatArray
from .moments.quadrature import lagrange_weights
from .settings import Settings, read_settings
from .solution import Solution
from .solve import DEFAULT_TOLERANCE
from .station.voltages import voltage_readings, wire_voltages
from .system import System
from .voltage_records import VoltageLimits

DEFAULT_POINTS = 13
LARGEST_STEP = 0.15
"""Points are added until the reflection coefficient moves less than this between neighbours."""

LARGEST_MISS = 0.005
"""Points are added until a cubic through its neighbours meets the reflection this well."""

LARGEST_RELATIVE_STEP = 0.004
MOST_EVEN_POINTS = 300
MOST_ADDED_POINTS = 200
MOST_ROUNDS = 20
NARROWEST_STEP = 1e-6
"""Of the frequency: intervals are not halved below this."""

FINE_STEPS = 24
"""Into which the smooth curve is cut between two points."""

OPEN = 1e9 + 0.0j
"""What stands for a feed with nothing connected when natural frequencies are sought. [ohm]"""

ONE_THREAD_BELOW = 1000
"""Unknowns below which linear algebra is faster on one thread."""


def answer(
    plan: AtticPlan | Scene,
    bands: Sequence[Band | str | Sequence[float]] | str | Band | None = None,
    *,
    region: int | None = None,
    reference: float | None = None,
    power: float | None = None,
    points_per_band: int = DEFAULT_POINTS,
    angle_limits: tuple[float, float] = (30.0, 60.0),
    low_angle: float = 15.0,
    voltage_limits: VoltageLimits | None = None,
    error_estimate: bool = True,
    tolerance: float | None = DEFAULT_TOLERANCE,
    progress: bool | None = None,
    announce: Callable[[Effort], None] | None = None,
    name: str | None = None,
) -> Answer:
    """Impedance and SWR, watts and angles on every band.

    Parameters
    ----------
    plan : AtticPlan or Scene
        From `read_attic`; or a scene, then nothing is assumed and directions are azimuths.
    bands : sequence, optional
        Names ("40 m"), texts ("14.0-14.35 MHz") or pairs in hertz; the file's where left out, and
        all amateur bands where it names none.
    region : int, optional
        ITU region of named bands, 1, 2 or 3; the file's, or 1, where left out.
    reference : float, optional
        What SWR refers to; the file's, or 50, where left out. [ohm]
    power : float, optional
        Into the feed point, for voltages and currents; the file's, or 100, where left out. [W]
    points_per_band : int
        Points of each band's curve, 5 to 1001; more are added where it turns fast and in wide
        ranges. A remark tells where they did not suffice.
    angle_limits : pair of float
        Elevations that part low, middle and high angles. [degree]
    low_angle : float
        Elevation at which the best and the worst direction are told. [degree]
    voltage_limits : VoltageLimits, optional
        When voltage near wood, boards or metal is flagged; 1 kV peak nearer than 50 mm (common
        practice) where left out.
    error_estimate : bool
        Estimate the discretisation error of the impedance at each centre.
    tolerance : float, optional
        The mesh is refined until that estimate is within this at every band's centre and at the
        lowest and highest frequency, or a few rounds are over; None: the mesh as it is made.
    progress : bool, optional
        Show a bar with the time left; None: if it takes more than a second.
    announce : callable, optional
        Called with what it will take, before the long part starts.
    name : str, optional
        What to call the answer.

    Returns
    -------
    Answer

    Raises
    ------
    AtticFileError, GeometryError, FeedError
        If the antenna cannot be as described.
    BandError
        If a band is none.
    SolverError
        If a setting is out of range or the equations cannot be solved.

    Notes
    -----
    One mesh, made for the top of all bands, serves them all.  Each band's matrices are
    interpolated from 2 to 10 that are filled (see `band_sweep`), each point solved by itself.
    """
    _check_options(points_per_band, angle_limits, low_angle, tolerance)
    if not isinstance(voltage_limits, VoltageLimits | None):
        raise SolverError(
            f"voltage_limits is {voltage_limits!r}; give VoltageLimits(peak=..., distance=...)."
        )
    scene, called = scene_of(plan, "answer")
    from_plan = plan if isinstance(plan, AtticPlan) else None
    house = None if from_plan is None else House.of(from_plan.attic)
    settings = read_settings(
        from_plan, bands=bands, region=region, power=power, reference=reference
    )
    count = sum(count_matrices(band) for band in settings.bands)
    system = prepare_system(
        scene, settings.bands, tolerance=tolerance, matrices=count, announce=announce
    )
    clearances = wire_clearances(scene)
    with threadpool_limits(limits=linear_algebra_threads(system), user_api="blas"):
        told: list[str] = []
        with progress_bar(count, progress) as bar:

            def tick() -> None:
                bar.update()

            found = tuple(
                _answer_band(
                    prepare_band(
                        system,
                        band,
                        error_estimate=error_estimate,
                        tick=tick,
                    ),
                    settings,
                    points_per_band,
                    angle_limits,
                    low_angle,
                    VoltageLimits() if voltage_limits is None else voltage_limits,
                    clearances,
                    np.nan if house is None else house.ridge_bearing,
                    told,
                )
                for band in settings.bands
            )
    return Answer(
        name=name or called,
        text="" if from_plan is None else _text_of(from_plan),
        house=house,
        earth=_earth_in_words(scene),
        wires=wire_paths(scene),
        feeds=feed_places(scene),
        assumptions=_assumptions(from_plan, settings),
        remarks=(*(scene.doubts() if from_plan is None else from_plan.doubts()), *told),
        bands=found,
        region=settings.region,
        reference=settings.reference,
        power=settings.power,
        unknowns=system.n_unknowns,
        version=version("ridgepole"),
    )


def scene_of(plan: AtticPlan | Scene, asked: str) -> tuple[Scene, str]:
    """The scene of a plan, or the scene itself, and what to call it.

    Raises
    ------
    SolverError
        If it is neither; `asked` is the function that the message names.
    """
    if isinstance(plan, Scene):
        return plan, "scene"
    if isinstance(plan, AtticPlan):
        return plan.scene(), _short_name(plan)
    raise SolverError(
        f"plan is {plan!r}; {asked} takes what read_attic(path) gives, or a Scene of wires and "
        "a feed."
    )


def wire_paths(scene: Scene) -> tuple[WirePath, ...]:
    """Its wires as a result keeps them."""
    driven = {wire for feed in scene.feeds if feed.is_driven for wire in feed.wires}
    kinds = {piece.name: piece.kind for piece in scene.house}
    return tuple(
        WirePath(
            w.name,
            np.array(w.vertices),
            float(w.radius),
            w.name in driven,
            w.piece,
            kinds.get(w.piece, "metal" if w.piece else ""),
        )
        for w in scene.wires
    )


def feed_places(scene: Scene) -> tuple[FeedPlace, ...]:
    """Its feeds as a result keeps them."""
    return tuple(FeedPlace(f.name, tuple(f.wires), _place(f.at), f.is_driven) for f in scene.feeds)


def prepare_system(
    scene: Scene,
    bands: Sequence[Band],
    *,
    tolerance: float | None,
    matrices: int = 0,
    pieces: int = 0,
    announce: Callable[[Effort], None] | None = None,
) -> System:
    """One mesh for all bands, refined as `answer` says, with its static integrals.

    `announce` is told what that and the given numbers of matrices and of pieces to leave out take.
    """
    low = min(band.low for band in bands)
    top = max(band.high for band in bands)
    for edge in (low, top):
        check_frequency(scene, edge)
    mesh = build_mesh(scene, top)
    some = sorted({low, top, *(band.centre for band in bands)})
    if announce is not None:
        frequencies = 0 if tolerance is None else len(some)
        announce(
            estimate_effort(
                scene, mesh, bands, matrices=matrices, frequencies=frequencies, pieces=pieces
            )
        )
    with threadpool_limits(limits=_threads(len(mesh)), user_api="blas"):
        if tolerance is None:
            return System.from_scene(scene, mesh)
        return System.adapted(scene, mesh, some, tolerance=tolerance)


def linear_algebra_threads(system: System) -> int | None:
    """Threads for linear algebra; None leaves them as they are."""
    return _threads(len(system.mesh))


def _threads(n_elements: int) -> int | None:
    return 1 if 3 * n_elements < ONE_THREAD_BELOW else None


def progress_bar(
    count: int, progress: bool | None, *, doing: str = "solving", unit: str = "matrix"
) -> Any:
    """A bar with rate and time left; None: shown if it takes more than a second."""
    from tqdm import tqdm

    return tqdm(
        total=count,
        desc=doing,
        unit=unit,
        delay=1.0 if progress is None else 0.0,
        disable=progress is False,
        leave=False,
    )


def _check_options(points: object, limits: object, low_angle: object, tolerance: object) -> None:
    if isinstance(points, bool) or not isinstance(points, int) or not 5 <= points <= 1001:
        raise SolverError(f"points_per_band is {points!r}; it must be a whole number, 5 to 1001.")
    pair = limits if isinstance(limits, tuple | list) else ()
    if not (
        len(pair) == 2 and all(_is_number(one) for one in pair) and 0.0 < pair[0] < pair[1] < 90.0
    ):
        raise SolverError(
            f"angle_limits is {limits!r}; two elevations are needed, rising, between 0 (the "
            "horizon) and 90 (the zenith) degrees."
        )
    if not (_is_number(low_angle) and 0.0 <= low_angle < 90.0):
        raise SolverError(f"low_angle is {low_angle!r} degrees; it must be 0 or more, below 90.")
    if tolerance is not None and not (_is_number(tolerance) and 0.0 < tolerance < 1.0):
        raise SolverError(
            f"tolerance is {tolerance!r}; it must lie between 0 and 1 (0.01 is one per cent), or "
            "be None to leave the mesh as it is made."
        )


def _is_number(value: object) -> TypeGuard[float]:
    return isinstance(value, int | float | np.integer | np.floating) and not isinstance(value, bool)


def _short_name(plan: AtticPlan) -> str:
    return Path(plan.file.name).stem


def _text_of(plan: AtticPlan) -> str:
    """The file that gives this plan, "" where it was changed in a way no file can say."""
    try:
        return plan.text
    except AtticFileError:
        return ""


def _earth_in_words(scene: Scene) -> str:
    earth = scene.earth
    if earth is None:
        return "free space"
    if earth.is_perfect:
        return "perfect ground"
    if earth.name:
        return earth.name
    return f"ground of permittivity {earth.relative_permittivity:g}, {earth.conductivity:g} S/m"


def _assumptions(plan: AtticPlan | None, settings: Settings) -> tuple:
    told = () if plan is None else (*plan.assumptions, *settings.assumptions)
    return tuple(sorted(told, key=lambda a: -a.weight))


def _answer_band(
    sweep: BandSweep,
    settings: Settings,
    n_points: int,
    angle_limits: tuple[float, float],
    low_angle: float,
    limits: VoltageLimits,
    clearances: Sequence[Clearance],
    ridge_bearing: float,
    remarks: list[str],
) -> BandAnswer:
    band, reference, power = sweep.band, settings.reference, settings.power
    curve, enough = _curve(sweep, reference, n_points)
    if not enough:
        remarks.append(
            f"{band.name}: the curve still turns faster than its {len(curve)} points can follow; "
            "lowest SWR and bandwidth may be missed. Ask for a narrower range."
        )
    frequencies = curve.frequencies
    swr = swr_of(curve.impedance, reference)

    earth = sweep.system.scene.earth
    centre = sweep.solution(band.centre)
    budget, far = centre.budget, centre.far_field()
    efficiencies = {band.centre: float(budget.efficiency)}

    def point(label: str, frequency: float) -> PointAnswer:
        at = sweep.solution(frequency)
        if frequency not in efficiencies:
            efficiencies[frequency] = float(at.far_field().efficiency)
        impedance = complex(np.asarray(at.impedance)[()])
        return PointAnswer(
            label,
            frequency,
            impedance,
            float(swr_of(impedance, reference)),
            efficiencies[frequency],
        )

    gain, elevation, azimuth = far.maximum()
    first, second = angle_limits
    lowest = far.lowest_elevation_deg
    azimuths = np.arange(0.0, 360.0, 2.0)
    ring = np.asarray(far.gain_dbi(low_angle, azimuths))
    best, worst = int(np.argmax(ring)), int(np.argmin(ring))
    feed_current = complex(np.asarray(centre.feed_current(power=power))[()])
    feed_voltage = complex(np.asarray(centre.feed_voltage(power=power))[()])
    per_square = power / abs(feed_current) ** 2
    if sum(feed.is_driven for feed in sweep.system.scene.feeds) > 1:
        per_square = np.nan
    radiated = float(budget.radiated)
    voltages = wire_voltages(centre, power=power)
    return BandAnswer(
        band=band,
        reference=reference,
        power=power,
        frequencies=frequencies,
        impedances=np.asarray(curve.impedance),
        low_edge=point("low edge", band.low),
        centre=point("centre", band.centre),
        high_edge=point("high edge", band.high),
        lowest=point("lowest SWR", float(frequencies[int(np.argmin(swr))])),
        bandwidth=_bandwidth(frequencies, np.asarray(curve.impedance), reference),
        interpolation_error=sweep.interpolation_error,
        error_estimate=float(np.asarray(centre.error_estimate)[()]),
        budget=budget,
        gain_dbi=gain,
        elevation_deg=elevation,
        azimuth_deg=azimuth,
        angle_limits=(float(first), float(second)),
        shares=(far.share(lowest, first), far.share(first, second), far.share(second, 90.0)),
        low_angle_deg=float(low_angle),
        lobe=(float(ring[best]), float(azimuths[best])),
        null=(float(ring[worst]), float(azimuths[worst])),
        vertical_part=far.vertical_part,
        feed_voltage=feed_voltage,
        feed_current=feed_current,
        radiation_resistance=per_square * radiated,
        loss_resistance=per_square * (1.0 - radiated),
        node_currents=node_currents(centre, power, feed_voltage),
        wire_currents=wire_currents(centre, power),
        named_points=named_point_readings(centre, power),
        wire_voltages=voltages,
        voltages=voltage_readings(
            centre, power=power, limits=limits, voltages=voltages, clearances=clearances
        ),
        voltage_limits=limits,
        solid_losses=tuple(
            GroupLoss(group, float(share)) for group, share in centre.solid_losses.items()
        ),
        currents=centre.currents(),
        polarisation=far.polarisation,
        ground=None if earth is None else earth.at(band.centre),
        ridge_bearing=float(ridge_bearing),
    )


def _reflection(
    sweep: BandSweep, frequencies: FloatArray, reference: float
) -> tuple[ComplexArray, ComplexArray]:
    z = np.array(sweep.solution(frequencies).impedance, dtype=np.complex128)
    return (z - reference) / (z + reference), z


def _curve(sweep: BandSweep, reference: float, n_points: int) -> tuple[Solution, bool]:
    """Points that a curve can be drawn through, and whether they are enough.

    Evenly spread with edges and centre, closer about natural frequencies that are narrower than
    their steps, halved where the others do not foretell a point, and the minimum.
    """
    points = _first_points(sweep, reference, n_points)
    most = points.size + MOST_ADDED_POINTS
    enough = False
    for _ in range(MOST_ROUNDS):
        gamma, z = _reflection(sweep, points, reference)
        fast = np.abs(np.diff(gamma)) > LARGEST_STEP
        # A series resonance between two points, both far from a match, may be narrow.
        fast |= (z.imag[:-1] < 0.0) & (z.imag[1:] > 0.0) & (np.abs(np.diff(gamma)) > 0.01)
        missed = _foretold_badly(points, gamma)
        fast |= missed[:-1] | missed[1:]
        fast &= np.diff(points) > NARROWEST_STEP * points[:-1]
        if not fast.any():
            enough = True
            break
        if points.size >= most:
            break
        middle = 0.5 * (points[:-1] + points[1:])
        wanted = np.flatnonzero(fast)
        if wanted.size > most - points.size:  # the fastest first
            order = np.argsort(-np.abs(np.diff(gamma))[wanted], kind="stable")
            wanted = wanted[order[: most - points.size]]
        points = np.union1d(points, middle[wanted])
    for _ in range(2):
        gamma, _ = _reflection(sweep, points, reference)
        fine, smooth = _drawn(points, gamma)
        extra = [fine[int(np.argmin(smooth))], *_crossings(fine, smooth)]
        apart = 1e-8 * sweep.band.width
        new = [f for f in extra if np.abs(points - f).min() > apart]
        if not new:
            break
        points = np.union1d(points, new)
    return sweep.solution(points), enough


def _first_points(sweep: BandSweep, reference: float, n_points: int) -> FloatArray:
    """Even steps, and steps that double away from each narrow natural frequency. [Hz]"""
    band = sweep.band
    by_width = min(MOST_EVEN_POINTS, 1 + math.ceil(band.width / (LARGEST_RELATIVE_STEP * band.low)))
    count = max(n_points, by_width, 6 * len(sweep.stretches))
    points = np.linspace(band.low, band.high, count)
    step = band.width / (count - 1)
    loads: list[complex] = []
    driven = 0
    for port in sweep.system.scene.ports:
        if port.is_driven:
            driven += 1
            loads.append(complex(reference) if driven == 1 else 0.0j)
        else:
            closed = complex(port.termination_at(np.array([band.centre]))[0])
            loads.append(closed if np.isfinite(closed) else OPEN)
    for natural in natural_frequencies(sweep, loads):
        width = max(abs(natural.imag), NARROWEST_STEP * natural.real)
        if width > step:
            continue
        away = 0.5 * width * 2.0 ** np.arange(max(1, math.ceil(math.log2(2.0 * step / width))))
        points = np.concatenate([points, [natural.real], natural.real - away, natural.real + away])
    fixed = np.array([band.low, band.centre, band.high])
    points = np.sort(points[(points > band.low) & (points < band.high)])
    nearest = 0.25 * NARROWEST_STEP * points
    apart = np.diff(points, prepend=0.0) > nearest
    apart &= np.abs(points[:, None] - fixed).min(axis=1) > nearest
    return np.union1d(fixed, points[apart])


def _foretold_badly(points: FloatArray, gamma: ComplexArray) -> np.ndarray:
    """Which points the cubic through two neighbours on either side misses, shape of points."""
    missed = np.zeros(points.size, dtype=bool)
    for k in range(1, points.size - 1):
        first = min(max(k - 2, 0), points.size - 5)
        near = np.delete(np.arange(first, first + 5), k - first)
        told = lagrange_weights(points[near], float(points[k])) @ gamma[near]
        missed[k] = abs(told - gamma[k]) > LARGEST_MISS
    return missed


def _drawn(frequencies: FloatArray, gamma: ComplexArray) -> tuple[FloatArray, FloatArray]:
    """The smooth curve: fine frequencies, the points among them, and |gamma| there."""
    from scipy.interpolate import CubicSpline

    between = np.arange(FINE_STEPS) / FINE_STEPS
    fine = (frequencies[:-1, None] + np.diff(frequencies)[:, None] * between).ravel()
    fine = np.append(fine, frequencies[-1])
    return fine, np.abs(CubicSpline(frequencies, gamma)(fine))


def _crossings(frequencies: FloatArray, gamma: FloatArray) -> list[float]:
    """Where the SWR passes 2 on either side of its minimum."""
    limit = (SWR_LIMIT - 1.0) / (SWR_LIMIT + 1.0)
    least = int(np.argmin(gamma))
    if gamma[least] > limit:
        return []
    found = []
    for beyond in (
        np.flatnonzero(gamma[:least] > limit)[-1:],
        least + np.flatnonzero(gamma[least:] > limit)[:1],
    ):
        for k in beyond:
            other = k + 1 if k < least else k - 1
            part = (limit - gamma[other]) / (gamma[k] - gamma[other])
            found.append(float(frequencies[other] + part * (frequencies[k] - frequencies[other])))
    return found


def _bandwidth(frequencies: FloatArray, impedances: ComplexArray, reference: float) -> float | None:
    """Width with SWR 2 or less about its minimum, within the points; None: not reached. [Hz]"""
    fine, smooth = _drawn(frequencies, (impedances - reference) / (impedances + reference))
    limit = (SWR_LIMIT - 1.0) / (SWR_LIMIT + 1.0)
    least = int(np.argmin(smooth))
    if smooth[least] > limit:
        return None
    low, high = float(frequencies[0]), float(frequencies[-1])
    for edge in _crossings(fine, smooth):
        if edge < fine[least]:
            low = max(low, edge)
        else:
            high = min(high, edge)
    return high - low


def _place(at: float | str) -> float | str:
    return at if isinstance(at, str) else float(at)
