from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.optimize import minimize_scalar
from scipy.stats import halfnorm, multivariate_normal, norm

from crosscellar.errors import NotComputable
from crosscellar.pooling.bayes import (
    default_tau_scale,
    half_normal,
    learn_tau_scale,
    learn_tau_scale_from_taus,
)

ESTIMATE = np.array([0.12, 0.40, 0.05])
VARIANCE = np.array([0.004, 0.02, 0.01])


def posterior(tau: float) -> tuple[float, float, float]:
    """Density of tau without its constant, mean and sd of mu given tau: from the definition."""
    w = 1 / (VARIANCE + tau**2)
    mean = float(w @ ESTIMATE / w.sum())
    joint = float(np.prod(norm.pdf(ESTIMATE, mean, 1 / np.sqrt(w)))) / norm.pdf(0, 0, 1 / np.sqrt(w.sum()))
    return joint * float(halfnorm.pdf(tau, scale=0.3)), mean, float(1 / np.sqrt(w.sum()))


def integral(function: Any) -> float:
    return float(quad(function, 0, 3, epsabs=1e-13, epsrel=1e-12, limit=400, points=[0.05, 0.2, 0.6])[0])


def test_quadrature_agrees_with_adaptive_integration() -> None:
    # scipy.integrate.quad on the posterior as defined.
    fit = half_normal(ESTIMATE, VARIANCE, scale=0.3)
    total = integral(lambda t: posterior(t)[0])
    mean = integral(lambda t: posterior(t)[0] * posterior(t)[1]) / total
    above = integral(lambda t: posterior(t)[0] * norm.sf(0.1, *posterior(t)[1:])) / total
    new = (
        integral(lambda t: posterior(t)[0] * norm.sf(0.1, posterior(t)[1], np.hypot(posterior(t)[2], t)))
        / total
    )
    below_low = integral(lambda t: posterior(t)[0] * norm.cdf(fit.low, *posterior(t)[1:])) / total
    tau_median = integral(lambda t: posterior(t)[0] * (t < fit.tau_median)) / total
    assert fit.estimate == pytest.approx(mean, abs=1e-9)
    assert fit.chance_above(0.1) == pytest.approx(above, abs=1e-9)
    assert fit.chance_new_above(0.1) == pytest.approx(new, abs=1e-9)
    assert below_low == pytest.approx(0.025, abs=1e-9)
    assert tau_median == pytest.approx(0.5, abs=1e-4)


def test_sites_with_several_trials_are_integrated_over_both_spreads() -> None:
    # A plain product rule over both standard deviations on dense matrices, scipy's densities.
    y, v = np.array([0.1, 0.25, 0.3, 0.05]), np.array([0.01, 0.02, 0.01, 0.015])
    site = np.array([0, 0, 1, 1])
    same = (site[:, None] == site).astype(float)

    def parts(trial_tau: float, tau: float) -> tuple[float, float]:
        whole = np.diag(v) + tau**2 * same + trial_tau**2 * np.eye(4)
        inverse = np.linalg.inv(whole)
        precision = inverse.sum()
        mean = (inverse @ y).sum() / precision
        weight = multivariate_normal.pdf(y, np.full(4, mean), whole) / np.sqrt(precision)
        return weight * np.exp(-0.5 * (tau**2 + trial_tau**2) / 0.2**2), mean

    node, width = np.polynomial.legendre.leggauss(40)
    node, width = 0.7 * (node + 1), 0.7 * width
    grid = np.array([[parts(a, b) for a in node] for b in node])
    mass = grid[:, :, 0] * np.outer(width, width)
    mean = float((mass * grid[:, :, 1]).sum() / mass.sum())
    fit = half_normal(y, v, scale=0.2, site=site)
    assert fit.estimate == pytest.approx(mean, abs=1e-6)
    assert fit.trial_tau_mean > 0


def test_alike_sites_with_many_effects_give_the_common_effect() -> None:
    y = np.full(40, 0.2)
    fit = half_normal(y, np.full(40, 1e-4), scale=1e-4)
    assert fit.estimate == pytest.approx(0.2)
    assert fit.std_dev == pytest.approx(np.sqrt(1e-4 / 40), rel=1e-3)


