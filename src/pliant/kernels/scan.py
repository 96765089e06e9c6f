"""The reader of motion programs, compiled: bytes of whole lines in, rows of moves out, no object per line.

Start at `scan`: it walks the lines of a buffer, `_line` splits one into words, `_run` gives a command to `_g`, `_m`
or `_move`. Rules: reference, tool path, section 1. The machine is two arrays, `w` (whole numbers: modes, counters,
questions) and `f` (real numbers: positions, registers, the words of the line); their places are named below. Nothing
here raises or words a message: a status, the line and a small detail are left in `w` and `f` for `program.read`.

All of it lives in one file because a compiled function kept on disk is renewed when its own file changes, not when a
file it calls into does.
"""

import math
from typing import Any

import numpy as np
from numba import njit

from pliant.records.program import KIND_NAMES

__all__ = [
    "ASK0", "ASKS", "ASK_NAMES", "ASK_WIDTH", "BLOCK", "COLUMNS", "DETAIL_A", "DETAIL_AT", "DETAIL_B", "DETAIL_C",
    "DETAIL_LETTER", "ERRORS", "LINE", "LONGEST_LINE", "LONGEST_LIST", "N_LOG", "N_ROWS", "ROOM", "STATE", "STATUS",
    "STRANGE0", "STRANGES", "STRANGE_NUMBER", "fresh_machine", "number_states", "scan", "warm",
]  # fmt: skip

LONGEST_LINE = 1 << 20  # [bytes]
LONGEST_LIST = 5  # lines named in one question
BLOCK = 8200  # moves that the driver takes at a time; no power of two, or all columns fall on one cache set
_FARTHEST_MM = 1e5
_INCH = 25.4
_BEAD, _TRAVEL, _RETRACT, _RECOVER, _PRIME, _DWELL_KIND, _HOME = np.arange(len(KIND_NAMES))

# Moves lie side by side, (15, n); LOG is the row of the log of states, (n, 19), that was in force.
COLUMNS = ("line", "kind", "x", "y", "z", "length", "filament", "speed", "e_word", "f_word", "log", "dwell", "sweep",
           "centre_x", "centre_y")  # fmt: skip
(_LINE, _KIND, _PX, _PY, _PZ, _LENGTH, _FILAMENT, _SPEED, _E_WORD, _F_WORD, _LOG, _DWELL, _SWEEP, _CX,
 _CY) = np.arange(len(COLUMNS))  # fmt: skip

# `f`: first one row of `states` in the order of records.program.STATE_DTYPE (the offset takes three places), ...
STATE = 19
(NOZZLE, BED, FAN, FLOW, SPEED, PRINT_ACCEL, RETRACT_ACCEL, TRAVEL_ACCEL, JUNCTION, CORNER, ADVANCE, OFFSET, _OY, _OZ,
 E_ABSOLUTE, ABSOLUTE, UNIT, AREA, TOOL) = np.arange(STATE)  # fmt: skip
# ... then what is not recorded per move, the last arc, the detail of an error, ...
(AT, _AY, _AZ, E_HERE, E_OTHER, E_STANDS, FEED, DEBT, DIAMETER, BACK_MM, BACK_SPEED, BACK_LIFT, EXTRA_MM, EXTRA_SPEED,
 CORNER_X, CORNER_Y, SAVED_SPEED, ARC_SWEEP, ARC_CX, ARC_CY, DETAIL_A, DETAIL_B,
 DETAIL_C) = np.arange(STATE, STATE + 23)  # fmt: skip
# ... the numbers of the words of the line, A to Z, and the numbers of commands that were passed over.
VALUE = STATE + 23
STRANGE_NUMBER = VALUE + 26
STRANGES = 64
_F_SIZE = STRANGE_NUMBER + STRANGES

# `w`: first the switches of program.dialects.Behaviour in their order, then modes and counters, ...
(G90_SETS_E, MANY, FIRST, EXPONENT, FAN_SHARE, ADVANCES, BARE_G92, EVERYWHERE) = np.arange(8)
(KNOWN, _KY, _KZ, OTHER_ABSOLUTE, PLANE, MOTION, WITHDRAWN, ENDED, OPENED, ANY_WORDS, LINE, N_ROWS, N_LOG, DIRTY,
 SKIP_LF, STATUS, DETAIL_LETTER, DETAIL_AT) = np.arange(8, 26)  # fmt: skip
# ... then per question or warning (from NO_FEED on): count of lines, latest line, first lines.
ASK_NAMES = (
    "E_MODE", "E_AFTER_DIGIT", "TWO_COMMANDS", "REPEATED", "FAN", "E_STANDS", "FACTOR", "G92_ALONE", "BARE_AXES",
    "INNER_BLANK", "BRACKETS", "UNCLOSED", "BLOCK_DELETE", "INCHES", "WORDS_BEFORE", "NO_FEED", "STRAY_PERCENT",
    "AFTER_END", "UNKNOWN_WORD", "PAUSE", "LIMITS", "OTHER_TOOL", "MORE_UNKNOWN",
)  # fmt: skip
ASKS = len(ASK_NAMES)
(_E_MODE, _E_AFTER_DIGIT, _TWO_COMMANDS, _REPEATED, _FAN, _E_STANDS, _FACTOR, _G92_ALONE, _BARE_AXES, _INNER_BLANK,
 _BRACKETS, _UNCLOSED, _BLOCK_DELETE, _INCHES, _WORDS_BEFORE, _NO_FEED, _STRAY_PERCENT, _AFTER_END, _UNKNOWN_WORD,
 _PAUSE, _LIMITS, _OTHER_TOOL, _MORE_UNKNOWN) = np.arange(ASKS)  # fmt: skip
ASK0 = 26
ASK_WIDTH = 2 + LONGEST_LIST
# ... then per command that was passed over: letter, count of lines, first lines.
STRANGE0 = ASK0 + ASKS * ASK_WIDTH
_W_SIZE = STRANGE0 + STRANGES * ASK_WIDTH

