"""The temperature ladder: the wall of the ladder at one flow, the nozzle cooler step by step within the data sheet.

Cooler melt is thicker, so the push rises. The flow first rises at the hot end of the range, so that the limit is
approached from below; then the nozzle cools. Each temperature begins with slow layers on which it settles; they are no
test. The range never leaves the maker's sheet, so often no step fails: that, too, is a reading.
"""

import numpy as np

from pliant.coupons.forecast import failing_forecast, safe_flow_mm3_per_s
from pliant.coupons.wall import loop_for
from pliant.coupons.writer import Writer, bead_of, top_speed_mm_per_s
from pliant.feed.steps import failing_flow_mm3_per_s
from pliant.models.bead import bead_area_mm2
from pliant.records.coupon import Coupon, Step
from pliant.records.filament import Filament
from pliant.records.machine import Machine

__all__ = ["temperature_ladder", "temperature_steps"]

_STEPS, _LEAST_C = 5, 3.0  # [-, degC] a smaller change of temperature is within what a heater sways; our choice
_HOLD_S, _SETTLE_S = 25.0, 25.0
_APPROACH = (0.02, 0.12, 0.25)  # [-] quantiles of the limit at the hot end through which the flow rises first
_SETTLING = 0.5  # [-] of the step's flow, while the nozzle settles


def temperature_steps(machine: Machine, filament: Filament, flow_mm3_per_s: float | None = None) -> tuple[Step, ...]:
    """Steps from the hot end of the data sheet to the cold one, at a flow whose limit is likeliest to lie between.

    Parameters
    ----------
    machine, filament : Machine, Filament
        The records.
    flow_mm3_per_s : float, optional
        Flow of all steps; the median limit at the middle of the range when left out. [mm3/s]

    Returns
    -------
    tuple of Step
    """
    low, high = filament.nozzle_c
    width, height = bead_of(machine)
    area = float(bead_area_mm2(width, height))
    most = top_speed_mm_per_s(machine) * area
    if flow_mm3_per_s is None:
        limit = failing_flow_mm3_per_s(machine, filament, nozzle_c=(low + high) / 2, width_mm=width, gap_mm=height)
        flow_mm3_per_s = float(np.quantile(limit, 0.5))
    flow = round(min(flow_mm3_per_s, most), 3)
    hot = failing_flow_mm3_per_s(machine, filament, nozzle_c=high, width_mm=width, gap_mm=height)
    rising = [round(float(q), 3) for q in np.quantile(hot, _APPROACH)]
    rising[0] = round(min(rising[0], rising[1] / 1.2), 3)
    count = int(min(_STEPS, max(2, 1 + (high - low) // _LEAST_C)))
    settings = [(q, high) for q in rising if 1.04 * q < flow]
    settings += [(flow, float(round(c))) for c in np.linspace(high, low, count)]
    return tuple(Step(q, c, width, height, round(q / area, 3)) for q, c in settings)


def temperature_ladder(machine: Machine, filament: Filament, *, flow_mm3_per_s: float | None = None) -> Coupon:
    """Make the temperature ladder for this feed path; parameters as `temperature_steps`."""
    steps = temperature_steps(machine, filament, flow_mm3_per_s)
    width, height = steps[0].width_mm, steps[0].gap_mm
    area = float(bead_area_mm2(width, height))
    safe = safe_flow_mm3_per_s(machine, filament, steps[0].nozzle_c, width, height)
    loop = loop_for(min(s.flow_mm3_per_s for s in steps), area)
    layer_mm3 = loop.length_mm() * area
    w = Writer("temperature ladder", machine, filament, steps[0].nozzle_c, purge_mm3_per_s=safe)
    w.travel(*loop.points(0)[0])
    w.note("foot: one layer, not a step")
    loop.lay(w, 0, area, safe)
    z, marks, nozzle_c = height, [], steps[0].nozzle_c
    for k, step in enumerate(steps):
        w.note(f"step {k + 1}: {step.flow_mm3_per_s:g} mm3/s at {step.nozzle_c:g} C")
        marks.append(loop.points(k)[0])
        flows = [step.flow_mm3_per_s] * max(1, round(_HOLD_S * step.flow_mm3_per_s / layer_mm3))
        if step.nozzle_c != nozzle_c:
            nozzle_c = step.nozzle_c
            w.temperature(nozzle_c)
            slow = _SETTLING * step.flow_mm3_per_s
            flows = [slow] * max(1, int(np.ceil(_SETTLE_S * slow / layer_mm3))) + flows
        for flow in flows:
            z += height
            w.height(z)
            loop.lay(w, k, area, flow)
    return Coupon(
        kind="temperature-ladder",
        title="Ladder of temperatures",
        machine=machine.name,
        filament=filament.name,
        steps=steps,
        forecast=failing_forecast(machine, filament, steps),
        marks_mm=tuple(marks),
        outline_mm=w.drawing(),
        asked_mm=w.fed_mm,
        program=w.text(z),
    )
