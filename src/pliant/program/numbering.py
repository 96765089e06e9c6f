"""Numbered lines with checksums: after lines came, went or changed places, the numbers follow one another again.

Only files that are stored as they are sent have them; controllers that check them ask for each number one above the
last. Work in Python, line by line: such files are short.
"""

from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pliant.kernels.splice import line_starts
from pliant.language.edit import with_checksum
from pliant.language.line import Word, read_line

__all__ = ["is_numbered", "numbers_follow", "renumber"]

_BLOCK = 1 << 20  # [bytes]
_LARGEST = 2.0**53  # beyond it numbers are no longer told apart


def _checked_numbers(data: bytes) -> Iterator[int]:
    """Numbers of the lines that have one and a checksum."""
    for text in data.replace(b"\r", b"\n").split(b"\n") if b"*" in data else ():
        if b"*" in text and (line := read_line(text)).number and line.star >= 0:
            yield _whole(line.number)


def _whole(word: Word | None) -> int:
    return int(max(-_LARGEST, min(word.value, _LARGEST))) if word and word.value is not None else 0


def is_numbered(data: bytes) -> bool:
    """Whether any line has a number and a checksum."""
    return any(True for _ in _checked_numbers(data))


def numbers_follow(path: str | Path) -> bool:
    """Whether the numbers of the lines with a checksum, if there are any, go up by one.

    Parameters
    ----------
    path : str or Path
        The file; read in bounded pieces.

    Returns
    -------
    bool
        A number of 0 starts again.
    """
    rest, last = b"", -1
    with Path(path).open("rb") as file:
        while piece := file.read(_BLOCK):
            block = rest + piece.replace(b"\r", b"\n")
            end = block.rfind(b"\n") + 1
            rest = block[end:]
            for number in _checked_numbers(block[:end]):
                if last >= 0 and number not in (last + 1, 0):
                    return False
                last = number
    return True


def renumber(data: bytes, origin: NDArray[np.int64]) -> bytes:
    r"""Let the numbers of checked lines go up by one, and number the lines that were put in.

    Parameters
    ----------
    data : bytes
        The rewritten program.
    origin : ndarray of int
        Source line of each of its lines, 0 for those put in, `(n_lines,)`.

    Returns
    -------
    bytes
        Lines without a number keep none; M110 starts again where it says.

    Examples
    --------
    >>> renumber(b"N1 T0*59\nG1 X1\nN3 M105*36\n", np.array([1, 0, 2]))
    b'N1 T0*59\nN2 G1 X1*99\nN3 M105*36\n'
    """
    out: list[bytes] = []
    last: int | None = None
    starts = line_starts(np.frombuffer(data, dtype=np.uint8)).tolist()
    for (begin, end), came_from in zip(pairwise(starts), origin.tolist(), strict=False):
        text = data[begin:end].rstrip(b"\r\n")
        line = read_line(text)
        if line.number is None or line.star < 0:
            if came_from == 0 and last is not None and text:
                last += 1
                text = with_checksum(b"N%d %s" % (last, text))
        else:
            number = _whole(line.number)
            restarts = any(w[:2] == ("M", 110) for w in line.words)
            if not restarts and last is not None and number not in (0, last + 1):
                number = last + 1
                text = with_checksum(text[: line.number.first] + b"%d" % number + text[line.number.stop :])
            to = line.last("N") if restarts else None
            last = _whole(to) if to else number
        out.append(text + data[begin + len(line.text) : end])
    return b"".join(out)
