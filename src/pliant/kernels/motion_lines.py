"""Passing over the lines of a program that hold plain motion or nothing."""

import numpy as np
from numba import njit

__all__ = ["pass_over_motion"]

_LF, _BLANK, _TAB, _STAR, _PLUS, _MINUS, _POINT, _ZERO, _SEMICOLON = 10, 32, 9, 42, 43, 45, 46, 48, 59
_G, _N = 71, 78
_WORD = np.zeros(256, dtype=np.bool_)
_WORD[[ord(letter) for letter in "XYZEFIJRxyzefijr"]] = True


@njit(cache=True)
def _blanks(data, i):
    """Next byte that is neither blank nor tab."""
    while data[i] == _BLANK or data[i] == _TAB:
        i += 1
    return i


@njit(cache=True)
def _digits(data, i):
    """Next byte that is no digit."""
    while _ZERO <= data[i] < _ZERO + 10:
        i += 1
    return i


@njit(cache=True)
def _end_of_motion(data, i):
    """End of a line that holds motion, a comment behind it, or nothing; -1 if it holds anything else."""
    i = _blanks(data, i)
    if data[i] == _LF:
        return i
    upper = data[i] & 0xDF
    if not 65 <= upper <= 90:
        return -1
    if upper == _N:
        first = i + 1
        i = _digits(data, first)
        if i == first:
            return -1
        i = _blanks(data, i)
    if data[i] & 0xDF == _G:
        first = i + 1
        i = _digits(data, first)
        if i == first or data[i - 1] > _ZERO + 3:
            return -1
        for k in range(first, i - 1):
            if data[k] != _ZERO:
                return -1
        if data[i] == _POINT:
            i += 1
            while data[i] == _ZERO:
                i += 1
            if data[i] == _POINT or _ZERO <= data[i] < _ZERO + 10:
                return -1
        i = _blanks(data, i)
    while _WORD[data[i]]:
        i = _blanks(data, i + 1)
        if data[i] == _PLUS or data[i] == _MINUS:
            i += 1
        first = i
        while data[i] == _POINT or _ZERO <= data[i] < _ZERO + 10:
            i += 1
        if i == first:
            return -1
        i = _blanks(data, i)
    if data[i] == _STAR:
        first = _blanks(data, i + 1)
        i = _digits(data, first)
        if i == first:
            return -1
        i = _blanks(data, i)
    if data[i] == _SEMICOLON:
        while data[i] != _LF:
            i += 1
    return i if data[i] == _LF else -1


@njit(cache=True)
def pass_over_motion(data, at):
    """(n,) bytes of whole lines ended by LF, () start of a line -> start of the first other line, lines passed."""
    passed = 0
    while at < data.size:
        end = _end_of_motion(data, at)
        if end < 0:
            break
        at = end + 1
        passed += 1
    return at, passed
