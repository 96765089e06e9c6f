"""The envelope of a program: the largest melt flow that each of its operating groups comes to, for any store.

What the drive feeds charges a store (filament and melt pressed together) that the nozzle drains by a power law,
store = S flow^n. How much of a peak gets through depends on S and n alone, so the peak flow is tabulated once over
both, and every sample of the unknowns reads its own. A linear lag finds the moments that could matter, for short and
long time constants; the power law is then run over the stretch before each of them. `tests/feed` holds the result
against the full run of `load`.

Slowing a program, stretching its time by 1/s, is the same as a store of S s^n and flows times s; the table keeps that
the store can then only fall (a lower feed at the same drain), so that slower is never a larger push.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pliant.arrays import Number
from pliant.constants import GAS_CONSTANT_J_PER_MOL_K, ROOM_C
from pliant.feed import chain
from pliant.feed.load import Course, bounded_gap_mm, fed_along
from pliant.feed.passage import ONE, Passage
from pliant.kernels.groups import least_by_group
from pliant.kernels.load import Fed, chunks_between, settled_peak, smoothed_peak
from pliant.kernels.plan import move_seconds
from pliant.kernels.settle import Hot, Store, settled_flow
from pliant.models import melting
from pliant.records.filament import Filament
from pliant.records.machine import Machine
from pliant.units import celsius_to_kelvin

__all__ = ["FIRST_LAYER_S", "Envelope", "Groups", "envelope", "operating_groups"]

_TAU_S = np.geomspace(0.01, 600.0, 12)  # [s] lags at which the moments that matter are looked for
_INDEX = 1 / np.array([1.0, 1.5, 2.3, 10.0])  # [-] flow indices of the table, even enough in 1/n
_STORE_S = np.geomspace(0.005, 1500.0, 18)  # [s] stores of the table, as the time that the reference flow takes to fill
_MEMORY = 8.0  # [-] time constants after which a lag has forgotten
_GRAIN = 0.12  # [-] time constants in one chunk of a stretch
_CHUNKS = 256
_NEAR_MOVES = 256  # moves before a moment that are seen phase by phase; earlier ones whole
_MOST_GROUPS = 24
FIRST_LAYER_S = 600.0  # [s] within which a first layer of a job that is not there yet is laid: our choice


@dataclass(frozen=True)
class Envelope:
    """Operating groups that no other group outdoes, `(g,)`, and the largest flow that each comes to.

    The flow is a table `(g, n_index, n_store)` over flow index and store; the store is counted as the time in which the
    group's reference flow fills it.
    """

    nozzle_c: NDArray[np.float64]
    width_mm: NDArray[np.float64]
    gap_mm: NDArray[np.float64]
    first_layer: NDArray[np.bool_]
    reference_mm3_per_s: NDArray[np.float64]
    flow_mm3_per_s: NDArray[np.float64]
    end_s: NDArray[np.float64]  # when the group is laid for the last time
    passage: Passage = ONE

    @classmethod
    def steady(
        cls,
        flow_mm3_per_s: ArrayLike,
        nozzle_c: float,
        width_mm: ArrayLike,
        gap_mm: ArrayLike,
        first_layer: ArrayLike,
        *,
        end_s: float = np.inf,
        passage: Passage = ONE,
    ) -> "Envelope":
        """Groups that run at a constant flow each, `(g,)`, until long after the drive is warm.

        A first layer is laid within `FIRST_LAYER_S`. [mm3/s, degC, mm, mm, -, s]
        """
        flow = np.asarray(flow_mm3_per_s, dtype=float)
        width, gap = np.asarray(width_mm, dtype=float), np.asarray(gap_mm, dtype=float)
        first = np.asarray(first_layer, dtype=np.bool_)
        table = np.broadcast_to(flow[:, None, None], (flow.size, _INDEX.size, _STORE_S.size))
        celsius, until = np.full(flow.size, float(nozzle_c)), np.where(first, min(end_s, FIRST_LAYER_S), end_s)
        return cls(celsius, width, gap, first, np.maximum(flow, 1e-3), table, until, passage)

    def settled_mm3_per_s(
        self, g: int, scale: float, store_per_consistency: Number, nozzle_c: float, theta: chain.Theta
    ) -> Any:
        """Largest flow of group g at a speed relative to the one written, for samples of the unknowns `(n, 1)`.

        `store_per_consistency` is what the path stores at 1 mm3/s of a melt of unit consistency: compliance times
        `unit_drop_mpa` times `dam_ratio`. [mm3 per Pa s^n]
        The store that a flow needs and the flow that a store lets through depend on one another. A larger flow never
        needs a smaller store per flow^n (its melt is colder), and a larger store never lets more through, so there is
        one answer; false position keeps it bracketed.
        """
        log_flow = np.log(np.maximum(self.flow_mm3_per_s[g], 1e-12))
        n, per = np.asarray(theta["flow_index"], dtype=float), np.asarray(store_per_consistency, dtype=float)
        shape = np.broadcast(n, per).shape

        def each(values: Any) -> NDArray[np.float64]:
            return np.array(np.broadcast_to(values, shape), dtype=float).reshape(-1)

        row = np.clip(np.interp(1 / n, 1 / _INDEX, np.arange(_INDEX.size)), 0, _INDEX.size - 1 - 1e-9)
        held = np.log(per) + n * np.log(scale) + (n - 1) * np.log(self.reference_mm3_per_s[g])
        first, step = float(np.log(_STORE_S[0])), float(np.log(_STORE_S[1] / _STORE_S[0]))
        hot = hot_end(theta, float(nozzle_c), each)
        found = settled_flow(
            float(np.log(scale)), each(np.log(theta["consistency_pa_sn"])), hot,
            Store(each(row), np.ascontiguousarray(log_flow), first, step, each(held)),
        )  # fmt: skip
        return np.exp(found).reshape(shape)


def hot_end(theta: chain.Theta, nozzle_c: float, each: Callable[[Any], NDArray[np.float64]]) -> Hot:
    """What `chain.consistency_pa_sn` hangs on, draw by draw, for the kernel that settles flows. [degC]"""
    fourier = np.pi * theta["diffusivity_mm2_per_s"] * theta["heated_length_mm"]  # at 1 mm3/s
    per_k = 1e3 * np.asarray(theta["activation_kj_per_mol"]) / GAS_CONSTANT_J_PER_MOL_K
    return Hot(
        each(fourier), celsius_to_kelvin(nozzle_c), celsius_to_kelvin(ROOM_C), each(per_k),
        each(celsius_to_kelvin(np.asarray(theta["reference_c"]))), *melting.mean_excess_grid(),
    )  # fmt: skip


@dataclass(frozen=True)
class Groups:
    """Operating groups of a job: `index` per move, the rest `(g,)`; each stands at its smallest gap and width."""

    index: NDArray[np.int32]
    heat: NDArray[np.int64]
    nozzle_c: NDArray[np.float64]
    width_mm: NDArray[np.float64]
    gap_mm: NDArray[np.float64]
    first_layer: NDArray[np.bool_]
    end_s: NDArray[np.float64]  # when it is laid for the last time


def operating_groups(course: Course) -> Groups:
    """Gather the moves that share temperature, first layer or not, gap within 5 % and width within 10 %.

    Moves that lay nothing new (travel, retraction, recover) go with the bead before them: what they do to the store
    shows there.
    """
    squeezed = np.isfinite(course.gap_mm) & (course.filament_mm > 0)
    gap_bin = np.where(squeezed, np.rint(np.log(np.maximum(course.gap_mm, 0.01)) / 0.05) + 200, 0)
    width_bin = np.where(squeezed, np.rint(np.log(np.maximum(course.width_mm, 0.01)) / 0.1) + 100, 0)
    gap_bin, width_bin = (np.clip(b, 0, top).astype(np.int64) for b, top in ((gap_bin, 399), (width_bin, 199)))
    code = ((course.heat.astype(np.int64) * 2 + (course.first_layer & squeezed)) * 400 + gap_bin) * 200 + width_bin
    fed = np.cumsum(course.filament_mm)
    ahead = np.maximum.accumulate(fed)
    new = (course.filament_mm > 0) & ((course.width_mm > 0) | (fed - course.filament_mm >= ahead - 1e-9))
    last = np.maximum.accumulate(np.where(new, np.arange(code.size), -1))
    if new.any():
        last[last < 0] = int(new.argmax())
        code = code[last]
    present = np.flatnonzero(np.bincount(code))
    place = np.zeros(int(present[-1]) + 1 if present.size else 1, dtype=np.int32)
    place[present] = np.arange(present.size)
    index = place[code]
    gap = least_by_group(course.gap_mm, index, squeezed, present.size)
    width = least_by_group(course.width_mm, index, squeezed, present.size)
    width[~np.isfinite(width)] = 1.0
    heat, first = present // (2 * 400 * 200), (present // (400 * 200)) % 2 == 1
    return Groups(index, heat, course.nozzle_c[heat], width, gap, first, _end_s(course, index, present.size))


def _end_s(course: Course, index: NDArray[np.int32], count: int) -> NDArray[np.float64]:
    """When each group is laid for the last time. [s]"""
    end = np.zeros(count)
    end[index] = np.cumsum(move_seconds(*fed_along(course, 1.0)[:6]))  # of moves of one group the last stays
    return end


def envelope(course: Course, machine: Machine, filament: Filament, groups: Groups | None = None) -> Envelope:
    """Find the largest flow that each operating group comes to.

    One that another group outdoes in flow and squeeze at the same temperature is left out. The records set how much
    harder one place squeezes than another, at central values; it is not made anew for a changed machine.
    """
    groups = groups or operating_groups(course)
    heat, first, gap, width = groups.heat, groups.first_layer, groups.gap_mm, groups.width_mm
    area = filament.section_mm2
    moves = fed_along(course, float(area))
    theta = chain.central(machine, filament)
    ratio = chain.dam_ratio(width, bounded_gap_mm(gap), theta)
    squeezed = np.isfinite(course.gap_mm) & (course.filament_mm > 0)
    squeeze = np.where(squeezed, ratio[groups.index], 1.0)
    flow, place = smoothed_peak(moves, groups.index, squeeze, ratio, _TAU_S)
    keep = []
    for i in range(gap.size):
        if flow[i].max() <= 0:
            continue
        outdone = (
            (heat == heat[i])
            & (first == first[i])  # a first layer presses harder, before the drive is warm
            & (gap <= gap[i])
            & ((width <= width[i]) | ~np.isfinite(gap[i]))
            & (flow >= flow[i]).all(axis=1)
        )
        outdone[i] = False
        twin = outdone & (gap == gap[i]) & (width == width[i]) & (first == first[i]) & (flow == flow[i]).all(axis=1)
        if (outdone & ~(twin & (np.arange(gap.size) > i))).any():
            continue
        keep.append(i)
    # what is left beyond a bound is dropped from the end that squeezes and flows least
    keep = sorted(keep, key=lambda i: -float(flow[i].max() / min(gap[i], 1.0)))[:_MOST_GROUPS]
    # a flow of the right size for each, so that its stores are counted in seconds like the lags: of the middle lag that
    # fills anything there
    middle = _TAU_S.size // 2
    reference = np.array(
        [next(row[k] for k in (*range(middle, -1, -1), *range(middle, row.size)) if row[k] > 0) for row in flow[keep]]
    )
    table = _tables(moves, squeeze, place[keep], ratio[keep], reference)
    end = _end_s(course, groups.index, gap.size)[keep]
    return Envelope(course.nozzle_c[heat[keep]], width[keep], gap[keep], first[keep], reference, table, end)


def _tables(
    moves: Fed,
    squeeze: NDArray[np.float64],
    place: NDArray[np.int64],
    squeeze_there: NDArray[np.float64],
    reference: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Peak flow `(g, n_index, n_store)` over flow index and store, at the moments `place` `(g, n_tau)`."""
    move_s = move_seconds(*moves[:6])
    seconds_at = np.concatenate([[0.0], np.cumsum(move_s)])
    squeezed_at = np.concatenate([[0.0], np.cumsum(move_s * squeeze)])
    volume_at = np.concatenate([[0.0], np.cumsum(moves.volume)])
    drawn_back = np.maximum.accumulate(volume_at) - volume_at
    wanted = sorted({(int(stop), k, g) for g, row in enumerate(place) for k, stop in enumerate(row)})
    seconds, given, squeezed = (np.zeros((len(wanted), _CHUNKS)) for _ in range(3))
    count, of = np.zeros(len(wanted), dtype=np.int64), np.array([g for _, _, g in wanted], dtype=np.int64)
    time = np.array([_TAU_S[k] for _, k, _ in wanted])
    for w, (stop, k, _) in enumerate(wanted):
        grain = _GRAIN * _TAU_S[k]
        end = seconds_at[stop + 1]
        # begin where nothing is drawn back: a recover without its retraction would be a push that never was
        start = int(np.searchsorted(seconds_at, end - _MEMORY * _TAU_S[k], side="right")) - 1
        start = max(min(start, stop), 0)
        around = max(start - 64, 0)
        start = around + int((start - around) - np.argmin(drawn_back[around : start + 1][::-1]))
        near = max(start, stop - _NEAR_MOVES)
        older = np.searchsorted(seconds_at[: near + 1], np.arange(seconds_at[start], seconds_at[near], grain))
        older = np.unique(np.concatenate([[start], older[older > start], [near]]))
        passed = np.diff(seconds_at[older]) > 0
        n = int(passed.sum())
        for into, total in ((seconds, seconds_at), (given, volume_at), (squeezed, squeezed_at)):
            into[w, :n] = np.diff(total[older])[passed]
        count[w] = n + chunks_between(moves, squeeze, near, stop, grain, seconds[w, n:], given[w, n:], squeezed[w, n:])
    asks = squeezed / np.maximum(seconds, 1e-12) / squeeze_there[of][:, None]
    store = _STORE_S[None, None, :] * reference[:, None, None] ** (1 - _INDEX[None, :, None])
    peak = np.log(np.maximum(settled_peak(seconds, given, asks, count, of, time, _STORE_S, store, _INDEX), 1e-12))
    # a larger store lets less through, and holds no less
    peak = np.maximum.accumulate(peak[..., ::-1], axis=-1)[..., ::-1]
    held = np.log(_STORE_S) / _INDEX[:, None]
    return np.exp(np.maximum.accumulate(peak + held, axis=-1) - held)
