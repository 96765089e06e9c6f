"""Obligations on beads: that they are the same, hold their filament, keep their order, states and speed."""

from itertools import takewhile

import numpy as np
import shapely
from numpy.typing import NDArray

from pliant.job.laying import Laying
from pliant.language.line import read_line
from pliant.program.alongside import PLACE_MM
from pliant.program.other_lines import other_lines
from pliant.program.outline import bead_lines
from pliant.program.runs import runs_of
from pliant.proving.case import (
    DRIFT_MM,
    KEPT_SPEED,
    SAME_SPEED,
    WORD_MM,
    Case,
    Refuted,
    first_true,
    not_faster,
    refute,
    where,
)
from pliant.records.program import HOME, STATE_DTYPE

__all__ = ["beads_found", "order_kept", "speed_kept", "states_kept", "volume_kept"]

_MARGIN_MM = 1.0
_CLEAR_MM = 1.0  # from the middle of a priming bead to the middle of a bead of the part
# How words are meant; positions and filament have already shown it.
_READING_STATES = ("offset_mm", "e_absolute", "absolute", "unit")
_WAITS = (("M", 109), ("M", 190))  # for a temperature

Bools = NDArray[np.bool_]


def beads_found(case: Case) -> str:
    """Every bead of the input lies in the mended program, in its layer, and no other does."""
    said = [case.lift_wrong] if case.lift_wrong else []
    if case.lost_beads.size:
        said.append(f"{case.lost_beads.size:,} missing, the first at {where(case.p, int(case.lost_beads[0]))}")
    if case.added.size:
        said.append(f"{case.added.size:,} added, the first at {where(case.q, int(case.added[0]))}")
    if case.prime.size and (wrong := _prime_wrong(case)):
        said.append(wrong)
    refute("; ".join(said))
    n_p, n_q = int(case.lays_p.sum()), int(case.lays_q.sum())
    primed = f", of them {case.prime.size:,} primed outside the part" if case.prime.size else ""
    lifted = ""
    if np.any(case.lift_mm):
        lift = np.broadcast_to(case.lift_mm, case.q.kind.size + 1)[1:][case.lays_q]
        lifted = f", first layer {lift[0]:+.3f} mm and the last {lift[-1]:+.3f} mm higher"
    return f"{n_p:,} beads of the input are {n_q:,} of the mended file{primed}, within {PLACE_MM:g} mm{lifted}"


def _prime_wrong(case: Case) -> str:
    """What speaks against an added priming run: it lies on the part or too low, or machine or melt is not ready."""
    p, q = case.p, case.q
    start, bead = int(case.prime[0]), case.start
    if q.point_mm[case.prime + 1, 2].min() < p.point_mm[1:][case.lays_p, 2].min() - PLACE_MM:
        return "the priming run lies lower than the first layer"
    if np.any(q.kind[start:bead] == HOME):
        return "the priming run comes before homing"
    target = q.nozzle_c[case.prime]
    if np.any(target != q.nozzle_c[bead]) and not np.isnan(q.nozzle_c[bead]):
        return "the priming run has another nozzle temperature than the first bead"
    before = takewhile(lambda line: line[0] < q.line[bead], other_lines(q.path))
    if any(number > q.line[start] and read_line(text).command in _WAITS for number, text in before):
        return "the priming run comes before a wait for temperature"
    line = shapely.multilinestrings(bead_lines(q, case.prime).tolist())
    x0, y0, x1, y1 = line.bounds
    at = np.flatnonzero(case.lays_p)
    ends = np.concatenate([p.point_mm[at, :2], p.point_mm[at + 1, :2]], axis=1)
    turning = p.sweep_rad[at] != 0
    reach = np.full(at.size, _CLEAR_MM)
    reach[turning] += 2 * np.hypot(*(p.centre_mm[at[turning]] - ends[turning, :2]).T)
    near = (
        (np.minimum(ends[:, 0], ends[:, 2]) <= x1 + reach) & (np.maximum(ends[:, 0], ends[:, 2]) >= x0 - reach)
        & (np.minimum(ends[:, 1], ends[:, 3]) <= y1 + reach) & (np.maximum(ends[:, 1], ends[:, 3]) >= y0 - reach)
    )  # fmt: skip
    if near.any() and shapely.dwithin(bead_lines(p, at[near]), line, _CLEAR_MM).any():
        return f"the priming run comes nearer than {_CLEAR_MM:g} mm to the part"
    return ""


