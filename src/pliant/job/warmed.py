"""A job whose wall may be too cold to soften its spool, as it would be at the nozzle that makes that as sure as can be.

Heat costs nothing and comes before any speed: what to do tonight is reckoned behind it.
"""

from dataclasses import replace

import numpy as np

from pliant.constants import PRINTING_C
from pliant.feed.warmth import hotter_c
from pliant.job.job import Job

__all__ = ["warmed"]


def warmed(job: Job) -> tuple[Job, float] | None:
    """The job with its nozzle where the heat pass sets it.

    Parameters
    ----------
    job : Job
        As written.

    Returns
    -------
    tuple of Job and float, or None
        With the nozzle that was set [degC]; None where nothing hotter is allowed, needed, or set by a word of the
        program.
    """
    p = job.program
    celsius = hotter_c(job.machine, job.filament, float(job.groups.nozzle_c.min(initial=np.inf)))
    if celsius is None:
        return None
    cold = (p.states["nozzle_c"] >= PRINTING_C) & (p.states["nozzle_c"] < celsius)
    if not cold.any():
        return None
    states = p.states.copy()
    states["nozzle_c"][cold] = celsius
    return replace(job, laying=replace(job.laying, program=replace(p, states=states))), celsius
