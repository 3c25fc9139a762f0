"""The job `ridgepole sweep`: begins a sweep, or goes on with one."""

from __future__ import annotations

import argparse
import json
import logging
import shlex
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .command_voice import (
    DONE,
    STOPPED,
    BadUsage,
    Voice,
    bands_asked,
    first_compiles,
    in_seconds,
)

if TYPE_CHECKING:
    from ..study.sweep_effort import SweepEffort
    from ..study.sweep_records import SweepPlan
    from ..study.sweep_result import SweepResult

STORE_ENDING = ".sweep.h5"
"""Of a store that is not named, in place of the attic file's own ending."""

WHERE_IT_RUNS = ("in-process", "threads", "processes")


def add_sweep_job(jobs: Any) -> None:
    """Its options."""
    job = jobs.add_parser(
        "sweep",
        help="try many layouts, over night if need be",
        description="Compute every layout that the table [sweep] of an attic file asks for. What "
        "is finished is kept at once: stop it when you like (Ctrl-C, a power cut), and the same "
        "command goes on where it was.",
        epilog="What [sweep] may say: ridgepole keys. From another shell: ridgepole watch STORE",
    )
    job.add_argument(
        "file",
        metavar="FILE",
        help="the attic file, with a table [sweep]; or a store, to go on with as it was begun",
    )
    job.add_argument(
        "--to", metavar="STORE",
        help=f"the results (.h5), new or begun; FILE's name with {STORE_ENDING} where left out",
    )  # fmt: skip
    job.add_argument(
        "--bands", nargs="+", metavar="BAND",
        help="'40 m' or '14.0-14.35 MHz', several of them; the file's where left out",
    )  # fmt: skip
    job.add_argument(
        "--workers", type=int, metavar="N", help="how many at once; one a processor if left out"
    )
    job.add_argument(
        "--where-it-runs", choices=WHERE_IT_RUNS, default="processes",
        help="processes of their own (where left out), threads, or this very process",
    )  # fmt: skip
    job.add_argument(
        "--estimate", action="store_true", help="tell what it will take, and compute nothing"
    )
    job.add_argument("--json", action="store_true", help="for machines: JSON and nothing else")
    job.set_defaults(job=_sweep)


def store_of(told: str) -> Path:
    """The store that is meant: a store, the folder of its parts, or the attic file beside it."""
    path = Path(told)
    if path.suffix.lower() == ".toml":
        return path.with_name(path.stem + STORE_ENDING)
    return path


def typed(*words: object) -> str:
    """A line to type."""
    return shlex.join(["ridgepole", *map(str, words)])


def _sweep(options: argparse.Namespace) -> int:
    began = time.perf_counter()
    voice = Voice(as_json=options.json)
    source = Path(options.file)
    goes_on = source.suffix.lower() in (".h5", ".hdf5")
    if goes_on and (options.to is not None or options.bands is not None):
        raise BadUsage("--to and --bands are for an attic file; a store goes on as it was begun.")
    store = store_of(options.file) if options.to is None else Path(options.to)
    if options.workers is not None and options.workers < 1:
        raise BadUsage(f"--workers {options.workers}: at least one must do the work.")
    if store == source and not goes_on:
        raise BadUsage(f"--to {store} is the attic file itself; name another for the results.")
    if store.is_dir():
        raise BadUsage(f"{store} is a folder; give the name of a file, as {store}/night.h5")
    voice.say(
        f"What a sweep of {source} will take; nothing is computed."
        if options.estimate
        else f"Sweeping {source}: each finished batch is kept at once, in the end in {store}."
    )
    wanted, run = _on_with(store) if goes_on else _asked(source, store, bands_asked(options))
    for remark in wanted.design.remarks:
        voice.say(f"{remark}.")
    if options.estimate:
        return _estimated(options, wanted, store, voice)
    share = _share_done(store, wanted, voice)
    again = typed("sweep", source, *_choices(options))
    try:
        with _warnings_told():
            found = run(
                executor=options.where_it_runs,
                workers=options.workers,
                progress=sys.stderr.isatty(),  # at once: the first batch takes a while
                announce=_announcer(voice, share) if share < 1.0 else None,
            )
    except KeyboardInterrupt:
        print(f"\n{_kept_words(store)} Go on with: {again}", file=sys.stderr)
        return STOPPED
    seconds = in_seconds(time.perf_counter() - began)
    if options.json:
        print(json.dumps(_sweep_form(found, store), indent=2, allow_nan=False))
    else:
        voice.say("\n" + found.to_text(width=voice.width))
    voice.say(f"\nKept in {store} ({seconds} in all). Next:")
    voice.say(f"  {typed('rank', store)}")
    best = store.with_name(f"{found.name}-best")
    voice.say(f"  {typed('rank', store, '--front', '--to', best)}")
    return DONE


def _asked(
    source: Path, store: Path, bands: Sequence[str] | None
) -> tuple[SweepPlan, Callable[..., SweepResult]]:
    """What an attic file asks for, and what does it."""
    from ..settings import read_attic
    from ..study.sweep import plan_sweep, sweep

    plan = read_attic(source)
    return plan_sweep(plan, bands=bands), partial(sweep, plan, store=store, bands=bands)


def _on_with(store: Path) -> tuple[SweepPlan, Callable[..., SweepResult]]:
    """What a store asks for, and what does it."""
    from ..study.sweep import resume_sweep
    from ..study.sweep_store import read_plan

    return read_plan(store), partial(resume_sweep, store)


