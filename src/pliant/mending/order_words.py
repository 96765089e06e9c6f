"""Words between runs when runs change places: which only set what beads are laid with, and which nothing may cross.

Fan, acceleration, corner and advance words are told by the state that every bead has: a run that comes after another
one gets the state it had by repeating the lines that had set it. Comments go with what follows them. Every other word
(a wait, a message, a word that is not known) is a barrier.
"""

import math
from bisect import bisect_right
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pliant.program.bead_words import SOFT, fields_set, other_states
from pliant.program.other_lines import other_lines
from pliant.records.program import Program

__all__ = ["State", "Words", "gather_words"]

_STATE = {"corner_x": "corner_mm_per_s", "corner_y": "corner_mm_per_s"}  # the state is the smaller of both

Ints = NDArray[np.int64]
State = tuple[float | None, ...]


@dataclass(frozen=True)
class Words:
    """Lines that are not motion, and what the states of a program say of their fields."""

    acts: list[int]  # lines that nothing may cross
    line: list[int]  # lines that set states
    text: list[bytes]
    fields: list[tuple[str, ...]]
    values: list[State]  # of each state
    hard: Ints  # (n_states,) states that differ in anything else differ here

    def acting(self, after: int, to: int) -> bool:
        """Whether a barrier stands after one line and up to another."""
        return bisect_right(self.acts, to) > bisect_right(self.acts, after)

    def set_between(self, after: int, to: int) -> set[int]:
        """Numbers of the fields that lines after one and up to another set."""
        a, b = bisect_right(self.line, after), bisect_right(self.line, to)
        return {SOFT.index(_STATE.get(f, f)) for names in self.fields[a:b] for f in names}

    def lines_that_set(self, which: set[int], to: int) -> list[bytes] | None:
        """Lines that had set these fields by a line of the program, and all they set besides; None if there are not."""
        names = {SOFT[k] for k in which}
        wanted = names - set(_STATE.values()) | {f for f, state in _STATE.items() if state in names}
        stop, lines, done = bisect_right(self.line, to), set[int](), set[str]()
        while todo := wanted - done:
            name = todo.pop()
            done.add(name)
            last = next((k for k in range(stop - 1, -1, -1) if name in self.fields[k]), -1)
            if last >= 0:
                lines.add(last)
                wanted |= set(self.fields[last])
        told = {_STATE.get(f, f) for k in lines for f in self.fields[k]}
        if not names <= told:
            return None
        return [self.text[k] for k in sorted(lines)]


def gather_words(program: Program) -> Words:
    """Read the lines that are not motion.

    Parameters
    ----------
    program : Program
        As read from its file.

    Returns
    -------
    Words
    """
    acts, line, texts, fields = [], [], [], []
    born: set[str] = set()
    known: dict[bytes, tuple[str, ...] | None] = {}
    for number, text in other_lines(program.path):
        if text not in known:
            known[text] = fields_set(text)
        said = known[text]
        if said is None:
            acts.append(number)
        elif said:
            if not born.issuperset(said):  # what the line found cannot be set back: no word tells it
                acts.append(number)
                born |= set(said)
            line.append(number)
            texts.append(text)
            fields.append(said)
    values = np.column_stack([program.states[name] for name in SOFT])
    hard = other_states(program, np.isnan(values))  # what was never set cannot be set back
    told = [tuple(None if math.isnan(v) else v for v in row) for row in values.tolist()]
    return Words(acts, line, texts, fields, told, hard)
