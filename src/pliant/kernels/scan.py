"""The reader of motion programs, compiled: bytes of whole lines in, moves out, no object per line.

Start at `scan`: it walks the lines of a buffer and `_line` gathers the words of one (`words`), strictly (reference,
tool path, section 1); `commands.run` does what they say, `machine` names what is kept.
"""

import zlib
from pathlib import Path

import numpy as np

from pliant.kernels import commands, moves, words
from pliant.kernels import machine as m
from pliant.kernels.commands import run
from pliant.kernels.states import number_states
from pliant.kernels.words import content, control, is_letter, next_word

__all__ = ["scan", "warm"]


@m.helper
def _checksum(w, f, buf, start, star, end):
    """Verify the digits after `*`: one to three are the XOR of the bytes before it, five a CRC-16."""
    q, told = star + 1, 0
    while q < end and q <= star + 6 and 48 <= buf[q] <= 57:
        told = told * 10 + np.int64(buf[q]) - 48
        q += 1
    digits = q - star - 1
    rest, state = content(buf, q, end, m.NONE)
    _remark(w, state)
    if digits == 0 or digits == 4 or digits > 5 or rest != end:
        return m.fail(w, f, m.ERR_CHECKSUM_FORM, m.NONE, 0.0, 0.0)
    total = 0
    for i in range(start, star):
        total ^= np.int64(buf[i])
    if digits < 5:
        return m.fail(w, f, m.ERR_CHECKSUM, m.NONE, float(told), float(total)) if told != total else 0
    high, low = 0, 0  # two polynomials are in use: 0x1021 high bit first, 0x8005 low bit first (from memory)
    for i in range(start, star):
        high ^= np.int64(buf[i]) << 8
        low ^= np.int64(buf[i])
        for _ in range(8):
            high = ((high << 1) ^ (0x1021 if high & 0x8000 else 0)) & 0xFFFF
            low = (low >> 1) ^ (0xA001 if low & 1 else 0)
    return 0 if told == high or told == low else m.fail(w, f, m.ERR_CHECKSUM, m.NONE, float(told), float(high))


@m.helper
def _remark(w, state):
    """Count the line where some controllers read it in another way."""
    if state & words.BLOCK_DELETE:
        m.ask(w, m.ASK_BLOCK_DELETE)
    if state & words.BRACKETS:
        m.ask(w, m.ASK_BRACKETS)
    if state & words.UNCLOSED:
        m.ask(w, m.ASK_UNCLOSED)
    if state & words.INNER_BLANK:
        m.ask(w, m.ASK_INNER_BLANK)
    if state & words.E_AFTER_DIGIT:
        m.ask(w, m.ASK_E_AFTER_DIGIT)


@m.helper
def _percent(w, f, buf, i, end):
    """`%` opens a program on its first line with content, and ends one that it opened."""
    if not w[m.OPENED] and not w[m.ANY_WORDS]:
        w[m.OPENED] = 1
    else:
        rest, state = content(buf, i + 1, end, m.NONE)
        _remark(w, state)
        if rest != end:
            w[m.DETAIL_AT] = i
            return m.fail(w, f, m.ERR_UNREADABLE, m.NONE, 0.0, 0.0)
        if w[m.OPENED]:
            w[m.ENDED] = 1
        else:
            m.ask(w, m.ASK_STRAY_PERCENT)
    w[m.ANY_WORDS] = 1
    return 0


@m.helper
def _trouble(w, f, buf, kind, letter, at, end, state):
    """Fail over what cannot be read, unless it is the `%` around a program."""
    if kind == words.MALFORMED:
        return m.fail(w, f, m.ERR_MALFORMED, letter, 0.0, 0.0)
    if kind == words.NUMBERLESS:
        return m.fail(w, f, m.ERR_NO_NUMBER, letter, 0.0, 0.0)
    c = buf[at]
    if c == 37 and state & words.OPEN:
        return _percent(w, f, buf, at, end)
    w[m.DETAIL_AT] = at
    if c == 91 or c == 93 or c == 123 or c == 125 or c == 35 or 60 <= c <= 62:  # [ ] { } # < = >
        return m.fail(w, f, m.ERR_EXPRESSION, m.NONE, 0.0, 0.0)
    if 48 <= c <= 57 or c == 43 or c == 45 or c == 46:
        return m.fail(w, f, m.ERR_LOOSE_NUMBER, m.NONE, 0.0, 0.0)
    return m.fail(w, f, m.ERR_UNREADABLE, m.NONE, 0.0, 0.0)


@m.helper
def _statement(w, f, buf, letter, at, end):
    """Fail over a line that begins with a label, a named macro or a statement: letters side by side."""
    if letter == m.O:
        return m.fail(w, f, m.ERR_EXPRESSION, m.NONE, 0.0, 0.0)
    d = np.int64(buf[at + 2]) if at + 2 < end else 0
    if at + 1 < end and is_letter(buf[at + 1]) and (letter != m.T or is_letter(d) or d == 95):
        w[m.DETAIL_AT] = at
        return m.fail(w, f, m.ERR_NAMED_MACRO, m.NONE, 0.0, 0.0)
    return 0


