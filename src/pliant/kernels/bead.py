"""The section of the bead along the way: what the drive gives goes into a store, and the store pushes out a flow.

The volume stored at a flow q is ratio * s1 * q^n, the ratio that of the place (the gap under the face dams the melt).
Laid bead is told in cells of a length; what flows while the nozzle goes elsewhere is ooze.
"""

import math

import numpy as np

from pliant.arrays import Bools, Floats, Floats32, Ints
from pliant.kernels.compiler import njit
from pliant.kernels.load import SHORTEST_S, Fed, phase_of

__all__ = ["bead_along", "count_cells"]

_MOST_STEPS = 64
_FINE = 4  # steps along a cell at least


@njit(cache=True)
def count_cells(length: Floats, asked: Floats, cell: float) -> int:
    """Cells that fit into the beads at most; (n,), (n,), () -> ()."""
    total, runs = 0.0, 1
    for i in range(length.size):
        if asked[i] > 0.0 and length[i] > 0.0:
            total += length[i]
        elif length[i] > 0.0:
            runs += 1
    return int(total / cell) + 2 * runs + 2


@njit(cache=True, inline="always")
def _rest(v, h, s, n):
    """What is left of a store after a time without feed: exact."""
    if v <= 0.0:
        return 0.0
    x = h * (v / s) ** (1.0 / n) / v
    r = 1.0 / n - 1.0
    if r < 1e-9:
        return v * math.exp(-x)
    return v * math.exp(-math.log1p(r * x) / r)


@njit(cache=True, error_model="numpy")
def _drain(v, void, given, dt, s, n, late, kept, late_s, power):
    """One step of the store. -> volume stored, void, volume held late, volume that left, a feed and its power.

    dV/dt = fed - q(V) with the secant conductance towards the steady store of the feed: exact for a linear law, never
    overshoots, conserves volume by construction. A share `kept` of the store answers with a lag of `late_s` and is
    moved over in between. `power` is a feed and that to the n-th power: a bead is laid at one feed for many steps.
    """
    filled = min(void, max(given, 0.0))
    void -= filled
    fed = (given - filled) / dt
    own = s * (1.0 - kept)  # the part that answers at once, at this flow
    if fed > 0.0 and fed != power[0]:
        power = (fed, fed**n)
    goal = own * power[1] if fed > 0.0 else 0.0
    steps, h, out, j = 1, dt, 0.0, 0
    while j < steps:
        q = (v / own) ** (1.0 / n) if v > 0.0 else 0.0
        gap = goal - v
        rate = max((max(fed, 0.0) - q) / gap, 0.0) if abs(gap) > 1e-9 * (goal + v) + 1e-15 else 0.0
        if j == 0:
            fast = 4.0 * rate * dt
            if kept > 0.0:
                fast = max(fast, 4.0 * dt / late_s)
            if fast > 1.0:
                steps = min(_MOST_STEPS, math.ceil(fast))
                h = dt / steps
        if fed == 0.0:
            new = _rest(v, h, own, n)
        elif fed > 0.0:
            new = goal - gap * math.exp(-rate * h)
        else:
            new = _rest(v, h, own, n) + fed * h
        out += fed * h - (new - v)
        void += max(-new, 0.0)
        v = max(new, 0.0)
        if kept > 0.0:
            # towards late : v = kept : 1 - kept, both parts together
            over = (kept * v - (1.0 - kept) * late) * (1.0 - math.exp(-h / late_s))
            over = min(max(over, -late), v)
            v -= over
            late += over
        j += 1
    return v, void, late, out, power