ROOM = -1  # not an error: take the rows away, or make room for more, and come back
ERRORS = (
    "", "NUL", "TOO_LONG", "UNREADABLE", "LOOSE_NUMBER", "MALFORMED", "NO_NUMBER", "EXPRESSION", "NAMED_MACRO",
    "CALL", "CHECKSUM_FORM", "CHECKSUM", "TOOLS", "MIXING", "FEED_RANGE", "RANGE", "AXIS", "FAR", "FILAMENT",
    "FIRMWARE", "FIRMWARE_LIFT", "G10_OFFSETS", "SHIFT", "MOTION_WORD", "FEED_MODE", "CENTRE_MODE", "ARC_PLANE",
    "ARC_CENTRE", "ARC_BOTH", "ARC_R", "ARC_SHORT", "ARC_RADIUS", "ARC_ENDS", "ARC_TURNS", "PERCENTAGE",
)  # fmt: skip
(_, ERR_NUL, ERR_TOO_LONG, ERR_UNREADABLE, ERR_LOOSE_NUMBER, ERR_MALFORMED, ERR_NO_NUMBER, ERR_EXPRESSION,
 ERR_NAMED_MACRO, ERR_CALL, ERR_CHECKSUM_FORM, ERR_CHECKSUM, ERR_TOOLS, ERR_MIXING, ERR_FEED_RANGE, ERR_RANGE,
 ERR_AXIS, ERR_FAR, ERR_FILAMENT, ERR_FIRMWARE, ERR_FIRMWARE_LIFT, ERR_G10_OFFSETS, ERR_SHIFT, ERR_MOTION_WORD,
 ERR_FEED_MODE, ERR_CENTRE_MODE, ERR_ARC_PLANE, ERR_ARC_CENTRE, ERR_ARC_BOTH, ERR_ARC_R, ERR_ARC_SHORT,
 ERR_ARC_RADIUS, ERR_ARC_ENDS, ERR_ARC_TURNS, ERR_PERCENTAGE) = np.arange(len(ERRORS))  # fmt: skip

(_A, _B, _C, _D, _E, _F, _G, _H, _I, _J, _K, _L, _M, _N, _O, _P, _Q, _R, _S, _T, _U, _V, _W, _X, _Y, _Z) = np.arange(26)
_BIT_E, _BIT_F, _BIT_I, _BIT_J, _BIT_P, _BIT_R = 1 << np.array([_E, _F, _I, _J, _P, _R])
_BITS_PLACE = (1 << _X) | (1 << _Y) | (1 << _Z)
_BITS_ARC = _BIT_I | _BIT_J | _BIT_R
_BITS_MOTION = _BITS_PLACE | _BITS_ARC | _BIT_E
_BITS_OTHER_AXES = (1 << _A) | (1 << _B) | (1 << _C) | (1 << _U) | (1 << _V) | (1 << _W)
_BITS_G10 = _BITS_PLACE | (1 << _L) | _BIT_P | _BIT_R | (1 << _S)
_NONE, _ONE = np.arange(2)
_POW10 = 10.0 ** np.arange(23)

# Words that ask for nothing this reader follows: reports, progress, motors, sound, files, waits.
_QUIET_M = np.zeros(1000, dtype=np.bool_)
_QUIET_M[[
    17, 18, 20, 21, 22, 23, 24, 26, 27, 28, 29, 31, 36, 39, 42, 73, 74, 75, 76, 77, 78, 80, 81, 84, 85, 105, 108, 110,
    111, 113, 114, 115, 117, 118, 119, 145, 150, 154, 155, 211, 300, 302, 400, 413, 420, 500, 501, 502, 503, 504, 862,
    928,
]] = True  # fmt: skip

# Helpers allocate nothing and their arrays outlive them, so they count no references (twice as fast); no wrapper of
# their own halves the time of the first compilation. The hot ones are inlined by force (half as fast again).
_HELPER: dict[str, Any] = {
    "error_model": "numpy", "no_cpython_wrapper": True, "no_cfunc_wrapper": True, "_nrt": False,
}  # fmt: skip
_part = njit(**_HELPER)
_hot = njit(forceinline=True, **_HELPER)


def _whole(function):
    """Compile with a wrapper, and keep the result on disk where there is a place to keep it."""
    try:
        return njit(error_model="numpy", nogil=True, cache=True)(function)
    except RuntimeError:  # no folder that can be written to
        return njit(error_model="numpy", nogil=True)(function)


@_part
def _fail(w, f, status, letter, a, b):
    """Leave an error for `program.read` to word."""
    w[STATUS] = status
    w[DETAIL_LETTER] = letter
    f[DETAIL_A] = a
    f[DETAIL_B] = b
    return status


@_hot
def _count(w, at, line):
    """Count a line, once, and keep the first few numbers. w[at:]: count, latest, first ones."""
    if w[at + 1] != line or w[at] == 0:
        w[at + 1] = line
        if w[at] < LONGEST_LIST:
            w[at + 2 + w[at]] = line
        w[at] += 1


@_part
def _ask(w, which):
    _count(w, ASK0 + which * ASK_WIDTH, w[LINE])


@_part
def _unknown(w, f, letter, number):
    """Count a line with a command that this reader does not know: STRANGE rows are letter, count, first lines."""
    for s in range(STRANGES):
        at = STRANGE0 + s * ASK_WIDTH
        if w[at + 1] == 0:
            w[at] = letter
            f[STRANGE_NUMBER + s] = number
        if w[at] == letter and f[STRANGE_NUMBER + s] == number:
            if w[at + 1] < LONGEST_LIST:
                w[at + 2 + w[at + 1]] = w[LINE]
            w[at + 1] += 1
            return
    _ask(w, _MORE_UNKNOWN)


@_hot
def _row(w, f, rows, log, kind, x, y, z, length, filament, speed):
    """Add one move, after which the machine is at (x, y, z); -> its index. Words, dwell and arc are left empty."""
    if w[DIRTY]:
        for s in range(STATE):
            log[w[N_LOG], s] = f[s]
        w[N_LOG] += 1
        w[DIRTY] = 0
    n = w[N_ROWS]
    w[N_ROWS] = n + 1
    rows[_LINE, n] = w[LINE]
    rows[_KIND, n] = kind
    rows[_PX, n] = f[AT] = x
    rows[_PY, n] = f[AT + 1] = y
    rows[_PZ, n] = f[AT + 2] = z
    rows[_LENGTH, n] = length
    rows[_FILAMENT, n] = filament
    rows[_SPEED, n] = speed
    rows[_E_WORD, n] = np.nan
    rows[_F_WORD, n] = np.nan
    rows[_LOG, n] = w[N_LOG] - 1
    rows[_DWELL, n] = 0.0
    rows[_SWEEP, n] = 0.0
    rows[_CX, n] = np.nan
    rows[_CY, n] = np.nan
    return n


