"""The job `ridgepole watch`: how far a sweep is, from another shell."""

from __future__ import annotations

import argparse
import json
import math
import sys
import time
from datetime import datetime
from typing import TYPE_CHECKING, Any

from .command_voice import DONE, BadUsage, Voice
from .sweep_command import store_of, typed

if TYPE_CHECKING:
    from ..study.sweep_progress import SweepProgress

SHORTEST = 1.0
"""Between two looks. [s]"""


def add_watch_job(jobs: Any) -> None:
    """Its options."""
    job = jobs.add_parser(
        "watch",
        help="how far a sweep is, and the best so far",
        description="How far a sweep is, read off its files: from any shell, while it runs or "
        "after it was stopped. Nothing is written.",
    )
    job.add_argument("store", metavar="STORE", help="the sweep's file (.h5), or its attic file")
    job.add_argument(
        "--every", type=float, metavar="SECONDS", help="look again and again until it is finished"
    )
    job.add_argument(
        "--json", action="store_true",
        help="for machines: JSON and nothing else, with --every a line a look",
    )  # fmt: skip
    job.set_defaults(job=_watch)


def _watch(options: argparse.Namespace) -> int:
    if options.every is not None and not options.every >= SHORTEST:
        raise BadUsage(f"--every {options.every:g}: once a second is the most; say 1 or more.")
    voice = Voice()
    from ..study.sweep_progress import sweep_progress

    path = store_of(options.store)
    while True:
        found = sweep_progress(path)
        if options.json:
            indent = 2 if options.every is None else None
            print(json.dumps(progress_form(found), indent=indent, allow_nan=False), flush=True)
        else:
            voice.say(progress_text(found, now=time.time(), width=voice.width))
        if options.every is None or found.done == found.pairs:
            break
        if found.is_running is False:
            print("ridgepole: no process works on it, so there is nothing to wait for.",
                  file=sys.stderr)  # fmt: skip
            break
        time.sleep(options.every)
        if not options.json:
            voice.say("")
    if found.done == found.pairs and not options.json:
        voice.say(f"\nNext: {typed('rank', path)}")
    return DONE


def progress_text(found: SweepProgress, *, now: float, width: int = 100) -> str:
    """The printed state of a sweep; `now` as `time.time` has it."""
    from ..study.sweep_effort import in_words
    from .numbers import wrapped
    from .sweep_page import best_lines, counted, state_counts

    plan = found.result.plan
    whole = f"{counted(len(plan.design), 'layout')} on {counted(len(plan.bands), 'band')}"
    share = 100.0 * found.done / max(found.pairs, 1)
    part = "all" if found.done == found.pairs else f"{math.floor(10.0 * share) / 10.0:.1f} %"
    lines = wrapped(
        f"{found.result.name} at {datetime.fromtimestamp(now):%H:%M:%S}: {found.done:,} of "
        f"{found.pairs:,} layouts x bands, {part} ({whole}).",
        width, first="", rest="",
    )  # fmt: skip
    lines.append(f"  layouts on all bands: {state_counts(found.counts)}")
    if found.is_gathered:
        lines.append(f"  finished, all in {found.path}")
    else:
        batches = found.batches or 0
        text = (
            counted(batches, "finished batch") if batches == 1 else f"{batches:,} finished batches"
        )
        if math.isfinite(found.last):
            text += f", the last {in_words(max(now - found.last, 0.0))} ago"
        lines.append(f"  {text}, in {found.path}")
        if found.done < found.pairs:
            lines.append(f"  {_who_works(found, now)}")
    return "\n".join([*lines, *best_lines(found.result, found.bands, width=width)])


def _who_works(found: SweepProgress, now: float) -> str:
    from ..study.sweep_effort import in_words
    from .numbers import rounded

    if found.is_running is False:
        return "no process works on it; type the same `ridgepole sweep` again and it goes on"
    who = found.owner or "not known which process"
    text = f"{who} works on it" if found.is_running else f"last worked on by {who}"
    if math.isfinite(found.began):
        text += f", since {in_words(max(now - found.began, 0.0))}"
    if not math.isfinite(found.rate):
        return f"{text}; no batch of its own is finished yet"
    per_minute = 60.0 * found.rate
    return (
        f"{text}: {rounded(per_minute)} layouts x bands a minute, about "
        f"{in_words(found.seconds_left)} left"
    )


def progress_form(found: SweepProgress) -> dict[str, Any]:
    """The same as nested dicts and lists, null for what is not known."""
    from .json_form import FORMAT_VERSION, number
    from .sweep_page import ranking_form

    best = found.result.rank(bands=found.bands, count=1)
    return {
        "format_version": FORMAT_VERSION,
        "path": str(found.path),
        "name": found.result.name,
        "layouts": len(found.result),
        "bands": [band.name for band in found.result.plan.bands],
        "layouts_times_bands": found.pairs,
        "done": found.done,
        "counts": dict(found.counts),
        "finished_batches": found.batches,
        "is_gathered": found.is_gathered,
        "owner": found.owner,
        "is_running": found.is_running,
        "rate_per_s": number(found.rate),
        "seconds_left": number(found.seconds_left),
        "best_so_far": ranking_form(best),
    }
