"""The lexer of motion programs, compiled, and what looks for words in whole files. Start at `next_word`.

The reader (`scan`) and every search below take their words from it; `language.line` is the same in Python for one line.
What calls it from elsewhere has to see to it that code kept on disk is renewed, as `scan` does.
"""

import numpy as np

from pliant.arrays import Bytes, Ints
from pliant.kernels import machine as m

__all__ = ["find_commands", "find_words", "next_word", "pass_over_motion"]  # and every kind and state

# Kinds of what comes next; from STRANGE on it cannot be read.
END, NUMBER, WORD, STAR, STRANGE, MALFORMED, NUMBERLESS = np.arange(7)
# The state of a line: nothing read yet, no word but its number, it has a number, text follows; ...
OPEN, FIRST, NUMBERED, TEXT = 1 << np.arange(4)
START = OPEN | FIRST
# ... and what some controllers read in another way.
BLOCK_DELETE, BRACKETS, UNCLOSED, INNER_BLANK, E_AFTER_DIGIT = 1 << np.arange(4, 9)
REMARKS = BLOCK_DELETE | BRACKETS | UNCLOSED | INNER_BLANK | E_AFTER_DIGIT
_LETTERS = np.zeros(26, dtype=np.bool_)
_LETTERS[[m.X, m.Y, m.Z, m.E, m.F, m.I, m.J, m.R]] = True


@m.helper
def _digits(buf, i, end, mantissa, kept):
    """Digits from i on: -> mantissa of at most 18 significant ones, how many are in it, how many were left out, end."""
    dropped = 0
    while i < end:
        d = np.int64(buf[i]) - 48
        if not 0 <= d <= 9:
            break
        if kept < 18:
            mantissa = mantissa * 10 + d
            kept += mantissa > 0
        else:
            dropped += 1
        i += 1
    return mantissa, kept, dropped, i


@m.hot_helper
def number_at(buf, at, end, exponent):
    """Strict decimal number: -> value, where it ends, whether there is one. No exponent unless asked for."""
    # the ordinary case: digits and point within 16 bytes, exact after one division
    i = at
    if i < end and (buf[i] == 43 or buf[i] == 45):
        i += 1
    start, limit, mantissa = i, min(end, i + 16), m.NONE
    while i < limit:
        d = np.int64(buf[i]) - 48
        if not 0 <= d <= 9:
            break
        mantissa = mantissa * 10 + d
        i += 1
    point = i
    if i < limit and buf[i] == 46:
        i += 1
        while i < limit:
            d = np.int64(buf[i]) - 48
            if not 0 <= d <= 9:
                break
            mantissa = mantissa * 10 + d
            i += 1
    decimals = max(i - point - 1, 0)
    if (i == limit and limit < end) or i - start > 15 or exponent:
        return _long_number(buf, at, end, exponent)
    if point - start + decimals == 0:
        return 0.0, at, False
    number = mantissa / m.POW10[decimals] if decimals else float(mantissa)
    return -number if buf[at] == 45 else number, i, True


@m.helper
def _long_number(buf, at, end, exponent):
    """Strict decimal number of any length: -> value, where it ends, whether there is one."""
    i, minus = at, False
    if i < end and (buf[i] == 43 or buf[i] == 45):
        minus = buf[i] == 45
        i += 1
    start = i
    mantissa, kept, shift, i = _digits(buf, i, end, m.NONE, m.NONE)
    count = i - start
    if i < end and buf[i] == 46:
        start = i + 1
        mantissa, kept, dropped, i = _digits(buf, start, end, mantissa, kept)
        count += i - start
        shift -= i - start - dropped
    if count == 0:
        return 0.0, at, False
    if exponent and i + 1 < end and (buf[i] == 69 or buf[i] == 101):
        q, down = i + 1, False
        if buf[q] == 43 or buf[q] == 45:
            down = buf[q] == 45
            q += 1
        power, start = 0, q
        while q < end and 48 <= buf[q] <= 57:
            power = min(power * 10 + np.int64(buf[q]) - 48, 1000000)
            q += 1
        if q > start:
            shift += -power if down else power
            i = q
    if mantissa == 0 or shift < -330:
        number = 0.0
    elif shift > 300:
        number = np.inf
    elif -22 <= shift < 0:
        number = mantissa / m.POW10[-shift]
    elif 0 <= shift <= 22:
        number = mantissa * m.POW10[shift]
    else:
        number = mantissa * 10.0**shift
    return -number if minus else number, i, True


