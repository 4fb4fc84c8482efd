"""Normals mixed: how likely a value is exceeded, and which value is exceeded with a given chance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from crosscellar.pooling.heterogeneity import Floats

_STEPS = 60
#: The search ends with a Newton's step of this share of the narrowest normal's spread: what is left then is
#: of the order of its square.
_NEAR = 1e-6
#: It ends with a halving of this share of what is still possible.
_CLOSE = 1e-10


@dataclass(frozen=True, slots=True, eq=False)
class NormalMixture:
    """The distributions of one value for each of several questions: normals, mixed.

    Attributes
    ----------
    chance
        (nodes, questions): what each normal counts, summing to 1 for each question.
    mean, std_dev
        (nodes, questions): each normal, measured from the question's centre; the narrowest stand first.
    centre
        (questions,): what `mean` is measured from.
    """

    chance: Floats
    mean: Floats
    std_dev: Floats
    centre: Floats

    @classmethod
    def of_one(cls, chance: Floats, mean: Floats, std_dev: Floats, centre: float) -> NormalMixture:
        """The distribution of a single question; arrays (nodes,)."""
        return cls(chance[:, None], mean[:, None], std_dev[:, None], np.array([centre]))

    def below(self, bound: ArrayLike) -> Floats:
        """P(value <= bound) of each question."""
        from scipy.special import ndtr

        z = (np.asarray(bound, dtype=np.float64) - self.centre - self.mean) / self.std_dev
        # Chances that sum to 1 but for rounding may add up to a little more.
        return np.asarray(np.minimum(np.einsum("mq,mq->q", self.chance, ndtr(z)), 1.0))

    def quantile(self, share: float) -> Floats:
        """What the value falls short of with the chance `share`, shape (questions,).

        Newton's steps on the normal score of the chance, which is a straight line for one normal; each step
        is kept between the outermost quantiles of the normals, between which the root lies.
        """
        from scipy.special import ndtr, ndtri

        score = float(ndtri(share))
        ends = self.mean + score * self.std_dev
        counted = self.chance > 0
        low = np.where(counted, ends, np.inf).min(axis=0)
        high = np.where(counted, ends, -np.inf).max(axis=0)
        mean = np.einsum("mq,mq->q", self.chance, self.mean)
        at = np.clip(mean + score * self._spread(mean), low, high)
        left = np.flatnonzero(high > low)
        for _ in range(_STEPS):
            if left.size == 0:
                break
            chance, std_dev = self.chance[:, left], self.std_dev[:, left]
            z = (at[left] - self.mean[:, left]) / std_dev
            reached = np.einsum("mq,mq->q", chance, ndtr(z))
            density = np.einsum("mq,mq->q", chance / std_dev, np.exp(-0.5 * z * z)) / np.sqrt(2.0 * np.pi)
            below = reached < share
            low[left] = np.where(below, at[left], low[left])
            high[left] = np.where(below, high[left], at[left])
            now = ndtri(np.clip(reached, 1e-300, 1.0 - 1e-16))
            with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
                slope = density * np.sqrt(2.0 * np.pi) * np.exp(0.5 * now * now)
                step = at[left] + (score - now) / slope
            inside = (step >= low[left]) & (step <= high[left])
            following = np.where(inside, step, 0.5 * (low[left] + high[left]))
            moved = np.abs(following - at[left])
            at[left] = following
            halved = _CLOSE * (high[left] - low[left] + std_dev[0])
            left = left[moved > np.where(inside, np.maximum(_NEAR * std_dev[0], halved), halved)]
        return np.asarray(self.centre + at)

    def _spread(self, mean: Floats) -> Floats:
        """A width to begin from: the standard deviation, with the widest normals held back."""
        told = np.minimum(self.std_dev, 4.0 * self.std_dev[0])
        return np.asarray(np.sqrt(np.einsum("mq,mq->q", self.chance, told**2 + (self.mean - mean) ** 2)))