@m.hot_helper
def _line(w, f, rows, log, buf, start, end):
    """Read and run one line; `start` is its first byte that is not blank."""
    letter_now, number_now, has, num = -m.ONE, 0.0, m.NONE, m.NONE
    i, state = start, words.START
    while True:
        first = state & words.FIRST
        kind, at, letter, number, found, _, i, state = next_word(buf, i, end, w[m.EXPONENT], state)
        if kind != words.WORD:
            if kind == words.NUMBER:
                continue
            break
        command = letter == m.G or letter == m.M
        if first and (letter == m.O or not (found or command)) and _statement(w, f, buf, letter, at, end):
            return w[m.STATUS]
        if command or (letter == m.T and letter_now < 0):
            if command and not found:
                return m.fail(w, f, m.ERR_NO_NUMBER, letter, 0.0, 0.0)
            if letter_now < 0:
                if has:
                    m.ask(w, m.ASK_WORDS_BEFORE)
                letter_now, number_now = letter, number
            else:
                m.ask(w, m.ASK_TWO_COMMANDS)
                if w[m.MANY]:
                    if run(w, f, rows, log, letter_now, number_now, has, num):
                        return w[m.STATUS]
                    letter_now, number_now, has, num = letter, number, m.NONE, m.NONE
            continue
        bit = 1 << letter
        if has & bit:
            m.ask(w, m.ASK_REPEATED)
            if w[m.FIRST]:
                continue
        has |= bit
        f[m.VALUE + letter] = number
        num = num | bit if found else num & ~bit
    if state & words.REMARKS:
        _remark(w, state)
    if kind > words.STAR:
        return _trouble(w, f, buf, kind, letter, at, end, state)
    if kind == words.STAR or not state & words.OPEN:
        w[m.ANY_WORDS] = 1
    if kind == words.STAR and _checksum(w, f, buf, start, at, end):
        return w[m.STATUS]
    if letter_now >= 0 or has:
        return run(w, f, rows, log, letter_now, number_now, has, num)
    return 0


@m.hot_helper
def _end_of_line(buf, i, limit):
    """First end of a line, or NUL, from i on; `limit` where there is none."""
    i = control(buf, i, limit)
    while i < limit and buf[i] != 10 and buf[i] != 13 and buf[i] != 0:
        i = control(buf, i + 1, limit)
    return i


@m.hot_helper
def _first_byte(w, buf, i, end):
    """First byte of a line that is not blank; the mark of UTF-8 before the first line is passed over."""
    if w[m.LINE] == 0 and end - i >= 3 and buf[i] == 0xEF and buf[i + 1] == 0xBB and buf[i + 2] == 0xBF:
        i += 3
    while i < end and (buf[i] == 32 or buf[i] == 9):
        i += 1
    return i


def _stamp():
    """Number that changes with any file compiled into `scan`.

    Code kept on disk is renewed by numba when its own file changes, not when a file it calls into does; but what a
    function encloses is part of the key under which it is kept.
    """
    return zlib.crc32(b"".join(Path(str(part.__file__)).read_bytes() for part in (m, moves, commands, words)))


def _make(stamp):
    @m.kept
    def scan(buf, start, stop, final, w, f, rows, log):
        """Read whole lines of `buf[start:stop]`; (n,) uint8, (), (), bool, machine, rows, log -> where to go on from.

        Stops at the first byte of a line that is not complete (unless `final`) or that might not fit into `rows` and
        `log` (`w[m.STATUS] == m.ROOM`), or after an error (`w[m.STATUS] > 0`, its line in `w[m.LINE]`).
        """
        w[m.STAMP] = stamp
        i = start
        w[m.STATUS] = 0
        if w[m.SKIP_LF] and i < stop:
            w[m.SKIP_LF] = 0
            if buf[i] == 10:
                i += 1
        room = min(rows.shape[1], log.shape[0])
        while i < stop:
            limit = min(stop, i + m.LONGEST_LINE + 1)
            end = _end_of_line(buf, i, limit)
            if end == limit:
                if end - i > m.LONGEST_LINE:
                    w[m.LINE] += 1
                    m.fail(w, f, m.ERR_TOO_LONG, m.NONE, 0.0, 0.0)
                    return i
                if not final:
                    return i
            elif buf[end] == 0:
                w[m.LINE] += 1
                m.fail(w, f, m.ERR_NUL, m.NONE, 0.0, 0.0)
                return i
            at = _first_byte(w, buf, i, end)
            if at == end or buf[at] == 59:
                w[m.LINE] += 1
            elif w[m.ENDED]:
                w[m.LINE] += 1
                if buf[at] != 40 and buf[at] != 37:
                    m.ask(w, m.ASK_AFTER_END)
            else:
                if w[m.N_ROWS] + end - at + 2 > room:  # a word has two bytes or more and makes two rows at most
                    w[m.STATUS] = m.ROOM
                    return i
                w[m.LINE] += 1
                before = w[m.N_ROWS]
                if _line(w, f, rows, log, buf, at, end):
                    return i
                last = w[m.N_ROWS] - 1
                if end == stop and last >= before and rows[m.COL_KIND, last] < m.KIND_DWELL:
                    m.ask(w, m.ASK_CUT_SHORT)
            i = end + 1
            if end < stop and buf[end] == 13:
                if i >= stop:
                    w[m.SKIP_LF] = 1
                elif buf[i] == 10:
                    i += 1
        return min(i, stop)

    return scan


scan = _make(_stamp())


def warm():
    """Compile, or fetch from disk what was compiled before."""
    text = np.frombuffer(b"G1 X1 F600\n", dtype=np.uint8).copy()
    rows, log = np.empty((len(m.COLUMNS), 64)), np.empty((64, m.STATE))
    w, f = m.fresh_machine(np.zeros(8, dtype=np.int64))
    scan(text, 0, text.size, True, w, f, rows, log)
    number_states(
        log,
        log.view(np.int64),
        w[m.N_LOG],
        np.empty((64, m.STATE)),
        0,
        np.full(256, -1, np.int32),
        np.empty(64, np.int32),
    )
