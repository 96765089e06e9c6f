"""Numbered lines with checksums: after lines came, went or changed places, the numbers follow one another again.

Only files that are stored as they are sent have them; controllers that check them ask for each number one above the
last. Work in Python, line by line: such files are short.
"""

import re

import numpy as np
from numpy.typing import NDArray

__all__ = ["is_numbered", "renumber"]

_CHECKED = re.compile(rb"^([ \t]*[Nn])([0-9]+)([^;\r\n]*)\*[ \t]*[0-9]+")
_ANY = re.compile(rb"(?:^|[\r\n])[ \t]*[Nn][0-9]+[^;\r\n]*\*")
_RESTART = re.compile(rb"[Mm]0*110(?![0-9])(?:[^*;]*?[Nn]([0-9]+))?")
_LINE = re.compile(rb"[^\r\n]*(?:\r\n|\n|\r|$)")


def is_numbered(data: bytes) -> bool:
    """Whether any line has a number and a checksum."""
    return b"*" in data and _ANY.search(data) is not None


def _checked(code: bytes) -> bytes:
    total = 0
    for byte in code:
        total ^= byte
    return code + b"*%d" % total


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
    out, last = [], None
    for raw, came_from in zip(_LINE.findall(data), origin.tolist(), strict=False):
        text = raw.rstrip(b"\r\n")
        found = _CHECKED.match(text)
        if found is None:
            if came_from == 0 and last is not None and text:
                last += 1
                text = _checked(b"N%d %s" % (last, text))
        else:
            restart = _RESTART.search(found[3])
            number = int(found[2])
            if restart is None and last is not None and number != 0:
                number = last + 1
            if number != int(found[2]):
                text = _checked(b"%s%d%s" % (found[1], number, found[3])) + text[found.end() :]
            last = int(restart[1]) if restart is not None and restart[1] else number
        out.append(text + raw[len(raw.rstrip(b"\r\n")) :])
    return b"".join(out)