@m.hot_helper
def is_letter(c):
    return 65 <= c <= 90 or 97 <= c <= 122


@m.hot_helper
def content(buf, i, end, state):
    """Next byte that is neither blank nor comment, or `end`; and the state."""
    while i < end:
        c = buf[i]
        if c > 59:
            break
        if c == 40:
            state |= BRACKETS
            while i < end and buf[i] != 41:
                i += 1
            if i == end:
                return end, state | UNCLOSED
        elif c == 59:
            return end, state
        elif c != 32 and c != 9:
            break
        i += 1
    return i, state


@m.helper
def _text(buf, i, end, state):
    """Pass over free text: -> kind, place; the last `*` of a numbered line is its checksum."""
    star = -m.ONE
    while i < end and buf[i] != 59:
        if buf[i] == 42:
            star = i
        i += 1
    return (STAR, star) if state & NUMBERED and star >= 0 else (END, end)


@m.helper
def _has_e(buf, first, stop, end, exponent):
    """Whether E and an exponent stand in a number, or straight after it."""
    if exponent:
        for q in range(first, stop):
            if buf[q] & 0xDF == 69:
                return True
    if stop + 1 < end and buf[stop] & 0xDF == 69:
        d = buf[stop + 1]
        return 48 <= d <= 57 or ((d == 43 or d == 45) and stop + 2 < end and 48 <= buf[stop + 2] <= 57)
    return False


@m.hot_helper
def next_word(buf, i, end, exponent, state):
    """The next word of a line; (n,) uint8, (), (), () whether X1E5 is one word, () START at first.

    -> kind, its place, letter, number (0 where there is none), whether there is one, number's place, end, state.
    """
    if state & TEXT:
        kind, at = _text(buf, i, end, state)
        return kind, at, m.NONE, 0.0, False, at, at, state
    i, state = content(buf, i, end, state)
    if i < end and buf[i] == 47 and state & OPEN:
        i, state = content(buf, i + 1, end, state & ~OPEN | BLOCK_DELETE)
    if i == end:
        return END, i, m.NONE, 0.0, False, i, i, state
    at, c = i, np.int64(buf[i])
    if not is_letter(c):
        return STAR if c == 42 else STRANGE, at, m.NONE, 0.0, False, at, at, state
    state &= ~OPEN
    letter = (c & 0xDF) - 65
    plain = letter == m.G or letter == m.M or letter == m.T or letter == m.N
    i += 1
    first = i
    while first < end and (buf[first] == 32 or buf[first] == 9):
        first += 1
    number, stop, found = number_at(buf, first, end, exponent and not plain)
    if not found:
        first, stop = i, i
    elif first > i:
        state |= INNER_BLANK
    c = np.int64(buf[stop]) if stop < end else m.NONE
    if c == 46 or c == 44 or c == 58:  # . , :
        return MALFORMED, at, letter, 0.0, found, first, stop, state
    if found and not plain and (exponent or c & 0xDF == 69) and _has_e(buf, first, stop, end, exponent):
        state |= E_AFTER_DIGIT
    if state & FIRST and letter == m.N and not state & NUMBERED:
        return NUMBER if found else NUMBERLESS, at, letter, number, found, first, stop, state | NUMBERED
    if letter == m.M and found and (
        number == 0 or number == 1 or number == 23 or number == 28 or number == 30 or number == 32
        or number == 98 or number == 117 or number == 118 or number == 928
    ):  # fmt: skip
        state |= TEXT
    return WORD, at, letter, number, found, first, stop, state & ~FIRST


