"""What the chain says of a coupon before it is printed, and where its steps should lie.

Steps are quantiles of the predicted limit, so that wherever the limit really is, some step is near it; they start below
nearly all of it and rise. Start with `rising_flows`.
"""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from pliant.errors import PliantError
from pliant.feed import chain
from pliant.feed.observe import LOSS, THREAD, moved_share, tapers_mm, thread_chance
from pliant.feed.passage import JOB_SCATTER
from pliant.feed.risk import BED_ERROR_MM
from pliant.feed.steps import failing_flow_mm3_per_s, step_log_margins
from pliant.models.bead import bead_area_mm2
from pliant.records.coupon import Forecast, Step
from pliant.records.filament import Filament
from pliant.records.machine import Machine
from pliant.say import number

__all__ = [
    "failing_forecast", "length_forecast", "middle_c", "moved_forecast", "rising_flows",
    "safe_flow_mm3_per_s", "thread_forecast",
]  # fmt: skip

_SAFE_CHANCE = 0.02  # [-] of the predicted limits that may lie under the first step
_LAST = 0.97
_CLOSEST = 1.04  # [-] steps nearer to each other than this cannot be told apart: our choice
_SAMPLES = 600


def middle_c(filament: Filament) -> float:
    """Middle of the data sheet's range, whole degrees. [degC]"""
    return float(round(sum(filament.nozzle_c) / 2))


def rising_flows(limit_mm3_per_s: NDArray[np.float64], count: int, most_mm3_per_s: float) -> list[float]:
    """Flows that rise through the quantiles of the predicted limit, `count` at most. [mm3/s]

    Raises
    ------
    PliantError
        If the axes cannot reach even the lower half of the predicted limit.
    """
    wanted = np.quantile(limit_mm3_per_s, np.linspace(_SAFE_CHANCE, _LAST, count))
    # the first step stands clear of the limit, not at its edge
    wanted[0] = min(wanted[0], wanted[1] / 1.2)
    flows: list[float] = []
    for flow in wanted:
        if flow <= most_mm3_per_s and (not flows or flow >= _CLOSEST * flows[-1]):
            flows.append(float(np.round(flow, 3)))
    if len(flows) < 2:
        raise PliantError(
            f"the axes reach {number(most_mm3_per_s)} mm3/s with this nozzle, too little to come near the limit of the "
            f"feed path ({number(wanted[count // 2])} mm3/s); nothing to learn from a ladder here"
        )
    return flows


def safe_flow_mm3_per_s(machine: Machine, filament: Filament, nozzle_c: float, width_mm: float, gap_mm: float) -> float:
    """Flow that all but `_SAFE_CHANCE` of the predicted limits lie above, for purging and settling. [mm3/s]"""
    limit = failing_flow_mm3_per_s(machine, filament, nozzle_c=nozzle_c, width_mm=width_mm, gap_mm=gap_mm)
    slow = 20.0 * float(bead_area_mm2(width_mm, min(gap_mm, width_mm)))  # common practice: slow first layers
    return float(min(np.quantile(limit, _SAFE_CHANCE) / 1.2, slow))


def failing_forecast(
    machine: Machine, filament: Filament, steps: tuple[Step, ...], *, seed: int = 7
) -> tuple[Forecast, ...]:
    """Chance, for each step, that the path has given there or before."""
    failing = _first_failing(machine, filament, steps, seed)
    return tuple(Forecast(float((failing <= k).mean())) for k in range(len(steps)))


def length_forecast(
    machine: Machine, filament: Filament, steps: tuple[Step, ...]
) -> tuple[tuple[Forecast, ...], tuple[Forecast, ...]]:
    """Lengths of tail and lead of each row, with the chance of failing."""
    theta, _, pressure, _, _ = _sampled(machine, filament, steps)
    failing = failing_forecast(machine, filament, steps)
    tail, lead = tapers_mm(machine, theta, steps, pressure)
    return _with_range(failing, tail), _with_range(failing, lead)


def thread_forecast(machine: Machine, filament: Filament, steps: tuple[Step, ...]) -> tuple[Forecast, ...]:
    """Threads of each row, with the chance of failing."""
    theta, _, pressure, _, rng = _sampled(machine, filament, steps)
    least = THREAD.value * THREAD.spread ** rng.standard_normal((_SAMPLES, 1))
    crossings = np.array([s.crossings for s in steps])
    chance = thread_chance(machine, theta, steps, pressure, least)
    return _with_range(failing_forecast(machine, filament, steps), crossings * chance)


def moved_forecast(machine: Machine, filament: Filament, steps: tuple[Step, ...]) -> tuple[Forecast, ...]:
    """Length moved at each step if it holds, with the chance of failing."""
    theta, log_margin, _, push, rng = _sampled(machine, filament, steps)
    loss = LOSS.value * LOSS.spread ** rng.standard_normal((_SAMPLES, 1))
    asked = np.array([s.asked_mm for s in steps])
    moved = moved_share(machine, theta, push, loss, rng.random((_SAMPLES, 1))) * asked
    # where the path gives, nobody measures a length; where it gives in all samples, the strongest stand for who does
    strong = np.minimum(np.quantile(log_margin, 0.95, axis=0), 0.0)
    moved = np.where(log_margin >= strong, moved, np.nan)
    return _with_range(failing_forecast(machine, filament, steps), np.maximum(moved, 0.0))


def _with_range(failing: tuple[Forecast, ...], values: NDArray[np.float64]) -> tuple[Forecast, ...]:
    low, middle, high = np.nanquantile(values, [0.05, 0.5, 0.95], axis=0)
    return tuple(
        Forecast(f.failing, float(a), float(b), float(c)) for f, a, b, c in zip(failing, low, middle, high, strict=True)
    )


def _sampled(machine: Machine, filament: Filament, steps: tuple[Step, ...], seed: int = 7) -> Any:
    """Samples of the unknowns, log margin, pressure and push at each step, and the generator to go on with."""
    rng = np.random.default_rng(seed)
    theta, _, _ = chain.sample(machine, filament, _SAMPLES, rng)
    log_margin, pressure, push = step_log_margins(
        machine,
        theta,
        flow_mm3_per_s=np.array([s.flow_mm3_per_s for s in steps]),
        nozzle_c=np.array([s.nozzle_c for s in steps]),
        width_mm=np.array([s.width_mm or 1.0 for s in steps]),
        gap_mm=np.array([s.gap_mm for s in steps]),
    )
    return theta, log_margin, pressure, push, rng


def _first_failing(machine: Machine, filament: Filament, steps: tuple[Step, ...], seed: int) -> Any:
    rng = np.random.default_rng(seed)
    theta, _, _ = chain.sample(machine, filament, _SAMPLES, rng)
    shift = BED_ERROR_MM * rng.standard_normal(_SAMPLES)[:, None]
    first = np.array([s.first_layer for s in steps])
    gap = np.array([s.gap_mm for s in steps]) - np.where(first, shift, 0.0)
    log_margin, _, _ = step_log_margins(
        machine,
        theta,
        flow_mm3_per_s=np.array([s.flow_mm3_per_s for s in steps]),
        nozzle_c=np.array([s.nozzle_c for s in steps]),
        width_mm=np.array([s.width_mm or 1.0 for s in steps]),
        gap_mm=gap,
        height_mm=np.array([s.gap_mm for s in steps]),
    )
    failed = log_margin + np.log(JOB_SCATTER) * rng.standard_normal(_SAMPLES)[:, None] < 0
    return np.where(failed.any(axis=1), failed.argmax(axis=1), len(steps))
