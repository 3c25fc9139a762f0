"""Other elements and loads in a plan, read anew while counterpoise and house stay as they are."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from .attic_file import AtticReader
from .errors import FeedError, GeometryError
from .lengths import Length
from .load_tables import read_loads
from .plan import AtticPlan
from .positions import TomlPath
from .text_edits import with_document

__all__ = ["OWN_TABLES", "with_own_values"]

OWN_TABLES = ("element", "load")
"""Tables whose values change nothing that is read from the others, but for their names."""


def with_own_values(
    plan: AtticPlan, values: Mapping[TomlPath, Any], *, text_fault: str
) -> AtticPlan:
    """The plan with other values in its [[element]] and [[load]], by the reader of the file.

    Parameters
    ----------
    plan : AtticPlan
    values : mapping of path to value
        As in the file: ``{("element", 0, "length"): "9.2 m"}``.
    text_fault : str
        What to say to whoever asks the new plan for its text, which is not rewritten.

    Raises
    ------
    AtticFileError
        If a value cannot be used or does not fit.
    GeometryError
        If a value lies in another table.
    """
    strange = [path for path in values if path[0] not in OWN_TABLES]
    if strange:
        raise GeometryError(
            f"{'.'.join(map(str, strange[0]))}: only values of "
            f"{' and '.join(f'[[{name}]]' for name in OWN_TABLES)} can be changed without reading "
            "the whole file again."
        )
    file = replace(plan.file, document=with_document(plan.file.document, values))
    reader = AtticReader(file)
    reader.attic = plan.attic
    reader.origins = {k: path for k, path in plan.origins.items() if path[0] not in OWN_TABLES}
    antenna = plan.antenna
    if antenna is not None:
        elements, hub = list(antenna.elements), [Length(v) for v in antenna.feed_point]
        for n, table in enumerate(file.tables("element")):
            if any(path[: len(table.path)] == table.path for path in values):
                elements[n] = reader.read_element(table, hub)
        try:
            antenna = replace(antenna, elements=elements)
        except (GeometryError, FeedError) as error:
            reader.origins = {**plan.origins}
            raise reader.blame(error, ("antenna", "feed_point")) from error
    loads = plan.loads
    if any(path[0] == "load" for path in values):
        loads = tuple(read_loads(reader, {wire for load in loads for wire in load.wires}))
    return replace(plan, file=file, antenna=antenna, loads=loads, _text_fault=text_fault)