def volume_kept(case: Case) -> str:
    """Every bead, every run and the whole hold the filament they should."""
    p, q, pairs, at = case.p, case.q, case.pairs, case.on_bead
    asked, given, word = case.asked_mm, case.given_mm, WORD_MM * case.unit
    density = case.asked_per_mm
    off = np.where(case.coast, -1.0, np.abs(given - asked) - (word + PLACE_MM * density))
    if np.any(off > 0):
        k = int(np.argmax(off))
        raise Refuted(
            f"{int((off > 0).sum()):,} beads differ, the worst at {where(p, int(pairs.a[at[k]]))}: {given[k]:.5f} mm "
            f"of filament instead of {asked[k]:.5f}"
        )
    wanted = case.factor_of(pairs.moved_a) * p.filament_mm[pairs.moved_a]
    moved = np.abs(wanted - q.filament_mm[pairs.moved_b])
    if np.any(moved > word + PLACE_MM * wanted / p.length_mm[pairs.moved_a]):
        raise Refuted("beads that are out of order differ in filament")
    runs = int(case.run.max()) + 1 if case.run.size else 0
    owed = np.bincount(case.run, np.where(case.coast, 0.0, asked) - given, runs)
    allowed = word + DRIFT_MM * case.unit * np.bincount(case.run, minlength=runs)
    allowed += np.bincount(case.run, case.coast * PLACE_MM * density, runs)
    if np.any(np.abs(owed) > allowed):
        run = int(np.argmax(np.abs(owed) - allowed))
        line = p.line[pairs.a[at[np.argmax(case.run == run)]]]
        raise Refuted(f"the run from line {line} gets {-owed[run]:+.5f} mm of filament by many small differences")
    held = case.held_mm[1]
    if held.max(initial=0.0) > case.intent.coast_mm_per_run * max(1.0, case.factor) + word:
        limit = case.intent.coast_mm_per_run
        raise Refuted(f"a run ends {held.max():.4f} mm of filament early; allowed is {limit:g}")
    laid = np.flatnonzero(case.lays_p)
    total_p = float(p.filament_mm[laid].sum())
    total_q = float(q.filament_mm[case.lays_q].sum() - q.filament_mm[case.prime].sum())
    wanted_all = float((case.factor_of(laid) * p.filament_mm[laid]).sum())
    drift = total_q - wanted_all + held.sum()
    if abs(drift) > word + DRIFT_MM * case.unit * max(case.lays_q.sum(), 1) + allowed.sum():
        raise Refuted(f"{total_q:.3f} mm of filament in all beads instead of {wanted_all:.3f}")
    coasted = f", {held.sum():.3f} mm held back by coasting" if held.any() else ""
    first_layer = case.intent.first_layer_factor
    more = f", × {first_layer:g} in the first layer" if first_layer != 1 else ""
    return f"{total_q:.3f} mm = {case.factor:g} × {total_p:.3f} mm of the input{more}{coasted}; drift {drift:+.5f} mm"


