"""Which travel over air is worth a detour or a retraction: what shows, and what is hidden but loses too much melt.

A thread in a sealed cavity bothers nobody, so travel crosses it straight. What it loses there is missing at the next
start all the same. No more can leave than the run before was fed with: the pressure that drives it only falls from
there. Where that bound, over the time that hidden air takes to cross, is above `MOST_LOST_MM3`, all of it counts.
"""

from dataclasses import dataclass

import numpy as np

from pliant.arrays import Floats
from pliant.job.laying import Laying
from pliant.mending.leads import Leads
from pliant.records.program import BEAD

__all__ = ["MOST_LOST_MM3", "Air", "air_that_counts"]

MOST_LOST_MM3 = 0.5  # [mm3] some 6 mm of a usual bead, behind a wall; our choice


@dataclass(frozen=True)
class Air:
    """Travel over air of each move, `(n_moves,)`: what counts, what of it shows, and what is left as it is. [mm]"""

    counts_mm: Floats
    seen_mm: Floats
    hidden_mm: Floats


def air_that_counts(laying: Laying, leads: Leads, speed_mm_per_s: Floats, *, all_shows: bool = False) -> Air:
    """Split travel over air into what counts and what may stay because the finished part hides it.

    Parameters
    ----------
    laying : Laying
        What is laid.
    leads : Leads
        Of its program.
    speed_mm_per_s : ndarray, (n_moves,)
        Speeds that its beads will have. [mm/s]
    all_shows : bool, default False
        Whether all of it counts: clear filament, a part that will be cut open.

    Returns
    -------
    Air
    """
    p, open_mm = laying.program, laying.coverage.open_mm
    seen = open_mm if all_shows else np.minimum(laying.sight.seen_mm(open_mm.size), open_mm)
    hidden = open_mm - seen
    way = open_mm + laying.coverage.covered_mm
    share = np.divide(hidden, way, out=np.zeros_like(way), where=way > 0)
    bead = p.kind == BEAD
    fed = np.divide(p.filament_mm, p.length_mm, out=np.zeros_like(way), where=bead & (p.length_mm > 0))
    flow = fed * speed_mm_per_s * np.pi * laying.diameter_mm**2 / 4
    lost_mm3 = flow[leads.first - 1] * leads.sums(share * laying.timing.move_s)
    keep = np.zeros(open_mm.size + 1)
    few = lost_mm3 <= MOST_LOST_MM3
    np.add.at(keep, leads.first[few], 1.0)
    np.add.at(keep, leads.last[few], -1.0)
    hidden = np.where(np.cumsum(keep[:-1]) > 0.5, hidden, 0.0)
    return Air(open_mm - hidden, seen, hidden)
