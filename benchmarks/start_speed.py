"""How long a person waits for the command line, beside an interpreter that only imports what it needs.

    python benchmarks/start_speed.py STORE [--runs 7]

STORE is the demo's store (`crosscellar demo --out FOLDER` makes FOLDER/network.duckdb). Whole processes, in
turn, bytecode kept, as an installed package has it. Writes results/start_speed.md.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

from side_by_side import ENVIRONMENT, machine, medians, write

#: Answers from readings alone, and one that also fits mixed models to panels' scores.
QUESTIONS = ("bentonite-dose", "nutrient-timing", "lees-stirring")


def process(*words: str) -> Callable[[], object]:
    return lambda: subprocess.run([sys.executable, *words], check=True, capture_output=True, env=ENVIRONMENT)


def main() -> None:
    """Measures and writes the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("store", type=Path)
    parser.add_argument("--runs", type=int, default=7)
    options = parser.parse_args()
    command = str(Path(sys.executable).with_name("crosscellar"))
    contestants = {
        "argparse": process("-c", "import argparse"),
        "help": process(command, "--help"),
        "imports": process("-c", "import polars, duckdb, scipy.special"),
        **{name: process(command, "pool", name, "--store", str(options.store)) for name in QUESTIONS},
    }
    took = medians(contestants, runs=options.runs)
    allowed = 2 * took["argparse"] + 0.150
    lines = [
        "# Start of the command line",
        "",
        machine("polars", "duckdb", "scipy"),
        "",
        f"Whole processes, medians of {options.runs} runs, in turn, bytecode kept as an",
        "installed package has it; `python benchmarks/start_speed.py STORE` repeats it.",
        "",
        "| what | seconds | against |",
        "|---|---|---|",
        f'| `python -c "import argparse"` | {took["argparse"]:.3f} | |',
        f"| `crosscellar --help` | {took['help']:.3f} | {took['help'] / allowed:.2f} of twice that + 0.150 |",
        f'| `python -c "import polars, duckdb, scipy.special"` | {took["imports"]:.3f} | |',
        *(
            f"| `crosscellar pool {name}` on the demo | {took[name]:.3f} "
            f"| {took[name] / took['imports']:.2f} times the imports |"
            for name in QUESTIONS
        ),
    ]
    write("start_speed", lines)


if __name__ == "__main__":
    main()