def order_kept(case: Case) -> str:
    """Runs that touch follow one another as in the input."""
    pairs = case.pairs
    if pairs.moved_a.size:
        first = where(case.p, int(pairs.moved_a.min()))
        raise Refuted(f"{pairs.moved_a.size:,} beads out of order, the first at {first}")
    if pairs.broken.size:
        line = int(case.p.line[pairs.path_a.move[pairs.path_a.run_start[pairs.broken[0]]]])
        raise Refuted(f"{pairs.broken.size:,} runs are laid with others in between, the first from line {line}")
    if not pairs.permuted.any():
        return f"{pairs.path_a.run_start.size:,} runs in the order of the input"
    refute(_overlapping(case))
    return (
        f"{int(pairs.permuted.sum()):,} of {pairs.permuted.size:,} layers lay their runs in another order, each run "
        "whole, and runs that touch in their old order"
    )


def _overlapping(case: Case) -> str:
    """The first two runs that touch and changed their order."""
    p, rank = case.p, case.pairs.rank
    runs = runs_of(p, Laying(p, case.diameter_mm).sections.width_mm)
    pair = runs.touching
    k = first_true(rank[pair[:, 0]] > rank[pair[:, 1]])
    if k < 0:
        return ""
    lines = p.line[runs.first[pair[k]]]
    return f"the runs from lines {lines[0]} and {lines[1]} touch and changed their order"


def states_kept(case: Case) -> str:
    """Heat, fan and limits stand at every bead as in the input."""
    p, q = case.p, case.q
    code, first = np.unique(p.state[case.a].astype(np.int64) * len(q.states) + q.state[case.b], return_index=True)
    bad: list[tuple[int, str]] = []
    for which, at in zip(code, first, strict=True):
        s, t = p.states[which // len(q.states)], q.states[which % len(q.states)]
        for name in STATE_DTYPE.names or ():
            if name in _READING_STATES:
                continue
            old, new = float(s[name]), float(t[name])
            same = old == new or (np.isnan(old) and np.isnan(new))
            same |= name == "advance_s" and case.intent.shaping is not None and new == 0
            same |= name == "flow_factor" and abs(new - old * case.factor) <= 1e-9
            if name == "nozzle_c" and case.intent.nozzle_c and new:
                same |= case.intent.nozzle_c[0] <= new <= case.intent.nozzle_c[1]
            if not same:
                bad.append((int(at), f"{name} is {new:g} instead of {old:g}"))
    if bad:
        at, what = min(bad)
        raise Refuted(f"from {where(p, int(case.a[at]))} {what}")
    return f"{len(code):,} pairs of machine states compared over {case.a.size:,} stretches"


def speed_kept(case: Case) -> str:
    """Nothing moves faster than in the input."""
    p, q, pairs = case.p, case.q, case.pairs
    order = [case.bead] if case.ways_free else [case.bead, ~case.bead]  # free ways have no partners
    a = np.concatenate([pairs.a[mask] for mask in order] + [pairs.moved_a])
    b = np.concatenate([pairs.b[mask] for mask in order] + [pairs.moved_b])
    old, new = p.speed_mm_per_s[a], q.speed_mm_per_s[b]
    faster = new > old * (1 + SAME_SPEED)
    if (k := first_true(faster)) >= 0:
        what = f"{int(faster.sum()):,} moves faster, the first at {where(p, int(a[k]))}"
        raise Refuted(f"{what}: {new[k]:g} mm/s, not {old[k]:g}")
    slower = new < old * (1 - KEPT_SPEED)
    if not case.intent.may_slow and (k := first_true(slower)) >= 0:
        raise Refuted(f"{where(p, int(a[k]))} is slower: {new[k]:g} mm/s, not {old[k]:g}; speeds were to be kept")
    one, two = case.gaps
    not_faster(case, "travel", one.plane_speed, two.plane_speed)
    not_faster(case, "lift", one.lift_speed, two.lift_speed)
    if case.prime.size:
        top = p.speed_mm_per_s[case.lays_p].max()
        if q.speed_mm_per_s[case.prime].max() > top * (1 + SAME_SPEED):
            raise Refuted(f"the priming run is faster than any bead of the input, {top:g} mm/s")
    return f"{a.size:,} stretches compared, {int(slower[: case.on_bead.size].sum()):,} of beads slower"
