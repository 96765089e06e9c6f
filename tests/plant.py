"""A feed path of its own equations, to try plans on: never the planner's store, and no closed form of it.

The filament between drive and melt is a row of springs that soften as they are pressed, each rubbing in its guide by a
friction that has to be overcome both ways (Dahl); melt is a small compressible volume behind a power-law nozzle; a part
of the compression comes late (one Kelvin element). What a drive pulls beyond what is pressed leaves a void that has to
be filled first. Truths are drawn from the spread of the records.
"""

from dataclasses import dataclass

import numpy as np
from numba import njit

from pliant.feed import chain
from pliant.models.bead import bead_area_mm2
from pliant.program.timing import time_program

__all__ = ["Bead", "Truth", "bead_of_lines", "stored_by", "tapers_of", "truths_of"]

_NODES = 8
_DT = 2.5e-5  # [s]
_SMOOTH_S = 0.05  # [s] over which a taper is read
_CELL_MM = 1.0


@dataclass(frozen=True)
class Truth:
    """One feed path."""

    theta: dict  # values of the unknowns it was drawn with
    springs: np.ndarray  # stiffness of each, at rest [N/mm]
    half: np.ndarray  # compression at which each has softened to half [mm]
    rub: np.ndarray  # friction at each node, over the push there [-]
    melt_mm3_per_mpa: float
    pressure_at_one_mpa: float  # in air, at 1 mm3/s
    index: float
    area_mm2: float
    late_share: float
    late_s: float


def truths_of(machine, filament, count, seed=5, *, flow=1.5, celsius=None):
    """Truths drawn from what the records leave open, of those that feed; late part and friction of their own."""
    rng = np.random.default_rng(seed)
    celsius = filament.reference_c if celsius is None else celsius
    drawn, _, _ = chain.sample(machine, filament, 64 * count, rng)
    # a path that jams at that flow lays no bead to look at
    pressure = chain.free_pressure_mpa(flow, celsius, drawn) * chain.dam_ratio(0.45, 0.2, drawn)
    margin, _, _ = chain.margins(machine, drawn, pressure_mpa=pressure, flow_mm3_per_s=flow, nozzle_c=celsius)
    feeds = np.flatnonzero(np.minimum.reduce([np.asarray(m).reshape(-1) for m in margin.values()]) > 1.0)
    if feeds.size < count:
        raise ValueError("too few of the draws feed at this flow")
    theta = {name: np.asarray(v)[feeds] if np.asarray(v).size > 1 else v for name, v in drawn.items()}
    found = []
    for k in range(count):
        one = {name: float(np.asarray(v).reshape(-1)[k if np.asarray(v).size > 1 else 0]) for name, v in theta.items()}
        length, rub = [], []
        for i, span in enumerate(machine.path):
            own = one[f"path{i}.length_mm"]
            parts = max(1, round(own / 60))
            bends = one.get(f"path{i}.friction", 0.0) * (np.deg2rad(span.turn_deg) + 0.3 * (span.kind != "gap"))
            length += [own / parts] * parts
            rub += [bends / parts] * parts
        warm = 0.018 * max(one["soften_c"] - 25.0, 1.0)
        length.append(one["break_mm"] * np.expm1(warm) / warm)
        rub.append(0.02)
        length, rub = np.array(length), np.array(rub)
        area = np.pi * one["diameter_mm"] ** 2 / 4
        factor = one["lag_factor"] * rng.uniform(0.9, 1.1)
        late = float(rng.uniform(0.0, 0.25))
        springs = one["youngs_modulus_mpa"] * area / (length * factor) * 1.0
        q = np.array([flow / 1.5, flow * 1.5])
        p = np.array([float(chain.free_pressure_mpa(v, celsius, one)) for v in q])
        n = float(np.clip(np.log(p[1] / p[0]) / np.log(q[1] / q[0]), 0.25, 1.0))
        melt = 1e-3 * np.pi * one["bore_mm"] ** 2 / 4 * one["heated_length_mm"]
        found.append(
            Truth(
                one, springs / (1 - late), one["half_strain"] * length, rub, max(melt, 0.02),
                p[0] / q[0] ** n * one["model_factor"], n, float(area), late, float(np.exp(rng.normal(0.0, 0.6))),
            )
        )  # fmt: skip
    return found


