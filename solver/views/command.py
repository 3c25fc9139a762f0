"""The command `ridgepole`: an example, a check, an answer, a comparison.

Exit codes: 0 done, 1 something unexpected, 2 bad usage or bad input, 130 stopped by Ctrl-C.
"""

from __future__ import annotations

import argparse
import errno
import json
import os
import shutil
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from ...geometry.plan import AtticPlan
    from ..answer_records import Answer
    from ..effort import Effort

DONE, UNEXPECTED, BAD_INPUT, STOPPED = 0, 1, 2, 130

EXAMPLE = "gable-house.toml"

FORMATS = ("png", "pdf", "svg")
"""What the drawing of a check can be."""

PICTURES = ("load.png", "watts.png", "angles.png", "wires.png", "voltages.png", "ladder.png")
"""What the sheets of an answer are called."""

AXES = (
    ": x along the ridge from one corner of the plan, y across to the left of it, height above the "
    "attic floor"
)

SOLVER_KEYS = """\
[bands]
    wanted = ["40 m", "14.0-14.35 MHz"], names or ranges; region = ITU region 1, 2 or 3
[station]
    power = watts into the feed point, 0.001 to 10000; reference = ohms that SWR refers to, 1 to
    10000; transmitter_power = watts of the radio, as power unless told; noise = "city",
    "residential", "rural" or "quiet rural"; receiver_noise = its noise figure in dB, 0 to 60;
    virtual_height = "300 km", of the layer that sends waves back, 50 to 1000 km
[exposure]
    limits = ["FCC general", "ICNIRP 2010 general below 10 MHz"], for rooms of the general public;
    limits_occupational, likewise for the others; limits_file = a file of your own that these
    stand in; mode = "SSB", or duty = average over greatest power; minutes_on, minutes_off =
    sending and listening in turn; step = how far apart points in rooms are, 0.25 m if left out"""

EXPLANATION = """\
Ridgepole: bent wires in the roof space. What will the feed point show on every band, where do
the watts go, and at which angles do they leave?

Start here:
  ridgepole example --to my-attic.toml      write an example to edit
  ridgepole check my-attic.toml             draw it and list doubts; computes nothing
  ridgepole answer my-attic.toml            impedance, watts and angles on every band
  ridgepole compare one.toml other.toml     which layout is better, at which angles
  ridgepole influence my-attic.toml         what each piece of the house does, ranked
  ridgepole exposure my-attic.toml          fields in the rooms and parts of the limits
  ridgepole station my-attic-answer/answer.h5   tuner, line, watts, noise and distances alone
  ridgepole keys                            all that an attic file may say

Each explains itself with --help. A computed number is no permission: local codes, and the advice
of licensed electricians and engineers, come first.
"""


class _BadUsage(Exception):
    """What was typed cannot be done; told without a traceback."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command and return its exit code.

    Parameters
    ----------
    arguments : sequence of str, optional
        What was typed after the command's name; `sys.argv` where left out.
    """
    parser = _parser()
    try:
        options = parser.parse_args(arguments)
    except SystemExit as stop:  # argparse has told why
        return int(stop.code or 0)
    if options.version:
        from importlib.metadata import version

        print(f"ridgepole {version('ridgepole')}")
        return DONE
    if options.job is None:
        print(EXPLANATION, end="")
        return DONE
    try:
        return options.job(options)
    except KeyboardInterrupt:
        print("\nStopped. What was written before is complete.", file=sys.stderr)
        return STOPPED
    except BrokenPipeError:  # whoever read has gone
        sys.stdout = open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115
        return DONE
    except _BadUsage as problem:
        print(f"ridgepole: {problem}", file=sys.stderr)
        return BAD_INPUT
    except Exception as problem:
        if not _is_bad_input(problem):
            import traceback

            traceback.print_exc()
            print(
                "ridgepole: this should not have happened; the lines above say where.",
                file=sys.stderr,
            )
            return UNEXPECTED
        print(f"ridgepole: {problem}", file=sys.stderr)
        return BAD_INPUT