@m.hot_helper
def control(buf, i, end):
    """Next control code below 14, the ends of lines among them, or `end`."""
    while i + 4 <= end and min(buf[i], buf[i + 1], buf[i + 2], buf[i + 3]) > 13:
        i += 4
    while i < end and buf[i] > 13:
        i += 1
    return i


@m.hot_helper
def _line_end(data, i, n):
    """Where a line ends, its end apart, and where the next begins."""
    i = control(data, i, n)
    while i < n and data[i] != 10 and data[i] != 13:
        i = control(data, i + 1, n)
    return i, i + (2 if i + 1 < n and data[i] == 13 and data[i + 1] == 10 else 1)


@m.kept
def find_commands(data: Bytes, letter: int, first: int, second: int) -> Ints:
    """Lines with a word of a letter and either of two numbers.

    (n,) bytes, letter (upper case), two numbers -> (k, 3): line (from 1), its begin, and its end without CR or LF.
    """
    out = np.empty((64, 3), np.int64)
    k, line, begin, n = 0, 0, 0, data.size
    while begin < n:
        line += 1
        end, then = _line_end(data, begin, n)
        i, kind, state = begin, WORD, START
        while WORD >= kind >= NUMBER:
            kind, _, which, number, found, _, i, state = next_word(data, i, end, m.NONE, state)
            if kind == WORD and which == letter - 65 and found and (number == first or number == second):
                if k == len(out):
                    out = np.concatenate((out, np.empty_like(out)))
                out[k, 0], out[k, 1], out[k, 2] = line, begin, end
                k += 1
                break
        begin = then
    return out[:k]


@m.kept
def find_words(data: Bytes, start: Ints, stop: Ints, letter: int) -> Ints:
    """Last word of a letter (upper case) in lines.

    (n,) bytes, (m,), (m,), () -> (m, 3): start and end of its number, both the end of the words where there is no such
    word; and whether the line has a checksum.
    """
    out = np.zeros((start.size, 3), np.int64)
    for k in range(start.size):
        end, _ = _line_end(data, start[k], stop[k])
        i, kind, state = start[k], WORD, START
        last = i
        while WORD >= kind >= NUMBER:
            kind, _, which, _, found, first, i, state = next_word(data, i, end, m.NONE, state)
            if WORD >= kind >= NUMBER:
                last = i
            if kind == WORD and which == letter - 65 and found:
                out[k, 0], out[k, 1] = first, i
        if out[k, 1] == 0:
            out[k, 0], out[k, 1] = last, last
        out[k, 2] = kind == STAR
    return out


@m.hot_helper
def _only_motion(data, i, end):
    """Whether a line is blank or holds words of motion, or its number, and no others."""
    kind, state, count = WORD, START, 0
    while True:
        kind, _, letter, number, found, _, i, state = next_word(data, i, end, m.NONE, state)
        if kind == WORD:
            if not found or not (
                _LETTERS[letter] or (letter == m.G and (number == 0 or number == 1 or number == 2 or number == 3))
            ):
                return False
        elif kind != NUMBER:
            return kind <= STAR and not state & BLOCK_DELETE and count > 0
        count += 1


@m.kept
def pass_over_motion(data: Bytes, at: int) -> tuple[int, int]:
    """(n,) bytes of whole lines ended by LF, () start of a line -> start of the first other line, lines passed."""
    passed = 0
    while at < data.size:
        end = control(data, at, data.size)
        while data[end] != 10:
            end = control(data, end + 1, data.size)
        if end > at and not _only_motion(data, at, end):
            break
        at = end + 1
        passed += 1
    return at, passed
