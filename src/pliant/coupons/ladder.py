"""The ladder: one continuous wall whose flow rises step by step until the feed path gives."""

import numpy as np

from pliant.coupons.forecast import failing_forecast, middle_c, rising_flows, safe_flow_mm3_per_s
from pliant.coupons.wall import Loop, loop_for
from pliant.coupons.writer import Writer, bead_of, top_speed_mm_per_s
from pliant.errors import DomainError
from pliant.feed.steps import failing_flow_mm3_per_s
from pliant.models.bead import bead_area_mm2
from pliant.records.coupon import Coupon, Step
from pliant.records.filament import Filament
from pliant.records.machine import Machine

__all__ = ["ladder", "ladder_steps", "thin_gap_mm"]

_STEPS = 12
_HOLD_S = 25.0  # [s] several time constants of soft filament in a short path
_MOST_S = 720.0
_LEAST_GAP_MM, _TALLEST = 0.06, 0.75  # [mm]; [-] of the nozzle


def thin_gap_mm(machine: Machine) -> float:
    """Layers half as high as the coupons' own: there the dam is most of the pressure, and no bed is uneven. [mm]"""
    return round(bead_of(machine)[1] / 2, 3)


def ladder_steps(
    machine: Machine, filament: Filament, nozzle_c: float | None = None, gap_mm: float | None = None
) -> tuple[Step, ...]:
    """Steps through the quantiles of the predicted failing flow, from below.

    Parameters
    ----------
    machine, filament : Machine, Filament
        The records.
    nozzle_c : float, optional
        Nozzle; the middle of the data sheet when left out. [degC]
    gap_mm : float, optional
        Gap below the nozzle's face, which is the height of a layer; the coupons' own when left out. [mm]

    Returns
    -------
    tuple of Step

    Raises
    ------
    DomainError
        If the gap is beyond what a bead of that width can have.
    """
    nozzle = middle_c(filament) if nozzle_c is None else nozzle_c
    width, height = _bead(machine, gap_mm)
    area = float(bead_area_mm2(width, height))
    limit = failing_flow_mm3_per_s(machine, filament, nozzle_c=nozzle, width_mm=width, gap_mm=height)
    most = top_speed_mm_per_s(machine) * area
    count = _STEPS
    while True:
        flows = rising_flows(limit, count, most)
        loop = _loop(flows, area)
        layer = loop.length_mm() * area
        # the foot and the purge run at the pace of the first step
        seconds = sum(_layers(loop, area, q) * layer / q for q in flows) + layer / flows[0]
        if seconds < _MOST_S or count <= 5:
            break
        count -= 1
    return tuple(Step(q, nozzle, width, height, round(q / area, 3)) for q in flows)


def _bead(machine: Machine, gap_mm: float | None) -> tuple[float, float]:
    width, height = bead_of(machine)
    if gap_mm is None:
        return width, height
    most = _TALLEST * machine.nozzle_mm.value
    if not _LEAST_GAP_MM <= gap_mm <= most:
        raise DomainError(f"gap_mm of a ladder must lie between {_LEAST_GAP_MM:g} and {most:g} mm, got {gap_mm:g}")
    return width, gap_mm


def _loop(flows: list[float], area: float) -> Loop:
    return loop_for(float(np.median(flows)), area)


def _layers(loop: Loop, area: float, flow: float) -> int:
    return max(1, round(_HOLD_S * flow / (loop.length_mm() * area)))


def ladder(
    machine: Machine, filament: Filament, *, nozzle_c: float | None = None, gap_mm: float | None = None
) -> Coupon:
    """Make the ladder for this feed path; parameters as `ladder_steps`."""
    steps = ladder_steps(machine, filament, nozzle_c, gap_mm)
    nozzle, width, height = steps[0].nozzle_c, steps[0].width_mm, steps[0].gap_mm
    area = float(bead_area_mm2(width, height))
    safe = safe_flow_mm3_per_s(machine, filament, nozzle, width, height)
    loop = _loop([s.flow_mm3_per_s for s in steps], area)
    w = Writer("ladder", machine, filament, nozzle, purge_mm3_per_s=safe)
    start = loop.points(0)[0]
    w.travel(*start)
    w.note("foot: one layer, not a step")
    # the foot is as high as any coupon's: in a low gap an uneven bed would end the piece before it began
    _, foot = bead_of(machine)
    loop.lay(w, 0, float(bead_area_mm2(width, foot)), safe)
    z, marks = foot, []
    for k, step in enumerate(steps):
        w.note(f"step {k + 1}: {step.flow_mm3_per_s:g} mm3/s")
        marks.append(loop.points(k)[0])
        for _ in range(_layers(loop, area, step.flow_mm3_per_s)):
            z += height
            w.height(z)
            loop.lay(w, k, area, step.flow_mm3_per_s)
    return Coupon(
        kind="ladder",
        title="Ladder of flows",
        machine=machine.name,
        filament=filament.name,
        steps=steps,
        forecast=failing_forecast(machine, filament, steps),
        marks_mm=tuple(marks),
        outline_mm=w.drawing(),
        asked_mm=w.fed_mm,
        program=w.text(z),
    )