def _is_bad_input(problem: Exception) -> bool:
    from ...geometry import AtticFileError, FeedError, GeometryError
    from ...materials import MaterialError
    from ..errors import BandError, LimitsError, SolverError, StoreError

    named = (
        AtticFileError, FeedError, GeometryError, MaterialError, BandError, LimitsError,
        SolverError, StoreError,
    )  # fmt: skip
    return isinstance(problem, (*named, OSError))


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="ridgepole",
        description="Bent wires in the roof space: load, watts and angles on every band.",
    )
    parser.add_argument("--version", action="store_true", help="tell the version")
    parser.set_defaults(job=None)
    jobs = parser.add_subparsers(title="jobs", metavar="JOB")

    job = jobs.add_parser("example", help="write an example attic file to edit")
    job.add_argument("--to", required=True, metavar="FILE", help="where to write it")
    job.add_argument("--force", action="store_true", help="overwrite a file that is there")
    job.set_defaults(job=_example)

    job = jobs.add_parser(
        "check",
        help="draw attic and wires, list doubts; computes nothing",
        description="Draw attic and wires, tell what was read, list doubts; computes nothing.",
        epilog="All that an attic file may say: ridgepole keys",
    )
    job.add_argument("file", metavar="FILE", help="the attic file")
    job.add_argument(
        "--to",
        metavar="PICTURE",
        help="the drawing (.png, .pdf or .svg); beside the file where left out",
    )
    job.set_defaults(job=_check)

    job = jobs.add_parser("answer", help="impedance, watts and angles on every band")
    job.add_argument("file", metavar="FILE", help="the attic file")
    _add_solving_options(job)
    job.add_argument("--to", metavar="FOLDER", help="for pictures and the saved answer")
    job.add_argument("--no-figures", action="store_true", help="draw no pictures")
    job.set_defaults(job=_answer)

    job = jobs.add_parser("compare", help="rank layouts in the same house")
    job.add_argument(
        "files", metavar="FILE", nargs="+", help="attic files, or answers that were saved (.h5)"
    )
    _add_solving_options(job)
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

    job = jobs.add_parser(
        "influence",
        help="what each piece of the house does, ranked",
        description="Leave out each cable, duct, group of timber and sheet in turn: change of "
        "impedance, efficiency, angles and resonance, and the current or heat in it.",
    )
    job.add_argument("file", metavar="FILE", help="the attic file")
    _add_solving_options(job, with_power=False)
    job.add_argument(
        "--to",
        metavar="PICTURE",
        help="the bar chart (.png, .pdf or .svg); beside the file where left out",
    )
    job.set_defaults(job=_influence)

    job = jobs.add_parser(
        "exposure",
        help="fields in the rooms and parts of the limits",
        description="E and H in every [[room]] of the file, held to limits of exposure: worst "
        "points, the power and the distance at which they comply, with and without each piece of "
        "metal. An estimate to plan by, not a compliance statement.",
        epilog="Rooms and limits are in the file, tables [[room]] and [exposure]: ridgepole keys",
    )
    job.add_argument("file", metavar="FILE", help="the attic file")
    _add_solving_options(job)
    job.add_argument("--mode", metavar="MODE", help="'SSB', 'CW', ...; the file's where left out")
    job.add_argument(
        "--limits", nargs="+", metavar="NAME", help="sets of limits; the file's where left out"
    )
    job.add_argument("--step", type=float, metavar="M", help="how far apart points are (0.25)")
    job.add_argument("--edges", action="store_true", help="look at the edges of each band too")
    job.add_argument(
        "--no-pieces", action="store_true", help="leave out no pieces of the house in turn"
    )
    job.add_argument("--to", metavar="FOLDER", help="for the maps and the text")
    job.set_defaults(job=_exposure)

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
    _add_solving_options(job)
    job.add_argument("--to", metavar="FOLDER", help="for ladder.png and tuner.png, a map of what "
                     "the tuner can match; none drawn where left out")  # fmt: skip
    job.set_defaults(job=_station)

    job = jobs.add_parser("keys", help="all that an attic file may say")
    job.set_defaults(job=_keys)
    return parser


