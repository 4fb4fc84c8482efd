"""Does a 95 % interval of one trial cover the truth 95 times in 100 when its variance is lent by others?

Networks are simulated on the scale of the comparison: true vessel variances of an analyte follow a scaled
inverse chi-square with `d0` degrees of freedom (Smyth 2004); `replicated` trials have two or three vessels an
arm, and as many again have one. Variances go through the project's own `fit_prior`, the cap on its degrees of
freedom, and `lean`. Beside it: the trial's own variance alone, and the prior without the cap.

    python benchmarks/moderated_coverage.py [--networks 2000] [--seed 20240917]

writes benchmarks/results/moderated_coverage.md.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np
import numpy.typing as npt
from scipy.special import stdtrit

from crosscellar.effects.moderation import fit_prior, lean

Array = npt.NDArray[np.float64]
PRIORS = (4.0, 8.0, np.inf)
REPLICATED = (3, 5, 10, 25)
RESULTS = Path(__file__).parent / "results" / "moderated_coverage.md"


def true_variances(rng: np.random.Generator, d0: float, size: int) -> Array:
    return np.ones(size) if np.isinf(d0) else d0 / rng.chisquare(d0, size)


def covered(rng: np.random.Generator, spread: Array, variance: Array, df: Array) -> Array:
    """Whether the interval covers, for effects whose true standard error is the root of `spread`."""
    error = np.abs(rng.normal(size=spread.size)) * np.sqrt(spread)
    return error <= stdtrit(np.minimum(df, 1e9), 0.975) * np.sqrt(variance)


def one_network(rng: np.random.Generator, d0: float, replicated: int) -> dict[str, float]:
    vessels = rng.integers(2, 4, replicated)
    df = 2.0 * (vessels - 1)
    truth = true_variances(rng, d0, replicated)
    own = truth * rng.chisquare(df) / df
    prior = fit_prior(own, df)
    assert prior is not None
    lone = true_variances(rng, d0, replicated)
    answer: dict[str, float] = {}
    for name, prior_df in (("moderated", prior.capped_df), ("no cap", prior.df)):
        lent, total = lean(own, df, np.full(replicated, prior_df), np.full(replicated, prior.variance))
        answer[f"replicated, {name}"] = covered(rng, truth * 2 / vessels, lent * 2 / vessels, total).mean()
        one = np.full(replicated, prior.variance)
        answer[f"one vessel an arm, {name}"] = covered(
            rng, lone * 2, one * 2, np.full(replicated, prior_df)
        ).mean()
    answer["replicated, own variance"] = covered(rng, truth * 2 / vessels, own * 2 / vessels, df).mean()
    answer["width moderated / own"] = float(
        np.median(stdtrit(np.minimum(prior.capped_df + df, 1e9), 0.975) / stdtrit(df, 0.975))
    )
    return answer


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--networks", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=20240917)
    options = parser.parse_args()
    rng = np.random.default_rng(options.seed)
    columns = [
        "one vessel an arm, moderated",
        "one vessel an arm, no cap",
        "replicated, moderated",
        "replicated, no cap",
        "replicated, own variance",
        "width moderated / own",
    ]
    lines = [
        "# Coverage of single-trial intervals, nominal 95 %",
        "",
        f"{options.networks} networks a row, seed {options.seed}. Columns in per cent, the last a ratio.",
        "",
        "| d0 | replicated trials | " + " | ".join(columns) + " |",
        "|---|---|" + "---|" * len(columns),
    ]
    for d0 in PRIORS:
        for replicated in REPLICATED:
            answers = [one_network(rng, d0, replicated) for _ in range(options.networks)]
            mean = {name: float(np.mean([answer[name] for answer in answers])) for name in columns}
            cells = [f"{100 * mean[name]:.1f}" for name in columns[:-1]] + [f"{mean[columns[-1]]:.2f}"]
            lines.append(f"| {d0:g} | {replicated} | " + " | ".join(cells) + " |")
    RESULTS.parent.mkdir(exist_ok=True)
    RESULTS.write_text("\n".join(lines) + "\n", encoding="utf-8")
    print("\n".join(lines))


if __name__ == "__main__":
    main()
