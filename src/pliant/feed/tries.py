"""What a try costs: expected minutes to a good part over tries at falling speeds, and the best such order.

The unknowns of machine and spool stay the same from try to try, so a try at the speed that has just jammed jams again:
the mean over the draws is taken outside the product of the chances. Within a draw the scatter from job to job is drawn
anew for each try. Left out: what a jam teaches beyond its having happened (when in the job it came), filament wasted,
and wear of the drive from jam to jam.

Plain dynamic programming over the speeds is not exact here. What a jam leaves behind is a weight on every draw, not a
speed; only without scatter from job to job, where a draw that fails at one speed fails at every faster one, is the last
speed all there is to know. `best_order` is therefore branch and bound: no order from here on can do better than one
chosen anew for each draw by somebody who knows it (information relaxation; Brown, Smith, Sun, Information relaxations
and duality in stochastic dynamic programs, Operations Research 58, 2010, from memory).
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from pliant.arrays import Floats
from pliant.kernels.tries import cheapest_tries

__all__ = ["Order", "Tries", "bare_tries", "best_order", "expected_min", "proved_tries", "told_min"]

_CLOSE_MIN = 0.0002  # [min] an order is not looked for that saves less
_MOST_NODES = 40_000  # then the best so far stands: a second or so, and never needed by the jobs of the study


@dataclass(frozen=True)
class Tries:
    """A job at falling speeds, fastest first, as each draw of the unknowns sees it."""

    weight: Floats  # (n,) how much each draw counts
    cost_min: Floats  # (n, k) expected minutes of a try at speed k, what a failure costs inside
    goes_on: Floats  # (n, k) chance that the part is not there after it
    end_min: float  # minutes to the part when no try is left: another part for the machine, and the job as written

    @cached_property
    def by_place(self) -> tuple[Floats, Floats, Floats]:
        """Cost, chance to go on, and cost for who knows the draw, `(k, n)`: asked for with many beginnings."""
        cost, goes_on, known = (
            np.ascontiguousarray(t.T) for t in (self.cost_min, self.goes_on, _cost_when_known(self))
        )
        return cost, goes_on, known


@dataclass(frozen=True)
class Order:
    """Places of the speeds tried, one after the other, and the minutes expected."""

    places: tuple[int, ...]
    expected_min: float


def bare_tries(
    weight: Floats, fails: Floats, time_min: Floats, lost_min: Floats, restart_min: float, end_min: float
) -> Tries:
    """Tries without a proving run.

    Parameters
    ----------
    weight : ndarray
        Of each draw, `(n,)`. [-]
    fails : ndarray
        Chance that the job jams, `(n, k)`, fastest first. [-]
    time_min : ndarray
        Motion time of the whole job, `(k,)`. [min]
    lost_min : ndarray
        Minutes into the job until a jam is noticed, times the chance of the jam, `(n, k)`. [min]
    restart_min : float
        To clear the machine and start again. [min]
    end_min : float
        To the part when no try is left. [min]

    Returns
    -------
    Tries
    """
    return Tries(weight, (1 - fails) * time_min + lost_min + fails * restart_min, fails, end_min)


def proved_tries(
    weight: Floats,
    proof_fails: Floats,
    then_fails: Floats,
    time_min: Floats,
    lost_min: Floats,
    proof_min: float | Floats,
    restart_min: float,
    end_min: float,
) -> Tries:
    """Tries that each begin with a proving run beside the part; as `bare_tries`, and:

    Parameters
    ----------
    weight, time_min, restart_min, end_min
        As in `bare_tries`.
    proof_fails, then_fails : ndarray
        Chance that the proof fails, and that it holds and the job jams all the same, `(n, k)`. [-]
    lost_min : ndarray
        Minutes into the job until a jam is noticed, times the chance that the proof holds and the job jams. [min]
    proof_min : float or ndarray
        The proving run. [min]

    Returns
    -------
    Tries
    """
    either = proof_fails + then_fails
    cost = proof_min + (1 - either) * time_min + lost_min + either * restart_min
    return Tries(weight, cost, either, end_min)


def expected_min(tries: Tries, places: tuple[int, ...]) -> float:
    """Minutes to a good part when the speeds at these places are tried in turn. [min]

    Parameters
    ----------
    tries : Tries
        What each costs.
    places : tuple of int
        In the order tried.

    Returns
    -------
    float

    Examples
    --------
    One draw in four jams at full speed (an hour, noticed after 20 min) and none at half of it, a restart takes 10 min.

    >>> tries = bare_tries(
    ...     np.ones(4),
    ...     np.array([[1.0, 0]] + 3 * [[0.0, 0]]),
    ...     np.array([60.0, 120]),
    ...     np.array([[20.0, 0]] + 3 * [[0.0, 0]]),
    ...     10.0,
    ...     600.0,
    ... )
    >>> expected_min(tries, (0, 1)), expected_min(tries, (1,)), expected_min(tries, (0,))
    (82.5, 120.0, 202.5)
    """
    still = tries.weight / tries.weight.sum()
    spent = 0.0
    for k in places:
        spent += float(still @ tries.cost_min[:, k])
        still = still * tries.goes_on[:, k]
    return spent + float(still.sum()) * tries.end_min


def best_order(tries: Tries, first: tuple[int, ...] = ()) -> Order:
    """The falling order of speeds with the least expected time.

    Parameters
    ----------
    tries : Tries
        What each costs; a later place is a slower speed.
    first : tuple of int
        Places that are tried first whatever they cost; the order goes on with slower ones.

    Returns
    -------
    Order
        Exact within `_CLOSE_MIN`; empty where no try pays.
    """
    still = tries.weight / tries.weight.sum()
    spent = 0.0
    for place in first:
        spent += float(still @ tries.cost_min[:, place])
        still = still * tries.goes_on[:, place]
    least = spent + float(still.sum()) * tries.end_min
    after, end_min = first[-1] + 1 if first else 0, float(tries.end_min)
    more, least = cheapest_tries(*tries.by_place, still, after, spent, end_min, least, _CLOSE_MIN, _MOST_NODES)
    return Order((*first, *more.tolist()), float(least))


def told_min(tries: Tries, outcomes: Floats) -> float:
    """Expected minutes when the best order may be chosen anew after something was read. [min]

    Parameters
    ----------
    tries : Tries
        What each costs.
    outcomes : ndarray
        Chance of each thing that may be read, given a draw, `(n, m)`; rows sum to 1. [-]

    Returns
    -------
    float
        Never more than without reading, and never less than with every draw known.
    """
    total = float(tries.weight.sum())
    found = 0.0
    for chance in outcomes.T:
        weight = tries.weight * chance
        share = float(weight.sum()) / total
        if share > 1e-6:
            found += share * best_order(Tries(weight, tries.cost_min, tries.goes_on, tries.end_min)).expected_min
    return found


def _cost_when_known(tries: Tries) -> Floats:
    """Minutes of a try at each place and the best that somebody who knows the draw can do after it, `(n, k)`."""
    found = np.empty_like(tries.cost_min)
    after = np.full(tries.weight.size, tries.end_min)
    for k in range(tries.goes_on.shape[1] - 1, -1, -1):
        found[:, k] = tries.cost_min[:, k] + tries.goes_on[:, k] * after
        after = np.minimum(after, found[:, k])
    return found
