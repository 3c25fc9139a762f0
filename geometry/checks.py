"""Rules that a scene must keep, and what is only doubtful."""

from __future__ import annotations

import difflib
from collections import Counter
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.constants import speed_of_light

from .errors import FeedError, GeometryError
from .house import metal_doubts
from .house_checks import house_doubts
from .joints import Skeleton, merge_labels
from .metal_checks import check_joins
from .nearness import REACH, Contact, NearPairs, find_near_pairs
from .wires import JOINING_DISTANCE, Wire, show_point

if TYPE_CHECKING:
    from .scene import Scene

__all__ = [
    "HIGHEST_FREQUENCY",
    "LOWEST_FREQUENCY",
    "check_frequency",
    "check_names",
    "check_scene",
    "find_doubts",
    "suggest_names",
]

LOWEST_FREQUENCY = 0.1e6  # [Hz]
LOWEST_OVER_EARTH = 5e-4
"""Least height over a real earth, in wavelengths at the lowest frequency."""

HIGHEST_FREQUENCY = 300e6  # [Hz]
THIN = 0.1  # largest radius in lengths of the whole conductor, or in wavelengths
SAME_CONDUCTOR = 3.0  # joined wires whose radii differ by less count as one conductor
SHORT = 2.0  # shortest piece that is beyond doubt, in radii
MOST_OF_A_KIND = 8  # doubts told one by one
NEAR_GROUND = 2.5  # lowest height beyond doubt, in radii (s/a = 5 to the image)


def suggest_names(name: str, wires: Sequence[Wire]) -> str:
    """A sentence with the names nearest to a wrong one."""
    names = [wire.name for wire in wires]
    near = difflib.get_close_matches(name, names, n=3, cutoff=0.6)
    if near:
        return f"Did you mean {' or '.join(map(repr, near))}?"
    listed = ", ".join(map(repr, names[:8])) + (", ..." if len(names) > 8 else "")
    return f"The scene has {listed}."


def check_names(scene: Scene) -> None:
    """Names of wires are unique, and feeds name wires that exist.

    Raises
    ------
    GeometryError, FeedError
    """
    counts = Counter(wire.name for wire in scene.wires)
    name, count = counts.most_common(1)[0]
    if count > 1:
        raise GeometryError(f"{count} wires are called {name!r}; give each a name of its own.")
    for feed in scene.ports:
        for wanted in feed.wires:
            if wanted not in counts:
                raise FeedError(
                    f"{type(feed).__name__} {feed.name!r}: there is no wire {wanted!r}. "
                    f"{suggest_names(wanted, scene.wires)}"
                )


def check_scene(scene: Scene) -> None:
    """Everything that needs no frequency.

    Raises
    ------
    GeometryError
        Wires below ground or touching real earth, not thin, crossing or on top of each other.
    FeedError
        Feeds off their wires, at free ends, or not independent of each other.
    """
    _check_ground(scene)
    skeleton = scene.skeleton
    _check_thin(scene, skeleton)
    near = find_near_pairs(scene, skeleton)
    if near.errors:
        order = ("overlap", "ends", "landing", "crossing")
        worst = min(near.errors, key=lambda contact: order.index(contact.kind))
        raise GeometryError(_tell_error(scene, near, worst))
    check_joins(scene)
    _check_feeds(scene, skeleton)


