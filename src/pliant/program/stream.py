"""The file side of reading: bounded pieces of bytes into the kernel, blocks of moves out, columns that grow.

`Reading` is one pass over a file with one behaviour. `Moves` keeps what comes out; it is sized from the share of the
file that has been read, so that memory is asked for about once and cut to length in place at the end.
"""

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pliant.errors import ProgramError
from pliant.files import Source, open_source
from pliant.kernels import machine
from pliant.kernels.scan import scan
from pliant.kernels.states import number_states
from pliant.program.dialects import BEHAVIOURS
from pliant.program.ends import UnknownEnds
from pliant.program.messages import error_text, questions, warnings
from pliant.progress import Share
from pliant.records.program import STATE_DTYPE, Program

__all__ = ["COLUMN", "Moves", "Reading"]

COLUMN = {name: k for k, name in enumerate(machine.COLUMNS)}
Take = Callable[[NDArray[np.float64], NDArray[np.float64], int, float], None]

_CHUNK = 8 << 20  # [bytes] read at a time
_MOST_MOVES = 100_000_000
_MOST_STATES = 1_000_000
_PLAIN = ("length", "filament", "speed", "e_word", "f_word")


class Reading:
    """One pass over a file with one behaviour; blocks of moves go to a consumer."""

    def __init__(self, source: Source, dialect: str, ends: UnknownEnds | None = None) -> None:
        self.source, self.path = source, str(source)
        self.behaviour = BEHAVIOURS[dialect]
        self.w, self.f = machine.fresh_machine(self.behaviour.switches())
        self.rows = np.empty((len(machine.COLUMNS), machine.BLOCK))
        self.log = np.empty((machine.BLOCK, machine.STATE))
        self.n_bytes, self.ends = 0, ends

    def run(self, take: Take, progress: Share | None = None) -> None:
        """Read to the end; `take(rows, log, line, share)` gets the moves of whole lines up to `line`."""
        if "\0" in self.path:
            raise ProgramError(f"{self.path!r}: cannot be read (a NUL in the name); check the name")
        try:
            with open_source(self.source, raw=True) as file:
                size = file.seek(0, 2) if file.seekable() else 0
                if size:
                    file.seek(0)
                self._pieces(file, size, take, progress)
        except OSError as error:
            raise ProgramError(
                f"{self.path}: cannot be read ({error.strerror}); check the name and the rights"
            ) from error

    def _pieces(self, file: Any, size: int, take: Take, progress: Share | None) -> None:
        room = min(_CHUNK, size + 1) if size else _CHUNK
        buffer = np.empty(room + machine.LONGEST_LINE + 2, dtype=np.uint8)
        view, kept, final, w = buffer.data, 0, False, self.w
        while not final:
            got = file.readinto(view[kept : kept + room]) or 0
            self.n_bytes += got
            final = got == 0
            stop, at, status = kept + got, 0, machine.ROOM
            while status == machine.ROOM:
                at = scan(buffer, at, stop, final, w, self.f, self.rows, self.log)
                status = w[machine.STATUS]
                if passed := status > 0:
                    at, status = self._passed(buffer, at, stop), machine.ROOM
                done = self.n_bytes - (stop - at)
                if w[machine.N_ROWS]:
                    rows, log = self.rows[:, : w[machine.N_ROWS]], self.log[: w[machine.N_LOG]]
                    if self.ends is not None and (refused := self.ends.seen(rows)):
                        raise ProgramError(refused)
                    take(rows, log, int(w[machine.LINE]), done / size if size else 1.0)
                    w[machine.N_ROWS] = w[machine.N_LOG] = 0
                    w[machine.DIRTY] = 1
                elif status == machine.ROOM and not passed:  # one line that asks for more than a block
                    self.rows = np.empty((len(machine.COLUMNS), 4 * self.rows.shape[1]))
                    self.log = np.empty((4 * len(self.log), machine.STATE))
            kept = stop - at
            buffer[:kept] = buffer[at:stop]
            if progress:
                progress(min(1.0, self.n_bytes / size) if size else float(final))

    def _passed(self, buffer: NDArray[np.uint8], at: int, stop: int) -> int:
        """Where to go on after a line that cannot be read: a start or an end of unknown content; else it is refused."""
        w = self.w
        error = f"{self.path} line {w[machine.LINE]}: {error_text(w, self.f, buffer, stop)}"
        if self.ends is None:
            raise ProgramError(error)
        text = buffer[at : min(stop, at + machine.LONGEST_LINE)].tobytes()
        ends = [k for k in (text.find(b"\n"), text.find(b"\r")) if k >= 0]
        end = min(ends, default=len(text))
        if not self.ends.take(w, self.f, self.rows[:, : w[machine.N_ROWS]], text[:end], error):
            raise ProgramError(error)
        then = at + end + (2 if text[end : end + 2] == b"\r\n" else 1)
        return min(then, stop)


