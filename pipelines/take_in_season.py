"""Take in a season's sheets: the register first, then the inbox, then who still owes what.

Copy this file beside your own folders and run it whenever sheets have come back:

    python take_in_season.py --register register --inbox inbox/2025 --season 2025

Sheets that were taken in before change nothing, so the whole inbox can be given every time.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import polars as pl

import crosscellar as cc


def take_in(args: argparse.Namespace) -> int:
    with cc.Network.open(args.store) as network:
        # The trials must be known before their readings can be.
        for warning in network.register(args.register).warnings:
            print("register:", warning)

        # Marked copies show each contributor the cells that need another look.
        outcome = network.intake(args.inbox, correction=args.correction, marked_up=args.marked_up)
        print(
            f"{outcome.readings_in} readings came in: {outcome.accepted} accepted, "
            f"{outcome.refused} refused, {outcome.held} held for your decision, "
            f"{outcome.already} known already, {outcome.blank} not measured."
        )

        # A refused reading goes back to whoever typed it; a held one waits for you.
        for finding in outcome.findings.filter(pl.col("severity") != "remark").iter_rows(named=True):
            place = " ".join(filter(None, (finding["file"], finding["sheet"], finding["cell"])))
            print(f"  {finding['severity']}: {place}: {finding['message']} {finding['suggestion']}".rstrip())

        # Ready to paste into a message to each site.
        for site, text in network.outstanding(season=args.season).texts.items():
            print(f"\n--- to {site} ---\n{text}")
    return 1 if outcome.turned_away else 0


def main() -> int:
    parser = argparse.ArgumentParser(description="Take in a season's sheets.")
    parser.add_argument("--store", type=Path, default=Path("network.duckdb"))
    parser.add_argument("--register", type=Path, default=Path("register"))
    parser.add_argument("--inbox", type=Path, nargs="+", default=[Path("inbox")])
    parser.add_argument(
        "--season", type=int, help="list what this season still owes (all seasons if left out)"
    )
    parser.add_argument("--marked-up", type=Path, help="folder for the marked copies to send back")
    parser.add_argument(
        "--correction", action="store_true", help="the inbox holds mended sheets: new values replace old ones"
    )
    try:
        return take_in(parser.parse_args())
    except cc.CrosscellarError as fault:
        print(fault, file=sys.stderr)
        return fault.exit_status


if __name__ == "__main__":
    sys.exit(main())
