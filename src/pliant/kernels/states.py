"""Distinct machine states: a hash table in arrays."""

from pliant.arrays import Floats, Ints, Ints32
from pliant.kernels import machine as m

__all__ = ["number_states"]


@m.kept
def number_states(
    log: Floats, bits: Ints, n_log: int, states: Floats, n_states: int, table: Ints32, number: Ints32
) -> int:
    """Distinct states of a log; (cap,19), same as int64, (), (cap2,19), (), (2^k,) int32, (cap,) int32 -> n_states.

    `states` grows by the new ones in order of appearance; `number` says which state each row of the log is; `table`
    is the hash table, -1 where empty. There must be room for all, in `states` and, four times over, in `table`.
    """
    for r in range(n_log):
        h = 2166136261
        for s in range(m.STATE):
            for half in (bits[r, s] & 0xFFFFFFFF, bits[r, s] >> 32 & 0xFFFFFFFF):
                h = ((h ^ half) * 16777619) & 0xFFFFFFFF
                h ^= h >> 13
        h = (h ^ (h >> 15)) & (table.size - 1)
        while table[h] >= 0:
            same = True
            for s in range(m.STATE):
                a, b = log[r, s], states[table[h], s]
                if a != b and not (a != a and b != b):  # noqa: PLR0124
                    same = False
                    break
            if same:
                break
            h = (h + 1) & (table.size - 1)
        if table[h] < 0:
            table[h] = n_states
            for s in range(m.STATE):
                states[n_states, s] = log[r, s]
            n_states += 1
        number[r] = table[h]
    return n_states
