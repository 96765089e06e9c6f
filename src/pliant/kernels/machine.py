"""The machine that the compiled reader keeps while it reads, and the marks it leaves for `program.messages`.

The machine is two arrays, `w` (whole numbers: switches, modes, counters, questions) and `f` (real numbers: state,
positions, registers, the words of the line); their places are named here. Nothing compiled raises or words a message:
a status, the line and a small detail stay in `w` and `f`. Every place is a numpy integer, since numba would compile a
function once more for each plain integer it is called with.
"""

from typing import Any

import numpy as np

from pliant.kernels.compiler import njit
from pliant.records.program import KIND_NAMES

__all__ = ["ask", "count", "fail", "fresh_machine", "helper", "hot_helper", "kept", "unknown"]  # and every place

LONGEST_LINE = 1 << 20  # [bytes]
LONGEST_LIST = 5  # lines named in one question
BLOCK = 8200  # moves that the driver takes at a time; no power of two, or all columns fall on one cache set
FARTHEST_MM = 1e5
INCH = 25.4
KIND_BEAD, KIND_TRAVEL, KIND_RETRACT, KIND_RECOVER, KIND_PRIME, KIND_DWELL, KIND_HOME = np.arange(len(KIND_NAMES))

# Moves lie side by side, (15, n); LOG is the row of the log of states, (n, 19), that was in force.
COLUMNS = ("line", "kind", "x", "y", "z", "length", "filament", "speed", "e_word", "f_word", "log", "dwell", "sweep",
           "centre_x", "centre_y")  # fmt: skip
(COL_LINE, COL_KIND, COL_PX, COL_PY, COL_PZ, COL_LENGTH, COL_FILAMENT, COL_SPEED, COL_E_WORD, COL_F_WORD,
 COL_LOG, COL_DWELL, COL_SWEEP, COL_CX, COL_CY) = np.arange(len(COLUMNS))  # fmt: skip

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
F_SIZE = STRANGE_NUMBER + STRANGES

# `w`: first the switches of program.dialects.Behaviour in their order, then modes and counters, ...
(G90_SETS_E, MANY, FIRST, EXPONENT, FAN_SHARE, ADVANCES, BARE_G92, EVERYWHERE) = np.arange(8)
(KNOWN, _KY, _KZ, OTHER_ABSOLUTE, PLANE, MOTION, WITHDRAWN, ENDED, OPENED, ANY_WORDS, LINE, N_ROWS, N_LOG, DIRTY,
 SKIP_LF, STATUS, DETAIL_LETTER, DETAIL_AT, STAMP) = np.arange(8, 27)  # fmt: skip
# ... then per question or warning (from NO_FEED on): count of lines, latest line, first lines.
ASK_NAMES = (
    "E_MODE", "E_AFTER_DIGIT", "TWO_COMMANDS", "REPEATED", "FAN", "E_STANDS", "FACTOR", "G92_ALONE", "BARE_AXES",
    "INNER_BLANK", "BRACKETS", "UNCLOSED", "BLOCK_DELETE", "INCHES", "WORDS_BEFORE", "STRETCHED", "NO_FEED",
    "STRAY_PERCENT", "AFTER_END", "UNKNOWN_WORD", "PAUSE", "LIMITS", "OTHER_TOOL", "MORE_UNKNOWN", "CUT_SHORT",
    "UNKNOWN_START", "UNKNOWN_AXIS",
)  # fmt: skip
ASKS = len(ASK_NAMES)
(ASK_E_MODE, ASK_E_AFTER_DIGIT, ASK_TWO_COMMANDS, ASK_REPEATED, ASK_FAN, ASK_E_STANDS, ASK_FACTOR, ASK_G92_ALONE,
 ASK_BARE_AXES, ASK_INNER_BLANK, ASK_BRACKETS, ASK_UNCLOSED, ASK_BLOCK_DELETE, ASK_INCHES, ASK_WORDS_BEFORE,
 ASK_STRETCHED, ASK_NO_FEED, ASK_STRAY_PERCENT, ASK_AFTER_END, ASK_UNKNOWN_WORD, ASK_PAUSE, ASK_LIMITS, ASK_OTHER_TOOL,
 ASK_MORE_UNKNOWN, ASK_CUT_SHORT, ASK_UNKNOWN_START, ASK_UNKNOWN_AXIS) = np.arange(ASKS)  # fmt: skip
