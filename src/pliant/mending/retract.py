"""Retraction: taken out where the travel stays over bead or the filament cannot follow, bounded and slowed elsewhere.

Pulling back further than the filament is pressed together only lifts it off the melt: the drive grinds, and the
recover has to push it in again. So a retraction is no longer than what the run's pressure stores between drive and
melt, and the same stretch of filament passes the drive only so often.
"""

import numpy as np
from numpy.typing import NDArray

from pliant.constants import GENTLE_MM_PER_S
from pliant.feed.pull import MOST_PASSES, Pull, often_crossed, passes_through_drive
from pliant.kernels.chewed import pulled_too_often
from pliant.mending.leads import Leads
from pliant.program.write import Edits, own_retractions
from pliant.records.mending import Change
from pliant.records.program import Program
from pliant.say import count

__all__ = ["NO_THREAD_MM", "mend_retraction"]

NO_THREAD_MM = 0.5  # [mm] the flat of the nozzle hides an opening this short; common practice, no source
_LEAST_MM = 0.05  # [mm] a shorter retraction relieves nothing
_SAME = 1e-6  # [-] speeds that differ by less are one: no word can tell them apart
_COVERED = "the travel stays over this layer's bead"
_HIDDEN = "what it crosses is shut in the finished part"
_ON_THE_SPOT = "the nozzle goes nowhere in between"
_CHEWED = f"the same filament would pass the drive more than {MOST_PASSES} times"
_NOTHING_STORED = "the melt stores no pressure that pulling back could relieve"
_TOO_LONG = "the controller's own length is more than soft filament follows, and cannot be shortened here"
_PAYS = (
    "it pays over {air:.1f} mm of air: no longer than the stretch that pressure stores; gently, so that the teeth hold"
)


