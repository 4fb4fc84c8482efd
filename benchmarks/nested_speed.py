"""Nested REML against the same likelihood on full matrices with scipy's optimizer, in one run.

Also the cost for more and more sites, which must grow in proportion. The full run writes
benchmarks/results/nested_speed.md.

    python benchmarks/nested_speed.py [--quick]
"""

from __future__ import annotations

import argparse
import time

import numpy as np
from scipy.linalg import cho_factor, cho_solve
from scipy.optimize import minimize
from side_by_side import machine, medians, write

from crosscellar.pooling.covariance import Covariance, Floats, from_shared_controls
from crosscellar.pooling.nested import fit_nested
from crosscellar.pooling.robust import cr2


def network(sites: int, effects: int, seed: int) -> tuple[Floats, Floats, Floats, Floats, Covariance]:
    """Effects spread over sites, two arms a trial on one control."""
    rng = np.random.default_rng(seed)
    trials = effects // 2
    trial = np.repeat(np.arange(trials), 2)
    site = np.sort(np.r_[np.arange(sites), rng.integers(0, sites, trials - sites)])[trial]
    control = rng.uniform(0.002, 0.01, trials)[trial]
    variance = control + rng.uniform(0.002, 0.02, effects)
    shared = from_shared_controls(trial.tolist(), control)
    y = 0.1 + rng.normal(0, 0.15, sites)[site] + rng.normal(0, 0.1, trials)[trial]
    y += rng.normal(0, np.sqrt(control)) + rng.normal(0, np.sqrt(variance - control))
    return y, variance, site, trial, shared


def on_full_matrices(
    y: Floats, variance: Floats, site: Floats, trial: Floats, shared: Covariance
) -> tuple[Floats, float]:
    """Site and trial variance by L-BFGS-B on the restricted likelihood written with n by n matrices."""
    sampling = shared.matrix(variance)
    same_site = (site[:, None] == site).astype(float)
    same_trial = (trial[:, None] == trial).astype(float)
    ones = np.ones(y.size)

    def misfit(theta: Floats) -> float:
        factor = cho_factor(sampling + theta[0] * same_site + theta[1] * same_trial, lower=True)
        solved = cho_solve(factor, np.column_stack([ones, y]))
        precision = ones @ solved[:, 0]
        mean = y @ solved[:, 0] / precision
        rest = y @ solved[:, 1] - mean**2 * precision
        log_v = 2 * np.log(np.diagonal(factor[0])).sum()
        return float(0.5 * (log_v + np.log(precision) + rest + (y.size - 1) * np.log(2 * np.pi)))

    found = minimize(misfit, [0.01, 0.01], bounds=[(0, None)] * 2, method="L-BFGS-B", options={"ftol": 1e-14})
    return found.x, -float(found.fun)


