"""Where a new site's effect is expected when the spread between sites is itself in doubt."""

from __future__ import annotations

import numpy as np

from crosscellar.pooling.heterogeneity import Flags, Floats, Questions, weigh
from crosscellar.pooling.mixtures import NormalMixture

#: Values of tau2 beside 0 at which the distribution is worked; 32 and 2,000 agree to 4e-5 of the width.
_NODES = 32
#: Share of chi-square's tails left out at either end of tau2.
_TAIL = 1e-6
#: From so many degrees of freedom on the distribution is narrow beside the bounds of its tails.
_MANY = 10
#: Halvings that draw these bounds in.
_HALVINGS = 10
#: A tau2 this small beside the variance of the mean counts as 0.
_NOTHING = 1e-4


def new_site(questions: Questions) -> NormalMixture:
    """The distribution of the true effect at a new site for questions of three effects or more.

    Q(tau2) = sum w (y - mean)^2 with w = 1 / (v + tau2) follows a chi-square with k - 1 degrees of freedom
    at the true tau2, so that P(chi-square > Q(tau2)) is a distribution of confidence for tau2 (the one whose
    quantiles are the Q-profile's ends: Viechtbauer 2007, Stat Med 26:37-52), with what lies below 0 counted
    at 0. Given tau2 the mean is normal about its weighted estimate with variance 1 / sum w, independently of
    Q, and a new site lies about it with variance tau2. Mixing those normals over tau2 lets the interval know
    how little a few sites tell of their spread; Nagashima, Noma & Furukawa 2019 (Stat Methods Med Res
    28:1689-1702) mix over tau2's confidence distribution likewise, there from the moment estimator and by
    simulation. Here the mixture is a sum: the trapezoid rule in log tau2, which converges exponentially for
    such integrands (Trefethen & Weideman 2014, SIAM Review 56:385-458).
    """
    from scipy.special import chdtrc, chdtri, gammaln

    df = questions.count - 1.0
    zero = weigh(questions, np.zeros(len(questions)))
    nothing = _NOTHING / zero.sum1
    mean = questions.centred.sum(axis=0) / questions.count
    finite = np.isfinite(questions.variance)
    apart = np.einsum("kq,kq->q", questions.centred, questions.centred) - questions.count * mean**2
    widest = np.where(finite, questions.variance, 0.0).max(axis=0)
    sizes, back = np.unique(df, return_inverse=True)
    least, most = chdtri(sizes, 1.0 - _TAIL)[back], chdtri(sizes, _TAIL)[back]
    # apart / (widest + tau2) <= Q(tau2) <= apart / tau2 bound the values that matter.
    low = np.log(np.maximum(apart / most - widest, nothing))
    high = np.maximum(np.log(np.maximum(apart / least, nothing)), low + 1e-3)
    many = np.flatnonzero(df >= _MANY)
    if many.size:
        # What lies nearer to 0 than `_TAIL` of the distribution counts at 0.
        nearest = np.minimum(chdtrc(df, zero.q)[many] + _TAIL, 1.0)
        at_low: Floats = np.asarray(chdtri(df[many], nearest), dtype=np.float64)
        at_high: Floats = np.asarray(least[many], dtype=np.float64)
        bounds = low[many], high[many]
        low[many], high[many] = _drawn_in(questions.some(many), *bounds, (at_low, at_high))
    place = low + np.linspace(0.0, 1.0, _NODES)[:, np.newaxis] * (high - low)
    tau2 = np.exp(place)
    chance = np.empty((_NODES + 1, len(questions)))
    means, variances = np.empty_like(chance), np.empty_like(chance)
    means[0], variances[0] = zero.mean, 1.0 / zero.sum1
    for node in range(_NODES):
        here = weigh(questions, tau2[node])
        with np.errstate(divide="ignore", invalid="ignore"):
            density = np.exp((0.5 * df - 1.0) * np.log(0.5 * here.q) - 0.5 * here.q - gammaln(0.5 * df))
            chance[node + 1] = np.nan_to_num(0.5 * density * here.q2 * tau2[node])
        means[node + 1], variances[node + 1] = here.mean, tau2[node] + 1.0 / here.sum1
    chance[0] = 0.0
    chance[[1, -1]] *= 0.5
    total = chance.sum(axis=0)
    spread = 1.0 - np.asarray(chdtrc(df, zero.q))
    none: Flags = ~(total > 0)
    chance *= np.where(none, 0.0, spread / np.where(none, 1.0, total))
    chance[0] = np.where(none, 1.0, 1.0 - spread)
    return NormalMixture(chance, means, np.sqrt(variances), questions.centre)


def _drawn_in(
    questions: Questions, low: Floats, high: Floats, ends: tuple[Floats, Floats]
) -> tuple[Floats, Floats]:
    """Bounds of log tau2 within `low` to `high`, close to where Q falls to the first and to the second end.

    Each stays on the outer side of its end.
    """
    inner = [high.copy(), low.copy()]
    outer = [low.copy(), high.copy()]
    for side, end in enumerate(ends):
        for _ in range(_HALVINGS):
            middle = 0.5 * (inner[side] + outer[side])
            q = weigh(questions, np.exp(middle)).q
            outside = q >= end if side == 0 else q <= end
            outer[side] = np.where(outside, middle, outer[side])
            inner[side] = np.where(outside, inner[side], middle)
    return outer[0], np.maximum(outer[1], outer[0] + 1e-3)
