"""The attic file as text, tables and positions: one way of reading and of complaining.

Geometry reads its own tables through this, and the solver reads what is handed on to it
through the same, so that an unknown key or a value out of range sounds the same everywhere.
"""

from __future__ import annotations

import difflib
import math
import re
import tomllib
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any

from .errors import AtticFileError, FeedError, GeometryError
from .lengths import Length, metres
from .positions import Place, TomlPath, locate, normalised

__all__ = ["AtticFile", "FileTable"]

BUILDERS = (
    "joists", "rafters", "ridge_board", "trusses", "studs", "ceiling", "floor", "roof", "walls",
)  # fmt: skip
"""Tables that fill the attic by rule; each may stand once."""

SINGLES = (
    "timber", "sheet", "screen", "duct", "pipe", "gutter", "downpipe", "tank", "cable",
    "coax",
)  # fmt: skip
"""Tables of single pieces of the house."""

HOUSE_TABLES = ("house", *BUILDERS, *SINGLES)

OWN_TABLES = (
    "attic",
    "antenna",
    "element",
    "counterpoise",
    "wire",
    "dipole",
    "loop",
    "feed",
    "load",
    "room",
    "earth",
    *HOUSE_TABLES,
)  # fmt: skip


@dataclass(frozen=True, repr=False)
class AtticFile:
    """A parsed attic file with the positions of its keys.

    Attributes
    ----------
    name : str
        Path, for messages.
    text : str
        The TOML text, line ends as line feeds.
    document : dict
        What the standard parser made of it.
    places : dict of path to Place
        Lines and spans; empty where the scan and the parser disagree.
    other_tables : tuple of str
        Tables that belong to somebody else and are handed on unparsed.
    """

    name: str
    text: str
    document: dict[str, Any]
    places: dict[TomlPath, Place] = field(compare=False)
    other_tables: tuple[str, ...] = ()

    @classmethod
    def read(cls, path: str | Path, *, other_tables: Sequence[str] = ()) -> AtticFile:
        """Read a file.

        Raises
        ------
        AtticFileError
            If it cannot be read, is no TOML, or has a table that nobody knows.
        """
        try:
            text = Path(path).read_bytes().decode("utf-8")
        except FileNotFoundError:
            raise AtticFileError(
                f"{path}: there is no such file. Check the path; an example to start from comes "
                "with the package."
            ) from None
        except UnicodeDecodeError as error:
            raise AtticFileError(
                f"{path}: byte {error.start} is no UTF-8. Save the file as UTF-8 text."
            ) from None
        except OSError as error:
            raise AtticFileError(f"{path}: cannot be read ({error.strerror}).") from None
        return cls.from_text(text, name=str(path), other_tables=other_tables)

    @classmethod
    def from_text(
        cls, text: str, *, name: str = "attic text", other_tables: Sequence[str] = ()
    ) -> AtticFile:
        """The same from a text; see `read`."""
        text = normalised(text)
        try:
            document = tomllib.loads(text)
        except tomllib.TOMLDecodeError as error:
            line = re.search(r"line (\d+)", str(error))
            where = f"{name}, line {line[1]}" if line else name
            raise AtticFileError(
                f"{where}: the file is no valid TOML: {error}. "
                f"{_bare_point(text, line)}Text needs quotes, a list needs square brackets, and "
                "each key stands once."
            ) from None
        except RecursionError:
            raise AtticFileError(
                f"{name}: lists lie too deep in one another to be read. The deepest that is "
                "needed is a list of points, [[x, y, height], ...]."
            ) from None
        except ValueError as error:  # a number of thousands of digits
            raise AtticFileError(f"{name}: a value cannot be read: {error}.") from None
        try:
            places = locate(text, document)
        except RecursionError:
            places = {}
        file = cls(name, text, document, places, tuple(other_tables))
        file._check_tables()
        return file

    def _check_tables(self) -> None:
        known = (*OWN_TABLES, *self.other_tables)
        for key, value in self.document.items():
            if key in self.other_tables:
                continue
            if key not in OWN_TABLES:
                raise self.error(
                    (key,),
                    f"{'table' if isinstance(value, dict | list) else 'key'} {key!r} is not known. "
                    f"{nearest(key, known)}Tables are: {', '.join(known)}.",
                )
            if not isinstance(value, dict | list):
                raise self.error((key,), f"{key!r} is a value; it must be a table, [{key}].")

    @cached_property
    def for_solver(self) -> dict[str, Any]:
        """Tables that are handed on, as parsed, by name."""
        return {key: self.document[key] for key in self.other_tables if key in self.document}

    def position(self, table: str | TomlPath, key: str | int | None = None) -> int | None:
        """Line of a table, or of a key in it; None where unsure or where it is not there.

        Parameters
        ----------
        table : str or tuple
            "bands", or ("element", 1) for the second table of that name, or deeper.
        key : str, optional
        """
        path = (table,) if isinstance(table, str) else tuple(table)
        place = self.places.get(path if key is None else (*path, key))
        return None if place is None else place.line

    def error(self, path: TomlPath, problem: str) -> AtticFileError:
        """An error that names the file, the line of the path or of what it lies in, the table."""
        for depth in range(len(path), 0, -1):
            line = self.position(path[:depth])
            if line is not None:
                return AtticFileError(f"{self.name}, line {line}: {problem}")
        unsure = " (line not known)" if path and self.document else ""
        return AtticFileError(f"{self.name}{unsure}: {problem}")

    def has(self, name: str) -> bool:
        """Whether a table of that name is there."""
        return name in self.document

    def table(self, name: str) -> FileTable:
        """The one table of that name, empty if it is not there.

        Raises
        ------
        AtticFileError
            If it is a list of tables or no table.
        """
        values = self.document.get(name, {})
        if not isinstance(values, dict):
            raise self.error((name,), f"{name!r} must be one table, [{name}], not a list.")
        return FileTable(self, (name,), values)

    def tables(self, name: str) -> list[FileTable]:
        """All tables of a name, [[name]] or a single [name].

        Raises
        ------
        AtticFileError
            If one of them is no table.
        """
        values = self.document.get(name, [])
        if isinstance(values, dict):
            return [FileTable(self, (name,), values)]
        for n, value in enumerate(values):
            if not isinstance(value, dict):
                raise self.error(
                    (name, n), f"{name} {n + 1} is {value!r}; it must be a table, [[{name}]]."
                )
        return [FileTable(self, (name, n), value) for n, value in enumerate(values)]

    def __repr__(self) -> str:
        return f"AtticFile({self.name!r}, tables {', '.join(self.document) or 'none'})"