def _add_solving_options(job: argparse.ArgumentParser, *, with_power: bool = True) -> None:
    job.add_argument(
        "--bands", nargs="+", metavar="BAND",
        help="'40 m' or '14.0-14.35 MHz', several of them; the file's where left out",
    )  # fmt: skip
    if with_power:
        job.add_argument("--power", type=float, metavar="W", help="into the feed point, for volts")
    job.add_argument("--region", type=int, metavar="N", help="ITU region of the bands: 1, 2 or 3")
    job.add_argument("--json", action="store_true", help="for machines: JSON and nothing else")


# ---- how it speaks -----------------------------------------------------------------------


class _Voice:
    """Says what is going on, on standard output, or on standard error where JSON goes out."""

    def __init__(self, *, as_json: bool = False) -> None:
        self.stream = sys.stderr if as_json else sys.stdout
        self.width = min(shutil.get_terminal_size((100, 24)).columns, 120)
        self.in_colour = self.stream.isatty() and "NO_COLOR" not in os.environ

    def say(self, text: str) -> None:
        """A line or more, at once."""
        print(self._coloured(text), file=self.stream, flush=True)

    def _coloured(self, text: str) -> str:
        if not self.in_colour:
            return text
        lines = [
            f"\033[1;36m{line}\033[0m" if line[:2] in ("1.", "2.", "3.", "4.", "5.") else line
            for line in text.split("\n")
        ]
        return "\n".join(lines)


def _in_seconds(seconds: float) -> str:
    return f"{seconds:.1f} s" if seconds < 10 else f"{seconds:.0f} s"


def _is_compiled() -> bool:
    """Whether the kernels' compiled form is kept from an earlier run, as far as can be seen."""
    if "NUMBA_CACHE_DIR" in os.environ:
        return any(Path(os.environ["NUMBA_CACHE_DIR"]).rglob("*.nbi"))
    package = Path(__file__).resolve().parents[1]
    return any((package / "moments" / "__pycache__").glob("*.nbi"))


# ---- the jobs ----------------------------------------------------------------------------


def _example(options: argparse.Namespace) -> int:
    from importlib.resources import files

    target = Path(options.to)
    text = (files("ridgepole.geometry") / "examples" / EXAMPLE).read_bytes()
    voice = _Voice()
    if target.is_dir():
        raise _BadUsage(f"{target} is a folder; give the name of a file, as {target}/my-attic.toml")
    if target.exists() and not options.force:
        if target.read_bytes() == text:
            voice.say(f"{target} is the example already; left as it is.")
            return DONE
        raise _BadUsage(
            f"{target} is there and differs from the example; nothing was written. Choose another "
            "name, or say --force to overwrite it."
        )
    try:
        target.write_bytes(text)
    except OSError as problem:
        raise _BadUsage(_unwritable(target, problem)) from None
    voice.say(
        f"Wrote the example to {target}. Change anything in it, then:\n"
        f"  ridgepole check {target}\n  ridgepole answer {target}"
    )
    return DONE


