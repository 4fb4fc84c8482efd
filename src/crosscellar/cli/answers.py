"""The commands that ask: effects, their pooled answer, the annual summary, a plan."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Mapping
from typing import Any, Final

from crosscellar.cli.parts import DONE, Commands, command, open_network, progress, say, show
from crosscellar.cli.words import amount, season, share, shares, whole_numbers
from crosscellar.errors import CrosscellarError

ANY_LABORATORY = "use effects too whose arms went to different laboratories"


#: What `plan` is asked for besides a question, each with the options that say more of it and what they are
#: read with.
_PLANS: Final[Mapping[str, tuple[str, ...]]] = {
    "panel": ("share", "chance", "risk"),
    "spread": ("precision",),
    "blank_proposals": (),
    "draft": ("proposals", "season", "budget", "prices"),
    "proposals": ("budget", "prices"),
    "precision": ("question",),
    "question": ("sites", "vessels", "again", "effect", "prices", "chance", "figure"),
}
#: What stands where the option is not given.
_USUAL: Final[Mapping[str, float]] = {"chance": 0.8, "risk": 0.05}


def _refuse_unheard(args: argparse.Namespace) -> None:
    """Nothing where every option given says something of the plan that is asked for."""
    given = [
        name
        for name in dict.fromkeys((*_PLANS, *(option for heard in _PLANS.values() for option in heard)))
        if getattr(args, name) not in (None, False, _USUAL.get(name))
    ]
    asked = next((name for name in _PLANS if name in given), None)
    if asked is None:
        return
    unheard = [_option(name) for name in given if name != asked and name not in _PLANS[asked]]
    if unheard:
        raise CrosscellarError(
            f"there is no use for {' and '.join(unheard)} beside {_option(asked)}",
            next_step="Ask for one plan at a time; `crosscellar plan --help` shows what goes together.",
        )


def _option(name: str) -> str:
    return "QUESTION" if name == "question" else f"--{name.replace('_', '-')}"


def _tell_day(args: argparse.Namespace, nothing: bool) -> None:
    """Nothing; that there was nothing on the day asked for is told as that."""
    if args.as_of and nothing:
        say(f"That was so at the end of {args.as_of}; leave --as-of out for what is known now.")


def run_effects(args: argparse.Namespace) -> int:
    with open_network(args, read_only=True) as network:
        if args.figure:
            drawn = network.effects_figure(
                args.question,
                args.figure,
                response=args.response,
                measure=args.measure,
                as_of=args.as_of,
                same_laboratory=not args.any_laboratory,
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
    _tell_day(args, answer.effects.is_empty() and answer.without.is_empty())
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
    _tell_day(args, not answer.pooled)
    return DONE


def run_summary(args: argparse.Namespace) -> int:
    with open_network(args, read_only=True) as network:
        show(
            args,
            network.summary(args.season, out=args.out, anonymous=args.anonymous, as_of=args.as_of),
        )
    return DONE


def run_plan(args: argparse.Namespace) -> int:
    _refuse_unheard(args)
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
        elif args.draft:
            if args.season is None or not args.proposals:
                raise CrosscellarError(
                    "a draft is of proposals, for a season",
                    next_step="Add --proposals FILE and --season YEAR.",
                )
            answer = network.draft(
                args.proposals,
                args.draft,
                season=args.season,
                budget=args.budget,
                prices=args.prices,
                progress=tell,
            )
        elif args.proposals:
            if args.budget is None:
                raise CrosscellarError(
                    "no budget is given",
                    next_step="Add --budget AMOUNT, or --draft DIR --season YEAR to lay out all of them.",
                )
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
                again=args.again,
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


def add_commands(commands: Commands) -> None:
    """Nothing; `commands` has those of this module."""
    sub = command(commands, "effects", run_effects, "what each trial of a question showed")
    sub.add_argument("question", metavar="QUESTION")
    sub.add_argument("--response", metavar="NAME")
    sub.add_argument("--measure", metavar="NAME")
    sub.add_argument("--as-of", metavar="DATE", help="the effects as they stood (YYYY-MM-DD)")
    sub.add_argument("--any-laboratory", action="store_true", help=ANY_LABORATORY)
    sub.add_argument("--figure", metavar="FILE", help="draw how far its vessels differ: .svg, .png or .pdf")

    sub = command(commands, "pool", run_pool, "whether the effect holds across sites and years")
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
    sub.add_argument("--level", type=share, default=0.95, metavar="SHARE")
    sub.add_argument("--any-laboratory", action="store_true", help=ANY_LABORATORY)

    sub = command(commands, "summary", run_summary, "the annual summary of a season")
    sub.add_argument("season", type=season, metavar="SEASON")
    sub.add_argument("--out", required=True, metavar="DIR")
    sub.add_argument("--anonymous", action="store_true", help="sites as codes, no contacts, no free text")
    sub.add_argument("--as-of", metavar="DATE", help="as it stood on that day (YYYY-MM-DD)")

    sub = command(commands, "plan", run_plan, "what more sites, vessels and assessors would buy next season")
    sub.add_argument("question", metavar="QUESTION", nargs="?")
    sub.add_argument("--sites", type=whole_numbers, metavar="N,N…", help="new sites considered")
    sub.add_argument("--again", type=whole_numbers, metavar="N,N…", help="sites there are that try it again")
    sub.add_argument("--vessels", type=whole_numbers, metavar="N,N…", help="vessels an arm considered")
    sub.add_argument(
        "--effect", metavar="NUMBER", help="true mean effect supposed: 10%%, or on the scale of the effects"
    )
    sub.add_argument("--prices", metavar="FILE", help="a TOML table: per_sample, per_site, currency …")
    sub.add_argument(
        "--chance", type=share, default=_USUAL["chance"], help="of a verdict, wanted (%(default)s)"
    )
    sub.add_argument("--figure", metavar="FILE", help="draw the plan: .svg, .png or .pdf")
    lot = sub.add_argument_group("vessels for the mean of one lot")
    lot.add_argument("--precision", type=shares, metavar="10%,…", help="half-widths, for QUESTION")
    lot.add_argument("--spread", type=share, metavar="15%", help="spread between vessels (CV), no QUESTION")
    panel = sub.add_argument_group("assessors for a triangle panel")
    panel.add_argument("--panel", action="store_true", help="how many, to show a difference or similarity")
    panel.add_argument("--share", type=shares, metavar="30%,…", help="who could tell")
    panel.add_argument(
        "--risk", type=share, default=_USUAL["risk"], help="of showing it wrongly (%(default)s)"
    )
    several = sub.add_argument_group("several proposed trials, one budget")
    several.add_argument("--proposals", metavar="FILE", help="CSV: question_id, site_id, vessels, cost")
    several.add_argument("--budget", type=amount, metavar="AMOUNT")
    several.add_argument("--blank-proposals", metavar="FILE", help="write such a table to start from")
    several.add_argument("--draft", metavar="DIR", help="lay them out as trials: the register to edit")
    several.add_argument("--season", type=season, metavar="YEAR", help="of the draft")
