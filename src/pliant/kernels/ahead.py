"""All that reading, checking and mending run, compiled ahead of time: which kernels, and for which arrays.

Run as a script with SHARE and OF it compiles every OF-th of the table from SHARE on, or fetches what is kept. Two
processes take half as long as one; what both need inside (a grid, a sort) both compile. The table is held against what
a check and a mending really ask for by tests/kernels/test_ahead.py.
"""

import sys
from typing import Any

import numba.types

from pliant.kernels import (
    bead,
    chewed,
    cover,
    even,
    groups,
    lay,
    level,
    load,
    order,
    pair,
    pieces,
    plan,
    rest,
    scan,
    settle,
    sight,
    splice,
    states,
    touch,
    tries,
    ways,
    words,
)  # fmt: skip

__all__ = ["KERNELS", "compile_share"]

t: Any = numba.types
_F1, _F2, _F3 = t.float64[::1], t.float64[:, ::1], t.float64[:, :, ::1]
_I1, _I2, _L1, _L2 = t.int64[::1], t.int64[:, ::1], t.int32[::1], t.int32[:, ::1]
_B1, _U1, _U2, _S1 = t.boolean[::1], t.uint8[::1], t.uint8[:, ::1], t.float32[::1]
_TEXT = t.Array(t.uint8, 1, "C", readonly=True)  # bytes of a file
_SAME2 = t.Array(t.float64, 2, "A", readonly=True)  # one value for all: a program without arcs has no centres
_f, _i, _b = t.float64, t.int64, t.boolean
_FED = t.NamedUniTuple(_F1, 8, load.Fed)
_LAWS = t.NamedTuple((_f, _f, _F2, _F1, _F1, _F2), load.Laws)
_HOT = t.NamedTuple((_F1, _f, _f, _F1, _F1, _F1, _F1, _f), settle.Hot)
_STORE = t.NamedTuple((_F1, _F2, _f, _f, _F1), settle.Store)
_AIR = t.Tuple((_I1, _I1, _L1, _L1, _B1, _I2))
_BOX = t.Tuple((t.UniTuple(_f, 5), _i, _I1, _I1))


def _walk(centre: Any) -> Any:
    return t.NamedTuple((_F2, centre, _F1, _I1, _B1), pair.Walk)


# (kernel, what it is compiled for), those that take longest first and alternating, so that shares are alike
KERNELS: tuple[tuple[Any, tuple[Any, ...]], ...] = (
    (scan.scan, (_U1, _i, _i, _b, _I1, _F1, _F2, _F2)),
    (cover.open_intervals, (_F2, _I1, _F2, _F1, _I1, _I1, _I1)),
    (pair.pair_pieces, (_walk(_SAME2), _walk(_SAME2), _i, _f, _i, _i)),
    (touch.touching_runs, (_F2, _F1, _I1, _I1, _f, _f, _b)),
    (pair.pair_pieces, (_walk(_F2), _walk(_F2), _i, _f, _i, _i)),
    (lay.lay_runs, (_U2, _U2, _F1, _F2, _F2, _F1, _F1, _I1, _I1, _i, _I2, _I1, _f, _f, _f, t.UniTuple(_I1, 4))),
    (words.find_commands, (_TEXT, _i, _i, _i)),
    (touch.piece_gaps, (_F2, _F1, _I1, _I1, _i, _F2, _F1, _I1, _I1, _i, _b, _F1)),
    (sight.join_air, (_F2, _F1, _I1, _I2, _i)),
    (load.push_along, (_FED, _L1, _S1, _LAWS, _f)),
    (ways.pull_straight, (_U2, _L2, _I2, _F2, _F1, _f, _f, _f)),
    (plan.plan_motion, (_F2, _U1, _F1, _F1, _F1, _F1, _SAME2, _L1, _F2, _F1, _F1, _F1)),
    (ways.open_length, (_F2, _F2, _F1, _BOX, _I1, _i)),
    (plan.plan_motion, (_F2, _U1, _F1, _F1, _F1, _F1, _F2, _L1, _F2, _F1, _F1, _F1)),
    (rest.seconds_under, (_F2, _I1, _i, _F2, _f, _f, _f)),
    (load.smoothed_peak, (_FED, _L1, _F1, _F1, _F1)),
    (rest.rest_of_cells, (_F2, _F1, _F1, _F1, _f)),
    (load.chunks_between, (_FED, _F1, _i, _i, _f, _F1, _F1, _F1)),
    (ways.cheapest_way, (_U2, _f, _f, _f, _f, _f, t.Tuple((_I1, _I1, t.int8[::1], _I1, _I2)))),
    (sight.shown_pieces, (_AIR, _F2, _I1, _f, _f)),
    (even.read_even, (_F1, _f, _f, _F1)),
    (settle.settled_flow, (_f, _F1, _HOT, _STORE)),
    (load.settled_peak, (_F2, _F2, _F2, _I1, _I1, _F1, _F1, _F3, _F1)),
    (ways.ground_cells, (_i, _i, _F2, _F1, _f, _f, _f, _f, _f)),
    (bead.bead_along, (_FED, _B1, _F1, _F1, _f, _f, _f, _f, _f, _f, _i)),
    (bead.count_cells, (_F1, _F1, _f)),
    (order.improve_order, (_I1, _F2, _I2, _i, _i)),
    (cover.cover_travels, (_F2, _I1, _F2, _F1, _I1)),
    (states.number_states, (_F2, _I2, _i, _F2, _i, _L1, _L1)),
    (order.near_lists, (_F2, _i)),
    (order.nearest_order, (_F2,)),
    (pieces.through_pieces, (_F2, _F1, _F1, _F1, _f, _f, _i)),
    (order.order_cost, (_I1, _F2)),
    (pieces.close_gaps, (_F2,)),
    (plan.move_seconds, (_F1, _F1, _F1, _F1, _F1, _F1)),
    (pieces.spanning_tree, (_F2,)),
    (groups.least_by_group, (_S1, _L1, _B1, _i)),
    (touch.connected, (_i, _I2)),
    (level.level_stretches, (_F1, _f)),
    (cover.grid_of, (_F2, _F1, _i, _i, _f, _I1, _I1)),
    (words.pass_over_motion, (_TEXT, _i)),
    (lay.cover_cells, (_U2, _F2, _F1, _f, _f, _f)),
    (words.find_words, (_TEXT, _I1, _I1, _i)),
    (lay.stamp_seconds, (_F2, _F2, _F1, _f, _f, _f)),
    (splice.line_starts, (_TEXT,)),
    (splice.format_numbers, (_F1, _i, _B1, _i)),
    (splice.splice, (_TEXT, _i, _i, _I1, _I1, _U1, _I1, _I1)),
    (tries.cheapest_tries, (_F2, _F2, _F2, _F1, _i, _f, _f, _f, _f, _i)),
    (chewed.pulled_too_often, (_F1, _F1, _B1, _i)),
)


def compile_share(share: int, of: int) -> None:
    """Compile every `of`-th kernel from `share` on, or fetch what is kept of it."""
    for kernel, signature in KERNELS[share::of]:
        kernel.compile(signature)


if __name__ == "__main__":
    compile_share(int(sys.argv[1]), int(sys.argv[2]))
