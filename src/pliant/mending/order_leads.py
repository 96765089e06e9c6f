"""What lies before each run, and which runs may change places: the stretches that `order` works on."""

import numpy as np
from numpy.typing import NDArray

from pliant.mending.order_runs import Stretch
from pliant.mending.order_words import Words, gather_words
from pliant.program.runs import Runs
from pliant.program.write import sole_moves
from pliant.records.program import DWELL, HOME, RECOVER, RETRACT, TRAVEL, Program

__all__ = ["RunLeads"]

_SAME_HEIGHT_MM = 0.01  # as the certificate takes it
_SAME_MM = 1e-6

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


class RunLeads:
    """Moves `[start[k], stop[k])` lead to run k; those of the first run begin the program."""

    def __init__(self, program: Program, runs: Runs) -> None:
        self.program, self.runs = program, runs
        self.start, self.stop = np.append(0, runs.last[:-1] + 1), runs.first
        self.words: Words = gather_words(program)
        p, point = program, program.point_mm
        self.plane = (point[1:, 0] != point[:-1, 0]) | (point[1:, 1] != point[:-1, 1]) | (p.sweep_rad != 0)
        self.flat = np.abs(point[1:, 2] - point[:-1, 2]) <= _SAME_MM
        # a straight travel to a place that its line names, wherever it comes from
        self.goes = self.plane & (p.kind == TRAVEL) & (p.filament_mm == 0) & (p.sweep_rad == 0) & sole_moves(p)
        self.goes &= p.states["absolute"][p.state]
        self.across = np.flatnonzero(self.plane | (p.kind == HOME))
        self.movable = self._movable()
        self.target = self._targets()

    def _sum(self, value: NDArray[np.float64] | Bools) -> NDArray[np.float64]:
        total = np.concatenate([[0.0], np.cumsum(value)])
        return np.asarray(total[self.stop] - total[self.start])

    def _movable(self) -> Bools:
        """Lead-ins that a run can take along: they give back what they take and lead to its place by one travel."""
        p = self.program
        kind, sole = p.kind, sole_moves(p)
        plain = self.goes | (~self.plane & ((kind == TRAVEL) | (kind == RETRACT) | (kind == RECOVER)) & sole)
        plain &= p.states["absolute"][p.state]
        good = self._sum(~plain) == 0
        good &= np.abs(self._sum(p.filament_mm)) < 1e-6
        good &= np.abs(p.point_mm[self.stop, 2] - p.point_mm[self.start, 2]) <= _SAME_MM
        self.way = way = self._sum(self.goes)
        # corners of the way can be left out, but not those that rise
        good &= (way == 1) | ((way > 1) & (self._sum(self.goes & ~self.flat) == 0))
        return good

    def _targets(self) -> list[int]:
        """The last move across of each lead-in, -1 if it has none."""
        at = np.searchsorted(self.across, self.stop) - 1
        move = np.append(self.across, -1)[at]
        return np.where((at >= 0) & (move >= self.start), move, -1).tolist()

    def corners(self, k: int) -> Ints:
        """Moves of lead-in k that go across before the last one does, where they can be left out."""
        span = np.arange(self.start[k], self.stop[k] if self.way[k] > 1 else self.start[k])
        if not span.size or self._acts(k) or (self.program.kind[span] == DWELL).any():
            return span[:0]
        return span[self.goes[span] & self.flat[span]][:-1]

    def _acts(self, k: int) -> bool:
        before = int(self.program.line[self.start[k] - 1]) if self.start[k] else 0
        return self.words.acting(before, int(self.program.line[self.stop[k]]))

    def may_lead_elsewhere(self, k: int) -> bool:
        """Whether lead-in k, which stays, can lead to another run."""
        at = self.target[k]
        return at < 0 or bool(self.goes[at])

    def may_come_from_elsewhere(self, k: int) -> bool:
        """Whether lead-in k, which stays, leads to one place wherever it comes from; k may be one past the last."""
        begin = int(self.start[k]) if k < len(self.runs) else int(self.runs.last[-1]) + 1
        at = int(np.searchsorted(self.across, begin))
        if at == self.across.size:
            return False
        move = int(self.across[at])
        if k < len(self.runs) and move >= self.stop[k]:
            return True  # a travel can be put in
        return bool(self.goes[move])

    def stretches(self) -> list[Stretch]:
        """All stretches of two items or more."""
        p, runs = self.program, self.runs
        n = len(runs)
        hard = np.concatenate([[0], np.cumsum(np.diff(self.words.hard[p.state]) != 0)])
        changes = hard[runs.last] != hard[runs.first]
        line_first, line_last = p.line[runs.first], p.line[runs.last]
        acts = np.array(self.words.acts, dtype=np.int64)
        inside = np.searchsorted(acts, line_last, "right") > np.searchsorted(acts, line_first, "right")
        before = np.append(0, line_last[:-1])
        ahead = np.searchsorted(acts, line_first, "right") > np.searchsorted(acts, before, "right")
        alone = changes | inside
        wall = np.append(False, (hard[runs.first[1:]] != hard[runs.first[:-1]]) | (runs.layer[1:] != runs.layer[:-1]))
        wall |= ahead | alone | np.append(False, alone[:-1])
        wall[0] = True
        z, move, opens = p.point_mm[:, 2], runs.chord_move, runs.begin[:-1]
        highest = np.maximum.reduceat(np.maximum(z[move], z[move + 1]), opens)
        climbs = highest - np.minimum.reduceat(np.minimum(z[move], z[move + 1]), opens) > _SAME_HEIGHT_MM
        cut = np.append(np.flatnonzero(wall), n)
        found = []
        for a, b in zip(cut[:-1].tolist(), cut[1:].tolist(), strict=True):
            if b - a < 2 or climbs[a:b].any():
                continue
            first = np.concatenate([[a], a + 1 + np.flatnonzero(self.movable[a + 1 : b])])
            if first.size < 2:
                continue
            layer_opens = a == 0 or runs.layer[a] != runs.layer[a - 1]
            layer_ends = b == n or runs.layer[b] != runs.layer[b - 1]
            first_stays = a == 0 or not layer_opens or not self.may_lead_elsewhere(a)
            last_stays = not layer_ends or not self.may_come_from_elsewhere(b)
            found.append(Stretch(first, np.append(first[1:], b) - 1, bool(first_stays), bool(last_stays)))
        return found
