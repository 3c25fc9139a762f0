"""The job `ridgepole search`: lengths, and choices, that meet a goal on all bands."""

from __future__ import annotations

import argparse
import json
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .command_voice import (
    DONE,
    BadUsage,
    Voice,
    bands_asked,
    check_folder,
    first_compiles,
    in_seconds,
    save_picture,
    unwritable,
)
from .numbers import wrapped
from .sweep_command import typed

if TYPE_CHECKING:
    from ..study.searching.search import SearchEffort
    from ..study.searching.search_records import SearchResult

TABLE, PICTURE = "search.txt", "front.png"


def add_search_job(jobs: Any) -> None:
    """Its options."""
    job = jobs.add_parser(
        "search",
        help="lengths and choices that meet a goal on all bands",
        description="Seek lengths of the elements (and routes, radials, feed points out of a list) "
        "that meet a goal on all bands, within limits. What is varied, the goal and the limits are "
        "the file's table [search]; without one, all elements, for the best efficiency on the "
        "worst band.",
        epilog="What [search] may say: ridgepole keys",
    )
    job.add_argument("file", metavar="FILE", help="the attic file")
    job.add_argument(
        "--goal", nargs="+", metavar="GOAL",
        help="'worst efficiency', 'mean low-angle efficiency', 'worst swr', ...",
    )  # fmt: skip
    job.add_argument(
        "--limits", nargs="+", metavar="LIMIT",
        help="'swr < 10', 'tuner matched', 'feed voltage < 600 V', ...",
    )  # fmt: skip
    job.add_argument(
        "--bands", nargs="+", metavar="BAND",
        help="'40 m' or '14.0-14.35 MHz', several of them; the file's where left out",
    )  # fmt: skip
    job.add_argument(
        "--budget", type=int, metavar="N",
        help="solves: a layout on all bands is one, its slopes another; 200",
    )  # fmt: skip
    job.add_argument(
        "--robust", type=int, metavar="N",
        help="be good in N houses drawn from what is not known, too",
    )  # fmt: skip
    job.add_argument("--seed", type=int, metavar="N", help="the same seed finds the same; 0")
    job.add_argument(
        "--finalists", type=int, metavar="N",
        help="how many of the best are solved in full in the end; 2",
    )  # fmt: skip
    job.add_argument(
        "--to", metavar="FOLDER",
        help="for the best layouts and those of the front, each an attic file, table and picture; "
        "beside FILE where left out",
    )  # fmt: skip
    job.add_argument(
        "--estimate", action="store_true", help="tell what it will take, and compute nothing"
    )
    job.add_argument("--json", action="store_true", help="for machines: JSON and nothing else")
    job.set_defaults(job=_search)


def _search(options: argparse.Namespace) -> int:
    began = time.perf_counter()
    voice = Voice(as_json=options.json)
    source = Path(options.file)
    folder = Path(options.to) if options.to else source.with_name(f"{source.stem}-search")
    check_folder(folder)
    from ..settings import read_attic
    from ..study.searching.search import plan_search

    voice.say(
        f"What a search of {source} will take; nothing is computed."
        if options.estimate
        else f"Searching {source}; the best layouts will be in {folder}/."
    )
    wanted = plan_search(
        read_attic(source), goal=options.goal, limits=options.limits, bands=bands_asked(options),
        budget=options.budget, robust=options.robust, seed=options.seed,
        finalists=options.finalists,
    )  # fmt: skip
    wanted.check_effort()
    if options.estimate and options.json:
        print(json.dumps(effort_form(wanted.effort), indent=2, allow_nan=False))
        return DONE
    voice.say(f"{wanted.effort}.{first_compiles()}")
    if options.estimate:
        return DONE
    found = wanted.run(progress=None if sys.stderr.isatty() else False)
    if not options.json:
        voice.say("\n" + found.to_text(width=voice.width))
    written = _save(found, folder)
    if options.json:
        from .search_page import search_form

        form = {**search_form(found), "files": [str(path) for path in written]}
        print(json.dumps(form, indent=2, allow_nan=False))
    files = [path for path in written if path.suffix == ".toml"]
    as_files = "1 layout as an attic file" if len(files) == 1 else f"{len(files)} layouts as attic "
    as_files += "files" * (len(files) != 1)
    said = (
        f"Saved to {folder}/: {as_files}, "
        f"{TABLE}, {PICTURE} ({in_seconds(time.perf_counter() - began)} in all). Next:"
    )
    voice.say("\n" + "\n".join(wrapped(said, voice.width, first="", rest="")))
    voice.say(f"  {typed('answer', files[0])}")
    if len(files) > 1:
        voice.say(f"  {typed('compare', *files[:2])}")
    return DONE


def effort_form(effort: SearchEffort) -> dict[str, Any]:
    """What a search will take as plain numbers."""
    from .json_form import FORMAT_VERSION

    return {
        "format_version": FORMAT_VERSION,
        "models": effort.models,
        "states": effort.states,
        "bands": effort.bands,
        "matrices": effort.matrices,
        "unknowns": effort.unknowns,
        "houses": effort.houses,
        "budget": effort.budget,
        "finalists": effort.finalists,
        "bytes": effort.bytes,
        "seconds": effort.seconds,
        "unfit": list(effort.unfit),
    }


def _save(found: SearchResult, folder: Path) -> list[Path]:
    """The best layouts and the front as attic files, the table and the picture."""
    from .search_page import told_best, told_front

    numbers = [one.number for one in (*told_best(found), *told_front(found))]
    written = []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for number in dict.fromkeys(numbers):
            target = folder / f"layout-{number}.toml"
            target.write_text(found.plan_of(number).text, encoding="utf-8")
            written.append(target)
        (folder / TABLE).write_text(found.to_text() + "\n", encoding="utf-8")
    except BrokenPipeError:
        raise
    except OSError as problem:
        raise BadUsage(unwritable(folder, problem)) from None
    save_picture(found.plot().figure, folder / PICTURE)
    return [*written, folder / TABLE, folder / PICTURE]
