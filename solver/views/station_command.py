"""The job `ridgepole station`."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any

from .command_voice import (
    DONE,
    BadUsage,
    Voice,
    add_solving_options,
    bands_asked,
    save_picture,
    solved,
)


def add_station_job(jobs: Any) -> None:
    """Its options."""
    job = jobs.add_parser(
        "station",
        help="tuner, line, watts to the sky, noise and distances",
        description="What tuner, line and sky make of an antenna: from a saved answer (.h5) at "
        "once, from an attic file after solving it.",
    )
    job.add_argument("file", metavar="FILE", help="a saved answer (.h5) or an attic file")
    job.add_argument(
        "--tables", metavar="FILE", help="an attic file whose station is taken instead"
    )
    add_solving_options(job)
    job.add_argument("--to", metavar="FOLDER", help="for ladder.png and tuner.png, a map of what "
                     "the tuner can match; none drawn where left out")  # fmt: skip
    job.set_defaults(job=_station)


def _station(options: argparse.Namespace) -> int:
    voice = Voice(as_json=options.json)
    source = Path(options.file)
    is_saved = source.suffix == ".h5"
    if is_saved and (options.bands is not None or options.region is not None):
        raise BadUsage("--bands and --region are for an attic file; a saved answer has its bands.")
    folder = Path(options.to) if options.to else None
    if folder is not None and folder.exists() and not folder.is_dir():
        raise BadUsage(f"{folder} is a file that is there already; --to needs a folder.")
    voice.say(f"The station of {source}{': nothing is solved again' if is_saved else ''}.")
    from ..answer_store import open_answer
    from ..settings import read_attic, read_settings
    from ..station.station_answer import station_answer
    from ..station.station_tables import read_station

    setup = None
    if options.tables is not None:
        setup = read_station(read_attic(options.tables).file)
    if is_saved:
        found = open_answer(source)
    else:
        plan = read_attic(source)
        read_settings(plan, bands=bands_asked(options), region=options.region, power=options.power)
        setup = read_station(plan.file) if setup is None else setup
        found = solved(plan, options, voice)
    station = station_answer(found, setup=setup, power=options.power)
    written: list[Path] = []
    if folder is not None:
        from .station_figures import station_figures

        sheets = station_figures(station)
        if station.setup.tuner is not None:
            sheets["tuner.png"] = station.plot_map()
        for name, figure in sheets.items():
            save_picture(figure, folder / name)
            written.append(folder / name)
    if options.json:
        from .station_page import station_form

        form = {**station_form(station), "files": [str(path) for path in written]}
        print(json.dumps(form, indent=2, allow_nan=False))
    else:
        voice.say("\n" + station.to_text(width=voice.width))
    if written:
        voice.say(f"\nDrew {', '.join(str(path) for path in written)}.")
    return DONE
