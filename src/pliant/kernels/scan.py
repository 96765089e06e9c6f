"""The reader of motion programs, compiled: bytes of whole lines in, moves out, no object per line.

Start at `scan`: it walks the lines of a buffer and `_line` splits one into words, strictly (reference, tool path,
section 1); `commands.run` does what they say, `machine` names what is kept.
"""

import zlib
from pathlib import Path

import numpy as np

from pliant.kernels import commands, moves
from pliant.kernels import machine as m
from pliant.kernels.commands import run
from pliant.kernels.states import number_states

__all__ = ["scan", "warm"]


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
def _number(buf, at, end, exponent):
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
def _skip(w, buf, i, end):
    """Next byte that is neither blank nor comment, or `end`."""
    while i < end:
        c = buf[i]
        if c == 40:
            m.ask(w, m.ASK_BRACKETS)
            while i < end and buf[i] != 41:
                i += 1
            if i == end:
                m.ask(w, m.ASK_UNCLOSED)
                return end
        elif c == 59:
            return end
        elif c != 32 and c != 9:
            return i
        i += 1
    return end


@m.helper
def _checksum(w, f, buf, start, star, end):
    """Verify the digits after `*`: one to three are the XOR of the bytes before it, five a CRC-16."""
    q, told = star + 1, 0
    while q < end and q <= star + 6 and 48 <= buf[q] <= 57:
        told = told * 10 + np.int64(buf[q]) - 48
        q += 1
    digits = q - star - 1
    if digits == 0 or digits == 4 or digits > 5 or _skip(w, buf, q, end) != end:
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
def _free_text(w, f, buf, start, i, end, numbered):
    """Pass over the text of a message or file name; on a numbered line its last `*` is the checksum."""
    star = -1
    while i < end and buf[i] != 59:
        if buf[i] == 42:
            star = i
        i += 1
    return _checksum(w, f, buf, start, star, end) if numbered and star >= 0 else 0


@m.hot_helper
def _is_letter(c):
    return 65 <= c <= 90 or 97 <= c <= 122


@m.helper
def _percent(w, f, buf, i, end):
    """`%` opens a program on its first line with content, and ends one that it opened."""
    if not w[m.OPENED] and not w[m.ANY_WORDS]:
        w[m.OPENED] = 1
    elif _skip(w, buf, i + 1, end) != end:
        w[m.DETAIL_AT] = i
        return m.fail(w, f, m.ERR_UNREADABLE, m.NONE, 0.0, 0.0)
    elif w[m.OPENED]:
        w[m.ENDED] = 1
    else:
        m.ask(w, m.ASK_STRAY_PERCENT)
    w[m.ANY_WORDS] = 1
    return 0


@m.helper
def _sign_trouble(w, f, c):
    """Fail over a byte that begins no word."""
    if c == 91 or c == 93 or c == 123 or c == 125 or c == 35 or 60 <= c <= 62:  # [ ] { } # < = >
        return m.fail(w, f, m.ERR_EXPRESSION, m.NONE, 0.0, 0.0)
    if 48 <= c <= 57 or c == 43 or c == 45 or c == 46:
        return m.fail(w, f, m.ERR_LOOSE_NUMBER, m.NONE, 0.0, 0.0)
    return m.fail(w, f, m.ERR_UNREADABLE, m.NONE, 0.0, 0.0)


