"""Setting a word of a line: every other byte stays, and a checksum is put right."""

from functools import reduce
from operator import xor

from pliant.language.line import read_line

__all__ = ["number_text", "set_word", "with_checksum", "word_value"]


def number_text(value: float, decimals: int) -> bytes:
    """Plain decimal text without trailing zeros."""
    text = f"{value:.{decimals}f}"
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return (text if text not in ("-0", "") else "0").encode()


def word_value(text: bytes, letter: str) -> float | None:
    """Read the last word of a letter of a line; None where there is none."""
    word = read_line(text).last(letter)
    return word and word.value


def set_word(text: bytes, letter: str, value: float, decimals: int) -> bytes:
    """Replace the last word of a letter of a line, or add it after the others; put a checksum right.

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
    line, number = read_line(text), number_text(value, decimals)
    if word := line.last(letter):
        text = text[: word.first] + number + text[word.stop :]
    else:
        text = text[: line.end] + b" " + letter.encode() + number + text[line.end :]
    return with_checksum(text) if line.star >= 0 else text


def with_checksum(text: bytes) -> bytes:
    """Put the checksum of a line right, or add it.

    Parameters
    ----------
    text : bytes
        A line without its end.

    Returns
    -------
    bytes
        The checksum counts from the first byte that is not blank.

    Examples
    --------
    >>> with_checksum(b"N2 G1 X1"), with_checksum(b"N3 M105*1 ; ask")
    (b'N2 G1 X1*99', b'N3 M105*36 ; ask')
    """
    line = read_line(text)
    at, rest = line.end, text[line.end :]
    if line.star >= 0:
        at, rest = line.star, text[line.star + 1 :].lstrip(b"0123456789")
    return text[:at] + b"*%d" % reduce(xor, text[line.start : at], 0) + rest
