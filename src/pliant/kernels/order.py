"""In which order to visit things whose own direction is fixed: local search over directed costs.

The cost from one thing to the next leads from the exit of the first to the entry of the second, so it differs both
ways. Two moves are tried: exchange of two neighbouring stretches of the order (which contains every relocation of a
stretch and keeps all directions), and reversal of the order of a stretch. Kicks that exchange random stretches lead
out of local optima; the best order found is kept. The random numbers are our own small generator, so that an order is
the same on every machine.

Place 0 is the start and the last place the end; neither moves.
"""

import numpy as np

from pliant.arrays import Floats, Ints
from pliant.kernels.compiler import njit

__all__ = ["improve_order", "near_lists", "nearest_order", "order_cost"]

_GAIN = 1e-9  # smaller gains are rounding
_REACH = 50  # places that one kick spans
_SLACK = 0.5  # share of the mean step by which a kick may be worse at first


@njit(cache=True)
def order_cost(order: Ints, cost: Floats) -> float:
    """(n,), (n,n) -> sum of the costs along the order."""
    total = 0.0
    for k in range(order.size - 1):
        total += cost[order[k], order[k + 1]]
    return total


@njit(cache=True)
def near_lists(cost: Floats, count: int) -> Ints:
    """(n,n), () -> (n,count): the cheapest followers of each thing, cheapest first; the start follows nothing."""
    n = cost.shape[0]
    near = np.empty((n, count), dtype=np.int64)
    row = np.empty(n)
    for i in range(n):
        row[:] = cost[i]
        row[i] = np.inf
        row[0] = np.inf
        near[i] = np.argsort(row, kind="mergesort")[:count]
    return near


@njit(cache=True)
def nearest_order(cost: Floats) -> Ints:
    """(n,n) -> order (n,): from the start always to the cheapest next, the end last."""
    n = cost.shape[0]
    order = np.arange(n)
    for k in range(1, n - 1):
        cheapest = k
        for m in range(k + 1, n - 1):
            if cost[order[k - 1], order[m]] < cost[order[k - 1], order[cheapest]]:
                cheapest = m
        order[k], order[cheapest] = order[cheapest], order[k]
    return order


@njit(cache=True)
def _exchange(order, place, a, b, c, spare):
    """Places a+1..b and b+1..c change sides."""
    first, second = b - a, c - b
    spare[:first] = order[a + 1 : b + 1]
    order[a + 1 : a + 1 + second] = order[b + 1 : c + 1]
    order[a + 1 + second : c + 1] = spare[:first]
    for k in range(a + 1, c + 1):
        place[order[k]] = k


@njit(cache=True)
def _sums(order, cost, forth, back):
    """Costs along the order, and along it backwards, up to each place."""
    for k in range(1, order.size):
        forth[k] = forth[k - 1] + cost[order[k - 1], order[k]]
        back[k] = back[k - 1] + cost[order[k], order[k - 1]]


@njit(cache=True)
def _best_exchange(order, place, cost, near, x):
    """Best exchange that makes some near follower y come right after x. -> gain, a, b, c"""
    n = order.size
    best, at_a, at_b, at_c = _GAIN, -1, -1, -1
    i = place[x]
    if i == n - 1:
        return best, at_a, at_b, at_c
    old = cost[x, order[i + 1]]
    for s in range(near.shape[1]):
        y = near[x, s]
        if cost[x, y] >= old:
            break
        j = place[y]
        if j == n - 1:
            continue
        # y lies ahead: a = i, b + 1 = j, and c is where the stretch from y ends
        if j > i + 1:
            a, b = i, j - 1
            gone = old + cost[order[b], y]
            for c in range(j, n - 1):
                gain = gone + cost[order[c], order[c + 1]] - cost[x, y]
                gain -= cost[order[c], order[a + 1]] + cost[order[b], order[c + 1]]
                if gain > best:
                    best, at_a, at_b, at_c = gain, a, b, c
        # y lies behind: c = i closes the second stretch and y opens the first, so a + 1 = j and x = order[c]
        elif 0 < j < i:
            a, c = j - 1, i
            gone = old + cost[order[a], y]
            for b in range(j, i):
                gain = gone + cost[order[b], order[b + 1]] - cost[x, y]
                gain -= cost[order[a], order[b + 1]] + cost[order[b], order[c + 1]]
                if gain > best:
                    best, at_a, at_b, at_c = gain, a, b, c
    return best, at_a, at_b, at_c


