"""What to do tonight with a job that was judged, and whether a ladder is worth printing first.

The worth of the ladder is reckoned by the same sums: for each of its outcomes (which step gives first) the draws are
weighted by how likely they make it, and the best order of tries is chosen anew. So what is saved is what a better
choice saves, not a narrower range. Assumed: the ladder is one job, with one draw of the scatter for all its steps, read
without a slip of the pen; it is printed with the same machine, spool and heat as the job. Where the wall may be too
cold to soften the spool, all is reckoned behind the heat that the sheet allows.
"""

from dataclasses import replace
from functools import lru_cache

import numpy as np

from pliant.constants import FEEDS_BELOW
from pliant.coupons.ladder import ladder
from pliant.errors import PliantError
from pliant.feed.draws import Draws
from pliant.feed.passage import JOB_SCATTER
from pliant.feed.risk import speed_that_meets
from pliant.feed.steps import step_log_margins
from pliant.feed.tries import told_min
from pliant.files import Text
from pliant.job.job import Job, motion_of
from pliant.job.tonight import Weighed, decide, gone_ahead, proved, weigh_tries
from pliant.job.warmed import warmed
from pliant.learning.likelihood import outcomes
from pliant.program.read import read_program
from pliant.program.timing import time_program
from pliant.records.coupon import Step
from pliant.records.filament import Filament
from pliant.records.findings import Findings
from pliant.records.machine import Machine
from pliant.records.tonight import Piece, Tonight

__all__ = ["tonight"]


def tonight(job: Job, findings: Findings) -> tuple[Tonight, Weighed | None]:
    """Say what to do tonight.

    Parameters
    ----------
    job : Job
        As it was judged.
    findings : Findings
        What was found.

    Returns
    -------
    Tonight
    Weighed or None
        What each speed costs; None where the job feeds as it is.
    """
    if findings.verdict == "feeds":
        return replace(gone_ahead(job, findings.jam_probability), proof=proved(job)), None
    share, hot = findings.speed_share, warmed(job)
    if hot is not None:  # no try is worth a thing before the spool softens
        job = hot[0]
        share = speed_that_meets(job.envelope, job.machine, job.filament, FEEDS_BELOW)
    weighed = weigh_tries(job, share)
    heat = float(np.median(job.envelope.nozzle_c)) if job.envelope.nozzle_c.size else job.filament.reference_c
    piece = None
    try:
        steps, minutes = _ladder(job.machine, job.filament, heat)
    except (PliantError, OSError):  # the axes never come near the limit, or there is no room to try it: none is named
        pass
    else:
        told = told_min(weighed.tries, _outcomes(job.machine, weighed.draws, steps))
        piece = Piece("ladder", minutes, weighed.order.expected_min - told - minutes)
    todo = replace(decide(weighed, job, share, piece), nozzle_c=hot[1] if hot is not None else None)
    return todo if job.proof is None else replace(todo, proof=proved(job)), weighed


def _outcomes(machine: Machine, draws: Draws, steps: tuple[Step, ...]) -> np.ndarray:
    """Chance of each outcome of a ladder for each draw, `(n, steps + 1)`."""
    log_margin, _, _ = step_log_margins(
        machine, draws.theta, flow_mm3_per_s=np.array([s.flow_mm3_per_s for s in steps]), nozzle_c=steps[0].nozzle_c,
        width_mm=steps[0].width_mm or 1.0, gap_mm=steps[0].gap_mm,
    )  # fmt: skip
    return np.asarray(outcomes(log_margin, np.log(JOB_SCATTER)))


@lru_cache(maxsize=8)
def _ladder(machine: Machine, filament: Filament, nozzle_c: float) -> tuple[tuple[Step, ...], float]:
    """Steps and minutes of the ladder that would be printed."""
    made = ladder(machine, filament, nozzle_c=nozzle_c)
    timing = time_program(read_program(Text("ladder.gcode", made.program), machine.dialect), motion_of(machine))
    return made.steps, float(timing.move_s.sum()) / 60
