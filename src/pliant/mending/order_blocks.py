"""Runs that change places, as edits of the program: blocks of lines, places of travels, states that are repeated."""

import numpy as np
from numpy.typing import NDArray

from pliant.arrays import Floats
from pliant.mending.order_leads import RunLeads
from pliant.mending.order_runs import Stretch
from pliant.mending.order_words import State
from pliant.program.runs import Runs
from pliant.program.write import Edits, Insert
from pliant.records.program import TRAVEL, Program

__all__ = ["Blocks"]

Ints = NDArray[np.int64]


class Blocks:
    """Blocks of moves in their new order, as they are added from the front of the program to its end."""

    def __init__(self, program: Program, edits: Edits, runs: Runs, leads: RunLeads) -> None:
        self.program, self.edits, self.runs, self.leads = program, edits, runs, leads
        self.done = 0  # moves that have their place
        self.dropped: list[Ints] = []

    def lay(self, stretch: Stretch, order: Ints) -> None:
        """Lay the items of a stretch in this order."""
        p, runs, leads = self.program, self.runs, self.leads
        a, head = int(stretch.first[0]), int(stretch.first[order[0]])
        self._add(self.done, int(leads.stop[a]))
        state = self._states(a) if order[0] == 0 else self._after_lead(self._before(a), a)
        for place, k in enumerate(order.tolist()):
            first, last = int(stretch.first[k]), int(stretch.last[k])
            # the run that was first takes the lead-in of the one that is
            lead = a if place == 0 else head if k == 0 else first
            if place:
                self._add(int(leads.start[lead]), int(leads.stop[lead]))
                state = self._after_lead(state, lead)
            if order[place] != k or lead != first or place == 0 or order[place - 1] != k - 1:
                self._lead_to(lead, first, place == 0 and k == 0)
            self._add(int(runs.first[first]), int(runs.last[last]) + 1)
            self._restored(state, first)
            state = self._states_at(int(runs.last[last]))
        end = int(runs.last[stretch.last[-1]])
        self._restore(state, self._states_at(end), int(p.line[end]), int(p.line[end]) + 1)
        self.done = end + 1
        after = int(stretch.last[-1]) + 1
        if order[-1] != order.size - 1:
            self._comes_from_elsewhere(after)

    def finish(self) -> None:
        """Add what is left."""
        self._add(self.done, self.program.kind.size)
        joined: list[tuple[int, int]] = []
        for first, last in self.edits.blocks:
            if joined and joined[-1][1] == first:
                joined[-1] = joined[-1][0], last
            else:
                joined.append((first, last))
        self.edits.blocks = joined
        for moves in self.dropped:
            self.edits.drop[moves] = True

    def _add(self, first: int, last: int) -> None:
        if last > first:
            self.edits.blocks.append((first, last))

    # ---- places

    def _set_place(self, move: int, place: Floats, new: bool) -> None:
        """Let a travel end at a place, wherever it comes from."""
        if new or move not in self.edits.places:
            self.edits.places[move] = float(place[0]), float(place[1]), new

    def _lead_to(self, lead: int, run: int, as_written: bool) -> None:
        """Make a lead-in end where a run begins."""
        if as_written:
            return
        p, move, first = self.program, self.leads.target[lead], int(self.runs.first[run])
        place = p.point_mm[first, :2]
        if move < 0:
            self._put_in(first, place)
            return
        self._set_place(move, place, lead != run)
        if len(corners := self.leads.corners(lead)):
            self.dropped.append(corners)

    def _comes_from_elsewhere(self, run: int) -> None:
        """Let what follows a stretch lead to the place it led to, wherever it comes from."""
        p, leads = self.program, self.leads
        begin = int(leads.start[run]) if run < len(self.runs) else int(self.runs.last[-1]) + 1
        move = int(leads.across[np.searchsorted(leads.across, begin)])
        if run < len(self.runs) and move >= leads.stop[run]:
            self._put_in(int(self.runs.first[run]), p.point_mm[self.runs.first[run], :2])
            return
        if run < len(self.runs) and len(corners := leads.corners(run)):
            self.dropped.append(corners)
            move = leads.target[run]
        if leads.goes[move]:
            self._set_place(move, p.point_mm[move + 1, :2], False)

    def _put_in(self, move: int, place: Floats) -> None:
        """Put a travel in before a bead, at the speed of the nearest travel before it, or after."""
        if move in self.edits.inserts:
            return
        p = self.program
        travels = np.flatnonzero((p.kind == TRAVEL) & self.leads.plane)
        near = travels[max(int(np.searchsorted(travels, move)) - 1, 0)]
        self.edits.inserts[move] = [Insert(float(p.speed_mm_per_s[near]), (float(place[0]), float(place[1])))]

    # ---- states

    def _states_at(self, move: int) -> State:
        return self.leads.words.values[self.program.state[move]]

    def _states(self, run: int) -> State:
        return self._states_at(int(self.runs.first[run]))

    def _before(self, run: int) -> State:
        return self._states_at(int(self.runs.last[run - 1]) if run else 0)

    def _after_lead(self, state: State, lead: int) -> State:
        """States once a lead-in is over: what its lines set stands as in the input, the rest as it stood."""
        p, start, stop = self.program, int(self.leads.start[lead]), int(self.leads.stop[lead])
        if stop <= start:
            return state
        after = int(p.line[start - 1]) if start else 0
        return self._with(state, self._states_at(stop - 1), after, int(p.line[stop - 1]))

    def _with(self, state: State, said: State, after: int, to: int) -> State:
        """A state with what lines after one and up to another set."""
        which = self.leads.words.set_between(after, to)
        return tuple(b if k in which else a for k, (a, b) in enumerate(zip(state, said, strict=True)))

    def _restored(self, state: State, run: int) -> None:
        """Repeat before a run the lines that had set what it is laid with, where something else stands."""
        p, first = self.program, int(self.runs.first[run])
        line, wanted = int(p.line[first]), self._states_at(first)
        if state != wanted:  # lines between lead-in and bead go with the bead
            state = self._with(state, wanted, int(p.line[first - 1]) if first else 0, line)
            self._restore(state, wanted, line, line)

    def _restore(self, state: State, wanted: State, to: int, line: int) -> None:
        if differs := {k for k, (a, b) in enumerate(zip(state, wanted, strict=True)) if a != b}:
            lines = self.leads.words.lines_that_set(differs, to)
            if lines is None:
                raise LookupError(f"what had set a state of line {to} is not told")
            self.edits.before_line.setdefault(line, []).extend(lines)
