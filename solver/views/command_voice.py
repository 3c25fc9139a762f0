"""How the command speaks: exit codes, what is told while it works, options that jobs share."""

from __future__ import annotations

import argparse
import errno
import os
import shutil
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from ...geometry.plan import AtticPlan
    from ..answer_records import Answer
    from ..effort import Effort

DONE, UNEXPECTED, BAD_INPUT, STOPPED = 0, 1, 2, 130
"""Exit codes."""

COMPILES = "the first run compiles as well, up to a minute more"

FORMATS = ("png", "pdf", "svg")
"""What a drawing can be."""


class BadUsage(Exception):
    """What was typed cannot be done; told without a traceback."""


class Voice:
    """Says what is going on, on standard output, or on standard error where JSON goes out."""

    def __init__(self, *, as_json: bool = False) -> None:
        self.stream = sys.stderr if as_json else sys.stdout
        self.width = min(shutil.get_terminal_size((100, 24)).columns, 120)
        self.in_colour = self.stream.isatty() and "NO_COLOR" not in os.environ

    def say(self, text: str) -> None:
        """A line or more, at once."""
        print(self._coloured(text), file=self.stream, flush=True)

    def _coloured(self, text: str) -> str:
        if not self.in_colour:
            return text
        lines = [
            f"\033[1;36m{line}\033[0m" if line[:2] in ("1.", "2.", "3.", "4.", "5.") else line
            for line in text.split("\n")
        ]
        return "\n".join(lines)


def in_seconds(seconds: float) -> str:
    return f"{seconds:.1f} s" if seconds < 10 else f"{seconds:.0f} s"


def _is_compiled() -> bool:
    """Whether the kernels' compiled form is kept from an earlier run, as far as can be seen."""
    if "NUMBA_CACHE_DIR" in os.environ:
        return any(Path(os.environ["NUMBA_CACHE_DIR"]).rglob("*.nbi"))
    package = Path(__file__).resolve().parents[1]
    return any((package / "moments" / "__pycache__").glob("*.nbi"))


def first_compiles() -> str:
    """A sentence on compiling, "" where that was done in an earlier run."""
    return "" if _is_compiled() else f"\n{COMPILES.capitalize()}."


def announcer(voice: Voice) -> Callable[[Effort], None]:
    """Says what there is to do and how long it will take."""

    def announce(effort: Effort) -> None:
        cells = f"{effort.cells} cells of timber and sheets, " if effort.cells else ""
        voice.say(
            f"Solving: about {effort.unknowns} unknowns, {cells}{effort.matrices} matrices, about "
            f"{in_seconds(effort.seconds)}{first}."
        )

    first = "" if _is_compiled() else f"; {COMPILES}"
    return announce


def add_solving_options(job: argparse.ArgumentParser, *, with_power: bool = True) -> None:
    job.add_argument(
        "--bands", nargs="+", metavar="BAND",
        help="'40 m' or '14.0-14.35 MHz', several of them; the file's where left out",
    )  # fmt: skip
    if with_power:
        job.add_argument("--power", type=float, metavar="W", help="into the feed point, for volts")
    job.add_argument("--region", type=int, metavar="N", help="ITU region of the bands: 1, 2 or 3")
    job.add_argument("--json", action="store_true", help="for machines: JSON and nothing else")


def bands_asked(options: argparse.Namespace) -> list[str] | None:
    if options.bands is None:
        return None
    return [band.strip() for text in options.bands for band in text.split(",") if band.strip()]


def solved(plan: AtticPlan, options: argparse.Namespace, voice: Voice) -> Answer:
    from ..answer import answer

    return answer(
        plan,
        bands_asked(options),
        region=options.region,
        power=options.power,
        announce=announcer(voice),
        progress=None if sys.stderr.isatty() else False,
    )


def check_picture(picture: Path) -> None:
    if picture.suffix.lower().lstrip(".") not in FORMATS:
        raise BadUsage(
            f"--to {picture}: the drawing can be a {', a '.join(FORMATS[:-1])} or an "
            f"{FORMATS[-1]}; end the name in .png, .pdf or .svg."
        )
    if picture.is_dir():
        raise BadUsage(f"{picture} is a folder; give the name of a picture, as {picture}/a.png")


def save_picture(figure: Any, picture: Path) -> None:
    try:
        picture.parent.mkdir(parents=True, exist_ok=True)
        figure.savefig(picture, dpi=110)
    except BrokenPipeError:
        raise
    except OSError as problem:
        raise BadUsage(unwritable(picture, problem)) from None


def check_folder(folder: Path) -> None:
    """Complain before long work where its outcome could not be written; makes nothing."""
    if folder.exists() and not folder.is_dir():
        raise BadUsage(f"{folder} is a file that is there already; --to needs a folder.")
    try:
        there = next(one for one in (folder, *folder.absolute().parents) if one.exists())
        with tempfile.TemporaryFile(dir=there):
            pass
    except OSError as problem:
        raise BadUsage(unwritable(folder, problem)) from None


def unwritable(place: Path, problem: Exception) -> str:
    """A sentence on why nothing can be written to a place."""
    cause = problem if isinstance(problem, OSError) else problem.__cause__
    number = cause.errno if isinstance(cause, OSError) else None
    reasons = {
        errno.EACCES: "you have no permission to write there",
        errno.EPERM: "you have no permission to write there",
        errno.EROFS: "that disk can only be read",
        errno.ENOSPC: "that disk is full",
        errno.EDQUOT: "your share of that disk is full",
        errno.ENOENT: "the folder it should go into is not there",
        errno.ENOTDIR: "something on the way to it is a file, not a folder",
        errno.EEXIST: "a file of that name is in the way",
        errno.EISDIR: "a folder of that name is in the way",
        errno.ENAMETOOLONG: "the name is too long",
    }
    reason = reasons.get(number or 0, "the system does not allow it")
    return f"{place} cannot be written: {reason}."
