"""Runs of a program as things to lay in some order: where they begin and end, what they cover, which touch.

A run is what the certificate takes for one (`program.pairing`): beads that begin where the one before ends. Runs that
touch form the pieces of a layer.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from pliant.arrays import Floats
from pliant.kernels.touch import connected, touching_runs
from pliant.program.coverage import chords_of
from pliant.program.pairing import path_of
from pliant.records.program import Program

__all__ = ["TOUCH_MM", "TOUCH_SHARE", "Runs", "runs_of"]

# beads that lie nearer than this touch: rounded words leave neighbours a little apart
TOUCH_MM = 0.02
TOUCH_SHARE = 0.05  # [-] of their width, if that is more
_LEAST_HALF_MM = 0.05  # half a width is never taken for less

Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Runs:
    """Runs `(n,)` in the order of the program, and their straight pieces `(c,)`."""

    first: Ints  # move
    last: Ints  # move
    layer: Ints  # stretch of runs that are compared with one another
    half_mm: Floats  # half the width of the widest bead
    chord_mm: Floats  # (c, 4) x, y of start and end
    chord_move: Ints
    chord_run: Ints

    def __len__(self) -> int:
        return self.first.size

    @cached_property
    def begin(self) -> Ints:
        """Chords of run k are `begin[k]` to `begin[k + 1]`, `(n + 1,)`."""
        return np.searchsorted(self.chord_run, np.arange(len(self) + 1))

    @cached_property
    def touching(self) -> Ints:
        """Pairs of runs of one layer that touch, the earlier first, `(p, 2)`."""
        return self._touching(every=True)

    @cached_property
    def piece(self) -> Ints:
        """Connected piece of each run, `(n,)`; no piece spans two layers."""
        known = self.touching if "touching" in self.__dict__ else self._touching(every=False)
        return np.asarray(connected(len(self), known))

    def _touching(self, *, every: bool) -> Ints:
        return np.asarray(
            touching_runs(self.chord_mm, self.half_mm, self.chord_run, self.layer, TOUCH_MM, TOUCH_SHARE, every)
        )


def runs_of(program: Program, width_mm: NDArray[np.float32], layer: Ints | None = None) -> Runs:
    """Gather the runs of a program.

    Parameters
    ----------
    program : Program
        The moves.
    width_mm : ndarray, (n_moves,)
        Width of the beads. [mm]
    layer : ndarray of int, (n_moves,), optional
        Layer of each move; stretches of runs at one height, as the certificate takes them, when left out.

    Returns
    -------
    Runs
    """
    path = path_of(program)
    at = np.flatnonzero(path.lays)
    move, run = path.move[at], path.run[at]
    if at.size == 0:
        none = np.zeros(0, dtype=np.int64)
        return Runs(none, none, none, np.zeros(0), np.zeros((0, 4)), none, none)
    opens = np.flatnonzero(np.diff(run, prepend=-1))
    half = np.maximum(np.maximum.reduceat(width_mm[move].astype(np.float64), opens) / 2, _LEAST_HALF_MM)
    chord, chord_move = chords_of(program, move)
    of_move = np.zeros(program.kind.size, dtype=np.int64)
    of_move[move] = run
    first, last = move[opens], move[np.append(opens[1:], move.size) - 1]
    block = path.run_block if layer is None else layer[first]
    return Runs(first, last, block, half, np.ascontiguousarray(chord), chord_move, of_move[chord_move])
