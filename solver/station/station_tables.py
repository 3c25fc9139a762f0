"""What stands between radio and antenna, and what is asked of the sky, in the attic file.

``[line]``
    from the radio to the feed point: length; type = "RG-58" (names below); or impedance = ohms,
    velocity_factor, and loss = [k1, k2] of k1 sqrt(f) + k2 f or attenuation = [[3.5, 2.9],
    [28, 8.6]], two points of MHz and dB, both in dB per 100 m with f in MHz; or open_wire =
    {spacing = "100 mm", wire = "2 mm copper"}, with velocity_factor where it is not air
``[tuner]``
    kind = "L", "pi", "T" or "window"; at = "feed point" or "shack"; swr_limit = SWR at its input
    up to which it copes, 1.5 unless told (it aims at 1.05); coil = ["0.05 uH", "30 uH"],
    coil_step, coil_q; capacitor = ["10 pF", "1.2 nF"], capacitor_step, capacitor_q, for a pi or T
    of both, or each by input_capacitor, load_capacitor with their _step and _q; arrangements of
    an L, such as ["series L, shunt C at load", "bypass"], all unless told. A window is what a
    data sheet says:
    resistance and reactance = [low, high] ohms or swr; power = watts; loss_db;
    peak_voltage = volts; frequencies = [low, high] MHz
``[transformer]``
    right at the feed point: ratio = "49:1", impedance at the antenna over that at the radio;
    magnetising_inductance, magnetising_q, leakage_inductance, winding_resistance = ohms, all seen
    from the radio; none of them: without loss

of `[station]` this module reads transmitter_power, noise, receiver_noise and virtual_height.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

from ...geometry import AtticFileError, GeometryError
from ...geometry.file_tables import AtticFile, FileTable
from ...geometry.plan import Assumption
from ...geometry.wire_kinds import WireKind
from ...materials import LineType, MaterialError
from ..errors import SolverError
from .checks import require_value
from .line import Line
from .noise import NOISE_CLASSES
from .part_ranges import CapacitorRange, CoilRange
from .transformer import Transformer
from .tuner import LNetwork, Network, PiNetwork, TNetwork
from .window_matcher import WindowMatcher

STATION_TABLES = ("line", "tuner", "transformer")
STATION_KEYS = ("transmitter_power", "noise", "receiver_noise", "virtual_height")
"""Of [station], beside what the settings read."""

AT_FEED_POINT, IN_SHACK = "feed point", "shack"
PLACES = (AT_FEED_POINT, IN_SHACK)
KINDS = ("L", "pi", "T", "window")
NOISE_NAMES = tuple(name for name in NOISE_CLASSES if name != "galactic")

DEFAULT_COIL_Q = 150.0
DEFAULT_CAPACITOR_Q = 1000.0
"""Of parts whose Q is not told (common practice)."""

DEFAULT_SWR_LIMIT = 1.5
"""Up to which radios give their full power (common practice)."""

DEFAULT_NOISE = "residential"
DEFAULT_RECEIVER_NOISE = 10.0
DEFAULT_HEIGHT = 300e3
LOWEST, HIGHEST = 50.0, 1000.0
"""Of a reflecting layer. [km]"""


@dataclass(frozen=True)
class StationSetup:
    """What stands between radio and antenna, and what is asked of the sky.

    Attributes
    ----------
    line : Line or None
        From radio to feed point; None: the radio is at the feed point.
    tuner : LNetwork, PiNetwork, TNetwork, WindowMatcher or None
    tuner_at : "feed point" or "shack"
    swr_limit : float
        SWR at a network's input up to which it copes, > 1; its settings aim at 1.05.
    transformer : Transformer or None
        At the feed point.
    transmitter_power : float or None
        What the radio gives into its reference; None: the answer's power. [W]
    noise : str
        Class of man-made noise of ITU-R P.372.
    receiver_noise : float
        Noise figure of the receiver, at least 0. [dB]
    virtual_height : float
        Of the layer that reflects. [m]
    assumptions : tuple of Assumption
        What was not told of what is there, the worst first.

    Raises
    ------
    SolverError
        If a value is out of range.
    """

    line: Line | None = None
    tuner: Network | WindowMatcher | None = None
    tuner_at: str = AT_FEED_POINT
    swr_limit: float = DEFAULT_SWR_LIMIT
    transformer: Transformer | None = None
    transmitter_power: float | None = None
    noise: str = DEFAULT_NOISE
    receiver_noise: float = DEFAULT_RECEIVER_NOISE
    virtual_height: float = DEFAULT_HEIGHT
    assumptions: tuple[Assumption, ...] = ()

    def __post_init__(self) -> None:
        for name, kinds in (
            ("line", Line), ("tuner", Network | WindowMatcher), ("transformer", Transformer)
        ):  # fmt: skip
            value = getattr(self, name)
            if value is not None and not isinstance(value, kinds):
                raise SolverError(f"{name} of the station is {value!r}, which is none.")
        for name, allowed in (("tuner_at", PLACES), ("noise", NOISE_NAMES)):
            if getattr(self, name) not in allowed:
                raise SolverError(
                    f"{name} of the station is {getattr(self, name)!r}; it must be one of "
                    f"{', '.join(map(repr, allowed))}."
                )
        require_value(self.swr_limit, what="swr_limit of the station", unit="", above=1.0)
        require_value(self.receiver_noise, what="receiver_noise", unit="dB", least=0.0)
        if self.transmitter_power is not None:
            require_value(self.transmitter_power, what="transmitter_power", unit="W", above=0.0)
        height = require_value(self.virtual_height, what="virtual_height", unit="m", above=0.0)
        if not LOWEST <= height / 1e3 <= HIGHEST:
            raise SolverError(
                f"virtual_height is {height:g} m; layers reflect from {LOWEST:g} to {HIGHEST:g} "
                "km up. Give metres, as 300e3."
            )

    @property
    def has_chain(self) -> bool:
        """Whether anything stands between radio and antenna."""
        return any(part is not None for part in (self.line, self.tuner, self.transformer))


def tells_station(file: AtticFile) -> bool:
    """Whether a file says anything of what this module reads."""
    station = file.document.get("station", {})
    told = isinstance(station, dict) and any(key in station for key in STATION_KEYS)
    return told or any(file.has(name) for name in STATION_TABLES)


def read_station(file: AtticFile) -> StationSetup:
    """What an attic file tells of the station; see the module for its tables.

    Raises
    ------
    AtticFileError
        If a key or value cannot be used: file, line, table, key, value and what is allowed.
    """
    assumed: list[Assumption] = []
    line = _read_line(file.table("line"), assumed) if file.has("line") else None
    tuner, at, limit = None, AT_FEED_POINT, DEFAULT_SWR_LIMIT
    if file.has("tuner"):
        tuner, at, limit = _read_tuner(file.table("tuner"), assumed, has_line=line is not None)
    transformer = (
        _read_transformer(file.table("transformer"), assumed) if file.has("transformer") else None
    )
    station = file.table("station")
    power = station.number("transmitter_power", None, least=1e-3, most=1e4, unit="W")
    noise = station.choice("noise", NOISE_NAMES, None)
    receiver = station.number("receiver_noise", None, least=0.0, most=60.0, unit="dB")
    height = _read_height(station)
    if power is None:
        assumed.append(
            Assumption("transmitter", "the watts told for the feed point", "not told", 0.05)
        )
    if noise is None:
        noise = DEFAULT_NOISE
        assumed.append(Assumption("noise from outside", f"{noise} area", "not told", 0.1))
    if receiver is None:
        receiver = DEFAULT_RECEIVER_NOISE
        value = f"noise figure {receiver:g} dB"
        assumed.append(Assumption("receiver", value, "not told; common practice", 0.05))
    if height is None:
        height = DEFAULT_HEIGHT
        value = f"reflects as from {height / 1e3:g} km up"
        assumed.append(Assumption("layer", value, "not told", 0.05))
    return StationSetup(
        line=line,
        tuner=tuner,
        tuner_at=at,
        swr_limit=float(limit),
        transformer=transformer,
        transmitter_power=None if power is None else float(power),
        noise=noise,
        receiver_noise=float(receiver),
        virtual_height=height,
        assumptions=tuple(sorted(assumed, key=lambda a: -a.weight)),
    )


@contextmanager
def _blamed(table: FileTable, key: str | None) -> Iterator[None]:
    """Turn what a part complains about into an error with the line of a key."""
    try:
        yield
    except AtticFileError:
        raise
    except (GeometryError, MaterialError, SolverError) as error:
        raise table.error(key, str(error)) from error


def _read_height(station: FileTable) -> float | None:
    told = station.take("virtual_height", None)
    if told is None:
        return None
    match = re.fullmatch(r"\s*(\d+(?:\.\d+)?)\s*km\s*", told) if isinstance(told, str) else None
    if match is None or not LOWEST <= float(match[1]) <= HIGHEST:
        raise station.error(
            "virtual_height", f'must be text of {LOWEST:g} to {HIGHEST:g} km, as "300 km".'
        )
    return 1e3 * float(match[1])


# ---- the line ----------------------------------------------------------------------------

_OWN_KEYS = ("velocity_factor", "loss", "attenuation")


def _read_line(table: FileTable, assumed: list[Assumption]) -> Line:
    ways = [key for key in ("type", "impedance", "open_wire") if table.has(key)]
    if len(ways) != 1:
        raise table.error(
            ways[1] if ways else None,
            'give one of type (as "RG-58"), impedance and open_wire'
            + (f"; {ways[0]} stands there too." if ways else "."),
        )
    way = ways[0]
    length = table.length("length", least=0.01, most=1000.0)
    here = [key for key in _OWN_KEYS if table.has(key)]
    allowed = {"type": (), "impedance": _OWN_KEYS, "open_wire": ("velocity_factor",)}[way]
    for key in here:
        if key not in allowed:
            raise table.error(key, f"stands beside {way}, which says it already; leave one out.")
    if way == "type":
        with _blamed(table, "type"):
            found = Line.named(table.string("type"), length=length)
    elif way == "open_wire":
        found = _read_open_wire(table, length, assumed)
    else:
        found = _read_own_line(table, length)
    table.finish()
    return found


def _read_own_line(table: FileTable, length: Any) -> Line:
    ohms = table.number("impedance", least=1.0, most=2000.0, unit="ohm")
    speed = table.number("velocity_factor", least=0.1, most=1.0)
    losses = [key for key in ("loss", "attenuation") if table.has(key)]
    if len(losses) != 1:
        raise table.error(
            losses[1] if losses else None,
            "give the loss of the line one way, loss = [k1, k2] or attenuation = [[MHz, dB per "
            "100 m], [MHz, dB per 100 m]].",
        )
    how = losses[0]
    if how == "loss":
        k1, k2 = _pair(table, "loss", least=0.0, most=1000.0, rising=False)
        with _blamed(table, "loss"):
            return Line.of(float(ohms), length=length, velocity_factor=speed, k1=k1, k2=k2)
    points = table.take("attenuation")
    if not (
        isinstance(points, list)
        and len(points) == 2
        and all(isinstance(p, list) and len(p) == 2 and all(map(_is_number, p)) for p in points)
    ):
        raise table.error(how, "must be two points of MHz and dB per 100 m, [[3.5, 2.9], [28, 9]].")
    with _blamed(table, how):
        kind = LineType.from_attenuation(
            "line",
            [(1e6 * f, float(level)) for f, level in points],
            impedance=float(ohms),
            velocity_factor=speed,
        )
    return Line(kind, length=length)


def _read_open_wire(table: FileTable, length: Any, assumed: list[Assumption]) -> Line:
    told = table.take("open_wire")
    if not isinstance(told, dict):
        raise table.error("open_wire", 'must be {spacing = "100 mm", wire = "2 mm copper"}.')
    inner = FileTable(table.file, (*table.path, "open_wire"), told)
    spacing = inner.length("spacing", least=2e-3, most=1.0)
    with _blamed(inner, "wire"):
        wire = WireKind.from_text(inner.string("wire"))
    inner.finish()
    speed = table.number("velocity_factor", None, least=0.1, most=1.0)
    if speed is None and wire.jacket is not None:
        raise inner.error("wire", "has a jacket, which slows the wave; say velocity_factor too.")
    if speed is None:
        speed = 1.0
        assumed.append(Assumption("line", "velocity factor 1, wires in air", "not told", 0.05))
    with _blamed(table, "open_wire"):
        return Line.open_wire(
            spacing,
            wire_radius=wire.metal_radius,
            length=length,
            conductor=wire.conductor or "copper",
            velocity_factor=float(speed),
        )


# ---- the transformer ---------------------------------------------------------------------


def _read_transformer(table: FileTable, assumed: list[Assumption]) -> Transformer:
    ratio = table.take("ratio")
    if isinstance(ratio, str):
        match = re.fullmatch(r"\s*(\d+(?:\.\d+)?)\s*:\s*(\d+(?:\.\d+)?)\s*", ratio)
        parts = (0.0, 1.0) if match is None else (float(match[1]), float(match[2]))
        number = parts[0] / parts[1] if parts[1] else 0.0
    else:
        number = float(ratio) if _is_number(ratio) else 0.0
    if not 1e-3 <= number <= 1e3:
        raise table.error(
            "ratio", 'must be a ratio of impedances, antenna over radio, as "49:1", up to 1000:1.'
        )
    parts_told: dict[str, Any] = {}
    for key in ("magnetising_inductance", "leakage_inductance"):
        value = table.take(key, None)
        if value is not None:
            parts_told[key] = value
    quality = table.number("magnetising_q", None, least=0.01, most=1e6)
    winding = table.number("winding_resistance", None, least=0.0, most=1000.0, unit="ohm")
    if quality is not None:
        if "magnetising_inductance" not in parts_told:
            raise table.error("magnetising_q", "needs magnetising_inductance beside it.")
        parts_told["magnetising_q"] = float(quality)
    if winding is not None:
        parts_told["winding_resistance"] = float(winding)
    table.finish()
    found = Transformer(number)
    for key, value in parts_told.items():  # one by one, so that the key at fault is named
        with _blamed(table, key):
            extra = {"magnetising_inductance": parts_told.get("magnetising_inductance")}
            found = Transformer(number, **{**extra, key: value})
    found = Transformer(number, **parts_told)
    if not parts_told:
        assumed.append(Assumption("transformer", "without loss or reactance", "not told", 0.3))
    elif "magnetising_inductance" in parts_told and quality is None:
        assumed.append(Assumption("transformer", "core without loss", "no Q told", 0.3))
    return found


# ---- the tuner ---------------------------------------------------------------------------


def _read_tuner(
    table: FileTable, assumed: list[Assumption], *, has_line: bool
) -> tuple[Network | WindowMatcher, str, float]:
    kind = table.choice("kind", KINDS)
    at = table.choice("at", PLACES, None)
    if at is None:
        at = AT_FEED_POINT
        if has_line:
            assumed.append(Assumption("tuner", "at the feed point", "not told", 0.3))
    if kind == "window":
        tuner: Network | WindowMatcher = _read_window(table)
        table.finish()
        return tuner, at, DEFAULT_SWR_LIMIT
    limit = table.number("swr_limit", DEFAULT_SWR_LIMIT, least=1.001, most=10.0)
    coil = _read_part(table, "coil", assumed)
    if kind == "L":
        capacitor = _read_part(table, "capacitor", assumed)
        arrangements = table.take("arrangements", None)
        table.finish()
        if arrangements is None:
            return LNetwork(coil, capacitor), at, limit
        if not isinstance(arrangements, list) or not all(isinstance(a, str) for a in arrangements):
            raise table.error("arrangements", "must be a list of texts.")
        with _blamed(table, "arrangements"):
            return LNetwork(coil, capacitor, topologies=tuple(arrangements)), at, limit
    both = _read_part(table, "capacitor", assumed) if table.has("capacitor") else None
    ends = []
    for key in ("input_capacitor", "load_capacitor"):
        if both is not None and table.has(key):
            raise table.error(key, "stands beside capacitor, which tells of both; keep one way.")
        ends.append(_read_part(table, key, assumed) if both is None else both)
    table.finish()
    network = PiNetwork if kind == "pi" else TNetwork
    return network(ends[0], coil, ends[1]), at, limit


def _read_part(table: FileTable, key: str, assumed: list[Assumption]) -> Any:
    """A CoilRange or CapacitorRange from its range, step and Q."""
    is_coil = key == "coil"
    make = CoilRange if is_coil else CapacitorRange
    example = '["0.05 uH", "30 uH"]' if is_coil else '["10 pF", "1.2 nF"]'
    told = table.take(key)
    if not isinstance(told, list) or len(told) != 2:
        raise table.error(key, f"must be its two ends, low end first, {example}.")
    for n, end in enumerate(told):
        # A bare 30 would be henries, which nobody means.
        if not (isinstance(end, str) or (_is_number(end) and end == 0)):
            raise table.error(key, f"must be 0 or text with a unit, as {example}.", item=n)
    with _blamed(table, key):
        make(*told)
    step = table.take(f"{key}_step", None)
    if step is not None and not isinstance(step, str):
        raise table.error(f"{key}_step", "must be text with a unit, as the ends of the range.")
    with _blamed(table, f"{key}_step"):
        make(*told, step=step)
    q = table.number(f"{key}_q", None, least=1.0, most=1e6)
    if q is None:
        q = DEFAULT_COIL_Q if is_coil else DEFAULT_CAPACITOR_Q
        what = f"Q of the tuner's {key.replace('_', ' ')}"
        assumed.append(Assumption(what, f"{q:g}", "not told; common practice", 0.2))
    return make(*told, step=step, q=float(q))


def _read_window(table: FileTable) -> WindowMatcher:
    name = table.string("name", "tuner")
    limits: dict[str, Any] = {}
    for key, low, rule in (("resistance", 0.0, 1.0), ("reactance", -1e5, 1.0),
                           ("frequencies", 0.1, 1e6)):  # fmt: skip
        if table.has(key):
            ends = _pair(table, key, least=low, most=1e5, rising=True)
            limits[key] = tuple(rule * end for end in ends)
    ratio = table.number("swr", None, least=1.001, most=1e4)
    if ratio is None and not {"resistance", "reactance"} & limits.keys():
        raise table.error(None, "tells no window; give resistance and reactance, or swr.")
    power = table.number("power", least=1e-3, most=1e4, unit="W")
    volts = table.number("peak_voltage", None, least=1.0, most=1e5, unit="V")
    loss = table.number("loss_db", least=0.0, most=30.0, unit="dB")
    with _blamed(table, None):
        return WindowMatcher(
            name,
            swr=ratio,
            power=float(power),
            peak_voltage=volts,
            loss_db=float(loss),
            **limits,
        )


def _pair(
    table: FileTable, key: str, *, least: float, most: float, rising: bool
) -> tuple[float, float]:
    told = table.take(key)
    rule = f"must be two numbers, {least:g} to {most:g}{', the smaller first' * rising}."
    if not (isinstance(told, list) and len(told) == 2 and all(map(_is_number, told))):
        raise table.error(key, rule)
    low, high = map(float, told)
    in_range = all(least <= end <= most and math.isfinite(end) for end in (low, high))
    if not in_range or (rising and not low < high):
        raise table.error(key, rule)
    return low, high


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)
