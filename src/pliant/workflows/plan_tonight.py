"""What to do tonight with a plan: the tries, the piece and the proof of `tonight`, for a part of an hour.

A plan has no program, so one is thought up: a square of lines in the recipe's layers, at the bead of the window map,
which takes about an hour at the rigid recipe's speed. Its speeds are then told in mm/s. Left out: what another part
would ask (narrow beads, many starts); a program that is checked says it for itself.
"""

from dataclasses import replace

from pliant.files import Text
from pliant.job.job import Job, job_of
from pliant.job.verdict import judge
from pliant.models.bead import bead_area_mm2
from pliant.program.read import read_program
from pliant.recipe.derive import Point
from pliant.records.baseline import Baseline
from pliant.records.filament import Filament
from pliant.records.machine import Machine
from pliant.records.tonight import Tonight
from pliant.workflows.tonight import tonight

__all__ = ["HOUR_MIN", "hour_job", "plan_tonight"]

HOUR_MIN = 60.0  # of the part that is thought up, at the rigid recipe's speed
_SIDE_MM = 50.0


def hour_job(base: Baseline, point: Point, bead: str, machine: Machine, filament: Filament) -> Job:
    """A part of about an hour at the rigid speeds, in the soft recipe's first layer and temperature.

    Parameters
    ----------
    base : Baseline
        The rigid recipe.
    point : Point
        The soft one.
    bead : str
        The kind of bead that it is made of.
    machine, filament
        The records.

    Returns
    -------
    Job
    """
    speed, width, height = base.speed_mm_per_s[bead], base.width_mm[bead], base.layer_height_mm
    first_height, first_width = point.first_height_mm, point.first_width_mm
    rows = ["G21", "G90", "M83", "G28", f"M109 S{point.nozzle_c:.0f}"]
    z, left_s = 0.0, 60 * HOUR_MIN
    while left_s > 0:
        first = z == 0.0
        h, w, v = (first_height, first_width, base.first_speed_mm_per_s) if first else (height, width, speed)
        z = round(z + h, 4)
        per_mm = float(bead_area_mm2(w, h)) / filament.section_mm2
        rows += [f"G1 Z{z:.3f} F600", f"G0 X20 Y20 F{60 * base.travel_mm_per_s:.0f}", f"G1 F{60 * v:.1f}"]
        lines = int(_SIDE_MM / w) + 1
        for k in range(lines):
            x, y = (20.0, 20.0 + _SIDE_MM)[(k + 1) % 2], 20.0 + k * w
            rows.append(f"G1 X{x:g} Y{y:.3f} E{_SIDE_MM * per_mm:.5f}")
            rows.append(f"G1 X{x:g} Y{y + w:.3f} E{w * per_mm:.5f}")
        left_s -= lines * (_SIDE_MM + w) / v
    program = read_program(Text("an hour's part", "\n".join(rows) + "\n"), machine.dialect)
    return job_of(program, machine, filament)


def plan_tonight(base: Baseline, point: Point, bead: str, machine: Machine, filament: Filament) -> Tonight | None:
    """Say what to do tonight with a part of an hour; None where it feeds at the rigid speed.

    Parameters
    ----------
    base, point, bead, machine, filament
        As in `hour_job`.

    Returns
    -------
    Tonight or None
        With the speed that its shares are of.
    """
    job = hour_job(base, point, bead, machine, filament)
    findings = judge(job, remedies=False)
    if findings.verdict == "feeds":
        return None
    return replace(tonight(job, findings)[0], speed_mm_per_s=base.speed_mm_per_s[bead])
