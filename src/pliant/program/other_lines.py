"""The lines of a program that are not motion: words, comments, everything a rewriter has to carry along.

Streams the file; a kernel passes over plain motion lines, so the work in Python is for the other lines alone.
"""

from collections.abc import Iterator
from functools import lru_cache
from pathlib import Path

import numpy as np

from pliant.errors import ProgramError
from pliant.kernels.words import pass_over_motion
from pliant.language.line import Word, all_motion, read_line

__all__ = ["other_lines"]

_BLOCK = 1 << 20  # [bytes]
_MOST_KNOWN, _KNOWN_BYTES = 4096, 80  # short lines stay read: the same few come again and again (retraction, fans)


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


def _of_block(block: bytes, number: int) -> Iterator[tuple[int, bytes]]:
    """Lines to keep of whole lines."""
    at, data = 0, np.frombuffer(block, dtype=np.uint8)
    while at < len(block):
        at, passed = pass_over_motion(data, at)
        number += passed
        end = block.find(b"\n", at)
        if end < 0:
            break
        raw = block[at:end]
        if text := _known(raw) if len(raw) <= _KNOWN_BYTES else _kept(raw):
            yield number, text
        number, at = number + 1, end + 1


def _kept(raw: bytes) -> bytes:
    """What of a line has to stay; empty if it is motion after all."""
    line = read_line(raw.removeprefix(b"\xef\xbb\xbf"))
    if line.is_motion:
        return b""
    text = line.text[line.number.stop if line.number else 0 :]
    if line.star >= 0:
        text = line.text[line.number.stop if line.number else 0 : line.star]
        text += line.text[line.star + 1 :].lstrip(b"0123456789")
    if not line.words or line.bad >= 0 or line.deletable:
        return text.strip()
    kept = [said for said in map(_not_motion, line.commands) if said]
    if kept == [line.words]:
        return text.strip()
    tail = {line.words[-1]: line.end}  # with the text of a message
    return b" ".join(line.text[w.at : tail.get(w, w.stop)] for said in kept for w in said)


_known = lru_cache(maxsize=_MOST_KNOWN)(_kept)


def _not_motion(command: tuple[Word, ...]) -> tuple[Word, ...]:
    """What of a command is not motion: no word of E where it declares a register."""
    if all_motion(command) or [w[:2] for w in command] in ([("G", 10)], [("G", 11)]):
        return ()
    if command[0][:2] != ("G", 92):
        return command
    e = next((w for w in command if w.letter == "E" and w.value is not None), None)
    kept = tuple(w for w in command if w is not e)
    return kept if e is None or len(kept) > 1 else ()