def _check(options: argparse.Namespace) -> int:
    voice = _Voice()
    source = Path(options.file)
    picture = Path(options.to) if options.to else source.with_suffix(".png")
    _check_picture(picture)
    from ..settings import read_attic, read_settings
    from ..station.station_tables import read_station, tells_station
    from .plan_words import plan_in_words
    from .station_page import chain_in_words

    plan = read_attic(source)
    settings = read_settings(plan)
    station = read_station(plan.file) if tells_station(plan.file) else None
    doubts = plan.doubts()
    voice.say(f"Checking {source} and drawing it to {picture}; nothing is computed (about 2 s).")
    voice.say("\n" + str(plan.attic))
    for line in plan_in_words(plan):
        voice.say(f"  {line}")
    voice.say(f"  bands: {', '.join(map(str, settings.bands))}")
    assumed = [*plan.assumptions, *settings.assumptions]
    if station is not None:
        voice.say(f"  station: {chain_in_words(station)}")
        assumed = sorted([*assumed, *station.assumptions], key=lambda a: -a.weight)
    _list(voice, "Assumed, the worst first", assumed, "Nothing had to be assumed.")
    _list(voice, "Worth a second look", doubts, "Nothing looks doubtful.")
    _save_picture(plan.plot(), picture)
    voice.say(f"\nDrawn to {picture}. Next: ridgepole answer {source}")
    return DONE


def _check_picture(picture: Path) -> None:
    if picture.suffix.lower().lstrip(".") not in FORMATS:
        raise _BadUsage(
            f"--to {picture}: the drawing can be a {', a '.join(FORMATS[:-1])} or an "
            f"{FORMATS[-1]}; end the name in .png, .pdf or .svg."
        )
    if picture.is_dir():
        raise _BadUsage(f"{picture} is a folder; give the name of a picture, as {picture}/a.png")


def _save_picture(figure: Any, picture: Path) -> None:
    try:
        picture.parent.mkdir(parents=True, exist_ok=True)
        figure.savefig(picture, dpi=110)
    except BrokenPipeError:
        raise
    except OSError as problem:
        raise _BadUsage(_unwritable(picture, problem)) from None


def _keys(options: argparse.Namespace) -> int:
    from ...materials import Conductor, Dielectric, Earth, LineType, SheetConductor, Wood
    from ..bands import band_names
    from ..station.limits import limit_names, mode_names
    from .plan_words import earth_in_words

    del options
    print(_schema())
    print("\nNames that are known")
    _list_names("metals of wires", Conductor.names())
    _list_names("wood", Wood.names())
    _list_names("boards, coverings, walls, jackets", Dielectric.names())
    _list_names("foil and metal roofs", SheetConductor.names())
    _list_names("lines", LineType.names())
    _list_names("bands", band_names())
    _list_names("limits of exposure", limit_names())
    _list_names("modes", mode_names())
    print("    ground:")
    for name in Earth.names():
        print(f'      "{name}": {earth_in_words(Earth.named(name))}')
    return DONE


def _schema() -> str:
    """Tables and keys of an attic file, as the docstrings tell them that define them."""
    import inspect
    import textwrap

    from ...geometry import attic_file, house_file, load_tables
    from ...geometry.antenna import Route
    from ..station import station_tables
    from ..study import sweep_settings

    told = (inspect.getdoc(attic_file) or "").partition("Schema. ")[2]
    introduction, tables, rest = told.split("\n\n")[:3]
    introduction = textwrap.fill(introduction.replace(" (see `attic`)", AXES), 92)
    tables = tables.replace("``", "").replace("`Route.told` reads them", "listed below")
    wires = rest.partition("\nAll other tables")[0]
    house, metal = (inspect.getdoc(house_file) or "").replace("``", "").split("\n\n")[2:4]
    loads = (inspect.getdoc(load_tables) or "").replace("``", "").split("\n\n")[1]
    station = (inspect.getdoc(station_tables) or "").replace("``", "").split("\n\n")[1]
    sweep = (inspect.getdoc(sweep_settings) or "").replace("``", "").split("\n\n")[1]
    steps = inspect.getdoc(Route.told) or ""
    steps = steps.partition("Known are::")[2].partition("\nstart :")[0].strip("\n")
    steps = "\n".join(line.removeprefix("    ") for line in steps.split("\n"))
    steps = steps.replace("\u2026", "...")
    return (
        f"{introduction}\n\n{tables}\n{SOLVER_KEYS}\n\n{wires}\n\n"
        f"The house around the wires\n\n{house}\n\n{metal}\n\n"
        f"Loads in wires, and the coax\n\n{loads}\n\n"
        f"Between the radio and the antenna\n\n{station}\n\n"
        f"What a sweep varies\n\n{sweep}\n\n"
        f'Steps of a route, with ";" between them or as a list\n\n{steps}'
    )


