"""The lines that a rewriting carries along: the same ones, in the same order, at the same places between the beads."""

from collections.abc import Iterator
from itertools import islice, zip_longest

import numpy as np
from numpy.typing import NDArray

from pliant.language.line import read_line
from pliant.program.alongside import Alongside
from pliant.program.bead_words import fields_set
from pliant.program.other_lines import other_lines
from pliant.records.mending import Intent
from pliant.records.program import HOME, Program

__all__ = ["ADVANCE_WORDS", "carried_lines"]

_CHUNK = 4096  # [lines] compared at a time
_Place = tuple[int, int]
_Line = tuple[int, bytes, _Place]  # line, text, place
# words of the controller's own compensation, and the letter of its amount; the second from memory. What stands at beads
# is proved there
ADVANCE_WORDS = {("M", 900): "K", ("M", 572): "S"}
_NOZZLE, _FLOW = (("M", 104), ("M", 109)), ("M", 221)
# words whose state is compared at every bead: their order, like that of comments, within a permuted layer tells nothing
_TOLD_BY_STATES = {("M", n) for n in (104, 106, 107, 140, 204, 205, 220, 221, 900)}
_NOWHERE = -(10**9)  # the place of a line with other runs before it than in the input


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
    last bead where a range was given (waits have to stay). In a layer whose runs changed places, comments are held to
    the layer, not to a bead; lines that only set states of beads, which are compared bead by bead, may be repeated or
    left out there, as long as the last of each is the input's; any other line has the same beads before it.
    """
    count = 0
    final: tuple[dict[str, bytes], dict[str, bytes]] = ({}, {})
    waits: tuple[set[_Place], set[_Place]] = (set(), set())
    layers: dict[int, list[_Bag]] = {}
    streams = [
        _in_order(_kept(program, case.intent, _Places(case, program, paired), wait), layers, k, final[k])
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
    if case.pairs.permuted.any() and final[0] != final[1]:
        name = next(n for n in (*final[0], *final[1]) if final[0].get(n) != final[1].get(n))
        return f"{name} is left otherwise at the end", ""
    if not waits[0] <= waits[1]:
        return "a wait for the nozzle temperature (M109) is gone", ""
    return "", f"{count:,} lines that are not motion, all there, in order, at their places between the beads"


class _Bag:
    """What a layer holds whose order is free, in bounded memory: a sum of hashes."""

    def __init__(self) -> None:
        self.line, self.count, self.sum = 0, 0, 0

    def add(self, line: int, text: bytes) -> None:
        self.line, self.count, self.sum = self.line or line, self.count + 1, self.sum + hash(text)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Bag) and (self.count, self.sum) == (other.count, other.sum)

    __hash__ = None  # type: ignore[assignment]


class _Places:
    """Where a line stands among the pairs: after which one, in the numbering that both programs share."""

    def __init__(self, case: Alongside, program: Program, paired: NDArray[np.int64]) -> None:
        n = program.kind.size
        place = np.full(n, -1, dtype=np.int64)
        place[paired] = np.arange(paired.size)
        on = np.flatnonzero(place >= 0)
        self.line, self.place = program.line[on], place[on]
        # all pairs up to here, and no other, lie before: a place that both programs share whatever the order was
        most = np.maximum.accumulate(self.place) if on.size else self.place
        shared = most == np.searchsorted(np.sort(paired), on, side="right") - 1
        self.shared = np.where(shared, most, _NOWHERE)
        bead = np.cumsum(case.bead)  # pairs on beads so far: the number of the gap that follows
        at = np.searchsorted(case.gap, bead, side="right") - 1
        self.loose = case.loose[at]
        self.block = case.block[at]
        # a priming run changes the first places after homing
        home = (program.kind == HOME) & (case.intent.prime_mm <= 0)
        self.homes = program.line[home]
        lays = case.lays_p if program is case.p else case.lays_q
        self.last_line = int(program.line[lays][-1]) if lays.any() else 0

    def of(self, numbers: list[int]) -> list[tuple[_Place, int]]:
        """Place of lines with the ways after homing so far; and the block whose runs changed places there, or -1."""
        homes: list[int] = np.searchsorted(self.homes, numbers).tolist()
        before = np.searchsorted(self.line, numbers) - 1
        if self.place.size == 0:
            return [((-1, home), -1) for home in homes]
        at = np.maximum(before, 0)
        place = np.where(before >= 0, self.place[at], -1)
        loose = (place >= 0) & self.loose[np.maximum(place, 0)]
        places: list[int] = np.where(loose, self.shared[at], place).tolist()
        blocks: list[int] = np.where(loose, self.block[np.maximum(place, 0)], -1).tolist()
        return list(zip(zip(places, homes, strict=True), blocks, strict=True))


def _kept(program: Program, intent: Intent, places: _Places, waits: set[_Place]) -> Iterator[tuple[_Line, int]]:
    """Lines that the intent does not allow to change, with their places and the blocks that changed."""
    lines = other_lines(program.path)
    while chunk := list(islice(lines, _CHUNK)):
        for (number, text), (place, block) in zip(chunk, places.of([number for number, _ in chunk]), strict=True):
            command = read_line(text).command
            if intent.flow_factor != 1.0 and command == _FLOW:
                continue
            if intent.shaping is not None and command in ADVANCE_WORDS:
                continue
            if intent.nozzle_c and number < places.last_line and command in _NOZZLE:
                if command == _NOZZLE[1]:
                    waits.add(place)
                continue
            yield (number, text, place), block


def _in_order(
    stream: Iterator[tuple[_Line, int]], layers: dict[int, list[_Bag]], which: int, final: dict[str, bytes]
) -> Iterator[_Line]:
    """Pass lines on; of layers laid in another order, those that may stand anywhere go into their layer's bag."""
    for line, block in stream:
        sets = fields_set(line[1])
        final.update(dict.fromkeys(sets or (), line[1]))
        if block < 0:
            yield line
        elif sets:
            continue
        elif sets is not None or read_line(line[1]).command in _TOLD_BY_STATES:
            layers.setdefault(block, [_Bag(), _Bag()])[which].add(line[0], line[1])
        else:
            yield line


def _shown(text: bytes) -> str:
    return repr(text[:40].decode("ascii", "replace"))


def _difference(one: _Line | None, two: _Line | None) -> str:
    if two is None:
        assert one is not None
        return f"{_shown(one[1])} of line {one[0]} is gone: the mended file ends before it"
    if one is None:
        return f"{_shown(two[1])} was added (line {two[0]} of the mended file)"
    return f"{_shown(one[1])} of line {one[0]} is not there; the mended file has {_shown(two[1])} (line {two[0]})"