def _choices(options: argparse.Namespace) -> list[str]:
    """What was typed beside the file, to be typed again."""
    words: list[str] = []
    if options.to is not None:
        words += ["--to", options.to]
    if options.bands is not None:
        words += ["--bands", *options.bands]
    if options.workers is not None:
        words += ["--workers", str(options.workers)]
    if options.where_it_runs != "processes":
        words += ["--where-it-runs", options.where_it_runs]
    return words


# ---- before it begins ------------------------------------------------------------------------


def _share_done(store: Path, wanted: SweepPlan, voice: Voice) -> float:
    """How much of a sweep is kept already; says so. Complains if it is another sweep's."""
    from ..errors import StoreError
    from ..study.sweep_store import SweepStore, is_begun

    if not is_begun(store):
        return 0.0
    try:
        with SweepStore.resume(store, wanted) as kept:
            finished = kept.finished()
            if kept.is_gathered:
                voice.say(f"It is finished, all of it in {store}; nothing is computed again.")
                return 1.0
    except StoreError as error:
        if _is_another(store, wanted):
            raise StoreError(
                f"{error} As it was it goes on with: {typed('sweep', store)}"
            ) from error
        raise
    done = int(finished.sum())
    voice.say(f"Going on: {done:,} of {finished.size:,} layouts x bands are there already.")
    return done / finished.size


def _is_another(store: Path, wanted: SweepPlan) -> bool:
    from ..errors import StoreError
    from ..study.sweep_format import differences
    from ..study.sweep_store import read_plan

    try:
        return bool(differences(read_plan(store), wanted))
    except StoreError:
        return False


def _announcer(voice: Voice, share: float) -> Callable[[SweepEffort], None]:
    def announce(effort: SweepEffort) -> None:
        from ..study.sweep_effort import in_words

        voice.say(f"{effort}{first_compiles()}")
        if share >= 1.0:
            voice.say("Nothing is left of it.")
        elif share > 0.0:
            left = in_words((1.0 - share) * effort.seconds)
            voice.say(f"What is left of it: about {left} on one core.")

    return announce


def _estimated(options: argparse.Namespace, wanted: SweepPlan, store: Path, voice: Voice) -> int:
    from ..study.sweep_effort import estimate_sweep
    from ..study.sweep_work import SweepWork

    effort = estimate_sweep(SweepWork(wanted))
    if options.json:
        print(json.dumps(effort_form(effort), indent=2, allow_nan=False))
        return DONE
    done, said = _looked_at(store, wanted)
    _announcer(voice, done)(effort)
    voice.say(said + typed("sweep", options.file, *_choices(options)))
    return DONE


def _looked_at(store: Path, wanted: SweepPlan) -> tuple[float, str]:
    """How much of a sweep is kept already, and what to say of it; nothing is locked or written."""
    from ..errors import StoreError
    from ..study.stored_figures import open_store
    from ..study.sweep_format import differences
    from ..study.sweep_records import WAITING
    from ..study.sweep_store import is_begun

    if not is_begun(store):
        return 0.0, f"It would be kept in {store}. Begin with: "
    try:
        kept = open_store(store)
    except StoreError as error:
        return 0.0, f"{error} Once that is mended, begin with: "
    if differences(kept.plan, wanted):
        return 0.0, f"{store} holds another sweep; name another with --to. As typed: "
    states = kept.states_by_band
    done = int((states != WAITING).sum())
    told = f"{done:,} of {states.size:,} layouts x bands are there already in {store}. "
    return done / states.size, told + ("See them with: " if kept.is_gathered else "Go on with: ")


def effort_form(effort: SweepEffort) -> dict[str, Any]:
    """What a sweep will take as plain numbers and texts."""
    from .json_form import FORMAT_VERSION

    return {
        "format_version": FORMAT_VERSION,
        "layouts": effort.layouts,
        "wanted": effort.wanted,
        "bands": effort.bands,
        "points_per_band": effort.points,
        "outer_loop": list(effort.outer),
        "cheap": list(effort.inner),
        "fixed_parts": effort.groups,
        "pools": effort.chunks,
        "unknowns": effort.unknowns,
        "matrices": effort.matrices,
        "seconds_on_one_core": effort.seconds,
        "bytes": effort.bytes,
    }


# ---- while it runs, and after ----------------------------------------------------------------


class _Telling(logging.Handler):
    """Warnings of the library as lines above the progress bar, each once."""

    def __init__(self) -> None:
        super().__init__(logging.WARNING)
        self.told: set[str] = set()

    def emit(self, record: logging.LogRecord) -> None:
        from tqdm import tqdm

        message = record.getMessage()
        if message not in self.told:
            self.told.add(message)
            tqdm.write(f"ridgepole: {message}", file=sys.stderr)


@contextmanager
def _warnings_told() -> Iterator[None]:
    logger, handler = logging.getLogger("ridgepole"), _Telling()
    logger.addHandler(handler)
    try:
        yield
    finally:
        logger.removeHandler(handler)


def _kept_words(store: Path) -> str:
    """What an interrupted sweep has kept, in a sentence."""
    from ..errors import StoreError
    from ..study.stored_figures import open_store

    try:
        kept = open_store(store)
    except StoreError:
        return "Stopped before a batch was finished; nothing is lost but that."
    done, total = int((kept.states_by_band != 0).sum()), kept.states_by_band.size
    return f"Stopped: {done:,} of {total:,} layouts x bands are kept in {kept.path}."


def _sweep_form(found: SweepResult, store: Path) -> dict[str, Any]:
    from .json_form import FORMAT_VERSION
    from .sweep_page import ranking_form

    return {
        "format_version": FORMAT_VERSION,
        "store": str(store),
        "name": found.name,
        "layouts": len(found),
        "bands": [band.name for band in found.plan.bands],
        "counts": found.counts,
        "best": ranking_form(found.best()),
    }
