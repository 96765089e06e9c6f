"""The bytes of a program with some of its lines edited, dropped or added; every other byte is copied as it is.

Numbers of plain lines are set in bulk by a compiled kernel. Lines with a checksum, and lines that are replaced whole,
take the plain way, which is also the place to read what an edit means: `language.edit.set_word`.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pliant.arrays import Bytes, Floats
from pliant.kernels.splice import format_numbers, line_starts, splice
from pliant.kernels.words import find_words
from pliant.language.edit import set_word

__all__ = ["LineEdits", "Lines", "line_texts"]

_BLOCK_BYTES = 1 << 26

Ints = NDArray[np.int64]


def line_texts(path: str | Path, lines: Ints) -> dict[int, bytes]:
    """Texts of some source lines, without their ends; lines are counted from 1."""
    data = Path(path).read_bytes()
    starts = line_starts(np.frombuffer(data, dtype=np.uint8))
    wanted = lines[(lines >= 1) & (lines < starts.size)].tolist()
    return {line: data[starts[line - 1] : starts[line]].rstrip(b"\r\n") for line in wanted}


@dataclass
class LineEdits:
    """What shall be different, by source line (counted from 1)."""

    numbers: list[tuple[str, Ints, Floats, int]] = field(default_factory=list)  # letter, lines, values, decimals
    replaced: dict[int, bytes] = field(default_factory=dict)  # whole text, before numbers are set in it
    before: dict[int, list[bytes]] = field(default_factory=dict)  # new lines; after the last line too
    dropped: Ints = field(default_factory=lambda: np.zeros(0, dtype=np.int64))


class Lines:
    """The lines of a file, and the pieces of text that take the place of others."""

    def __init__(self, data: bytes, edits: LineEdits) -> None:
        self.raw = np.frombuffer(data, dtype=np.uint8)
        self.data, self.starts = data, line_starts(self.raw)
        self.last = self.starts.size - 1
        head = data[:65536]
        self.ending = b"\r\n" if b"\r\n" in head else b"\n" if b"\n" in head or b"\r" not in head else b"\r"
        self.edits = edits
        self.added = np.zeros(self.last + 2, dtype=np.int64)
        for line, texts in edits.before.items():
            self.added[min(line, self.last + 1)] += len(texts)
        self.kept = np.ones(self.last + 2, dtype=np.bool_)
        self.kept[0] = False
        self.kept[edits.dropped] = False
        self._gather()

    def _gather(self) -> None:
        """Every edit as a piece: offsets of what it replaces, and of its text in one buffer."""
        at, stop, begins, ends = [], [], [], []
        text: list[Bytes] = []
        size = 0
        plain: dict[int, list[tuple[str, float, int]]] = {line: [] for line in self.edits.replaced}
        whole = np.zeros(self.last + 2, dtype=np.bool_)
        whole[list(self.edits.replaced)] = True
        whole[self.edits.dropped] = True
        for letter, lines, values, decimals in self.edits.numbers:
            place = find_words(self.raw, self.starts[lines - 1], self.starts[lines], ord(letter))
            special = (place[:, 2] != 0) | whole[lines]
            for line, value in zip(lines[special].tolist(), values[special].tolist(), strict=True):
                plain.setdefault(line, []).append((letter, value, decimals))
            place, new = place[~special], place[~special, 0] == place[~special, 1]
            made, offset = format_numbers(values[~special], decimals, new, ord(letter))
            at.append(place[:, 0])
            stop.append(place[:, 1])
            begins.append(offset[:-1] + size)
            ends.append(offset[1:] + size)
            text.append(made)
            size += made.size
        pieces: list[tuple[int, int, bytes]] = []
        for line in self.edits.dropped.tolist():
            pieces.append((int(self.starts[line - 1]), int(self.starts[line]), b""))
            plain.pop(line, None)
        for line, sets in plain.items():
            begin = int(self.starts[line - 1])
            was = self.data[begin : self.starts[line]].rstrip(b"\r\n")
            now = self.edits.replaced.get(line, was)
            for letter, value, decimals in sets:
                now = set_word(now, letter, value, decimals)
            pieces.append((begin, begin + len(was), now))
        front: list[tuple[int, int, bytes]] = []
        for line, texts in self.edits.before.items():
            if line <= self.last:
                begin = int(self.starts[line - 1])
                front.append((begin, begin, b"".join(t + self.ending for t in texts)))
        made_pieces = front + pieces  # new lines come before what replaces their line
        joined = b"".join(p[2] for p in made_pieces)
        lengths = np.array([len(p[2]) for p in made_pieces], dtype=np.int64)
        text.append(np.frombuffer(joined, dtype=np.uint8))
        at.append(np.array([p[0] for p in made_pieces], dtype=np.int64))
        stop.append(np.array([p[1] for p in made_pieces], dtype=np.int64))
        ends.append(size + np.cumsum(lengths))
        begins.append(ends[-1] - lengths)
        # at one place: new lines, then words in the order they were asked for, then whole lines
        rank = [np.full(a.size, 1) for a in at[:-1]] + [np.where(np.arange(len(made_pieces)) < len(front), 0, 2)]
        where = np.concatenate(at)
        order = np.lexsort((np.arange(where.size), np.concatenate(rank), where))
        self.at, self.stop = where[order], np.concatenate(stop)[order]
        self.text_at, self.text_stop = np.concatenate(begins)[order], np.concatenate(ends)[order]
        self.text = np.concatenate(text)

    def span(self, first: int, last: int) -> Iterator[memoryview]:
        """Bytes of lines first to last with their edits; in pieces of bounded size."""
        while first <= last:
            until = int(np.searchsorted(self.starts, self.starts[first - 1] + _BLOCK_BYTES, side="right"))
            until = min(max(until, first), last)
            low, high = int(self.starts[first - 1]), int(self.starts[until])
            k = slice(*np.searchsorted(self.at, [low, high]).tolist())
            new = splice(self.raw, low, high, self.at[k], self.stop[k], self.text, self.text_at[k], self.text_stop[k])
            yield new.data
            first = until + 1

    def origin(self, first: int, last: int) -> Ints:
        """Source line of each line of such a span; 0 for new ones."""
        lines = np.arange(first, last + 1)
        count = self.added[first : last + 1] + self.kept[first : last + 1]
        out = np.zeros(int(count.sum()), dtype=np.int64)
        kept = self.kept[first : last + 1]
        out[(np.cumsum(count) - 1)[kept]] = lines[kept]
        return out

    def end(self) -> tuple[bytes, int]:
        """What comes after the last line, and how many lines that is."""
        texts = [t for line in sorted(self.edits.before) if line > self.last for t in self.edits.before[line]]
        if not texts:
            return b"", 0
        ended = self.data[-1:] in (b"\r", b"\n")
        new = self.ending.join(texts)
        return (new + self.ending if ended else self.ending + new), len(texts)

    @property
    def whole(self) -> bool:
        """Whether the last line has an end."""
        return self.data[-1:] in (b"", b"\r", b"\n")
