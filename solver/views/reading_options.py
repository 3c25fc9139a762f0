"""Options that say what an analyser read: where, behind which line, with which lengths."""

from __future__ import annotations

import argparse
import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .command_voice import BadUsage

if TYPE_CHECKING:
    from ...geometry.plan import AtticPlan
    from ..study.calibration.visits import Visit

FROM_FILE = "file"


def add_reading_options(job: argparse.ArgumentParser) -> None:
    """`--reading`, `--line` and `--reference`."""
    job.add_argument(
        "--reading", action="append", metavar="READING", required=True,
        help="a table or Touchstone file, or text as '7.05 MHz 23 - 41j; 7.1 MHz 24 - 20j'; with "
        "@long=8.2m,side=5.6m behind it for a reading at other lengths, in metres where no unit "
        "stands; several times, the last one last",
    )  # fmt: skip
    job.add_argument(
        "--line", nargs="?", const=FROM_FILE, metavar="LINE",
        help="between analyser and feed point, as '12 m of RG-58'; 'file', or nothing behind it, "
        "for that of [line] in FILE",
    )  # fmt: skip
    job.add_argument(
        "--reference", type=float, metavar="OHM", help="of SWR and reflection; 50 where left out"
    )


def read_visits(options: argparse.Namespace, plan: AtticPlan) -> list[Visit]:
    """What `--reading` says, in order.

    Raises
    ------
    BadUsage
        If a length cannot be read.
    ReadingError
        As for `read_readings` and `line_of`.
    """
    from ..study.calibration.visits import Visit
    from ..study.readings import line_of, read_readings

    line = options.line
    if line is not None and line.strip().lower() == FROM_FILE:
        line = line_of(plan)
    found = []
    for told in options.reading:
        text, lengths = told, {}
        if "@" in told and not _is_file(told):  # a file's name may hold one
            text, _, where = told.rpartition("@")
            lengths = lengths_of(where, f"--reading {told!r}: behind @")
        given: Any = Path(text) if _is_file(text) else text
        found.append(Visit(read_readings(given, line=line, reference=options.reference), lengths))
    return found


def lengths_of(told: str, where: str) -> dict[str, float]:
    """Lengths of elements as they were typed, "long=8.2m,side=5.6"; numbers are metres. [m]

    Parameters
    ----------
    told : str
    where : str
        What to call the place in messages.

    Raises
    ------
    BadUsage
        If one is no NAME=LENGTH, or stands there twice.
    """
    from ...geometry import GeometryError, metres

    found: dict[str, float] = {}
    for part in told.split(","):
        if not part.strip():
            continue
        name, length = (one.strip() for one in (part.partition("=")[0], part.partition("=")[2]))
        if not (name and length):
            raise BadUsage(f"{where}: {part!r} is no NAME=LENGTH; write long=8.2m,side=5.6m.")
        if name in found:
            raise BadUsage(f"{where}: {name!r} is there twice.")
        bare = _number(length)
        try:
            found[name] = metres(length) if bare is None else bare
        except GeometryError as error:
            raise BadUsage(f"{where}: {name}: {error}") from None
    return found


def _number(text: str) -> float | None:
    try:
        value = float(text)
    except ValueError:
        return None
    return value if math.isfinite(value) else None


def _is_file(told: str) -> bool:
    try:
        return Path(told).is_file()
    except (OSError, ValueError):  # too long for a name, or no text for one
        return False
