"""The jobs on an attic file alone: `ridgepole example`, `check` and `keys`."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from .command_voice import DONE, BadUsage, Voice, check_picture, save_picture, unwritable

EXAMPLE = "gable-house.toml"

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


def add_file_jobs(jobs: Any) -> None:
    """Their options."""
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


def add_keys_job(jobs: Any) -> None:
    """Its options: none."""
    job = jobs.add_parser("keys", help="all that an attic file may say")
    job.set_defaults(job=_keys)


def _example(options: argparse.Namespace) -> int:
    from importlib.resources import files

    target = Path(options.to)
    text = (files("ridgepole.geometry") / "examples" / EXAMPLE).read_bytes()
    voice = Voice()
    if target.is_dir():
        raise BadUsage(f"{target} is a folder; give the name of a file, as {target}/my-attic.toml")
    if target.exists() and not options.force:
        if target.read_bytes() == text:
            voice.say(f"{target} is the example already; left as it is.")
            return DONE
        raise BadUsage(
            f"{target} is there and differs from the example; nothing was written. Choose another "
            "name, or say --force to overwrite it."
        )
    try:
        target.write_bytes(text)
    except OSError as problem:
        raise BadUsage(unwritable(target, problem)) from None
    voice.say(
        f"Wrote the example to {target}. Change anything in it, then:\n"
        f"  ridgepole check {target}\n  ridgepole answer {target}"
    )
    return DONE


def _check(options: argparse.Namespace) -> int:
    voice = Voice()
    source = Path(options.file)
    picture = Path(options.to) if options.to else source.with_suffix(".png")
    check_picture(picture)
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
    listed(voice, "Assumed, the worst first", assumed, "Nothing had to be assumed.")
    listed(voice, "Worth a second look", doubts, "Nothing looks doubtful.")
    save_picture(plan.plot(), picture)
    voice.say(f"\nDrawn to {picture}. Next: ridgepole answer {source}")
    return DONE


def listed(voice: Voice, head: str, items: Sequence[Any], otherwise: str) -> None:
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
    from ..study.pruning import targets as pruning_targets
    from ..study.searching import search_settings
    from ..study.unknowns import reading

    told = (inspect.getdoc(attic_file) or "").partition("Schema. ")[2]
    introduction, tables, rest = told.split("\n\n")[:3]
    introduction = textwrap.fill(introduction.replace(" (see `attic`)", AXES), 92)
    tables = tables.replace("``", "").replace("`Route.told` reads them", "listed below")
    wires = rest.partition("\nAll other tables")[0]
    house, metal = (inspect.getdoc(house_file) or "").replace("``", "").split("\n\n")[2:4]
    loads = (inspect.getdoc(load_tables) or "").replace("``", "").split("\n\n")[1]
    station = (inspect.getdoc(station_tables) or "").replace("``", "").split("\n\n")[1]
    sweep = (inspect.getdoc(sweep_settings) or "").replace("``", "").split("\n\n")[1]
    unknowns = (inspect.getdoc(reading) or "").replace("``", "").split("\n\n")[1]
    targets = (inspect.getdoc(pruning_targets) or "").replace("``", "").split("\n\n")[1]
    search = (inspect.getdoc(search_settings) or "").replace("``", "").split("\n\n")[1]
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
        f"What is not known exactly\n\n{unknowns}\n\n"
        f"What to prune for\n\n{targets}\n\n"
        f"What to search for\n\n{search}\n\n"
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
