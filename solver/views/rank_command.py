"""The job `ridgepole rank`: the best layouts of a sweep, and as attic files."""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .command_voice import DONE, BadUsage, Voice, bands_asked, save_picture, unwritable
from .numbers import wrapped
from .sweep_command import store_of, typed

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from ..study.sweep_ranking import Ranking
    from ..study.sweep_result import SweepResult

COUNT = 10

TABLE = "ranking.txt"


def add_rank_job(jobs: Any) -> None:
    """Its options."""
    job = jobs.add_parser(
        "rank",
        help="the best layouts of a sweep, and as attic files",
        description="The best layouts of a sweep, finished or not. Without --by the one that sends "
        "most to the sky on its worst band comes first.",
        epilog="Quantities are, among others: efficiency, swr, low-angle efficiency, feed voltage, "
        "|z|, reactance; a wrong name lists all. 'worst', 'best' or 'mean' before one takes all "
        "bands together, 'on 40 m' behind it one band.",
    )
    job.add_argument("store", metavar="STORE", help="the sweep's file (.h5), or its attic file")
    job.add_argument("--by", metavar="QUANTITY", help="'worst swr', 'efficiency on 40 m', ...")
    job.add_argument(
        "--best", choices=("high", "low"), help="which is better, where the quantity leaves it open"
    )
    job.add_argument(
        "--where", nargs="+", default=[], metavar="CONDITION",
        help="only those for which it holds: 'worst swr < 6 and long < 14 m', several of them",
    )  # fmt: skip
    job.add_argument(
        "--bands", nargs="+", metavar="BAND", help="those that count; all where left out"
    )
    job.add_argument("--show", nargs="+", default=[], metavar="QUANTITY", help="to tell besides")
    job.add_argument("--count", type=int, metavar="N", help=f"places to tell ({COUNT})")
    job.add_argument(
        "--front", action="store_true",
        help="those only that no other beats both in worst efficiency and in worst SWR, all of "
        "them unless --count says fewer",
    )  # fmt: skip
    job.add_argument(
        "--to", metavar="FOLDER", help="for the layouts told, each an attic file, and pictures"
    )
    job.add_argument("--json", action="store_true", help="for machines: JSON and nothing else")
    job.set_defaults(job=_rank)


def _rank(options: argparse.Namespace) -> int:
    voice = Voice(as_json=options.json)
    if options.count is not None and options.count < 1:
        raise BadUsage(f"--count {options.count}: at least one place is needed.")
    folder = Path(options.to) if options.to else None
    if folder is not None and folder.exists() and not folder.is_dir():
        raise BadUsage(f"{folder} is a file that is there already; --to needs a folder.")
    from ..study.stored_figures import open_store
    from ..study.sweep_progress import on_bands_done

    store = open_store(store_of(options.store))
    result, bands = on_bands_done(store, bands_asked(options))
    for condition in options.where:
        result = result.filter(condition, bands=bands)
    ranking = _ranking(result, bands, options)
    if not store.is_complete:
        voice.say("The sweep is not finished: this is the ranking so far.")
    if not options.json:
        voice.say(ranking.to_text(width=voice.width))
    written: list[Path] = []
    if folder is not None and ranking.rows:
        written = _save(result, ranking, folder, voice)
    elif folder is not None:
        voice.say(f"\nNothing to save, so {folder}/ is not written.")
    if options.json:
        from .sweep_page import ranking_form

        form = {
            **ranking_form(ranking),
            "is_complete": store.is_complete,
            "files": [str(path) for path in written],
        }
        print(json.dumps(form, indent=2, allow_nan=False))
    return DONE


def _ranking(result: SweepResult, bands: tuple[str, ...], options: argparse.Namespace) -> Ranking:
    import numpy as np

    count = options.count or COUNT
    if not options.front:
        return result.rank(
            options.by, best=options.best, bands=bands, show=options.show, count=count
        )
    criteria = (("worst efficiency", "high"), ("worst swr", "low"))
    front = result.pareto(criteria, bands=bands)
    mask = np.zeros(len(result), dtype=np.bool_)
    mask[front] = True
    found = result.filter(mask).rank(
        options.by, best=options.best, bands=bands, show=options.show,
        count=options.count or max(front.size, 1),
    )  # fmt: skip
    words = "no other beats both in worst efficiency and in worst SWR"
    return replace(found, where=(*result.where, words))


# ---- what is saved -----------------------------------------------------------------------


def _save(result: SweepResult, ranking: Ranking, folder: Path, voice: Voice) -> list[Path]:
    """The layouts of a ranking as attic files, the table and pictures."""
    written: list[Path] = []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for row in ranking.rows:
            written.append(_save_layout(result, row.layout, folder))
        (folder / TABLE).write_text(ranking.to_text() + "\n", encoding="utf-8")
    except OSError as problem:
        if isinstance(problem, BrokenPipeError):
            raise
        raise BadUsage(unwritable(folder, problem)) from None
    files = list(written)
    for name, figure in _pictures(result, ranking, voice):
        save_picture(figure, folder / name)
        written.append(folder / name)
    drawn = ", ".join(path.name for path in written[len(files) :])
    said = (
        f"Saved to {folder}/: {len(files)} layout{'s' * (len(files) != 1)} as attic files, "
        f"{TABLE}, {drawn}. Next:"
    )
    voice.say("\n" + "\n".join(wrapped(said, voice.width, first="", rest="")))
    voice.say(f"  {typed('check', files[0])}")
    if len(files) > 1:
        voice.say(f"  {typed('compare', *files[:2])}")
    else:
        voice.say(f"  {typed('answer', files[0])}")
    return [*files, folder / TABLE, *written[len(files) :]]


def _save_layout(result: SweepResult, number: int, folder: Path) -> Path:
    target = folder / f"layout-{number}.toml"
    target.write_text(result.plan_of(number).text, encoding="utf-8")
    return target


def _pictures(result: SweepResult, ranking: Ranking, voice: Voice) -> Iterator[tuple[str, Figure]]:
    """The front, all layouts, and a map of each length that others share the rest with."""
    from ..errors import SweepError
    from .sweep_page import parameter_labels

    bands, best = ranking.bands, ranking.rows[0].layout
    if result.has("efficiency"):
        yield "front.png", result.plot("front", bands=bands, chosen=best)
    yield "all.png", result.plot("parallel", bands=bands)
    labels = parameter_labels(result.plan.design.parameters)
    for label, parameter in zip(labels, result.plan.design.parameters, strict=True):
        if parameter.unit != "m" or parameter.is_outer:
            continue
        try:
            figure = result.plot("length map", parameter=parameter.name, at=best)
        except SweepError as problem:
            voice.say(f"No map of {label}: {problem}")
            continue
        yield f"map-{label.replace(' ', '-')}.png", figure
