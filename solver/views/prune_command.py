"""The job `ridgepole prune`."""

from __future__ import annotations

import argparse
import json
import sys
import time
from pathlib import Path
from typing import Any

from .command_voice import (
    DONE,
    BadUsage,
    Voice,
    check_picture,
    in_seconds,
    save_picture,
    unwritable,
)
from .reading_options import add_reading_options, read_visits


def add_prune_job(jobs: Any) -> None:
    """Its options."""
    job = jobs.add_parser(
        "prune",
        help="what to cut or add next, given what the analyser read",
        description="Fit the house to the readings and say what to cut on which element, all at "
        "once, and what the analyser should read then. One round takes an element to between 0.8 "
        "and 1.06 of what it is. Targets stand in the "
        "file's table [targets], or behind --target.",
    )
    job.add_argument("file", metavar="FILE", help="the attic file, with the lengths as they are")
    add_reading_options(job)
    job.add_argument(
        "--target", action="append", metavar="TARGET", default=[],
        help="'40 m: resonant at 7.1 MHz', several times; the file's [targets] where left out",
    )  # fmt: skip
    job.add_argument(
        "--reach", nargs="+", metavar="ELEMENT", help="elements whose ends can be got at; all"
    )
    job.add_argument("--margin", metavar="LENGTH", help="wire to leave beyond each new end")
    job.add_argument(
        "--to", metavar="FOLDER", help="picture and attic file; beside the file where left out"
    )
    job.add_argument("--json", action="store_true", help="for machines: JSON and nothing else")
    job.set_defaults(job=_prune)


def _targets(options: argparse.Namespace) -> dict[str, Any] | None:
    found: dict[str, list[str]] = {}
    for told in options.target:
        band, colon, what = told.partition(":")
        if not colon:
            raise BadUsage(
                f"--target {told!r}: write band and target, as '40 m: resonant at 7.1 MHz'."
            )
        found.setdefault(band.strip(), []).append(what.strip())
    return dict(found) or None


def _prune(options: argparse.Namespace) -> int:
    began = time.perf_counter()
    voice = Voice(as_json=options.json)
    source = Path(options.file)
    folder = Path(options.to) if options.to else source.with_name(f"{source.stem}-prune")
    picture = folder / "cuts.png"
    check_picture(picture)
    from ..settings import read_attic
    from ..study.pruning import prune

    plan = read_attic(source)
    targets = _targets(options)
    visits = read_visits(options, plan)
    count = sum(visit.readings.frequencies.size for visit in visits)
    some = "reading" + "s" * (count > 1)
    voice.say(f"Fitting the house of {source} to {count} {some}, then seeking lengths.")
    advice = prune(
        plan, visits, targets, reachable=options.reach, margin=options.margin,
        announce=lambda effort: voice.say(f"First {effort}."),
        progress=None if sys.stderr.isatty() else False, name=source.name,
    )  # fmt: skip
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if not advice.is_done:
            advice.plan.save(folder / f"{source.stem}-cut.toml")
    except OSError as problem:
        raise BadUsage(unwritable(folder, problem)) from None
    save_picture(advice.plot(), picture)
    if options.json:
        from .prune_page import advice_form

        print(json.dumps(advice_form(advice), indent=2, allow_nan=False))
    else:
        voice.say("\n" + advice.to_text(width=voice.width) + "\n")
    seconds = in_seconds(time.perf_counter() - began)
    also = ""
    if not advice.is_done:
        also = (
            f" The attic file with the new lengths, and all else as told, is "
            f"{folder / (source.stem + '-cut.toml')}."
        )
    voice.say(f"Drawn to {picture} ({seconds} in all).{also}")
    return DONE