@njit
def _run(fed, ratio, springs, half, rub, melt, p1, n, area, late, late_s, dt, state):
    """Feed (t,) mm a step; (t,) law of the place over that of air -> volume that leaves in a step (t,), push (t,)."""
    m = springs.size
    x = state[:m]  # displacement of each node behind its spring
    z = state[m : 2 * m]  # how far each has rubbed in
    store, drive, crept = state[2 * m], state[2 * m + 1], state[2 * m + 2]
    out, push = np.zeros(fed.size), np.zeros(fed.size)
    force = np.zeros(m + 1)
    for t in range(fed.size):
        drive += fed[t]
        for i in range(m):
            before = drive - crept if i == 0 else x[i - 1]
            c = before - x[i]
            force[i] = springs[i] * c / (1.0 + c / half[i]) if c > 0.0 else springs[i] * c
        pressure = max(store, 0.0) / melt
        force[m] = pressure * area
        for i in range(m):
            most = rub[i] * abs(force[i]) + 1e-6
            reach = 0.02  # [mm] of way in which friction turns round
            held = most * z[i]
            v = (force[i] - force[i + 1] - held) / (springs[i] * 1.2e-3)  # a damping that only makes the row solvable
            v = min(max(v, -400.0), 400.0)
            step = v * dt
            x[i] += step
            z[i] += step / reach - abs(step) / reach * z[i]
            if i == m - 1:
                store += area * step
        gone = 0.0
        if store > 0.0:
            # one step of Newton from the explicit flow, so that a small stiff store does not swing
            q = (store / melt / (p1 * ratio[t])) ** (1.0 / n)
            gone = q * dt / (1.0 + q * dt / (n * store))
            store -= gone
        if late > 0.0:
            whole = drive - crept - x[m - 1]
            crept += (late / (1.0 - late) * max(whole, 0.0) - crept) * dt / late_s
        out[t], push[t] = gone, force[0]
    state[2 * m], state[2 * m + 1], state[2 * m + 2] = store, drive, crept
    return out, push


def _steps(truth, fed, ratio, state=None):
    m = truth.springs.size
    state = np.zeros(2 * m + 3) if state is None else state
    return *_run(
        fed, ratio, truth.springs, truth.half, truth.rub, truth.melt_mm3_per_mpa, truth.pressure_at_one_mpa,
        truth.index, truth.area_mm2, truth.late_share, truth.late_s, _DT, state,
    ), state  # fmt: skip


def _path_of(timing, i, t):
    """Way of move i at times t since its start. [s -> mm]"""
    a, v0, vp, v1 = (
        timing.acceleration_mm_per_s2[i], timing.in_mm_per_s[i], timing.peak_mm_per_s[i], timing.out_mm_per_s[i]
    )  # fmt: skip
    length = timing.length_mm[i]
    up, down = (vp**2 - v0**2) / (2 * a), (vp**2 - v1**2) / (2 * a)
    t1 = (vp - v0) / a
    t2 = t1 + max(length - up - down, 0.0) / max(vp, 1e-9)
    s = np.where(t < t1, v0 * t + a * t**2 / 2, up + vp * (t - t1))
    return np.clip(np.where(t > t2, length - down + vp * (t - t2) - a * (t - t2) ** 2 / 2, s), 0.0, length)


@dataclass(frozen=True)
class Bead:
    """What a program lays, cell by cell of its runs, and what oozes on the way."""

    error: np.ndarray
    length_mm: np.ndarray
    ooze_mm3: float
    travels: int
    time_s: float
    most_push_n: float
    start: np.ndarray  # error of the first cell of each run
    end: np.ndarray

    @property
    def rms(self):
        """Root mean square over the length."""
        return float(np.sqrt((self.length_mm * self.error**2).sum() / self.length_mm.sum()))

    @property
    def worst(self):
        """Largest error."""
        return float(np.abs(self.error).max())


def bead_of_lines(program, truth, motion, per_mm, *, ratio=1.0, skip=1):
    """Run a program of straight runs along x on a truth; the first `skip` runs only fill the path."""
    timing = time_program(program, motion)
    point = program.point_mm
    flat = (point[1:, 1] == point[:-1, 1]) & (point[1:, 0] != point[:-1, 0]) & (program.length_mm > 0)
    bead = flat & (program.speed_mm_per_s < 90.0)
    travel = (program.length_mm > 0) & ~bead
    total, fed, where, x = 0.0, [], [], []
    per = np.where(timing.length_mm > 0, program.filament_mm / np.maximum(timing.length_mm, 1e-12), 0.0)
    begun = 0.0  # of a step, carried to the next move
    for i in range(program.kind.size):
        seconds = float(timing.move_s[i])
        total += seconds
        t = np.arange(begun, seconds, _DT)
        begun = begun + t.size * _DT - seconds
        if not t.size:
            continue
        s = _path_of(timing, i, np.append(t, min(t[-1] + _DT, seconds)))
        fed.append(per[i] * np.diff(s))
        fed[-1] += (per[i] * float(timing.length_mm[i]) - fed[-1].sum()) / t.size
        where.append(np.full(t.size, i))
        sign = np.sign(point[i + 1, 0] - point[i, 0])
        x.append(point[i, 0] + sign * s[:-1] if bead[i] else np.full(t.size, point[i, 0]))
    fed, where, x = np.concatenate(fed), np.concatenate(where), np.concatenate(x)
    out, push, _ = _steps(truth, fed, np.where(bead[where], ratio, 1.0))
    return _cells(program, bead, travel, where, x, out, truth.area_mm2 * per_mm, skip, total, push)


