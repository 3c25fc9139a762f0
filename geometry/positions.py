"""Where each key of a TOML text stands.

The standard parser keeps no positions. This scanner walks a text that the
parser has already accepted and notes, for every table, key and array item, its
line and the span of its value. It then checks itself against the parsed
document: every path must be found, and every span, parsed alone, must give the
value that the parser gave. One disagreement anywhere and it reports no position
at all, so that a message may lack a line but never carries a wrong one.
"""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass
from typing import Any

__all__ = ["Place", "TomlPath", "locate", "normalised"]

TomlPath = tuple[str | int, ...]

_BARE = re.compile(r"[A-Za-z0-9_-]+")
_BLANK = " \t"


@dataclass(frozen=True)
class Place:
    """A place in a text.

    Attributes
    ----------
    line : int
        Line of the key (of the header, for a table; of the value, for an array item), from 1.
    start, end : int
        Span of the value in the text (of the header's line, for a table), in characters.
    """

    line: int
    start: int
    end: int


def normalised(text: str) -> str:
    """The text as the parser sees it: without byte-order mark, lines ended by a line feed.

    Parameters
    ----------
    text : str
        TOML text with any line ends.

    Returns
    -------
    str
    """
    return text.removeprefix("\ufeff").replace("\r\n", "\n")


def locate(text: str, document: dict[str, Any] | None = None) -> dict[TomlPath, Place]:
    """Positions of all tables, keys and array items of a valid TOML text.

    Parameters
    ----------
    text : str
        TOML text, as `normalised` returns it.
    document : dict, optional
        What `tomllib.loads(text)` gave; parsed here when left out.

    Returns
    -------
    dict of path to Place
        A path is a tuple of keys and array indices, ``("element", 1, "length")``.
        Empty when the scan does not agree with the parser in every value.

    Raises
    ------
    tomllib.TOMLDecodeError
        If the text is no TOML and `document` was left out.
    """
    if document is None:
        document = tomllib.loads(text)
    scan = _Scan(text)
    try:
        scan.run()
    except (IndexError, ValueError):
        return {}
    return scan.places if _agrees(scan, document) else {}


