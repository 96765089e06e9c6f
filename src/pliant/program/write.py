"""Writing a program back: only the words that change are touched, every other byte stays as it was.

Edits are given per move, in physical units; this file turns them into words of the program's own units, modes and
filament register. Blocks of lines may be laid in another order; the filament register is then re-based (G92 E).
"""

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pliant.arrays import Ints
from pliant.errors import ProgramError
from pliant.kernels.splice import line_starts
from pliant.kernels.words import find_commands, find_words
from pliant.language.edit import number_text, word_value
from pliant.language.line import read_line
from pliant.program.numbering import is_numbered, renumber
from pliant.program.splicing import LineEdits, Lines, line_texts
from pliant.records.program import HOME, Program

__all__ = ["Edits", "Insert", "own_retractions", "rewrite", "sole_moves"]


@dataclass(frozen=True)
class Insert:
    """A move put in before another: a travel to `xy_mm`, a move of the filament alone, or both (a bead)."""

    speed_mm_per_s: float
    xy_mm: tuple[float, float] | None = None
    filament_mm: float = 0.0
    centre_mm: tuple[float, float] | None = None  # of an arc to `xy_mm`
    left: bool = True  # the arc turns counter-clockwise
    z_mm: float | None = None  # a rise or fall, alone or on the way; not in a program written relative to itself


@dataclass
class Edits:
    """What shall be different; arrays per move `(n_moves,)` in physical units."""

    speed_mm_per_s: NDArray[np.float64]
    filament_mm: NDArray[np.float64]
    drop: NDArray[np.bool_]
    inserts: dict[int, list[Insert]] = field(default_factory=dict)
    after: dict[int, Insert] = field(default_factory=dict)  # filament alone, right behind the line of a move
    blocks: list[tuple[int, int]] = field(default_factory=list)  # [first, last) moves in their new order; () = as read
    words: dict[int, bytes] = field(default_factory=dict)  # source line -> its new text, without line end
    before_line: dict[int, list[bytes]] = field(default_factory=dict)  # source line -> new lines before it
    arcs: dict[int, tuple[float, float]] = field(default_factory=dict)  # move -> x, y from where its arc now starts
    places: dict[int, tuple[float, float, bool]] = field(
        default_factory=dict
    )  # travel -> x, y of its end, both words new

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


def own_retractions(program: Program) -> NDArray[np.bool_]:
    """Moves of filament that the controller makes by itself (G10, G11); they take no E and no F."""
    return (program.filament_mm != 0) & np.isnan(program.e_word)


