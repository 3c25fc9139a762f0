"""Amateur bands by ITU region, and any other range of frequencies that a person asks for."""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from .errors import BandError

LOWEST, HIGHEST = 0.1e6, 300e6
"""Frequencies that can be computed. [Hz]"""

REGIONS = (1, 2, 3)

_RADIO_REGULATIONS = "ITU Radio Regulations as tabulated by IARU Region 1"

EDGES: dict[str, tuple[tuple[tuple[float, float], ...], str]] = {
    "160 m": (((1.81, 2.0), (1.8, 2.0), (1.8, 2.0)), "ITU Radio Regulations (from memory)"),
    "80 m": (
        ((3.5, 3.8), (3.5, 4.0), (3.5, 3.9)),
        f"{_RADIO_REGULATIONS}; 75 m is its upper part in Region 2",
    ),
    "60 m": (
        ((5.3515, 5.3665), (5.3515, 5.3665), (5.3515, 5.3665)),
        "World Radiocommunication Conference 2015, secondary, 15 W e.i.r.p. (from memory)",
    ),
    "40 m": (
        ((7.0, 7.2), (7.0, 7.3), (7.0, 7.2)),
        f"{_RADIO_REGULATIONS}; Region 2 47 CFR 97.301; Region 3 from memory",
    ),
    "30 m": (
        ((10.1, 10.15), (10.1, 10.15), (10.1, 10.15)),
        f"{_RADIO_REGULATIONS}; 47 CFR 97.301(b)",
    ),
    "20 m": (
        ((14.0, 14.35), (14.0, 14.35), (14.0, 14.35)),
        f"{_RADIO_REGULATIONS}; 47 CFR 97.301",
    ),
    "17 m": (
        ((18.068, 18.168), (18.068, 18.168), (18.068, 18.168)),
        f"{_RADIO_REGULATIONS}; 47 CFR 97.301",
    ),
    "15 m": (
        ((21.0, 21.45), (21.0, 21.45), (21.0, 21.45)),
        f"{_RADIO_REGULATIONS}; 47 CFR 97.301",
    ),
    "12 m": (((24.89, 24.99), (24.89, 24.99), (24.89, 24.99)), "from memory"),
    "10 m": (((28.0, 29.7), (28.0, 29.7), (28.0, 29.7)), "from memory"),
    "6 m": (((50.0, 52.0), (50.0, 54.0), (50.0, 54.0)), "ITU Radio Regulations (from memory)"),
}  # fmt: skip
"""Band edges in Regions 1, 2, 3, and where they come from. National rules may allow less. [MHz]"""

_ONLY_BY_NAME = ("160 m", "6 m")

_NAME = re.compile(r"(\d+)\s*(?:m|metres?|meters?)?", re.IGNORECASE)
_NUMBER = r"(\d+(?:\.\d*)?|\.\d+)"
_RANGE = re.compile(
    rf"{_NUMBER}\s*(kHz|MHz)?\s*(?:-|\u2013|to)\s*{_NUMBER}\s*(kHz|MHz)", re.IGNORECASE
)