class _Scan:
    """One pass over a valid text; fails with IndexError or ValueError on what it cannot follow."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.places: dict[TomlPath, Place] = {}
        self.headers: set[TomlPath] = set()
        self.counts: dict[TomlPath, int] = {}
        self.line_starts = [0] + [i + 1 for i, c in enumerate(text) if c == "\n"]

    def line(self, at: int) -> int:
        low, high = 0, len(self.line_starts)
        while high - low > 1:
            middle = (low + high) // 2
            if self.line_starts[middle] <= at:
                low = middle
            else:
                high = middle
        return low + 1

    def run(self) -> None:
        table: TomlPath = ()
        while True:
            self.skip(newlines=True)
            if self.at >= len(self.text):
                return
            if self.text[self.at] == "[":
                table = self.header()
            else:
                self.pair(table)
            self.skip(newlines=False)
            if self.at < len(self.text) and self.text[self.at] != "\n":
                raise ValueError("more on the line than a key and a value")

    def skip(self, *, newlines: bool) -> None:
        """Pass blanks and a comment; line ends too where they mean nothing."""
        blank = _BLANK + "\n" if newlines else _BLANK
        while self.at < len(self.text):
            if self.text[self.at] in blank:
                self.at += 1
            elif self.text[self.at] == "#":
                end = self.text.find("\n", self.at)
                self.at = len(self.text) if end < 0 else end
            else:
                return

    def expect(self, what: str) -> None:
        if not self.text.startswith(what, self.at):
            raise ValueError(f"no {what!r} where one was due")
        self.at += len(what)

    def header(self) -> TomlPath:
        start = self.at
        many = self.text.startswith("[[", self.at)
        self.expect("[[" if many else "[")
        self.skip(newlines=False)
        keys = self.key()
        self.skip(newlines=False)
        self.expect("]]" if many else "]")
        path: TomlPath = ()
        for key in keys[:-1]:
            path = self.resolved((*path, key))
        path = (*path, keys[-1])
        place = Place(self.line(start), start, self.at)
        if many:
            count = self.counts.get(path, 0)
            self.counts[path] = count + 1
            self.places.setdefault(path, place)
            path = (*path, count)
        self.places[path] = place
        self.headers.add(path)
        return path

    def resolved(self, path: TomlPath) -> TomlPath:
        """A header's prefix means the last table of an array of tables."""
        count = self.counts.get(path)
        return path if count is None else (*path, count - 1)

    def key(self) -> list[str]:
        parts = []
        while True:
            self.skip(newlines=False)
            if self.text[self.at] in "\"'":
                start = self.at
                self.string()
                parts.append(tomllib.loads("v = " + self.text[start : self.at])["v"])
            else:
                match = _BARE.match(self.text, self.at)
                if match is None:
                    raise ValueError("no key")
                parts.append(match.group())
                self.at = match.end()
            self.skip(newlines=False)
            if self.text[self.at] != ".":
                return parts
            self.at += 1

    def pair(self, table: TomlPath) -> None:
        line = self.line(self.at)
        keys = self.key()
        self.expect("=")
        self.skip(newlines=False)
        path = (*table, *keys)
        start = self.at
        self.value(path)
        self.places[path] = Place(line, start, self.at)
        for n in range(1, len(keys)):  # tables made by dotted keys
            self.places.setdefault((*table, *keys[:n]), Place(line, start, self.at))

    def value(self, path: TomlPath) -> None:
        first = self.text[self.at]
        if first in "\"'":
            self.string()
        elif first == "[":
            self.array(path)
        elif first == "{":
            self.inline_table(path)
        else:
            while self.at < len(self.text) and self.text[self.at] not in ",]}#\n":
                self.at += 1
            while self.text[self.at - 1] in _BLANK:
                self.at -= 1

    def string(self) -> None:
        quote = self.text[self.at]
        if self.text.startswith(quote * 3, self.at):
            self.at += 3
            while not self.text.startswith(quote * 3, self.at):
                self.at += 2 if quote == '"' and self.text[self.at] == "\\" else 1
                if self.at >= len(self.text):
                    raise ValueError("a string without an end")
            self.at += 3
            while self.text.startswith(quote, self.at):  # up to two quotes may close the text
                self.at += 1
            return
        self.at += 1
        while self.text[self.at] != quote:
            self.at += 2 if quote == '"' and self.text[self.at] == "\\" else 1
        self.at += 1

    def array(self, path: TomlPath) -> None:
        self.expect("[")
        count = 0
        while True:
            self.skip(newlines=True)
            if self.text[self.at] == "]":
                break
            start = self.at
            self.value((*path, count))
            self.places[(*path, count)] = Place(self.line(start), start, self.at)
            count += 1
            self.skip(newlines=True)
            if self.text[self.at] != ",":
                break
            self.at += 1
        self.expect("]")

    def inline_table(self, path: TomlPath) -> None:
        self.expect("{")
        self.skip(newlines=False)
        while self.text[self.at] != "}":
            self.pair(path)
            self.skip(newlines=False)
            if self.text[self.at] != ",":
                break
            self.at += 1
            self.skip(newlines=False)
        self.expect("}")


def _agrees(scan: _Scan, document: dict[str, Any]) -> bool:
    """Whether the scan found what the parser found, path by path and value by value."""
    expected: dict[TomlPath, Any] = {}

    def walk(path: TomlPath, value: Any) -> None:
        if path:
            expected[path] = value
        items = value.items() if isinstance(value, dict) else enumerate(value)
        for key, item in items:
            if isinstance(item, dict | list):
                walk((*path, key), item)
            else:
                expected[(*path, key)] = item

    walk((), document)
    for path, value in expected.items():
        place = scan.places.get(path)
        if place is None:
            if not (isinstance(value, dict) and _has_children(scan, path)):
                return False  # only a table that is named by its sub-tables alone has no place
            continue
        if not isinstance(value, dict | list):
            piece = scan.text[place.start : place.end]
            try:
                found = tomllib.loads("v = " + piece)["v"]
            except tomllib.TOMLDecodeError:
                return False
            if type(found) is not type(value) or repr(found) != repr(value):
                return False
        elif path in scan.headers and not _header_names(scan.text[place.start : place.end], path):
            return False
    return all(path in expected for path in scan.places)


def _has_children(scan: _Scan, path: TomlPath) -> bool:
    return any(len(other) > len(path) and other[: len(path)] == path for other in scan.places)


def _header_names(header: str, path: TomlPath) -> bool:
    """Whether a header, parsed alone, opens the table of this path."""
    try:
        node: Any = tomllib.loads(header)
    except tomllib.TOMLDecodeError:
        return False
    for key in (key for key in path if isinstance(key, str)):
        if isinstance(node, list):
            node = node[0]
        if key not in node:
            return False
        node = node[key]
    return node in ({}, [{}])