def check_frequency(scene: Scene, frequency: ArrayLike) -> None:
    """What can only be said once the frequencies are known.

    Parameters
    ----------
    scene : Scene
    frequency : array_like, any shape
        0.1 to 300 MHz. [Hz]

    Raises
    ------
    GeometryError
        If a frequency is not finite or out of range, a wire is thicker than a tenth of the
        shortest wavelength, or lower over a real earth than 5e-4 of the longest.
    """
    try:
        if frequency is None:  # numpy makes NaN of it
            raise TypeError
        given = np.asarray(frequency, dtype=float).ravel()
    except (TypeError, ValueError):
        raise GeometryError(
            f"frequency={frequency!r} is no number or array of numbers. Give hertz, 14.2e6."
        ) from None
    if not given.size:
        raise GeometryError("No frequency is given; give one or more. [Hz]")
    good = (given >= LOWEST_FREQUENCY) & (given <= HIGHEST_FREQUENCY)
    if not good.all():
        worst = given[~good][0]
        hint = " Frequencies are in hertz: 14.2 MHz is 14.2e6." if 0 < worst < 1e3 else ""
        raise GeometryError(
            f"Frequency {worst:g} Hz is outside 0.1 to 300 MHz, where wires are modelled.{hint}"
        )
    wavelength = speed_of_light / float(given.max())
    _check_height(scene, speed_of_light / float(given.min()))
    for wire in scene.wires:
        if wire.radius > THIN * wavelength:
            limit = THIN * speed_of_light / wire.radius
            raise GeometryError(
                f"Wire {wire.name!r}: radius {wire.radius:g} m is above a tenth of the wavelength "
                f"at {given.max() / 1e6:g} MHz ({wavelength:.4g} m); current around the wire is "
                f"left out. Stay below {limit / 1e6:.4g} MHz, or draw the conductor as several "
                "thinner wires."
            )


def _check_height(scene: Scene, wavelength: float) -> None:
    if scene.earth is None or scene.earth.is_perfect:
        return
    led = _check_led_ends(scene)
    for wire in scene.wires:
        above = wire.vertices[:, 2][~_at_contacts(wire, led)]
        height = float(above.min(initial=np.inf))
        if height < LOWEST_OVER_EARTH * wavelength:
            raise GeometryError(
                f"Wire {wire.name!r} comes down to {height:g} m above the earth, "
                f"{height / wavelength:.2g} wavelengths; below {LOWEST_OVER_EARTH:g} the earth's "
                "share cannot be trusted. Raise it to at least "
                f"{LOWEST_OVER_EARTH * wavelength:.3g} m, or lead its end down to the earth at "
                "z = 0 with an Electrode."
            )


def find_doubts(scene: Scene) -> tuple[str, ...]:
    """What is allowed but worth a second look, a sentence each."""
    skeleton = scene.skeleton
    near = find_near_pairs(scene, skeleton)
    found = []
    for kind in ("near miss", "alongside"):
        mine = sorted((c for c in near.doubts if c.kind == kind), key=lambda c: c.distance)
        found += [_tell_doubt(scene, near, contact) for contact in mine[:MOST_OF_A_KIND]]
        if len(mine) > MOST_OF_A_KIND:
            what = "wire ends near others" if kind == "near miss" else "stretches side by side"
            found.append(f"The same holds for {len(mine) - MOST_OF_A_KIND} more {what}.")
    radius = np.array([wire.radius for wire in scene.wires])[skeleton.piece_wire]
    length = np.diff(skeleton.piece_span, axis=1)[:, 0]
    short = length < SHORT * radius
    for w in np.unique(skeleton.piece_wire[short]):
        wire = scene.wires[int(w)]
        mine = short & (skeleton.piece_wire == w)
        k = np.flatnonzero(mine)[np.argmin(length[mine])]
        found.append(
            f"{_at_start(wire)}: {np.count_nonzero(mine)} of its straight pieces are shorter "
            f"than two radii ({2 * wire.radius:.4g} m), the shortest {length[k]:.4g} m at "
            f"{skeleton.piece_span[k, 0]:.4g} m; its current there is not to be relied on."
        )
    if scene.earth is not None:
        for wire in scene.wires:
            height = wire.vertices[:, 2]
            low = np.maximum(height[1:], height[:-1])  # a stretch wholly below
            k = int(np.argmin(low))
            if low[k] < NEAR_GROUND * wire.radius:
                found.append(
                    f"{_at_start(wire)} runs {low[k]:.4g} m above the ground or lower, nearer "
                    f"than 2.5 radii ({NEAR_GROUND * wire.radius:.4g} m); the uneven current "
                    "around the wire (proximity effect) is left out."
                )
    found += metal_doubts(scene.house, scene.wires) + house_doubts(scene)
    return tuple(found)


