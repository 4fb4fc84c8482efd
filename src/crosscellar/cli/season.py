"""The commands of a season: the register, sheets going out and coming back, what was found in them."""

from __future__ import annotations

import argparse

from crosscellar.cli import words
from crosscellar.cli.parts import DONE, SOME_TURNED_AWAY, Commands, command, open_network, show, teller


def run_register(args: argparse.Namespace) -> int:
    with open_network(args, create=True) as network:
        show(args, network.register(args.path))
    return DONE


def run_sheets(args: argparse.Namespace) -> int:
    with open_network(args) as network:
        made = network.sheets(
            season=args.season,
            trials=args.trial,
            out=args.out,
            seed=args.seed,
            ferment_reading=args.ferment_reading,
            ferment_days=args.ferment_days,
            scale=args.scale,
        )
    show(args, made)
    return DONE


def run_intake(args: argparse.Namespace) -> int:
    settings = None
    if args.settings is not None:
        from crosscellar.contract import load_contract
        from crosscellar.intake.settings import read_settings

        settings = read_settings(args.settings, load_contract())
    with open_network(args) as network:
        outcome = network.intake(
            args.paths,
            correction=args.correction,
            dry_run=args.dry_run,
            marked_up=args.marked_up,
            settings=settings,
            tell=teller(),
        )
    show(args, outcome)
    return SOME_TURNED_AWAY if outcome.turned_away else DONE


def run_rules(args: argparse.Namespace) -> int:
    from crosscellar.network import rules_page

    show(args, rules_page(args.out))
    return DONE


def run_findings(args: argparse.Namespace) -> int:
    with open_network(args, read_only=True) as network:
        show(args, network.findings(open_only=args.open))
    return DONE


def run_decide(args: argparse.Namespace) -> int:
    with open_network(args) as network:
        show(args, network.decide(args.finding, args.decision, reason=args.reason, value=args.value))
    return DONE


def run_outstanding(args: argparse.Namespace) -> int:
    with open_network(args, read_only=True) as network:
        show(args, network.outstanding(season=args.season))
    return DONE


def add_commands(commands: Commands) -> None:
    """Nothing; `commands` has those of this module."""
    sub = command(commands, "register", run_register, "take in or update the trial register")
    sub.add_argument("path", metavar="PATH", help="a folder of CSV tables, or one workbook with a tab each")

    sub = command(commands, "sheets", run_sheets, "blank workbooks to send out, identifiers filled in")
    sub.add_argument("--season", type=words.season, metavar="YEAR")
    sub.add_argument(
        "--out", required=True, metavar="DIR", help="a folder; a workbook in it is never written over"
    )
    sub.add_argument("--trial", action="append", metavar="TRIAL", help="only this one; may be repeated")
    sub.add_argument("--seed", type=words.seed, default=1, help="of serving orders and codes (%(default)s)")
    sub.add_argument(
        "--ferment-reading",
        default="brix",
        choices=("brix", "density", "specific_gravity"),
        help="the column of the ferment log (%(default)s)",
    )
    sub.add_argument(
        "--ferment-days", type=words.rows, default=21, metavar="N", help="rows a vessel (%(default)s)"
    )
    sub.add_argument("--scale", type=words.ends, default=(0, 10), metavar="LOW,HIGH", help="of scores (0,10)")

    sub = command(commands, "intake", run_intake, "take in returned sheets: files and folders")
    sub.add_argument("paths", nargs="+", metavar="PATH")
    sub.add_argument("--correction", action="store_true", help="new values replace stored ones, with history")
    sub.add_argument("--dry-run", action="store_true", help="show everything, store nothing")
    sub.add_argument("--marked-up", metavar="DIR", help="write a marked copy of each sheet with findings")
    sub.add_argument(
        "--settings", metavar="FILE", help="TOML: [rule], then setting = number; on = 0: rule off"
    )

    sub = command(
        commands, "rules", run_rules, "one page to send out: how to fill in sheets, what is refused"
    )
    sub.add_argument(
        "--out", required=True, metavar="FILE", help="an HTML page, made from the checks' own tables"
    )

    sub = command(commands, "findings", run_findings, "what was refused, held or remarked, cell by cell")
    sub.add_argument("--open", action="store_true", help="only those that wait for a decision")

    sub = command(commands, "decide", run_decide, "put your decision on a held reading on record")
    sub.add_argument("finding", type=words.finding, metavar="FINDING", help="its number in `findings`")
    sub.add_argument("decision", choices=("accept", "refuse"))
    sub.add_argument("--reason", required=True, metavar="TEXT")
    sub.add_argument(
        "--value",
        metavar="VALUE",
        help="what the cell leaves open: the number that stands, a limit as '<0.1', day-first or month-first",
    )

    sub = command(commands, "outstanding", run_outstanding, "which readings are still owed, site by site")
    sub.add_argument("--season", type=words.season, metavar="YEAR")
