"""Lead-ins: what a program does between one run of beads and the next, and whether it is safe to touch.

A lead-in is touched only where everything in it is understood: straight travel and filament moves, one command a
line, one state, and filament taken back that is given back in full.
"""

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
    leads = []
    at = np.flatnonzero(np.diff(bead) > 1)
    for a, b in zip((bead[at] + 1).tolist(), bead[at + 1].tolist(), strict=True):
        inside: NDArray[np.int64] = np.arange(a, b)
        kinds = kind[a:b]
        same = int(layering.layer[a - 1]) == int(layering.layer[b])
        flat = same and rise_before[b] == rise_before[a]
        balanced = abs(given[b] - given[a]) < 1e-6
        calm = bad_before[b] == bad_before[a] and state_before[b + 1] == state_before[a]
        leads.append(
            Lead(
                a, b, int(layering.layer[b]), int(layering.layer[a - 1]), bool(flat), bool(balanced and calm),
                tuple(inside[(kinds == RETRACT) & flat_xy[a:b]].tolist()), tuple(inside[kinds == RECOVER].tolist()),
                tuple(inside[(kinds == TRAVEL) & ~flat_xy[a:b]].tolist()),
            )
        )  # fmt: skip
    return leads
