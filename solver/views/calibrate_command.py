"""The job `ridgepole calibrate`."""

from __future__ import annotations

import argparse
import json
import sys
import time
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .command_voice import (
    COMPILES,
    DONE,
    BadUsage,
    Voice,
    bands_asked,
    first_compiles,
    in_seconds,
    save_picture,
    unwritable,
)
from .reading_options import add_reading_options, lengths_of, read_visits

if TYPE_CHECKING:
    from ..study.calibration.records import Calibration
    from ..study.model.modelling import ModelEffort


def add_calibrate_job(jobs: Any) -> None:
    """Its options."""
    job = jobs.add_parser(
        "calibrate",
        help="learn from readings what the attic is most likely like",
        description="Fit what is not known of an attic to what an analyser read: what was learned, "
        "how sure it is, whether the readings look wrong; writes the attic file with the most "
        "likely values, the picture and the calibration itself.",
    )
    job.add_argument("file", metavar="FILE", help="the attic file")
    add_reading_options(job)
    job.add_argument(
        "--lengths", metavar="NAME=LENGTH,...",
        help="of elements when it was read, long=8.2m,short=5.1m, in metres where no unit stands, "
        "for readings that have none behind @; as in FILE where left out",
    )  # fmt: skip
    job.add_argument(
        "--to", metavar="FOLDER",
        help="where the results go; FILE's name with -calibrated where left out",
    )  # fmt: skip
    job.add_argument(
        "--bands", nargs="+", metavar="BAND",
        help="'40 m' or '14.0-14.35 MHz', several of them; the file's where left out",
    )  # fmt: skip
    job.add_argument("--json", action="store_true", help="for machines: JSON and nothing else")
    job.set_defaults(job=_calibrate)


def model_announcer(voice: Voice) -> Any:
    """Says what a model takes."""

    def announce(effort: ModelEffort) -> None:
        first = f"; {COMPILES}" if first_compiles() else ""
        voice.say(f"Computing {effort}{first}.")

    return announce


def _calibrate(options: argparse.Namespace) -> int:
    began = time.perf_counter()
    voice = Voice(as_json=options.json)
    source = Path(options.file)
    folder = Path(options.to or source.with_name(f"{source.stem}-calibrated"))
    if folder.exists() and not folder.is_dir():
        raise BadUsage(f"--to {folder} is a file; name a folder for the results.")
    if (folder / source.name).resolve() == source.resolve():
        raise BadUsage(f"--to {folder} holds {source} itself; name another folder for the results.")
    lengths = lengths_of(options.lengths, "--lengths") if options.lengths else {}
    from ..settings import read_attic
    from ..study.calibration.calibrate import calibrate

    plan = read_attic(source)
    visits = [replace(one, lengths={**lengths, **one.lengths})
              for one in read_visits(options, plan)]  # fmt: skip
    told = "; then to ".join(str(one.readings) for one in visits)
    voice.say(f"Fitting what is not known of {source} to {told}; results go to {folder}.")
    found = calibrate(
        plan,
        visits,
        reference=options.reference,
        bands=bands_asked(options),
        announce=model_announcer(voice),
        progress=None if sys.stderr.isatty() else False,
    )
    files = _write(found, folder, source)
    if options.json:
        from .calibrate_page import calibration_form

        form = {**calibration_form(found), "files": [str(one) for one in files]}
        print(json.dumps(form, indent=2, allow_nan=False))
    else:
        voice.say("\n" + found.to_text(width=voice.width) + "\n")
    seconds = in_seconds(time.perf_counter() - began)
    voice.say(f"Wrote {', '.join(map(str, files))} ({seconds} in all).")
    return DONE


def _heading(found: Calibration) -> str:
    """What the file's reader is to know, as comments."""
    count = sum(len(one.readings.frequencies) for one in found.visits)
    sources = dict.fromkeys(" ".join(one.readings.source.split()) for one in found.visits)
    visits = f" of {len(found.visits)} visits" if len(found.visits) > 1 else ""
    told = f"{count} reading{'s' * (count > 1)}{visits}, {', '.join(sources)}"
    return (
        f"# Most likely values after {told}.\n"
        "# Lengths of elements are electrical ones, not those of a tape.\n"
    )


def _write(found: Calibration, folder: Path, source: Path) -> list[Path]:
    """The calibrated attic, the picture and the calibration."""
    attic, picture = folder / source.name, folder / "calibration.png"
    kept = folder / "calibration.json"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        attic.write_text(f"{_heading(found)}{found.plan.text}", encoding="utf-8", newline="\n")
    except BrokenPipeError:
        raise
    except OSError as problem:
        raise BadUsage(unwritable(folder, problem)) from None
    save_picture(found.plot(), picture)
    found.save(kept)
    return [attic, picture, kept]
