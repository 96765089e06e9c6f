"""Commands of the compiled reader: what each G and M word does. Start at `run`.

A code is ten times the number of its word, so that G92.1 is 921; two tables say what each does. Compiled into `scan`.
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


# What G words do, by ten times their number; for those that are refused, the error.
(_UNKNOWN, _QUIET, _DWELL, _PLANE, _UNIT, _PLACES, _DECLARE, _HOME, _FIRMWARE, _NO_MOTION) = np.arange(10)
_G = np.zeros(1000, dtype=np.int64)
_G[[290, 610, 611, 640, 911, 940]] = _QUIET
_G[[40, 800, 920, 280]] = _DWELL, _NO_MOTION, _DECLARE, _HOME
_G[[170, 180, 190]], _G[[200, 210]], _G[[900, 910]], _G[[100, 110]] = _PLANE, _UNIT, _PLACES, _FIRMWARE
_G_REFUSED = np.zeros(1000, dtype=np.int64)
_G_REFUSED[[650, 660]] = m.ERR_CALL
_G_REFUSED[520:600] = _G_REFUSED[921:930] = m.ERR_SHIFT
_G_REFUSED[[930, 950]], _G_REFUSED[901] = m.ERR_FEED_MODE, m.ERR_CENTRE_MODE
for _begin, _end in ((50, 61), (330, 340), (380, 390), (730, 800), (810, 900)):
    _G_REFUSED[_begin:_end] = m.ERR_MOTION_WORD

# The same for M words, by their number.
(_E_MODE, _HEAT, _FAN, _NUMBERS, _FACTORS, _PAUSE, _END, _LIMITS, _TOOL) = np.arange(2, 11)
_M = np.where(m.QUIET_M, _QUIET, _UNKNOWN)
_M[[82, 83]], _M[[104, 109, 140, 190]], _M[[106, 107]] = _E_MODE, _HEAT, _FAN
_M[[204, 205, 207, 208, 900]], _M[[200, 220, 221]] = _NUMBERS, _FACTORS
_M[[0, 1, 25, 226, 600, 601]], _M[[2, 30]], _M[[201, 203]], _M[6] = _PAUSE, _END, _LIMITS, _TOOL
_M_REFUSED = np.zeros(1000, dtype=np.int64)
_M_REFUSED[[32, 98, 99, 808]] = m.ERR_CALL
_M_REFUSED[[163, 164, 165, 166, 567]] = m.ERR_MIXING


@m.helper
def _dwell(w, f, rows, log, has, num):
    """G4: a pause of S seconds or P milliseconds."""
    if has >> m.S & 1:
        seconds = take(w, f, m.S, 0.0, 86400.0, 1.0, has, num)
    else:
        seconds = take(w, f, m.P, 0.0, 86400.0, 1e-3, has, num)
    if w[m.STATUS] > 0:
        return w[m.STATUS]
    n = add_row(w, f, rows, log, m.KIND_DWELL, f[m.AT], f[m.AT + 1], f[m.AT + 2], 0.0, 0.0, 1.0)
    rows[m.COL_DWELL, n] = 0.0 if math.isnan(seconds) else seconds
    return 0


@m.helper
def _g(w, f, rows, log, code, number, has, num):
    """A G word; `code` is ten times its number, or -1 where that is no whole tenth."""
    in_table = 0 <= code < len(_G)
    if in_table and _G_REFUSED[code]:
        return m.fail(w, f, _G_REFUSED[code], m.G, number, 0.0)
    does = _G[code] if in_table else _UNKNOWN
    if does == _DWELL:
        return _dwell(w, f, rows, log, has, num)
    if does == _DECLARE:
        return declare(w, f, rows, log, has, num)
    if does == _FIRMWARE:
        return firmware(w, f, rows, log, code, has)
    if does == _PLANE:
        w[m.PLANE] = code // 10
    elif does == _UNIT:
        set_state(w, f, m.UNIT, m.INCH if code == 200 else 1.0)
        if code == 200:
            m.ask(w, m.ASK_INCHES)
    elif does == _PLACES:
        set_state(w, f, m.ABSOLUTE, 1.0 if code == 900 else 0.0)
        if w[m.G90_SETS_E]:
            set_state(w, f, m.E_ABSOLUTE, f[m.ABSOLUTE])
        else:
            w[m.OTHER_ABSOLUTE] = 1 if code == 900 else 0
    elif does == _HOME:
        for q in range(3):
            if has >> (m.X + q) & 1 or not has & m.BITS_PLACE:
                w[m.KNOWN + q] = 0
                set_state(w, f, m.OFFSET + q, 0.0)
    elif does == _NO_MOTION:
        w[m.MOTION] = -1
    elif does == _UNKNOWN:
        m.unknown(w, f, m.G, number)
    return 0


@m.helper
def _m_numbers(w, f, code, has, num):
    """M204, M205, M207, M208, M900: words that only store numbers."""
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
    else:
        store(w, f, m.ADVANCE, m.K, 0.0, 1e4, 1.0, has, num)


@m.helper
def _m_factors(w, f, code, has, num):
    """M220, M221: share of speed and of flow."""
    if code == 2210 and (other_unit(w, f, has, num, m.T) or other_unit(w, f, has, num, m.D)):
        return
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


@m.helper
def _by_volume(w, f, has, num):
    """M200: E in volume, with the diameter D; D0 or S0 ends it."""
    if not other_unit(w, f, has, num, m.T):
        diameter = take(w, f, m.D, 0.0, 100.0, f[m.UNIT], has, num)
        on = take(w, f, m.S, 0.0, 1.0, 1.0, has, num)
        if not math.isnan(diameter):
            f[m.DIAMETER] = diameter
        by_volume = on != 0 if not math.isnan(on) else not math.isnan(diameter)
        set_state(w, f, m.AREA, math.pi * f[m.DIAMETER] ** 2 / 4 if by_volume else 0.0)


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
    in_table = 0 <= code < 10 * len(_M) and code % 10 == 0
    if in_table and _M_REFUSED[code // 10]:
        return m.fail(w, f, _M_REFUSED[code // 10], m.M, number, 0.0)
    does = _M[code // 10] if in_table else _UNKNOWN
    if does == _E_MODE:
        set_state(w, f, m.E_ABSOLUTE, 1.0 if code == 820 else 0.0)
        w[m.OTHER_ABSOLUTE] = 1 if code == 820 else 0
    elif does == _HEAT:
        _heat(w, f, code, has, num)
    elif does == _FAN:
        _fan(w, f, code, has, num)
    elif does == _NUMBERS:
        _m_numbers(w, f, code, has, num)
    elif does == _FACTORS:
        if code == 2000:
            _by_volume(w, f, has, num)
        else:
            _m_factors(w, f, code, has, num)
    elif does == _PAUSE:
        m.ask(w, m.ASK_PAUSE)
    elif does == _END:
        w[m.ENDED] = 1
    elif does == _LIMITS:
        m.ask(w, m.ASK_LIMITS)
    elif does == _TOOL:
        if other_unit(w, f, has, num, m.T):
            return m.fail(w, f, m.ERR_TOOLS, m.T, f[m.VALUE + m.T], 0.0)
    elif does == _UNKNOWN:
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
