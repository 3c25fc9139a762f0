"""A small attic as text, whose parts tests put together."""

from __future__ import annotations

ROOM = """
[attic]
size = ["9.1 m", "6.3 m"]
ceiling_height = "4.9 m"
ridge_height = "8.2 m"
eaves_height = "5.3 m"
ridge_bearing = 37
"""

LONG = """[antenna]
feed_point = ["2.1 m", "2.5 m", "0 m"]
wire = "2.5 mm2 copper, bare"
[[element]]
name = "long"
route = [["2.1 m", "3.0 m", "2.6 m"], ["8.4 m", "3.1 m", "2.7 m"]]
length = "8.3 m"
"""

RADIALS = """[counterpoise]
radials = 3
length = "3.4 m"
start_bearing = 30
"""

MEDIUM_DRY = """[earth]
ground = "medium dry ground"
"""

ON_20_M = """[bands]
wanted = ["20 m"]
"""

ATTIC = ROOM + LONG + RADIALS + MEDIUM_DRY + ON_20_M
"""One wire over three radials, on one band, in a house that is not told of."""


def named(text: str, name: str = "the small house") -> str:
    """The same house with a name."""
    return text.replace("[attic]\n", f'[attic]\nname = "{name}"\n', 1)
