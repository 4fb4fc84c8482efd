"""Ask one question of the network: what each trial showed, and whether it holds across sites and years.

python ask_one_question.py lees-stirring --figure lees.svg
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import crosscellar as cc


def ask(args: argparse.Namespace) -> int:
    with cc.Network.open(args.store, read_only=True) as network:
        # One line a trial and treatment arm; the last column says where its variance comes from.
        effects = network.effects(args.question, response=args.response)
        print("What each trial showed (treatment minus control):")
        for row in effects.iter_rows(named=True):
            if row["estimate"] is None:
                shown = row["remark"]
            else:
                shown = f"{row['estimate']:+.3f} {row['unit']} (variance {row['variance_source']})"
            print(f"  {row['trial']:<10} {row['arm']:<12} {row['response']} at {row['stage']}: {shown}")

        # The first answer is about the response that the hypothesis names; the rest are only watched.
        answers = network.pool(args.question, response=args.response)
        for pooled in answers:
            print(f"\n{pooled}")

        if args.figure and answers:
            answers[0].plot(args.figure)
            print(f"\nThe forest plot is in {args.figure}.")
    return 0


def main() -> int:
    parser = argparse.ArgumentParser(description="Ask one question of the network.")
    parser.add_argument("question", help="the question's id in the register")
    parser.add_argument("--response", help="one response only (its primary and the watched ones if left out)")
    parser.add_argument("--store", type=Path, default=Path("network.duckdb"))
    parser.add_argument("--figure", type=Path, help="where to draw the forest plot (.svg or .png)")
    try:
        return ask(parser.parse_args())
    except cc.CrosscellarError as fault:
        print(fault, file=sys.stderr)
        return fault.exit_status


if __name__ == "__main__":
    sys.exit(main())
