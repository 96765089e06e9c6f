"""Editing text in place: where lines begin, numbers as text, and the bytes put together again."""

import numpy as np

from pliant.arrays import Bools, Bytes, Floats, Ints
from pliant.kernels.compiler import njit

__all__ = ["format_numbers", "line_starts", "splice"]

_LF, _CR, _BLANK, _POINT, _MINUS, _ZERO = 10, 13, 32, 46, 45, 48


@njit(cache=True)
def line_starts(data: Bytes) -> Ints:
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
def format_numbers(value: Floats, decimals: int, prefix: Bools, letter: int) -> tuple[Bytes, Ints]:
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
def splice(
    data: Bytes, low: int, high: int, at: Ints, stop: Ints, text: Bytes, text_at: Ints, text_stop: Ints
) -> Bytes:
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
