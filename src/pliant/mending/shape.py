"""Shape: feed in time, so that the bead is right through starts and stops.

What is pressed together between drive and nozzle lets the melt flow on after a stop and come late after a start. So a
run is charged before it begins, and what is stored is drawn back when it ends, no more and no less; in between the
feed changes where the flow changes for long. Corners and short segments are left level: they pass sooner than the
store can follow. All that is given more in one place is given less in another of the same run.

A gap is left as it was where the draw-back would leak more than the travel, where the same filament would pass the
drive too often, or where more lies in it than travel and filament. `shape_profile` says how a run is begun and ended,
`shape_fit` what cannot be shaped, `shape_write` cuts the beads.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pliant.arrays import Floats
from pliant.feed.pull import MOST_PASSES
from pliant.job.job import Job
from pliant.kernels.chewed import pulled_too_often
from pliant.mending.shape_profile import MOST_FACTOR, STRETCH_S, Drive, Profile, profile_for, pull_s
from pliant.mending.shape_write import Fitted, Stretch, fit_stretches
from pliant.program.write import Edits, Insert, sole_moves
from pliant.records.machine import Machine
from pliant.records.mending import Change, Shaping
from pliant.records.program import BEAD, DWELL, RECOVER, RETRACT, TRAVEL, Program
from pliant.say import quantity

__all__ = ["drive_for", "mend_shape"]

_GENTLE_MM_PER_S = 30.0  # of filament alone: our choice; no more than the machine's own limit
_STEP_MM_PER_S = 5.0  # of the drive's speed between stretches; common practice, no source
_LEVEL_S = 0.4  # [s] over which a flow is taken; what lasts less is left level
_OTHER = 0.1  # [-] flows that differ by less are one
_LEAST_MM = 0.02  # [mm] of filament: less is not worth two lines
_HANDED = 0.8  # [-] of what the last run stores, that it may keep
_LEAST_CUTS = 4.0  # [-] stretches that a run has to be long enough for
_LEAST_FED, _MOST_FED = 0.8, 3.0  # [-] of its feed that a change of speed takes from a bead, or makes of it
_DIGITS = 5  # of an E word
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


def drive_for(machine: Machine) -> Drive:
    """What the drive of a machine may do."""
    speed = min(machine.max_speed_mm_per_s[3], _GENTLE_MM_PER_S)
    return Drive(speed, machine.retract_acceleration_mm_per_s2, _STEP_MM_PER_S)


@dataclass(frozen=True)
class _Runs:
    """Runs of beads, `(k,)`, and the gap behind each but the last."""

    first: Ints  # move
    last: Ints  # move behind its last
    start_mm3_per_s: Floats  # flow that it begins with, over what lasts
    end_mm3_per_s: Floats
    start_mm: Floats  # filament that this stores
    end_mm: Floats


def mend_shape(job: Job, edits: Edits) -> tuple[list[Change], Shaping]:
    """Shape the feed of a job, in place in `edits`.

    Parameters
    ----------
    job : Job
        At the speeds that it will have.
    edits : Edits
        Changed in place.

    Returns
    -------
    list of Change; what was promised, for the certificate.
    """
    program, drive, law = job.program, drive_for(job.machine), job.store
    runs = _runs_of(job)
    here, plain = _gaps_to_shape(job, runs, drive)
    for gap in np.flatnonzero(plain & ~here).tolist():  # too short for a draw-back of any length
        _empty(program, edits, runs, gap)
    changes: list[Change] = []
    ends = [*np.flatnonzero(here).tolist(), runs.first.size - 1]
    found = _found_mm(job, runs)
    handed = round(min(found, _HANDED * float(runs.end_mm[-1])), _DIGITS)  # what the last run keeps, of that
    stored, begin, most = handed, 0, handed
    for end in ends:
        plan = _planned(job, runs, (begin, end), drive, closes=handed == 0 or end < ends[-1])
        if begin == 0:  # what was found beyond that is in the store, and not in the sum
            plan = replace(plan, begin_mm=max(plan.begin_mm - (found - handed), 0.0))
        fitted, charge = _fitted(program, plan, drive, stored, float(runs.end_mm[end]))
        given = fitted.write(edits)
        if charge > 0:
            put = edits.inserts.setdefault(int(runs.first[begin]), [])
            put.insert(0, Insert(drive.speed_mm_per_s, filament_mm=charge))
        stored += charge
        most = max(most, stored + sum(max(more, 0.0) for more in fitted.each_mm))
        stored += given
        # the last one keeps what was found before the first
        back = round(stored - (handed if end == ends[-1] else 0.0), _DIGITS)
        if end < ends[-1]:
            _empty(program, edits, runs, end)
        if back > 0:
            edits.after[int(runs.last[end]) - 1] = Insert(drive.speed_mm_per_s, filament_mm=-back)
            changes.append(_change(program, runs, end, back))
        stored -= back  # less than a digit is left: the next run has it
        begin = end + 1
    area = job.filament.section_mm2
    beads = program.kind == BEAD
    return changes, Shaping(
        store_at_one_mm=law.store_at_one_mm3 * float(job.squeeze[beads].max()) / area, flow_index=law.flow_index,
        handed_mm=handed, most_mm=most + 1e-3, drive_mm_per_s=drive.speed_mm_per_s, step_mm_per_s=drive.step_mm_per_s,
        least_s=STRETCH_S / 2,
    )  # fmt: skip


def _fitted(program: Program, plan: "_Plan", drive: Drive, stored_mm: float, end_mm: float) -> tuple[Fitted, float]:
    """A plan as it can be fed, and the charge before it. [mm, mm -> -, mm]

    What a change of flow cannot take out on the way is not put in: nothing is drawn back beyond what the end stores.
    """
    for opening in (plan.opening, 0):
        stretches = plan.stretches[plan.opening - opening :]
        fitted = fit_stretches(program, plan.moves, stretches, plan.most, drive.step_mm_per_s)
        later = sum(fitted.each_mm[opening:])
        begun = min(plan.begin_mm, end_mm - later)
        charge = begun - sum(fitted.each_mm[:opening]) - stored_mm
        if charge >= 0:
            return fitted, round(charge, _DIGITS)
    if stored_mm + later > end_mm:  # even what is there is too much
        fitted = fit_stretches(program, plan.moves, [], plan.most, drive.step_mm_per_s)
    return fitted, 0.0


def _runs_of(job: Job) -> _Runs:
    """Runs with what they begin and end with: the mean flow of their first and last moments."""
    program, law = job.program, job.store
    bead = np.flatnonzero(program.kind == BEAD)
    jump = np.flatnonzero(np.diff(bead) > 1)
    first, last = bead[np.append(0, jump + 1)], bead[np.append(jump, bead.size - 1)] + 1
    area = job.filament.section_mm2
    time = np.concatenate([[0.0], np.cumsum(job.laying.timing.move_s)])
    volume = np.concatenate([[0.0], np.cumsum(np.where(program.kind == BEAD, program.filament_mm, 0.0) * area)])
    until = np.minimum(time[first] + _LEVEL_S, time[last])
    since = np.maximum(time[last] - _LEVEL_S, time[first])
    start = (np.interp(until, time, volume) - volume[first]) / np.maximum(until - time[first], 1e-9)
    end = (volume[last] - np.interp(since, time, volume)) / np.maximum(time[last] - since, 1e-9)
    stored = [law.stored_mm3(q, job.squeeze[at]) / area for q, at in ((start, first), (end, last - 1))]
    return _Runs(first, last, start, end, stored[0], stored[1])


def _empty(program: Program, edits: Edits, runs: _Runs, k: int) -> None:
    """Take the filament out of a gap."""
    gap = slice(runs.last[k], runs.first[k + 1])
    edits.drop[gap] |= program.filament_mm[gap] != 0


def _gaps_to_shape(job: Job, runs: _Runs, drive: Drive) -> tuple[Bools, Bools]:
    """Which gaps are to be drawn back over, and which hold nothing but travel and filament, `(k - 1,)` each."""
    program = job.program
    a, b = runs.last[:-1], runs.first[1:]
    fed, alone = program.filament_mm != 0, program.length_mm == 0
    plain = np.isin(program.kind, (TRAVEL, RETRACT, RECOVER, DWELL)) & ~(fed & ~alone)
    plain &= sole_moves(program) | (program.kind == DWELL)
    bad = np.concatenate([[0], np.cumsum(~plain)])
    net = np.concatenate([[0.0], np.cumsum(np.where(plain, program.filament_mm, 0.0))])
    time = np.concatenate([[0.0], np.cumsum(np.where(alone & fed, 0.0, job.laying.timing.move_s))])
    touched = sole_moves(program) & program.states["absolute"][program.state]
    fit = (bad[b] == bad[a]) & (np.abs(net[b] - net[a]) < 1e-6) & touched[a - 1] & touched[b]
    back = runs.end_mm[:-1]
    seconds = np.array([pull_s(mm, drive) for mm in back.tolist()])
    # a store that is drawn off evenly leaks n / (1 + n) of its flow's time, on the way out and on the way in
    share = job.store.flow_index / (1 + job.store.flow_index)
    plain_gap = fit.copy()
    other = np.abs(runs.start_mm[1:] - back) > _OTHER * np.maximum(runs.start_mm[1:], back)
    fit &= (other | (time[b] - time[a] > 2 * share * seconds)) & (back > _LEAST_MM)
    top = np.concatenate([[0.0], np.cumsum(program.filament_mm)])[a]
    return np.asarray(fit & ~pulled_too_often(top, np.where(fit, back, 0.0), ~fit, MOST_PASSES)), plain_gap


def _found_mm(job: Job, runs: _Runs) -> float:
    """Filament stored already where the first bead begins: by a purge, or by what is laid beside the part. [mm]"""
    first = int(runs.first[0])
    if job.proof is not None:  # it ends with the pressure that the part needs
        return float(runs.start_mm[0])
    if not np.any(job.program.filament_mm[:first] > 0):
        return 0.0
    area = job.filament.section_mm2
    return min(max(job.bead_until(first) / area, 0.0), float(runs.start_mm[0]))


@dataclass(frozen=True)
class _Plan:
    """What a chain of runs is fed otherwise."""

    moves: Ints
    stretches: list[Stretch]
    begin_mm: float  # stored when it has been begun
    opening: int  # stretches that begin it
    most: float  # that a stretch may be fed over what it was


def _planned(job: Job, runs: _Runs, span: tuple[int, int], drive: Drive, *, closes: bool) -> _Plan:
    """Plan a chain of runs, from the one that is charged to the one that is drawn back after."""
    begin, end = span
    moves = np.concatenate([np.arange(runs.first[k], runs.last[k]) for k in range(begin, end + 1)])
    length = job.program.length_mm[moves]
    total = float(length.sum())
    start_mm, end_mm = float(runs.start_mm[begin]), float(runs.end_mm[end])
    opening, v_start, most = _profile(job, runs, begin, drive, runs.start_mm3_per_s, start_mm, at=runs.first[begin])
    closing, v_end, _ = _profile(job, runs, end, drive, runs.end_mm3_per_s, end_mm, at=runs.last[end] - 1)
    stretches, at = [], 0.0
    for seconds, share in opening.begin:
        stretches.append(Stretch(at, min(at + seconds * v_start, total), share * start_mm))
        at = min(at + seconds * v_start, total)
    tail, to = [], total
    for seconds, share in reversed(closing.end if closes else ()):
        tail.append(Stretch(max(to - seconds * v_end, at), to, share * end_mm))
        to = max(to - seconds * v_end, at)
    stretches += _between(job, moves, (at, to), (start_mm, end_mm), most)
    begun = (opening.charge + sum(share for _, share in opening.begin)) * start_mm
    if total < _LEAST_CUTS * STRETCH_S * v_start:  # too short to be cut
        return _Plan(moves, [], begun, 0, most)
    return _Plan(moves, [*stretches, *reversed(tail)], begun, len(opening.begin), most)


def _profile(
    job: Job, runs: _Runs, k: int, drive: Drive, flow: Floats, stored_mm: float, *, at: int
) -> tuple[Profile, float, float]:
    """How run k is begun and ended, its speed, and the most that it may be fed over what it was."""
    area = job.filament.section_mm2
    length = job.program.length_mm[runs.first[k] : runs.last[k]]
    fed = float(job.program.filament_mm[at] / job.program.length_mm[at])
    speed = float(min(flow[k] / area / fed, job.program.speed_mm_per_s[at]))
    accel = float(job.course.acceleration_mm_per_s2[at])
    found = profile_for(
        float(flow[k]), speed, stored_mm * area, job.store.flow_index, float(length.sum()), area, accel, drive
    )
    return found, speed, float(min(MOST_FACTOR, drive.speed_mm_per_s / max(fed * speed, 1e-9)))


def _between(
    job: Job, moves: Ints, free: tuple[float, float], stored: tuple[float, float], most: float
) -> list[Stretch]:
    """Stretches where the flow changes for long: half before the change, half behind it."""
    program, area = job.program, job.filament.section_mm2
    seconds = job.laying.timing.move_s[moves]
    long = np.flatnonzero(seconds >= _LEVEL_S)
    length = program.length_mm[moves]
    end = np.cumsum(length)
    flow = program.filament_mm[moves] * area / seconds
    level = job.store.stored_mm3(flow, job.squeeze[moves]) / area
    found, now, low = [], stored[0], free[0]
    for place, k in enumerate([*long.tolist(), -1]):
        goal = stored[1] if k < 0 else float(level[k])
        if abs(goal - now) <= _OTHER * job.store.flow_index * max(now, goal):
            continue
        half = (goal - now) / 2
        where = []
        if place > 0:  # the end of the long bead before
            i = int(long[place - 1])
            where.append((i, float(end[i]), -1.0))
        if k >= 0:
            where.append((k, float(end[k] - length[k]), 1.0))
        for i, at, side in where:
            more = half if len(where) == 2 else 2 * half
            speed, fed = float(length[i] / seconds[i]), float(program.filament_mm[moves[i]])
            room = (min(most, _MOST_FED) - 1 if more > 0 else _LEAST_FED) * fed / seconds[i]
            way = speed * float(np.clip(abs(more) / room, STRETCH_S, 0.4 * seconds[i]))
            a, b = (at - way, at) if side < 0 else (at, at + way)
            if a >= low - 1e-9 and b <= free[1] + 1e-9:
                found.append(Stretch(a, b, more, (1 - _LEAST_FED, _MOST_FED)))
                low = b
        now = goal
    return found


def _change(program: Program, runs: _Runs, k: int, back_mm: float) -> Change:
    gap = slice(runs.last[k], runs.first[k + 1] if k + 1 < runs.first.size else None)
    pulled = -float(np.minimum(program.filament_mm[gap], 0.0).sum())
    was = "nothing drawn back" if pulled < 1e-9 else f"{pulled:.2f} mm drawn back"
    way = float(program.length_mm[gap].sum())
    return Change(
        int(program.line[runs.last[k] - 1]), "shape", "end of the run and start of the next", was,
        f"{back_mm:.3f} mm drawn back, given back before and in the first stretches of the next run",
        f"that much is stored at this flow; it would ooze over {quantity(way, 'mm')} of travel and be missing after it",
    )  # fmt: skip
