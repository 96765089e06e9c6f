"""Obligations on what lies between beads: filament owed and pushed, the space used."""

import numpy as np
from numpy.typing import NDArray

from pliant.arrays import Floats
from pliant.program.alongside import PLACE_MM
from pliant.program.gaps import Gaps
from pliant.program.outline import extent_mm
from pliant.proving.case import (
    DRIFT_MM,
    KEPT_SPEED,
    WORD_MM,
    Case,
    Refuted,
    first_true,
    gap_name,
    not_faster,
    where,
)
from pliant.records.program import HOME

__all__ = ["debt_settled", "push_kept", "space_kept"]

_MARGIN_MM = 1.0

Bools = NDArray[np.bool_]


def _near(value: Floats, target: Floats, factor: float, tolerance: float) -> Bools:
    """Equal to the target, or to the target times the flow factor, which some controllers apply here too."""
    return (np.abs(value - target) <= tolerance) | (np.abs(value - factor * target) <= tolerance)


def debt_settled(case: Case) -> str:
    """What is drawn back is given back, no more and no faster than in the input."""
    one, two = case.gaps
    tolerance, up = 3 * WORD_MM * case.unit, max(1.0, case.factor)
    primes = case.intent.prime_mm > 0
    settled = two.net_mm - case.withheld_mm
    ok = _near(settled, one.net_mm, case.factor, tolerance)
    ok[-1] |= bool(_near(two.net_mm[-1:], one.net_mm[-1:], case.factor, tolerance)[0])  # nothing follows the last run
    low, high = case.layer_worst(one.net_mm, np.minimum), case.layer_worst(one.net_mm)
    ok |= case.loose & (settled >= low - tolerance) & (settled <= high + tolerance)
    if primes:
        more = settled[0] - one.net_mm[0] + case.q.filament_mm[case.prime].sum()
        ok[0] = -tolerance <= more <= case.intent.prime_mm * up + tolerance
        if not ok[0]:
            raise Refuted(f"primes {more:+.4f} mm of filament; allowed is {case.intent.prime_mm:g}")
    if (k := first_true(~ok)) >= 0:
        raise Refuted(f"{gap_name(case, k)} {settled[k]:+.5f} mm of filament net; the input has {one.net_mm[k]:+.5f}")
    # many differences below the tolerance of a gap must not add up, over a layer or to the end
    words = np.cumsum(two.words[1:])
    spread = abs(case.factor - 1) * np.cumsum(np.abs(one.net_mm[1:])) + tolerance + DRIFT_MM * case.unit * words
    spread += np.cumsum(case.coast_slack_mm[1:])
    owed = np.cumsum(one.net_mm[1:] - settled[1:])
    ends = np.append(np.diff(case.block[1:]) != 0, True)[: owed.size]
    wrong = ends & (
        np.abs(owed) > spread + np.append(np.zeros(max(owed.size - 1, 0)), case.withheld_mm[-1])[-owed.size :]
    )
    if (k := first_true(wrong)) >= 0:
        raise Refuted(f"{owed[k]:+.4f} mm of filament more than in the input stays withdrawn {gap_name(case, k + 1)}")
    limit = case.layer_worst(one.back_mm)
    if primes:
        limit[0] = max(limit[0], one.back_mm.max())
    if (k := first_true(two.back_mm > up * limit + tolerance)) >= 0:
        raise Refuted(f"{gap_name(case, k)} {two.back_mm[k]:.4f} mm withdrawn; the input has {limit[k]:.4f}")
    deeper = two.most_debt_mm > up * np.maximum(case.layer_worst(one.most_debt_mm), 0.0) + tolerance
    deeper[0] &= not primes
    if (k := first_true(deeper)) >= 0:
        raise Refuted(f"travel {gap_name(case, k)} with more withdrawn than in the input")
    not_faster(case, "withdrawn", one.back_speed, two.back_speed)
    # a coast is given back even where the input never feeds filament alone: no faster than its beads take it
    beads = np.flatnonzero(case.lays_p) if case.intent.coast_mm_per_run > 0 else np.zeros(0, dtype=np.int64)
    takes = case.p.filament_mm[beads] / case.p.length_mm[beads] * case.p.speed_mm_per_s[beads]
    not_faster(case, "fed", one.push_speed, two.push_speed, primes, takes.max(initial=0.0))
    if not case.intent.may_change_retraction:
        _retraction_kept(case, one, two, tolerance)
    pairs_p, pairs_q = int((one.back_mm > 0).sum()), int((two.back_mm > 0).sum())
    return f"{pairs_q:,} gaps with a retraction, {pairs_p:,} in the input; net filament of every gap the same"


def _retraction_kept(case: Case, one: Gaps, two: Gaps, tolerance: float) -> None:
    wrong = ~_near(two.back_mm, one.back_mm, case.factor, tolerance)
    wrong |= two.back_speed < one.back_speed * (1 - KEPT_SPEED)
    wrong |= two.push_speed < one.push_speed * (1 - KEPT_SPEED)
    travels = np.isfinite(two.least_debt_mm) & np.isfinite(one.least_debt_mm)
    least = np.minimum(one.least_debt_mm, case.factor * one.least_debt_mm)
    wrong[travels] |= two.least_debt_mm[travels] < least[travels] - tolerance
    wrong &= ~case.loose
    wrong[0] &= case.intent.prime_mm <= 0
    if (k := first_true(wrong)) >= 0:
        raise Refuted(f"the retraction {gap_name(case, k)} is not the input's; retractions were to be kept")
    mine, theirs = case.debts_mm
    a, b = case.pairs.a[~case.bead], case.pairs.b[~case.bead]
    still = (case.p.filament_mm[a] == 0) & (case.q.filament_mm[b] == 0)
    if (k := first_true(still & ~_near(theirs, mine, case.factor, tolerance))) >= 0:
        what = f"{theirs[k]:.4f} mm withdrawn on the way to {where(case.p, int(a[k]))}"
        raise Refuted(f"{what}; the input has {mine[k]:.4f}, and retractions were to be kept")


