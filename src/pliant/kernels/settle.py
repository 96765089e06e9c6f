"""The flow that settles at a store: what a store lets through and the store that a flow needs, met draw by draw.

A larger flow leaves the hot end colder and its melt thicker, and a larger store lets no more through; so the difference
of the two falls with the flow, and false position keeps its zero between two ends.
"""

from typing import NamedTuple

import numpy as np

from pliant.arrays import Floats
from pliant.kernels.compiler import njit

__all__ = ["Hot", "Store", "settled_flow"]

_CLOSE = 1e-7  # [-] of the logarithm of the flow
_ROUNDS = 60
_LEAST = np.log(1e-9)  # [log mm3/s] as in the chain: slower melt is no thicker


class Hot(NamedTuple):
    """What warms the melt, one for each draw, and the mean excess over a grid of Fourier numbers (models/melting)."""

    fourier: np.ndarray  # (n,) Fourier number at 1 mm3/s
    wall_k: float  # [K]
    inlet_k: float  # [K]
    per_k: np.ndarray  # (n,) activation energy over the gas constant [K]
    reference_k: np.ndarray  # (n,) where the consistency is stated [K]
    log_fo: np.ndarray  # (m,) even
    mean: np.ndarray  # (m,) excess at them
    first_zero: float  # its square: past the grid one term is left


class Store(NamedTuple):
    """What a store lets through, as logarithms."""

    row: np.ndarray  # (n,) place among the flow indices of the table
    flow: np.ndarray  # (rows, stores) log of the largest flow
    first: float  # log of the first store of the table
    step: float  # between stores
    held: np.ndarray  # (n,) log of the store that a flow of 1 needs of a melt of unit consistency


@njit(cache=True)
def _log_shift(log_flow, i, hot):
    """Logarithm of the factor on the consistency at the mean temperature that a flow leaves with."""
    fo = hot.fourier[i] / np.exp(log_flow)
    if fo < np.exp(hot.log_fo[0]):
        excess = 1 - 4 * np.sqrt(fo / np.pi) + fo
    elif fo > np.exp(hot.log_fo[-1]):
        excess = hot.mean[-1] * np.exp(-hot.first_zero * (fo - np.exp(hot.log_fo[-1])))
    else:
        at = (np.log(fo) - hot.log_fo[0]) / (hot.log_fo[1] - hot.log_fo[0])
        k = min(int(at), hot.mean.size - 2)
        excess = hot.mean[k] + (at - k) * (hot.mean[k + 1] - hot.mean[k])
    kelvin = hot.wall_k - (hot.wall_k - hot.inlet_k) * excess
    return hot.per_k[i] * (1 / kelvin - 1 / hot.reference_k[i])


@njit(cache=True)
def _over(x, i, log_consistency, log_scale, hot, store):
    """How much more than exp(x) comes through a store that exp(x) needs, as a logarithm; falls with x."""
    log_store = store.held[i] + log_consistency[i] + _log_shift(max(x, _LEAST), i, hot)
    # past the largest store the flow goes on falling as it last did: not at all where the job had time to fill it, as
    # the store grows where nothing drains before the job is done
    at = max((log_store - store.first) / store.step, 0.0)
    k, j = min(int(at), store.flow.shape[1] - 2), int(store.row[i])
    share = store.row[i] - j
    left = (1 - share) * store.flow[j, k] + share * store.flow[j + 1, k]
    right = (1 - share) * store.flow[j, k + 1] + share * store.flow[j + 1, k + 1]
    return log_scale + left + (at - k) * (right - left) - x


@njit(cache=True)
def settled_flow(log_scale: float, log_consistency: Floats, hot: Hot, store: Store) -> Floats:
    """(), (n,) -> (n,): log of the flow at which both meet, at a speed relative to the one of the table."""
    out = np.empty(log_consistency.size)
    last = store.flow.shape[1] - 1
    for i in range(out.size):
        j = int(store.row[i])
        share = store.row[i] - j
        x = log_scale + (1 - share) * store.flow[j, last] + share * store.flow[j + 1, last]
        y = _over(x, i, log_consistency, log_scale, hot, store)
        low, high = min(x, x + y), max(x, x + y)  # the zero lies between x and x + f(x)
        f_low = y if y >= 0 else _over(low, i, log_consistency, log_scale, hot, store)
        f_high = y if y < 0 else _over(high, i, log_consistency, log_scale, hot, store)
        for _ in range(_ROUNDS):
            if high - low < _CLOSE:
                break
            wide = f_low - f_high
            x = low + (high - low) * f_low / wide if wide > 0 else (low + high) / 2
            x = min(max(x, low), high)
            y = _over(x, i, log_consistency, log_scale, hot, store)
            if abs(y) < _CLOSE:
                low = high = x
            elif y > 0:  # the end that stays is counted half, so that both ends close in
                low, f_low, f_high = x, y, f_high / 2
            else:
                high, f_low, f_high = x, f_low / 2, y
        out[i] = (low + high) / 2
    return out
