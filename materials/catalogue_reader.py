"""Reads the catalogue of materials (catalogue/*.toml), in which every value has its source."""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files
from typing import Any

from .errors import MaterialError

_FORMAT = 1
_WORDS = frozenset({"name", "aliases", "sources", "note"})


@dataclass(frozen=True)
class Entry:
    """One material as the catalogue has it."""

    name: str
    aliases: tuple[str, ...]
    values: dict[str, Any]
    source: str
    """The source of each value, and the note, in one line."""
    note: str = ""

    def answers_to(self, folded: str) -> bool:
        """Whether the folded name is this entry's name or one of its aliases."""
        return folded in {fold_name(name) for name in (self.name, *self.aliases)}


def fold_name(name: str) -> str:
    """Return the name as it is compared: lower case, hyphens and underscores as single spaces."""
    return re.sub(r"[\s_\-]+", " ", name.strip().lower()).replace(" %", "%")


@lru_cache(maxsize=16)  # shipped and never changed; one attic file asks some twenty times
def read_catalogue(
    file: str, *, table: str, allowed: frozenset[str], required: frozenset[str]
) -> tuple[Entry, ...]:
    """Return the entries of one catalogue file, in its order.

    Parameters
    ----------
    file : str
        File name within the catalogue folder.
    table : str
        The array of tables to read.
    allowed, required : frozenset of str
        The keys that may hold values, and those that every entry must have.

    Raises
    ------
    MaterialError
        If a key is unknown or missing, a value has no source, a source has no value, or a name
        comes twice.
    """
    document = open_catalogue(file)
    return read_table(document, file=file, table=table, allowed=allowed, required=required)


@lru_cache(maxsize=16)
def open_catalogue(file: str) -> dict[str, Any]:
    """Return the tables of one catalogue file, not yet checked; for `read_table`, not to change."""
    text = files("ridgepole.materials").joinpath("catalogue", file).read_text(encoding="utf-8")
    return tomllib.loads(text)


def parse_catalogue(
    text: str, *, file: str, table: str, allowed: frozenset[str], required: frozenset[str]
) -> tuple[Entry, ...]:
    """Return the entries of a catalogue given as text; see `read_catalogue`."""
    document = tomllib.loads(text)
    return read_table(document, file=file, table=table, allowed=allowed, required=required)


def read_table(
    document: dict[str, Any],
    *,
    file: str,
    table: str,
    allowed: frozenset[str],
    required: frozenset[str],
) -> tuple[Entry, ...]:
    """Return the entries of one table of an open catalogue; see `read_catalogue`."""
    if document.get("format") != _FORMAT:
        raise MaterialError(
            f"{file}: format is {document.get('format')!r}; this version reads {_FORMAT}."
        )
    entries: list[Entry] = []
    taken: set[str] = set()
    for row in document.get(table, []):
        entry = _entry(row, file=file, table=table, allowed=allowed)
        for key in sorted(required - entry.values.keys()):
            raise MaterialError(f"{file}, {entry.name!r}: no {key}. Give it, with its source.")
        for name in (entry.name, *entry.aliases):
            folded = fold_name(name)
            if folded in taken:
                raise MaterialError(f"{file}: the name {name!r} comes twice. Rename one.")
            taken.add(folded)
        entries.append(entry)
    return tuple(entries)


def find_entry(name: str, *, entries: Sequence[Entry], what: str) -> Entry:
    """Return the entry of that name or alias.

    Raises
    ------
    MaterialError
        If there is none: the message has the nearest names and the whole list.
    """
    if not isinstance(name, str):
        raise MaterialError(f"the name of a {what} is {name!r}; it must be text.")
    folded = fold_name(name)
    for entry in entries:
        if entry.answers_to(folded):
            return entry
    near = _near_names(folded, entries)
    hint = f" Near: {', '.join(repr(n) for n in near)}." if near else ""
    known = [repr(n) for entry in entries for n in (*_short_names(entry), entry.name)]
    raise MaterialError(f"no {what} is called {name!r}.{hint} Known: {', '.join(known)}.")


def _short_names(entry: Entry) -> list[str]:
    """Aliases that are the end of the name: "copper" of "annealed copper"."""
    return [alias for alias in entry.aliases if entry.name.endswith(f" {alias}")]


def _entry(row: dict[str, Any], *, file: str, table: str, allowed: frozenset[str]) -> Entry:
    name = row.get("name")
    if not isinstance(name, str) or not name.strip():
        raise MaterialError(f"{file}: a [[{table}]] has no name. Give it one.")
    where = f"{file}, {name!r}"
    for key in row:
        if key not in allowed | _WORDS:
            raise MaterialError(
                f"{where}: unknown key {key!r}; known are {', '.join(sorted(allowed | _WORDS))}."
            )
    values = {key: row[key] for key in row if key in allowed}
    sources = row.get("sources", {})
    for key in values:
        if not str(sources.get(key, "")).strip():
            raise MaterialError(
                f"{where}: {key} has no source. Say where it was read, or 'from memory', "
                "'common practice' or 'computed from ...'."
            )
    for key in sources:
        if key not in values:
            raise MaterialError(f"{where}: a source for {key!r}, but no such value. Remove it.")
    source = "; ".join(f"{key.replace('_', ' ')}: {sources[key]}" for key in values)
    note = row.get("note", "")
    if note:
        source += f"; note: {note}"
    return Entry(name, tuple(row.get("aliases", ())), values, source, note)


def _near_names(folded: str, entries: Sequence[Entry]) -> list[str]:
    """Names that hold the words asked for, then those spelt alike, then those held by them."""
    if not folded:
        return []
    spelt: dict[str, str] = {}
    for entry in entries:
        for name in (entry.name, *entry.aliases):
            spelt[fold_name(name)] = entry.name
    near = [key for key in spelt if folded in key]
    near += difflib.get_close_matches(folded, list(spelt), n=3, cutoff=0.6)
    near += [key for key in spelt if key in folded]
    return list(dict.fromkeys(spelt[key] for key in near))[:4]