def push_kept(case: Case) -> str:
    """No filament is pushed where the input pushes none."""
    one, two = case.gaps
    pushed = case.pairs.b[case.lays_q[case.pairs.b] & ~case.bead]
    if pushed.size:
        what = f"{pushed.size:,} moves with filament where the input has none"
        raise Refuted(f"{what}, the first at {where(case.q, int(pushed[0]))} of the mended file")
    up = max(1.0, case.factor)
    limit = case.layer_worst(one.push_mm) * up + case.withheld_mm + 3 * WORD_MM * case.unit
    limit[0] += case.intent.prime_mm * up
    if (k := first_true(two.push_mm > limit)) >= 0:
        what = f"{gap_name(case, k)} {two.push_mm[k]:.4f} mm pushed forward"
        raise Refuted(f"{what}; the input has {one.push_mm[k]:.4f}")
    return f"{two.push_mm.sum():.3f} mm of recover and prime, {one.push_mm.sum():.3f} in the input"


def space_kept(case: Case) -> str:
    """The nozzle stays within the space and above the heights of the input."""
    p, q = case.p, case.q
    box = extent_mm(p, np.ones(p.kind.size, dtype=bool))
    if case.intent.shaping is not None and case.lays_p.any():  # a bead is cut between its ends
        start = p.point_mm[:-1][case.lays_p]
        box = np.stack([np.minimum(box[0], start.min(axis=0)), np.maximum(box[1], start.max(axis=0))])
    counts = np.ones(q.kind.size, dtype=bool)
    if case.prime.size and case.build_mm is not None:
        counts[: case.start] = False  # within the build volume priming may go beyond the input's space
    used = extent_mm(q, counts, case.lift_mm)
    if np.any(used[0] < box[0] - _MARGIN_MM) or np.any(used[1] > box[1] + _MARGIN_MM):
        raise Refuted(f"goes to {_corner(used)}; the input stays within {_corner(box)}")
    if case.build_mm is not None:
        whole = extent_mm(q, np.ones(q.kind.size, dtype=bool))
        if np.any(whole[0] < -PLACE_MM) or np.any(whole[1] > np.array(case.build_mm) + PLACE_MM):
            volume = " × ".join(f"{v:g}" for v in case.build_mm)
            raise Refuted(f"goes to {_corner(whole)}, beyond the build volume of {volume} mm")
    one, two = case.gaps
    laid = p.point_mm[1:, 2][case.pairs.a[case.on_bead]]
    laid = laid[np.maximum(case.gap - 1, 0)] if laid.size else np.zeros(case.gap.size)
    lift = float(np.max(case.lift_mm))
    for what, mine, theirs in (("travel", one.low_mm, two.low_mm), ("goes", one.lowest_mm, two.lowest_mm)):
        floor = case.layer_worst(np.where(np.isfinite(mine), mine, laid), np.minimum)
        floor = np.where(floor > laid, np.maximum(laid, floor - lift), floor)  # high travel need not rise with the part
        if case.intent.prime_mm > 0 and case.lays_p.any():
            floor[0] = min(floor[0], p.point_mm[1:][case.lays_p, 2].min())
        if (k := first_true(theirs < floor - PLACE_MM)) >= 0:
            height = f"at a height of {theirs[k]:.3f} mm; the input stays above {floor[k]:.3f}"
            raise Refuted(f"{what} {gap_name(case, k)} {height}")
    other = case.pairs.extra[~case.lays_q[case.pairs.extra]]
    missing = case.pairs.lost[~case.lays_p[case.pairs.lost]]
    if other.size or missing.size:
        where = (
            f"line {q.line[other[0]]} of the mended file" if other.size else f"line {p.line[missing[0]]} of the input"
        )
        raise Refuted(f"travel takes another way at {where}; ways were to be kept")
    if case.intent.prime_mm <= 0:
        _homing_kept(case)
    return f"within {_corner(used)}; travel {'nowhere lower' if case.ways_free else 'on the ways of the input'}"


def _homing_kept(case: Case) -> None:
    """After homing the file does not tell the way to the first place, but the places have to be the same."""
    homes = [np.flatnonzero(program.kind == HOME) + 1 for program in (case.p, case.q)]
    if homes[0].size == homes[1].size:
        off = case.q.point_mm[homes[1]] - case.p.point_mm[homes[0]]
        off[:, 2] -= np.clip(off[:, 2], 0.0, np.max(case.lift_mm))
        if not np.any(np.abs(off) > PLACE_MM):
            return
    raise Refuted("the first places after homing are not those of the input")


def _corner(box: Floats) -> str:
    return " ".join(f"{axis}{a:.2f}..{b:.2f}" for axis, a, b in zip("XYZ", box[0], box[1], strict=True))
