"""The command line: the words of the network object, with exit statuses a script can hold on to.

0 done; 1 done, but something was refused or held; 2 could not do it; 3 the store is busy, damaged or not
ours.
"""

from __future__ import annotations

import argparse
import gc
import io
import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import NoReturn

from crosscellar.cli import answers, season, upkeep, whole_job
from crosscellar.cli.loading import special_functions_when_asked
from crosscellar.cli.parts import COULD_NOT, DONE, let_go_of_output, say
from crosscellar.cli.words import negative_shares_joined
from crosscellar.errors import CrosscellarError, RegisterRefused, machine_fault

__all__ = ["build_parser", "main", "run"]

#: Read by packages when they are loaded; what the user has set stands.
_SETTINGS = {
    # What one step lets go the next one takes, for a second: given back to the system page by page and
    # asked for again, it costs a large taking-in a seventh of its processor time. In one place, not one for
    # each thread, it is found again sooner, and a fifth less is held. The allocator of polars reads this; on
    # systems where it is another, nothing is changed.
    "_RJEM_MALLOC_CONF": "narenas:1,oversize_threshold:0,dirty_decay_ms:1000,muzzy_decay_ms:1000",
    # The allocator of DuckDB gives back at once what a statement let go: it looks for it only while it is at
    # work, and between two large sheets a quarter of a gigabyte would wait there.
    "DUCKDB_JE_MALLOC_CONF": "dirty_decay_ms:0,muzzy_decay_ms:0",
    # The matrices here are small: threads that wait for a part of one cost more than they do.
    "OPENBLAS_NUM_THREADS": "1",
}

EPILOG = """\
exit status: 0 done; 1 done, but something was refused or held; 2 could not do it; 3 the store is busy,
damaged or not one of ours. Every command takes --json (one JSON document on standard output).
The store is --store FILE, else $CROSSCELLAR_STORE, else network.duckdb in this folder."""


def build_parser() -> argparse.ArgumentParser:
    """The parser of the command line, every command with its options."""
    parser = argparse.ArgumentParser(
        prog="crosscellar",
        description="Pool production-scale trials across wineries and years: take in the season's sheets, "
        "ask whether an effect holds, write the annual summary.",
        epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--store", metavar="FILE", help="the network's store")
    parser.add_argument("--version", action="store_true", help="print the version and stop")
    parser.set_defaults(run=lambda _: _say_help(parser))
    commands = parser.add_subparsers(title="commands", metavar="COMMAND")
    for group in (whole_job, season, answers, upkeep):
        group.add_commands(commands)
    return parser


def _say_help(parser: argparse.ArgumentParser) -> int:
    parser.print_help()
    return DONE


def _say_version(_: argparse.Namespace) -> int:
    from importlib.metadata import version

    print(f"crosscellar {version('crosscellar')}")  # noqa: T201
    return DONE


def _make_ready_to_tell() -> None:
    """Nothing; both streams are there, and take every letter: by its number where they have no other way."""
    for name in ("stdout", "stderr"):
        # A scheduler may start a command without them.
        stream = getattr(sys, name) or Path(os.devnull).open("w", encoding="utf-8")  # noqa: SIM115
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")
        setattr(sys, name, stream)


def run() -> NoReturn:
    """The command `crosscellar`: `main`, and the end of its process.

    Stores are closed and all is written by then. The packages are not taken apart object by object, as a
    process that ends otherwise does: it took a thirtieth of a short command.
    """
    status = main()
    sys.stderr.flush()
    os._exit(status)


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command and return its exit status; never a traceback."""
    # A process that has loaded polars is not this command's alone.
    if "polars" not in sys.modules:
        for name, value in _SETTINGS.items():
            os.environ.setdefault(name, value)
        # Packages make some hundred thousand lasting objects: looking through them for garbage, while they
        # are loaded, took a tenth of a short command.
        gc.set_threshold(200_000, 20, 20)
        special_functions_when_asked()
    _make_ready_to_tell()
    parser = build_parser()
    args = parser.parse_args(negative_shares_joined(sys.argv[1:] if argv is None else argv))
    if args.version:
        args.run = _say_version
    try:
        status: int = args.run(args)
        sys.stdout.flush()
        return status
    except RegisterRefused as refused:
        say(f"crosscellar: {refused.sentence}")
        for fault in refused.faults:
            say(f"  - {fault}")
        return refused.exit_status
    except CrosscellarError as fault:
        say(f"crosscellar: {fault.sentence}")
        return fault.exit_status
    except KeyboardInterrupt:
        say("crosscellar: stopped. What was taken in before stays; run the same command again to go on.")
        return COULD_NOT
    except BrokenPipeError:
        let_go_of_output()
        return DONE
    except SystemExit:
        raise
    except BaseException as fault:  # a panic of polars is no Exception
        told = machine_fault(fault)
        if told is not None:
            say(f"crosscellar: {told.sentence}")
            return told.exit_status
        if os.environ.get("CROSSCELLAR_DEBUG"):
            raise
        say(
            f"crosscellar: a fault of the program ({type(fault).__name__}: {fault}). Nothing half-done was "
            "stored. Run it again with CROSSCELLAR_DEBUG=1 and send the lines it prints to the maintainers."
        )
        return COULD_NOT
