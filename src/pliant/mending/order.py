"""Order: the runs of a layer laid in an order with less travel over air, each run left as it is.

A run moves with its lead-in, which may lift, retract and recover as long as it gives back what it takes. What leads
into a layer stays with the layer, whatever it does; only the place it leads to changes, and the run that was first
takes the lead-in of the run that took its place. Words that set fan, acceleration, corners or advance are repeated
where a run needs them; no run crosses any other word (`order_words`). Lead-ins that are not understood keep both runs
together. The job's first run stays first, and the last of a layer last where what follows does not name a place.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pliant.arrays import Floats
from pliant.kernels.cover import cover_travels
from pliant.mending.order_blocks import Blocks
from pliant.mending.order_leads import RunLeads
from pliant.mending.order_runs import Ground, Stretch, order_stretch
from pliant.mending.route import QUICK_MM_PER_S
from pliant.program.layers import Layering
from pliant.program.rest import REST_S, percentile_s, rests_s
from pliant.program.runs import Runs, runs_of
from pliant.program.sections import Sections
from pliant.program.write import Edits
from pliant.records.mending import Change
from pliant.records.program import Program
from pliant.say import quantity

__all__ = ["mend_order"]

_LEAST_GAIN_MM = 1.0  # of open travel in a layer
_WORTH = np.array([1.0, 10.0 / 120.0])  # a second of travel, of 120 mm, has to save 10 mm of air, as of a detour
_LONGER = 0.02  # [-] of the beads: travel, twice as fast, may take one per cent of their time more
_STRICT = (1.0, 8.0, 64.0, 512.0)  # how much rest is worth, until there is enough
_ALIKE = 0.99  # [-] of the rest: order alone, at one speed, is not known better

Ints = NDArray[np.int64]


@dataclass(frozen=True)
class _Plan:
    """Runs in their new order `(n,)`, and for each stretch that changes: which, its order, what it saves."""

    order: Ints
    changed: list[tuple[Stretch, Ints, float]]
    saved_mm: float


def mend_order(program: Program, edits: Edits, layering: Layering, sections: Sections) -> tuple[list[Change], str]:
    """Reorder runs, in place in `edits`.

    Parameters
    ----------
    program : Program
        The moves.
    edits : Edits
        Gets the blocks of moves in their new order, and the words that lead them there.
    layering, sections
        Layers, and widths of the beads.

    Returns
    -------
    list of Change
    str
        Why nothing changes; empty where something does.
    """
    runs = runs_of(program, sections.width_mm)
    if len(runs) < 2:
        return [], "there are no two runs to change places"
    leads = RunLeads(program, runs)
    stretches = leads.stretches()
    if not stretches:
        return [], "no layer has two runs that may change places"
    bead = np.bincount(runs.chord_run, np.hypot(*(runs.chord_mm[:, 2:] - runs.chord_mm[:, :2]).T), len(runs))
    seconds = bead / QUICK_MM_PER_S  # rest is minded at one speed, so that slower beads change no order
    half = sections.width_mm[runs.chord_move].astype(np.float64) / 2
    least = _rest(program, runs, np.arange(len(runs)), seconds)
    wanted = min(least, REST_S)
    for strict in _STRICT:
        plan = _plan(runs, stretches, seconds, half, wanted, strict)
        if not plan.changed or plan.saved_mm < _LEAST_GAIN_MM:
            return [], "no order of runs found with less travel over air"
        if _rest(program, runs, plan.order, seconds) >= _ALIKE * wanted:
            break
    else:
        return [], f"orders with less travel over air leave spots less than {quantity(wanted, 's')} to rest"
    blocks = Blocks(program, edits, runs, leads)
    for stretch, order, _ in plan.changed:
        blocks.lay(stretch, order)
    blocks.finish()
    return [_change(program, layering, runs, *what) for what in plan.changed], ""


def _change(program: Program, layering: Layering, runs: Runs, stretch: Stretch, order: Ints, gain: float) -> Change:
    layer = int(layering.layer[runs.first[stretch.first[0]]]) + 1
    return Change(
        int(program.line[runs.first[stretch.first[0]]]), "order", f"order of {order.size} runs in layer {layer}",
        "as written", " ".join(str(k + 1) for k in order) if order.size < 30 else "new",
        f"{quantity(gain, 'mm', 3)} less travel over air",
    )  # fmt: skip


def _plan(runs: Runs, stretches: list[Stretch], seconds: Floats, half: Floats, rest_s: float, strict: float) -> _Plan:
    """Orders of all stretches, one after the other: each begins where the one before ended."""
    ground, order, changed = Ground(runs, seconds, half), np.arange(len(runs)), []
    opens = np.flatnonzero(np.diff(runs.layer, prepend=-1))
    closes = np.append(opens[1:], len(runs))
    left = iter(stretches)
    stretch = next(left, None)
    air = _Air(runs, half)
    for first, last in zip(opens.tolist(), closes.tolist(), strict=True):
        ground.open_layer(first, last)
        done = first
        while stretch is not None and stretch.first[0] < last:
            low, high = int(stretch.first[0]), int(stretch.last[-1]) + 1
            ground.lay(order[done:low])
            found = order_stretch(ground, stretch, rest_s, strict)
            if not np.array_equal(found, np.arange(found.size)):
                new = np.concatenate([np.arange(stretch.first[k], stretch.last[k] + 1) for k in found])
                gain = air.along(ground, low, np.arange(low, high)) - air.along(ground, low, new)
                longer = -gain[1] > _LONGER * seconds[low:high].sum() * QUICK_MM_PER_S
                if min(gain @ _WORTH, gain[0]) > _LEAST_GAIN_MM and not longer:
                    order[low:high] = new
                    changed.append((stretch, found, float(gain[0])))
            ground.lay(order[low:high])
            done, stretch = high, next(left, None)
        ground.lay(order[done:last])
    saved = air.whole(np.arange(len(runs))) - air.whole(order)
    return _Plan(order, changed, min(float(saved[0]), float(saved @ _WORTH)))


class _Air:
    """Straight ways between runs: length over air, and length in all. [mm]"""

    def __init__(self, runs: Runs, half: Floats) -> None:
        self.runs, self.half = runs, half
        self.begin = runs.chord_mm[runs.begin[:-1], :2]
        self.end = runs.chord_mm[runs.begin[1:] - 1, 2:]
        self.layer_of_chord = runs.layer[runs.chord_run]

    def along(self, ground: Ground, low: int, order: Ints) -> Floats:
        """From where the nozzle is through these runs. [mm]"""
        ways = np.hstack([self.end[order[:-1]], self.begin[order[1:]]])
        layer = self.runs.layer[low]
        first, last = np.searchsorted(self.layer_of_chord, [layer - 1, layer + 1])
        ways = np.vstack([np.hstack([ground.here, self.begin[order[0]]])[None], ways])
        of = np.full(len(ways), layer)
        of[0] -= low == int(np.searchsorted(self.runs.layer, layer))
        return self._open(ways, of, slice(int(first), int(last)))

    def whole(self, order: Ints) -> Floats:
        """Through all runs. [mm]"""
        ways = np.hstack([self.end[order[:-1]], self.begin[order[1:]]])
        return self._open(ways, self.runs.layer[order[:-1]], slice(0, len(self.half)))

    def _open(self, ways: Floats, layer: Ints, chords: slice) -> Floats:
        covered = cover_travels(
            np.ascontiguousarray(ways), layer, np.ascontiguousarray(self.runs.chord_mm[chords]), self.half[chords],
            self.layer_of_chord[chords],
        )  # fmt: skip
        length = float(np.hypot(ways[:, 2] - ways[:, 0], ways[:, 3] - ways[:, 1]).sum())
        return np.array([length - covered.sum(), length])


def _rest(program: Program, runs: Runs, order: Ints, seconds: Floats) -> float:
    """First percentile of the rest of all spots, at one speed for all beads; infinite where nothing is covered. [s]"""
    count = np.diff(runs.begin)[order]
    chord = np.repeat(runs.begin[order] - np.cumsum(count) + count, count) + np.arange(count.sum())
    took = np.hypot(*(runs.chord_mm[chord, 2:] - runs.chord_mm[chord, :2]).T) / QUICK_MM_PER_S
    done = np.cumsum(took)
    z = program.point_mm[runs.chord_move[chord] + 1, 2]
    least = percentile_s(rests_s(runs.chord_mm[chord], done - took, done, z))
    return np.inf if least is None else least
