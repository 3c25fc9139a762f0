"""The job `ridgepole measure`: a sheet of what to measure, in its order."""

from __future__ import annotations

import argparse
import json
import time
from typing import Any

from .command_voice import DONE, Voice, in_seconds
from .how_sure_command import add_ensemble_options, drawn, folder_of, write_text


def add_measure_job(jobs: Any) -> None:
    """Its options."""
    job = jobs.add_parser(
        "measure",
        help="a sheet of what to measure, what tells most first",
        description="Print a sheet of dimensions and readings in the order in which they change "
        "the answer, with blanks to write into.",
    )
    add_ensemble_options(job)
    job.add_argument(
        "--to", metavar="FOLDER", help="for the sheet to print; beside FILE where left out"
    )
    job.set_defaults(job=_measure)


def _measure(options: argparse.Namespace) -> int:
    began = time.perf_counter()
    voice = Voice(as_json=options.json)
    folder = folder_of(options, "measure")
    voice.say(f"What is worth measuring in {options.file}; the sheet goes into {folder}.")
    sheet = drawn(options, voice).measuring_sheet()
    text, page = folder / "what-to-measure.txt", folder / "what-to-measure.html"
    write_text(text, sheet.to_text() + "\n")
    write_text(page, sheet.to_html())
    if options.json:
        from .measuring_page import measuring_form

        form = {**measuring_form(sheet), "files": [str(text), str(page)]}
        print(json.dumps(form, indent=2, allow_nan=False))
    else:
        voice.say("\n" + sheet.to_text(width=min(voice.width, 90)) + "\n")
    seconds = in_seconds(time.perf_counter() - began)
    voice.say(f"To print: {page}, or {text} ({seconds} in all).")
    return DONE