def _per_unit(program: Program) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Millimetres of filament per unit of E, and mm/s per unit of F, of each move."""
    s = program.states
    area = np.where(s["filament_area_mm2"] > 0, s["filament_area_mm2"], 1.0)
    per_e = s["unit"] * s["flow_factor"] / area
    per_f = s["unit"] * s["speed_share"] / 60.0
    return per_e[program.state], per_f[program.state]


def _feed_word(speed_mm_per_s: NDArray[np.float64], per_f: NDArray[np.float64]) -> NDArray[np.float64]:
    """The F that asks for a speed, rounded down to a tenth of a unit a minute so that it never asks for more."""
    return np.floor(speed_mm_per_s / per_f * 10 + 1e-6) / 10


class _Plan:
    """Everything that differs, by source line."""

    def __init__(self, program: Program, edits: Edits, data: bytes) -> None:
        self.program, self.edits = program, edits
        self.per_e, self.per_f = _per_unit(program)
        n = program.kind.size
        blocks = edits.blocks or [(0, n)]
        self.blocks = blocks
        before = {line: list(texts) for line, texts in edits.before_line.items()}
        self.lines = LineEdits(replaced=dict(edits.words), before=before)
        self.sync: dict[int, bytes] = {}  # first move of a block -> G92 E
        order = np.concatenate([np.arange(a, b) for a, b in blocks]) if n else np.zeros(0, dtype=np.int64)
        if order.size != n or not (np.bincount(order, minlength=n) == 1).all():
            raise ValueError("blocks must hold every move once")
        self.order = order.astype(np.int64)
        sole = sole_moves(program)
        touched = (edits.speed_mm_per_s != program.speed_mm_per_s) | (edits.filament_mm != program.filament_mm)
        touched |= edits.drop
        touched[[*edits.inserts, *edits.after, *edits.arcs]] = True
        bad = np.flatnonzero(touched & ~sole)
        if bad.size:
            line = program.line[bad[0]]
            raise ProgramError(
                f"{program.path} line {line}: several commands on a line that has to change; write one command a line"
            )
        self.own = own_retractions(program)
        changed = (edits.filament_mm != program.filament_mm) | (edits.speed_mm_per_s != program.speed_mm_per_s)
        if np.any(changed & self.own & ~edits.drop):
            raise ValueError("a retraction of the controller has no words to change")
        self._places(data)
        self._feeds()
        self._filament(data)
        self._arcs()
        self.lines.dropped = np.unique(program.line[edits.drop])
        for i, alone in edits.after.items():
            self.lines.before.setdefault(int(program.line[i]) + 1, []).append(self._behind(i, alone))
        for i in edits.inserts:
            self.lines.before.setdefault(int(program.line[i]), []).extend(self._inserted(i))

    def _places(self, data: bytes) -> None:
        """Ends of travels, where they are new or come from elsewhere: an axis that a line leaves out is named."""
        p, places = self.program, self.edits.places
        if not places:
            return
        move = np.array(list(places), dtype=np.int64)
        place, new = np.array([xy[:2] for xy in places.values()]), np.array([xy[2] for xy in places.values()])
        raw = np.frombuffer(data, dtype=np.uint8)
        starts, line, state = line_starts(raw), p.line[move], p.states[p.state[move]]
        for k, axis in enumerate("XY"):
            value = (place[:, k] - state["offset_mm"][:, k]) / state["unit"]
            found = find_words(raw, starts[line - 1], starts[line], ord(axis))
            want = new | (found[:, 0] == found[:, 1])
            self.lines.numbers.append((axis, line[want], value[want], 4))

    def _arcs(self) -> None:
        """Give arcs that begin later the same centre; an arc by R keeps its R, with the sign of what is left."""
        p, arcs = self.program, self.edits.arcs
        texts = line_texts(p.path, p.line[list(arcs)]) if arcs else {}
        sets: dict[str, list[tuple[int, float]]] = {"I": [], "J": [], "R": []}
        for i, start in arcs.items():
            unit, line = float(p.states["unit"][p.state[i]]), int(p.line[i])
            arm = p.centre_mm[i] - np.array(start)
            if word_value(texts[line], "R") is None:
                sets["I"].append((line, float(arm[0]) / unit))
                sets["J"].append((line, float(arm[1]) / unit))
                continue
            there, radius = p.point_mm[i + 1, :2] - p.centre_mm[i], float(np.hypot(*arm))
            turn = np.arctan2(-arm[0] * there[1] + arm[1] * there[0], -(arm @ there)) * np.sign(p.sweep_rad[i])
            sets["R"].append((line, (radius if turn >= 0 else -radius) / unit))
        for letter, found in sets.items():
            lines, values = [f[0] for f in found], [f[1] for f in found]
            self.lines.numbers.append((letter, np.array(lines, dtype=np.int64), np.array(values, dtype=float), 4))

    def _feeds(self) -> None:
        p, e = self.program, self.edits
        given = ~np.isnan(p.f_word)
        moving = ((p.length_mm > 0) | (p.filament_mm != 0)) & (p.kind != HOME) & ~self.own
        slowed = (e.speed_mm_per_s < p.speed_mm_per_s) & moving & ~e.drop
        want = np.where(slowed, _feed_word(e.speed_mm_per_s, self.per_f), p.speed_mm_per_s / self.per_f)
        has_insert = np.zeros(p.kind.size, dtype=np.bool_)
        has_insert[list(e.inserts)] = True
        has_insert[[i + 1 for i in e.after if i + 1 < has_insert.size]] = True
        seq = self.order
        follows = np.diff(seq, prepend=-1) == 1
        # a move leaves another feed in force than it did where it was slowed or dropped, and so does what is put in
        # or comes from elsewhere; a move that says no feed and goes nowhere leaves things as they are
        other = (slowed | e.drop & ~self.own)[seq]
        says = np.flatnonzero((given | moving)[seq])
        last = np.searchsorted(says, np.arange(seq.size)) - 1
        before = np.where(last >= 0, other[says[np.maximum(last, 0)]], False) if says.size else other
        turn = np.cumsum(has_insert[seq] | ~follows)
        before |= turn != np.where(last >= 0, turn[says[np.maximum(last, 0)]] if says.size else 0, 0)
        # of two slowed neighbours, line by line, the second needs no word of its own for the same feed
        line, w = p.line[seq], want[seq]
        stands = np.zeros(seq.size, dtype=np.bool_)
        stands[1:] = (line[1:] == line[:-1] + 1) & follows[1:] & slowed[seq][:-1] & (np.abs(np.diff(w)) < 1e-9)
        stands &= ~has_insert[seq]
        need = np.where(given[seq], slowed[seq], np.where(slowed[seq], ~stands, before))
        at = seq[need & (moving & ~e.drop)[seq]]
        self.lines.numbers.append(("F", p.line[at], want[at], 3))

    def _filament(self, data: bytes) -> None:
        p, e = self.program, self.edits
        has = ~np.isnan(p.e_word)
        delta = (e.filament_mm - p.filament_mm) / self.per_e
        delta[e.drop] = np.where(has, -p.filament_mm / self.per_e, 0.0)[e.drop]
        absolute = p.states["e_absolute"][p.state]
        extra = np.zeros(p.kind.size)  # filament words inserted before a move
        for i, moves in e.inserts.items():
            extra[i] = sum(m.filament_mm for m in moves) / self.per_e[i]
        behind = np.zeros(p.kind.size)
        for i, alone in e.after.items():
            behind[i] = alone.filament_mm / self.per_e[i]
        register = np.where(has, p.e_word - p.filament_mm / self.per_e, np.nan)  # before the move, absolute programs
        self.register = register
        at = np.flatnonzero(has)
        # the register is re-based where a move does not start at the number the last one ended with
        jump = np.ones(at.size, dtype=np.bool_)
        jump[1:] = ~(np.abs(register[at][1:] - p.e_word[at][:-1]) < 1e-6) | ~absolute[at][1:]
        if absolute.any() and (delta.any() or extra.any() or behind.any()):
            jump |= self._declared(data, at)
        total = np.cumsum(delta + extra + behind)
        base = np.zeros(at.size)
        starts = np.flatnonzero(jump)
        before = np.concatenate([[0.0], total])[at]  # shift gathered before each of these moves
        base[starts] = before[starts]
        base = base[np.maximum.accumulate(np.where(jump, np.arange(at.size), 0))]
        self.shift = np.zeros(p.kind.size)
        self.shift[at] = before - base
        value = np.where(absolute, p.e_word + self.shift + extra + delta, p.e_word + delta)
        self.behind = value  # the register behind each move
        need = has & ~e.drop & (np.abs(value - p.e_word) > 5e-7)
        self.lines.numbers.append(("E", p.line[need], value[need], 5))
        for k, (first, _) in enumerate(self.blocks):
            previous_end = self.blocks[k - 1][1] if k else 0
            if first == previous_end:
                continue
            inside = at[np.searchsorted(at, first) :]
            if inside.size and absolute[inside[0]]:
                self.sync[first] = b"G92 E" + number_text(float(register[inside[0]] + self.shift[inside[0]]), 5)

    def _declared(self, data: bytes, at: NDArray[np.int64]) -> NDArray[np.bool_]:
        """Which of these moves are the first after a line that declares the filament register (G92 E)."""
        lines = [
            line for line, begin, end in find_commands(np.frombuffer(data, np.uint8), ord("G"), 92, 92).tolist()
            if any(c[0][:2] == ("G", 92) and "E" in [w.letter for w in c] for c in read_line(data[begin:end]).commands)
        ]  # fmt: skip
        first = np.zeros(at.size, dtype=np.bool_)
        after = np.searchsorted(self.program.line[at], np.array(lines, dtype=np.int64))
        first[after[after < at.size]] = True
        return first

    def _behind(self, i: int, alone: Insert) -> bytes:
        """A line of filament alone, right behind move i."""
        step = alone.filament_mm / self.per_e[i]
        value = self.behind[i] + step if self.program.states["e_absolute"][self.program.state[i]] else step
        feed = _feed_word(np.array(alone.speed_mm_per_s), self.per_f[i])
        return b"G1 E" + number_text(float(value), 5) + b" F" + number_text(float(feed), 3)

    def _inserted(self, i: int) -> Iterator[bytes]:
        """Lines put in before move i, in their order."""
        p = self.program
        state = p.states[p.state[i]]
        reg = self.register[i] + self.shift[i] if state["e_absolute"] else 0.0
        here = p.point_mm[i].copy()
        for m in self.edits.inserts.get(i, ()):
            words = [b"G1" if m.centre_mm is None else b"G3" if m.left else b"G2"]
            start, digits = here.copy(), 4 if state["unit"] == 1 else 6
            if m.xy_mm is not None:
                for axis, k in ((b"X", 0), (b"Y", 1)):
                    if (
                        m.filament_mm
                        and m.centre_mm is None
                        and m.xy_mm[k] == here[k]
                        and m.xy_mm[1 - k] != here[1 - k]
                    ):
                        continue  # along the other axis: what a longer word said is not rounded
                    value = m.xy_mm[k] - state["offset_mm"][k] if state["absolute"] else m.xy_mm[k] - here[k]
                    words.append(axis + number_text(value / state["unit"], digits))
                    here[k] = m.xy_mm[k]
            if m.z_mm is not None:
                words.append(b"Z" + number_text((m.z_mm - state["offset_mm"][2]) / state["unit"], 6))
            if m.centre_mm is not None:
                for axis, k in ((b"I", 0), (b"J", 1)):
                    words.append(axis + number_text((m.centre_mm[k] - start[k]) / state["unit"], digits))
            if m.filament_mm:
                step = m.filament_mm / self.per_e[i]
                reg = reg + step if state["e_absolute"] else step
                words.append(b"E" + number_text(float(reg), 5))
            words.append(b"F" + number_text(float(_feed_word(np.array(m.speed_mm_per_s), self.per_f[i])), 3))
            yield b" ".join(words)


def _pieces(plan: _Plan, lines: Lines, origin: list[Ints]) -> Iterator[bytes | memoryview]:
    """Pieces of the new file; `origin` gathers the source line of each of its lines, 0 for new ones."""
    p = plan.program
    spans = [(1 if first == 0 else int(p.line[first - 1]) + 1, int(p.line[end - 1])) for first, end in plan.blocks]
    tail = int(p.line[-1]) + 1
    for (first, _), (begin, end) in zip(plan.blocks, spans, strict=True):
        if first in plan.sync:
            origin.append(np.zeros(1, dtype=np.int64))
            yield plan.sync[first] + lines.ending
        origin.append(lines.origin(begin, end))
        yield from lines.span(begin, end)
        if end == lines.last and not lines.whole and (begin, end) != spans[-1]:
            yield lines.ending  # the last line, which has no end, is not the last any more
    if tail <= lines.last:
        origin.append(lines.origin(tail, lines.last))
        yield from lines.span(tail, lines.last)
    text, count = lines.end()
    origin.append(np.zeros(count, dtype=np.int64))
    yield text


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
    plan, origin = _Plan(program, edits, data), [np.zeros(0, dtype=np.int64)]
    lines = Lines(data, plan.lines)
    with Path(path).open("wb") as out:
        for piece in _pieces(plan, lines, origin):
            out.write(piece)
    came_from = np.concatenate(origin)
    moved = came_from.size != lines.last or not np.array_equal(came_from, np.arange(1, lines.last + 1))
    if moved and is_numbered(data):
        Path(path).write_bytes(renumber(Path(path).read_bytes(), came_from))
    return came_from
