"""A job at a share of its speed: how long it takes, and the least margin of every draw of the unknowns.

A share is of the speed written, of beads and priming alone; travel takes the time it takes. Margins are computed at a
few speeds, even in logarithms, and read off between them.
"""

import numpy as np

from pliant.arrays import Floats
from pliant.constants import CAREFUL_MM_PER_S
from pliant.feed.draws import Draws
from pliant.feed.envelope import Envelope
from pliant.feed.risk import BED_ERROR_MM, log_least, log_margins
from pliant.job.job import Job
from pliant.records.machine import Machine
from pliant.records.program import BEAD, PRIME

__all__ = ["at_share", "flat_job", "least_log_margin", "minutes_at", "minutes_of", "read_off"]


def at_share(job: Job, share: float) -> Job:
    """The job with beads and priming at a share of their speed."""
    p = job.program
    fed = ((p.kind == BEAD) | (p.kind == PRIME)) & (p.filament_mm > 0)
    return job if share == 1.0 else job.at(np.where(fed, share * p.speed_mm_per_s, p.speed_mm_per_s))


def flat_job(job: Job) -> Job:
    """The job with no bead faster than one speed that is called safe."""
    p = job.program
    return job.at(np.where(p.kind == BEAD, np.minimum(p.speed_mm_per_s, CAREFUL_MM_PER_S), p.speed_mm_per_s))


def minutes_of(job: Job) -> float:
    """Motion time. [min]"""
    return float(job.laying.timing.move_s.sum()) / 60


def minutes_at(job: Job, share: Floats, timed: tuple[float, ...]) -> Floats:
    """Motion time at each share of the speed, `(k,)`; of those that are timed, linear in 1/share between. [min]"""
    return np.asarray(np.interp(1 / share, [1 / s for s in timed], [minutes_of(at_share(job, s)) for s in timed]))


def least_log_margin(asked: Envelope, machine: Machine, draws: Draws, share: float) -> Floats:
    """Logarithm of the least margin of each draw at a share of the speed, `(n,)`. [-]"""
    by_name, _ = log_margins(asked, machine, draws.theta, BED_ERROR_MM * draws.bed, share)
    return log_least(by_name) if by_name else np.full(draws.weight.size, np.log(1e6))


def read_off(node: Floats, at_node: Floats, share: Floats) -> Floats:
    """Log margins at other shares of the speed, `(n, k)`, from those at nodes that are even in logarithms. [-]"""
    x = np.clip((np.log(share) - np.log(node[0])) / np.log(node[1] / node[0]), 0, node.size - 1 - 1e-9)
    low = x.astype(np.int64)
    return np.asarray(at_node[:, low] + (x - low) * (at_node[:, low + 1] - at_node[:, low]))