ASK0 = 27
ASK_WIDTH = 2 + LONGEST_LIST
# ... then per command that was passed over: letter, count of lines, first lines.
STRANGE0 = ASK0 + ASKS * ASK_WIDTH
W_SIZE = STRANGE0 + STRANGES * ASK_WIDTH

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

(A, B, C, D, E, F, G, H, I, J, K, L, M, N, O, P, Q, R, S, T, U, V, W, X, Y, Z) = np.arange(26)
BIT_E, BIT_F, BIT_I, BIT_J, BIT_P, BIT_R = 1 << np.array([E, F, I, J, P, R])
BITS_PLACE = (1 << X) | (1 << Y) | (1 << Z)
BITS_ARC = BIT_I | BIT_J | BIT_R
BITS_MOTION = BITS_PLACE | BITS_ARC | BIT_E
BITS_OTHER_AXES = (1 << A) | (1 << B) | (1 << C) | (1 << U) | (1 << V) | (1 << W)
BITS_G10 = BITS_PLACE | (1 << L) | BIT_P | BIT_R | (1 << S)
NONE, ONE = np.arange(2)
POW10 = 10.0 ** np.arange(23)

# Words that ask for nothing this reader follows: reports, progress, motors, sound, files, waits.
QUIET_M = np.zeros(1000, dtype=np.bool_)
QUIET_M[[
    17, 18, 20, 21, 22, 23, 24, 26, 27, 28, 29, 31, 36, 39, 42, 73, 74, 75, 76, 77, 78, 80, 81, 84, 85, 105, 108, 110,
    111, 113, 114, 115, 117, 118, 119, 145, 150, 154, 155, 211, 300, 302, 400, 413, 420, 500, 501, 502, 503, 504, 862,
    928,
]] = True  # fmt: skip

# Helpers allocate nothing and their arrays outlive them, so they count no references (twice as fast); no wrapper of
# their own halves the time of the first compilation. The hot ones are inlined by force (half as fast again).
_HELPER: dict[str, Any] = {
    "error_model": "numpy", "no_cpython_wrapper": True, "no_cfunc_wrapper": True, "_nrt": False,
}  # fmt: skip
helper = njit(**_HELPER)
hot_helper = njit(forceinline=True, **_HELPER)


def kept(function):
    """Compile with a wrapper, and keep the result on disk where there is a place to keep it."""
    try:
        return njit(error_model="numpy", nogil=True, cache=True)(function)
    except RuntimeError:  # no folder that can be written to
        return njit(error_model="numpy", nogil=True)(function)


@helper
def fail(w, f, status, letter, a, b):
    """Leave an error for `program.read` to word."""
    w[STATUS] = status
    w[DETAIL_LETTER] = letter
    f[DETAIL_A] = a
    f[DETAIL_B] = b
    return status


@hot_helper
def count(w, at, line):
    """Count a line, once, and keep the first few numbers. w[at:]: count, latest, first ones."""
    if w[at + 1] != line or w[at] == 0:
        w[at + 1] = line
        if w[at] < LONGEST_LIST:
            w[at + 2 + w[at]] = line
        w[at] += 1


@helper
def ask(w, which):
    """Count the present line in a question or warning."""
    count(w, ASK0 + which * ASK_WIDTH, w[LINE])


@helper
def unknown(w, f, letter, number):
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
    ask(w, ASK_MORE_UNKNOWN)


def fresh_machine(how):
    """A machine at the origin, in millimetres, absolute, that has read nothing. (8,) int64 -> w, f"""
    f = np.zeros(F_SIZE)
    f[:STATE] = np.nan
    f[[FLOW, SPEED, UNIT, E_ABSOLUTE, ABSOLUTE, SAVED_SPEED]] = 1.0
    f[[FAN, OFFSET, OFFSET + 1, OFFSET + 2, AREA, TOOL]] = 0.0
    f[[FEED, BACK_MM, BACK_SPEED, EXTRA_SPEED, CORNER_X, CORNER_Y]] = np.nan
    w = np.zeros(W_SIZE, dtype=np.int64)
    w[:8] = how
    w[[KNOWN, KNOWN + 1, KNOWN + 2, OTHER_ABSOLUTE, DIRTY]] = 1
    w[PLANE], w[MOTION] = 17, -1
    return w, f