@_hot
def _set(w, f, which, number):
    """Change one entry of the machine state; -0 becomes 0 so that equal states have equal bits."""
    f[which] = number + 0.0
    w[DIRTY] = 1


@_hot
def _bare(w, f, has, num, wanted):
    """Fail if a letter of `wanted` stands on the line without its number."""
    bare = has & ~num & wanted
    if bare:
        for letter in range(26):
            if bare >> letter & 1:
                return _fail(w, f, ERR_NO_NUMBER, letter, 0.0, 0.0)
    return 0


@_part
def _take(w, f, letter, low, high, scale, has, num):
    """Number of a letter times scale; NaN if absent. A missing number or one out of range is an error."""
    if not has >> letter & 1 or w[STATUS] > 0:
        return np.nan
    if not num >> letter & 1:
        _fail(w, f, ERR_NO_NUMBER, letter, 0.0, 0.0)
        return np.nan
    number = f[VALUE + letter] * scale
    if not low <= number <= high:
        _fail(w, f, ERR_RANGE, letter, number, low)
        f[DETAIL_C] = high
        return np.nan
    return number


@_part
def _store(w, f, which, letter, low, high, scale, has, num):
    """Put the number of a letter, if it is there, into a place of `f`."""
    number = _take(w, f, letter, low, high, scale, has, num)
    if not math.isnan(number):
        _set(w, f, which, number)


@_part
def _other_unit(w, f, has, num, letter):
    """Whether an index letter (T, P, ...) picks a tool, heater or fan other than the first."""
    if has & num & (1 << letter) and abs(f[VALUE + letter]) > 1e-4:
        _ask(w, _OTHER_TOOL)
        return True
    return False


@_hot
def _e_scale(f):
    """Millimetres (or, after M200, cubic millimetres) per unit of E; in inches a volume scales with the cube."""
    return f[UNIT] ** 3 if f[AREA] > 0 else f[UNIT]


@_hot
def _filament(w, f, word, length):
    """Filament that an E word asks for: (), () -> mm, after modes, factors and M200."""
    e = word * _e_scale(f)
    here, other = f[E_ABSOLUTE] != 0, w[OTHER_ABSOLUTE] != 0
    delta = e - f[E_HERE] if here else e
    delta_other = e - f[E_OTHER] if other else e
    delta_stands = e - f[E_STANDS] if here else e
    if abs(delta - delta_other) > 1e-6:
        _ask(w, _E_MODE)
    if abs(delta - delta_stands) > 1e-6:
        _ask(w, _E_STANDS)
    # E_STANDS follows the rule of the controllers that differ about relative moves
    step = e if w[ADVANCES] else 0.0
    f[E_HERE] = e if here else f[E_HERE] + step
    f[E_OTHER] = e if other else f[E_OTHER] + step
    f[E_STANDS] = e if here else f[E_STANDS] + (e - step)
    if length == 0 and f[FLOW] != 1:
        _ask(w, _FACTOR)
    factor = f[FLOW] if length > 0 or w[EVERYWHERE] else 1.0
    return delta * factor / (f[AREA] if f[AREA] > 0 else 1.0)


@_part
def _arc(w, f, code, has, num, x1, y1):
    """Length in the plane of an arc to (x1, y1); sweep (0 after an error) and centre are left in `f`."""
    f[ARC_SWEEP] = 0.0
    if w[PLANE] != 17:
        _fail(w, f, ERR_ARC_PLANE, _NONE, 0.0, 0.0)
        return 0.0
    if _bare(w, f, has, num, _BITS_ARC | _BIT_P):
        return 0.0
    if has & _BIT_P and f[VALUE + _P] != 0:
        _fail(w, f, ERR_ARC_TURNS, _P, f[VALUE + _P], 0.0)
        return 0.0
    unit = f[UNIT]
    i = f[VALUE + _I] * unit if has & _BIT_I else 0.0
    j = f[VALUE + _J] * unit if has & _BIT_J else 0.0
    r = f[VALUE + _R] * unit if has & _BIT_R else 0.0
    if not (abs(i) <= 1e7 and abs(j) <= 1e7 and abs(r) <= 1e7):
        _fail(w, f, ERR_FAR, _R if has & _BIT_R else _I, max(abs(i), abs(j), abs(r)), 1e7)
        return 0.0
    x0, y0 = f[AT], f[AT + 1]
    dx, dy = x1 - x0, y1 - y0
    if has & _BIT_R:
        chord = math.hypot(dx, dy)
        rise = r * r - chord * chord / 4
        if has & (_BIT_I | _BIT_J):
            _fail(w, f, ERR_ARC_BOTH, _NONE, 0.0, 0.0)
        elif chord == 0 or r == 0:
            _fail(w, f, ERR_ARC_R, _NONE, 0.0, 0.0)
        elif rise < -0.02 * r * r:  # up to 1 % short counts as a half circle
            _fail(w, f, ERR_ARC_SHORT, _NONE, abs(r), chord)
        if w[STATUS] > 0:
            return 0.0
        side = 1.0 if (code == 3) == (r > 0) else -1.0
        h = side * math.sqrt(max(rise, 0.0)) / chord
        cx, cy = x0 + dx / 2 - dy * h, y0 + dy / 2 + dx * h
    else:
        cx, cy = x0 + i, y0 + j
    ax, ay, bx, by = x0 - cx, y0 - cy, x1 - cx, y1 - cy
    r1 = math.hypot(ax, ay)
    off = abs(r1 - math.hypot(bx, by))
    if r1 == 0:
        _fail(w, f, ERR_ARC_RADIUS, _NONE, 0.0, 0.0)
        return 0.0
    if not has & _BIT_R and (off > 0.5 or (off > 0.005 and off > 0.001 * r1)):
        _fail(w, f, ERR_ARC_ENDS, _NONE, off, 0.0)
        return 0.0
    sweep = math.atan2(ax * by - ay * bx, ax * bx + ay * by)
    if dx == 0 and dy == 0:
        sweep = 0.0
    if code == 3 and sweep <= 0:
        sweep += 2 * math.pi
    elif code == 2 and sweep >= 0:
        sweep -= 2 * math.pi
    f[ARC_SWEEP], f[ARC_CX], f[ARC_CY] = sweep, cx, cy
    return abs(r1 * sweep)


