"""Writing a program back: only the words that change are touched, every other byte stays as it was.

Edits are given per move, in physical units; this file turns them into words of the program's own units, modes and
filament register. Blocks of lines may be laid in another order; the filament register is then re-based (G92 E).
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pliant.errors import ProgramError
from pliant.records.program import HOME, Program

__all__ = ["Edits", "Insert", "feed_word", "line_texts", "rewrite", "set_word", "sole_moves", "word_value"]

_WORDS = {
    letter: re.compile(rb"([%c%c])[ \t]*([+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+))" % (letter, letter + 32))
    for letter in b"EFIJRSZ"
}
_NUMBERED = re.compile(rb"^[ \t]*[Nn][0-9]+")


@dataclass(frozen=True)
class Insert:
    """A move put in before another: a travel to `xy_mm`, a move of the filament alone, or both (a bead)."""

    speed_mm_per_s: float
    xy_mm: tuple[float, float] | None = None
    filament_mm: float = 0.0
    centre_mm: tuple[float, float] | None = None  # of an arc to `xy_mm`
    left: bool = True  # the arc turns counter-clockwise


@dataclass
class Edits:
    """What shall be different; arrays per move `(n_moves,)` in physical units."""

    speed_mm_per_s: NDArray[np.float64]
    filament_mm: NDArray[np.float64]
    drop: NDArray[np.bool_]
    inserts: dict[int, list[Insert]] = field(default_factory=dict)
    blocks: list[tuple[int, int]] = field(default_factory=list)  # [first, last) moves in their new order; () = as read
    words: dict[int, bytes] = field(default_factory=dict)  # source line -> its new text, without line end
    before_line: dict[int, list[bytes]] = field(default_factory=dict)  # source line -> new lines before it
    arcs: dict[int, tuple[float, float]] = field(default_factory=dict)  # move -> x, y from where its arc now starts

    @classmethod
    def none(cls, program: Program) -> "Edits":
        """Nothing changes."""
        return cls(
            program.speed_mm_per_s.copy(), program.filament_mm.copy(), np.zeros(program.kind.size, dtype=np.bool_)
        )


def sole_moves(program: Program) -> NDArray[np.bool_]:
    """Whether a move is alone on its line, so that an edit of the line is an edit of this move."""
    line, moves = program.line, program.kind != HOME
    alone = np.ones(line.size, dtype=np.bool_)
    same = (line[1:] == line[:-1]) & moves[1:] & moves[:-1]
    alone[1:] &= ~same
    alone[:-1] &= ~same
    return alone & moves


def _per_unit(program: Program) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Millimetres of filament per unit of E, and mm/s per unit of F, of each move."""
    s = program.states
    area = np.where(s["filament_area_mm2"] > 0, s["filament_area_mm2"], 1.0)
    per_e = s["unit"] * s["flow_factor"] / area
    per_f = s["unit"] * s["speed_factor"] / 60.0
    return per_e[program.state], per_f[program.state]


def feed_word(speed_mm_per_s: NDArray[np.float64], per_f: NDArray[np.float64]) -> NDArray[np.float64]:
    """The F that asks for a speed, rounded down to a tenth of a unit a minute so that it never asks for more."""
    return np.floor(speed_mm_per_s / per_f * 10 + 1e-6) / 10


def _number(value: float, decimals: int) -> bytes:
    text = f"{value:.{decimals}f}"
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return (text if text not in ("-0", "") else "0").encode()


def _line_starts(data: bytes) -> NDArray[np.int64]:
    """Offset of every line, and of the end of the data; lines end in LF, CRLF or CR as the reader has it."""
    raw = np.frombuffer(data, dtype=np.uint8)
    ends = raw == 10
    lone = raw == 13
    lone[:-1] &= raw[1:] != 10
    starts = np.flatnonzero(ends | lone) + 1
    starts = np.concatenate([[0], starts])
    return starts if starts[-1] == raw.size else np.append(starts, raw.size)


def _code_end(text: bytes) -> int:
    """Where the first comment, or the checksum, of a line begins."""
    at = [i for i in (text.find(b";"), text.find(b"("), text.find(b"*")) if i >= 0]
    return min(at, default=len(text))


