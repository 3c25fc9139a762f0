"""The command `ridgepole`: what it is told, and its exit codes; each job is in a file of its own.

Exit codes: 0 done, 1 something unexpected, 2 bad usage or bad input, 130 stopped by Ctrl-C.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence

from .answer_command import add_answer_jobs
from .calibrate_command import add_calibrate_job
from .command_voice import BAD_INPUT, DONE, STOPPED, UNEXPECTED, BadUsage
from .exposure_command import add_exposure_job
from .file_command import add_file_jobs, add_keys_job
from .how_sure_command import add_how_sure_job
from .influence_command import add_influence_job
from .measure_command import add_measure_job
from .prune_command import add_prune_job
from .rank_command import add_rank_job
from .search_command import add_search_job
from .station_command import add_station_job
from .sweep_command import add_sweep_job
from .watch_command import add_watch_job

EXPLANATION = """\
Ridgepole: bent wires in the roof space. What will the feed point show on every band, where do
the watts go, and at which angles do they leave?

Start here:
  ridgepole example --to my-attic.toml      write an example to edit
  ridgepole check my-attic.toml             draw it and list doubts; computes nothing
  ridgepole answer my-attic.toml            impedance, watts and angles on every band
  ridgepole compare one.toml other.toml     which layout is better, at which angles
  ridgepole influence my-attic.toml         what each piece of the house does, ranked
  ridgepole calibrate my-attic.toml --reading "7.05 MHz 23 - 41j"   learn from what was read
  ridgepole exposure my-attic.toml          fields in the rooms and parts of the limits
  ridgepole station my-attic-answer/answer.h5   tuner, line, watts, noise and distances alone
  ridgepole how-sure my-attic.toml          how wide the answer is, and what that hangs on
  ridgepole measure my-attic.toml           a sheet of what to measure, what tells most first
  ridgepole sweep my-attic.toml             many layouts, overnight; goes on where it was stopped
  ridgepole watch my-attic.sweep.h5         how far that is
  ridgepole rank my-attic.sweep.h5          its best layouts, and as attic files (--to FOLDER)
  ridgepole prune my-attic.toml --reading R     what to cut next, given what the analyser read
  ridgepole search my-attic.toml            lengths and choices that meet a goal on all bands
  ridgepole keys                            all that an attic file may say

Each explains itself with --help. A computed number is no permission: local codes, and the advice
of licensed electricians and engineers, come first.
"""


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
    except BadUsage as problem:
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
    from ..errors import (
        BandError,
        LimitsError,
        PriorError,
        ReadingError,
        SolverError,
        StoreError,
        SweepError,
        TargetError,
    )

    named = (
        AtticFileError, FeedError, GeometryError, MaterialError, BandError, LimitsError,
        PriorError, ReadingError, SolverError, StoreError, SweepError, TargetError,
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
    add_file_jobs(jobs)
    add_answer_jobs(jobs)
    add_influence_job(jobs)
    add_calibrate_job(jobs)
    add_exposure_job(jobs)
    add_station_job(jobs)
    add_how_sure_job(jobs)
    add_measure_job(jobs)
    add_sweep_job(jobs)
    add_watch_job(jobs)
    add_rank_job(jobs)
    add_prune_job(jobs)
    add_search_job(jobs)
    add_keys_job(jobs)
    return parser


if __name__ == "__main__":
    sys.exit(main())
