"""Threads: two posts and the air between them, crossed again and again with growing waits and growing distance.

Before each crossing the nozzle waits on its post while the pressure falls; what still leaves it is drawn into a thread
or breaks. Counting the threads of each row tells how slowly the pressure falls. No travel is retracted.
"""

import numpy as np

from pliant.coupons.forecast import middle_c, safe_flow_mm3_per_s, thread_forecast
from pliant.coupons.writer import CENTRE_MM, Writer, bead_of
from pliant.feed import chain
from pliant.feed.steps import failing_flow_mm3_per_s, step_log_margins
from pliant.models.bead import bead_area_mm2
from pliant.records.coupon import Coupon, Step
from pliant.records.filament import Filament
from pliant.records.machine import Machine

__all__ = ["thread_steps", "threads"]

_DISTANCES_MM = (10.0, 20.0, 40.0)
_WAITS = (0.0, 2.0, 10.0)  # in time constants of the median sample
_MOST_WAIT_S, _MOST_S = 10.0, 640.0
_LAYERS, _POST_MM = 5, 5.0
_SIDE = 0.8  # [-] of a post, as beads lie around the corners
_SPEED_MM_PER_S = 80.0


def thread_steps(machine: Machine, filament: Filament) -> tuple[Step, ...]:
    """Rows of crossings: waits from none to a dozen time constants, distances from 10 to 40 mm; as `ladder_steps`."""
    nozzle_c = middle_c(filament)
    width, height = bead_of(machine)
    limit = failing_flow_mm3_per_s(machine, filament, nozzle_c=nozzle_c, width_mm=width, gap_mm=height)
    flow = float(np.quantile(limit, 0.05)) / 1.2
    area = float(bead_area_mm2(width, height))
    flow = round(min(flow, 30.0 * area), 3)
    theta, _, _ = chain.sample(machine, filament, 400, np.random.default_rng(7))
    _, pressure, _ = step_log_margins(
        machine, theta, flow_mm3_per_s=np.array([flow]), nozzle_c=nozzle_c, width_mm=width, gap_mm=height
    )
    constant = float(np.median(chain.compliance(machine, theta, pressure) * theta["flow_index"] * pressure / flow))
    speed = float(min(_SPEED_MM_PER_S, 0.7 * min(machine.max_speed_mm_per_s[:2])))
    steps = [
        Step(
            flow,
            nozzle_c,
            width,
            height,
            speed,
            round(min(share * constant, _MOST_WAIT_S), 2),
            distance,
            0.0,
            2 * _LAYERS,
        )
        for distance in _DISTANCES_MM
        for share in _WAITS
    ]
    while (
        sum(2 * (_LAYERS * s.wait_s + (_LAYERS + 1) * _post_mm3(area) / flow) for s in steps) > _MOST_S
        and len(steps) > 2
    ):
        steps = steps[: -len(_WAITS)] if len(steps) > len(_WAITS) else steps[:-1]
    return tuple(steps)


def _post_mm3(area: float) -> float:
    return 4 * _SIDE * _POST_MM * area


def threads(machine: Machine, filament: Filament) -> Coupon:
    """Make the posts for this feed path."""
    steps = thread_steps(machine, filament)
    width, height, nozzle_c = steps[0].width_mm, steps[0].gap_mm, steps[0].nozzle_c
    area, flow = float(bead_area_mm2(width, height)), steps[0].flow_mm3_per_s
    safe = safe_flow_mm3_per_s(machine, filament, nozzle_c, width, height)
    w = Writer("threads", machine, filament, nozzle_c, purge_mm3_per_s=min(safe, flow))
    marks, left, y, z = [], CENTRE_MM[0] - 30.0, CENTRE_MM[1] - 42.0, 0.0
    pitch = _POST_MM + 3.0
    spots = [(left, y + pitch * k, step) for k, step in enumerate(steps)]
    for layer in range(_LAYERS + 1):
        z = height * (layer + 1)
        w.height(z)
        for x, yy, step in spots:
            if layer == 0:
                marks.append((x, yy))
            far = x + _POST_MM + step.distance_mm
            for place, back in ((x, False), (far, True)):
                if not back:
                    w.travel(place, yy, _SPEED_MM_PER_S)
                _post(w, place, yy, area, flow if layer else min(safe, flow))
                if layer:  # the foot is laid before anything is counted
                    w.wait(step.wait_s)
                    w.travel(x if back else far, yy, step.speed_mm_per_s)
                elif not back:
                    w.travel(far, yy, step.speed_mm_per_s)
    return Coupon(
        kind="threads",
        title="Threads",
        machine=machine.name,
        filament=filament.name,
        steps=steps,
        forecast=thread_forecast(machine, filament, steps),
        marks_mm=tuple(marks),
        outline_mm=w.drawing(),
        asked_mm=w.fed_mm,
        program=w.text(z),
    )


def _post(w: Writer, x: float, y: float, area: float, flow: float) -> None:
    """One layer of a post: a small square, ended where it began."""
    side = _SIDE * _POST_MM
    for dx, dy in ((side, 0.0), (side, side), (0.0, side), (0.0, 0.0)):
        w.bead(x + dx, y + dy, area, flow)
