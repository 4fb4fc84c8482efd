"""The command line: the words of the network object, with exit statuses a script can hold on to.

0 done; 1 done, but something was refused or held; 2 could not do it; 3 the store is busy, damaged or not
ours.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from crosscellar.errors import CrosscellarError, RegisterRefused, machine_fault, steady

if TYPE_CHECKING:
    from crosscellar.network import Network

DONE, SOME_TURNED_AWAY, COULD_NOT = 0, 1, 2

DEFAULT_STORE = "network.duckdb"

EPILOG = """\
exit status: 0 done; 1 done, but something was refused or held; 2 could not do it; 3 the store is busy,
damaged or not one of ours. Every command takes --json (one JSON document on standard output).
The store is --store FILE, else $CROSSCELLAR_STORE, else network.duckdb in this folder."""


ANY_LABORATORY = "use effects too whose arms went to different laboratories"


def store_path(args: argparse.Namespace) -> Path:
    return Path(args.store or os.environ.get("CROSSCELLAR_STORE") or DEFAULT_STORE)


def open_network(args: argparse.Namespace, *, create: bool = False, read_only: bool = False) -> Network:
    from crosscellar.network import Network

    return Network.open(store_path(args), create=create, read_only=read_only)


def show(args: argparse.Namespace, result: object) -> None:
    """Print a result as text for a person, or as one JSON document."""
    from crosscellar.console import print_json, print_text

    (print_json if args.json else print_text)(result)


def say(text: str) -> None:
    """A remark for the person at the keyboard: on standard error, so that it never mixes with results."""
    print(steady(text), file=sys.stderr)  # noqa: T201


def run_demo(args: argparse.Namespace) -> int:
    from crosscellar.demo import run_demo as run

    outcome = run(Path(args.out), say=say)
    show(args, outcome)
    return DONE


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
    with open_network(args, create=True) as network:
        outcome = network.intake(
            args.paths,
            correction=args.correction,
            dry_run=args.dry_run,
            marked_up=args.marked_up,
            settings=settings,
        )
    show(args, outcome)
    return SOME_TURNED_AWAY if outcome.turned_away else DONE


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


def run_effects(args: argparse.Namespace) -> int:
    with open_network(args, read_only=True) as network:
        if args.figure:
            drawn = network.effects_figure(
                args.question, args.figure, response=args.response, measure=args.measure
            )
            show(args, drawn)
            return DONE
        answer = network.effects_answer(
            args.question,
            response=args.response,
            measure=args.measure,
            as_of=args.as_of,
            same_laboratory=not args.any_laboratory,
        )
    show(args, answer)
    return DONE


def run_pool(args: argparse.Namespace) -> int:
    with open_network(args, read_only=True) as network:
        answer = network.answer(
            args.question,
            response=args.response,
            measure=args.measure,
            by=args.by,
            as_of=args.as_of,
            method=args.method,
            interval=args.interval,
            level=args.level,
            same_laboratory=not args.any_laboratory,
        )
    show(args, answer)
    return DONE


def run_summary(args: argparse.Namespace) -> int:
    with open_network(args, read_only=True) as network:
        show(
            args,
            network.summary(args.season, out=args.out, anonymous=args.anonymous, as_of=args.as_of),
        )
    return DONE


def run_plan(args: argparse.Namespace) -> int:
    if args.panel:
        from crosscellar.plans import SHARES, panel_plan

        show(args, panel_plan(args.share or SHARES, chance=args.chance, risk=args.risk))
        return DONE
    if args.spread is not None:
        from crosscellar.plans import PRECISIONS, precision_plan

        show(args, precision_plan(args.precision or PRECISIONS, cv=args.spread, cv_df=None, words="as given"))
        return DONE
    tell = progress if sys.stderr.isatty() else None
    with open_network(args, read_only=True) as network:
        answer: Any
        if args.blank_proposals:
            answer = network.blank_proposals(args.blank_proposals)
        elif args.proposals:
            if args.budget is None:
                raise CrosscellarError("no budget is given", next_step="Add --budget AMOUNT.")
            answer = network.choose(args.proposals, budget=args.budget, prices=args.prices, progress=tell)
        elif args.question is None:
            raise CrosscellarError(
                "nothing says what to plan",
                next_step="Name a question, or ask for --panel, --spread, --proposals or --blank-proposals.",
            )
        elif args.precision is not None:
            answer = network.vessels(args.question, args.precision)
        else:
            answer = network.plan(
                args.question,
                sites=args.sites,
                vessels=args.vessels,
                effect=args.effect,
                prices=args.prices,
                chance=args.chance,
                figure=args.figure,
                progress=tell,
            )
    show(args, answer)
    if args.figure:
        say(f"Drawn in {args.figure}.")
    return DONE


def progress(done: int, of: int) -> None:
    """A line that counts up while something long runs."""
    print(f"\r{done} of {of}", end="" if done < of else "\n", file=sys.stderr, flush=True)  # noqa: T201


def share(text: str) -> float:
    """A share as `10%` or `0.1`."""
    value = float(text[:-1]) / 100.0 if text.endswith("%") else float(text)
    if not 0 < value < 1:
        raise argparse.ArgumentTypeError(f"{text} is no share: write 10% or 0.1")
    return value


def shares(text: str) -> tuple[float, ...]:
    """Shares as `10%,20%`."""
    return tuple(share(part.strip()) for part in text.split(","))


def ends(text: str) -> tuple[float, float]:
    """The ends of a scale as `0,10`."""
    low, high = (float(part) for part in text.split(","))
    if not low < high:
        raise argparse.ArgumentTypeError(f"{text} is no scale: write its low and high end as 0,10")
    return low, high


def whole_numbers(text: str) -> tuple[int, ...]:
    """Numbers as they are given on the command line: `1,2,3`."""
    return tuple(int(part) for part in text.split(","))


def run_check(args: argparse.Namespace) -> int:
    with open_network(args, read_only=not args.upgrade) as network:
        report = network.check()
    show(args, report)
    return DONE if report.sound else 3


def run_backup(args: argparse.Namespace) -> int:
    with open_network(args) as network:
        show(args, network.backup(args.out))
    return DONE


def run_rebuild(args: argparse.Namespace) -> int:
    with open_network(args) as network:
        rebuilt = network.rebuild(args.out)
    show(args, rebuilt)
    return DONE if rebuilt.same else 3


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


def run_rules(args: argparse.Namespace) -> int:
    from crosscellar.network import rules_page

    show(args, rules_page(args.out))
    return DONE


def run_export(args: argparse.Namespace) -> int:
    with open_network(args, read_only=True) as network:
        show(args, network.export(args.out))
    return DONE


def build_parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="crosscellar",
        description="Pool production-scale trials across wineries and years: take in the season's sheets, "
        "ask whether an effect holds, write the annual summary.",
        epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--store", metavar="FILE", help="the network's store")
    parser.add_argument("--version", action="store_true", help="print the version and stop")
    commands = parser.add_subparsers(title="commands", metavar="COMMAND")

    def command(name: str, run: Callable[[argparse.Namespace], int], about: str) -> argparse.ArgumentParser:
        sub = commands.add_parser(name, help=about, description=about[0].upper() + about[1:] + ".")
        sub.add_argument("--json", action="store_true", help="one JSON document on standard output")
        # Left out here, it leaves what stood before the command.
        sub.add_argument("--store", metavar="FILE", default=argparse.SUPPRESS, help="the network's store")
        sub.set_defaults(run=run)
        return sub

    sub = command("demo", run_demo, "the whole job on an invented network; prints where to look")
    sub.add_argument("--out", default="crosscellar-demo", metavar="DIR", help="a new folder (%(default)s)")

    sub = command("register", run_register, "take in or update the trial register")
    sub.add_argument("path", metavar="PATH", help="a folder of CSV tables, or one workbook with a tab each")

    sub = command("sheets", run_sheets, "blank workbooks to send out, identifiers filled in")
    sub.add_argument("--season", type=int, metavar="YEAR")
    sub.add_argument("--out", required=True, metavar="DIR")
    sub.add_argument("--trial", action="append", metavar="TRIAL", help="only this one; may be repeated")
    sub.add_argument("--seed", type=int, default=1, help="of serving orders and codes (%(default)s)")
    sub.add_argument(
        "--ferment-reading",
        default="brix",
        choices=("brix", "density", "specific_gravity"),
        help="the column of the ferment log (%(default)s)",
    )
    sub.add_argument("--ferment-days", type=int, default=21, metavar="N", help="rows a vessel (%(default)s)")
    sub.add_argument("--scale", type=ends, default=(0, 10), metavar="LOW,HIGH", help="of scores (0,10)")

    sub = command("intake", run_intake, "take in returned sheets: files and folders")
    sub.add_argument("paths", nargs="+", metavar="PATH")
    sub.add_argument("--correction", action="store_true", help="new values replace stored ones, with history")
    sub.add_argument("--dry-run", action="store_true", help="show everything, store nothing")
    sub.add_argument("--marked-up", metavar="DIR", help="write a marked copy of each sheet with findings")
    sub.add_argument(
        "--settings", metavar="FILE", help="TOML: [rule], then setting = number; on = 0: rule off"
    )

    sub = command("rules", run_rules, "one page to send out: how to fill in sheets, what is refused")
    sub.add_argument(
        "--out", required=True, metavar="FILE", help="an HTML page, made from the checks' own tables"
    )

    sub = command("findings", run_findings, "what was refused, held or remarked, cell by cell")
    sub.add_argument("--open", action="store_true", help="only those that wait for a decision")

    sub = command("decide", run_decide, "put your decision on a held reading on record")
    sub.add_argument("finding", type=int, metavar="FINDING", help="its number in `findings`")
    sub.add_argument("decision", choices=("accept", "refuse"))
    sub.add_argument("--reason", required=True, metavar="TEXT")
    sub.add_argument(
        "--value",
        metavar="VALUE",
        help="what the cell leaves open: the number that stands, a limit as '<0.1', day-first or month-first",
    )

    sub = command("outstanding", run_outstanding, "which readings are still owed, site by site")
    sub.add_argument("--season", type=int, metavar="YEAR")

    sub = command("effects", run_effects, "what each trial of a question showed")
    sub.add_argument("question", metavar="QUESTION")
    sub.add_argument("--response", metavar="NAME")
    sub.add_argument("--measure", metavar="NAME")
    sub.add_argument("--as-of", metavar="DATE", help="the effects as they stood (YYYY-MM-DD)")
    sub.add_argument("--any-laboratory", action="store_true", help=ANY_LABORATORY)
    sub.add_argument("--figure", metavar="FILE", help="draw how far its vessels differ: .svg, .png or .pdf")

    sub = command("pool", run_pool, "whether the effect holds across sites and years")
    sub.add_argument("question", metavar="QUESTION")
    sub.add_argument("--response", metavar="NAME")
    sub.add_argument("--measure", metavar="NAME")
    sub.add_argument("--by", metavar="MODERATOR", help="cultivar, colour, season, level or volume_l")
    sub.add_argument("--as-of", metavar="DATE", help="the answer as it stood (YYYY-MM-DD)")
    sub.add_argument("--method", default="reml", choices=("reml", "ml", "moment", "paule_mandel", "common"))
    sub.add_argument(
        "--interval",
        default="auto",
        choices=("auto", "estimated_weights", "hartung_knapp", "normal", "robust", "bayes"),
    )
    sub.add_argument("--level", type=float, default=0.95, metavar="SHARE")
    sub.add_argument("--any-laboratory", action="store_true", help=ANY_LABORATORY)

    sub = command("summary", run_summary, "the annual summary of a season")
    sub.add_argument("season", type=int, metavar="SEASON")
    sub.add_argument("--out", required=True, metavar="DIR")
    sub.add_argument("--anonymous", action="store_true", help="sites as codes, no contacts, no free text")
    sub.add_argument("--as-of", metavar="DATE", help="as it stood on that day (YYYY-MM-DD)")

    sub = command("plan", run_plan, "what more sites, vessels and assessors would buy next season")
    sub.add_argument("question", metavar="QUESTION", nargs="?")
    sub.add_argument("--sites", type=whole_numbers, metavar="N,N…", help="new sites considered")
    sub.add_argument("--vessels", type=whole_numbers, metavar="N,N…", help="vessels an arm considered")
    sub.add_argument(
        "--effect", metavar="NUMBER", help="true mean effect supposed: 10%%, or on the scale of the effects"
    )
    sub.add_argument("--prices", metavar="FILE", help="a TOML table: per_sample, per_site, currency …")
    sub.add_argument("--chance", type=share, default=0.8, help="of a verdict, wanted (%(default)s)")
    sub.add_argument("--figure", metavar="FILE", help="draw the plan: .svg, .png or .pdf")
    lot = sub.add_argument_group("vessels for the mean of one lot")
    lot.add_argument("--precision", type=shares, metavar="10%,…", help="half-widths, for QUESTION")
    lot.add_argument("--spread", type=share, metavar="15%", help="spread between vessels (CV), no QUESTION")
    panel = sub.add_argument_group("assessors for a triangle panel")
    panel.add_argument("--panel", action="store_true", help="how many, to show a difference or similarity")
    panel.add_argument("--share", type=shares, metavar="30%,…", help="who could tell")
    panel.add_argument("--risk", type=share, default=0.05, help="of showing it wrongly (%(default)s)")
    several = sub.add_argument_group("several proposed trials, one budget")
    several.add_argument("--proposals", metavar="FILE", help="CSV: question_id, site_id, vessels, cost")
    several.add_argument("--budget", type=float, metavar="AMOUNT")
    several.add_argument("--blank-proposals", metavar="FILE", help="write such a table to start from")

    sub = command("check", run_check, "verify the store against the kept files and the journal")
    sub.add_argument("--upgrade", action="store_true", help="bring a store of an older version up to date")

    sub = command("backup", run_backup, "write a consistent copy of the store")
    sub.add_argument("--out", required=True, metavar="FILE")

    sub = command("rebuild", run_rebuild, "make the store again from kept files, register and decisions")
    sub.add_argument("--out", required=True, metavar="FILE")

    sub = command("forget", run_forget, "take a person out of the store and its history")
    whom = sub.add_mutually_exclusive_group()
    whom.add_argument("--contact", metavar="SITE", help="whoever was named as the contact of this site")
    whom.add_argument(
        "--assessor", metavar="CODE", help="a neutral code takes its place, tastings still count"
    )
    whom.add_argument("--text", metavar="TEXT", help="a name in notes, reasons, findings, names of files")
    sub.add_argument(
        "--trial", action="append", metavar="TRIAL", help="where the code is meant; may be repeated"
    )
    sub.add_argument("--drop-files", action="store_true", help="give up the bytes of sheets that hold it")
    sub.add_argument("--dry-run", action="store_true", help="show what would go, change nothing")

    sub = command("export", run_export, "every accepted reading and effect as open files with a dictionary")
    sub.add_argument("--out", required=True, metavar="DIR")
    return parser


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command and return its exit status; never a traceback."""
    parser = build_parser()
    args = parser.parse_args(argv)
    if args.version:
        from importlib.metadata import version

        print(f"crosscellar {version('crosscellar')}")  # noqa: T201
        return DONE
    if not hasattr(args, "run"):
        parser.print_help()
        return DONE
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
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
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


if __name__ == "__main__":
    sys.exit(main())
