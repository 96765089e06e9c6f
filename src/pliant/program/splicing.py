"""The bytes of a program with some of its lines edited, dropped or added; every other byte is copied as it is.

Numbers of plain lines are set in bulk by a compiled kernel. Lines with a checksum, and lines that are replaced whole,
take the plain way, which is also the place to read what an edit means: `set_word`.
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pliant.kernels.splice import find_words, format_numbers, line_starts, splice

__all__ = ["LineEdits", "Lines", "line_texts", "number_text", "set_word", "word_value"]

_NUMBER = r"([+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+))"
_WORDS = {letter: re.compile(rf"([{letter}{letter.lower()}])[ \t]*{_NUMBER}".encode()) for letter in "EFIJRSXYZ"}
_CHECKSUM = 42  # *
_BLOCK_BYTES = 1 << 26

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]


def number_text(value: float, decimals: int) -> bytes:
    """Plain decimal text without trailing zeros."""
    text = f"{value:.{decimals}f}"
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return (text if text not in ("-0", "") else "0").encode()


def _code_end(text: bytes) -> int:
    """Where the first comment, or the checksum, of a line begins."""
    at = [i for i in (text.find(b";"), text.find(b"("), text.find(b"*")) if i >= 0]
    return min(at, default=len(text))


def word_value(text: bytes, letter: str) -> float | None:
    """Read the last word of a letter in the code of a line; None where there is none."""
    found = list(_WORDS[letter].finditer(text[: _code_end(text)]))
    return float(found[-1][2]) if found else None


def set_word(text: bytes, letter: str, value: float, decimals: int) -> bytes:
    """Replace the last word of a letter in the code of a line, or add it after the code; put a checksum right.

    Parameters
    ----------
    text : bytes
        A line without its end.
    letter : str
        Of the word.
    value : float
        Its new value, in the units of the program.
    decimals : int
        Written at most.

    Returns
    -------
    bytes

    Examples
    --------
    >>> set_word(b"G1 X1 E.5 ; wall", "E", 0.25, 5), set_word(b"N3 T0*57", "F", 600.0, 3)
    (b'G1 X1 E0.25 ; wall', b'N3 T0 F600*105')
    """
    number = number_text(value, decimals)
    end = _code_end(text)
    code, rest = text[:end], text[end:]
    found = list(_WORDS[letter].finditer(code))
    if found:
        code = code[: found[-1].start(2)] + number + code[found[-1].end(2) :]
    else:
        bare = code.rstrip()
        code = bare + b" " + letter.encode() + number + code[len(bare) :]
    if not rest.startswith(b"*"):
        return code + rest
    total = 0
    for byte in code:
        total ^= byte
    return code + b"*%d" % total + re.sub(rb"^\*[ \t]*[0-9]+", b"", rest)


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
        text: list[NDArray[np.uint8]] = []
        size = 0
        plain: dict[int, list[tuple[str, float, int]]] = {line: [] for line in self.edits.replaced}
        whole = np.zeros(self.last + 2, dtype=np.bool_)
        whole[list(self.edits.replaced)] = True
        whole[self.edits.dropped] = True
        for letter, lines, values, decimals in self.edits.numbers:
            place = find_words(self.raw, self.starts[lines - 1], self.starts[lines], ord(letter))
            special = (place[:, 2] == _CHECKSUM) | whole[lines]
            for line, value in zip(lines[special].tolist(), values[special].tolist(), strict=True):
                plain.setdefault(line, []).append((letter, value, decimals))
            place, new = place[~special], place[~special, 0] == place[~special, 1]
            made, begin = format_numbers(values[~special], decimals, new, ord(letter))
            at.append(place[:, 0])
            stop.append(place[:, 1])
            begins.append(begin[:-1] + size)
            ends.append(begin[1:] + size)
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

    def span(self, first: int, last: int) -> Iterator[bytes]:
        """Bytes of lines first to last with their edits; in pieces of bounded size."""
        while first <= last:
            until = int(np.searchsorted(self.starts, self.starts[first - 1] + _BLOCK_BYTES, side="right"))
            until = min(max(until, first), last)
            low, high = int(self.starts[first - 1]), int(self.starts[until])
            k = slice(*np.searchsorted(self.at, [low, high]).tolist())
            yield splice(self.raw, low, high, self.at[k], self.stop[k], self.text, self.text_at[k], self.text_stop[k])
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