def _list_names(what: str, names: Sequence[str]) -> None:
    import textwrap

    text = ", ".join(f'"{name}"' for name in names)
    print(
        textwrap.fill(
            f"{what}: {text}",
            92,
            initial_indent="    ",
            subsequent_indent="      ",
            break_on_hyphens=False,
        )
    )


def _list(voice: _Voice, head: str, items: Sequence[Any], otherwise: str) -> None:
    import textwrap

    if not items:
        voice.say(f"\n{otherwise}")
        return
    voice.say(f"\n{head}")
    for item in items:
        voice.say(
            textwrap.fill(
                str(item), max(voice.width, 40), initial_indent="  - ", subsequent_indent="    "
            )
        )


def _bands_asked(options: argparse.Namespace) -> list[str] | None:
    if options.bands is None:
        return None
    return [band.strip() for text in options.bands for band in text.split(",") if band.strip()]


def _announcer(voice: _Voice) -> Callable[[Effort], None]:
    """Says what there is to do and how long it will take."""

    def announce(effort: Effort) -> None:
        cells = f"{effort.cells} cells of timber and sheets, " if effort.cells else ""
        first = "" if compiled else "; the first run compiles as well, up to a minute more"
        voice.say(
            f"Solving: about {effort.unknowns} unknowns, {cells}{effort.matrices} matrices, about "
            f"{_in_seconds(effort.seconds)}{first}."
        )

    compiled = _is_compiled()
    return announce


def _solve(plan: AtticPlan, options: argparse.Namespace, voice: _Voice) -> Answer:
    from ..answer import answer

    return answer(
        plan,
        _bands_asked(options),
        region=options.region,
        power=options.power,
        announce=_announcer(voice),
        progress=None if sys.stderr.isatty() else False,
    )


def _answer(options: argparse.Namespace) -> int:
    began = time.perf_counter()
    voice = _Voice(as_json=options.json)
    source = Path(options.file)
    folder = Path(options.to) if options.to else source.with_name(f"{source.stem}-answer")
    if folder.exists() and not folder.is_dir():
        raise _BadUsage(
            f"{folder} is a file that is there already; answers need a folder. Give --to the name "
            "of a folder, new or old."
        )
    voice.say(f"Answering {source}: load, watts and angles on every band; results go to {folder}/.")
    from ..settings import read_attic, read_settings

    plan = read_attic(source)
    # Complain about bands before anything is computed.
    read_settings(plan, bands=_bands_asked(options), region=options.region, power=options.power)
    found = _solve(plan, options, voice)
    if not options.json:
        voice.say("\n" + found.to_text(width=voice.width) + "\n")
    written, problem = _kept(found, folder, voice, with_figures=not options.no_figures)
    if options.json:
        from .json_form import answer_form

        form = {**answer_form(found), "files": [str(path) for path in written]}
        print(json.dumps(form, indent=2, allow_nan=False))
    seconds = _in_seconds(time.perf_counter() - began)
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
    found: Answer, folder: Path, voice: _Voice, *, with_figures: bool
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
        return written, f"{_unwritable(folder, problem)} Give --to with another folder."
    return written, ""


def _unwritable(place: Path, problem: Exception) -> str:
    """A sentence on why nothing can be written to a place."""
    cause = problem if isinstance(problem, OSError) else problem.__cause__
    number = cause.errno if isinstance(cause, OSError) else None
    reasons = {
        errno.EACCES: "you have no permission to write there",
        errno.EPERM: "you have no permission to write there",
        errno.EROFS: "that disk can only be read",
        errno.ENOSPC: "that disk is full",
        errno.EDQUOT: "your share of that disk is full",
        errno.ENOENT: "the folder it should go into is not there",
        errno.ENOTDIR: "something on the way to it is a file, not a folder",
        errno.EEXIST: "a file of that name is in the way",
        errno.EISDIR: "a folder of that name is in the way",
        errno.ENAMETOOLONG: "the name is too long",
    }
    reason = reasons.get(number or 0, "the system does not allow it")
    return f"{place} cannot be written: {reason}."