def mend_retraction(
    program: Program,
    edits: Edits,
    leads: Leads,
    open_mm: NDArray[np.float64],
    stored_mm: NDArray[np.float64],
    pull: Pull,
    hidden_mm: NDArray[np.float64] | None = None,
) -> tuple[list[Change], list[str]]:
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
        Travel over air in each lead-in as it will be, as far as it counts. [mm]
    stored_mm : ndarray, (n_leads,)
        Filament that the pressure at the end of the run before stores. [mm]
    pull : Pull
        Whether retraction pays at all with these records, and why.
    hidden_mm : ndarray, (n_leads,), optional
        Travel over air beside that, which the finished part hides; it is told as the reason. [mm]

    Returns
    -------
    changes : list of Change
    notes : list of str
        What stays, why, and where it is more than the filament should take.
    """
    back_of = program.filament_mm[leads.retracts.move]
    moved = np.concatenate([[0], np.cumsum((program.filament_mm != 0) & (program.length_mm > 0))])
    # whatever moves filament stands still, so that it can be left out and the way stays the same
    plain = leads.simple & (moved[leads.last] == moved[leads.first]) & (leads.retracts.count > 0)
    one = plain & (leads.retracts.count == 1) & (leads.recovers.count == 1)
    at = np.flatnonzero(one)
    at = at[back_of[leads.retracts.begin[at]] < 0]
    r, c = leads.retracts.move[leads.retracts.begin[at]], leads.recovers.move[leads.recovers.begin[at]]
    back, speed = -program.filament_mm[r], program.speed_mm_per_s
    stored = np.minimum(stored_mm[at].astype(np.float64), pull.most_mm)
    bounded = back.copy()
    own = own_retractions(program)[r]  # can be left out, not shortened or slowed
    longer = (back > 1.1 * stored) & ~own
    bounded[longer] = [round(mm, 3) for mm in np.minimum(back, stored)[longer].tolist()]
    stiff = own & (back > pull.most_mm)
    bounded[(pull.most_mm == 0) | stiff] = 0.0
    top = np.concatenate([[0.0], np.cumsum(program.filament_mm)])[r]
    needless = open_mm[at] < NO_THREAD_MM
    chewed = pulled_too_often(top, bounded, needless | (bounded < _LEAST_MM), MOST_PASSES)
    travels = leads.travels.count[at] > 0
    gone = needless | chewed | (bounded < _LEAST_MM)
    edits.drop[r[gone]] = edits.drop[c[gone]] = True
    slow_r, slow_c = np.minimum(GENTLE_MM_PER_S, speed[r]), np.minimum(GENTLE_MM_PER_S, speed[c])
    shorter = ~gone & (bounded < back - 1e-6)
    edits.filament_mm[r[shorter]], edits.filament_mm[c[shorter]] = -bounded[shorter], bounded[shorter]
    whole = np.flatnonzero(plain & ~one) if pull.most_mm == 0 else np.zeros(0, dtype=np.int64)
    _leave_out(program, edits, leads, whole)
    thinned = _thin_out(program, edits, leads, plain)
    chewed |= np.isin(at, thinned)
    gone |= chewed
    faster = ~own & (slow_r < speed[r] * (1 - _SAME)) | ~own & (slow_c < speed[c] * (1 - _SAME))
    changed = ~gone & (shorter | faster)
    edits.speed_mm_per_s[r[changed]], edits.speed_mm_per_s[c[changed]] = slow_r[changed], slow_c[changed]
    none = _words(pull.why) if pull.most_mm == 0 else _NOTHING_STORED
    changes = []
    for k in np.flatnonzero(gone | changed).tolist():
        now = "none" if gone[k] else f"{bounded[k]:.2f} mm at {slow_r[k]:.0f} mm/s"
        why = (
            _PAYS.format(air=open_mm[at[k]]) if not gone[k] else _ON_THE_SPOT if needless[k] and not travels[k]
            else _HIDDEN if needless[k] and hidden_mm is not None and hidden_mm[at[k]] >= NO_THREAD_MM
            else _COVERED if needless[k] else none if pull.most_mm == 0 else _CHEWED if chewed[k]
            else _TOO_LONG if stiff[k] else none
        )  # fmt: skip
        was = f"{back[k]:.2f} mm at {speed[r[k]]:.0f} mm/s"
        changes.append(Change(int(program.line[r[k]]), "retract", "retraction", was, now, why))
    for k in sorted({*whole.tolist(), *thinned} - set(at.tolist())):
        moves = np.array(leads.retracts.of(k))
        was = f"{-program.filament_mm[moves].sum():.2f} mm in {moves.size} moves"
        why = none if pull.most_mm == 0 else _CHEWED
        changes.append(Change(int(program.line[moves[0]]), "retract", "retraction", was, "none", why))
    return changes, _stays(program, edits, leads, plain, pull)


def _words(why: str) -> str:
    """A sentence as part of another."""
    return why.removeprefix("None: ").removesuffix(".")


def _leave_out(program: Program, edits: Edits, leads: Leads, which: NDArray[np.int64]) -> None:
    for k in which.tolist():
        span = slice(leads.first[k], leads.last[k])
        edits.drop[span] |= program.filament_mm[span] != 0


def _fed(edits: Edits) -> NDArray[np.float64]:
    return np.where(edits.drop, 0.0, edits.filament_mm)


def _thin_out(program: Program, edits: Edits, leads: Leads, plain: NDArray[np.bool_]) -> list[int]:
    """Leave out the last ones wherever filament still passes the drive too often, together with what has to stay."""
    gone: list[int] = []
    while worst := often_crossed(_fed(edits)):
        top, bottom = _reach(edits, leads)
        chosen: set[int] = set()
        for place, times in worst:
            over = np.flatnonzero(plain & (bottom < place) & (place < top))
            chosen |= set(over[-((times - MOST_PASSES + 1) // 2) :].tolist())
        if not chosen:
            break
        _leave_out(program, edits, leads, np.array(sorted(chosen)))
        gone += chosen
    return gone


def _reach(edits: Edits, leads: Leads) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """From where to where each lead-in pulls back, along the filament, `(n_leads,)` each. [mm]"""
    at = np.concatenate([[0.0], np.cumsum(_fed(edits))])
    ends = np.column_stack([leads.first, leads.last]).reshape(-1)
    return at[leads.first], np.minimum.reduceat(at, ends)[::2] if ends.size else np.zeros(0)


def _stays(program: Program, edits: Edits, leads: Leads, plain: NDArray[np.bool_], pull: Pull) -> list[str]:
    top, bottom = _reach(edits, leads)
    back = top - bottom
    stays, notes = back > 1e-6, []
    firm = np.flatnonzero(stays & ~plain)
    kept = back[stays & plain]
    if kept.size:
        length = f"{kept.min():.2f} to {kept.max():.2f} mm" if kept.max() - kept.min() > 0.005 else f"{kept[0]:.2f} mm"
        notes.append(f"{count(kept.size, 'retraction')} of {length} stay: {_words(pull.why)}")
    if firm.size and pull.most_mm == 0:
        notes.append(
            f"{count(firm.size, 'retraction')} cannot be taken out, since more than plain travel and "
            f"filament lies between the runs (first near line {program.line[leads.first[firm[0]]]}); set none in the "
            "software that wrote the program"
        )
    passes = passes_through_drive(_fed(edits))
    if passes > MOST_PASSES:
        notes.append(
            f"the same filament still passes the drive {passes} times, more than the {MOST_PASSES} that it should "
            "take: what pulls it is not a plain retraction between two runs; set fewer or shorter retractions in the "
            "software that wrote the program"
        )
    return notes
