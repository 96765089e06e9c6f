"""Melt pressure over time: one compliance fed by the drive, drained by a nozzle whose law is a table.

Tables are uniform in logarithms, so that a look-up is an index and one interpolation.
"""

import math
from typing import NamedTuple

import numpy as np

from pliant.arrays import Floats, Floats32, Ints, Ints32
from pliant.kernels.compiler import njit

__all__ = ["SHORTEST_S", "Fed", "Laws", "chunks_between", "phase_of", "push_along", "settled_peak", "smoothed_peak"]

_BLOCK = 3 * 1024  # [phases] held at a time
# [s] a phase shorter than a controller's own clock is rounding: it takes no time, and what it feeds is fed in the next
SHORTEST_S = 1e-6
_MOST_STEPS = 64
_ALIKE = 8.0  # [-] a stretch found with a lag is tried on stores that fill within this factor of it


class Fed(NamedTuple):
    """What the drive does in each move `(n,)`: its kinematics, and the filament it gives."""

    length: Floats  # [mm]
    accel: Floats  # [mm/s2]
    v_in: Floats  # [mm/s]
    v_peak: Floats
    v_out: Floats
    dwell: Floats  # [s]
    volume: Floats  # [mm3]
    advance: Floats  # [s] the program's own compensation


class Laws(NamedTuple):
    """Pressure over flow for each of t temperatures, and back, on grids that are uniform in logarithms."""

    q0: float
    q_step: float
    log_p: Floats  # (t, m)
    p0: Floats  # (t,)
    p_step: Floats  # (t,)
    log_q: Floats  # (t, m)


@njit(cache=True, inline="always")
def _read(x, x0, step, ys, t):
    """Linear interpolation of row t on a uniform grid, continued linearly beyond both ends."""
    at = (x - x0) / step
    i = int(at)
    i = min(max(i, 0), ys.shape[1] - 2)
    return ys[t, i] + (ys[t, i + 1] - ys[t, i]) * (at - i)


@njit(cache=True, inline="always")
def phase_of(k, length, accel, v_in, v_peak, v_out, dwell):
    """Duration and path of phase k (0 gaining, 1 holding, 2 losing speed) of a move."""
    up = (v_peak * v_peak - v_in * v_in) / (2.0 * accel)
    down = (v_peak * v_peak - v_out * v_out) / (2.0 * accel)
    if k == 0:
        return (v_peak - v_in) / accel, up
    if k == 2:
        return (v_peak - v_out) / accel, down
    hold = max(length - up - down, 0.0)
    return (hold / v_peak if v_peak > 0.0 else 0.0) + dwell, hold


@njit(cache=True, error_model="numpy")
def _phases(first, last, fed, ahead, carry, dt, given, of):
    """Gather the phases that take time, of whole moves from `first` up to `last`, until the block is full.

    Duration, volume that the drive gives and the move go into dt, given and of (_BLOCK,) -> phases, the move to go on
    from, volume pushed ahead, volume still to be given (of phases too short to count). What works through them stays a
    plain loop: several times as fast as one over moves. Arrays are taken out of the tuple once: inside the loop each
    look into it would count its references.
    """
    length, accel, v_in, v_peak, v_out, dwell, volume, advance = fed
    n, i = 0, first
    while i < last and n + 3 <= dt.size:
        per_mm = volume[i] / length[i] if length[i] > 0.0 else 0.0
        pushed = advance[i] * max(per_mm, 0.0)
        for k in range(3):
            seconds, path = phase_of(k, length[i], accel[i], v_in[i], v_peak[i], v_out[i], dwell[i])
            carry += per_mm * path
            if seconds <= SHORTEST_S:
                continue
            goal_ahead = pushed * (v_out[i] if k == 2 else v_peak[i])
            dt[n], given[n], of[n] = seconds, carry + (goal_ahead - ahead), i
            ahead = goal_ahead
            carry = 0.0
            n += 1
        i += 1
    return n, i, ahead, carry


