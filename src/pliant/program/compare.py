"""What another behaviour makes of the same file, move by move, without keeping a second program in memory."""

import numpy as np
from numpy.typing import NDArray

from pliant.kernels import machine
from pliant.program.messages import with_lines
from pliant.program.stream import COLUMN
from pliant.records.program import KIND_NAMES, STATE_DTYPE, Program

__all__ = ["Comparison"]

# what is said about the first difference: column, words, attribute of the program
_SAID = (
    ("filament", "{there:g} mm of filament instead of {here:g}", "filament_mm"),
    ("x", "X at {there:g} mm instead of {here:g}", ""),
    ("y", "Y at {there:g} mm instead of {here:g}", ""),
    ("z", "Z at {there:g} mm instead of {here:g}", ""),
    ("length", "{there:g} mm of path instead of {here:g}", "length_mm"),
    ("speed", "{there:g} mm/s instead of {here:g}", "speed_mm_per_s"),
    ("dwell", "a dwell of {there:g} s instead of {here:g}", "dwell_s"),
    ("sweep", "an arc of {there:g} rad instead of {here:g}", "sweep_rad"),
)
_STATES = ("nozzle_c", "bed_c", "fan", "flow_factor", "speed_share", "print_accel", "retract_accel", "travel_accel",
           "junction_mm", "corner_mm_per_s", "advance_s")  # fmt: skip


class Comparison:
    """Takes the blocks of a second reading and compares them with a program, line by line."""

    def __init__(self, program: Program, other: str, assumed: str) -> None:
        self.program, self.other, self.assumed = program, other, assumed
        self.at = 0
        self.count = 0
        self.lines: list[int] = []
        self.first = ""
        self.states = np.column_stack([program.states[name] for name in _STATES])

    def take(self, rows: NDArray[np.float64], log: NDArray[np.float64], line: int, share: float) -> None:
        """Compare the moves of the lines up to `line`."""
        p = self.program
        stop = int(np.searchsorted(p.line, line, side="right"))
        mine = np.arange(self.at, stop)
        self.at = stop
        theirs = np.arange(rows.shape[1])
        here, there = p.line[mine], rows[COLUMN["line"]].astype(np.int64)
        odd = np.empty(0, np.int64)
        if here.size != there.size or (here != there).any():
            # lines that make another number of moves; the rest pair up in order
            lines, which = np.unique(np.concatenate([here, there]), return_inverse=True)
            n_here = np.bincount(which[: here.size], minlength=lines.size)
            n_there = np.bincount(which[here.size :], minlength=lines.size)
            odd = lines[n_here != n_there]
            mine, theirs = mine[~np.isin(here, odd)], theirs[~np.isin(there, odd)]
        different, said = self._pairs(mine, rows[:, theirs], log)
        found = np.union1d(odd, p.line[mine[different]])
        if not found.size:
            return
        if not self.first:
            first_pair = p.line[mine[different][0]] if different.any() else np.inf
            self.first = said if first_pair == found[0] else "another number of moves"
        self.count += found.size
        self.lines += found[: machine.LONGEST_LIST - len(self.lines)].tolist()

    def finish(self, line: int) -> str | None:
        """Word the differences, counting moves up to `line` that the second reading did not make."""
        self.take(np.empty((len(machine.COLUMNS), 0)), np.empty((0, machine.STATE)), line, 1.0)
        if not self.count:
            return None
        text = f"{self.other} reads lines otherwise, the first with {self.first}; {self.assumed} assumed"
        return with_lines(text, self.count, self.lines)

    def _pairs(
        self, mine: NDArray[np.int64], rows: NDArray[np.float64], log: NDArray[np.float64]
    ) -> tuple[NDArray[np.bool_], str]:
        """Which of the paired moves differ, and what the first of them differs in."""
        p = self.program
        different = p.kind[mine] != rows[COLUMN["kind"]]
        marks = []
        for name, words, attribute in _SAID:
            here = getattr(p, attribute)[mine] if attribute else p.point_mm[mine + 1, "xyz".index(name)]
            there = rows[COLUMN[name]]
            mark = np.abs(here - there) > 1e-6 + 1e-9 * np.abs(here)
            marks.append((mark, words, here, there))
            different |= mark
        states_there = log[rows[COLUMN["log"]].astype(np.int64), : len(_STATES)]
        states_here = self.states[p.state[mine]]
        apart = (states_here != states_there) & ~(np.isnan(states_here) & np.isnan(states_there))
        different |= apart.any(axis=1)
        if not different.any():
            return different, ""
        k = int(np.flatnonzero(different)[0])
        for mark, words, here, there in marks:
            if mark[k]:
                return different, words.format(here=here[k], there=there[k])
        if apart[k].any():
            s = int(np.flatnonzero(apart[k])[0])
            return different, f"{_STATES[s]} {states_there[k, s]:g} instead of {states_here[k, s]:g}"
        return different, f"a {KIND_NAMES[int(rows[COLUMN['kind'], k])]} instead of a {KIND_NAMES[p.kind[mine[k]]]}"


assert STATE_DTYPE.names is not None and STATE_DTYPE.names[: len(_STATES)] == _STATES  # log columns go by this order