@njit(cache=True)
def _best_reversal(order, place, cost, near, forth, back, x):
    """Best reversal that brings x and some near follower y together. -> gain, first, last"""
    n = order.size
    best, at_first, at_last = _GAIN, -1, -1
    i = place[x]
    for s in range(near.shape[1]):
        y = near[x, s]
        j = place[y]
        for form in range(2):
            # reverse i+1..j, so that y follows x; or i..j-1, so that x comes right before y
            first, last = (i + 1, j) if form == 0 else (i, j - 1)
            if first < 1 or last > n - 2 or last <= first:
                continue
            gain = (
                cost[order[first - 1], order[first]] + forth[last] - forth[first] + cost[order[last], order[last + 1]]
            )
            gain -= cost[order[first - 1], order[last]] + back[last] - back[first] + cost[order[first], order[last + 1]]
            if gain > best:
                best, at_first, at_last = gain, first, last
    return best, at_first, at_last


@njit(cache=True)
def _descend(order, place, cost, near, awake, spare, forth, back):
    """Apply improving moves until none is left around the things that are awake."""
    n = order.size
    stale = True
    busy = True
    while busy:
        busy = False
        for k in range(n):
            x = order[k]
            if not awake[x]:
                continue
            awake[x] = False
            gain, a, b, c = _best_exchange(order, place, cost, near, x)
            if stale:
                _sums(order, cost, forth, back)
                stale = False
            other, first, last = _best_reversal(order, place, cost, near, forth, back, x)
            if other > gain:
                for end in (first - 1, first, last, last + 1):
                    awake[order[end]] = True
                lo, hi = first, last
                while lo < hi:
                    order[lo], order[hi] = order[hi], order[lo]
                    lo += 1
                    hi -= 1
                for m in range(first, last + 1):
                    place[order[m]] = m
            elif a >= 0:
                for end in (a, a + 1, b, b + 1, c, c + 1):
                    awake[order[end]] = True
                _exchange(order, place, a, b, c, spare)
            else:
                continue
            stale, busy = True, True


@njit(cache=True)
def _next_random(state):
    """One step of the multiplicative generator 48271 x mod (2^31 - 1); never 0. -> state"""
    return state * 48271 % 2147483647


@njit(cache=True)
def improve_order(order: Ints, cost: Floats, near: Ints, kicks: int, seed: int) -> Ints:
    """(n,), (n,n), (n,k), (), () -> order (n,) no dearer than the one given; place 0 and the last place stay."""
    n = order.size
    best = order.copy()
    if n < 4:
        return best
    place = np.empty(n, dtype=np.int64)
    spare = np.empty(n, dtype=np.int64)
    forth, back = np.zeros(n), np.zeros(n)
    now = order.copy()
    for k in range(n):
        place[now[k]] = k
    awake = np.ones(n, dtype=np.bool_)
    _descend(now, place, cost, near, awake, spare, forth, back)
    least = order_cost(now, cost)
    if least < order_cost(best, cost):
        best[:] = now
    else:
        least = order_cost(best, cost)
        now[:] = best
        for k in range(n):
            place[now[k]] = k
    if n < 5:
        return best
    current = now.copy()
    level = least
    state = 1 + seed % 2147483646
    for kick in range(kicks):
        # three neighbouring stretches in reverse order: no single move of the descent undoes that
        state = _next_random(state)
        a = state % (n - 4)
        room = min(n - 2 - a, _REACH)
        state = _next_random(state)
        b = a + 1 + state % (room - 2)
        state = _next_random(state)
        c = b + 1 + state % (a + room - b - 1)
        state = _next_random(state)
        d = c + 1 + state % (a + room - c)
        for end in (a, a + 1, b, b + 1, c, c + 1, d, d + 1):
            awake[now[end]] = True
        _exchange(now, place, a, c, d, spare)
        _exchange(now, place, a + d - c, a + d - c + b - a, d, spare)
        _descend(now, place, cost, near, awake, spare, forth, back)
        total = order_cost(now, cost)
        if total < least - _GAIN:
            least = total
            best[:] = now
        # a little worse is taken too, less and less so: otherwise the search stays in the first valley
        if total <= level + _SLACK * least / n * (1.0 - kick / kicks):
            level = total
            current[:] = now
        else:
            now[:] = current
            for k in range(n):
                place[now[k]] = k
    return best
