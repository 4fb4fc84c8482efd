"""Writes the demo network: register, inbox, corrections, and the list of faults planted in them.

    python data/demo/make_demo.py [--out DIR]

The same seed gives the same files. Needs Python 3.11 and xlsxwriter, nothing of this project.
"""

from __future__ import annotations

import argparse
from pathlib import Path

from demo_chemistry import contents
from demo_faults import plant
from demo_register import register
from demo_scenario import trials, true_effects
from demo_sheets import sheets
from demo_tables import csv_bytes


def files() -> dict[str, bytes]:
    """Every file of the demo by its path under the folder."""
    network = trials()
    effects = true_effects(network)
    held = {
        (trial.trial_id, vessel_id): values
        for trial in network
        for vessel_id, values in contents(trial, effects[trial.trial_id]).items()
    }
    out = {f"register/{name}.csv": csv_bytes(table) for name, table in register(network).items()}
    inbox = sheets(network, held, effects)
    extra, faults = plant(inbox)
    out |= {path: sheet.content() for path, sheet in inbox.items()}
    out |= {path: sheet.content() for path, sheet in extra.items()}
    copied = "inbox/2023/alder_2023_must_copy.csv"
    out[copied] = out["inbox/2023/alder_2023_must.csv"]
    out["planted_faults.csv"] = csv_bytes(faults)
    return dict(sorted(out.items()))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--out", type=Path, default=Path(__file__).resolve().parent)
    folder = parser.parse_args().out
    made = files()
    for name, content in made.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)
    print(f"{len(made)} files, {sum(map(len, made.values())) / 1000:.0f} kB, in {folder}")


if __name__ == "__main__":
    main()
