"""Changing one value or one table in an attic file's text, everything else left as it stands."""

from __future__ import annotations

import copy
import json
import tomllib
from collections.abc import Mapping
from typing import Any

from .errors import AtticFileError
from .file_tables import AtticFile
from .lengths import Length, metres
from .positions import TomlPath

__all__ = [
    "exact_text",
    "literal",
    "with_document",
    "with_table",
    "with_value",
    "with_values",
    "without_table",
]


def exact_text(length: Length) -> str:
    """A length in its own unit, with as many digits as it takes to read back to 1e-8 m."""
    plain = str(length)
    if abs(metres(plain) - float(length)) < 1e-8:
        return plain
    factor, unit = {
        "m": (1.0, "m"),
        "cm": (100.0, "cm"),
        "mm": (1000.0, "mm"),
        "ft": (1.0 / 0.3048, "ft"),
    }.get(length.unit, (1.0 / 0.0254, "in"))
    return f"{float(length) * factor:.12g} {unit}"


def literal(value: Any) -> str:
    """TOML for a text, number or truth value, and for lists and inline tables of them."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, list | tuple):
        return f"[{', '.join(map(literal, value))}]"
    if isinstance(value, Mapping):
        return f"{{{', '.join(f'{key} = {literal(one)}' for key, one in value.items())}}}"
    return json.dumps(value, ensure_ascii=False) if isinstance(value, str) else repr(value)


def with_value(file: AtticFile, path: TomlPath, value: Any) -> AtticFile:
    """The file with one value changed, or added to its table; see `with_values`."""
    return with_values(file, {path: value})


def with_values(file: AtticFile, values: Mapping[TomlPath, Any]) -> AtticFile:
    """The file with values changed, or added to their tables; checked by parsing it again.

    A plain table [name] that is not there is added at the end.

    Raises
    ------
    AtticFileError
        If the text cannot be changed safely.
    """
    edits: list[tuple[int, int, str]] = []
    new: dict[str, list[str]] = {}
    for path, value in values.items():
        place, line = file.places.get(path), f"{path[-1]} = {literal(value)}"
        if place is not None:
            edits.append((place.start, place.end, literal(value)))
        elif len(path) == 2 and path[0] not in file.document:
            new.setdefault(str(path[0]), []).append(line)
        else:
            table = file.places.get(path[:-1])
            header = "" if table is None else file.text[table.start : table.end]
            if table is None or not header.startswith("["):
                raise _stuck(file, path)
            end = file.text.find("\n", table.end)
            end = len(file.text) if end < 0 else end
            edits.append((end, end, f"\n{line}"))
    wanted = with_document(file.document, values)
    text, before = file.text, len(file.text)
    for start, end, put in sorted(edits, key=lambda edit: edit[:2], reverse=True):
        if end > before:  # a list and an item of it
            raise _stuck(file, next(iter(values)))
        text, before = text[:start] + put + text[end:], start
    for name, lines in new.items():
        gap = "" if text.endswith("\n") or not text else "\n"
        text = "\n".join([f"{text}{gap}", f"[{name}]", *lines, ""])
    return _checked(file, text, wanted, next(iter(values), ()))


def with_document(document: Mapping[str, Any], values: Mapping[TomlPath, Any]) -> dict[str, Any]:
    """A copy of a parsed document with values put in; a table that is not there is made."""
    wanted = copy.deepcopy(dict(document))
    for path, value in values.items():
        node: Any = wanted
        for key in path[:-1]:
            node = node.setdefault(key, {}) if isinstance(node, dict) else node[key]
        node[path[-1]] = value
    return wanted


def with_table(file: AtticFile, name: str, values: Mapping[str, Any]) -> AtticFile:
    """The file with the keys of a plain table [name] replaced, or the table added at the end.

    Raises
    ------
    AtticFileError
        If the text cannot be changed safely.
    """
    lines = "".join(f"{key} = {literal(value)}\n" for key, value in values.items())
    wanted = {**copy.deepcopy(file.document), name: dict(values)}
    if name not in file.document:
        gap = "" if file.text.endswith("\n") or not file.text else "\n"
        return _checked(file, f"{file.text}{gap}\n[{name}]\n{lines}", wanted, (name,))
    text, header = file.text, file.places.get((name,))
    if header is None or not text[header.start : header.end].startswith("["):
        raise _stuck(file, (name,))
    spans = []
    for key in file.document[name]:
        place = file.places[(name, key)]
        start = text.rfind("\n", 0, place.start) + 1
        end = text.find("\n", place.end)
        spans.append((start, len(text) if end < 0 else end + 1))
    for start, end in sorted(spans, reverse=True):
        text = text[:start] + text[end:]
    at = text.find("\n", header.end)
    text = text + "\n" + lines if at < 0 else text[: at + 1] + lines + text[at + 1 :]
    return _checked(file, text, wanted, (name,))


def without_table(file: AtticFile, path: TomlPath) -> AtticFile:
    """The file without the table [name] or the one table [[name]] at a path, its header too.

    Raises
    ------
    AtticFileError
        If the text cannot be changed safely.
    """
    header = file.places.get(path)
    if header is None or not file.text[header.start : header.end].startswith("["):
        raise _stuck(file, path)
    inside = [place for one, place in file.places.items() if one[: len(path)] == path]
    last = max(place.end for place in inside)
    end = file.text.find("\n", last)
    end = len(file.text) if end < 0 else end + 1
    text = file.text[: header.start] + file.text[end:].removeprefix("\n")
    wanted: Any = copy.deepcopy(file.document)
    if len(path) == 1:
        del wanted[path[0]]
    else:
        del wanted[path[0]][path[1]]
        if not wanted[path[0]]:
            del wanted[path[0]]
    return _checked(file, text, wanted, path)


def _checked(file: AtticFile, text: str, wanted: dict[str, Any], path: TomlPath) -> AtticFile:
    try:
        found = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        raise _stuck(file, path) from None
    if repr(found) != repr(wanted) and found != wanted:
        raise _stuck(file, path)
    return AtticFile.from_text(text, name=file.name, other_tables=file.other_tables)


def _stuck(file: AtticFile, path: TomlPath) -> AtticFileError:
    return file.error(
        path,
        f"{'.'.join(map(str, path))} cannot be changed in this text; write that table out with "
        "its own header and one key a line.",
    )
