"""The lines that a rewriting carries along: the same ones, in the same order, at the same places between the beads."""

from collections.abc import Iterator
from itertools import islice, zip_longest

import numpy as np
from numpy.typing import NDArray

from pliant.language.line import read_line
from pliant.program.alongside import Alongside
from pliant.program.other_lines import other_lines
from pliant.records.mending import Intent
from pliant.records.program import HOME, Program

__all__ = ["carried_lines"]

_CHUNK = 4096  # [lines] compared at a time
_Place = tuple[int, int]
_Line = tuple[int, bytes, _Place]  # line, text, place
_NOZZLE, _FLOW = (("M", 104), ("M", 109)), ("M", 221)
# words whose state is compared at every bead: their order, like that of comments, within a permuted layer tells nothing
_TOLD_BY_STATES = {("M", n) for n in (104, 106, 107, 109, 140, 190, 204, 205, 220, 221, 900)}


def carried_lines(case: Alongside) -> tuple[str, str]:
    """Compare the lines of both programs that are not motion.

    Parameters
    ----------
    case : Alongside
        Both programs; their files are streamed again.

    Returns
    -------
    wrong, figure : str, str
        The first difference, empty if there is none; and what was compared.

    Notes
    -----
    Left out are lines that the intent lets change: flow factors where one was asked for, nozzle temperatures up to the
    last bead where a range was given (waits have to stay). In a layer whose runs changed places, lines are held to the
    layer, not to a bead.
    """
    count = 0
    waits: tuple[set[_Place], set[_Place]] = (set(), set())
    layers: dict[int, list[_Bag]] = {}
    streams = [
        _in_order(_kept(program, case.intent, _Places(case, program, paired), wait), layers, k)
        for k, (program, paired, wait) in enumerate(
            ((case.p, case.pairs.a, waits[0]), (case.q, case.pairs.b, waits[1]))
        )
    ]
    for one, two in zip_longest(*streams):
        if one is None or two is None or one[1] != two[1]:
            return _difference(one, two), ""
        if one[2] != two[2]:
            return f"{_shown(one[1])} of line {one[0]} stands at another place between the beads (line {two[0]})", ""
        count += 1
    for block in sorted(layers):
        mine, theirs = layers[block]
        if mine != theirs:
            where = f"from line {mine.line or theirs.line} on, in a layer laid in another order"
            return f"the other lines {where}, are not the input's", ""
        count += mine.count
    if not waits[0] <= waits[1]:
        return "a wait for the nozzle temperature (M109) is gone", ""
    return "", f"{count:,} lines that are not motion, all there, in order, at their places between the beads"


class _Bag:
    """What a layer holds, in bounded memory: a sum of hashes where order is free, a chain of them where it is not."""

    def __init__(self) -> None:
        self.line, self.count, self.any_order, self.in_order = 0, 0, 0, 0

    def add(self, line: int, text: bytes) -> None:
        self.line, self.count = self.line or line, self.count + 1
        said = read_line(text)
        if said.is_comment or said.command in _TOLD_BY_STATES:
            self.any_order += hash(text)
        else:
            self.in_order = hash((self.in_order, text))

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Bag) and (self.count, self.any_order, self.in_order) == (
            other.count, other.any_order, other.in_order
        )  # fmt: skip

    __hash__ = None  # type: ignore[assignment]


class _Places:
    """Where a line stands among the pairs: after which one, in the numbering that both programs share."""

    def __init__(self, case: Alongside, program: Program, paired: NDArray[np.int64]) -> None:
        n = program.kind.size
        place = np.full(n, -1, dtype=np.int64)
        place[paired] = np.arange(paired.size)
        on = np.flatnonzero(place >= 0)
        self.line, self.place = program.line[on], place[on]
        bead = np.cumsum(case.bead)  # pairs on beads so far: the number of the gap that follows
        at = np.searchsorted(case.gap, bead, side="right") - 1
        self.loose = case.loose[at]
        self.block = case.block[at]
        # a priming run changes the first places after homing
        home = (program.kind == HOME) & (case.intent.prime_mm <= 0)
        self.homes = program.line[home]
        lays = case.lays_p if program is case.p else case.lays_q
        self.last_line = int(program.line[lays][-1]) if lays.any() else 0

    def of(self, numbers: list[int]) -> list[tuple[int, int]]:
        """Place of lines, -2 - block where the runs of a layer changed places; and the ways after homing so far."""
        homes: list[int] = np.searchsorted(self.homes, numbers).tolist()
        before = np.searchsorted(self.line, numbers) - 1
        if self.place.size == 0:
            return [(-1, home) for home in homes]
        place = np.where(before >= 0, self.place[np.maximum(before, 0)], -1)
        loose = (place >= 0) & self.loose[np.maximum(place, 0)]
        out: list[int] = np.where(loose, -2 - self.block[np.maximum(place, 0)], place).tolist()
        return list(zip(out, homes, strict=True))


def _kept(program: Program, intent: Intent, places: _Places, waits: set[_Place]) -> Iterator[_Line]:
    """Lines that the intent does not allow to change, with their places."""
    lines = other_lines(program.path)
    while chunk := list(islice(lines, _CHUNK)):
        for (number, text), place in zip(chunk, places.of([number for number, _ in chunk]), strict=True):
            command = read_line(text).command
            if intent.flow_factor != 1.0 and command == _FLOW:
                continue
            if intent.nozzle_c and number < places.last_line and command in _NOZZLE:
                if command == _NOZZLE[1]:
                    waits.add(place)
                continue
            yield number, text, place


def _in_order(stream: Iterator[_Line], layers: dict[int, list[_Bag]], which: int) -> Iterator[_Line]:
    """Pass lines on; those of layers laid in another order go into their layer's bag."""
    for number, text, place in stream:
        if place[0] <= -2:
            layers.setdefault(-2 - place[0], [_Bag(), _Bag()])[which].add(number, text)
        else:
            yield number, text, place


def _shown(text: bytes) -> str:
    return repr(text[:40].decode("ascii", "replace"))


def _difference(one: _Line | None, two: _Line | None) -> str:
    if two is None:
        assert one is not None
        return f"{_shown(one[1])} of line {one[0]} is gone: the mended file ends before it"
    if one is None:
        return f"{_shown(two[1])} was added (line {two[0]} of the mended file)"
    return f"{_shown(one[1])} of line {one[0]} is not there; the mended file has {_shown(two[1])} (line {two[0]})"