@dataclass(frozen=True)
class Band:
    """A range of frequencies with a name.

    Attributes
    ----------
    name : str
        "40 m", or the range itself.
    low, high : float
        Edges. [Hz]
    region : int or None
        ITU region whose edges these are; None for a range of one's own.
    source : str
        Where the edges come from.
    """

    name: str
    low: float
    high: float
    region: int | None = None
    source: str = ""

    def __post_init__(self) -> None:
        if not (math.isfinite(self.low) and math.isfinite(self.high)):
            raise BandError(f"Range {self.name!r}: its edges must be finite numbers in hertz.")
        if not self.low < self.high:
            raise BandError(
                f"Range {self.name!r} runs from {self.low / 1e6:g} to {self.high / 1e6:g} MHz; "
                "its low edge comes first and must lie below its high edge."
            )
        if self.low < LOWEST or self.high > HIGHEST:
            raise BandError(
                f"Range {self.name!r} runs from {self.low / 1e6:g} to {self.high / 1e6:g} MHz; "
                f"{LOWEST / 1e6:g} to {HIGHEST / 1e6:g} MHz can be computed. A pair of numbers is "
                "in hertz; text has a unit, as in '14.0-14.35 MHz'."
            )

    @property
    def centre(self) -> float:
        """Middle between the edges. [Hz]"""
        return 0.5 * (self.low + self.high)

    @property
    def width(self) -> float:
        """[Hz]"""
        return self.high - self.low

    def __str__(self) -> str:
        span = f"{self.low / 1e6:g}-{self.high / 1e6:g} MHz"
        return span if self.name == span else f"{self.name} ({span})"

    @classmethod
    def named(cls, name: str, *, region: int = 1) -> Band:
        """An amateur band.

        Parameters
        ----------
        name : str
            "40 m"; "40m", "40" and "40 metres" mean the same.
        region : int
            ITU region, 1, 2 or 3.

        Raises
        ------
        BandError
            If there is no such band or region.

        Examples
        --------
        >>> print(Band.named("40 m", region=2))
        40 m (7-7.3 MHz)
        """
        if isinstance(region, bool) or region not in REGIONS:
            raise BandError(
                f"ITU region is {region!r}; it must be 1 (Europe, Africa, the Middle East, "
                "northern Asia), 2 (the Americas) or 3 (the rest of Asia, Oceania)."
            )
        match = _NAME.fullmatch(name.strip())
        known = f"{match[1]} m" if match else name
        if known not in EDGES:
            near = difflib.get_close_matches(known, EDGES, n=1, cutoff=0.7)
            hint = f"Is {near[0]!r} meant? " if near else ""
            if known == "75 m":
                hint = "It is the upper part of '80 m'. "
            raise BandError(
                f"There is no band {name!r}. {hint}Bands are: {', '.join(EDGES)}; any other range "
                "goes as '14.0-14.35 MHz' or as a pair in hertz."
            )
        edges, source = EDGES[known]
        low, high = edges[region - 1]
        return cls(known, float(round(low * 1e6)), float(round(high * 1e6)), region, source)


def band_names() -> tuple[str, ...]:
    """Names of the bands that are meant where none is named, 80 m to 10 m, lowest first."""
    return tuple(name for name in EDGES if name not in _ONLY_BY_NAME)


def known_band_names() -> tuple[str, ...]:
    """Names of all bands that can be asked for, 160 m to 6 m, lowest first."""
    return tuple(EDGES)


def read_band(asked: Band | str | Sequence[float], *, region: int = 1) -> Band:
    """One band from whatever a person gave.

    Parameters
    ----------
    asked : Band, str or pair of float
        "40 m", "14.0-14.35 MHz", or (low, high). [Hz]
    region : int
        ITU region of named bands.

    Raises
    ------
    BandError
        If it is neither, or out of range.

    Examples
    --------
    >>> read_band((5.0e6, 5.5e6)).name
    '5-5.5 MHz'
    """
    if isinstance(asked, Band):
        return asked
    if isinstance(asked, str):
        match = _RANGE.fullmatch(asked.strip())
        if match is None:
            return Band.named(asked, region=region)
        units = {"khz": 1e3, "mhz": 1e6}
        high_unit = units[match[4].lower()]
        low_unit = units[match[2].lower()] if match[2] else high_unit
        pair = (float(match[1]) * low_unit, float(match[3]) * high_unit)
    else:
        try:
            pair = tuple(float(edge) for edge in asked)
        except (TypeError, ValueError):
            pair = ()
        if len(pair) != 2:
            raise BandError(
                f"{asked!r} is no band: give a name as '40 m', a text as '14.0-14.35 MHz', or a "
                "pair (low, high) in hertz."
            )
    low, high = pair
    return Band(f"{low / 1e6:g}-{high / 1e6:g} MHz", low, high)


def read_bands(
    asked: Sequence[Band | str | Sequence[float]] | str | Band, *, region: int = 1
) -> tuple[Band, ...]:
    """Several bands, in the order asked for; see `read_band`.

    Raises
    ------
    BandError
        If there is none, or one is asked for twice.
    """
    if isinstance(asked, str | Band):
        asked = [asked]
    if not isinstance(asked, Iterable):
        raise BandError(
            f"bands is {asked!r}; give a list of names as '40 m', of texts as '14.0-14.35 MHz', or "
            "of pairs (low, high) in hertz."
        )
    bands = tuple(read_band(one, region=region) for one in asked)
    if not bands:
        raise BandError(f"No band is asked for; name some of {', '.join(EDGES)}.")
    for n, band in enumerate(bands):
        if any(band.name == other.name for other in bands[:n]):
            raise BandError(f"Band {band.name!r} is asked for twice; leave one out.")
    return bands
