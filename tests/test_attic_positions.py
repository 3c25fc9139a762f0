"""Positions of keys in a TOML text: right, or none at all."""

import tomllib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ridgepole.geometry import positions
from ridgepole.geometry.positions import locate, normalised

TRICKY = '''# [attic] in a comment, size = 3
"quoted [x]" = "a = [b] # no comment"  # a comment
a.'b.c'.d = 1

[plain]
many = [  # comment with ]
    "x]", 'y"', [1, 2],
    { deep = 3, "odd = key" = "}" },
]
text = """
[fake]
size = 9
ends with quotes \\""""""
raw = \'\'\'
[[fake]]
C:\\\'\'\'
day = 1979-05-27 07:32:00
[[row]]
n = 1
[row.sub]
k = -inf
[[row]]
n = 1   # same key, same value, another table
[[row.leaf]]
n = nan
[plain.below]
on = true'''


LINES = {
    ("quoted [x]",): 2,
    ("a", "b.c", "d"): 3,
    ("plain",): 5,
    ("plain", "many"): 6,
    ("plain", "many", 0): 7,
    ("plain", "many", 2, 1): 7,
    ("plain", "many", 3, "odd = key"): 8,
    ("plain", "text"): 10,
    ("plain", "raw"): 14,
    ("plain", "day"): 17,
    ("row", 0): 18,
    ("row", 0, "n"): 19,
    ("row", 0, "sub", "k"): 21,
    ("row", 1): 22,
    ("row", 1, "n"): 23,
    ("row", 1, "leaf", 0, "n"): 25,
    ("plain", "below", "on"): 27,
}


@pytest.mark.parametrize("ends", ["\n", "\r\n"])
@pytest.mark.parametrize("path", LINES, ids=str)
def test_line_of_each_kind_of_key(path, ends):
    text = normalised("\ufeff" + TRICKY.replace("\n", ends))
    assert locate(text)[path].line == LINES[path]


def test_span_holds_the_value_and_nothing_else():
    place = locate(TRICKY)["plain", "many", 3, "deep"]
    assert TRICKY[place.start : place.end] == "3"
    place = locate(TRICKY)["plain", "day"]
    assert TRICKY[place.start : place.end] == "1979-05-27 07:32:00"


def test_nothing_is_told_when_scan_and_parser_disagree():
    document = tomllib.loads(TRICKY)
    assert locate(TRICKY, document)
    document["row"][1]["n"] = 2  # a value the text does not hold
    assert locate(TRICKY, document) == {}


def test_a_scanner_that_loses_count_is_caught(monkeypatch):
    # plant a fault: strings end at the first quote, so "[x]" inside a text becomes a header
    monkeypatch.setattr(
        positions._Scan,
        "string",
        lambda self: setattr(self, "at", self.text.index('"', self.at + 1) + 1),
    )
    assert locate('a = "b\\"\\n"\nc = 1\n') == {}


KEYS = st.text(alphabet="ab.=[]#\"' \\", min_size=1, max_size=6)
SCALARS = st.one_of(
    st.integers(-9, 9), st.booleans(), st.text(alphabet="x=[]{}#\"'\n,\\ ", max_size=8)
)
VALUES = st.recursive(
    SCALARS,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(KEYS, inner, max_size=3),
    max_leaves=6,
)


def _quoted(text: str) -> str:
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n") + '"'


def _toml(value) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return _quoted(value)
    if isinstance(value, list):
        return "[ # [no.table]\n" + "".join(f"  {_toml(v)},\n" for v in value) + "]"
    if isinstance(value, dict):
        return "{" + ", ".join(f"{_quoted(k)} = {_inline(v)}" for k, v in value.items()) + "}"
    return str(value)


def _inline(value) -> str:
    return _toml(value).replace("[ # [no.table]\n", "[").replace(",\n", ",")


@settings(max_examples=150, deadline=None)
@given(st.lists(st.dictionaries(KEYS, VALUES, max_size=4), min_size=1, max_size=3))
def test_any_tables_are_found_where_they_were_written(tables):
    text, lines = "", {}
    for n, table in enumerate(tables):
        lines["t", n] = text.count("\n") + 1
        text += "[[t]]\n"
        for key, value in table.items():
            text += "# key = 1\n"
            lines["t", n, key] = text.count("\n") + 1
            text += f"{_quoted(key)} = {_toml(value)}\n"
    found = locate(text)
    assert {path: found[path].line for path in lines} == lines