class Moves:
    """The moves of a program in columns that grow."""

    def __init__(self, path: str) -> None:
        self.path, self.n = path, 0
        self.columns: dict[str, NDArray[Any]] = {
            "line": np.empty(0, np.int64), "kind": np.empty(0, np.uint8), "point": np.zeros((1, 3)),
            "state": np.empty(0, np.int32), **{name: np.empty(0) for name in _PLAIN},
        }  # fmt: skip
        self.arcs: list[tuple[NDArray[np.int64], NDArray[np.float64]]] = []
        self.dwells: list[tuple[NDArray[np.int64], NDArray[np.float64]]] = []
        self.n_states = 0
        self.states = np.empty((256, machine.STATE))
        self.table = np.full(1024, -1, dtype=np.int32)

    def take(self, rows: NDArray[np.float64], log: NDArray[np.float64], line: int, share: float) -> None:
        """Append a block of moves; `share` of the file has been read with it."""
        start, stop, c = self.n, self.n + rows.shape[1], self.columns
        if stop > _MOST_MOVES:
            raise ProgramError(f"{self.path} line {line}: more than {_MOST_MOVES:,} moves; split the program")
        if stop > c["line"].size:
            # memory that is not written to costs nothing, so a generous guess beats a second growth
            self._grow(min(max(int(1.05 * stop / share), stop + stop // 4), _MOST_MOVES))
        c["line"][start:stop] = rows[COLUMN["line"]]
        c["kind"][start:stop] = rows[COLUMN["kind"]]
        c["point"][start + 1 : stop + 1] = rows[COLUMN["x"] : COLUMN["z"] + 1].T
        for name in _PLAIN:
            c[name][start:stop] = rows[COLUMN[name]]
        c["state"][start:stop] = self._number(log, line)[rows[COLUMN["log"]].astype(np.int64)]
        arcs = np.flatnonzero(rows[COLUMN["sweep"]])
        if arcs.size:
            self.arcs.append((arcs + start, rows[COLUMN["sweep"] : COLUMN["centre_y"] + 1, arcs]))
        dwells = np.flatnonzero(rows[COLUMN["dwell"]])
        if dwells.size:
            self.dwells.append((dwells + start, rows[COLUMN["dwell"], dwells]))
        self.n = stop

    def program(self, dialect: str, reading: Reading) -> Program:
        """Cut the columns to length and make the record."""
        c, n = self.columns, self.n
        for name, column in c.items():  # in place: the long and the cut one never stand side by side
            column.resize((n + 1, 3) if name == "point" else n, refcheck=False)
        dwell, sweep = np.zeros(n), np.zeros(n)
        centre = np.full((n, 2), np.nan) if self.arcs else np.broadcast_to(np.nan, (n, 2))
        for index, seconds in self.dwells:
            dwell[index] = seconds
        for index, arc in self.arcs:
            sweep[index], centre[index] = arc[0], arc[1:].T
        return Program(
            path=self.path,
            dialect=dialect,
            n_lines=int(reading.w[machine.LINE]),
            n_bytes=reading.n_bytes,
            line=c["line"],
            kind=c["kind"],
            point_mm=c["point"],
            length_mm=c["length"],
            filament_mm=c["filament"],
            speed_mm_per_s=c["speed"],
            dwell_s=dwell,
            sweep_rad=sweep,
            centre_mm=centre,
            e_word=c["e_word"],
            f_word=c["f_word"],
            state=c["state"],
            unknown_lines=() if reading.ends is None else reading.ends.lines,
            states=_structured(self.states[: self.n_states]),
            questions=questions(reading.w, reading.behaviour),
            warnings=(
                *(() if reading.ends is None else reading.ends.told()),
                *warnings(reading.w, reading.f, reading.behaviour),
            ),
        )

    def _grow(self, n: int) -> None:
        for name, column in self.columns.items():  # one after the other: one column at most stands twice
            longer = np.empty((n + 1, 3) if name == "point" else n, column.dtype)
            longer[: column.shape[0]] = column
            self.columns[name] = longer

    def _number(self, log: NDArray[np.float64], line: int) -> NDArray[np.int32]:
        """Index of each logged state among the distinct ones."""
        if self.n_states + len(log) > len(self.states):
            states = np.empty((2 * (self.n_states + len(log)), machine.STATE))
            table = np.full(1 << (4 * len(states) - 1).bit_length(), -1, dtype=np.int32)
            again = np.empty(max(self.n_states, 1), np.int32)
            number_states(self.states, self.states.view(np.int64), self.n_states, states, 0, table, again)
            self.states, self.table = states, table
        number = np.empty(len(log), np.int32)
        bits = log.view(np.int64)
        self.n_states = number_states(log, bits, len(log), self.states, self.n_states, self.table, number)
        if self.n_states > _MOST_STATES:
            raise ProgramError(f"{self.path} line {line}: more than {_MOST_STATES:,} machine states; wrong file?")
        return number


def _structured(table: NDArray[np.float64]) -> NDArray[np.void]:
    """Rows of kernel states as records. (n_states, 19) -> (n_states,)"""
    states = np.empty(len(table), dtype=STATE_DTYPE)
    column = 0
    for name in STATE_DTYPE.names or ():
        width = 3 if name == "offset_mm" else 1
        states[name] = table[:, column : column + width] if width > 1 else table[:, column]
        column += width
    return states
