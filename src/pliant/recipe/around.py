"""What starts and stops ask for: lag, stored filament, coast, priming, the thread over air; and what the drive loses.

All over the samples of `window.Carry` at the recipe's own flow, so that every number comes with its range. Left out:
friction along the guide, which keeps part of the stored filament from coming back: the stored length is an upper
bound.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pliant.feed import chain
from pliant.feed.metered import losses_at
from pliant.feed.pull import stored_mm
from pliant.models import lag, metering
from pliant.recipe.window import Carry

__all__ = ["Metering", "Ranged", "StartsAndStops", "metering_at", "ranged", "starts_and_stops"]

_STILL = 0.8  # [-] a coast ends where the flow has fallen to this share: thinner, the seam starves; our choice
_CHARGED = 3.0  # [-] time constants until a run has its full width (95 % of a first-order rise)
_SLIP_SIZE = (0.1, 1.5)  # [-] loss at the limit of grip, and its spread; from memory, see models/drive.py
_SMALL_CONTACT = 0.35  # [-] of the filament's radius, where models/drive.py warns


@dataclass(frozen=True)
class Ranged:
    """A middle value with its 90 % range."""

    value: float
    low: float
    high: float


@dataclass(frozen=True)
class StartsAndStops:
    """At the level flow of the recipe."""

    push_n: Ranged  # of the melt, on the filament
    lag_s: Ranged
    stored_mm: Ranged  # filament pressed together and melt pressed into it: what a pull would have to take back
    coast_mm: Ranged  # bead after the feed stops until the flow has fallen to a fifth less
    run_in_mm: Ranged  # bead until a run that starts without pressure has its full width
    priming_mm: Ranged  # the same on the first layer, at its speed
    thread_mm: Ranged  # diameter of the thread that the flow draws over air at travel speed


@dataclass(frozen=True)
class Metering:
    """The flow factor from its causes; losses are fractions at the middle values."""

    factor: Ranged
    stretch: float
    slip: float
    bite: float
    deep: bool  # the pinch flattens the filament beyond what its formula is meant for

    @property
    def dominant(self) -> str:
        """The cause that loses most."""
        return str(metering.largest_cause(self.stretch, self.slip, self.bite))


def ranged(samples: NDArray[np.float64]) -> Ranged:
    """Median and 90 % range of samples."""
    low, middle, high = (float(v) for v in np.quantile(samples, [0.05, 0.5, 0.95]))
    return Ranged(middle, low, high)


def starts_and_stops(
    carried: Carry,
    *,
    flow_mm3_per_s: float,
    nozzle_c: float,
    width_mm: float,
    height_mm: float,
    speed_mm_per_s: float,
    first_speed_mm_per_s: float,
    travel_mm_per_s: float,
) -> StartsAndStops:
    """Work out what follows from the lag at one operating point.

    Parameters
    ----------
    carried : Carry
        Samples of the unknowns.
    flow_mm3_per_s, nozzle_c : float
        The recipe's flow and temperature. [mm3/s, degC]
    width_mm, height_mm, speed_mm_per_s : float
        Of the bead that runs at it. [mm, mm, mm/s]
    first_speed_mm_per_s, travel_mm_per_s : float
        Of the first layer; of a travel. [mm/s]

    Returns
    -------
    StartsAndStops
    """
    plain = carried.draws.plain
    theta = {name: values[plain] for name, values in carried.theta.items()}
    pressure = carried.pressure_mpa(flow_mm3_per_s, carried.at([nozzle_c], width_mm, height_mm))[plain, 0]
    store = np.asarray(chain.compliance(carried.machine, theta, pressure[:, None]))[:, 0]
    index = theta["flow_index"][:, 0]
    area = np.pi * theta["diameter_mm"][:, 0] ** 2 / 4
    lag_s = np.asarray(lag.time_constant_s(store, pressure, flow_mm3_per_s, index))
    # closed tail of a power-law melt: q / q0 = (1 + (1 - n) / n x)^(-1 / (1 - n)), x = t Q / (C P)
    m = np.minimum(index, 0.999)
    x = (_STILL ** (m - 1) - 1) * m / (1 - m)
    coast_s = x * store * pressure / flow_mm3_per_s
    thread = np.full(store.size, np.sqrt(4 * flow_mm3_per_s / (np.pi * travel_mm_per_s)))
    return StartsAndStops(
        push_n=ranged(theta["model_factor"][:, 0] * pressure * area),
        lag_s=ranged(lag_s),
        stored_mm=ranged(stored_mm(carried.machine, theta, pressure[:, None])[:, 0]),
        coast_mm=ranged(coast_s * speed_mm_per_s),
        run_in_mm=ranged(_CHARGED * lag_s * speed_mm_per_s),
        priming_mm=ranged(_CHARGED * lag_s * first_speed_mm_per_s),
        thread_mm=ranged(thread),
    )


def metering_at(
    carried: Carry, *, flow_mm3_per_s: float, nozzle_c: float, width_mm: float, height_mm: float, seed: int = 11
) -> Metering:
    """Flow factor that makes up for what the drive loses at one operating point.

    Parameters
    ----------
    carried : Carry
        Samples of the unknowns.
    flow_mm3_per_s, nozzle_c, width_mm, height_mm : float
        The operating point. [mm3/s, degC, mm, mm]
    seed : int
        Of the three unknowns that only metering has: spool pull, slip, bite.

    Returns
    -------
    Metering
    """
    machine, plain = carried.machine, carried.draws.plain
    columns = {name: values[plain] for name, values in carried.theta.items()}
    theta = {name: values[:, 0] for name, values in columns.items()}
    n = theta["diameter_mm"].size
    rng = np.random.default_rng(seed)
    pull = machine.spool_pull_n.value * machine.spool_pull_n.spread ** rng.standard_normal(n)
    wheel = machine.wheel_radius_mm.value * machine.wheel_radius_mm.spread ** rng.standard_normal(n)
    size = _SLIP_SIZE[0] * _SLIP_SIZE[1] ** rng.standard_normal(n)
    at = carried.at([nozzle_c], width_mm, height_mm)
    pressure = carried.pressure_mpa(flow_mm3_per_s, at)[plain]
    _, _, push = chain.margins(
        machine, columns, pressure_mpa=pressure, flow_mm3_per_s=flow_mm3_per_s, nozzle_c=nozzle_c
    )
    lost = losses_at(
        machine, theta, push[:, 0], pull_n=pull, wheel_radius_mm=wheel, bite_share=rng.uniform(*metering.BITE_SHARE, n),
        slip_size=size,
    )  # fmt: skip
    deep = bool(np.median(lost.squash_mm / theta["diameter_mm"]) > _SMALL_CONTACT / 2)
    stretch, slip, bite = (float(np.median(part)) for part in (lost.stretch, lost.slip, lost.bite))
    return Metering(ranged(lost.factor), stretch, slip, bite, deep)
