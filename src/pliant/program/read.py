"""Reading a motion program: strict, streaming, never from comment tags.

Plain words of RS274 and the printer words that extend it. Anything whose meaning the file alone does not settle is
refused with its line, or, where controllers merely differ, listed as a question. The compiled `kernels.scan` reads;
here are the file, the growing arrays, and the second look that `auto` takes with other behaviours. Start at
`read_program`.
"""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pliant.errors import ProgramError
from pliant.kernels import scan
from pliant.program.dialects import ASSUMED, BEHAVIOURS
from pliant.program.messages import error_text, questions, warnings
from pliant.records.program import DWELL, HOME, STATE_DTYPE, Program

__all__ = ["read_program"]

_CHUNK = 8 << 20  # [bytes] read at a time
_MOST_MOVES = 100_000_000
_MOST_STATES = 1_000_000
_C = {name: k for k, name in enumerate(scan.COLUMNS)}
_PLAIN = ("length", "filament", "speed", "e_word", "f_word")

Floats = NDArray[np.float64]
Progress = Callable[[float], None]


def read_program(path: str | Path, dialect: str = "auto", progress: Progress | None = None) -> Program:
    """Read a motion program.

    Parameters
    ----------
    path : str or Path
        The file; read in bounded pieces.
    dialect : str, default "auto"
        A behaviour of `dialects.BEHAVIOURS`. `auto` reads as `e-on-its-own`; where the file makes a difference it
        reads with the others too and says which lines they take otherwise.
    progress : callable, optional
        Called with the share of the file read so far, 0 to 1. [-]

    Returns
    -------
    Program
        The moves, and what the file leaves open.

    Raises
    ------
    ProgramError
        One line that names the file, the line, what is allowed and the way out.
    """
    if dialect != "auto" and dialect not in BEHAVIOURS:
        raise ProgramError(f"unknown dialect {dialect!r}; choose auto, {', '.join(BEHAVIOURS)}")
    name = ASSUMED if dialect == "auto" else dialect
    moves = _Moves(str(path))
    reading = _Reading(str(path), name)
    reading.run(moves.take, moves.expect, progress)
    program = moves.program(dialect, reading)
    if not np.isin(program.kind, (DWELL, HOME), invert=True).any():
        raise ProgramError(f"{path}: empty: no line moves anything; choose a motion program")
    if dialect != "auto":
        return program
    others = tuple(text for other in BEHAVIOURS if (text := _difference(program, moves, reading, other, progress)))
    object.__setattr__(program, "questions", program.questions + others)
    return program


class _Reading:
    """One pass over the file with one behaviour; blocks of rows go to a consumer."""

    def __init__(self, path: str, dialect: str) -> None:
        self.path, self.dialect = path, dialect
        self.behaviour = BEHAVIOURS[dialect]
        self.w, self.f = scan.fresh_machine(self.behaviour.switches())
        self.rows = np.empty((scan.BLOCK, len(scan.COLUMNS)))
        self.log = np.empty((scan.BLOCK, scan.STATE))
        self.n_bytes = 0

    def run(
        self,
        take: Callable[[Floats, Floats, int], None],
        expect: Callable[[float], None] | None = None,
        progress: Progress | None = None,
    ) -> None:
        """Read to the end; `take(rows, log, line)` gets the moves of whole lines up to `line`."""
        try:
            with Path(self.path).open("rb", buffering=0) as file:
                size = file.seek(0, 2) if file.seekable() else 0
                if size:
                    file.seek(0)
                self._pieces(file, size, take, expect, progress)
        except (OSError, ValueError) as error:
            if isinstance(error, ProgramError):
                raise
            why = error.strerror if isinstance(error, OSError) else error
            raise ProgramError(f"{self.path}: cannot be read ({why}); check the name and the rights") from error

    def _pieces(self, file: Any, size: int, take: Any, expect: Any, progress: Progress | None) -> None:
        room = min(_CHUNK, size + 1) if size else _CHUNK
        buffer = np.empty(room + scan.LONGEST_LINE + 2, dtype=np.uint8)
        view, kept, final = memoryview(buffer), 0, False
        while not final:
            got = file.readinto(view[kept : kept + room]) or 0
            self.n_bytes += got
            final = got == 0
            stop, at = kept + got, 0
            while True:
                at = scan.scan(buffer, at, stop, final, self.w, self.f, self.rows, self.log)
                status = self.w[scan.STATUS]
                if status > 0:
                    raise self._refusal(buffer, stop)
                if self.w[scan.N_ROWS]:
                    self._give(take)
                    if expect and self.n_bytes:
                        done = self.n_bytes - (stop - at)
                        expect(max(size, self.n_bytes) / max(done, 1))
                elif status == scan.ROOM:  # one line that asks for more than a block
                    self.rows = np.empty((4 * len(self.rows), len(scan.COLUMNS)))
                    self.log = np.empty((4 * len(self.log), scan.STATE))
                if status != scan.ROOM:
                    break
            kept = stop - at
            buffer[:kept] = buffer[at:stop]
            if progress:
                progress(min(1.0, self.n_bytes / size) if size else float(final))

    def _give(self, take: Any) -> None:
        w = self.w
        take(self.rows[: w[scan.N_ROWS]], self.log[: w[scan.N_LOG]], int(w[scan.LINE]))
        w[[scan.N_ROWS, scan.N_LOG]] = 0
        w[scan.DIRTY] = 1

    def _refusal(self, buffer: NDArray[np.uint8], stop: int) -> ProgramError:
        text = error_text(self.w, self.f, buffer, stop)
        return ProgramError(f"{self.path} line {self.w[scan.LINE]}: {text}")


