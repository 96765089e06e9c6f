"""Flow caps: how much melt each operating group may lay a second so that the whole job meets a target.

The groups jam together more often than each alone, and not equally dear: a little more risk in a group that lays most
of the job buys more time than in one that lays little. Steady flow; what the lag forgives is for the caller to give
back.
"""

from collections.abc import Callable
from typing import Any

import numpy as np

from pliant.arrays import Floats, Number
from pliant.feed import chain
from pliant.feed.draws import Draws, tail_draws
from pliant.feed.envelope import Groups
from pliant.feed.load import bounded_gap_mm
from pliant.feed.passage import ONE, Passage
from pliant.feed.risk import BED_ERROR_MM
from pliant.records.filament import Filament
from pliant.records.machine import Machine

__all__ = ["flow_caps"]

_REACH = np.log(2.0)  # a cap is moved by at most a factor of two to trade risk between groups
_TABLE = np.linspace(-_REACH, _REACH, 9)


def flow_caps(
    groups: Groups,
    machine: Machine,
    filament: Filament,
    target: float,
    *,
    passage: Passage = ONE,
    seconds_at: Callable[[Floats], Floats] | None = None,
    most_mm3_per_s: Floats | None = None,
) -> Floats:
    """Steady flow of each operating group at which the whole job meets a chance of a jam in the least time.

    Parameters
    ----------
    groups : Groups
        Of a job.
    machine, filament
        The records.
    target : float
        Chance of a jam of the whole job, all groups running at their caps. [-]
    passage : Passage, default one stretch
        Of the job once it runs at its caps.
    seconds_at : callable, optional
        Caps `(g,)` to the time that each group spends at its cap; where given, risk goes where it saves most time.
        [mm3/s -> s]
    most_mm3_per_s : ndarray, (g,), optional
        The largest flow that each group asks for. [mm3/s]

    Returns
    -------
    ndarray, (g,)
        Flow; 0 where even a hundredth of a cubic millimetre a second is too much. [mm3/s]
    """
    draws = tail_draws(machine, filament)
    theta, shift = chain.after(draws.theta, groups.end_s), BED_ERROR_MM * draws.bed
    gap = bounded_gap_mm(groups.gap_mm - np.where(groups.first_layer, shift, 0.0))
    unit = chain.unit_drop_mpa(theta)
    ratio = chain.dam_ratio(groups.width_mm, gap, theta, bounded_gap_mm(groups.gap_mm), unit)

    def least(flow: Number) -> Any:
        p = ratio * chain.free_pressure_mpa(flow, groups.nozzle_c, theta, unit)
        m, _, _ = chain.margins(machine, theta, pressure_mpa=p, flow_mm3_per_s=flow, nozzle_c=groups.nozzle_c)
        return np.log(np.clip(np.minimum.reduce(np.broadcast_arrays(*m.values())), 1e-6, 1e6))

    low, high = np.full(groups.gap_mm.size, 1e-2), np.full(groups.gap_mm.size, 50.0)
    hopeless = draws.chance(least(low), passage) > target
    for _ in range(14):
        middle = np.sqrt(low * high)
        meets = draws.chance(least(middle), passage) <= target
        low, high = np.where(meets, middle, low), np.where(meets, high, middle)
    # together the groups jam a little more often than the worst of them: take all caps down by one factor
    share = 1.0
    for _ in range(30):
        if draws.chance(least(low * share).min(axis=1), passage) <= target:
            break
        share *= 0.98
    caps = low * share
    if seconds_at is not None and most_mm3_per_s is not None and not hopeless.any():
        room = np.log(np.maximum(most_mm3_per_s / caps, 1.0))
        if (room > 0).sum() > 1:
            table = np.stack([least(caps * np.exp(x)) for x in _TABLE])
            caps = caps * np.exp(_trade(draws, table, seconds_at(caps), room, target, passage))
    return np.where(hopeless, 0.0, caps)


def _trade(draws: Draws, table: Floats, seconds: Floats, room: Floats, target: float, passage: Passage) -> Floats:
    """Logarithm of the factor on each cap that saves most time at the same chance of a jam; zeros if none does.

    Log margins over `_TABLE` (t, n, g), time of each group at its cap (g,), log of the largest useful factor (g,).
    """
    from scipy.optimize import minimize

    step = _TABLE[1] - _TABLE[0]
    seconds = seconds / max(float(seconds.sum()), 1e-12)

    def chance(x: Floats) -> float:
        at = np.clip((x + _REACH) / step, 0.0, _TABLE.size - 1.0)
        i = np.minimum(at.astype(np.int64), _TABLE.size - 2)
        g = np.arange(x.size)
        margin = table[i, :, g] + (table[i + 1, :, g] - table[i, :, g]) * (at - i)[:, None]
        return float(draws.chance(margin.min(axis=0), passage))

    start = np.zeros(seconds.size)
    found = minimize(
        lambda x: float((seconds * np.exp(-x)).sum()),
        start,
        jac=lambda x: -seconds * np.exp(-x),
        bounds=[(-_REACH, min(_REACH, float(r))) for r in room],
        constraints=[{"type": "ineq", "fun": lambda x: 100 * (0.999 - chance(x) / target)}],
        method="SLSQP",
        options={"maxiter": 60, "ftol": 1e-5},
    )
    better = float((seconds * np.exp(-found.x)).sum()) < 1.0 - 1e-4
    return found.x if better and chance(found.x) <= target else start
