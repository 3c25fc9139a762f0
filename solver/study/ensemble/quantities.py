"""Figures that an ensemble gives, and what people call them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

PARTS = (0.1, 0.5, 0.9)
"""Of the cases that lie below the three values told of every figure."""

CURVES = ("resistance", "reactance", "swr")
"""Figures that are known at all points of a band."""

DECIDING = ("reflection", "reactance", "efficiency")
"""Figures by which it is weighed what is worth measuring: whether it loads, how long the elements
are, and what it is good for. A choice; the reflection coefficient stands for the SWR, which runs
away where hardly any power is taken."""


@dataclass(frozen=True)
class Quantity:
    """A figure of a band.

    Attributes
    ----------
    name : str
    words : str
        What tables call it.
    unit : str
        "ohm", "V", or "" of parts of one and ratios.
    style : {"ohm", "swr", "part", "volt", "ratio"}
        How it is written.
    question : int
        Which of the five questions it answers.
    about : str
        In a sentence.
    """

    name: str
    words: str
    unit: str
    style: str
    question: int
    about: str


_ALL = (
    Quantity("resistance", "R", "ohm", "ohm", 1, "Resistance at the feed point, at the centre."),
    Quantity("reactance", "X", "ohm", "ohm", 1, "Reactance at the feed point, at the centre."),
    Quantity("swr", "SWR", "", "swr", 1, "SWR at the centre."),
    Quantity("best swr", "best SWR", "", "swr", 1, "Lowest SWR at the band's points."),
    Quantity("worst swr", "worst SWR", "", "swr", 1, "Highest SWR at the band's points."),
    Quantity("reflection", "|reflection|", "", "ratio", 1, "Size of the reflection coefficient at "
             "the centre."),
    Quantity("feed voltage", "feed volts", "V", "volt", 1, "RMS across the feed point."),
    Quantity("tuner copes", "tuner copes", "", "part", 1, "Whether the tuner copes, at the centre; "
             "of many cases, in which part of them."),
    Quantity("tuner loss", "lost in the tuner", "", "part", 1, "Part of the radio's power lost in "
             "the tuner."),
    Quantity("efficiency", "sky", "", "part", 2, "Part of the input that is radiated."),
    Quantity("earth", "earth", "", "part", 2, "Part of the input that goes into the earth; what "
             "is left of it after all else."),
    Quantity("conductors", "wire, metal", "", "part", 2, "Part of the input lost in conductors."),
    Quantity("jackets", "jackets", "", "part", 2, "Part of the input lost in jackets."),
    Quantity("timbers", "timber, boards", "", "part", 2, "Part of the input lost in timber and "
             "sheets."),
    Quantity("loads", "loads", "", "part", 2, "Part of the input lost in loads."),
    Quantity("sent", "sky, of the radio's power", "", "part", 2, "Part of the radio's power that "
             "is radiated, line and tuner counted."),
    Quantity("low", "low angles", "", "part", 3, "Part of the radiated power below 30 degrees."),
    Quantity("middle", "middle", "", "part", 3, "Part of the radiated power from 30 to 60 "
             "degrees."),
    Quantity("high", "high angles", "", "part", 3, "Part of the radiated power above 60 degrees."),
)  # fmt: skip

QUANTITIES: Mapping[str, Quantity] = MappingProxyType({one.name: one for one in _ALL})
