"""The job `ridgepole exposure`."""

from __future__ import annotations

import argparse
import json
import sys
import time
from pathlib import Path
from typing import Any

from .command_voice import (
    DONE,
    UNEXPECTED,
    BadUsage,
    Voice,
    add_solving_options,
    announcer,
    bands_asked,
    in_seconds,
    unwritable,
)

TEXT, PICTURE = "exposure.txt", "rooms.png"


def add_exposure_job(jobs: Any) -> None:
    """Its options."""
    job = jobs.add_parser(
        "exposure",
        help="fields in the rooms and parts of the limits",
        description="E and H in every [[room]] of the file, held to limits of exposure: worst "
        "points, the power and the distance at which they comply, with and without each piece of "
        "metal. An estimate to plan by, not a compliance statement.",
        epilog="Rooms and limits are in the file, tables [[room]] and [exposure]: ridgepole keys",
    )
    job.add_argument("file", metavar="FILE", help="the attic file")
    add_solving_options(job)
    job.add_argument("--mode", metavar="MODE", help="'SSB', 'CW', ...; the file's where left out")
    job.add_argument(
        "--limits", nargs="+", metavar="NAME", help="sets of limits; the file's where left out"
    )
    job.add_argument("--step", type=float, metavar="M", help="how far apart points are (0.25)")
    job.add_argument("--edges", action="store_true", help="look at the edges of each band too")
    job.add_argument(
        "--no-pieces", action="store_true", help="leave out no pieces of the house in turn"
    )
    job.add_argument("--to", metavar="FOLDER", help="for the maps and the text")
    job.set_defaults(job=_exposure)


def _exposure(options: argparse.Namespace) -> int:
    voice = Voice(as_json=options.json)
    source = Path(options.file)
    folder = Path(options.to) if options.to else source.with_name(f"{source.stem}-exposure")
    if folder.exists() and not folder.is_dir():
        raise BadUsage(
            f"{folder} is a file that is there already; results need a folder. Give --to the name "
            "of a folder, new or old."
        )
    voice.say(f"Looking into the rooms of {source}; results go to {folder}/.")
    began = time.perf_counter()
    from ..settings import read_attic
    from ..station.exposure import exposure

    found = exposure(
        read_attic(options.file),
        bands_asked(options),
        region=options.region,
        power=options.power,
        mode=options.mode,
        limits=options.limits,
        step=options.step,
        edges=options.edges,
        pieces=not options.no_pieces,
        announce=announcer(voice),
        progress=None if sys.stderr.isatty() else False,
    )
    if not options.json:
        voice.say("\n" + found.to_text(width=voice.width) + "\n")
    written, problem = [], ""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        (folder / TEXT).write_text(found.to_text() + "\n", encoding="utf-8")
        written.append(folder / TEXT)
        found.figure().savefig(folder / PICTURE, dpi=100)
        written.append(folder / PICTURE)
    except BrokenPipeError:
        raise
    except OSError as fault:
        problem = unwritable(folder, fault)
    if options.json:
        from .exposure_page import exposure_form

        form = {**exposure_form(found), "files": [str(path) for path in written]}
        print(json.dumps(form, indent=2, allow_nan=False))
    if written:
        names = ", ".join(path.name for path in written)
        seconds = in_seconds(time.perf_counter() - began)
        voice.say(f"Wrote {names} to {folder}/ ({seconds} in all).")
    if problem:
        print(
            f"ridgepole: the result is complete, only its files are not: {problem} Give --to with "
            "another folder.",
            file=sys.stderr,
        )
        return UNEXPECTED
    return DONE