class _Moves:
    """Columns that grow in place: sized from the share of the file read, cut to length at the end."""

    def __init__(self, path: str) -> None:
        self.path, self.n, self.share = path, 0, 1.0
        self.columns: dict[str, NDArray[Any]] = {
            "line": np.empty(0, np.int64), "kind": np.empty(0, np.uint8), "point": np.zeros((1, 3)),
            "state": np.empty(0, np.int32), **{name: np.empty(0) for name in _PLAIN},
        }  # fmt: skip
        self.arcs: list[tuple[NDArray[np.int64], Floats]] = []
        self.dwells: list[tuple[NDArray[np.int64], Floats]] = []
        self.n_states = 0
        self.states = np.empty((256, scan.STATE))
        self.table = np.full(1024, -1, dtype=np.int32)

    def expect(self, share: float) -> None:
        """Learn how many times longer the whole file is than the part read."""
        self.share = share

    def take(self, rows: Floats, log: Floats, line: int) -> None:
        """Append the moves of a block."""
        start, stop = self.n, self.n + len(rows)
        if stop > self.columns["line"].size:
            self._resize(max(int(stop * self.share * 1.02), stop + stop // 8))
        if stop > _MOST_MOVES:
            raise ProgramError(f"{self.path} line {line}: more than {_MOST_MOVES:,} moves; split the program")
        c = self.columns
        c["line"][start:stop] = rows[:, _C["line"]]
        c["kind"][start:stop] = rows[:, _C["kind"]]
        c["point"][start + 1 : stop + 1] = rows[:, _C["x"] : _C["z"] + 1]
        for name in _PLAIN:
            c[name][start:stop] = rows[:, _C[name]]
        c["state"][start:stop] = self._number(log, line)[rows[:, _C["log"]].astype(np.int64)]
        arcs = np.flatnonzero(rows[:, _C["sweep"]])
        if arcs.size:
            self.arcs.append((arcs + start, rows[arcs, _C["sweep"] : _C["centre_y"] + 1]))
        dwells = np.flatnonzero(rows[:, _C["dwell"]])
        if dwells.size:
            self.dwells.append((dwells + start, rows[dwells, _C["dwell"]]))
        self.n = stop

    def _resize(self, n: int) -> None:
        for name, column in self.columns.items():  # in place: the old and the new never stand side by side
            column.resize((n + 1, 3) if name == "point" else n, refcheck=False)

    def _number(self, log: Floats, line: int) -> NDArray[np.int32]:
        """Index of each logged state among the distinct ones."""
        if self.n_states + len(log) > len(self.states):
            states = np.empty((2 * (self.n_states + len(log)), scan.STATE))
            table = np.full(1 << int(4 * len(states) - 1).bit_length(), -1, dtype=np.int32)
            again = np.empty(max(self.n_states, 1), np.int32)
            scan.number_states(self.states, self.n_states, states, 0, table, again)
            self.states, self.table = states, table
        number = np.empty(len(log), np.int32)
        self.n_states = scan.number_states(log, len(log), self.states, self.n_states, self.table, number)
        if self.n_states > _MOST_STATES:
            raise ProgramError(f"{self.path} line {line}: more than {_MOST_STATES:,} machine states; wrong file?")
        return number

    def program(self, dialect: str, reading: _Reading) -> Program:
        """Cut the columns to length and make the record."""
        self._resize(self.n)
        c, n = self.columns, self.n
        dwell, sweep = np.zeros(n), np.zeros(n)
        centre = np.full((n, 2), np.nan) if self.arcs else np.broadcast_to(np.nan, (n, 2))
        for index, seconds in self.dwells:
            dwell[index] = seconds
        for index, arc in self.arcs:
            sweep[index], centre[index] = arc[:, 0], arc[:, 1:]
        return Program(
            path=self.path,
            dialect=dialect,
            n_lines=int(reading.w[scan.LINE]),
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
            states=_structured(self.states[: self.n_states]),
            questions=questions(reading.w, reading.behaviour),
            warnings=warnings(reading.w, reading.f, reading.behaviour),
        )


def _structured(table: Floats) -> NDArray[np.void]:
    states = np.empty(len(table), dtype=STATE_DTYPE)
    column = 0
    for name in STATE_DTYPE.names or ():
        width = 3 if name == "offset_mm" else 1
        states[name] = table[:, column : column + width] if width > 1 else table[:, column]
        column += width
    return states


def _difference(
    program: Program, moves: _Moves, reading: _Reading, other: str, progress: Progress | None
) -> str | None:
    """What another behaviour makes of the same file; None if the same, or if nothing in the file could differ."""
    mine, theirs = reading.behaviour, BEHAVIOURS[other]
    return None
