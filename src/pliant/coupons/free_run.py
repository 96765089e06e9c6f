"""Free run: a measured length of filament into the air at rising flows; length asked against length moved.

It tells what the drive loses (slip, teeth that bite), and, since nothing lies under the nozzle, where the feed path
gives without any dam.
"""

import numpy as np

from pliant.coupons.forecast import middle_c, moved_forecast, rising_flows, safe_flow_mm3_per_s
from pliant.coupons.writer import CENTRE_MM, Writer, bead_of
from pliant.feed.steps import failing_flow_mm3_per_s
from pliant.records.coupon import Coupon, Step
from pliant.records.filament import Filament
from pliant.records.machine import Machine

__all__ = ["free_run", "free_run_steps"]

_STEPS, _ASKED_MM, _MOST_S = 6, 80.0, 700.0
_PAUSE_S = 20.0  # [s] to measure and mark; the melt keeps in this time
_HIGH_MM = 60.0


def free_run_steps(machine: Machine, filament: Filament) -> tuple[Step, ...]:
    """Steps through the quantiles of the failing flow in air; parameters as `ladder_steps`."""
    nozzle_c = middle_c(filament)
    area = filament.section_mm2
    limit = failing_flow_mm3_per_s(machine, filament, nozzle_c=nozzle_c, width_mm=1.0, gap_mm=np.inf)
    flows = rising_flows(limit, _STEPS, 0.7 * machine.max_speed_mm_per_s[3] * area)
    asked, pauses = _ASKED_MM, _PAUSE_S * len(flows)
    slow = sum(area / q for q in flows)
    asked = float(np.floor(min(asked, (_MOST_S - pauses) / slow)))
    return tuple(Step(q, nozzle_c, asked_mm=max(asked, 10.0)) for q in flows)


def free_run(machine: Machine, filament: Filament) -> Coupon:
    """Make the free run for this feed path."""
    steps = free_run_steps(machine, filament)
    width, height = bead_of(machine)
    safe = safe_flow_mm3_per_s(machine, filament, steps[0].nozzle_c, width, height)
    w = Writer("free run", machine, filament, steps[0].nozzle_c, purge_mm3_per_s=safe)
    w.height(_HIGH_MM)
    w.travel(*CENTRE_MM)
    for k, step in enumerate(steps):
        w.note(f"step {k + 1}: {step.asked_mm:g} mm of filament at {step.flow_mm3_per_s:g} mm3/s, then time to measure")
        w.wait(_PAUSE_S)
        w.feed(step.asked_mm, step.flow_mm3_per_s)
    return Coupon(
        kind="free-run",
        title="Free run",
        machine=machine.name,
        filament=filament.name,
        steps=steps,
        forecast=moved_forecast(machine, filament, steps),
        marks_mm=tuple(CENTRE_MM for _ in steps),
        outline_mm=(),
        asked_mm=w.fed_mm,
        program=w.text(_HIGH_MM),
    )
