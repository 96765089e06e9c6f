"""Which coupon to print next: the one that should shrink the spread of the user's own answer most.

Nested Monte Carlo: an outer user is drawn from what the records believe, writes down readings of a candidate, and the
inner draws are weighted by how well they explain them; the spread of the answer under those weights is what would be
left. All candidates are judged by the same outer users and the same random numbers, so that they are compared, not
their luck.
"""

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np

from pliant.arrays import Floats
from pliant.learning.likelihood import Sheets, Space, log_chance, simulated
from pliant.records.coupon import HELD, Readings, Result, Step

__all__ = ["expected_shrinkage", "template"]


def template(kind: str, steps: tuple[Step, ...]) -> Readings:
    """A sheet on which everything is asked, for simulating: the answers in it mean nothing."""
    asked = {
        "stop-start": Result(tail_mm=1.0, lead_mm=1.0),
        "threads": Result(strings=0),
        "free-run": Result(HELD, moved_mm=1.0),
    }.get(kind, Result(HELD))
    return Readings(kind, steps, tuple(asked for _ in steps), name=kind)


def expected_shrinkage(
    space: Space,
    x: Floats,
    answer: Floats,
    candidates: Mapping[str, Readings],
    *,
    users: int = 96,
    seed: int = 7,
    progress: Callable[[float], None] | None = None,
) -> dict[str, tuple[float, float]]:
    """Expected share of the answer's standard deviation that each candidate takes away.

    Parameters
    ----------
    space : Space
        Made for the readings of all candidates.
    x : ndarray
        Draws of the scores as believed now, `(n, k)`.
    answer : ndarray
        The user's own answer at each draw, `(n,)`.
    candidates : mapping of str to Readings
        Templates by label.
    users : int, default 96
        Outer users, the first so many draws.
    seed : int, default 7
        Of the readings' noise.
    progress : callable, optional
        Called with the share of the work done, 0 to 1. [-]

    Returns
    -------
    dict of str to (float, float)
        Shrinkage and its standard error by label. [-]
    """
    now = float(answer.std())
    users = min(users, x.shape[0])
    found: dict[str, tuple[float, float]] = {}
    for done, (label, sheet) in enumerate(candidates.items(), 1):
        m = Sheets(space, [sheet]).predictions(x)[0]
        left = np.array([_left(sheet, m, i, answer, seed) for i in range(users)])
        gone = 1 - left / now if now > 0 else np.zeros(users)
        found[label] = (float(gone.mean()), float(gone.std() / np.sqrt(users)))
        if progress is not None:
            progress(done / len(candidates))
    return found


def _left(sheet: Readings, m: Any, i: int, answer: Floats, seed: int) -> float:
    """Standard deviation of the answer once user i's readings are known."""
    read = simulated(sheet, m, i, np.random.default_rng([seed, i]))
    log_weight = log_chance(read, m)
    weight = np.exp(log_weight - log_weight.max())
    weight[i] = 0.0  # the user's own draw would favour itself
    weight /= weight.sum()
    mean = float(weight @ answer)
    return float(np.sqrt(weight @ (answer - mean) ** 2))