@_hot
def _move(w, f, rows, log, code, has, num):
    """G0 to G3: one row, and one of kind _HOME before it where homing left the place unknown."""
    w[MOTION] = code
    if has & _BITS_OTHER_AXES:
        for letter in range(26):
            if has & _BITS_OTHER_AXES & (1 << letter):
                return _fail(w, f, ERR_AXIS, letter, 0.0, 0.0)
    if _bare(w, f, has, num, _BITS_PLACE | _BIT_E | _BIT_F):
        return w[STATUS]
    unit = f[UNIT]
    if has & _BIT_F:
        feed = f[VALUE + _F] * unit / 60
        if not 0 < feed <= 1e6:
            return _fail(w, f, ERR_FEED_RANGE, _F, f[VALUE + _F], 0.0)
        f[FEED] = feed
    x, y, z = f[AT], f[AT + 1], f[AT + 2]
    if has & _BITS_PLACE:
        jumped, jx, jy, jz = False, x, y, z
        absolute = f[ABSOLUTE] != 0
        for q in range(3):
            if not has >> (_X + q) & 1:
                continue
            word = f[VALUE + _X + q] * unit
            goal = word + (f[OFFSET + q] if absolute else f[AT + q])
            if not (abs(word) <= _FARTHEST_MM and abs(goal) <= _FARTHEST_MM):
                return _fail(w, f, ERR_FAR, _X + q, word, _FARTHEST_MM)
            jump = absolute and w[KNOWN + q] == 0
            if jump:
                w[KNOWN + q] = 1
                jumped = True
            if q == 0:
                x = goal
                jx = goal if jump else jx
            elif q == 1:
                y = goal
                jy = goal if jump else jy
            else:
                z = goal
                jz = goal if jump else jz
        if jumped:  # after homing the way to the first absolute place is the machine's own
            _row(w, f, rows, log, _HOME, jx, jy, jz, 0.0, 0.0, 1.0)
    dx, dy, dz = x - f[AT], y - f[AT + 1], z - f[AT + 2]
    f[ARC_SWEEP] = 0.0
    if code >= 2 and has & _BITS_ARC:
        length = math.hypot(_arc(w, f, code, has, num, x, y), dz)
        if w[STATUS] > 0:
            return w[STATUS]
    elif code >= 2 and (dx != 0 or dy != 0 or dz != 0):
        return _fail(w, f, ERR_ARC_CENTRE, _NONE, 0.0, 0.0)
    else:
        length = math.sqrt(dx * dx + dy * dy + dz * dz)
    filament = 0.0
    if has & _BIT_E:
        if not abs(f[VALUE + _E]) <= 1e8:
            return _fail(w, f, ERR_FILAMENT, _E, f[VALUE + _E], 0.0)
        filament = _filament(w, f, f[VALUE + _E], length)
        if not abs(filament) < 1e5:
            return _fail(w, f, ERR_FILAMENT, _E, filament, 0.0)
    if length == 0 and filament == 0:
        return 0
    if math.isnan(f[FEED]):
        _ask(w, _NO_FEED)
        f[FEED] = 25.0
    if filament < 0:
        kind = _RETRACT
        f[DEBT] -= filament
    elif filament > 0:
        owed = f[DEBT]
        f[DEBT] = max(0.0, owed - filament)
        flat = dx != 0 or dy != 0 or f[ARC_SWEEP] != 0
        kind = _RECOVER if owed > 0 and not flat else (_BEAD if length > 0 else _PRIME)
    else:
        kind = _TRAVEL
    if length == 0 and f[SPEED] != 1:
        _ask(w, _FACTOR)
    factor = f[SPEED] if length > 0 or w[EVERYWHERE] else 1.0
    n = _row(w, f, rows, log, kind, x, y, z, length, filament, f[FEED] * factor)
    if has & _BIT_E:
        rows[_E_WORD, n] = f[VALUE + _E]
    if has & _BIT_F:
        rows[_F_WORD, n] = f[VALUE + _F]
    if f[ARC_SWEEP] != 0:
        rows[_SWEEP, n], rows[_CX, n], rows[_CY, n] = f[ARC_SWEEP], f[ARC_CX], f[ARC_CY]
    return 0


@_part
def _declare(w, f, rows, log, has, num):
    """G92: the present place gets the coordinates given; nothing moves."""
    if _bare(w, f, has, num, _BITS_PLACE | _BIT_E):
        return w[STATUS]
    alone = not has & (_BITS_PLACE | _BIT_E)
    if alone:
        _ask(w, _G92_ALONE)
        if not w[BARE_G92]:
            return 0
    x, y, z, unheard = f[AT], f[AT + 1], f[AT + 2], False
    for q in range(3):
        if not (alone or has >> (_X + q) & 1):
            continue
        word = 0.0 if alone else f[VALUE + _X + q] * f[UNIT]
        if not abs(word) <= _FARTHEST_MM:
            return _fail(w, f, ERR_FAR, _X + q, word, _FARTHEST_MM)
        if w[KNOWN + q]:
            _set(w, f, OFFSET + q, f[AT + q] - word)
            continue
        # nobody knows where homing ended: the declared place is all there is to go by
        w[KNOWN + q] = 1
        unheard = True
        _set(w, f, OFFSET + q, 0.0)
        if q == 0:
            x = word
        elif q == 1:
            y = word
        else:
            z = word
    if unheard:
        _row(w, f, rows, log, _HOME, x, y, z, 0.0, 0.0, 1.0)
    if alone or has & _BIT_E:
        word = 0.0 if alone else f[VALUE + _E]
        if not abs(word) <= 1e8:
            return _fail(w, f, ERR_FILAMENT, _E, word, 0.0)
        word *= _e_scale(f)
        f[E_HERE] = f[E_OTHER] = f[E_STANDS] = word
    return 0


