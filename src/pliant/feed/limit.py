"""The speed at which a job's widest flat bead makes the path give: a range that says more than a chance."""

import numpy as np

from pliant.feed.draws import tail_draws
from pliant.feed.envelope import Groups
from pliant.feed.steps import SLOWEST_MM3_PER_S, failing_flow_mm3_per_s
from pliant.models.bead import bead_area_mm2
from pliant.records.filament import Filament
from pliant.records.machine import Machine

__all__ = ["limit_speed"]

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
    flat = np.flatnonzero(np.isfinite(groups.gap_mm) & ~groups.first_layer)
    if not flat.size:
        flat = np.flatnonzero(np.isfinite(groups.gap_mm))
    if not flat.size:
        return None
    g = flat[int(groups.width_mm[flat].argmax())]
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