def _cells(program, bead, travel, where, x, out, section, skip, total, push):
    run = (
        np.cumsum(bead & ~np.concatenate([[False], bead[:-1]]) & np.concatenate([[True], travel[:-1] | ~bead[:-1]])) - 1
    )
    # a run is what lies on one line: pieces of it that stand still in between do not begin a new one
    y = program.point_mm[1:, 1].round(6) + 1e3 * program.point_mm[1:, 2].round(6)
    lines, line = np.unique(y[bead], return_inverse=True)
    of = np.full(y.size, -1)
    of[bead] = line
    del run, lines
    start, stop = np.full(line.max() + 1, np.inf), np.full(line.max() + 1, -np.inf)
    for i in np.flatnonzero(bead):
        lo, hi = sorted((program.point_mm[i, 0], program.point_mm[i + 1, 0]))
        start[of[i]], stop[of[i]] = min(start[of[i]], lo), max(stop[of[i]], hi)
    cells = np.maximum(((stop - start) / _CELL_MM).round().astype(int), 1)
    first = np.concatenate([[0], np.cumsum(cells)])
    # standing still goes to the bead before, or where the nozzle has travelled since, to the one after
    kind = np.where(bead, 1, np.where(travel, 2, 0))
    home = of.copy()
    last, moved = -1, False
    waiting = []
    at_start = np.zeros(of.size, dtype=bool)
    for i in range(of.size):
        if kind[i] == 1:
            for j in waiting:
                home[j], at_start[j] = of[i], True
            waiting, last, moved = [], of[i], False
        elif kind[i] == 2:
            moved, waiting = True, []
        elif not moved and last >= 0:
            home[i] = last
        else:
            waiting.append(i)
    here = home[where]
    laid = here >= 0
    k = np.clip(((x - start[here]) / _CELL_MM).astype(int), 0, cells[here] - 1)
    still = kind[where] == 0
    k = np.where(still & at_start[where], 0, np.where(still, cells[here] - 1, k))
    volume = np.bincount(first[here[laid]] + k[laid], out[laid], first[-1])
    length = np.repeat((stop - start) / cells, cells)
    error = volume / (section * length) - 1
    order = np.argsort([int(np.argmax(of == r)) for r in range(cells.size)])
    kept = order[skip:]
    keep = np.isin(np.repeat(np.arange(cells.size), cells), kept)
    begun = int(np.argmax(of == kept[0])) if kept.size else 0
    ended = int(np.flatnonzero(bead)[-1])
    between = (where > begun) & (where < ended) & travel[where]
    return Bead(
        error[keep], length[keep], float(out[between].sum()), int(kept.size - 1), total, float(push.max()),
        error[first[:-1]][kept], error[first[1:] - 1][kept],
    )  # fmt: skip


def stored_by(truth, flow_mm3_per_s, ratio, seconds=120.0):
    """What this path has stored after a long run at a flow: fed less than it gave. [mm3]"""
    fed = np.full(int(seconds / _DT), flow_mm3_per_s / truth.area_mm2 * _DT)
    out, _, _ = _steps(truth, fed, np.full(fed.size, ratio))
    return float(fed.sum() * truth.area_mm2 - out.sum())


def tapers_of(truth, step, *, ratio, settle_s=25.0, rng=None):
    """Tail and lead that somebody reads off a stop-start row, with the scatter of an eye and a ruler. [mm]"""
    dt = _DT
    u = step.flow_mm3_per_s / truth.area_mm2 * dt
    back = step.back_mm
    n_run, n_off, n_on = (int(s / dt) for s in (settle_s, step.wait_s, settle_s))
    fed = np.concatenate([np.full(n_run, u), np.zeros(n_off), np.full(n_on, u)])
    pull = max(int(back / 15.0 / dt), 1)
    fed[n_run : n_run + pull] -= back / pull
    fed[n_run + n_off : n_run + n_off + pull] += back / pull
    out, _, _ = _steps(truth, fed, np.full(fed.size, ratio))
    share = float(bead_area_mm2(max(step.width_mm / 2, step.gap_mm), step.gap_mm))
    share /= float(bead_area_mm2(step.width_mm, step.gap_mm))
    width = int(_SMOOTH_S / dt)
    flow = np.convolve(out, np.full(width, 1 / width), "same") / dt / step.flow_mm3_per_s
    tail = np.argmax(np.append(flow[n_run + pull : n_run + n_off] < share, True)) + pull
    lead = np.argmax(np.append(flow[n_run + n_off :] > share, True))
    lengths = np.array([tail, lead]) * dt * step.speed_mm_per_s
    if rng is None:
        return lengths
    scatter = np.hypot(0.15, 1.5 / np.maximum(lengths, 0.5))
    return np.maximum(lengths * np.exp(np.minimum(scatter, 1.0) * rng.standard_normal(2)), 0.5)
