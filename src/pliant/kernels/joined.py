"""Which things hang together: trees of parents, the smallest thing of each its root.

R. E. Tarjan, Efficiency of a good but not linear set union algorithm, J. ACM 22 (1975) 215 (from memory).
"""

from pliant.kernels.compiler import njit

__all__ = ["join", "root_of"]


@njit(cache=True)
def root_of(parent, k):
    """(n,), () -> root of thing k; the way to it is made shorter in place."""
    while parent[k] != k:
        parent[k] = parent[parent[k]]
        k = parent[k]
    return k


@njit(cache=True)
def join(parent, a, b):
    """(n,), (), () -> a and b hang together, in place; the smaller root stays one."""
    a, b = root_of(parent, a), root_of(parent, b)
    parent[max(a, b)] = min(a, b)
