"""The job `ridgepole influence`."""

from __future__ import annotations

import argparse
import json
import sys
import time
from pathlib import Path
from typing import Any

from .command_voice import (
    DONE,
    Voice,
    add_solving_options,
    announcer,
    bands_asked,
    check_picture,
    in_seconds,
    save_picture,
)


def add_influence_job(jobs: Any) -> None:
    """Its options."""
    job = jobs.add_parser(
        "influence",
        help="what each piece of the house does, ranked",
        description="Leave out each cable, duct, group of timber and sheet in turn: change of "
        "impedance, efficiency, angles and resonance, and the current or heat in it.",
    )
    job.add_argument("file", metavar="FILE", help="the attic file")
    add_solving_options(job, with_power=False)
    job.add_argument(
        "--to",
        metavar="PICTURE",
        help="the bar chart (.png, .pdf or .svg); beside the file where left out",
    )
    job.set_defaults(job=_influence)


def _influence(options: argparse.Namespace) -> int:
    began = time.perf_counter()
    voice = Voice(as_json=options.json)
    source = Path(options.file)
    beside = source.with_name(f"{source.stem}-influence.png")
    picture = Path(options.to) if options.to else beside
    check_picture(picture)
    voice.say(f"Leaving out each piece of the house of {source} in turn; drawing to {picture}.")
    from ..settings import read_attic, read_settings
    from ..study.influence import influence

    plan = read_attic(source)
    read_settings(plan, bands=bands_asked(options), region=options.region)
    found = influence(
        plan,
        bands_asked(options),
        region=options.region,
        announce=announcer(voice),
        progress=None if sys.stderr.isatty() else False,
    )
    if options.json:
        from .influence_page import influence_form

        form = {**influence_form(found), "files": [str(picture)]}
        print(json.dumps(form, indent=2, allow_nan=False))
    else:
        voice.say("\n" + found.to_text(width=voice.width) + "\n")
    save_picture(found.plot().figure, picture)
    seconds = in_seconds(time.perf_counter() - began)
    voice.say(f"Drawn to {picture} ({seconds} in all).")
    return DONE