@njit(cache=True, error_model="numpy")
def bead_along(
    fed: Fed,
    goes: Bools,
    asked: Floats,
    ratio: Floats,
    s1: float,
    n: float,
    kept: float,
    late_s: float,
    start: float,
    cell: float,
    cells: int,
) -> tuple[Ints, Floats32, Floats32, Floats, Floats, Floats, float, float, float, float]:
    """Follow the section of the bead through a program.

    Fed of n moves; (n,) whether the nozzle goes anywhere; (n,) volume that each should lay, 0 beside beads [mm3]; (n,)
    store here over store in air; store at 1 mm3/s in air [mm3]; index; share of the store that answers late and its
    lag [s]; stored at the start [mm3]; length of a cell [mm]; room.
    -> where: move, share of it at the cell's end, length, volume asked and laid (cells,) each, and their number;
    ooze [mm3] of each move (n,); fed, laid, oozed, stored at the end [mm3].
    Long on purpose: one state machine, whose parts share all of its state.
    """
    length, accel, speed_in, speed, speed_out, dwell, volume, advance = fed
    size = length.size
    where, share = np.zeros(cells, np.int64), np.zeros(cells, np.float32)
    way, want, got = np.zeros(cells, np.float32), np.zeros(cells), np.zeros(cells)
    ooze = np.zeros(size)
    v, late = (1.0 - kept) * start, kept * start
    void, ahead, carry = 0.0, 0.0, 0.0
    power = (0.0, 0.0)
    total, laid, lost = 0.0, 0.0, 0.0
    k = 0  # the open cell; those before it are closed
    alive = False  # the nozzle has not left the run since the last bead
    first = 0  # first cell of the run
    pending = 0.0  # given while the nozzle stands, before it is known whether a run begins here
    stood = 0  # where that was
    for i in range(size):
        per_mm = volume[i] / length[i] if length[i] > 0.0 else 0.0
        bead = asked[i] > 0.0 and goes[i]
        moves = goes[i] and not bead
        pushed = advance[i] * max(per_mm, 0.0)
        if moves:
            if alive:  # the run ends: what is left of a cell goes with the one before it
                if 0.0 < way[k] < cell and k > first:
                    way[k - 1] += way[k]
                    want[k - 1] += want[k]
                    got[k - 1] += got[k]
                    where[k - 1], share[k - 1] = where[k], share[k]
                    way[k], want[k], got[k] = 0.0, 0.0, 0.0
                elif way[k] > 0.0:
                    k += 1
                alive, first = False, k
            ooze[stood] += pending
            lost += pending
            pending = 0.0
        s = s1 * ratio[i]
        gone = 0.0  # [mm] of the move
        for phase in range(3):
            seconds, path = phase_of(phase, length[i], accel[i], speed_in[i], speed[i], speed_out[i], dwell[i])
            carry += per_mm * path
            if seconds <= SHORTEST_S:
                if bead:
                    gone += path
                    way[k] += path
                    want[k] += asked[i] * path / length[i]
                    where[k], share[k] = i, min(gone / length[i], 1.0)
                continue
            v_from = speed_in[i] if phase == 0 else speed[i]
            v_to = speed_out[i] if phase == 2 else speed[i]
            goal_ahead = pushed * v_to
            extra = goal_ahead - ahead + carry - per_mm * path
            ahead, carry = goal_ahead, 0.0
            total += per_mm * path + extra
            parts = max(1, math.ceil(_FINE * path / cell)) if bead else 1
            h = seconds / parts
            gain = (v_to - v_from) / seconds
            for j in range(parts):
                step = path / parts
                if phase != 1:
                    step = (v_from + gain * h * (j + 0.5)) * h
                given = per_mm * step + extra / parts
                v, void, late, out, power = _drain(v, void, given, h, s, n, late, kept, late_s, power)
                if bead:
                    if not alive:
                        alive, first = True, k
                    got[k] += out + pending
                    laid += out + pending
                    pending = 0.0
                    way[k] += step
                    gone += step
                    want[k] += asked[i] * step / length[i]
                    where[k], share[k] = i, min(gone / length[i], 1.0)
                    if way[k] >= cell:
                        k += 1
                elif moves:
                    ooze[i] += out
                    lost += out
                elif alive:  # it stands at the end of the run
                    at = k if way[k] > 0.0 or k == first else k - 1
                    got[at] += out
                    laid += out
                else:
                    pending += out
                    stood = i
    if alive and way[k] > 0.0:
        if way[k] < cell and k > first:
            way[k - 1] += way[k]
            want[k - 1] += want[k]
            got[k - 1] += got[k]
            where[k - 1], share[k - 1] = where[k], share[k]
        else:
            k += 1
    ooze[stood] += pending
    lost += pending
    return where[:k], share[:k], way[:k], want[:k], got[:k], ooze, total + carry, laid, lost, v + late - void + carry
