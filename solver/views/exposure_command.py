"""The job `ridgepole exposure`."""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Callable
from pathlib import Path

from ..effort import Effort

TEXT, PICTURE = "exposure.txt", "rooms.png"


def run_exposure(
    options: argparse.Namespace,
    folder: Path,
    say: Callable[[str], None],
    width: int,
    announce: Callable[[Effort], None],
) -> int:
    """Work it out, print it, and write text and maps into a folder; the exit code."""
    began = time.perf_counter()
    from ..settings import read_attic
    from ..station.exposure import exposure
    from .command import DONE, UNEXPECTED, _bands_asked, _in_seconds, _unwritable

    found = exposure(
        read_attic(options.file),
        _bands_asked(options),
        region=options.region,
        power=options.power,
        mode=options.mode,
        limits=options.limits,
        step=options.step,
        edges=options.edges,
        pieces=not options.no_pieces,
        announce=announce,
        progress=None if sys.stderr.isatty() else False,
    )
    if not options.json:
        say("\n" + found.to_text(width=width) + "\n")
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
        say(f"Wrote {names} to {folder}/ ({seconds} in all).")
    if problem:
        print(
            f"ridgepole: the result is complete, only its files are not: {problem} Give --to with "
            "another folder.",
            file=sys.stderr,
        )
        return UNEXPECTED
    return DONE