@_part
def _firmware(w, f, rows, log, code, has):
    """G10/G11: the controller's own retraction, of a length that M207 told; the E register stays."""
    if has & _BITS_G10:
        return _fail(w, f, ERR_G10_OFFSETS, _NONE, 0.0, 0.0)
    if math.isnan(f[BACK_MM]) or math.isnan(f[BACK_SPEED]):
        return _fail(w, f, ERR_FIRMWARE, _NONE, 0.0, 0.0)
    if f[BACK_LIFT] != 0:
        return _fail(w, f, ERR_FIRMWARE_LIFT, _NONE, f[BACK_LIFT], 0.0)
    back = code == 100
    if back == (w[WITHDRAWN] != 0):
        return 0
    w[WITHDRAWN] = 1 if back else 0
    length = -f[BACK_MM] if back else max(0.0, f[BACK_MM] + f[EXTRA_MM])
    speed = f[BACK_SPEED] if back or math.isnan(f[EXTRA_SPEED]) else f[EXTRA_SPEED]
    f[DEBT] = max(0.0, f[DEBT] - length)
    if length != 0:
        _row(w, f, rows, log, _RETRACT if back else _RECOVER, f[AT], f[AT + 1], f[AT + 2], 0.0, length, speed)
    return 0


@_part
def _g(w, f, rows, log, code, number, has, num):
    """A G word; `code` is ten times its number, or -1 where that is no whole tenth."""
    if code == 40:
        if has >> _S & 1:
            seconds = _take(w, f, _S, 0.0, 86400.0, 1.0, has, num)
        else:
            seconds = _take(w, f, _P, 0.0, 86400.0, 1e-3, has, num)
        if w[STATUS] > 0:
            return w[STATUS]
        n = _row(w, f, rows, log, _DWELL_KIND, f[AT], f[AT + 1], f[AT + 2], 0.0, 0.0, 1.0)
        rows[_DWELL, n] = 0.0 if math.isnan(seconds) else seconds
    elif code == 170 or code == 180 or code == 190:
        w[PLANE] = code // 10
    elif code == 200 or code == 210:
        _set(w, f, UNIT, _INCH if code == 200 else 1.0)
        if code == 200:
            _ask(w, _INCHES)
    elif code == 900 or code == 910:
        _set(w, f, ABSOLUTE, 1.0 if code == 900 else 0.0)
        if w[G90_SETS_E]:
            _set(w, f, E_ABSOLUTE, f[ABSOLUTE])
        else:
            w[OTHER_ABSOLUTE] = 1 if code == 900 else 0
    elif code == 920:
        return _declare(w, f, rows, log, has, num)
    elif code == 280:
        for q in range(3):
            if has >> (_X + q) & 1 or not has & _BITS_PLACE:
                w[KNOWN + q] = 0
                _set(w, f, OFFSET + q, 0.0)
    elif code == 100 or code == 110:
        return _firmware(w, f, rows, log, code, has)
    elif code == 650 or code == 660:
        return _fail(w, f, ERR_CALL, _G, number, 0.0)
    elif 520 <= code < 600 or 920 < code < 930:
        return _fail(w, f, ERR_SHIFT, _G, number, 0.0)
    elif code == 930 or code == 950:
        return _fail(w, f, ERR_FEED_MODE, _G, number, 0.0)
    elif code == 901:
        return _fail(w, f, ERR_CENTRE_MODE, _NONE, 0.0, 0.0)
    elif 50 <= code <= 60 or 330 <= code < 340 or 380 <= code < 390 or 730 <= code < 800 or 810 <= code < 900:
        return _fail(w, f, ERR_MOTION_WORD, _G, number, 0.0)
    elif code == 800:
        w[MOTION] = -1
    elif not (code == 290 or code == 940 or code == 610 or code == 611 or code == 640 or code == 911):
        _unknown(w, f, _G, number)
    return 0


@_part
def _m_numbers(w, f, code, has, num):
    """M204, M205, M207, M208, M900: words that only store numbers. -> whether the word was one of these."""
    unit = f[UNIT]
    if code == 2040:
        _store(w, f, PRINT_ACCEL, _S, 1e-3, 1e9, unit, has, num)
        _store(w, f, TRAVEL_ACCEL, _S, 1e-3, 1e9, unit, has, num)
        _store(w, f, PRINT_ACCEL, _P, 1e-3, 1e9, unit, has, num)
        _store(w, f, RETRACT_ACCEL, _R, 1e-3, 1e9, unit, has, num)
        _store(w, f, TRAVEL_ACCEL, _T, 1e-3, 1e9, unit, has, num)
    elif code == 2050:
        _store(w, f, JUNCTION, _J, 0.0, 1e6, unit, has, num)
        _store(w, f, CORNER_X, _X, 0.0, 1e6, unit, has, num)
        _store(w, f, CORNER_Y, _Y, 0.0, 1e6, unit, has, num)
        f[CORNER] = f[CORNER_X]
        if math.isnan(f[CORNER]) or f[CORNER_Y] < f[CORNER]:
            f[CORNER] = f[CORNER_Y]
    elif code == 2070:
        _store(w, f, BACK_MM, _S, 0.0, 1e3, unit, has, num)
        _store(w, f, BACK_SPEED, _F, 1e-3, 1e6, unit / 60, has, num)
        _store(w, f, BACK_LIFT, _Z, -1e5, 1e5, unit, has, num)
    elif code == 2080:
        _store(w, f, EXTRA_MM, _S, -1e3, 1e3, unit, has, num)
        _store(w, f, EXTRA_SPEED, _F, 1e-3, 1e6, unit / 60, has, num)
    elif code == 9000:
        _store(w, f, ADVANCE, _K, 0.0, 1e4, 1.0, has, num)
    else:
        return False
    return True


