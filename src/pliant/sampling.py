"""Draws of what is not known, spread evenly: one stratum each, so that a thousand tell what ten thousand loose ones do.

M. D. McKay, R. J. Beckman, W. J. Conover, A comparison of three methods for selecting values of input variables,
Technometrics 21, 1979.
"""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from pliant.arrays import Floats

__all__ = ["normal_scores", "slopes", "weighted_median"]


def normal_scores(rng: np.random.Generator, n: int) -> Floats:
    """One standard normal score in each of `n` equally likely strata, in random order, `(n,)`."""
    from scipy.special import ndtri

    return np.asarray(ndtri((rng.permutation(n) + rng.random(n)) / n))


def slopes(scores: Floats, y: Floats) -> Floats:
    """Slope of y over each score of a linear fit, `(n, k)`, `(n,)` -> `(k,)`: k by k equations, which is quick.

    Scores that hang together all but fully share their slope.
    """
    away = scores - scores.mean(axis=0)
    together = away.T @ away + 1e-9 * y.size * np.eye(scores.shape[1])
    return np.asarray(np.linalg.solve(together, away.T @ (y - y.mean())))


def weighted_median(value: NDArray[np.floating[Any]], weight: NDArray[np.floating[Any]]) -> float:
    """The value that half of the weight lies below, `(n,)`, `(n,)`; n at least 1."""
    order = np.argsort(value)
    below = np.cumsum(weight[order])
    return float(value[order[np.searchsorted(below, below[-1] / 2)]])
