"""Lines whose content only the controller knows, at the start and the end of a program: taken, and told.

A workshop's program often begins with a macro of its machine, or with placeholders that something fills in later. Such
a line is refused where beads lie before and after it, since it could be anything. Before the first bead it is taken for
a start of unknown content: what it lays, if anything, does not count; where it leaves the nozzle and how fast is not
known; heat and modes are what the program's own words say. After the last bead it is an end. A line that moves by words
of its own (G0 to G3) with a part that cannot be read is refused everywhere, as is one that never comes back.
"""

import re

import numpy as np
from numpy.typing import NDArray

from pliant.kernels import machine
from pliant.program.messages import with_lines

__all__ = ["UnknownEnds"]

_TAKEN = ("EXPRESSION", "NAMED_MACRO", "CALL", "FIRMWARE", "UNREADABLE")
_CALLS = re.compile(rb"[\s\d]*N?\d*\s*(?:G65|M98)(?![\d.])", re.I)  # that come back and are not repeated
_MOVES = re.compile(rb"\s*(?:N\d+\s*)?G\s*0*[0-3](?![\d.])", re.I)
_OPENS = re.compile(rb"\s*(?:N\d+\s*)?[{\[A-Za-z_#]")
_MOST = 500  # lines that are taken; a file of another kind would be nothing but such lines
_SHOWN = 40  # bytes of a line that are told


class UnknownEnds:
    """What one pass over a file took for a start or an end of unknown content."""

    def __init__(self) -> None:
        self.start: list[tuple[int, str]] = []
        self.end: list[tuple[int, str]] = []
        self._laid = False
        self._refused = self._first = ""

    def take(
        self, w: NDArray[np.int64], f: NDArray[np.float64], rows: NDArray[np.float64], line: bytes, error: str
    ) -> bool:
        """Take a line over which the kernel failed, or say that it stays a refusal; `rows` are those not handed on.

        Parameters
        ----------
        w, f : ndarray
            The machine; after a start its place and its feed are not known.
        rows : ndarray
            Moves that have not been handed on, one a column.
        line : bytes
            The line, without its end.
        error : str
            What is wrong with it, should a bead follow.
        """
        name = machine.ERRORS[w[machine.STATUS]]
        if name not in _TAKEN or _MOVES.match(line) or not _OPENS.match(line) or line.count(b"{") != line.count(b"}"):
            return False
        if len(self.start) + len(self.end) >= _MOST:
            return False
        if name == "CALL" and not _CALLS.match(line):
            return False
        if rows.shape[1] and rows[machine.COL_LINE, -1] == w[machine.LINE]:
            return False  # half of the line was run
        self._first = self._first or error
        number, shown = int(w[machine.LINE]), line.strip()[:_SHOWN].decode("ascii", "replace")
        self.seen(rows)
        if self._laid:
            self.end.append((number, shown))
            self._refused = self._refused or error
        else:
            self.start.append((number, shown))
            w[[machine.KNOWN, machine.KNOWN + 1, machine.KNOWN + 2]] = 0
            f[[machine.OFFSET, machine.OFFSET + 1, machine.OFFSET + 2]] = 0.0
            f[machine.FEED] = np.nan
        w[[machine.WITHDRAWN, machine.STATUS]] = 0
        w[machine.DIRTY] = w[machine.ANY_WORDS] = 1
        return True

    def seen(self, rows: NDArray[np.float64]) -> str:
        """Note beads that are handed on; the words of a refusal where one follows an end of unknown content."""
        beads = rows[machine.COL_KIND] == machine.KIND_BEAD
        if not (beads.any() if not self.end else (beads & (rows[machine.COL_LINE] > self.end[0][0])).any()):
            return ""
        self._laid = True
        return self._refused

    @property
    def lines(self) -> tuple[int, ...]:
        """The lines that were taken."""
        return tuple(number for number, _ in (*self.start, *self.end))

    @property
    def unbounded(self) -> str:
        """The words of a refusal where nothing is laid, so that nothing is a start."""
        return "" if self._laid else self._first

    def told(self) -> tuple[str, ...]:
        """What was taken for granted, in words."""
        said = []
        for where, what in (
            (self.start, "a start of unknown content ({}): what it lays does not count, where it leaves the nozzle is "
             "not known, heat is what the program's own words say"),
            (self.end, "an end of unknown content ({}): what it does is not followed"),
        ):  # fmt: skip
            if where:
                lines = [number for number, _ in where]
                said.append(with_lines(what.format(where[0][1]), len(lines), lines[: machine.LONGEST_LIST]))
        return tuple(said)