def _compare(options: argparse.Namespace) -> int:
    voice = _Voice(as_json=options.json)
    if len(options.files) < 2:
        raise _BadUsage("compare needs two files or more; the first is what the others are held to")
    voice.say(
        f"Comparing {', '.join(options.files)}: differences to the first; some seconds for each "
        "attic file, none for a saved answer."
    )
    from ..answer_store import open_answer
    from ..comparison import compare
    from ..settings import read_attic

    plans = [None if file.endswith(".h5") else read_attic(file) for file in options.files]
    answers = [
        open_answer(file) if plan is None else _solve(plan, options, voice)
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


def _station(options: argparse.Namespace) -> int:
    voice = _Voice(as_json=options.json)
    source = Path(options.file)
    is_saved = source.suffix == ".h5"
    if is_saved and (options.bands is not None or options.region is not None):
        raise _BadUsage("--bands and --region are for an attic file; a saved answer has its bands.")
    folder = Path(options.to) if options.to else None
    if folder is not None and folder.exists() and not folder.is_dir():
        raise _BadUsage(f"{folder} is a file that is there already; --to needs a folder.")
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
        read_settings(plan, bands=_bands_asked(options), region=options.region, power=options.power)
        setup = read_station(plan.file) if setup is None else setup
        found = _solve(plan, options, voice)
    station = station_answer(found, setup=setup, power=options.power)
    written: list[Path] = []
    if folder is not None:
        from .station_figures import station_figures

        sheets = station_figures(station)
        if station.setup.tuner is not None:
            sheets["tuner.png"] = station.plot_map()
        for name, figure in sheets.items():
            _save_picture(figure, folder / name)
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


def _influence(options: argparse.Namespace) -> int:
    began = time.perf_counter()
    voice = _Voice(as_json=options.json)
    source = Path(options.file)
    beside = source.with_name(f"{source.stem}-influence.png")
    picture = Path(options.to) if options.to else beside
    _check_picture(picture)
    voice.say(f"Leaving out each piece of the house of {source} in turn; drawing to {picture}.")
    from ..settings import read_attic, read_settings
    from ..study.influence import influence

    plan = read_attic(source)
    read_settings(plan, bands=_bands_asked(options), region=options.region)
    found = influence(
        plan,
        _bands_asked(options),
        region=options.region,
        announce=_announcer(voice),
        progress=None if sys.stderr.isatty() else False,
    )
    if options.json:
        from .influence_page import influence_form

        form = {**influence_form(found), "files": [str(picture)]}
        print(json.dumps(form, indent=2, allow_nan=False))
    else:
        voice.say("\n" + found.to_text(width=voice.width) + "\n")
    _save_picture(found.plot().figure, picture)
    seconds = _in_seconds(time.perf_counter() - began)
    voice.say(f"Drawn to {picture} ({seconds} in all).")
    return DONE


def _exposure(options: argparse.Namespace) -> int:
    voice = _Voice(as_json=options.json)
    source = Path(options.file)
    folder = Path(options.to) if options.to else source.with_name(f"{source.stem}-exposure")
    if folder.exists() and not folder.is_dir():
        raise _BadUsage(
            f"{folder} is a file that is there already; results need a folder. Give --to the name "
            "of a folder, new or old."
        )
    voice.say(f"Looking into the rooms of {source}; results go to {folder}/.")
    from .exposure_command import run_exposure

    return run_exposure(options, folder, voice.say, voice.width, _announcer(voice))


if __name__ == "__main__":
    sys.exit(main())