def test_a_wider_prior_gives_a_wider_interval() -> None:
    widths = [half_normal(ESTIMATE, VARIANCE, scale=s) for s in (0.05, 0.2, 0.8)]
    spans = [fit.high - fit.low for fit in widths]
    new_spans = [fit.new_high - fit.new_low for fit in widths]
    assert spans == sorted(spans) and new_spans == sorted(new_spans)
    assert all(new > mean for new, mean in zip(new_spans, spans, strict=True))


def test_shift_and_unit_carry_through() -> None:
    base = half_normal(ESTIMATE, VARIANCE, scale=0.3)
    moved = half_normal(5 + 100 * ESTIMATE, 1e4 * VARIANCE, scale=30.0)
    for name in ("estimate", "median", "low", "high", "new_low", "new_high"):
        assert getattr(moved, name) == pytest.approx(5 + 100 * getattr(base, name), rel=1e-9)
    assert moved.tau_high == pytest.approx(100 * base.tau_high, rel=1e-9)


def test_one_site_and_a_scale_of_zero_are_refused() -> None:
    with pytest.raises(NotComputable, match="one site"):
        half_normal([0.1, 0.2], [0.01, 0.01], scale=0.2, site=["a", "a"])
    with pytest.raises(NotComputable, match="scale must be above 0"):
        half_normal([0.1, 0.2], [0.01, 0.01], scale=0.0)


def questions(tau: float, many: int, seed: int) -> dict[str, tuple[Any, Any]]:
    rng = np.random.default_rng(seed)
    return {
        f"q{i:02d}": (rng.normal(0.1, np.hypot(abs(rng.normal(0, tau)), 0.05), 6), np.full(6, 0.0025))
        for i in range(many)
    }


def test_the_scale_is_learnt_from_many_questions() -> None:
    # The truth of the simulation: tau of each question is half-normal with this scale.
    default = default_tau_scale([0.0025], measure="log_ratio")
    learnt = learn_tau_scale(questions(0.12, 120, 5), default=default)
    assert learnt.source == "learnt" and learnt.n_questions == 120
    assert learnt.scale == pytest.approx(0.12, rel=0.25)
    assert "120 other questions" in learnt.words


def test_the_scale_learnt_makes_the_questions_most_likely() -> None:
    # scipy: the product over questions of quad's integral of half-normal times restricted likelihood, highest
    # by minimize_scalar.
    default = default_tau_scale([0.0025], measure="log_ratio")
    asked = questions(0.12, 4, 3)

    def joint(tau: float, y: np.ndarray, v: np.ndarray, scale: float) -> float:
        w = 1.0 / (v + tau**2)
        mean = (w @ y) / w.sum()
        density = np.sqrt(np.prod(w) / w.sum()) * np.exp(-0.5 * (w @ (y - mean) ** 2))
        return float(density * np.exp(-0.5 * (tau / scale) ** 2) / scale)

    def misfit(log_scale: float) -> float:
        scale = float(np.exp(log_scale))
        return -sum(np.log(quad(joint, 0.0, 9 * scale, args=(y, v, scale))[0]) for y, v in asked.values())

    best = minimize_scalar(misfit, bounds=(np.log(0.03), np.log(1.0)), method="bounded")
    assert learn_tau_scale(asked, default=default).scale == pytest.approx(np.exp(best.x), rel=1e-4)


def test_the_question_being_asked_is_left_out() -> None:
    default = default_tau_scale([0.0025], measure="log_ratio")
    known = questions(0.1, 5, 8)
    wild = {**known, "asked": (np.array([-3.0, 0.0, 3.0]), np.full(3, 0.0025))}
    apart = learn_tau_scale(wild, leave_out="asked", default=default)
    assert apart.scale == pytest.approx(learn_tau_scale(known, default=default).scale, rel=1e-6)
    assert apart.n_questions == 5
    assert learn_tau_scale(wild, default=default).scale > 1.5 * apart.scale


def test_too_few_questions_leave_the_stated_default() -> None:
    default = default_tau_scale([0.01, 0.04, 0.09])
    assert default.scale == pytest.approx(0.4)
    assert learn_tau_scale(questions(0.1, 2, 1), default=default) is default
    assert learn_tau_scale_from_taus([0.1, 0.2], default=default) is default


def test_exact_taus_give_their_root_mean_square() -> None:
    default = default_tau_scale([0.01], measure="log_ratio")
    learnt = learn_tau_scale_from_taus([0.0, 0.3, 0.1, 0.2], default=default)
    assert learnt.scale == pytest.approx(np.sqrt((0.09 + 0.01 + 0.04) / 4))
