"""Retraction: taken out where the travel stays over bead or the filament cannot follow, bounded and slowed elsewhere.

Pulling back further than the filament is pressed together only lifts it off the melt: the drive grinds, and the
recover has to push it in again. So a retraction is no longer than what the run's pressure stores between drive and
melt, and the same stretch of filament passes the drive only so often.
"""

import numpy as np
from numpy.typing import NDArray

from pliant.kernels.chewed import pulled_too_often
from pliant.mend.leads import Leads
from pliant.program.write import Edits, own_retractions
from pliant.records.mending import Change
from pliant.records.program import Program

__all__ = ["MOST_PASSES", "NO_THREAD_MM", "SLOW_MM_PER_S", "mend_retraction"]

SLOW_MM_PER_S = 15.0  # common practice, no source: soft filament is moved gently
NO_THREAD_MM = 0.5  # [mm] the flat of the nozzle hides an opening this short; common practice, no source
MOST_PASSES = 8  # from memory: a stretch of filament that goes through the teeth more often is chewed
_LEAST_MM = 0.05  # [mm] a shorter retraction relieves nothing
_SAME = 1e-6  # [-] speeds that differ by less are one: no word can tell them apart
_COVERED = "the travel stays over this layer's bead"
_ON_THE_SPOT = "the nozzle goes nowhere in between"
_CHEWED = f"the same filament would pass the drive more than {MOST_PASSES} times"
_NOTHING_STORED = "the melt stores no pressure that pulling back could relieve"
_GENTLY = "no longer than the stretch that pressure stores; gently, so that the teeth hold"


def mend_retraction(
    program: Program,
    edits: Edits,
    leads: Leads,
    open_mm: NDArray[np.float64],
    stored_mm: NDArray[np.float64],
) -> list[Change]:
    """Take out, bound and slow retractions, in place in `edits`.

    Parameters
    ----------
    program : Program
        The moves.
    edits : Edits
        Changed in place.
    leads : Leads
        Of the program.
    open_mm : ndarray, (n_leads,)
        Travel over air in each lead-in as it will be. [mm]
    stored_mm : ndarray, (n_leads,)
        Filament that the pressure at the end of the run before stores. [mm]

    Returns
    -------
    list of Change
    """
    back_of = program.filament_mm[leads.retracts.move]
    one = leads.simple & (leads.retracts.count == 1) & (leads.recovers.count == 1)
    at = np.flatnonzero(one)
    at = at[back_of[leads.retracts.begin[at]] < 0]
    r, c = leads.retracts.move[leads.retracts.begin[at]], leads.recovers.move[leads.recovers.begin[at]]
    back, stored, speed = -program.filament_mm[r], stored_mm[at].astype(np.float64), program.speed_mm_per_s
    bounded = back.copy()
    own = own_retractions(program)[r]  # can be left out, not shortened or slowed
    longer = (back > 1.1 * stored) & ~own
    bounded[longer] = [round(mm, 3) for mm in np.minimum(back, stored)[longer].tolist()]
    top = np.concatenate([[0.0], np.cumsum(program.filament_mm)])[r]
    needless = open_mm[at] < NO_THREAD_MM
    chewed = pulled_too_often(top, bounded, needless | (bounded < _LEAST_MM), MOST_PASSES)
    travels = leads.travels.count[at] > 0
    gone = needless | chewed | (bounded < _LEAST_MM)
    edits.drop[r[gone]] = edits.drop[c[gone]] = True
    slow_r, slow_c = np.minimum(SLOW_MM_PER_S, speed[r]), np.minimum(SLOW_MM_PER_S, speed[c])
    shorter = ~gone & (bounded < back - 1e-6)
    faster = ~own & (slow_r < speed[r] * (1 - _SAME)) | ~own & (slow_c < speed[c] * (1 - _SAME))
    changed = shorter | (~gone & faster)
    edits.filament_mm[r[shorter]], edits.filament_mm[c[shorter]] = -bounded[shorter], bounded[shorter]
    edits.speed_mm_per_s[r[changed]], edits.speed_mm_per_s[c[changed]] = slow_r[changed], slow_c[changed]
    changes = []
    for k in np.flatnonzero(gone | changed).tolist():
        now = "none" if gone[k] else f"{bounded[k]:.2f} mm at {slow_r[k]:.0f} mm/s"
        why = (
            _GENTLY if not gone[k] else _ON_THE_SPOT if needless[k] and not travels[k]
            else _COVERED if needless[k] else _CHEWED if chewed[k] else _NOTHING_STORED
        )  # fmt: skip
        was = f"{back[k]:.2f} mm at {speed[r[k]]:.0f} mm/s"
        changes.append(Change(int(program.line[r[k]]), "retract", "retraction", was, now, why))
    return changes
