"""The command that shows the whole job on an invented network."""

from __future__ import annotations

import argparse
from pathlib import Path

from crosscellar.cli.parts import DONE, Commands, command, say, show


def run_demo(args: argparse.Namespace) -> int:
    from crosscellar.demo import run_demo as run

    outcome = run(Path(args.out), say=say)
    show(args, outcome)
    return DONE


def add_commands(commands: Commands) -> None:
    """Nothing; `commands` has those of this module."""
    sub = command(commands, "demo", run_demo, "the whole job on an invented network; prints where to look")
    sub.add_argument("--out", default="crosscellar-demo", metavar="DIR", help="a new folder (%(default)s)")
