"""Lead-ins: what a program does between one run of beads and the next, and whether it is safe to touch.

A lead-in is touched only where everything in it is understood: straight travel and filament moves, one command a
line, one state, and filament taken back that is given back in full.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import overload

import numpy as np
from numpy.typing import NDArray

from pliant.program.bead_words import other_states
from pliant.program.layers import Layering
from pliant.program.write import sole_moves
from pliant.records.program import BEAD, HOME, RECOVER, RETRACT, TRAVEL, Program

__all__ = ["Lead", "Leads", "Members", "find_leads"]

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True)
class Lead:
    """Moves `[first, last)` between two runs; the run before ends at move `first - 1`, the next begins at `last`."""

    first: int
    last: int
    layer: int  # of the next run
    layer_before: int
    flat: bool  # no change of height and the same layer on both sides
    simple: (
        bool  # only travel, retraction and recovery, balanced, one command a line; no words but on how beads are laid
    )
    straight: bool  # whatever goes across is a travel to a place that its line names
    retracts: tuple[int, ...]
    recovers: tuple[int, ...]
    travels: tuple[int, ...]  # those that change x or y


@dataclass(frozen=True)
class Members:
    """Moves of one kind in each lead-in: those of lead-in k are `move[begin[k]:end[k]]`."""

    move: Ints
    begin: Ints
    end: Ints

    @property
    def count(self) -> Ints:
        """How many each lead-in has, `(n_leads,)`."""
        return self.end - self.begin

    def of(self, k: int) -> tuple[int, ...]:
        """Those of one lead-in."""
        return tuple(self.move[self.begin[k] : self.end[k]].tolist())


@dataclass(frozen=True)
class Leads(Sequence[Lead]):
    """All lead-ins of a program, as arrays `(n_leads,)`; a `Lead` is made where one is asked for."""

    first: Ints
    last: Ints
    layer: Ints
    layer_before: Ints
    flat: Bools
    simple: Bools
    straight: Bools
    retracts: Members
    recovers: Members
    travels: Members

    def __len__(self) -> int:
        return self.first.size

    @overload
    def __getitem__(self, k: int) -> Lead: ...

    @overload
    def __getitem__(self, k: slice) -> list[Lead]: ...

    def __getitem__(self, k: int | slice) -> Lead | list[Lead]:
        if isinstance(k, slice):
            return [self[i] for i in range(*k.indices(len(self)))]
        k = range(len(self))[k]
        return Lead(
            int(self.first[k]), int(self.last[k]), int(self.layer[k]), int(self.layer_before[k]), bool(self.flat[k]),
            bool(self.simple[k]), bool(self.straight[k]), self.retracts.of(k), self.recovers.of(k), self.travels.of(k),
        )  # fmt: skip

    def __iter__(self) -> Iterator[Lead]:
        return (self[k] for k in range(len(self)))

    def sums(self, value: NDArray[np.float64]) -> NDArray[np.float64]:
        """Sum of a figure of the moves `(n_moves,)` over each lead-in, `(n_leads,)`."""
        ends = np.column_stack([self.first, self.last]).reshape(-1)
        return np.add.reduceat(value, ends)[::2] if ends.size else np.zeros(0)


def find_leads(program: Program, layering: Layering) -> Leads:
    """List the lead-ins between consecutive runs, in order."""
    bead = np.flatnonzero(program.kind == BEAD)
    sole = sole_moves(program)
    kind, point = program.kind, program.point_mm
    z = point[:, 2]
    flat_xy = (point[1:, 0] == point[:-1, 0]) & (point[1:, 1] == point[:-1, 1])
    plain = (kind == TRAVEL) | (kind == RETRACT) | (kind == RECOVER)
    good = plain & sole & (program.sweep_rad == 0) & program.states["absolute"][program.state]
    bad_before = np.concatenate([[0], np.cumsum(~good)])
    rise_before = np.concatenate([[0], np.cumsum(z[1:] != z[:-1])])
    state = other_states(program)[program.state]
    state_before = np.concatenate([[0], np.cumsum(np.diff(state, prepend=state[:1]) != 0)])
    straight = (kind == TRAVEL) & good & (program.filament_mm == 0)
    across = ~flat_xy | (program.sweep_rad != 0) | (kind == HOME)
    bent_before = np.concatenate([[0], np.cumsum(across & ~straight)])
    given = np.concatenate([[0.0], np.cumsum(np.where(plain, program.filament_mm, 0.0))])
    at = np.flatnonzero(np.diff(bead) > 1)
    a, b = bead[at] + 1, bead[at + 1]
    layer, before = layering.layer[b], layering.layer[a - 1]
    flat = (layer == before) & (rise_before[b] == rise_before[a])
    simple = (np.abs(given[b] - given[a]) < 1e-6) & (bad_before[b] == bad_before[a])
    simple &= state_before[b + 1] == state_before[a]

    def members(which: Bools) -> Members:
        moves = np.flatnonzero(which)
        return Members(moves, np.searchsorted(moves, a), np.searchsorted(moves, b))

    bent = bent_before[b] - bent_before[a]
    return Leads(
        a, b, layer, before, flat, simple, bent == 0, members((kind == RETRACT) & flat_xy), members(kind == RECOVER),
        members((kind == TRAVEL) & ~flat_xy),
    )  # fmt: skip
