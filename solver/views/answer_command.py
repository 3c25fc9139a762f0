"""The jobs `ridgepole answer` and `compare`."""

from __future__ import annotations

import argparse
import json
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .command_voice import (
    DONE,
    UNEXPECTED,
    BadUsage,
    Voice,
    add_solving_options,
    bands_asked,
    in_seconds,
    solved,
    unwritable,
)

if TYPE_CHECKING:
    from ..answer_records import Answer

PICTURES = ("load.png", "watts.png", "angles.png", "wires.png", "voltages.png", "ladder.png")
"""What the sheets of an answer are called."""


def add_answer_jobs(jobs: Any) -> None:
    """Their options."""
    job = jobs.add_parser("answer", help="impedance, watts and angles on every band")
    job.add_argument("file", metavar="FILE", help="the attic file")
    add_solving_options(job)
    job.add_argument("--to", metavar="FOLDER", help="for pictures and the saved answer")
    job.add_argument("--no-figures", action="store_true", help="draw no pictures")
    job.set_defaults(job=_answer)

    job = jobs.add_parser("compare", help="rank layouts in the same house")
    job.add_argument(
        "files", metavar="FILE", nargs="+", help="attic files, or answers that were saved (.h5)"
    )
    add_solving_options(job)
    job.add_argument(
        "--elevations", type=float, nargs="+", default=[10.0, 25.0, 60.0], metavar="DEG",
        help="angles above the horizon (10 25 60)",
    )  # fmt: skip
    job.add_argument(
        "--bearings", type=float, nargs="+", metavar="DEG",
        help="true bearings; left out, averaged over all",
    )  # fmt: skip
    job.add_argument(
        "--point", metavar="NAME", help="rank by the current at this named point, the least first"
    )
    job.set_defaults(job=_compare)


def _answer(options: argparse.Namespace) -> int:
    began = time.perf_counter()
    voice = Voice(as_json=options.json)
    source = Path(options.file)
    folder = Path(options.to) if options.to else source.with_name(f"{source.stem}-answer")
    if folder.exists() and not folder.is_dir():
        raise BadUsage(
            f"{folder} is a file that is there already; answers need a folder. Give --to the name "
            "of a folder, new or old."
        )
    voice.say(f"Answering {source}: load, watts and angles on every band; results go to {folder}/.")
    from ..settings import read_attic, read_settings

    plan = read_attic(source)
    # Complain about bands before anything is computed.
    read_settings(plan, bands=bands_asked(options), region=options.region, power=options.power)
    found = solved(plan, options, voice)
    if not options.json:
        voice.say("\n" + found.to_text(width=voice.width) + "\n")
    written, problem = _kept(found, folder, voice, with_figures=not options.no_figures)
    if options.json:
        from .json_form import answer_form

        form = {**answer_form(found), "files": [str(path) for path in written]}
        print(json.dumps(form, indent=2, allow_nan=False))
    seconds = in_seconds(time.perf_counter() - began)
    if written:
        names = ", ".join(path.name for path in written)
        voice.say(f"Wrote {names} to {folder}/ ({seconds} in all).")
    if problem:
        print(
            f"ridgepole: the answer is complete, only its files are not: {problem}",
            file=sys.stderr,
        )
        return UNEXPECTED
    return DONE


def _kept(
    found: Answer, folder: Path, voice: Voice, *, with_figures: bool
) -> tuple[list[Path], str]:
    """Write the answer's files; what was written, and in words what kept the rest from it."""
    from ..errors import StoreError

    written: list[Path] = []
    kept, text = folder / "answer.h5", folder / "answer.txt"
    try:
        is_replaced = kept.exists()
        folder.mkdir(parents=True, exist_ok=True)
        written.append(found.save(kept))
        text.write_text(found.to_text() + "\n", encoding="utf-8")
        written.append(text)
        if is_replaced:
            stale = [] if with_figures else [folder / name for name in PICTURES]
            stale = [picture for picture in stale if picture.exists()]
            for picture in stale:
                picture.unlink()
            gone = f"; its pictures ({', '.join(p.name for p in stale)}) were removed"
            voice.say(f"The earlier answer in {folder}/ was replaced{gone if stale else ''}.")
        if with_figures:
            from .figures import answer_figures

            for name, figure in answer_figures(found).items():
                figure.savefig(folder / name, dpi=100, pil_kwargs={"compress_level": 2})
                written.append(folder / name)
    except BrokenPipeError:
        raise
    except (OSError, StoreError) as problem:
        return written, f"{unwritable(folder, problem)} Give --to with another folder."
    return written, ""


def _compare(options: argparse.Namespace) -> int:
    voice = Voice(as_json=options.json)
    if len(options.files) < 2:
        raise BadUsage("compare needs two files or more; the first is what the others are held to")
    voice.say(
        f"Comparing {', '.join(options.files)}: differences to the first; some seconds for each "
        "attic file, none for a saved answer."
    )
    from ..answer_store import open_answer
    from ..comparison import compare
    from ..settings import read_attic

    plans = [None if file.endswith(".h5") else read_attic(file) for file in options.files]
    answers = [
        open_answer(file) if plan is None else solved(plan, options, voice)
        for file, plan in zip(options.files, plans, strict=True)
    ]
    found = compare(
        answers, elevations=options.elevations, bearings=options.bearings, point=options.point
    )
    if options.json:
        from .json_form import comparison_form

        print(json.dumps(comparison_form(found), indent=2, allow_nan=False))
    else:
        voice.say("\n" + found.to_text(width=voice.width))
    return DONE