_ASK: Any = object()


class FileTable:
    """One table of an attic file, read key by key; `finish` complains about what was not asked for.

    Every reader takes `default`; without one the key must be there. Values of the wrong kind or
    outside their range raise AtticFileError with file, line, table, key, value and rule.
    """

    def __init__(self, file: AtticFile, path: TomlPath, values: dict[str, Any]) -> None:
        self.file = file
        self.path = path
        self.values = values
        self.asked: list[str] = []

    @property
    def label(self) -> str:
        """How messages call it: ``[attic]``, ``[[element]] 'long'``."""
        name = ".".join(str(p) for p in self.path if isinstance(p, str))
        if not any(isinstance(p, int) for p in self.path):
            return f"[{name}]"
        called = self.values.get("name")
        last = next(p for p in reversed(self.path) if isinstance(p, int))
        return f"[[{name}]] " + (repr(called) if isinstance(called, str) else f"no. {last + 1}")

    def error(self, key: str | None, problem: str, *, item: int | None = None) -> AtticFileError:
        """An error about a key of this table, an item of its list, or the table."""
        if key is None:
            return self.file.error(self.path, f"{self.label}: {problem}")
        if key not in self.values:
            return self.file.error(self.path, f"{self.label}, key {key}: {problem}")
        if item is not None:
            shown = shortened(self.values[key][item])
            return self.file.error(
                (*self.path, key, item),
                f"{self.label}, item {item + 1} of {key} = {shown}: {problem}",
            )
        shown = shortened(self.values[key])
        return self.file.error((*self.path, key), f"{self.label}, {key} = {shown}: {problem}")

    @contextmanager
    def blamed(self, key: str | None = None) -> Iterator[None]:
        """Turn what objects complain about, made from this table, into an error with a line."""
        from ..materials import MaterialError

        try:
            yield
        except AtticFileError:
            raise
        except (GeometryError, FeedError, MaterialError) as error:
            raise self.error(key or self._named_in(str(error)), str(error)) from error

    def _named_in(self, message: str) -> str | None:
        """The key of this table whose text, or else whose name, a message quotes first, or None."""
        quoted = [
            (message.index(repr(value)), key)
            for key, value in self.values.items()
            if isinstance(value, str) and key != "name" and repr(value) in message
        ]
        if quoted:
            return min(quoted)[1]
        found: list[tuple[int, str]] = []
        for key in self.values:
            match = re.search(rf"\b{re.escape(key)}\b", message)
            if match is None and key.endswith("_height"):
                match = re.search(rf"\b{key.removesuffix('_height')}\b", message)
            if match is not None and key != "name":
                found.append((match.start(), key))
        return min(found)[1] if found else None

    def has(self, key: str) -> bool:
        """Whether the key is there; it counts as known from now on."""
        if key not in self.asked:
            self.asked.append(key)
        return key in self.values

    def take(self, key: str, default: Any = _ASK) -> Any:
        """The value as it stands."""
        if self.has(key):
            return self.values[key]
        if default is _ASK:
            raise self.error(key, f"is missing; the table needs it.{self._perhaps(key)}")
        return default

    def _perhaps(self, key: str) -> str:
        others = [k for k in self.values if k not in self.asked]
        near = difflib.get_close_matches(key, others, n=1, cutoff=0.7)
        return f" Is {near[0]!r} meant for it?" if near else ""

    def string(self, key: str, default: Any = _ASK) -> Any:
        """A text that is not empty."""
        value = self.take(key, default)
        if value is default:
            return value
        if not isinstance(value, str) or not value.strip():
            raise self.error(key, "must be text in quotes.")
        return value

    def choice(self, key: str, allowed: Sequence[str], default: Any = _ASK) -> Any:
        """One of some words."""
        value = self.take(key, default)
        if value is not default and value not in allowed:
            raise self.error(key, f"must be one of {', '.join(map(repr, allowed))}.")
        return value

    def flag(self, key: str, default: Any = _ASK) -> Any:
        """true or false."""
        value = self.take(key, default)
        if value is not default and not isinstance(value, bool):
            raise self.error(key, "must be true or false.")
        return value

    def number(
        self,
        key: str,
        default: Any = _ASK,
        *,
        least: float = -math.inf,
        most: float = math.inf,
        unit: str = "",
        whole: bool = False,
    ) -> Any:
        """A number within a range."""
        value = self.take(key, default)
        if value is default:
            return value
        kind = "a whole number" if whole else "a number"
        rule = f"must be {kind}, {least:g} to {most:g}{' ' * bool(unit)}{unit}."
        if isinstance(value, bool) or not isinstance(value, int if whole else int | float):
            raise self.error(key, rule)
        if not (least <= value <= most and abs(value) < 1e300):
            raise self.error(key, rule)
        return value

    def length(
        self, key: str, default: Any = _ASK, *, least: float = -math.inf, most: float = math.inf
    ) -> Any:
        """A length: metres, or text with a unit, as Length."""
        value = self.take(key, default)
        return value if value is default else self.length_of(key, value, least=least, most=most)

    def length_of(
        self, key: str, value: Any, *, least: float, most: float, item: int | None = None
    ) -> Length:
        rule = f"must be a length, {least:g} to {most:g} m."
        try:
            if not isinstance(value, str | int | float) or isinstance(value, bool):
                raise GeometryError(f"{rule} Write metres, '4.2 m' or '12 ft 6 in'.")
            found = Length(value)
            if not least <= metres(found) <= most:
                raise GeometryError(rule)
        except GeometryError as error:  # of the value itself, not of what it would make
            raise self.error(key, str(error), item=item) from None
        return found

    def point(self, key: str, default: Any = _ASK, *, sizes: Sequence[int] = (3,)) -> Any:
        """A list of lengths, [x, y, height]."""
        value = self.take(key, default)
        return value if value is default else self._point(key, value, sizes)

    def _point(
        self, key: str, value: Any, sizes: Sequence[int], item: int | None = None
    ) -> tuple[Length, ...]:
        if not isinstance(value, list) or len(value) not in sizes:
            wanted = " or ".join(
                {2: "[x, y]", 3: "[x, y, height]"}.get(n, f"{n} numbers") for n in sizes
            )
            raise self.error(key, f"{shortened(value)} must be {wanted}.", item=item)
        return tuple(self.length_of(key, v, least=-1000.0, most=1000.0, item=item) for v in value)

    def points(
        self, key: str, default: Any = _ASK, *, sizes: Sequence[int] = (3,), least: int = 1
    ) -> Any:
        """A list of points."""
        value = self.take(key, default)
        if value is default:
            return value
        if not isinstance(value, list) or len(value) < least:
            raise self.error(key, f"must be a list of {least} or more points.")
        return [self._point(key, point, sizes, n) for n, point in enumerate(value)]

    def stretches(self, key: str, default: Any = _ASK) -> Any:
        """A list of pairs of points, [[x, y, height], [x, y, height]]."""
        value = self.take(key, default)
        if value is default:
            return value
        if not isinstance(value, list):
            raise self.error(key, "must be a list of pairs of points.")
        for n, pair in enumerate(value):
            if not isinstance(pair, list) or len(pair) != 2:
                raise self.error(
                    key, "must be two points, [[x, y, height], [x, y, height]].", item=n
                )
        return [
            [self._point(key, point, (3,), n) for point in pair] for n, pair in enumerate(value)
        ]

    def finish(self) -> None:
        """Complain about the first key that nobody asked for."""
        for key in self.values:
            if key not in self.asked:
                raise self.error(
                    key,
                    f"this key is not known. {nearest(key, self.asked)}"
                    f"{self.label.split(' ')[0]} takes: {', '.join(self.asked)}.",
                )


def _bare_point(text: str, line: re.Match[str] | None) -> str:
    """What to write for a number on a line that begins or ends with its point, else nothing."""
    lines = text.split("\n")
    told = lines[int(line[1]) - 1] if line and int(line[1]) <= len(lines) else ""
    plain = re.sub(r"\"[^\"]*\"|'[^']*'|#.*", "", told)
    for found in re.finditer(r"(?<![\w.])([-+]?)(\d*)\.(\d*)(?![\w.])", plain):
        if bool(found[2]) != bool(found[3]):
            return f"{found[0]} must be written {found[1]}{found[2] or 0}.{found[3] or 0}. "
    return ""


def nearest(key: str, known: Sequence[str]) -> str:
    """'Is ... meant? ' for the known word nearest to a key, else nothing."""
    near = difflib.get_close_matches(key, known, n=1, cutoff=0.6)
    return f"Is {near[0]!r} meant? " if near else ""


def shortened(value: Any) -> str:
    """A value for a message, at most 60 characters."""
    text = repr(value) if not isinstance(value, bool) else str(value).lower()
    return text if len(text) <= 60 else text[:57] + "..."