# ---- ground ---------------------------------------------------------------------------------


def _check_ground(scene: Scene) -> None:
    led = _check_led_ends(scene)
    if scene.earth is None:
        return
    perfect = scene.earth.is_perfect
    for wire in scene.wires:
        height = wire.vertices[:, 2]
        lowest = int(np.argmin(height))
        z = float(height[lowest])
        if z > wire.radius:
            continue
        where = f"Wire {wire.name!r}: point {lowest + 1} at {show_point(wire.vertices[lowest])}"
        if z <= -JOINING_DISTANCE:
            raise GeometryError(
                f"{where} is below ground (z = 0). Buried wires are not modelled; raise it above "
                "the ground, or leave the buried part out."
            )
        on_ground = np.abs(height) < JOINING_DISTANCE
        if not perfect:
            on_ground &= _at_contacts(wire, led)
            low = np.flatnonzero((height <= wire.radius) & ~on_ground)
            if low.size:
                raise GeometryError(
                    f"Wire {wire.name!r}: point {int(low[0]) + 1} at "
                    f"{show_point(wire.vertices[low[0]])} touches the earth: its height must be "
                    f"above its radius, {wire.radius:g} m. Raise it; or, where an end is led to "
                    "the earth, bring it down to z = 0 and give its electrode, "
                    "earth_start=Electrode(...) or earth_end=Electrode(...)."
                )
        _check_rising(wire, height, on_ground, "perfect ground" if perfect else "earth")


def _check_led_ends(scene: Scene) -> NDArray[np.float64]:
    """Points led to the earth, shape (M, 3), each within the joining distance of z = 0."""
    found = []
    for wire in scene.wires:
        for what, electrode, point in (
            ("earth_start", wire.earth_start, wire.vertices[0]),
            ("earth_end", wire.earth_end, wire.vertices[-1]),
        ):
            if electrode is None:
                continue
            if wire.is_closed:
                raise GeometryError(
                    f"Wire {wire.name!r} is a closed loop and has no end that {what} could lead "
                    "to the earth. Lead a wire of its own from the loop to the earth."
                )
            if scene.earth is None:
                raise GeometryError(
                    f"Wire {wire.name!r} has {what}={electrode!r}, but the scene has no earth to "
                    f"lead it to. Give earth=Earth(...), or leave {what} out."
                )
            if scene.earth.is_layered:
                raise GeometryError(
                    f"Wire {wire.name!r} has {what}={electrode!r}; electrodes are modelled in "
                    "homogeneous earth only, and this one is layered. Give one Earth for the "
                    "depth that the electrode reaches (in a file: [earth] without layers), or "
                    "leave the electrode out (in a file: earthed)."
                )
            if abs(float(point[2])) > JOINING_DISTANCE:
                raise GeometryError(
                    f"Wire {wire.name!r} has {what}={electrode!r}, but that end is at "
                    f"{show_point(point)}; it must lie within 1 mm of the surface, z = 0. Draw "
                    "the wire down to the earth."
                )
            found.append(point)
    return np.array(found).reshape(-1, 3)


