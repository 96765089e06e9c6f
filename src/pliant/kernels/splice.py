"""Editing text in place: where lines begin, where a word of a line stands, and the bytes put together again."""

import numpy as np
from numba import njit

__all__ = ["find_commands", "find_words", "format_numbers", "line_starts", "splice"]

_LF, _CR, _BLANK, _TAB, _POINT, _PLUS, _MINUS, _ZERO = 10, 13, 32, 9, 46, 43, 45, 48


@njit(cache=True)
def line_starts(data):
    """(n,) bytes -> (lines + 1,): offset of every line, then of the end; lines end in LF, CRLF or a lone CR."""
    n = data.size
    count = 1
    for i in range(n):
        if data[i] == _LF or (data[i] == _CR and not (i + 1 < n and data[i + 1] == _LF)):
            count += 1
    out = np.empty(count + 1, np.int64)
    out[0] = 0
    k = 1
    for i in range(n):
        if data[i] == _LF or (data[i] == _CR and not (i + 1 < n and data[i + 1] == _LF)):
            out[k] = i + 1
            k += 1
    if out[k - 1] == n:
        return out[:k]
    out[k] = n
    return out[: k + 1]


@njit(cache=True)
def find_commands(data, letter, first, second):
    """(n,) bytes, letter (upper case), two numbers -> (k, 3): lines with the letter before either number.

    Line (from 1), where it begins and where it ends, its end apart. Zeros may lead the number. Comments and texts are
    searched too: the caller looks at the line.
    """
    out = np.empty((64, 3), np.int64)
    k = 0
    line, begin = 1, 0
    found = False
    n = data.size
    for i in range(n):
        c = data[i]
        if c == _LF or c == _CR:
            if found:
                out[k - 1, 2] = i
                found = False
            if c == _LF or not (i + 1 < n and data[i + 1] == _LF):
                line, begin = line + 1, i + 1
            continue
        if found or (c != letter and c != letter + 32):
            continue
        number = 0
        j = i + 1
        while j < n and _ZERO <= data[j] < _ZERO + 10 and number < 100000:
            number = 10 * number + np.int64(data[j]) - _ZERO
            j += 1
        if j > i + 1 and (number == first or number == second):
            if k == len(out):
                out = np.concatenate((out, np.empty_like(out)))
            out[k, 0], out[k, 1], out[k, 2] = line, begin, n
            found = True
            k += 1
    return out[:k]


@njit(cache=True)
def find_words(data, start, stop, letter):
    """Last word of a letter (upper case) in the code of lines.

    (n,) bytes, (m,), (m,), () -> (m, 3): start and end of its number, both the end of the code where there is no such
    word; and the byte that ends the code (59 ; 40 ( 42 *), 0 at the end of the line.
    """
    out = np.zeros((start.size, 3), np.int64)
    for k in range(start.size):
        code = stop[k]
        for i in range(start[k], stop[k]):
            c = data[i]
            if c in (59, 40, 42):
                code = i
                out[k, 2] = c
                break
        at = -1
        end = -1
        i = start[k]
        while i < code:
            if data[i] != letter and data[i] != letter + 32:
                i += 1
                continue
            j = i + 1
            while j < code and (data[j] == _BLANK or data[j] == _TAB):
                j += 1
            first = j
            if j < code and (data[j] == _PLUS or data[j] == _MINUS):
                j += 1
            digits = 0
            while j < code and _ZERO <= data[j] < _ZERO + 10:
                j += 1
                digits += 1
            if j < code and data[j] == _POINT:
                j += 1
                while j < code and _ZERO <= data[j] < _ZERO + 10:
                    j += 1
                    digits += 1
            if digits > 0:
                at, end = first, j
                i = j
            else:
                i += 1
        if at < 0:
            at = code
            while at > start[k] and data[at - 1] in (_BLANK, _TAB, _CR, _LF):
                at -= 1
            end = at
        out[k, 0] = at
        out[k, 1] = end
    return out


@njit(cache=True)
def format_numbers(value, decimals, prefix, letter):
    """Plain decimal text without trailing zeros.

    (n,), (), (n,) bool whether a blank and the letter stand before it, () -> bytes, (n + 1,) where each begins.
    """
    n = value.size
    text = np.empty(26 * n, np.uint8)
    begins = np.empty(n + 1, np.int64)
    digit = np.empty(20, np.uint8)
    power = 10.0**decimals
    at = 0
    for k in range(n):
        begins[k] = at
        if prefix[k]:
            text[at], text[at + 1] = _BLANK, letter
            at += 2
        whole = np.int64(np.rint(abs(value[k]) * power))
        left = decimals
        while left > 0 and whole % 10 == 0:
            whole //= 10
            left -= 1
        if value[k] < 0 and whole > 0:
            text[at] = _MINUS
            at += 1
        count = 0
        while whole > 0 or count <= left:
            digit[count] = _ZERO + whole % 10
            whole //= 10
            count += 1
        for d in range(count - 1, -1, -1):
            text[at] = digit[d]
            at += 1
            if d == left and d > 0:
                text[at] = _POINT
                at += 1
    begins[n] = at
    return text[:at], begins


@njit(cache=True)
def splice(data, low, high, at, stop, text, text_at, text_stop):
    """Bytes low to high with pieces replaced: (n,) bytes, (), (), (m,), (m,), bytes, (m,), (m,) -> bytes.

    Pieces are in order; `at == stop` puts text in.
    """
    size = high - low
    for k in range(at.size):
        size += text_stop[k] - text_at[k] - (stop[k] - at[k])
    out = np.empty(size, np.uint8)
    here = low
    w = 0
    for k in range(at.size):
        n = at[k] - here
        out[w : w + n] = data[here : at[k]]
        w += n
        n = text_stop[k] - text_at[k]
        out[w : w + n] = text[text_at[k] : text_stop[k]]
        w += n
        here = stop[k]
    out[w:] = data[here:high]
    return out
