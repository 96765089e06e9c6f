"""One line of a program as words with their places, by the rules of the compiled lexer `kernels.words`.

A word is a letter of either case and, after blanks if it must be, a plain number. Comments run from `;` to the end and
from `(` to `)`, or to the end where that is missing. A line may begin with `/` (block delete) and its number N, and
end with `*` and a checksum. The words in `FREE_TEXT` are followed by text. Nothing is refused here: what no word begins
with ends the words, and its place is told.
"""

import re
from typing import NamedTuple

__all__ = ["FREE_TEXT", "Line", "Word", "all_motion", "read_line"]

FREE_TEXT = frozenset((0, 1, 23, 28, 30, 32, 98, 117, 118, 928))  # M words before a message or the name of a file
_GAP = re.compile(rb"(?:[ \t]|\([^)]*(?:\)|\Z))*(?:;.*)?", re.S)
_WORD = re.compile(rb"([A-Za-z])(?:[ \t]*+([-+]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)))?")
_MALFORMED = (b".", b",", b":")  # after a word
_MOTION = frozenset("XYZEFIJR")


class Word(NamedTuple):
    """A letter, its number if it has one, and where they stand: the letter at `at`, the number in `first:stop`."""

    letter: str  # upper case
    value: float | None
    at: int
    first: int
    stop: int


class Line(NamedTuple):
    """What a line says; places are bytes of `text`, -1 where there is none."""

    text: bytes
    start: int  # first byte that is not blank: a checksum counts from here
    deletable: bool  # it begins with /
    number: Word | None
    words: tuple[Word, ...]
    end: int  # of its words, free text among them
    star: int  # the * before the checksum
    bad: int  # what cannot be read

    def last(self, letter: str) -> Word | None:
        """The last word of a letter that has a number."""
        return next((w for w in reversed(self.words) if w.letter == letter and w.value is not None), None)

    @property
    def commands(self) -> list[tuple[Word, ...]]:
        """Its words by command; those before the first belong to it. After one, T is a word of that command."""
        at = [k for k, w in enumerate(self.words) if w.letter in "GMT" and w.value is not None]
        at = [k for k in at[1:] if self.words[k].letter != "T"]
        return [self.words[a:b] for a, b in zip([0, *at], [*at, len(self.words)], strict=True) if a < b]

    @property
    def command(self) -> tuple[str, float] | None:
        """Letter and number of its first command."""
        return next(((w.letter, w.value) for w in self.words if w.letter in "GMT" and w.value is not None), None)

    @property
    def is_comment(self) -> bool:
        """Whether it has a comment, or nothing, and no more."""
        return not (self.words or self.number or self.deletable) and max(self.bad, self.star) < 0

    @property
    def is_motion(self) -> bool:
        """Whether it holds words of motion, or its number, and no others."""
        return bool(self.words or self.number) and not self.deletable and self.bad < 0 and all_motion(self.words)


def all_motion(words: tuple[Word, ...]) -> bool:
    """Whether these are G0 to G3 and numbers for axes, feed and arc alone."""
    return all(
        (w.letter in _MOTION and w.value is not None) or (w.letter == "G" and w.value in (0.0, 1.0, 2.0, 3.0))
        for w in words
    )


def read_line(text: bytes) -> Line:
    """Split a line into words.

    Parameters
    ----------
    text : bytes
        A line without its end.

    Returns
    -------
    Line

    Examples
    --------
    >>> line = read_line(b"N3 g1 X-.5 (wall) E 2*71")
    >>> [(w.letter, w.value, w.at) for w in line.words], line.star
    ([('G', 1.0, 3), ('X', -0.5, 6), ('E', 2.0, 18)], 21)
    """
    start = len(text) - len(text.lstrip(b" \t"))
    at = _gap(text, 0)
    deletable = text[at : at + 1] == b"/"
    end, star, bad = at + 1 if deletable else start, -1, -1
    if deletable:
        at = _gap(text, end)
    number: Word | None = None
    words: list[Word] = []
    while at < len(text):
        found = _WORD.match(text, at)
        if found is None and text[at] == ord("*"):
            star = at
            break
        word = found and _word(found)
        opens = number is None and not words and word is not None and word.letter == "N"
        if word is None or text[word.stop : word.stop + 1] in _MALFORMED or (opens and word.value is None):
            bad = at
            break
        end = word.stop
        if opens:
            number = word
        else:
            words.append(word)
        if word.letter == "M" and word.value in FREE_TEXT:
            end, star = _free_text(text, end, number is not None)
            break
        at = _gap(text, end)
    return Line(text, start, deletable, number, tuple(words), end, star, bad)


def _word(found: re.Match[bytes]) -> Word:
    letter, digits = found[1].decode().upper(), found[2]
    if digits is None:
        return Word(letter, None, found.start(), found.end(), found.end())
    return Word(letter, float(digits), found.start(), found.start(2), found.end())


def _free_text(text: bytes, at: int, numbered: bool) -> tuple[int, int]:
    """Where a text ends, and its checksum: the last `*` of a numbered line."""
    stop = text.find(b";", at)
    stop = len(text) if stop < 0 else stop
    star = text.rfind(b"*", at, stop) if numbered else -1
    return len(text[: stop if star < 0 else star].rstrip(b" \t")), star


def _gap(text: bytes, at: int) -> int:
    """Past blanks and comments."""
    found = _GAP.match(text, at)
    return found.end() if found else at