def cr2_on_full_matrices(
    y: Floats, variance: Floats, site: Floats, trial: Floats, shared: Covariance, theta: Floats
) -> tuple[float, float]:
    """Standard error and degrees of freedom of the mean, from V as one matrix: (I - H) V (I - H)' and so on.

    Pustejovsky & Tipton 2018, with the symmetric square root of each site's covariance.
    """
    same_site = (site[:, None] == site).astype(float)
    v = shared.matrix(variance) + theta[0] * same_site + theta[1] * (trial[:, None] == trial)
    solved = cho_solve(cho_factor(v, lower=True), np.ones(y.size))
    spread = 1.0 / solved.sum()
    left = y - spread * (solved @ y)
    variances = v - spread
    pulls = []
    for code in range(int(site.max()) + 1):
        rows = np.flatnonzero(site == code)
        value, vector = np.linalg.eigh(v[np.ix_(rows, rows)])
        root = (vector * np.sqrt(value)) @ vector.T
        share, turn = np.linalg.eigh(root @ variances[np.ix_(rows, rows)] @ root)
        adjust = root @ ((turn / np.sqrt(share)) @ turn.T) @ root
        pull = np.zeros(y.size)
        pull[rows] = adjust @ solved[rows] * spread
        pulls.append(pull)
    stacked = np.array(pulls)
    moments = stacked @ variances @ stacked.T
    return float(np.sqrt(((stacked @ left) ** 2).sum())), float(np.trace(moments) ** 2 / (moments**2).sum())


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="fewer repeats and sizes")
    parser.add_argument("--runs", type=int, default=21)
    asked = parser.parse_args()
    quick = asked.quick
    y, variance, site, trial, shared = network(60, 500, 1)

    def ours() -> object:
        return fit_nested(y, variance, site=site, trial=trial, covariance=shared)

    fit = fit_nested(y, variance, site=site, trial=trial, covariance=shared)
    theta, height = on_full_matrices(y, variance, site, trial, shared)
    assert abs(height - fit.log_likelihood) < 1e-6, (height, fit.log_likelihood)
    assert np.allclose(theta, [fit.sigma2["site"], fit.sigma2["trial"]], rtol=1e-2)
    theta = np.array([fit.sigma2["site"], fit.sigma2["trial"]])
    clustered = cr2(fit)
    plainly = cr2_on_full_matrices(y, variance, site, trial, shared, theta)
    assert np.allclose(plainly, (clustered.std_errors[0], clustered.df[0]), rtol=1e-8), plainly
    runs = 1 if quick else asked.runs
    took = medians(
        {
            "own": ours,
            "robust": lambda: cr2(fit),
            "full": lambda: on_full_matrices(y, variance, site, trial, shared),
            "full_robust": lambda: cr2_on_full_matrices(y, variance, site, trial, shared, theta),
        },
        runs=runs,
    )
    own, robust, full, full_robust = (took[name] for name in ("own", "robust", "full", "full_robust"))
    lines = [
        "# Nested REML: speed",
        "",
        machine("numpy", "scipy"),
        "",
        (
            "500 effects in 60 sites, two arms a trial on one control; medians of "
            f"{runs} runs in turn; `python benchmarks/nested_speed.py` repeats it."
        ),
        "",
        "| what | ms |",
        "|---|---|",
        f"| `fit_nested` (grid of starts, Newton, standard errors) | {1e3 * own:.1f} |",
        f"| `cr2` on it | {1e3 * robust:.1f} |",
        f"| the same likelihood on full matrices, scipy L-BFGS-B from one start | {1e3 * full:.0f} |",
        f"| CR2 on full matrices, the same numbers | {1e3 * full_robust:.0f} |",
        "",
        f"Ratio full / `fit_nested`: {full / own:.0f}.",
        f"The full likelihood / `fit_nested` and `cr2`: {full / (own + robust):.0f}.",
        f"Both on full matrices / `fit_nested` and `cr2`: {(full + full_robust) / (own + robust):.0f}.",
        f"The log likelihoods differ by {abs(height - fit.log_likelihood):.0e}.",
        "",
        "Cost by size (8 effects a site):",
        "",
        "| sites | effects | fit ms | cr2 ms | fit microseconds a site |",
        "|---|---|---|---|---|",
    ]
    for sites in (100, 1000) if quick else (100, 1000, 10_000, 50_000):
        data = network(sites, 8 * sites, 2)
        options = {"site": data[2], "trial": data[3], "covariance": data[4]}
        start = time.perf_counter()
        large = fit_nested(data[0], data[1], **options)
        middle = time.perf_counter()
        cr2(large)
        end = time.perf_counter()
        lines.append(
            f"| {sites:,} | {8 * sites:,} | {1e3 * (middle - start):.0f} | {1e3 * (end - middle):.0f} "
            f"| {1e6 * (middle - start) / sites:.0f} |"
        )
    if quick:
        print("\n".join(lines))
    else:
        write("nested_speed", lines)


if __name__ == "__main__":
    main()