def word_value(text: bytes, letter: str) -> float | None:
    """Read the last word of a letter in the code of a line; None where there is none."""
    found = list(_WORDS[ord(letter)].finditer(text[: _code_end(text)]))
    return float(found[-1][2]) if found else None


def set_word(text: bytes, letter: str, value: float, decimals: int) -> bytes:
    """Replace the last word of a letter in the code of a line, or add it; a checksum is put right again."""
    return _set_word(text, ord(letter), _number(value, decimals))


def line_texts(path: str | Path, lines: NDArray[np.int64]) -> dict[int, bytes]:
    """Texts of some source lines, without their ends; lines counted from 1."""
    data = Path(path).read_bytes()
    starts = _line_starts(data)
    wanted = lines[(lines >= 1) & (lines < starts.size)].tolist()
    return {line: data[starts[line - 1] : starts[line]].rstrip(b"\r\n") for line in wanted}


def _set_word(text: bytes, letter: int, number: bytes) -> bytes:
    """Replace the last word of this letter in the code of a line, or add one after the code."""
    end = _code_end(text)
    code, rest = text[:end], text[end:]
    found = list(_WORDS[letter].finditer(code))
    if found:
        code = code[: found[-1].start(2)] + number + code[found[-1].end(2) :]
    else:
        bare = code.rstrip()
        code = bare + b" " + bytes([letter]) + number + code[len(bare) :]
    return _checked(code, rest)


def _checked(code: bytes, rest: bytes) -> bytes:
    """Put a checksum right again where the line had one."""
    if not rest.startswith(b"*"):
        return code + rest
    total = 0
    for byte in code:
        total ^= byte
    tail = re.sub(rb"^\*[0-9]+", b"", rest)
    return code + b"*%d" % total + tail