@_part
def _m_factors(w, f, code, has, num):
    """M220, M221, M200. -> whether the word was one of these."""
    if code == 2200 or code == 2210:
        if code == 2210 and (_other_unit(w, f, has, num, _T) or _other_unit(w, f, has, num, _D)):
            return True
        if code == 2200 and has >> _B & 1:
            f[SAVED_SPEED] = f[SPEED]
        if has >> _S & 1:
            if not _bare(w, f, has, num, 1 << _S):
                factor = f[VALUE + _S] / 100
                if 0 < factor <= 10:
                    _set(w, f, SPEED if code == 2200 else FLOW, factor)
                else:
                    _fail(w, f, ERR_PERCENTAGE, _M, code / 10, f[VALUE + _S])
        elif code == 2200 and has & _BIT_R:
            _set(w, f, SPEED, f[SAVED_SPEED])
        return True
    if code == 2000:
        if not _other_unit(w, f, has, num, _T):
            diameter = _take(w, f, _D, 0.0, 100.0, f[UNIT], has, num)
            on = _take(w, f, _S, 0.0, 1.0, 1.0, has, num)
            if not math.isnan(diameter):
                f[DIAMETER] = diameter
            by_volume = on != 0 if not math.isnan(on) else not math.isnan(diameter)
            _set(w, f, AREA, math.pi * f[DIAMETER] ** 2 / 4 if by_volume else 0.0)
        return True
    return False


@_part
def _heat(w, f, code, has, num):
    """M104, M109, M140, M190: targets of nozzle and bed."""
    if _other_unit(w, f, has, num, _T) or _other_unit(w, f, has, num, _P) or _other_unit(w, f, has, num, _H):
        return
    _store(w, f, NOZZLE if code < 1400 else BED, _S if has >> _S & 1 else _R, 0.0, 1000.0, 1.0, has, num)


@_part
def _fan(w, f, code, has, num):
    """M106, M107: the fan of the part, as a share of full speed."""
    if _other_unit(w, f, has, num, _P):
        return
    if code == 1070 or not has & ~_BIT_P:
        _set(w, f, FAN, 0.0 if code == 1070 else 1.0)
        return
    setting = _take(w, f, _S, 0.0, 1e9, 1.0, has, num)
    if not math.isnan(setting):
        if 0 < setting <= 1:
            _ask(w, _FAN)
        _set(w, f, FAN, setting if setting <= 1 and w[FAN_SHARE] else min(1.0, setting / 255))


