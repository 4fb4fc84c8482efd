"""The commands that look after the store: checked, copied, made again, without a person, given out."""

from __future__ import annotations

import argparse

from crosscellar.cli.parts import DONE, NOT_SOUND, Commands, command, open_network, show


def run_check(args: argparse.Namespace) -> int:
    with open_network(args, read_only=not args.upgrade) as network:
        report = network.check()
    show(args, report)
    return DONE if report.sound else NOT_SOUND


def run_backup(args: argparse.Namespace) -> int:
    with open_network(args) as network:
        show(args, network.backup(args.out))
    return DONE


def run_rebuild(args: argparse.Namespace) -> int:
    with open_network(args) as network:
        rebuilt = network.rebuild(args.out)
    show(args, rebuilt)
    return DONE if rebuilt.same else NOT_SOUND


def run_forget(args: argparse.Namespace) -> int:
    with open_network(args, read_only=args.dry_run) as network:
        forgetting = network.forget(
            contact=args.contact,
            assessor=args.assessor,
            text=args.text,
            trials=args.trial,
            drop_files=args.drop_files,
            dry_run=args.dry_run,
        )
    show(args, forgetting)
    return DONE


def run_export(args: argparse.Namespace) -> int:
    with open_network(args, read_only=True) as network:
        show(args, network.export(args.out))
    return DONE


def add_commands(commands: Commands) -> None:
    """Nothing; `commands` has those of this module."""
    sub = command(commands, "check", run_check, "verify the store against the kept files and the journal")
    sub.add_argument("--upgrade", action="store_true", help="bring a store of an older version up to date")

    sub = command(commands, "backup", run_backup, "write a consistent copy of the store")
    sub.add_argument("--out", required=True, metavar="FILE")

    sub = command(
        commands, "rebuild", run_rebuild, "make the store again from kept files, register and decisions"
    )
    sub.add_argument("--out", required=True, metavar="FILE")

    sub = command(commands, "forget", run_forget, "take a person out of the store and its history")
    whom = sub.add_mutually_exclusive_group()
    whom.add_argument("--contact", metavar="SITE", help="whoever was named as the contact of this site")
    whom.add_argument(
        "--assessor", metavar="CODE", help="a neutral code takes its place, tastings still count"
    )
    whom.add_argument("--text", metavar="TEXT", help="a name in notes, reasons, findings, names of files")
    sub.add_argument(
        "--trial", action="append", metavar="TRIAL", help="where the code is meant; may be repeated"
    )
    sub.add_argument("--drop-files", action="store_true", help="give up the bytes of sheets that may hold it")
    sub.add_argument("--dry-run", action="store_true", help="show what would go, change nothing")

    sub = command(
        commands, "export", run_export, "every accepted reading and effect as open files with a dictionary"
    )
    sub.add_argument("--out", required=True, metavar="DIR")
