"""Moves of the compiled reader: G0 to G3, G92, G10/G11, and the numbers that commands take from their words.

`has` and `num` are sets of letters, one bit each: those on the line, and those that carry a number; the numbers are
in `f[VALUE:]`. Compiled into `scan`; see `machine` for the two arrays.
"""

import math

import numpy as np

from pliant.kernels import machine as m

__all__ = ["add_row", "declare", "fail_if_bare", "firmware", "move", "other_unit", "set_state", "store", "take"]


@m.hot_helper
def add_row(w, f, rows, log, kind, x, y, z, length, filament, speed):
    """Add one move, after which the machine is at (x, y, z); -> its index. Words, dwell and arc are left empty."""
    if w[m.DIRTY]:
        for s in range(m.STATE):
            log[w[m.N_LOG], s] = f[s]
        w[m.N_LOG] += 1
        w[m.DIRTY] = 0
    n = w[m.N_ROWS]
    w[m.N_ROWS] = n + 1
    rows[m.COL_LINE, n] = w[m.LINE]
    rows[m.COL_KIND, n] = kind
    rows[m.COL_PX, n] = f[m.AT] = x
    rows[m.COL_PY, n] = f[m.AT + 1] = y
    rows[m.COL_PZ, n] = f[m.AT + 2] = z
    rows[m.COL_LENGTH, n] = length
    rows[m.COL_FILAMENT, n] = filament
    rows[m.COL_SPEED, n] = speed
    rows[m.COL_E_WORD, n] = np.nan
    rows[m.COL_F_WORD, n] = np.nan
    rows[m.COL_LOG, n] = w[m.N_LOG] - 1
    rows[m.COL_DWELL, n] = 0.0
    rows[m.COL_SWEEP, n] = 0.0
    rows[m.COL_CX, n] = np.nan
    rows[m.COL_CY, n] = np.nan
    return n


@m.hot_helper
def set_state(w, f, which, number):
    """Change one entry of the machine state; -0 becomes 0 so that equal states have equal bits."""
    f[which] = number + 0.0
    w[m.DIRTY] = 1


@m.hot_helper
def fail_if_bare(w, f, has, num, wanted):
    """Fail if a letter of `wanted` stands on the line without its number."""
    bare = has & ~num & wanted
    if bare:
        for letter in range(26):
            if bare >> letter & 1:
                return m.fail(w, f, m.ERR_NO_NUMBER, letter, 0.0, 0.0)
    return 0


@m.helper
def take(w, f, letter, low, high, scale, has, num):
    """Number of a letter times scale; NaN if absent. A missing number or one out of range is an error."""
    if not has >> letter & 1 or w[m.STATUS] > 0:
        return np.nan
    if not num >> letter & 1:
        m.fail(w, f, m.ERR_NO_NUMBER, letter, 0.0, 0.0)
        return np.nan
    number = f[m.VALUE + letter] * scale
    if not low <= number <= high:
        m.fail(w, f, m.ERR_RANGE, letter, number, low)
        f[m.DETAIL_C] = high
        return np.nan
    return number


@m.helper
def store(w, f, which, letter, low, high, scale, has, num):
    """Put the number of a letter, if it is there, into a place of `f`."""
    number = take(w, f, letter, low, high, scale, has, num)
    if not math.isnan(number):
        set_state(w, f, which, number)


@m.helper
def other_unit(w, f, has, num, letter):
    """Whether an index letter (T, P, ...) picks a tool, heater or fan other than the first."""
    if has & num & (1 << letter) and abs(f[m.VALUE + letter]) > 1e-4:
        m.ask(w, m.ASK_OTHER_TOOL)
        return True
    return False


@m.hot_helper
def _e_scale(f):
    """Millimetres (or, after M200, cubic millimetres) per unit of E; in inches a volume scales with the cube."""
    return f[m.UNIT] ** 3 if f[m.AREA] > 0 else f[m.UNIT]