@_part
def _m(w, f, code, number, has, num):
    """An M word; `code` is ten times its number, or -1 where that is no whole tenth."""
    if code == 820 or code == 830:
        _set(w, f, E_ABSOLUTE, 1.0 if code == 820 else 0.0)
        w[OTHER_ABSOLUTE] = 1 if code == 820 else 0
    elif code == 1040 or code == 1090 or code == 1400 or code == 1900:
        _heat(w, f, code, has, num)
    elif code == 1060 or code == 1070:
        _fan(w, f, code, has, num)
    elif _m_numbers(w, f, code, has, num) or _m_factors(w, f, code, has, num):
        pass
    elif code == 320 or code == 980 or code == 990 or code == 8080:
        return _fail(w, f, ERR_CALL, _M, number, 0.0)
    elif (1630 <= code <= 1660 and code % 10 == 0) or code == 5670:
        return _fail(w, f, ERR_MIXING, _M, number, 0.0)
    elif code == 0 or code == 10 or code == 250 or code == 2260 or code == 6000 or code == 6010:
        _ask(w, _PAUSE)
    elif code == 20 or code == 300:
        w[ENDED] = 1
    elif code == 2010 or code == 2030:
        _ask(w, _LIMITS)
    elif code == 60:
        if _other_unit(w, f, has, num, _T):
            return _fail(w, f, ERR_TOOLS, _T, f[VALUE + _T], 0.0)
    elif code % 10 or not 0 <= code < 10000 or not _QUIET_M[code // 10]:
        _unknown(w, f, _M, number)
    return w[STATUS]


@_hot
def _run(w, f, rows, log, letter, number, has, num):
    """Run one command; letter -1 is a line without one."""
    if w[ENDED]:
        return 0
    if letter == _T:
        return _fail(w, f, ERR_TOOLS, _T, number, 0.0) if abs(number) > 1e-4 else 0
    ten = number * 10
    code = -1
    if -0.5 < ten < 1e7:
        code = np.int64(math.floor(ten + 0.5))
        if abs(ten - code) > 1e-3:  # within 0.0001, as the standard has it
            code = -1
    motion = w[MOTION]
    if letter < 0:
        if has & (_BITS_MOTION | _BITS_OTHER_AXES):
            _ask(w, _BARE_AXES)
            if motion < 0 and not has & _BITS_OTHER_AXES:
                return 0
            code = 10 * max(0, motion)
        elif has & _BIT_F:
            code = 10
        else:
            _ask(w, _UNKNOWN_WORD)
            return 0
    elif letter == _M:
        return _m(w, f, code, number, has, num)
    if not (code == 0 or code == 10 or code == 20 or code == 30):
        return _g(w, f, rows, log, code, number, has, num)
    _move(w, f, rows, log, code // 10, has, num)
    if letter < 0:  # a line of F alone is no motion to be repeated
        w[MOTION] = motion
    return w[STATUS]


@_part
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


@_hot
def _number(buf, at, end, exponent):
    """Strict decimal number: -> value, where it ends, whether there is one. No exponent unless asked for."""
    # the ordinary case: digits and point within 16 bytes, exact after one division
    i = at
    if i < end and (buf[i] == 43 or buf[i] == 45):
        i += 1
    start, limit, mantissa = i, min(end, i + 16), _NONE
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
    number = mantissa / _POW10[decimals] if decimals else float(mantissa)
    return -number if buf[at] == 45 else number, i, True


@_part
def _long_number(buf, at, end, exponent):
    """Strict decimal number of any length: -> value, where it ends, whether there is one."""
    i, minus = at, False
    if i < end and (buf[i] == 43 or buf[i] == 45):
        minus = buf[i] == 45
        i += 1
    start = i
    mantissa, kept, shift, i = _digits(buf, i, end, _NONE, _NONE)
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
        number = mantissa / _POW10[-shift]
    elif 0 <= shift <= 22:
        number = mantissa * _POW10[shift]
    else:
        number = mantissa * 10.0**shift
    return -number if minus else number, i, True


@_hot
def _skip(w, buf, i, end):
    """Next byte that is neither blank nor comment, or `end`."""
    while i < end:
        c = buf[i]
        if c == 40:
            _ask(w, _BRACKETS)
            while i < end and buf[i] != 41:
                i += 1
            if i == end:
                _ask(w, _UNCLOSED)
                return end
        elif c == 59:
            return end
        elif c != 32 and c != 9:
            return i
        i += 1
    return end


@_part
def _checksum(w, f, buf, start, star, end):
    """Verify the digits after `*`: one to three are the XOR of the bytes before it, five a CRC-16."""
    q, told = star + 1, 0
    while q < end and q <= star + 6 and 48 <= buf[q] <= 57:
        told = told * 10 + np.int64(buf[q]) - 48
        q += 1
    digits = q - star - 1
    if digits == 0 or digits == 4 or digits > 5 or _skip(w, buf, q, end) != end:
        return _fail(w, f, ERR_CHECKSUM_FORM, _NONE, 0.0, 0.0)
    total = 0
    for i in range(start, star):
        total ^= np.int64(buf[i])
    if digits < 5:
        return _fail(w, f, ERR_CHECKSUM, _NONE, float(told), float(total)) if told != total else 0
    high, low = 0, 0  # two polynomials are in use: 0x1021 high bit first, 0x8005 low bit first (from memory)
    for i in range(start, star):
        high ^= np.int64(buf[i]) << 8
        low ^= np.int64(buf[i])
        for _ in range(8):
            high = ((high << 1) ^ (0x1021 if high & 0x8000 else 0)) & 0xFFFF
            low = (low >> 1) ^ (0xA001 if low & 1 else 0)
    return 0 if told == high or told == low else _fail(w, f, ERR_CHECKSUM, _NONE, float(told), float(high))


@_part
def _free_text(w, f, buf, start, i, end, numbered):
    """Pass over the text of a message or file name; on a numbered line its last `*` is the checksum."""
    star = -1
    while i < end and buf[i] != 59:
        if buf[i] == 42:
            star = i
        i += 1
    return _checksum(w, f, buf, start, star, end) if numbered and star >= 0 else 0


@_hot
def _is_letter(c):
    return 65 <= c <= 90 or 97 <= c <= 122


@_part
def _percent(w, f, buf, i, end):
    """`%` opens a program on its first line with content, and ends one that it opened."""
    if not w[OPENED] and not w[ANY_WORDS]:
        w[OPENED] = 1
    elif _skip(w, buf, i + 1, end) != end:
        w[DETAIL_AT] = i
        return _fail(w, f, ERR_UNREADABLE, _NONE, 0.0, 0.0)
    elif w[OPENED]:
        w[ENDED] = 1
    else:
        _ask(w, _STRAY_PERCENT)
    w[ANY_WORDS] = 1
    return 0


@_part
def _sign_trouble(w, f, c):
    """Fail over a byte that begins no word."""
    if c == 91 or c == 93 or c == 123 or c == 125 or c == 35 or 60 <= c <= 62:  # [ ] { } # < = >
        return _fail(w, f, ERR_EXPRESSION, _NONE, 0.0, 0.0)
    if 48 <= c <= 57 or c == 43 or c == 45 or c == 46:
        return _fail(w, f, ERR_LOOSE_NUMBER, _NONE, 0.0, 0.0)
    return _fail(w, f, ERR_UNREADABLE, _NONE, 0.0, 0.0)


@_hot
def _line(w, f, rows, log, buf, start, end):
    """Read and run one line; `start` is its first byte that is not blank."""
    i = _skip(w, buf, start, end)
    if i == end:
        return 0
    if buf[i] == 37:
        return _percent(w, f, buf, i, end)
    w[ANY_WORDS] = 1
    if buf[i] == 47:
        _ask(w, _BLOCK_DELETE)
        i += 1
    letter_now, number_now, has, num = -_ONE, 0.0, _NONE, _NONE
    numbered, first = _NONE, _ONE
    while i < end:
        c = np.int64(buf[i])
        if c == 32 or c == 9:
            i += 1
            continue
        w[DETAIL_AT] = i
        if not _is_letter(c):
            if c == 59 or c == 40:
                i = _skip(w, buf, i, end)
                continue
            if c == 42:
                if _checksum(w, f, buf, start, i, end):
                    return w[STATUS]
                break
            return _sign_trouble(w, f, c)
        letter = (c & 0xDF) - 65
        command = letter == _G or letter == _M
        plain = command or letter == _T or letter == _N
        i += 1
        j = i
        while j < end and (buf[j] == 32 or buf[j] == 9):
            j += 1
        number, j_end, found = _number(buf, j, end, w[EXPONENT] and not plain)
        if found:
            if j > i:
                _ask(w, _INNER_BLANK)
            i = j_end
        c = np.int64(buf[i]) if i < end else 0
        if c == 46 or c == 44 or c == 58:  # . , :
            return _fail(w, f, ERR_MALFORMED, letter, 0.0, 0.0)
        if found and w[EXPONENT] and not plain:
            for q in range(j, i):
                if buf[q] & 0xDF == 69:
                    _ask(w, _E_AFTER_DIGIT)
        if found and not plain and c & 0xDF == 69 and i + 1 < end:
            d = buf[i + 1]
            if 48 <= d <= 57 or ((d == 43 or d == 45) and i + 2 < end and 48 <= buf[i + 2] <= 57):
                _ask(w, _E_AFTER_DIGIT)
        if first:
            if letter == _N and not numbered:
                numbered = _ONE
                if not found:
                    return _fail(w, f, ERR_NO_NUMBER, _N, 0.0, 0.0)
                continue
            first = _NONE
            if letter == _O:
                return _fail(w, f, ERR_EXPRESSION, _NONE, 0.0, 0.0)
            if not found and not command and _is_letter(c):
                d = np.int64(buf[i + 1]) if i + 1 < end else 0
                if letter != _T or _is_letter(d) or d == 95:
                    return _fail(w, f, ERR_NAMED_MACRO, _NONE, 0.0, 0.0)
        if command or (letter == _T and letter_now < 0):
            if command and not found:
                return _fail(w, f, ERR_NO_NUMBER, letter, 0.0, 0.0)
            if letter_now < 0:
                if has:
                    _ask(w, _WORDS_BEFORE)
                letter_now, number_now = letter, number
            else:
                _ask(w, _TWO_COMMANDS)
                if w[MANY]:
                    if _run(w, f, rows, log, letter_now, number_now, has, num):
                        return w[STATUS]
                    letter_now, number_now, has, num = letter, number, _NONE, _NONE
            if letter == _M and (
                number == 0 or number == 1 or number == 23 or number == 28 or number == 30 or number == 32
                or number == 98 or number == 117 or number == 118 or number == 928
            ):  # fmt: skip
                if _free_text(w, f, buf, start, i, end, numbered):
                    return w[STATUS]
                break
            continue
        bit = 1 << letter
        if has & bit:
            _ask(w, _REPEATED)
            if w[FIRST]:
                continue
        has |= bit
        f[VALUE + letter] = number
        num = num | bit if found else num & ~bit
    if letter_now >= 0 or has:
        return _run(w, f, rows, log, letter_now, number_now, has, num)
    return 0


@_whole
def scan(buf, start, stop, final, w, f, rows, log):
    """Read whole lines of `buf[start:stop]`; (n,) uint8, (), (), bool, machine, rows, log -> where to go on from.

    Stops at the first byte of a line that is not complete (unless `final`) or that might not fit into `rows` and
    `log` (`w[STATUS] == ROOM`), or after an error (`w[STATUS] > 0`, its line in `w[LINE]`).
    """
    i = start
    w[STATUS] = 0
    if w[SKIP_LF] and i < stop:
        w[SKIP_LF] = 0
        if buf[i] == 10:
            i += 1
    room = min(rows.shape[1], log.shape[0])
    while i < stop:
        end = i
        limit = min(stop, i + LONGEST_LINE + 1)
        while end < limit:
            # four bytes at a time; only a few control codes, the ends of lines among them, are below 14
            while end + 4 <= limit and min(min(buf[end], buf[end + 1]), min(buf[end + 2], buf[end + 3])) > 13:
                end += 4
            if end == limit:
                break
            c = buf[end]
            if c == 10 or c == 13 or c == 0:
                break
            end += 1
        if end == limit:
            if end - i > LONGEST_LINE:
                w[LINE] += 1
                _fail(w, f, ERR_TOO_LONG, _NONE, 0.0, 0.0)
                return i
            if not final:
                return i
        elif buf[end] == 0:
            w[LINE] += 1
            _fail(w, f, ERR_NUL, _NONE, 0.0, 0.0)
            return i
        at = i
        if w[LINE] == 0 and end - i >= 3 and buf[i] == 0xEF and buf[i + 1] == 0xBB and buf[i + 2] == 0xBF:
            at += 3
        while at < end and (buf[at] == 32 or buf[at] == 9):
            at += 1
        if at == end or buf[at] == 59:
            w[LINE] += 1
        elif w[ENDED]:
            w[LINE] += 1
            if buf[at] != 40 and buf[at] != 37:
                _ask(w, _AFTER_END)
        else:
            if w[N_ROWS] + end - at + 2 > room:  # a word has two bytes or more and makes two rows at most
                w[STATUS] = ROOM
                return i
            w[LINE] += 1
            if _line(w, f, rows, log, buf, at, end):
                return i
        i = end + 1
        if end < stop and buf[end] == 13:
            if i >= stop:
                w[SKIP_LF] = 1
            elif buf[i] == 10:
                i += 1
    return min(i, stop)


@_whole
def number_states(log, n_log, states, n_states, table, number):
    """Distinct states of a log: (cap,19), (), (cap2,19), (), (2^k,) int32 hash, (cap,) int32 out -> n_states.

    `states` grows by the new ones in order of appearance; `number` says which state each row of the log is. There
    must be room for all of them, in `states` and, four times over, in `table`.
    """
    for r in range(n_log):
        h = 2166136261
        for s in range(STATE):  # exact for the values that occur; a collision only costs time
            v = log[r, s]
            v = -1.5 if v != v else v * 1048573.0  # noqa: PLR0124
            h = ((h ^ (np.int64(v * 8.0) & 0xFFFFFFFF)) * 16777619) & 0xFFFFFFFF
        h = (h ^ (h >> 15)) & (table.size - 1)
        while table[h] >= 0:
            same = True
            for s in range(STATE):
                a, b = log[r, s], states[table[h], s]
                if a != b and not (a != a and b != b):  # noqa: PLR0124
                    same = False
                    break
            if same:
                break
            h = (h + 1) & (table.size - 1)
        if table[h] < 0:
            table[h] = n_states
            for s in range(STATE):
                states[n_states, s] = log[r, s]
            n_states += 1
        number[r] = table[h]
    return n_states


def fresh_machine(how):
    """A machine at the origin, in millimetres, absolute, that has read nothing. (8,) int64 -> w, f"""
    f = np.zeros(_F_SIZE)
    f[:STATE] = np.nan
    f[[FLOW, SPEED, UNIT, E_ABSOLUTE, ABSOLUTE, SAVED_SPEED]] = 1.0
    f[[FAN, OFFSET, OFFSET + 1, OFFSET + 2, AREA, TOOL]] = 0.0
    f[[FEED, BACK_MM, BACK_SPEED, EXTRA_SPEED, CORNER_X, CORNER_Y]] = np.nan
    w = np.zeros(_W_SIZE, dtype=np.int64)
    w[:8] = how
    w[[KNOWN, KNOWN + 1, KNOWN + 2, OTHER_ABSOLUTE, DIRTY]] = 1
    w[PLANE], w[MOTION] = 17, -1
    return w, f


def warm():
    """Compile, or fetch from disk what was compiled before."""
    text = np.frombuffer(b"G1 X1 F600\n", dtype=np.uint8).copy()
    rows, log = np.empty((len(COLUMNS), 64)), np.empty((64, STATE))
    w, f = fresh_machine(np.zeros(8, dtype=np.int64))
    scan(text, 0, text.size, True, w, f, rows, log)
    number_states(log, w[N_LOG], np.empty((64, STATE)), 0, np.full(256, -1, np.int32), np.empty(64, np.int32))
