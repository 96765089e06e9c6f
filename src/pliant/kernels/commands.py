"""Commands of the compiled reader: what each G and M word does. Start at `run`.

A code is ten times the number of its word, so that G92.1 is 921. Compiled into `scan`.
"""

import math

import numpy as np

from pliant.kernels import machine as m
from pliant.kernels.moves import (
    add_row,
    declare,
    fail_if_bare,
    firmware,
    move,
    other_unit,
    set_state,
    store,
    take,
)

__all__ = ["run"]


@m.helper
def _g(w, f, rows, log, code, number, has, num):
    """A G word; `code` is ten times its number, or -1 where that is no whole tenth."""
    if code == 40:
        if has >> m.S & 1:
            seconds = take(w, f, m.S, 0.0, 86400.0, 1.0, has, num)
        else:
            seconds = take(w, f, m.P, 0.0, 86400.0, 1e-3, has, num)
        if w[m.STATUS] > 0:
            return w[m.STATUS]
        n = add_row(w, f, rows, log, m.KIND_DWELL, f[m.AT], f[m.AT + 1], f[m.AT + 2], 0.0, 0.0, 1.0)
        rows[m.COL_DWELL, n] = 0.0 if math.isnan(seconds) else seconds
    elif code == 170 or code == 180 or code == 190:
        w[m.PLANE] = code // 10
    elif code == 200 or code == 210:
        set_state(w, f, m.UNIT, m.INCH if code == 200 else 1.0)
        if code == 200:
            m.ask(w, m.ASK_INCHES)
    elif code == 900 or code == 910:
        set_state(w, f, m.ABSOLUTE, 1.0 if code == 900 else 0.0)
        if w[m.G90_SETS_E]:
            set_state(w, f, m.E_ABSOLUTE, f[m.ABSOLUTE])
        else:
            w[m.OTHER_ABSOLUTE] = 1 if code == 900 else 0
    elif code == 920:
        return declare(w, f, rows, log, has, num)
    elif code == 280:
        for q in range(3):
            if has >> (m.X + q) & 1 or not has & m.BITS_PLACE:
                w[m.KNOWN + q] = 0
                set_state(w, f, m.OFFSET + q, 0.0)
    elif code == 100 or code == 110:
        return firmware(w, f, rows, log, code, has)
    elif code == 650 or code == 660:
        return m.fail(w, f, m.ERR_CALL, m.G, number, 0.0)
    elif 520 <= code < 600 or 920 < code < 930:
        return m.fail(w, f, m.ERR_SHIFT, m.G, number, 0.0)
    elif code == 930 or code == 950:
        return m.fail(w, f, m.ERR_FEED_MODE, m.G, number, 0.0)
    elif code == 901:
        return m.fail(w, f, m.ERR_CENTRE_MODE, m.NONE, 0.0, 0.0)
    elif 50 <= code <= 60 or 330 <= code < 340 or 380 <= code < 390 or 730 <= code < 800 or 810 <= code < 900:
        return m.fail(w, f, m.ERR_MOTION_WORD, m.G, number, 0.0)
    elif code == 800:
        w[m.MOTION] = -1
    elif not (code == 290 or code == 940 or code == 610 or code == 611 or code == 640 or code == 911):
        m.unknown(w, f, m.G, number)
    return 0


@m.helper
def _m_numbers(w, f, code, has, num):
    """M204, M205, M207, M208, M900: words that only store numbers. -> whether the word was one of these."""
    unit = f[m.UNIT]
    if code == 2040:
        store(w, f, m.PRINT_ACCEL, m.S, 1e-3, 1e9, unit, has, num)
        store(w, f, m.TRAVEL_ACCEL, m.S, 1e-3, 1e9, unit, has, num)
        store(w, f, m.PRINT_ACCEL, m.P, 1e-3, 1e9, unit, has, num)
        store(w, f, m.RETRACT_ACCEL, m.R, 1e-3, 1e9, unit, has, num)
        store(w, f, m.TRAVEL_ACCEL, m.T, 1e-3, 1e9, unit, has, num)
    elif code == 2050:
        store(w, f, m.JUNCTION, m.J, 0.0, 1e6, unit, has, num)
        store(w, f, m.CORNER_X, m.X, 0.0, 1e6, unit, has, num)
        store(w, f, m.CORNER_Y, m.Y, 0.0, 1e6, unit, has, num)
        f[m.CORNER] = f[m.CORNER_X]
        if math.isnan(f[m.CORNER]) or f[m.CORNER_Y] < f[m.CORNER]:
            f[m.CORNER] = f[m.CORNER_Y]
    elif code == 2070:
        store(w, f, m.BACK_MM, m.S, 0.0, 1e3, unit, has, num)
        store(w, f, m.BACK_SPEED, m.F, 1e-3, 1e6, unit / 60, has, num)
        store(w, f, m.BACK_LIFT, m.Z, -1e5, 1e5, unit, has, num)
    elif code == 2080:
        store(w, f, m.EXTRA_MM, m.S, -1e3, 1e3, unit, has, num)
        store(w, f, m.EXTRA_SPEED, m.F, 1e-3, 1e6, unit / 60, has, num)
    elif code == 9000:
        store(w, f, m.ADVANCE, m.K, 0.0, 1e4, 1.0, has, num)
    else:
        return False
    return True


