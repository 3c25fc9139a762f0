"""The job `ridgepole exposure`."""

from __future__ import annotations

import argparse
import json
import sys
import time
from pathlib import Path

from .command import (
    DONE,
    UNEXPECTED,
    _announcer,
    _bands_asked,
    _BadUsage,
    _in_seconds,
    _unwritable,
    _Voice,
)

TEXT, PICTURE = "exposure.txt", "rooms.png"


def run_exposure(options: argparse.Namespace) -> int:
    """Work it out, print it, and write text and maps into a folder."""
    began = time.perf_counter()
    voice = _Voice(as_json=options.json)
    source = Path(options.file)
    folder = Path(options.to) if options.to else source.with_name(f"{source.stem}-exposure")
    if folder.exists() and not folder.is_dir():
        raise _BadUsage(
            f"{folder} is a file that is there already; results need a folder. Give --to the name "
            "of a folder, new or old."
        )
    voice.say(f"Looking into the rooms of {source}; results go to {folder}/.")
    from ..settings import read_attic
    from ..station.exposure import exposure

    found = exposure(
        read_attic(source),
        _bands_asked(options),
        region=options.region,
        power=options.power,
        mode=options.mode,
        limits=options.limits,
        step=options.step,
        edges=options.edges,
        pieces=not options.no_pieces,
        announce=_announcer(voice),
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
        problem = _unwritable(folder, fault)
    if options.json:
        from .exposure_page import exposure_form

        form = {**exposure_form(found), "files": [str(path) for path in written]}
        print(json.dumps(form, indent=2, allow_nan=False))
    if written:
        names = ", ".join(path.name for path in written)
        seconds = _in_seconds(time.perf_counter() - began)
        voice.say(f"Wrote {names} to {folder}/ ({seconds} in all).")
    if problem:
        print(
            f"ridgepole: the result is complete, only its files are not: {problem} Give --to with "
            "another folder.",
            file=sys.stderr,
        )
        return UNEXPECTED
    return DONE
