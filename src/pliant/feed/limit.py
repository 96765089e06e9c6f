"""The speed at which a job's widest flat bead makes the path give: a range that says more than a chance."""

import numpy as np

from pliant.feed import chain
from pliant.feed.draws import tail_draws
from pliant.feed.envelope import Groups
from pliant.feed.load import bounded_gap_mm
from pliant.feed.steps import SLOWEST_MM3_PER_S, failing_flow_mm3_per_s
from pliant.models.bead import bead_area_mm2
from pliant.records.filament import Filament
from pliant.records.machine import Machine

__all__ = ["carried_between", "limit_speed"]

_ENDS = {"low": 0.05, "middle": 0.5, "high": 0.95}


def limit_speed(groups: Groups, machine: Machine, filament: Filament) -> dict[str, float] | None:
    """Speed at which the widest flat bead gives, laid steadily.

    Parameters
    ----------
    groups : Groups
        Of a job.
    machine, filament
        The records.

    Returns
    -------
    dict of str to float, or None
        `low`, `middle` and `high`, a 90 % range; 0 where it gives at any speed; None where the job lays no flat bead.
        [mm/s]
    """
    g = _widest(groups)
    if g is None:
        return None
    width, height = float(groups.width_mm[g]), float(groups.gap_mm[g])
    theta, n = None, 1000
    if filament.evidence is not None:
        draws = tail_draws(machine, filament, 2 * n)
        theta = {name: np.asarray(values)[draws.plain] for name, values in draws.theta.items()}
    flow = failing_flow_mm3_per_s(
        machine, filament, n=n, theta=theta, nozzle_c=float(groups.nozzle_c[g]), width_mm=width, gap_mm=height,
        after_s=float(groups.end_s[g]),
    )  # fmt: skip
    area = float(bead_area_mm2(max(width, height), height))
    flow = np.where(flow <= SLOWEST_MM3_PER_S * (1 + 1e-6), 0.0, flow)  # slower was not looked at: at any speed
    return {name: float(np.quantile(flow, share)) / area for name, share in _ENDS.items()}


def carried_between(
    groups: Groups, machine: Machine, filament: Filament, speeds_mm_per_s: dict[str, float], mechanism: str,
    capacity: float,
) -> tuple[float, float] | None:  # fmt: skip
    """What a mechanism can carry, nine times in ten, in the demand that the middle values have.

    The widest flat bead gives between two speeds; laid at these, the middle values ask for so much. A demand of the
    middle values below the lower end rarely gives, one above the upper end nearly always does.

    Parameters
    ----------
    groups : Groups
        Of a job.
    machine, filament
        The records.
    speeds_mm_per_s : dict of str to float
        What `limit_speed` gave. [mm/s]
    mechanism : str
        The one that governs.
    capacity : float
        Demand at which it gives at the middle values. [any]

    Returns
    -------
    tuple of float, or None
        Lower and upper end, in the unit of `capacity`; the lower one 0 where it may give at any speed. None where the
        mechanism has no margin there.
    """
    g = _widest(groups)
    if g is None or not np.isfinite(capacity):
        return None
    width, height = float(groups.width_mm[g]), float(groups.gap_mm[g])
    area = float(bead_area_mm2(max(width, height), height))
    flow = np.maximum(np.array([speeds_mm_per_s["low"], speeds_mm_per_s["high"]]) * area, 1e-9)
    theta = chain.after(chain.central(machine, filament), float(groups.end_s[g]))
    gap = bounded_gap_mm(np.array([height]))
    celsius = float(groups.nozzle_c[g])
    pressure = chain.free_pressure_mpa(flow, celsius, theta) * chain.dam_ratio(width, gap, theta)
    at, *_ = chain.margins(machine, theta, pressure_mpa=pressure, flow_mm3_per_s=flow, nozzle_c=celsius)
    margin = np.broadcast_to(np.asarray(at.get(mechanism, np.nan), dtype=float), flow.shape)
    with np.errstate(divide="ignore", invalid="ignore"):
        low, high = capacity / margin
    if not np.isfinite(low + high) or not low < high:
        return None
    return (0.0 if speeds_mm_per_s["low"] <= 0 else float(low)), float(high)


def _widest(groups: Groups) -> int | None:
    """The group of the widest flat bead, above the first layer where there is one."""
    flat = np.flatnonzero(np.isfinite(groups.gap_mm) & ~groups.first_layer)
    if not flat.size:
        flat = np.flatnonzero(np.isfinite(groups.gap_mm))
    return int(flat[int(groups.width_mm[flat].argmax())]) if flat.size else None
