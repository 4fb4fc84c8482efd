"""Write a season's annual summary, and keep a copy of the store as it stood.

python annual_summary.py 2025 --out summary/2025
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import crosscellar as cc


def summarise(args: argparse.Namespace) -> int:
    with cc.Network.open(args.store, create=False) as network:
        # A page that is read aloud should rest on a store that was looked over first.
        report = network.check()
        if not report.sound:
            print("The store needs attention before a summary is written:", *report.problems, sep="\n  ")
            return 3

        # Every site by its name for the members; with --anonymous a second edition for everybody else.
        print(network.summary(args.season, out=args.out).message)
        if args.anonymous:
            print(network.summary(args.season, out=args.anonymous, anonymous=True).message)

        # With this copy the same summary can be written again in ten years.
        if args.backup:
            print(network.backup(args.backup).message)
    return 0


def main() -> int:
    parser = argparse.ArgumentParser(description="Write the annual summary of a season.")
    parser.add_argument("season", type=int, help="the harvest year")
    parser.add_argument("--store", type=Path, default=Path("network.duckdb"))
    parser.add_argument("--out", type=Path, default=Path("summary"))
    parser.add_argument("--anonymous", type=Path, help="folder for an edition without names")
    parser.add_argument("--backup", type=Path, help="file for a copy of the store")
    try:
        return summarise(parser.parse_args())
    except cc.CrosscellarError as fault:
        print(fault, file=sys.stderr)
        return fault.exit_status


if __name__ == "__main__":
    sys.exit(main())