@njit(cache=True, error_model="numpy")
def push_along(
    moves: Fed, table: Ints32, ratio: Floats32, laws: Laws, compliance: float
) -> tuple[Floats32, Floats32, Floats32, Floats, float, float]:
    """Step the pressure through every phase of every move.

    Fed of n moves; (n,) index of the law; (n,) law of this place over the free law; Laws; () [mm3/MPa]
    -> pressure: peak and at the end (n,), (n,); delivered: largest flow and volume (n,), (n,); total fed; final store.

    dP/dt = (Q_fed - Q(P)) / C with the secant conductance towards the steady pressure of the flow fed: exact for a
    linear law, never overshoots, conserves volume by construction.
    """
    n = moves.length.size
    q0, q_step, log_p, p0, p_step, log_q = laws
    top, end, flow = np.zeros(n, np.float32), np.zeros(n, np.float32), np.zeros(n, np.float32)
    delivered = np.zeros(n)
    dt_of, given_of, of = np.empty(_BLOCK), np.empty(_BLOCK), np.empty(_BLOCK, np.int64)
    p = 0.0
    void = 0.0  # emptied by a retraction; the recover fills it before pressure rises
    ahead = 0.0  # volume the controller has pushed ahead of the commanded place
    total, carry = 0.0, 0.0
    first = 0
    while first < n:
        first_of_block = first
        count, first, ahead, carry = _phases(first, n, moves, ahead, carry, dt_of, given_of, of)
        here = first_of_block
        for m in range(count):
            i = of[m]
            while here < i:  # moves without a phase
                top[here], end[here] = p, p
                here += 1
            dt, given, r, t = dt_of[m], given_of[m], ratio[i], table[i]
            total += given
            filled = min(void, max(given, 0.0))
            void -= filled
            fed = (given - filled) / dt
            goal = 0.0
            if fed > 0.0:
                goal = r * math.exp(_read(math.log(fed), q0, q_step, log_p, t))
            steps = 1
            h = dt
            out = 0.0
            high = p
            j = 0
            while j < steps:
                q = 0.0
                if p > 1e-12:
                    q = math.exp(_read(math.log(p / r), p0[t], p_step[t], log_q, t))
                gap = goal - p
                conductance = max((max(fed, 0.0) - q) / gap, 0.0) if abs(gap) > 1e-9 * (goal + p) + 1e-15 else 0.0
                if j == 0 and conductance > 0.0:
                    # half a local time constant per step at most, bounded for stiff filament
                    steps = min(_MOST_STEPS, max(1, math.ceil(2.0 * conductance * dt / compliance)))
                    h = dt / steps
                fade = math.exp(-conductance * h / compliance)
                new = goal - gap * fade if fed >= 0.0 else p * fade + fed * h / compliance
                out += fed * h - compliance * (new - p)
                p = max(new, 0.0)
                void += compliance * (p - new)
                high = max(high, p)
                j += 1
            top[i] = max(top[i], high)
            end[i] = p
            delivered[i] += out
            flow[i] = max(flow[i], out / dt)
            here = max(here, i + (m + 1 == count or of[m + 1] != i))
        while here < first:
            top[here], end[here] = p, p
            here += 1
    return top, end, flow, delivered, total + carry, p * compliance - void + carry


@njit(cache=True, error_model="numpy")
def smoothed_peak(moves: Fed, group: Ints32, squeeze: Floats, ratio: Floats, tau: Floats) -> tuple[Floats, Ints]:
    """Largest first-order-smoothed flow of each group for time constants tau (t,), and the move that has it.

    squeeze (n,) and ratio (n_groups,), how much more than in air a move and the beads of a group ask: there the lag is
    as much longer.
    -> [mm3/s] (n_groups, t), (n_groups, t)
    """
    peak, place = np.zeros((ratio.size, tau.size)), np.zeros((ratio.size, tau.size), np.int64)
    store, void = np.zeros(tau.size), np.zeros(tau.size)
    dt, given, fade, of = np.empty(_BLOCK), np.empty(_BLOCK), np.empty(_BLOCK), np.empty(_BLOCK, np.int64)
    first, ahead, carry = 0, 0.0, 0.0
    while first < moves.length.size:
        n, first, ahead, carry = _phases(first, moves.length.size, moves, ahead, carry, dt, given, of)
        for c in range(tau.size):
            v, emptied = store[c], void[c]
            for j in range(n):
                fade[j] = math.exp(-dt[j] / (tau[c] * squeeze[of[j]]))
            for j in range(n):
                g = group[of[j]]
                lag = tau[c] * squeeze[of[j]]
                if emptied == 0.0 and given[j] >= 0.0:
                    goal = lag * given[j] / dt[j]
                    v = goal + (v - goal) * fade[j]
                else:  # a retraction empties; what follows fills up first
                    filled = min(emptied, max(given[j], 0.0))
                    goal = lag * (given[j] - filled) / dt[j]
                    new = goal + (v - goal) * fade[j]
                    emptied += max(-new, 0.0) - filled
                    v = max(new, 0.0)
                # a store that falls was fuller before, under the move that filled it
                if v > peak[g, c] * tau[c] * ratio[g] and goal >= v * (1 - 1e-9):
                    peak[g, c], place[g, c] = v / (tau[c] * ratio[g]), of[j]
            store[c], void[c] = v, emptied
    return peak, place


