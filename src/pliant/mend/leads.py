"""Lead-ins: what a program does between one run of beads and the next, and whether it is safe to touch.

A lead-in is touched only where everything in it is understood: straight travel and filament moves, one command a
line, one state, and filament taken back that is given back in full.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pliant.program.layers import Layering
from pliant.program.write import sole_moves
from pliant.records.program import BEAD, RECOVER, RETRACT, TRAVEL, Program

__all__ = ["Lead", "find_leads"]


@dataclass(frozen=True)
class Lead:
    """Moves `[first, last)` between two runs; the run before ends at move `first - 1`, the next begins at `last`."""

    first: int
    last: int
    layer: int  # of the next run
    layer_before: int
    flat: bool  # no change of height and the same layer on both sides
    simple: bool  # only travel, retraction and recovery, balanced, one command a line, one state
    retracts: tuple[int, ...]
    recovers: tuple[int, ...]
    travels: tuple[int, ...]  # those that change x or y


def find_leads(program: Program, layering: Layering) -> list[Lead]:
    """List the lead-ins between consecutive runs, in order."""
    bead = np.flatnonzero(program.kind == BEAD)
    if bead.size < 2:
        return []
    sole = sole_moves(program)
    kind, z = program.kind, program.point_mm[:, 2]
    flat_xy = np.zeros(kind.size, dtype=np.bool_)
    flat_xy[:] = (program.point_mm[1:, :2] == program.point_mm[:-1, :2]).all(axis=1)
    plain = (kind == TRAVEL) | (kind == RETRACT) | (kind == RECOVER)
    good = plain & sole & (program.sweep_rad == 0) & program.states["absolute"][program.state]
    bad_before = np.concatenate([[0], np.cumsum(~good)])
    rise_before = np.concatenate([[0], np.cumsum(z[1:] != z[:-1])])
    state_before = np.concatenate([[0], np.cumsum(np.diff(program.state, prepend=program.state[0]) != 0)])
    given = np.concatenate([[0.0], np.cumsum(np.where(plain, program.filament_mm, 0.0))])
    at = np.flatnonzero(np.diff(bead) > 1)
    a, b = bead[at] + 1, bead[at + 1]
    layer, before = layering.layer[b], layering.layer[a - 1]
    flat = (layer == before) & (rise_before[b] == rise_before[a])
    simple = (np.abs(given[b] - given[a]) < 1e-6) & (bad_before[b] == bad_before[a])
    simple &= state_before[b + 1] == state_before[a]
    inside = (
        _inside(np.flatnonzero((kind == RETRACT) & flat_xy), a, b),
        _inside(np.flatnonzero(kind == RECOVER), a, b),
        _inside(np.flatnonzero((kind == TRAVEL) & ~flat_xy), a, b),
    )
    rows = zip(
        a.tolist(), b.tolist(), layer.tolist(), before.tolist(), flat.tolist(), simple.tolist(), *inside, strict=True
    )
    return [Lead(*row) for row in rows]


def _inside(moves: NDArray[np.int64], a: NDArray[np.int64], b: NDArray[np.int64]) -> Iterator[tuple[int, ...]]:
    """Those of some moves that lie in each stretch `[a, b)`."""
    listed = moves.tolist()
    for i, j in zip(np.searchsorted(moves, a).tolist(), np.searchsorted(moves, b).tolist(), strict=True):
        yield tuple(listed[i:j])
