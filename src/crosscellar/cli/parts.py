"""What the commands share: exit statuses, the store they open, how a result or a remark is shown."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, TypeAlias

from crosscellar.errors import steady

if TYPE_CHECKING:
    from crosscellar.network import Network

DONE, SOME_TURNED_AWAY, COULD_NOT, NOT_SOUND = 0, 1, 2, 3

DEFAULT_STORE = "network.duckdb"

#: Where argparse keeps the commands of a parser; it has no public name for it.
Commands: TypeAlias = "argparse._SubParsersAction[argparse.ArgumentParser]"


def command(
    commands: Commands, name: str, run: Callable[[argparse.Namespace], int], about: str
) -> argparse.ArgumentParser:
    """The parser of a new command, with the options that every command has; `run` gives the exit status."""
    parser = commands.add_parser(name, help=about, description=about[0].upper() + about[1:] + ".")
    parser.add_argument("--json", action="store_true", help="one JSON document on standard output")
    # Left out here, it leaves what stood before the command.
    parser.add_argument("--store", metavar="FILE", default=argparse.SUPPRESS, help="the network's store")
    parser.set_defaults(run=run)
    return parser


def store_path(args: argparse.Namespace) -> Path:
    return Path(args.store or os.environ.get("CROSSCELLAR_STORE") or DEFAULT_STORE)


def open_network(args: argparse.Namespace, *, create: bool = False, read_only: bool = False) -> Network:
    from crosscellar.network import Network

    return Network.open(store_path(args), create=create, read_only=read_only, tell=teller())


def show(args: argparse.Namespace, result: object) -> None:
    """Print a result as text for a person, or as one JSON document, as far as anybody reads it."""
    from crosscellar.console import print_json, print_text

    try:
        (print_json if args.json else print_text)(result)
        sys.stdout.flush()
    except BrokenPipeError:
        let_go_of_output()


def let_go_of_output() -> None:
    """Nothing; what is still to be written goes nowhere, as nobody reads it."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def say(text: str) -> None:
    """A remark for the person at the keyboard: on standard error, so that it never mixes with results."""
    print(steady(text), file=sys.stderr)  # noqa: T201


def teller() -> Callable[[str], None] | None:
    """What says lines of progress to a person at a terminal; None where nobody is there to read them."""
    return say if sys.stderr.isatty() else None


def progress(done: int, of: int) -> None:
    """A line that counts up while something long runs."""
    print(f"\r{done} of {of}", end="" if done < of else "\n", file=sys.stderr, flush=True)  # noqa: T201
