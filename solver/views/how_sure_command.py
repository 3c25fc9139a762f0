"""The job `ridgepole how-sure`: an answer over all that is not known."""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .command_voice import (
    DONE,
    BadUsage,
    Voice,
    bands_asked,
    first_compiles,
    in_seconds,
    save_picture,
    unwritable,
)

if TYPE_CHECKING:
    from ..study.ensemble.how_sure import HowSureEffort
    from ..study.ensemble.records import HowSure


def add_ensemble_options(job: argparse.ArgumentParser) -> None:
    """Options that `how-sure` and `measure` share."""
    job.add_argument("file", metavar="FILE", help="the attic file; [unknowns] says what is open")
    job.add_argument(
        "--bands", nargs="+", metavar="BAND",
        help="'40 m' or '14.0-14.35 MHz', several of them; the file's where left out",
    )  # fmt: skip
    job.add_argument(
        "--cases", type=int, default=64, metavar="N", help="houses to draw, 8 or more; 64"
    )
    job.add_argument("--seed", type=int, default=0, metavar="N", help="of what is drawn; 0")
    job.add_argument(
        "--json", action="store_true",
        help="for machines: JSON and nothing else; noise may make shares slightly negative there",
    )  # fmt: skip


def add_how_sure_job(jobs: Any) -> None:
    """Its options."""
    job = jobs.add_parser(
        "how-sure",
        help="how wide the answer is, and what that hangs on",
        description="Draw many houses from all that is not known of this one (ground, timber, "
        "lengths, cables that nobody told): every figure with its 10, 50 and 90 % values, and "
        "which unknown does the most to it.",
    )
    add_ensemble_options(job)
    job.add_argument("--power", type=float, metavar="W", help="into the feed point, for volts")
    job.add_argument(
        "--to", metavar="FOLDER", help="for pictures and the table; beside FILE where left out"
    )
    job.set_defaults(job=_how_sure)


def drawn(options: argparse.Namespace, voice: Voice, *, power: float | None = None) -> HowSure:
    """What `how_sure` gives for what was typed; says first what it will take."""
    from ..settings import read_attic
    from ..study.ensemble.how_sure import how_sure

    return how_sure(
        read_attic(Path(options.file)),
        bands_asked(options),
        count=options.cases,
        seed=options.seed,
        power=power,
        announce=_announcer(voice),
        progress=None if sys.stderr.isatty() else False,
    )


def _announcer(voice: Voice) -> Callable[[HowSureEffort], None]:
    def announce(effort: HowSureEffort) -> None:
        voice.say(f"{effort}.{first_compiles()}")

    return announce


def folder_of(options: argparse.Namespace, ending: str) -> Path:
    """Where to put what is made.

    Raises
    ------
    BadUsage
        If that is a file.
    """
    source = Path(options.file)
    folder = Path(options.to) if options.to else source.with_name(f"{source.stem}-{ending}")
    if folder.is_file():
        raise BadUsage(f"--to {folder} is a file; give a folder, which is made if need be.")
    return folder


def write_text(place: Path, text: str) -> None:
    """Write a file, its folder too.

    Raises
    ------
    BadUsage
        If it cannot be written.
    """
    try:
        place.parent.mkdir(parents=True, exist_ok=True)
        place.write_text(text, encoding="utf-8")
    except OSError as problem:
        raise BadUsage(unwritable(place, problem)) from None


def _how_sure(options: argparse.Namespace) -> int:
    began = time.perf_counter()
    voice = Voice(as_json=options.json)
    folder = folder_of(options, "how-sure")
    voice.say(f"How sure the answer of {options.file} is; pictures and table go into {folder}.")
    found = drawn(options, voice, power=options.power)
    names = {
        "swr": "swr.png", "impedance": "impedance.png", "watts": "watts.png",
        "what matters": "what-matters.png",
    }  # fmt: skip
    table = folder / "how-sure.txt"
    write_text(table, found.to_text(width=120) + "\n")
    files = [table]
    for what, name in names.items():
        picture = found.plot(what)
        save_picture(getattr(picture, "figure", picture) or picture, folder / name)
        files.append(folder / name)
    if options.json:
        from .how_sure_page import how_sure_form

        form = {**how_sure_form(found), "files": [str(file) for file in files]}
        print(json.dumps(form, indent=2, allow_nan=False))
    else:
        voice.say("\n" + found.to_text(width=voice.width) + "\n")
    seconds = in_seconds(time.perf_counter() - began)
    voice.say(f"Table and pictures are in {folder} ({seconds} in all).")
    return DONE