class _Plan:
    """Everything that differs, by source line."""

    def __init__(self, program: Program, edits: Edits) -> None:
        self.program, self.edits = program, edits
        self.per_e, self.per_f = _per_unit(program)
        n = program.kind.size
        blocks = edits.blocks or [(0, n)]
        self.blocks = blocks
        self.texts: dict[int, list[tuple[int, bytes]]] = {}  # line -> (letter, number) to set
        self.dropped: set[int] = set()
        self.before: dict[int, list[bytes]] = {line: list(texts) for line, texts in edits.before_line.items()}
        self.sync: dict[int, bytes] = {}  # first move of a block -> G92 E
        order = np.concatenate([np.arange(a, b) for a, b in blocks]) if n else np.zeros(0, dtype=np.int64)
        if order.size != n or np.unique(order).size != n:
            raise ValueError("blocks must hold every move once")
        self.order = order.astype(np.int64)
        sole = sole_moves(program)
        touched = (edits.speed_mm_per_s != program.speed_mm_per_s) | (edits.filament_mm != program.filament_mm)
        touched |= edits.drop
        touched[[*edits.inserts, *edits.arcs]] = True
        bad = np.flatnonzero(touched & ~sole)
        if bad.size:
            line = program.line[bad[0]]
            raise ProgramError(
                f"{program.path} line {line}: several commands on a line that has to change; write one command a line"
            )
        self._feeds()
        self._filament()
        for i, start in edits.arcs.items():
            self._arc(i, start)
        for line in program.line[edits.drop]:
            self.dropped.add(int(line))

    def _arc(self, i: int, start: tuple[float, float]) -> None:
        """Give an arc that begins later the same centre; an arc by R keeps its R, with the sign of what is left."""
        p = self.program
        unit = float(p.states["unit"][p.state[i]])
        line = int(p.line[i])
        text = line_texts(p.path, p.line[i : i + 1])[line]
        arm = p.centre_mm[i] - np.array(start)
        if word_value(text, "R") is None:
            words = [(73, _number(float(arm[0]) / unit, 4)), (74, _number(float(arm[1]) / unit, 4))]
        else:
            there, radius = p.point_mm[i + 1, :2] - p.centre_mm[i], float(np.hypot(*arm))
            turn = np.arctan2(-arm[0] * there[1] + arm[1] * there[0], -(arm @ there)) * np.sign(p.sweep_rad[i])
            words = [(82, _number((radius if turn >= 0 else -radius) / unit, 4))]
        self.texts.setdefault(line, []).extend(words)

    def _feeds(self) -> None:
        p, e = self.program, self.edits
        given = ~np.isnan(p.f_word)
        asked = p.speed_mm_per_s / self.per_f
        slowed = e.speed_mm_per_s < p.speed_mm_per_s
        want = np.where(slowed, feed_word(e.speed_mm_per_s, self.per_f), asked)
        want = np.where(given & ~slowed, p.f_word, want)
        moving = (p.length_mm > 0) | (p.filament_mm != 0)
        moving &= (p.kind != HOME) & ~e.drop
        seq = self.order[moving[self.order]]
        w, line = want[seq], p.line[seq]
        previous = np.concatenate([[np.nan], w[:-1]])
        next_line = np.concatenate([[False], line[1:] == line[:-1] + 1])
        has_insert = np.zeros(p.kind.size, dtype=np.bool_)
        has_insert[list(e.inserts)] = True
        follows = np.concatenate([[False], np.diff(seq) == 1])
        # the feed in force before a line is known where its neighbour is the line above; else it is written out
        known = next_line & follows & ~has_insert[seq]
        changed_before = np.concatenate([[False], slowed[seq][:-1]])
        need = np.where(
            given[seq],
            slowed[seq],
            np.where(known, np.abs(w - previous) > 1e-9, slowed[seq] | changed_before | ~follows | has_insert[seq]),
        )
        # an untouched line whose feed still stands needs no word
        same = np.abs(w - previous) < 1e-9
        need &= ~(~given[seq] & known & same)
        for i in seq[need]:
            self.texts.setdefault(int(p.line[i]), []).append((70, _number(float(want[i]), 3)))

    def _filament(self) -> None:
        p, e = self.program, self.edits
        has = ~np.isnan(p.e_word)
        delta = (e.filament_mm - p.filament_mm) / self.per_e
        delta[e.drop] = np.where(has, -p.filament_mm / self.per_e, 0.0)[e.drop]
        absolute = p.states["e_absolute"][p.state]
        extra = np.zeros(p.kind.size)  # filament words inserted before a move
        for i, moves in e.inserts.items():
            extra[i] = sum(m.filament_mm for m in moves) / self.per_e[i]
        register = np.where(has, p.e_word - p.filament_mm / self.per_e, np.nan)  # before the move, absolute programs
        self.register = register
        at = np.flatnonzero(has)
        # the register is re-based where a move does not start at the number the last one ended with
        jump = np.ones(at.size, dtype=np.bool_)
        jump[1:] = ~(np.abs(register[at][1:] - p.e_word[at][:-1]) < 1e-6) | ~absolute[at][1:]
        total = np.cumsum(delta + extra)
        base = np.zeros(at.size)
        starts = np.flatnonzero(jump)
        before = np.concatenate([[0.0], total])[at]  # shift gathered before each of these moves
        base[starts] = before[starts]
        base = base[np.maximum.accumulate(np.where(jump, np.arange(at.size), 0))]
        self.shift = np.zeros(p.kind.size)
        self.shift[at] = before - base
        value = np.where(absolute, p.e_word + self.shift + extra + delta, p.e_word + delta)
        need = has & ~e.drop & (np.abs(value - p.e_word) > 5e-7)
        for i in np.flatnonzero(need).tolist():
            self.texts.setdefault(int(p.line[i]), []).append((69, _number(float(value[i]), 5)))
        for k, (first, _) in enumerate(self.blocks):
            previous_end = self.blocks[k - 1][1] if k else 0
            if first == previous_end:
                continue
            inside = at[np.searchsorted(at, first) :]
            if inside.size and absolute[inside[0]]:
                self.sync[first] = b"G92 E" + _number(float(register[inside[0]] + self.shift[inside[0]]), 5)

    def insert_lines(self, i: int) -> Iterator[bytes]:
        """Lines put in before move i."""
        p = self.program
        state = p.states[p.state[i]]
        reg = self.register[i] + self.shift[i] if state["e_absolute"] else 0.0
        here = p.point_mm[i].copy()
        for m in self.edits.inserts.get(i, ()):
            words = [b"G1" if m.centre_mm is None else b"G3" if m.left else b"G2"]
            start = here.copy()
            if m.xy_mm is not None:
                for axis, k in ((b"X", 0), (b"Y", 1)):
                    value = m.xy_mm[k] - state["offset_mm"][k] if state["absolute"] else m.xy_mm[k] - here[k]
                    words.append(axis + _number(value / state["unit"], 4))
                    here[k] = m.xy_mm[k]
            if m.centre_mm is not None:
                for axis, k in ((b"I", 0), (b"J", 1)):
                    words.append(axis + _number((m.centre_mm[k] - start[k]) / state["unit"], 4))
            if m.filament_mm:
                step = m.filament_mm / self.per_e[i]
                reg = reg + step if state["e_absolute"] else step
                words.append(b"E" + _number(float(reg), 5))
            words.append(b"F" + _number(float(feed_word(np.array(m.speed_mm_per_s), self.per_f[i])), 3))
            yield b" ".join(words)