@njit(cache=True)
def chunks_between(
    moves: Fed, ratio: Floats, start: int, stop: int, grain: float, seconds: Floats, given: Floats, squeezed: Floats
) -> int:
    """What the drive gives from move `start` to the end of move `stop`, in chunks of about `grain` seconds.

    Into seconds, given [mm3] and squeezed (c,), the sum of seconds times the ratio of each move -> chunks. More than
    fit are put together in pairs.
    """
    dt_of, given_of, of = np.empty(_BLOCK), np.empty(_BLOCK), np.empty(_BLOCK, np.int64)
    first, ahead, carry, c, pulled = start, 0.0, 0.0, -1, 0.0
    if first > 0 and moves.length[first - 1] > 0.0:
        per_mm = moves.volume[first - 1] / moves.length[first - 1]
        ahead = moves.advance[first - 1] * max(per_mm, 0.0) * moves.v_out[first - 1]
    while first <= stop:
        n, first, ahead, carry = _phases(
            first, stop + 1, moves, ahead, carry, dt_of, given_of, of,
        )  # fmt: skip
        for j in range(n):
            # a chunk grows while it is short, but between a retraction and its recover nothing drains: they stand alone
            alone = pulled > 0.0 or given_of[j] < 0.0
            pulled = max(pulled - given_of[j], 0.0)
            if c >= 0 and not alone and seconds[c] + dt_of[j] <= grain and given[c] >= 0.0:
                seconds[c] += dt_of[j]
                given[c] += given_of[j]
                squeezed[c] += dt_of[j] * ratio[of[j]]
                continue
            c += 1
            if c == seconds.size:
                for k in range(c // 2):
                    seconds[k] = seconds[2 * k] + seconds[2 * k + 1]
                    given[k] = given[2 * k] + given[2 * k + 1]
                    squeezed[k] = squeezed[2 * k] + squeezed[2 * k + 1]
                c = c // 2
            seconds[c], given[c], squeezed[c] = dt_of[j], given_of[j], dt_of[j] * ratio[of[j]]
    return c + 1


@njit(cache=True, error_model="numpy")
def settled_peak(
    seconds: Floats,
    given: Floats,
    squeeze: Floats,
    count: Ints,
    of: Ints,
    time: Floats,
    lag: Floats,
    store: Floats,
    index: Floats,
) -> Floats:
    """Flow at the end of windows, through a store that begins empty and drains by a power law: store = S flow^n.

    Windows: seconds, mm3, how much more than at their end the place asks (w, c), chunks (w,); of and time (w,), group
    of each and the lag it was found with; lag (t,) and S (g, m, t) [mm3 (s/mm3)^n], of the stores; n (m,)
    -> [mm3/s] (g, m, t), the largest of each group's windows. The step is that of `push_along`.
    """
    peak = np.zeros(store.shape)
    for w in range(count.size):
        g = of[w]
        for a in range(index.size):
            n = index[a]
            for b in range(store.shape[2]):
                if not 1.0 / _ALIKE <= time[w] / lag[b] <= _ALIKE:
                    continue
                v, void, before = 0.0, 0.0, 0.0
                for k in range(count[w]):
                    before = v
                    s = store[g, a, b] * squeeze[w, k]
                    filled = min(void, max(given[w, k], 0.0))
                    void -= filled
                    dt = seconds[w, k]
                    fed = (given[w, k] - filled) / dt
                    goal = s * fed**n if fed > 0.0 else 0.0
                    steps, h, j = 1, dt, 0
                    while j < steps:
                        q = (v / s) ** (1.0 / n) if v > 0.0 else 0.0
                        gap = goal - v
                        rate = max((max(fed, 0.0) - q) / gap, 0.0) if abs(gap) > 1e-9 * (goal + v) else 0.0
                        if j == 0 and rate > 0.0:
                            steps = min(_MOST_STEPS, max(1, math.ceil(2.0 * rate * dt)))
                            h = dt / steps
                        fade = math.exp(-rate * h)
                        new = goal - gap * fade if fed >= 0.0 else v * fade + fed * h
                        v = max(new, 0.0)
                        void += v - new
                        j += 1
                v = max(v, before)  # the last chunk may end in the braking of its move
                if v > 0.0:
                    peak[g, a, b] = max(peak[g, a, b], (v / store[g, a, b]) ** (1.0 / n))
    return peak