@m.hot_helper
def _filament(w, f, word, length):
    """Filament that an E word asks for: (), () -> mm, after modes, factors and M200."""
    e = word * _e_scale(f)
    here, other = f[m.E_ABSOLUTE] != 0, w[m.OTHER_ABSOLUTE] != 0
    delta = e - f[m.E_HERE] if here else e
    delta_other = e - f[m.E_OTHER] if other else e
    delta_stands = e - f[m.E_STANDS] if here else e
    if abs(delta - delta_other) > 1e-6:
        m.ask(w, m.ASK_E_MODE)
    if abs(delta - delta_stands) > 1e-6:
        m.ask(w, m.ASK_E_STANDS)
    # E_STANDS follows the rule of the controllers that differ about relative moves
    step = e if w[m.ADVANCES] else 0.0
    f[m.E_HERE] = e if here else f[m.E_HERE] + step
    f[m.E_OTHER] = e if other else f[m.E_OTHER] + step
    f[m.E_STANDS] = e if here else f[m.E_STANDS] + (e - step)
    if length == 0 and f[m.FLOW] != 1:
        m.ask(w, m.ASK_FACTOR)
    factor = f[m.FLOW] if length > 0 or w[m.EVERYWHERE] else 1.0
    return delta * factor / (f[m.AREA] if f[m.AREA] > 0 else 1.0)


@m.helper
def _arc(w, f, code, has, num, x1, y1):
    """Length in the plane of an arc to (x1, y1); sweep (0 after an error) and centre are left in `f`."""
    f[m.ARC_SWEEP] = 0.0
    if w[m.PLANE] != 17:
        m.fail(w, f, m.ERR_ARC_PLANE, m.NONE, 0.0, 0.0)
        return 0.0
    if fail_if_bare(w, f, has, num, m.BITS_ARC | m.BIT_P):
        return 0.0
    if has & m.BIT_P and f[m.VALUE + m.P] != 0:
        m.fail(w, f, m.ERR_ARC_TURNS, m.P, f[m.VALUE + m.P], 0.0)
        return 0.0
    unit = f[m.UNIT]
    i = f[m.VALUE + m.I] * unit if has & m.BIT_I else 0.0
    j = f[m.VALUE + m.J] * unit if has & m.BIT_J else 0.0
    r = f[m.VALUE + m.R] * unit if has & m.BIT_R else 0.0
    if not (abs(i) <= 1e7 and abs(j) <= 1e7 and abs(r) <= 1e7):
        m.fail(w, f, m.ERR_FAR, m.R if has & m.BIT_R else m.I, max(abs(i), abs(j), abs(r)), 1e7)
        return 0.0
    x0, y0 = f[m.AT], f[m.AT + 1]
    dx, dy = x1 - x0, y1 - y0
    if has & m.BIT_R:
        chord = math.hypot(dx, dy)
        rise = r * r - chord * chord / 4
        if has & (m.BIT_I | m.BIT_J):
            m.fail(w, f, m.ERR_ARC_BOTH, m.NONE, 0.0, 0.0)
        elif chord == 0 or r == 0:
            m.fail(w, f, m.ERR_ARC_R, m.NONE, 0.0, 0.0)
        elif rise < -0.02 * r * r:  # up to 1 % short counts as a half circle
            m.fail(w, f, m.ERR_ARC_SHORT, m.NONE, abs(r), chord / 2)
        elif chord / 2 - abs(r) > max(0.005, 0.001 * abs(r)):  # more than rounding takes off
            m.ask(w, m.ASK_STRETCHED)
        if w[m.STATUS] > 0:
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
        m.fail(w, f, m.ERR_ARC_RADIUS, m.NONE, 0.0, 0.0)
        return 0.0
    if not has & m.BIT_R and (off > 0.5 or (off > 0.005 and off > 0.001 * r1)):
        m.fail(w, f, m.ERR_ARC_ENDS, m.NONE, off, 0.0)
        return 0.0
    sweep = math.atan2(ax * by - ay * bx, ax * bx + ay * by)
    if dx == 0 and dy == 0:
        sweep = 0.0
    if code == 3 and sweep <= 0:
        sweep += 2 * math.pi
    elif code == 2 and sweep >= 0:
        sweep -= 2 * math.pi
    f[m.ARC_SWEEP], f[m.ARC_CX], f[m.ARC_CY] = sweep, cx, cy
    return abs(r1 * sweep)


