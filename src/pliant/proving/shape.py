"""Obligations on a shaped feed, from both files alone: every run holds its filament, the store never runs below zero.

What a bead is fed beyond what the input asks goes into the store, what it is fed less comes out of it; a charge and a
draw-back add and take. Followed along the whole program, this sum is what the plan has stored at every moment. It is
never below nothing, never above what the stated law allows at the flow asked for, and nothing after each draw-back:
so each run holds just what the input gives it, and all that is changed is settled inside the run it belongs to.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pliant.arrays import Floats
from pliant.program.alongside import PLACE_MM
from pliant.program.gaps import gap_numbers
from pliant.proving.case import DRIFT_MM, SAME_SPEED, WORD_MM, Case, Refuted, first_true, where

__all__ = ["drive_kept", "runs_settled", "shaped_gaps", "shaped_volume", "store_kept"]

_MOST = 22.0  # [-] of its filament that a stretch may be fed or drawn back
_ROUND = 0.01  # [-] of a flow or a store: words are rounded, and a stretch's time is taken at its full speed
_HOLD_MM = 1e-3  # [mm] of filament: what cuts at four decimals add up to along a run
Bools = NDArray[np.bool_]


@dataclass(frozen=True)
class _Kept:
    """The sum of what is stored, event by event, `(n,)`: pieces of beads, and filament alone in shaped gaps."""

    stored_mm: Floats  # after the event
    start_mm: Floats  # before it
    flow_mm3: Floats  # asked there, as filament a second [mm/s]; 0 for filament alone
    move: NDArray[np.int64]  # of the mended program
    alone_mm: Floats  # filament alone
    words: NDArray[np.int64]  # moves of filament so far
    run: NDArray[np.int64]  # of the input: that of the last bead
    settled: Bools  # a draw-back: nothing may be left after it
    ends_mm: tuple[float, float]  # charge before the first bead, and what is put in after the last


def _kept(case: Case) -> _Kept:
    known = getattr(case, "_shape_kept", None)
    if known is None:
        known = _followed(case)
        case._shape_kept = known  # type: ignore[attr-defined]
    return known


def _followed(case: Case) -> _Kept:
    assert case.intent.shaping is not None
    q, on = case.q, case.on_bead
    of = case.pairs.b[on]
    more = _given_mm(case) - case.asked_mm
    flow = case.asked_per_mm * q.speed_mm_per_s[of]
    number = gap_numbers(q, of)
    shaped = np.zeros(on.size + 1, dtype=np.bool_)
    shaped[case.gap[_differs(case)]] = True
    on_path = np.zeros(q.kind.size, dtype=np.bool_)
    on_path[of] = True
    alone = ~on_path & (q.filament_mm != 0) & shaped[np.minimum(number, on.size)]
    for gap, ours in ((0, -1), (on.size, 0)):  # beside the input's own before the first bead and after the last: one
        inside = np.flatnonzero(alone & (number == gap))
        alone[np.delete(inside, ours) if inside.size else inside] = False
    alone = np.flatnonzero(alone)
    ends = [float(q.filament_mm[alone[number[alone] == gap]].sum()) for gap in (0, on.size)]
    key = np.concatenate([of + 0.0, alone + 0.0])
    order = np.argsort(key, kind="stable")
    change = np.concatenate([more, q.filament_mm[alone]])[order]
    stored = case.intent.shaping.handed_mm + np.cumsum(change)
    none = np.zeros(alone.size)
    at = np.concatenate([np.arange(on.size), np.full(alone.size, -1)])[order]
    last = np.maximum.accumulate(np.where(at >= 0, np.arange(order.size), 0))
    run = case.run[np.maximum(at[last], 0)]
    fed = np.concatenate([np.zeros(on.size), q.filament_mm[alone]])[order]
    return _Kept(
        stored, stored - change, np.concatenate([flow, none])[order], np.concatenate([of, alone])[order], fed,
        np.arange(1, order.size + 1), run, fed < 0, (ends[0], ends[1]),
    )  # fmt: skip


def _given_mm(case: Case) -> Floats:
    """Filament of each pair on a bead, drawn back or not. [mm]"""
    at = case.on_bead
    return np.asarray(case.q.filament_mm[case.pairs.b[at]] * case.pairs.share_b[at])


def _differs(case: Case) -> Bools:
    """Gaps in which the mended program does otherwise with filament than the input."""
    one, two = case.gaps
    near = 3 * WORD_MM * case.unit
    same = (two.back_speed <= one.back_speed * (1 + SAME_SPEED)) & (two.push_speed <= one.push_speed * (1 + SAME_SPEED))
    for name in ("net_mm", "back_mm", "push_mm", "least_debt_mm", "most_debt_mm"):
        mine, theirs = getattr(one, name), getattr(two, name)
        both = np.isfinite(mine) & np.isfinite(theirs)
        same &= (mine == theirs) | (
            np.abs(np.subtract(mine, theirs, where=both, out=np.full(mine.size, np.inf))) <= near
        )
    return np.asarray(~same)


def _slack(case: Case, kept: _Kept) -> Floats:
    return np.asarray(_HOLD_MM + DRIFT_MM * case.unit * kept.words)


def shaped_volume(case: Case) -> str:
    """No bead floods; every run and the whole hold what the input gives them, to the last digit."""
    asked, given = case.asked_mm, _given_mm(case)
    word = WORD_MM * case.unit + PLACE_MM * case.asked_per_mm
    if (k := first_true(np.abs(given) > _MOST * asked + word)) >= 0:
        move = int(case.pairs.a[case.on_bead[k]])
        raise Refuted(f"a stretch of {where(case.p, move)} is fed {given[k]:.5f} mm instead of {asked[k]:.5f}")
    if case.lost_beads.size or case.pairs.moved_a.size:
        raise Refuted("not every bead is found in its order")
    settled = runs_settled(case)
    kept = _kept(case)
    laid = float(given.sum())
    alone = float(kept.alone_mm.sum())
    drift = laid + alone - float(asked.sum())
    if abs(drift) > WORD_MM * case.unit + DRIFT_MM * case.unit * kept.words.size:
        raise Refuted(f"the whole is fed {drift:+.5f} mm of filament more than the input")
    return f"{laid + alone:.3f} mm in all, drift {drift:+.5f} mm; {settled}"


def runs_settled(case: Case) -> str:
    """After each draw-back nothing is left of what was given more, so each run holds what the input gives it."""
    kept = _kept(case)
    ends = np.flatnonzero(kept.settled)
    slack = WORD_MM * case.unit + DRIFT_MM * case.unit * np.diff(kept.words[ends], prepend=0)
    rest = kept.stored_mm[ends].copy()
    if ends.size and ends[-1] == kept.settled.size - 1:  # the last run keeps what was found before the first
        rest[-1] -= case.intent.shaping.handed_mm if case.intent.shaping is not None else 0.0
    left = np.diff(rest, prepend=0.0)
    if (k := first_true(np.abs(left) > slack)) >= 0:
        at = where(case.q, int(kept.move[ends[k]]))
        raise Refuted(f"the run before {at} of the mended file holds {left[k]:+.5f} mm of filament more than its own")
    return f"{ends.size:,} draw-backs, each the end of a run that holds its own filament"


def store_kept(case: Case) -> str:
    """The store is never negative, nothing is pulled beyond it, and it never asks for more push than the flow does."""
    intent = case.intent.shaping
    assert intent is not None
    kept, area = _kept(case), np.pi * case.diameter_mm**2 / 4
    slack = _slack(case, kept)
    if intent.handed_mm < 0 or intent.store_at_one_mm < 0 or not 0 < intent.flow_index <= 1:
        raise Refuted("the stated store cannot be: it is negative, or its index is not within (0, 1]")
    if (k := first_true(kept.stored_mm < -slack)) >= 0:
        at = where(case.q, int(kept.move[k]))
        raise Refuted(f"{-kept.stored_mm[k]:.4f} mm of filament are pulled beyond what is stored at {at}")
    if (k := first_true(kept.stored_mm > intent.most_mm + slack)) >= 0:
        at = where(case.q, int(kept.move[k]))
        raise Refuted(f"{kept.stored_mm[k]:.4f} mm are stored at {at}; stated are {intent.most_mm:.4f}")
    chain = np.cumsum(np.concatenate([[False], kept.settled[:-1]]))
    flow = np.zeros(int(chain[-1]) + 1)
    np.maximum.at(flow, chain, kept.flow_mm3 * area)
    law = intent.store_at_one_mm * flow**intent.flow_index
    over = kept.stored_mm > law[chain] * (1 + _ROUND) + slack
    if (k := first_true(over)) >= 0:
        at, most = where(case.q, int(kept.move[k])), law[chain[k]]
        raise Refuted(f"{kept.stored_mm[k]:.4f} mm of filament are stored at {at}; its flow stores {most:.4f}")
    most = np.zeros(int(case.run.max(initial=0)) + 1)
    np.maximum.at(most, case.run, case.asked_per_mm * case.q.speed_mm_per_s[case.pairs.b[case.on_bead]] * area)
    ends = np.flatnonzero(kept.settled)
    stores = intent.store_at_one_mm * most[kept.run[ends]] ** intent.flow_index
    if (k := first_true(-kept.alone_mm[ends] > stores * (1 + _ROUND) + slack[ends])) >= 0:
        at, back = where(case.q, int(kept.move[ends[k]])), -kept.alone_mm[ends[k]]
        raise Refuted(f"{back:.4f} mm are drawn back at {at}; the flow before it stores {stores[k]:.4f}")
    if abs(kept.stored_mm[-1] - intent.handed_mm) > slack[-1]:
        raise Refuted(f"ends with {kept.stored_mm[-1]:.4f} mm stored instead of {intent.handed_mm:.4f}")
    return (
        f"between {max(kept.stored_mm.min(), 0):.3f} and {kept.stored_mm.max():.3f} mm of filament, by S = "
        f"{intent.store_at_one_mm:.3f} mm × q^{intent.flow_index:.2f}"
    )


def shaped_gaps(case: Case) -> str:
    """In a gap that is shaped: a draw-back before the nozzle leaves, a charge once it has come, and nothing else."""
    kept, q = _kept(case), case.q
    n = q.kind.size
    at = kept.move[kept.alone_mm != 0]
    here = np.arange(n)
    lays = case.lays_q.copy()
    lays[case.pairs.b[case.on_bead]] = True  # a bead is one too where it is drawn back on the way
    goes = (q.length_mm > 0) & ~lays
    bead_before = np.maximum.accumulate(np.where(lays, here, -1))
    way_before = np.maximum.accumulate(np.where(goes, here, -1))
    bead_after = np.minimum.accumulate(np.where(lays, here, n)[::-1])[::-1]
    way_after = np.minimum.accumulate(np.where(goes, here, n)[::-1])[::-1]
    back = q.filament_mm[at] < 0
    wrong = np.where(back, way_before[at] > bead_before[at], way_after[at] < bead_after[at])
    if (k := first_true(wrong)) >= 0:
        what = "drawn back" if back[k] else "charged"
        raise Refuted(f"{what} under way at {where(q, int(at[k]))} of the mended file")
    sign = np.sign(q.filament_mm[at])
    twice = (sign[1:] == sign[:-1]) & (bead_before[at][1:] == bead_before[at][:-1])
    if (k := first_true(twice)) >= 0:
        raise Refuted(f"drawn back or charged twice at {where(q, int(at[k + 1]))} of the mended file")
    one, two = case.gaps
    for end, ours, what in (
        (0, kept.ends_mm[0], "before the first bead"),
        (-1, kept.ends_mm[1], "after the last bead"),
    ):
        more = float(two.net_mm[end] - ours - one.net_mm[end])
        if abs(more) > 3 * WORD_MM * case.unit and (end < 0 or case.intent.prime_mm <= 0):
            raise Refuted(f"{what} {more:+.5f} mm of filament net beside charge and draw-back")
    return f"{int(_differs(case).sum()):,} gaps are drawn back over and charged after, the others as in the input"


def drive_kept(case: Case) -> str:
    """The drive: speed of filament alone, steps of its speed between stretches, and how soon one follows another."""
    intent = case.intent.shaping
    assert intent is not None
    kept, q, on = _kept(case), case.q, case.on_bead
    alone = kept.move[kept.alone_mm != 0]
    speed = q.speed_mm_per_s[alone]
    if (k := first_true(speed > intent.drive_mm_per_s * (1 + SAME_SPEED))) >= 0:
        raise Refuted(
            f"filament goes at {speed[k]:g} mm/s at {where(q, int(alone[k]))}; stated are {intent.drive_mm_per_s:g}"
        )
    of = case.pairs.b[on]
    length = q.length_mm[of] * case.pairs.share_b[on]
    way = np.maximum(length, 1e-9)
    fed, asked = _given_mm(case) / way * q.speed_mm_per_s[of], case.asked_mm / way * q.speed_mm_per_s[of]
    word = WORD_MM * case.unit / way * q.speed_mm_per_s[of]
    follows = np.diff(case.run) == 0
    if (k := first_true(np.abs(fed) > intent.drive_mm_per_s * (1 + _ROUND) + asked + word)) >= 0:
        raise Refuted(
            f"a bead is fed at {fed[k]:.1f} mm/s at {where(q, int(of[k]))}; stated are {intent.drive_mm_per_s:g}"
        )
    step, own = np.abs(np.diff(fed)), np.abs(np.diff(asked))
    wrong = follows & (step > intent.step_mm_per_s * (1 + _ROUND) + own + word[1:] + word[:-1])
    if (k := first_true(wrong)) >= 0:
        at = where(q, int(of[k + 1]))
        raise Refuted(f"the drive's speed steps by {step[k]:.2f} mm/s at {at}; stated are {intent.step_mm_per_s:g}")
    # a new piece: part of a bead of the input that lies in several moves of the mended
    same = np.diff(case.pairs.a[on]) == 0
    new = np.concatenate([[False], same]) | np.concatenate([same, [False]])
    seconds = length / np.maximum(q.speed_mm_per_s[of], 1e-9)
    short = new & (case.pairs.share_a[on] < 1 - 1e-9) & (seconds < intent.least_s * (1 - 2 * _ROUND))
    if (k := first_true(short)) >= 0:
        raise Refuted(
            f"a piece of {1000 * seconds[k]:.0f} ms at {where(q, int(of[k]))}; stated are {1000 * intent.least_s:.0f}"
        )
    if (k := first_true(q.states["advance_s"][q.state[of]] > 0)) >= 0:
        raise Refuted(f"the controller's own compensation is on at {where(q, int(of[k]))}")
    least = float(seconds[new].min(initial=np.inf))
    told = f"; new pieces last {1000 * least:.0f} ms or more" if new.any() else ""
    fastest, steepest = speed.max(initial=0.0), step[follows].max(initial=0.0)
    return f"filament alone at {fastest:g} mm/s at most, steps of {steepest:.2f} mm/s{told}"