@m.hot_helper
def _line(w, f, rows, log, buf, start, end):
    """Read and run one line; `start` is its first byte that is not blank."""
    i = _skip(w, buf, start, end)
    if i == end:
        return 0
    if buf[i] == 37:
        return _percent(w, f, buf, i, end)
    w[m.ANY_WORDS] = 1
    if buf[i] == 47:
        m.ask(w, m.ASK_BLOCK_DELETE)
        i += 1
    letter_now, number_now, has, num = -m.ONE, 0.0, m.NONE, m.NONE
    numbered, first = m.NONE, m.ONE
    while i < end:
        c = np.int64(buf[i])
        if c == 32 or c == 9:
            i += 1
            continue
        w[m.DETAIL_AT] = i
        if not _is_letter(c):
            if c == 59 or c == 40:
                i = _skip(w, buf, i, end)
                continue
            if c == 42:
                if _checksum(w, f, buf, start, i, end):
                    return w[m.STATUS]
                break
            return _sign_trouble(w, f, c)
        letter = (c & 0xDF) - 65
        command = letter == m.G or letter == m.M
        plain = command or letter == m.T or letter == m.N
        i += 1
        j = i
        while j < end and (buf[j] == 32 or buf[j] == 9):
            j += 1
        number, j_end, found = _number(buf, j, end, w[m.EXPONENT] and not plain)
        if found:
            if j > i:
                m.ask(w, m.ASK_INNER_BLANK)
            i = j_end
        c = np.int64(buf[i]) if i < end else 0
        if c == 46 or c == 44 or c == 58:  # . , :
            return m.fail(w, f, m.ERR_MALFORMED, letter, 0.0, 0.0)
        if found and w[m.EXPONENT] and not plain:
            for q in range(j, i):
                if buf[q] & 0xDF == 69:
                    m.ask(w, m.ASK_E_AFTER_DIGIT)
        if found and not plain and c & 0xDF == 69 and i + 1 < end:
            d = buf[i + 1]
            if 48 <= d <= 57 or ((d == 43 or d == 45) and i + 2 < end and 48 <= buf[i + 2] <= 57):
                m.ask(w, m.ASK_E_AFTER_DIGIT)
        if first:
            if letter == m.N and not numbered:
                numbered = m.ONE
                if not found:
                    return m.fail(w, f, m.ERR_NO_NUMBER, m.N, 0.0, 0.0)
                continue
            first = m.NONE
            if letter == m.O:
                return m.fail(w, f, m.ERR_EXPRESSION, m.NONE, 0.0, 0.0)
            if not found and not command and _is_letter(c):
                d = np.int64(buf[i + 1]) if i + 1 < end else 0
                if letter != m.T or _is_letter(d) or d == 95:
                    return m.fail(w, f, m.ERR_NAMED_MACRO, m.NONE, 0.0, 0.0)
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
            if letter == m.M and (
                number == 0 or number == 1 or number == 23 or number == 28 or number == 30 or number == 32
                or number == 98 or number == 117 or number == 118 or number == 928
            ):  # fmt: skip
                if _free_text(w, f, buf, start, i, end, numbered):
                    return w[m.STATUS]
                break
            continue
        bit = 1 << letter
        if has & bit:
            m.ask(w, m.ASK_REPEATED)
            if w[m.FIRST]:
                continue
        has |= bit
        f[m.VALUE + letter] = number
        num = num | bit if found else num & ~bit
    if letter_now >= 0 or has:
        return run(w, f, rows, log, letter_now, number_now, has, num)
    return 0


def _stamp():
    """Number that changes with any file compiled into `scan`.

    Code kept on disk is renewed by numba when its own file changes, not when a file it calls into does; but what a
    function encloses is part of the key under which it is kept.
    """
    return zlib.crc32(b"".join(Path(str(part.__file__)).read_bytes() for part in (m, moves, commands)))


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
            end = i
            limit = min(stop, i + m.LONGEST_LINE + 1)
            while end < limit:
                # four bytes at a time; only a few control codes, the ends of lines among them, are below 14
                while end + 4 <= limit and min(buf[end], buf[end + 1], buf[end + 2], buf[end + 3]) > 13:
                    end += 4
                if end == limit:
                    break
                c = buf[end]
                if c == 10 or c == 13 or c == 0:
                    break
                end += 1
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
            at = i
            if w[m.LINE] == 0 and end - i >= 3 and buf[i] == 0xEF and buf[i + 1] == 0xBB and buf[i + 2] == 0xBF:
                at += 3
            while at < end and (buf[at] == 32 or buf[at] == 9):
                at += 1
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