@m.hot_helper
def move(w, f, rows, log, code, has, num):
    """G0 to G3: one row, and one of kind KIND_HOME before it where homing left the place unknown.

    Long on purpose: one row of the table, column by column, in the order in which a controller works a line off.
    """
    w[m.MOTION] = code
    if has & m.BITS_OTHER_AXES:
        for letter in range(26):
            if has & m.BITS_OTHER_AXES & (1 << letter):
                return m.fail(w, f, m.ERR_AXIS, letter, 0.0, 0.0)
    if fail_if_bare(w, f, has, num, m.BITS_PLACE | m.BIT_E | m.BIT_F):
        return w[m.STATUS]
    unit = f[m.UNIT]
    if has & m.BIT_F:
        feed = f[m.VALUE + m.F] * unit / 60
        if not 0 < feed <= 1e6:
            return m.fail(w, f, m.ERR_FEED_RANGE, m.F, f[m.VALUE + m.F], 0.0)
        f[m.FEED] = feed
    x, y, z = f[m.AT], f[m.AT + 1], f[m.AT + 2]
    astray = False  # the place over the plane where it starts is known to the machine alone
    if has & m.BITS_PLACE:
        jumped, jx, jy, jz = False, x, y, z
        absolute = f[m.ABSOLUTE] != 0
        for q in range(3):
            if not has >> (m.X + q) & 1:
                continue
            word = f[m.VALUE + m.X + q] * unit
            goal = word + (f[m.OFFSET + q] if absolute else f[m.AT + q])
            if not (abs(word) <= m.FARTHEST_MM and abs(goal) <= m.FARTHEST_MM):
                return m.fail(w, f, m.ERR_FAR, m.X + q, word, m.FARTHEST_MM)
            jump = absolute and w[m.KNOWN + q] == 0
            if jump:
                w[m.KNOWN + q] = 1
                jumped = True
                astray = astray or q < 2
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
            add_row(w, f, rows, log, m.KIND_HOME, jx, jy, jz, 0.0, 0.0, 1.0)
    dx, dy, dz = x - f[m.AT], y - f[m.AT + 1], z - f[m.AT + 2]
    f[m.ARC_SWEEP] = 0.0
    if code >= 2 and has & m.BITS_ARC:
        length = math.hypot(_arc(w, f, code, has, num, x, y), dz)
        if w[m.STATUS] > 0:
            return w[m.STATUS]
    elif code >= 2 and (dx != 0 or dy != 0 or dz != 0):
        return m.fail(w, f, m.ERR_ARC_CENTRE, m.NONE, 0.0, 0.0)
    else:
        length = math.sqrt(dx * dx + dy * dy + dz * dz)
    filament = 0.0
    if has & m.BIT_E:
        if not abs(f[m.VALUE + m.E]) <= 1e8:
            return m.fail(w, f, m.ERR_FILAMENT, m.E, f[m.VALUE + m.E], 0.0)
        filament = _filament(w, f, f[m.VALUE + m.E], length)
        if not abs(filament) < 1e5:
            return m.fail(w, f, m.ERR_FILAMENT, m.E, filament, 0.0)
    if length == 0 and filament == 0:
        return 0
    if math.isnan(f[m.FEED]):
        m.ask(w, m.ASK_NO_FEED)
        f[m.FEED] = 25.0
    if astray and filament > 0:
        m.ask(w, m.ASK_UNKNOWN_START)
    if filament < 0:
        kind = m.KIND_RETRACT
        f[m.DEBT] -= filament
    elif filament > 0:
        owed = f[m.DEBT]
        f[m.DEBT] = max(0.0, owed - filament)
        flat = dx != 0 or dy != 0 or f[m.ARC_SWEEP] != 0
        kind = m.KIND_RECOVER if owed > 0 and not flat else (m.KIND_BEAD if length > 0 else m.KIND_PRIME)
    else:
        kind = m.KIND_TRAVEL
    if length == 0 and f[m.SPEED] != 1:
        m.ask(w, m.ASK_FACTOR)
    if kind == m.KIND_BEAD and not (w[m.KNOWN] and w[m.KNOWN + 1] and w[m.KNOWN + 2]):
        m.ask(w, m.ASK_UNKNOWN_AXIS)
    factor = f[m.SPEED] if length > 0 or w[m.EVERYWHERE] else 1.0
    n = add_row(w, f, rows, log, kind, x, y, z, length, filament, f[m.FEED] * factor)
    if has & m.BIT_E:
        rows[m.COL_E_WORD, n] = f[m.VALUE + m.E]
    if has & m.BIT_F:
        rows[m.COL_F_WORD, n] = f[m.VALUE + m.F]
    if f[m.ARC_SWEEP] != 0:
        rows[m.COL_SWEEP, n], rows[m.COL_CX, n], rows[m.COL_CY, n] = f[m.ARC_SWEEP], f[m.ARC_CX], f[m.ARC_CY]
    return 0


