"""The lines of a program that are not motion: words, comments, everything a rewriter has to carry along.

Streams the file; a kernel passes over plain motion lines, so the work in Python is for the other lines alone.
"""

import re
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from pliant.errors import ProgramError
from pliant.kernels.motion_lines import pass_over_motion

__all__ = ["numbers_follow", "other_lines"]

_BLOCK = 1 << 20  # [bytes]
_MOTION = (
    rb"[ \t]*+(?:N[0-9]++[ \t]*+)?+(?:G0*[0-3](?:\.0*+)?+(?![0-9.])[ \t]*+)?+"
    rb"(?:[XYZEFIJR][ \t]*+[-+]?+[0-9.]++[ \t]*+)*+(?:\*[ \t]*+[0-9]++[ \t]*+)?+"
)
_ONLY_MOTION = re.compile(_MOTION, re.I)
_COMMENT_LINE = re.compile(rb"[ \t]*[;(]")
_NUMBER = re.compile(rb"^[ \t]*N[0-9]+[ \t]*", re.I)
_CHECKED = re.compile(rb"^[ \t]*N([0-9]+)[^\n;]*\*", re.M | re.I)
_CHECKSUM = re.compile(rb"\*[ \t]*[0-9]+[ \t]*(?=;|$)")
_COMMENT = re.compile(rb"\([^)]*\)|;.*")
_REBASE = re.compile(rb"[ \t]*G92(?:\.0*)?[ \t]*E[ \t]*[-+]?[0-9.]+[ \t]*", re.I)
_REBASE_MORE = re.compile(rb"[ \t]*G92(?![0-9.])", re.I)
_E_WORD = re.compile(rb"[ \t]*E[ \t]*[-+]?[0-9.]+", re.I)
_OWN_RETRACTION = re.compile(rb"[ \t]*G1[01][ \t]*", re.I)
_FREE_TEXT = re.compile(rb"[ \t]*M0*(?:0|1|23|28|30|117|118|928)(?![0-9.])", re.I)
_COMMANDS = re.compile(rb"(?=[GMT][0-9])", re.I)


def other_lines(path: str | Path) -> Iterator[tuple[int, bytes]]:
    """Yield every line that is not plain motion.

    Parameters
    ----------
    path : str or Path
        The file; read in bounded pieces.

    Yields
    ------
    line, text : int, bytes
        1-based line, and the line without its number, checksum and surrounding blanks. Blank lines, motion lines with
        or without a comment, the controller's own retraction and pure `G92 E` are passed over.

    Raises
    ------
    ProgramError
        If the file cannot be read.
    """
    number, rest, after_cr = 1, b"", False
    try:
        with Path(path).open("rb") as file:
            while piece := file.read(_BLOCK):
                if after_cr and piece[:1] == b"\n":
                    piece = piece[1:]
                after_cr = piece[-1:] == b"\r"
                block = rest + piece.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
                end = block.rfind(b"\n") + 1
                rest = block[end:]
                yield from _of_block(block[:end], number)
                number += block.count(b"\n")
    except OSError as error:
        raise ProgramError(f"{path}: cannot be read ({error.strerror}); check the name and the rights") from error
    yield from _of_block(rest + b"\n", number)


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
            for found in _CHECKED.finditer(block[:end]) if b"*" in block else ():
                number = int(found[1])
                if last >= 0 and number not in (last + 1, 0):
                    return False
                last = number
    return True


def _of_block(block: bytes, number: int) -> Iterator[tuple[int, bytes]]:
    """Lines to keep of whole lines."""
    at, data = 0, np.frombuffer(block, dtype=np.uint8)
    while at < len(block):
        at, passed = pass_over_motion(data, at)
        number += passed
        end = block.find(b"\n", at)
        if end < 0:
            break
        if text := _kept(block[at:end]):
            yield number, text
        number, at = number + 1, end + 1


def _kept(raw: bytes) -> bytes:
    """What of a line has to stay; empty if it is motion after all."""
    raw = raw.removeprefix(b"\xef\xbb\xbf")
    if _COMMENT_LINE.match(raw):
        text = _COMMENT.sub(b"", raw)
        if not text.strip():
            return raw.strip()
    raw = _NUMBER.sub(b"", raw)
    if b"*" in raw:
        raw = _CHECKSUM.sub(b"", raw)
    text = _COMMENT.sub(b"", raw)
    if _ONLY_MOTION.fullmatch(text) or _REBASE.fullmatch(text) or _OWN_RETRACTION.fullmatch(text):
        return b""
    if _REBASE_MORE.match(text):
        return _E_WORD.sub(b"", text, count=1).strip()
    commands = [c.strip() for c in _COMMANDS.split(text) if c.strip()]
    if len(commands) > 1 and not _FREE_TEXT.match(text) and not text.lstrip().startswith(b"/"):
        return b" ".join(c for c in commands if not _ONLY_MOTION.fullmatch(c))
    return raw.strip()
