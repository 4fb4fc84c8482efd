"""How long it takes to pool thousands of questions at once, beside a loop over statsmodels, in one run.

    python benchmarks/pool_each_speed.py [--questions 10000] [--sample 300] [--runs 5]

Both sides compute for each question: tau2, the mean with its Hartung-Knapp interval, Q, I2. `pool_each` adds
REML where statsmodels has Paule-Mandel (`iterated`), the Q-profile interval, the prediction interval and the
verdict. The slow side is timed on a sample of the questions and scaled up, as the table says.
"""

from __future__ import annotations

import argparse

import numpy as np
import polars as pl
from side_by_side import machine, medians, write

from crosscellar.pooling import pool_each


def network(questions: int, seed: int) -> pl.DataFrame:
    """Questions of 3 to 30 effects with variances that differ some hundredfold."""
    rng = np.random.default_rng(seed)
    sizes = rng.integers(3, 31, questions)
    total = int(sizes.sum())
    tau = np.repeat(rng.choice([0.0, 0.1, 0.3], questions), sizes)
    variance = 0.04 * np.exp(rng.normal(0.0, 1.0, total))
    effect = 0.1 + tau * rng.normal(size=total) + np.sqrt(variance) * rng.normal(size=total)
    return pl.DataFrame(
        {
            "question": np.repeat(np.arange(questions), sizes),
            "site": np.concatenate([np.arange(size) for size in sizes]),
            "estimate": effect,
            "variance": variance,
        }
    )


def statsmodels_loop(groups: list[tuple[np.ndarray, np.ndarray]]) -> None:  # type: ignore[type-arg]
    from statsmodels.stats.meta_analysis import combine_effects

    for effect, variance in groups:
        combine_effects(effect, variance, method_re="iterated").summary_frame()


def scipy_loop(groups: list[tuple[np.ndarray, np.ndarray]]) -> None:  # type: ignore[type-arg]
    """The same numbers as `pool_each`, question by question, with scipy's root finder and optimiser."""
    from scipy import optimize, stats

    for y, v in groups:
        k = y.size

        def q_at(tau2: float, y: np.ndarray = y, v: np.ndarray = v) -> float:  # type: ignore[type-arg]
            w = 1 / (v + tau2)
            return float((w * (y - (w * y).sum() / w.sum()) ** 2).sum())

        def minus_restricted(tau2: float, y: np.ndarray = y, v: np.ndarray = v) -> float:  # type: ignore[type-arg]
            w = 1 / (v + tau2)
            mean = (w * y).sum() / w.sum()
            return float(0.5 * (np.log(v + tau2).sum() + np.log(w.sum()) + (w * (y - mean) ** 2).sum()))

        top = 10 * (y.var() + v.max())
        tau2 = optimize.minimize_scalar(
            minus_restricted, bounds=(0, top), method="bounded", options={"xatol": 1e-10}
        ).x
        w = 1 / (v + tau2)
        mean, q = (w * y).sum() / w.sum(), q_at(tau2)
        half = stats.t.ppf(0.975, k - 1) * np.sqrt(q / (k - 1) / w.sum())
        far = stats.t.ppf(0.975, max(k - 2, 1)) * np.sqrt(tau2 + 1 / w.sum())
        ends = []
        for share in (0.975, 0.025):
            aim = stats.chi2.ppf(share, k - 1)
            ends.append(optimize.brentq(lambda t: q_at(t) - aim, 0, 1e6) if q_at(0) > aim else 0.0)  # noqa: B023
        _ = (mean - half, mean + half, mean - far, mean + far, ends, stats.chi2.sf(q_at(0), k - 1))


def main() -> None:
    """Prints the table and writes it."""
    read = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    read.add_argument("--questions", type=int, default=10_000)
    read.add_argument("--sample", type=int, default=300)
    read.add_argument("--runs", type=int, default=5)
    read.add_argument("--seed", type=int, default=1)
    asked = read.parse_args()
    frame = network(asked.questions, asked.seed)
    estimated = frame.with_columns(pl.lit(8.0).alias("df"))
    pool_each(frame.head(100), ["question"])
    settled = pool_each(frame, ["question"])["converged"].mean()
    sample = [
        (part["estimate"].to_numpy(), part["variance"].to_numpy())
        for part in frame.filter(pl.col("question") < asked.sample).partition_by("question")
    ]
    statsmodels_loop(sample[:3])
    scipy_loop(sample[:3])
    scale = asked.questions / len(sample)
    took = medians(
        {
            "ours": lambda: pool_each(frame, ["question"]),
            "estimated": lambda: pool_each(estimated, ["question"]),
            "theirs": lambda: statsmodels_loop(sample),
            "plain": lambda: scipy_loop(sample),
        },
        runs=asked.runs,
    )
    ours, theirs, plain = took["ours"], took["theirs"] * scale, took["plain"] * scale
    lines = [
        "# Pooling thousands of questions at once",
        "",
        machine("numpy", "scipy", "statsmodels"),
        "",
        (
            f"{asked.questions} questions of 3 to 30 effects ({frame.height} effects), medians of "
            f"{asked.runs} runs, in turn; the loops ran on {len(sample)} questions and are scaled up. "
            "`python benchmarks/pool_each_speed.py` repeats it."
        ),
        "",
        "| what | seconds | microseconds a question | times `pool_each` |",
        "|---|---|---|---|",
    ]
    for what, taken in (
        ("`pool_each`: REML, Hartung-Knapp, Q-profile, prediction, verdict", ours),
        ("`pool_each` with degrees of freedom: estimated weights, tau2's distribution", took["estimated"]),
        ("statsmodels `combine_effects(method_re='iterated')` + `summary_frame()`", theirs),
        ("scipy, question by question, the same numbers", plain),
    ):
        lines.append(f"| {what} | {taken:.3f} | {1e6 * taken / asked.questions:.1f} | {taken / ours:.1f} |")
    lines += ["", f"Converged: {100 * float(settled):.2f} % of questions."]  # type: ignore[arg-type]
    write("pool_each_speed", lines)


if __name__ == "__main__":
    main()