@m.helper
def _m_factors(w, f, code, has, num):
    """M220, M221, M200. -> whether the word was one of these."""
    if code == 2200 or code == 2210:
        if code == 2210 and (other_unit(w, f, has, num, m.T) or other_unit(w, f, has, num, m.D)):
            return True
        if code == 2200 and has >> m.B & 1:
            f[m.SAVED_SPEED] = f[m.SPEED]
        if has >> m.S & 1:
            if not fail_if_bare(w, f, has, num, 1 << m.S):
                factor = f[m.VALUE + m.S] / 100
                if 0 < factor <= 10:
                    set_state(w, f, m.SPEED if code == 2200 else m.FLOW, factor)
                else:
                    m.fail(w, f, m.ERR_PERCENTAGE, m.M, code / 10, f[m.VALUE + m.S])
        elif code == 2200 and has & m.BIT_R:
            set_state(w, f, m.SPEED, f[m.SAVED_SPEED])
        return True
    if code == 2000:
        if not other_unit(w, f, has, num, m.T):
            diameter = take(w, f, m.D, 0.0, 100.0, f[m.UNIT], has, num)
            on = take(w, f, m.S, 0.0, 1.0, 1.0, has, num)
            if not math.isnan(diameter):
                f[m.DIAMETER] = diameter
            by_volume = on != 0 if not math.isnan(on) else not math.isnan(diameter)
            set_state(w, f, m.AREA, math.pi * f[m.DIAMETER] ** 2 / 4 if by_volume else 0.0)
        return True
    return False


@m.helper
def _heat(w, f, code, has, num):
    """M104, M109, M140, M190: targets of nozzle and bed."""
    if other_unit(w, f, has, num, m.T) or other_unit(w, f, has, num, m.P) or other_unit(w, f, has, num, m.H):
        return
    store(w, f, m.NOZZLE if code < 1400 else m.BED, m.S if has >> m.S & 1 else m.R, 0.0, 1000.0, 1.0, has, num)


@m.helper
def _fan(w, f, code, has, num):
    """M106, M107: the fan of the part, as a share of full speed."""
    if other_unit(w, f, has, num, m.P):
        return
    if code == 1070 or not has & ~m.BIT_P:
        set_state(w, f, m.FAN, 0.0 if code == 1070 else 1.0)
        return
    setting = take(w, f, m.S, 0.0, 1e9, 1.0, has, num)
    if not math.isnan(setting):
        if 0 < setting <= 1:
            m.ask(w, m.ASK_FAN)
        set_state(w, f, m.FAN, setting if setting <= 1 and w[m.FAN_SHARE] else min(1.0, setting / 255))


@m.helper
def _m(w, f, code, number, has, num):
    """An M word; `code` is ten times its number, or -1 where that is no whole tenth."""
    if code == 820 or code == 830:
        set_state(w, f, m.E_ABSOLUTE, 1.0 if code == 820 else 0.0)
        w[m.OTHER_ABSOLUTE] = 1 if code == 820 else 0
    elif code == 1040 or code == 1090 or code == 1400 or code == 1900:
        _heat(w, f, code, has, num)
    elif code == 1060 or code == 1070:
        _fan(w, f, code, has, num)
    elif _m_numbers(w, f, code, has, num) or _m_factors(w, f, code, has, num):
        pass
    elif code == 320 or code == 980 or code == 990 or code == 8080:
        return m.fail(w, f, m.ERR_CALL, m.M, number, 0.0)
    elif (1630 <= code <= 1660 and code % 10 == 0) or code == 5670:
        return m.fail(w, f, m.ERR_MIXING, m.M, number, 0.0)
    elif code == 0 or code == 10 or code == 250 or code == 2260 or code == 6000 or code == 6010:
        m.ask(w, m.ASK_PAUSE)
    elif code == 20 or code == 300:
        w[m.ENDED] = 1
    elif code == 2010 or code == 2030:
        m.ask(w, m.ASK_LIMITS)
    elif code == 60:
        if other_unit(w, f, has, num, m.T):
            return m.fail(w, f, m.ERR_TOOLS, m.T, f[m.VALUE + m.T], 0.0)
    elif code % 10 or not 0 <= code < 10000 or not m.QUIET_M[code // 10]:
        m.unknown(w, f, m.M, number)
    return w[m.STATUS]


@m.hot_helper
def run(w, f, rows, log, letter, number, has, num):
    """Run one command; letter -1 is a line without one."""
    if w[m.ENDED]:
        return 0
    if letter == m.T:
        return m.fail(w, f, m.ERR_TOOLS, m.T, number, 0.0) if abs(number) > 1e-4 else 0
    ten = number * 10
    code = -1
    if -0.5 < ten < 1e7:
        code = np.int64(math.floor(ten + 0.5))
        if abs(ten - code) > 1e-3:  # within 0.0001, as the standard has it
            code = -1
    motion = w[m.MOTION]
    if letter < 0:
        if has & (m.BITS_MOTION | m.BITS_OTHER_AXES):
            m.ask(w, m.ASK_BARE_AXES)
            if motion < 0 and not has & m.BITS_OTHER_AXES:
                return 0
            code = 10 * max(0, motion)
        elif has & m.BIT_F:
            code = 10
        else:
            m.ask(w, m.ASK_UNKNOWN_WORD)
            return 0
    elif letter == m.M:
        return _m(w, f, code, number, has, num)
    if not (code == 0 or code == 10 or code == 20 or code == 30):
        return _g(w, f, rows, log, code, number, has, num)
    move(w, f, rows, log, code // 10, has, num)
    if letter < 0:  # a line of F alone is no motion to be repeated
        w[m.MOTION] = motion
    return w[m.STATUS]