def _pieces(data: bytes, plan: _Plan, origin: list[NDArray[np.int64]]) -> Iterator[bytes]:
    """Pieces of the new file; `origin` gathers the source line of each of its lines, 0 for new ones."""
    p, e = plan.program, plan.edits
    starts = _line_starts(data)
    last_line = starts.size - 1
    ending = (
        b"\r\n" if b"\r\n" in data[:65536] else b"\n" if b"\n" in data[:65536] or b"\r" not in data[:65536] else b"\r"
    )
    inserts = {int(p.line[i]): i for i in e.inserts}
    touched = set(plan.texts) | plan.dropped | set(plan.before) | set(e.words) | set(inserts)
    lines = np.array(sorted(touched), dtype=np.int64)

    def span(first: int, last: int) -> Iterator[bytes]:
        """Lines first..last (1-based, inclusive) with their edits."""
        at = first
        for line in lines[np.searchsorted(lines, first) : np.searchsorted(lines, last, side="right")].tolist():
            origin.append(np.arange(at, line))
            yield data[starts[at - 1] : starts[line - 1]]
            raw = data[starts[line - 1] : starts[line]]
            text = raw.rstrip(b"\r\n")
            end = raw[len(text) :]
            new_lines = [*plan.before.get(line, ()), *(plan.insert_lines(inserts[line]) if line in inserts else ())]
            origin.append(np.zeros(len(new_lines), dtype=np.int64))
            for new in new_lines:
                yield new + ending
            if line not in plan.dropped:
                origin.append(np.array([line]))
                text = e.words.get(line, text)
                for letter, number in plan.texts.get(line, ()):
                    text = _set_word(text, letter, number)
                yield text + end
            at = line + 1
        if at <= last:
            origin.append(np.arange(at, last + 1))
            yield data[starts[at - 1] : starts[last]]

    for first, end in plan.blocks:
        if first in plan.sync:
            origin.append(np.zeros(1, dtype=np.int64))
            yield plan.sync[first] + ending
        begin = 1 if first == 0 else int(p.line[first - 1]) + 1
        yield from span(begin, int(p.line[end - 1]))
    tail = int(p.line[-1]) + 1
    if tail <= last_line:
        yield from span(tail, last_line)
    for line in sorted(number for number in plan.before if number > last_line):
        new = b"".join(ending + text for text in plan.before[line])
        if data[-1:] in b"\r\n":
            new = new[len(ending) :] + ending
        origin.append(np.zeros(len(plan.before[line]), dtype=np.int64))
        yield new


def rewrite(program: Program, edits: Edits, path: str | Path) -> NDArray[np.int64]:
    """Write the program with the edits made.

    Parameters
    ----------
    program : Program
        As read from `program.path`, which is read again here.
    edits : Edits
        What shall be different; without edits the new file is the old one, byte by byte.
    path : str or Path
        The new file; must not be the old one.

    Returns
    -------
    ndarray, (n_lines,)
        Source line of each line of the new file; 0 for a line put in.

    Raises
    ------
    ProgramError
        If a line that has to change holds more than one command.
    """
    data = Path(program.path).read_bytes()
    plan, origin = _Plan(program, edits), [np.zeros(0, dtype=np.int64)]
    with Path(path).open("wb") as out:
        for piece in _pieces(data, plan, origin):
            out.write(piece)
    return np.concatenate(origin)