def _at_contacts(wire: Wire, led: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Which vertices are ends of the wire that share a point led to the earth, shape (N,)."""
    found = np.zeros(len(wire.vertices), dtype=bool)
    if not wire.is_closed:
        for k in (0, -1):
            gap = np.linalg.norm(led - wire.vertices[k], axis=1)
            found[k] = bool((gap <= JOINING_DISTANCE).any())
    return found


def _check_rising(
    wire: Wire, height: NDArray[np.float64], on_ground: NDArray[np.bool_], ground: str
) -> None:
    """A wire that comes to the ground stands on its corners and rises from there."""
    steps = np.diff(wire.vertex_distances)
    for k in range(len(steps)):
        one, two = bool(on_ground[k]), bool(on_ground[k + 1])
        if one and two:
            raise GeometryError(
                f"Wire {wire.name!r}: the stretch from {show_point(wire.vertices[k])} to "
                f"{show_point(wire.vertices[k + 1])} lies on the {ground}, which shorts it. "
                "Raise it above its radius, or leave it out."
            )
        low, high = sorted((float(height[k]), float(height[k + 1])))
        if one or two:  # as for two wires from one node: judged beyond the reach
            reach = max(REACH, 6.0 * wire.radius)
            low = high * min(reach / steps[k], 1.0)
            if steps[k] <= reach:
                continue
        if low < wire.radius:
            raise GeometryError(
                f"Wire {wire.name!r}: between {show_point(wire.vertices[k])} and "
                f"{show_point(wire.vertices[k + 1])} its axis comes to {low:.4g} m above the "
                f"{ground}, less than its radius {wire.radius:g} m. Raise it, or end it on "
                "z = 0."
            )


# ---- thickness ------------------------------------------------------------------------------


def _check_thin(scene: Scene, skeleton: Skeleton) -> None:
    """A conductor is the wires that join with radii within 3:1 of each other."""
    radius = np.array([wire.radius for wire in scene.wires])
    length = np.array([wire.length for wire in scene.wires])
    if not (radius > THIN * length).any():
        return
    wire = np.repeat(skeleton.piece_wire, 2)
    node = skeleton.piece_nodes.ravel()
    pairs = np.unique(np.stack([node, wire], axis=1), axis=0)
    order = np.lexsort((radius[pairs[:, 1]], pairs[:, 0]))
    node, wire = pairs[order].T
    joined = (node[1:] == node[:-1]) & (
        radius[wire[1:]] <= SAME_CONDUCTOR * radius[wire[:-1]] * (1 + 1e-9)
    )
    labels = merge_labels(len(radius), wire[:-1][joined], wire[1:][joined])
    whole = np.bincount(labels, weights=length, minlength=len(radius))[labels]
    thick = np.flatnonzero(radius > THIN * whole)
    if thick.size:
        w = int(thick[0])
        name = scene.wires[w].name
        raise GeometryError(
            f"Wire {name!r}: radius {radius[w]:g} m is above a tenth of the conductor's length "
            f"({whole[w]:.4g} m with what joins it); only thin wires are modelled. Give a radius "
            f"of at most {THIN * whole[w]:.4g} m, or draw the conductor as several thinner wires."
        )


# ---- feeds ----------------------------------------------------------------------------------


def _check_feeds(scene: Scene, skeleton: Skeleton) -> None:
    """Feeds at one node must be independent: no gap given by the others."""
    by_node: dict[int, list[int]] = {}
    for f, feed in enumerate(skeleton.feeds):
        by_node.setdefault(feed.node, []).append(f)
    for node, group in by_node.items():
        if len(group) < 2:
            continue
        ends = [tuple(end) for end in np.argwhere(skeleton.piece_nodes == node).tolist()]
        rows = [[float(end in skeleton.feeds[f].group_a) for end in ends] for f in group]
        if not skeleton.node_on_ground[node]:
            rows.append([1.0] * len(ends))  # the same push on all ends drives nothing
        if np.linalg.matrix_rank(np.array(rows)) < len(rows):
            names = " and ".join(repr(scene.ports[f].name) for f in group)
            raise FeedError(
                f"Gaps {names} share the point {show_point(skeleton.nodes[node])} and are not "
                "independent: the voltage of one follows from the others. Leave one out, or move "
                "it."
            )


# ---- sentences ------------------------------------------------------------------------------


def _names(scene: Scene, near: NearPairs, contact: Contact) -> tuple[str, str, bool]:
    one = scene.wires[int(near.stretches.wire[contact.first])].name
    two = scene.wires[int(near.stretches.wire[contact.second])].name
    return one, two, one == two


def _piece(scene: Scene, near: NearPairs, stretch: int) -> str:
    return scene.wires[int(near.stretches.wire[stretch])].piece


def _tell_error(scene: Scene, near: NearPairs, contact: Contact) -> str:
    one, two, itself = _names(scene, near, contact)
    place = show_point(contact.place)
    gap = f"{contact.distance * 1e3:.3g} mm"
    other = "itself" if itself else f"wire {two!r}"
    count = len(near.errors) - 1
    more = f" There {'is 1 more place' if count == 1 else f'are {count} more places'} like it."
    more = more if count else ""
    pieces = [_piece(scene, near, k) for k in (contact.first, contact.second)]
    if any(pieces) and pieces[0] != pieces[1] and contact.kind != "overlap":
        mine, its = (
            f"{p!r}" if p else f"wire {n!r}" for p, n in zip(pieces, (one, two), strict=True)
        )
        piece, to = (pieces[0], pieces[1] or two) if pieces[0] else (pieces[1], one)
        return (
            f"{mine[0].upper() + mine[1:]} and {its} touch near {place}, {gap} between the axes, "
            "no more than the sum of their radii or 1 mm, and are not joined. If they are joined, "
            f"give {piece!r} bonded={to!r}; if not, move one away.{more}"
        )
    if contact.kind == "overlap":
        radii = sorted(near.stretches.radius[[contact.first, contact.second]].tolist())
        thick = one if near.stretches.radius[contact.first] == radii[1] else two
        if not itself and contact.distance + radii[0] < radii[1]:
            thin = two if thick == one else one
            return (
                f"Wire {thin!r} runs inside the metal of {thick!r} near {place}, {gap} off its "
                f"axis; its radius counts as {radii[1]:.4g} m. Nothing gets into metal: move "
                f"{thin!r} outside, or leave that part out.{more}"
            )
        return (
            f"Wire {one!r} lies on top of {other} near {place}, {gap} between the axes. Two wires "
            "side by side must be farther apart than the sum of their radii; drop one, or move "
            f"it.{more}"
        )
    if contact.kind == "ends":
        return (
            f"The ends of wire {one!r} and of {other} touch near {place}, {gap} apart, but do not "
            f"join: ends join within 1 mm. Give both the same point, or move them apart.{more}"
        )
    if contact.kind == "landing":
        return (
            f"The end of wire {one!r} lands on the middle of {other} near {place}, {gap} from its "
            f"axis, and does not join. To join, end {one!r} on the axis of {two!r} and mark that "
            f"with marks=({contact.second_at:.6g},); else move it away.{more}"
        )
    return (
        f"Wire {one!r} crosses {other} near {place}, {gap} between the axes, no more than the sum "
        f"of their radii or 1 mm, and does not join. To join them where they meet, mark {one!r} "
        f"with marks=({contact.first_at:.6g},) and {two!r} with marks=({contact.second_at:.6g},); "
        f"else move one.{more}"
    )


def _tell_doubt(scene: Scene, near: NearPairs, contact: Contact) -> str:
    wires = [scene.wires[int(near.stretches.wire[k])] for k in (contact.first, contact.second)]
    one, two = (_called(wire) for wire in wires)
    place = show_point(contact.place)
    gap = f"{contact.distance * 1e3:.3g} mm"
    if contact.kind == "near miss":
        return (
            f"The end of {one} comes within {gap} of {two} near {place} but does not join (1 mm). "
            "If it should, end it there, on a corner or a marked point."
        )
    other = "itself" if wires[0] is wires[1] else two
    return (
        f"{_at_start(wires[0])} runs beside {other} near {place}, {gap} between the axes, "
        "nearer than five mean radii; the uneven current around the wires (proximity effect) is "
        "left out."
    )


def _called(wire: Wire) -> str:
    """A wire in a sentence: by its name, or as what it is of a piece of the house."""
    is_named = not wire.piece or wire.piece == wire.name
    return f"wire {wire.label}" if is_named else wire.label


def _at_start(wire: Wire) -> str:
    """The same at the start of a sentence."""
    called = _called(wire)
    return called[0].upper() + called[1:]
