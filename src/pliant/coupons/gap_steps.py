"""Gap steps: strips of first layer, each laid closer to the bed than the last, until the face dams the melt.

Every strip has the same width and the same flow, so only the gap changes. They start high, where nothing is squeezed
hard, and come down; never under a tenth of a millimetre, where a bed that is not level meets the nozzle.
"""

import numpy as np

from pliant.coupons.forecast import failing_forecast, middle_c, safe_flow_mm3_per_s
from pliant.coupons.writer import CENTRE_MM, Writer, bead_of, top_speed_mm_per_s
from pliant.errors import PliantError
from pliant.feed.risk import BED_ERROR_MM
from pliant.feed.steps import failing_flow_mm3_per_s, failing_gap_mm
from pliant.models.bead import bead_area_mm2
from pliant.records.coupon import Coupon, Step
from pliant.records.filament import Filament
from pliant.records.machine import Machine

__all__ = ["gap_step_settings", "gap_steps"]

_STEPS, _LEAST_MM, _APART_MM = 8, 0.1, 0.01
_LANES, _LANE_MM, _PITCH_MM = 2, 70.0, 2.4
_HOLD_S = 12.0
_STRIPS_S, _SHORT_MM = 600.0, 25.0  # [s] for two lanes of every strip; [mm] of the shortest lane
_FIRST_CHANCE = 0.05
_FLOWS = np.geomspace(0.9, 0.03, 20)  # of the median limit at the widest gap


def gap_step_settings(machine: Machine, filament: Filament) -> tuple[Step, ...]:
    """Falling gaps through the quantiles of the predicted failing gap.

    Parameters
    ----------
    machine, filament : Machine, Filament
        The records.

    Returns
    -------
    tuple of Step
        At the flow at which the predicted failing gap lies between the widest gap and a tenth of a millimetre for as
        many samples as can be.

    Raises
    ------
    PliantError
        If the nozzle is too fine for a gap between a tenth of a millimetre and its widest.
    """
    nozzle_c = middle_c(filament)
    width, _ = bead_of(machine)
    widest = round(0.75 * machine.nozzle_mm.value, 3)
    if widest < 1.5 * _LEAST_MM:
        raise PliantError(
            f"a nozzle of {machine.nozzle_mm.value:g} mm is too fine for gap steps; print a ladder instead"
        )
    limit = failing_flow_mm3_per_s(machine, filament, nozzle_c=nozzle_c, width_mm=width, gap_mm=widest)
    most = top_speed_mm_per_s(machine) * float(bead_area_mm2(width, _LEAST_MM))
    best, found = -np.inf, (0.0, np.zeros(0))
    for share in _FLOWS:
        flow = float(min(share * np.median(limit), most))
        gaps = failing_gap_mm(
            machine, filament, flow_mm3_per_s=flow, nozzle_c=nozzle_c, width_mm=width, widest_mm=widest,
            bed_error_mm=BED_ERROR_MM,
        )  # fmt: skip
        between = float(((gaps < 0.999 * widest) & (gaps > _LEAST_MM)).mean())
        # the first strip must be safe: a jam there would tell nothing of the gap
        too_soon = float((gaps >= 0.999 * widest).mean())
        worth = between - 10 * max(too_soon - _FIRST_CHANCE, 0.0)
        if worth > best:
            best, found = worth, (flow, gaps)
    flow, gaps = found
    inside = gaps[(gaps < 0.999 * widest) & (gaps > _LEAST_MM)]
    wanted = (
        np.quantile(inside, np.linspace(0.98, 0.02, _STEPS))
        if inside.size > 20
        else np.linspace(widest, _LEAST_MM, _STEPS)
    )
    wanted[0], wanted[-1] = widest, _LEAST_MM
    kept: list[float] = []
    for gap in wanted:
        if not kept or kept[-1] - gap >= _APART_MM:
            kept.append(float(round(gap, 3)))
    return tuple(
        Step(round(flow, 3), nozzle_c, width, gap, round(flow / float(bead_area_mm2(width, gap)), 3), first_layer=True)
        for gap in kept
    )


def gap_steps(machine: Machine, filament: Filament) -> Coupon:
    """Make the gap steps for this feed path."""
    steps = gap_step_settings(machine, filament)
    flow, nozzle_c, width = steps[0].flow_mm3_per_s, steps[0].nozzle_c, steps[0].width_mm
    safe = safe_flow_mm3_per_s(machine, filament, nozzle_c, width, steps[0].gap_mm)
    w = Writer("gap steps", machine, filament, nozzle_c, purge_mm3_per_s=min(safe, flow))
    marks = []
    # slow strips are shorter, so that the piece stays within its time
    slow_s = sum(_LANES * _LANE_MM / s.speed_mm_per_s for s in steps)
    lane_mm = round(max(_LANE_MM * min(1.0, _STRIPS_S / slow_s), _SHORT_MM), 1)
    left = CENTRE_MM[0] - lane_mm / 2
    y = CENTRE_MM[1] - 40.0
    for k, step in enumerate(steps):
        w.note(f"step {k + 1}: gap {step.gap_mm:g} mm")
        w.height(1.0)
        w.travel(left, y)
        w.height(step.gap_mm)
        marks.append((left, y))
        area = float(bead_area_mm2(width, step.gap_mm))
        lanes = max(_LANES, int(np.ceil(_HOLD_S * step.speed_mm_per_s / lane_mm)))
        right = False
        for lane in range(lanes):
            right = not right
            w.bead(left + lane_mm * right, y, area, flow)
            y += _PITCH_MM
            if lane < lanes - 1:
                w.bead(left + lane_mm * right, y, area, flow)
        y += _PITCH_MM
    return Coupon(
        kind="gap-steps",
        title="Gap steps",
        machine=machine.name,
        filament=filament.name,
        steps=steps,
        forecast=failing_forecast(machine, filament, steps),
        marks_mm=tuple(marks),
        outline_mm=w.drawing(),
        asked_mm=w.fed_mm,
        program=w.text(1.0),
    )
