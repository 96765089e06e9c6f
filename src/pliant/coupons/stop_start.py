"""Stop and start: the feed stops at a known place while the nozzle keeps its pace, and starts again further on.

The bead thins out behind the stop and fills up after the start: both lengths tell the lag. A tooth on the bead marks
the stop; the start has no bead to mark, so a second tooth follows it at a known distance. Each row is one flow, all far
below the limit; rows run slowly enough that the taper fits on the bed, or are left out.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from pliant.coupons.forecast import length_forecast, middle_c, safe_flow_mm3_per_s
from pliant.coupons.writer import CENTRE_MM, TOOTH_MM, Writer
from pliant.errors import PliantError
from pliant.feed.steps import failing_flow_mm3_per_s
from pliant.feed.store_known import SteadyBead, store_known
from pliant.models.bead import bead_area_mm2
from pliant.photo.track import LANES_MM, Row
from pliant.records.coupon import Coupon, Step
from pliant.records.filament import Filament
from pliant.records.machine import Machine

__all__ = ["rows_of", "stop_start", "stop_start_steps"]

_SHARES = (0.4, 0.65, 1.0)  # of a flow that nineteen in twenty of the predicted limits lie above
_WIDTH, _HEIGHT = 1.15, 0.4  # [nozzle bores] a thin bead: the same volume makes a longer taper
_LANE_MM, _PITCH_MM = 80.0, LANES_MM
_RUN_IN, _BLANK, _SHORTEST_MM = 8.0, 4.0, 24.0  # [tapers, tapers, mm] before the stop and after the start; between
_LONGEST_MM, _LONGEST_S = 240.0, 90.0
_CLEAR_MM = 2.0  # [mm] of lane between a turn and a tooth
_BACK = 0.2  # [-] of what is stored, by the records, that is drawn back: some tail is left to be read
_AFTER_MM = 8.0  # [mm] of bead after the second tooth


def stop_start_steps(machine: Machine, filament: Filament, draw_back: bool = False) -> tuple[Step, ...]:
    """Three flows, safe for all but a few of the samples; parameters as `ladder_steps`.

    With `draw_back` a part of what is stored, by the records, is drawn back at the stop.
    """
    nozzle_c, nozzle = middle_c(filament), machine.nozzle_mm.value
    width, height = round(_WIDTH * nozzle, 2), round(_HEIGHT * nozzle, 2)
    area = float(bead_area_mm2(width, height))
    limit = failing_flow_mm3_per_s(machine, filament, nozzle_c=nozzle_c, width_mm=width, gap_mm=height)
    safe = float(np.quantile(limit, 0.05)) / 1.1
    steps = []
    for share in _SHARES:
        flow = round(share * safe, 3)
        speed = round(flow / area, 3)
        (tail,), _ = length_forecast(machine, filament, (Step(flow, nozzle_c, width, height, speed, 1e6),))
        blank = _stretch_mm(_BLANK * tail.middle, speed)
        if blank < tail.middle:
            continue  # the tail would run into the start
        back = round(_BACK * _stored_mm(machine, filament, flow, nozzle_c, width, height), 3) if draw_back else 0.0
        steps.append(Step(flow, nozzle_c, width, height, speed, round(blank / speed, 3), back_mm=back))
    if not steps:
        raise PliantError("this path is too slow to settle for a stop-start piece; print a ladder instead")
    return tuple(steps)


def _stored_mm(
    machine: Machine, filament: Filament, flow: float, nozzle_c: float, width: float, height: float
) -> float:
    """Filament that the records store at a flow, at their middle. [mm]"""
    known = store_known(machine, filament, SteadyBead(flow, nozzle_c, width, height))
    return known.stored_mm3[0] / filament.section_mm2


def _stretch_mm(wanted_mm: float, speed_mm_per_s: float) -> float:
    longest = max(min(_LONGEST_MM, _LONGEST_S * speed_mm_per_s), _SHORTEST_MM)
    return float(np.clip(wanted_mm, _SHORTEST_MM, longest))


def stop_start(machine: Machine, filament: Filament, *, draw_back: bool = False) -> Coupon:
    """Make the stop-start piece for this feed path; with `draw_back` filament is drawn back at each stop."""
    steps = stop_start_steps(machine, filament, draw_back)
    width, height, nozzle_c = steps[0].width_mm, steps[0].gap_mm, steps[0].nozzle_c
    area = float(bead_area_mm2(width, height))
    safe = safe_flow_mm3_per_s(machine, filament, nozzle_c, width, height)
    tail, lead = length_forecast(machine, filament, steps)
    w = Writer("stop and start", machine, filament, nozzle_c, purge_mm3_per_s=safe)
    marks, hints, laid = [], [], []
    left, y = CENTRE_MM[0] - _LANE_MM / 2, CENTRE_MM[1] - 36.0
    for k, step in enumerate(steps):
        w.note(f"step {k + 1}: {step.flow_mm3_per_s:g} mm3/s, feed off for {step.wait_s:g} s")
        path = _Snake(left, y)
        w.height(height)
        w.travel(left, y)
        settle = _stretch_mm(_RUN_IN * tail[k].middle, step.speed_mm_per_s)
        before = path.to_lane_mm(settle)
        for x, yy in path.go(before):
            w.bead(x, yy, area, step.flow_mm3_per_s)
        w.tooth(area, step.flow_mm3_per_s)
        marks.append(path.at)
        w.alone(-step.back_mm)
        for x, yy in path.go(step.wait_s * step.speed_mm_per_s):
            w.glide(x, yy, step.speed_mm_per_s)
        marks.append(path.at)
        w.alone(step.back_mm)
        run = path.to_lane_mm(settle)
        for x, yy in path.go(run):
            w.bead(x, yy, area, step.flow_mm3_per_s)
        w.tooth(area, step.flow_mm3_per_s)
        laid.append(replace(step, before_mm=round(before, 3), after_mm=round(run, 3)))
        hints.append(f"it starts again {run:.0f} mm before the second tooth")
        for x, yy in path.go(_AFTER_MM):
            w.bead(x, yy, area, step.flow_mm3_per_s)
        y = path.at[1] + 2 * _PITCH_MM
    return Coupon(
        kind="stop-start",
        title="Stop and start",
        machine=machine.name,
        filament=filament.name,
        steps=tuple(laid),
        forecast=tail,
        forecast_lead=lead,
        marks_mm=tuple(marks),
        outline_mm=w.drawing(),
        unfed_mm=tuple(tuple(stroke) for stroke in w.unfed),
        hints=tuple(hints),
        asked_mm=w.fed_mm,
        program=w.text(height),
    )


def rows_of(steps: Sequence[Step]) -> tuple[Row, ...]:
    """The paths of a piece, from what its steps say, as `stop_start` lays them.

    Parameters
    ----------
    steps : sequence of Step
        Of the piece, from its readings file.

    Returns
    -------
    tuple of Row

    Raises
    ------
    PliantError
        If the steps are of a piece that was made before its readings said where it lies.
    """
    if any(not s.before_mm or not s.after_mm for s in steps):
        raise PliantError(
            "the readings file does not say where the rows lie (it was made by an earlier version); make the piece "
            "again, or measure with a ruler"
        )
    left, y = CENTRE_MM[0] - _LANE_MM / 2, CENTRE_MM[1] - 36.0
    rows = []
    for step in steps:
        path = _Snake(left, y)
        blank = step.wait_s * step.speed_mm_per_s
        corners = [path.at]
        for length in (step.before_mm, blank, step.after_mm, _AFTER_MM):
            corners += path.go(length)
        start = step.before_mm + blank
        rows.append(
            Row(tuple(corners), step.before_mm, start, start + step.after_mm, step.width_mm, step.gap_mm, TOOTH_MM)
        )
        y = path.at[1] + 2 * _PITCH_MM
    return tuple(rows)


class _Snake:
    """A path that goes there and back in lanes."""

    def __init__(self, x: float, y: float) -> None:
        self.left, self.at, self.right = x, (x, y), True

    def to_lane_mm(self, length_mm: float) -> float:
        """Length, this or a little more, that ends on a lane: a tooth on the turn between two would lie on the bead."""
        end = self.left + _LANE_MM if self.right else self.left
        turn = (length_mm - abs(end - self.at[0])) % (_LANE_MM + _PITCH_MM)
        ends_on_lane = length_mm <= abs(end - self.at[0]) or turn >= _PITCH_MM
        return length_mm if ends_on_lane else length_mm + _PITCH_MM - turn + _CLEAR_MM

    def go(self, length_mm: float) -> list[tuple[float, float]]:
        """Corners of the next stretch of that length."""
        found = []
        while length_mm > 1e-9:
            x, y = self.at
            end = self.left + _LANE_MM if self.right else self.left
            step = min(length_mm, abs(end - x))
            if step > 1e-9:
                self.at = (x + step * (1 if self.right else -1), y)
                found.append(self.at)
            length_mm -= step
            if length_mm > 1e-9:
                up = min(length_mm, _PITCH_MM)
                self.at, self.right = (end, y + up), not self.right
                found.append(self.at)
                length_mm -= up
        return found