@m.helper
def declare(w, f, rows, log, has, num):
    """G92: the present place gets the coordinates given; nothing moves."""
    if fail_if_bare(w, f, has, num, m.BITS_PLACE | m.BIT_E):
        return w[m.STATUS]
    alone = not has & (m.BITS_PLACE | m.BIT_E)
    if alone:
        m.ask(w, m.ASK_G92_ALONE)
        if not w[m.BARE_G92]:
            return 0
    x, y, z, unheard = f[m.AT], f[m.AT + 1], f[m.AT + 2], False
    for q in range(3):
        if not (alone or has >> (m.X + q) & 1):
            continue
        word = 0.0 if alone else f[m.VALUE + m.X + q] * f[m.UNIT]
        if not abs(word) <= m.FARTHEST_MM:
            return m.fail(w, f, m.ERR_FAR, m.X + q, word, m.FARTHEST_MM)
        if w[m.KNOWN + q]:
            set_state(w, f, m.OFFSET + q, f[m.AT + q] - word)
            continue
        # nobody knows where homing ended: the declared place is all there is to go by
        w[m.KNOWN + q] = 1
        unheard = True
        set_state(w, f, m.OFFSET + q, 0.0)
        if q == 0:
            x = word
        elif q == 1:
            y = word
        else:
            z = word
    if unheard:
        add_row(w, f, rows, log, m.KIND_HOME, x, y, z, 0.0, 0.0, 1.0)
    if alone or has & m.BIT_E:
        word = 0.0 if alone else f[m.VALUE + m.E]
        if not abs(word) <= 1e8:
            return m.fail(w, f, m.ERR_FILAMENT, m.E, word, 0.0)
        word *= _e_scale(f)
        f[m.E_HERE] = f[m.E_OTHER] = f[m.E_STANDS] = word
    return 0


@m.helper
def firmware(w, f, rows, log, code, has):
    """G10/G11: the controller's own retraction, of a length that M207 told; the E register stays."""
    if has & m.BITS_G10:
        return m.fail(w, f, m.ERR_G10_OFFSETS, m.NONE, 0.0, 0.0)
    if math.isnan(f[m.BACK_MM]) or math.isnan(f[m.BACK_SPEED]):
        return m.fail(w, f, m.ERR_FIRMWARE, m.NONE, 0.0, 0.0)
    if f[m.BACK_LIFT] != 0:
        return m.fail(w, f, m.ERR_FIRMWARE_LIFT, m.NONE, f[m.BACK_LIFT], 0.0)
    back = code == 100
    if back == (w[m.WITHDRAWN] != 0):
        return 0
    w[m.WITHDRAWN] = 1 if back else 0
    length = -f[m.BACK_MM] if back else max(0.0, f[m.BACK_MM] + f[m.EXTRA_MM])
    speed = f[m.BACK_SPEED] if back or math.isnan(f[m.EXTRA_SPEED]) else f[m.EXTRA_SPEED]
    f[m.DEBT] = max(0.0, f[m.DEBT] - length)
    if length != 0:
        add_row(
            w,
            f,
            rows,
            log,
            m.KIND_RETRACT if back else m.KIND_RECOVER,
            f[m.AT],
            f[m.AT + 1],
            f[m.AT + 2],
            0.0,
            length,
            speed,
        )
    return 0
