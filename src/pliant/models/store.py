"""The store between drive and nozzle, and the feed that keeps the flow right through starts, stops and changes.

Only the volume stored at a flow counts, S(q) = s1 q^n, never what stores it. Left out: friction that holds the push
back on the way in and not on the way out, and the part of the store that answers late (`kernels.bead` follows it).
No published measurement of this store in soft filament was found; `learn` reads it off a test piece. Start with
`planned_feed_mm3_per_s`.
"""

import numpy as np
from numpy.typing import NDArray

from pliant.arrays import Number
from pliant.checks import as_floats, require_not_negative, require_positive
from pliant.errors import DomainError

__all__ = ["flow_of_store_mm3_per_s", "planned_feed_mm3_per_s", "store_left_mm3", "stored_mm3"]

_LINEAR = 1e-9  # [-] how near to 1 an index counts as 1


def stored_mm3(flow_mm3_per_s: Number, store_at_one_mm3: Number, flow_index: Number) -> Number:
    r"""Volume stored between drive and nozzle at a steady flow.

    Parameters
    ----------
    flow_mm3_per_s : float or ndarray
        Flow. [mm3/s]
    store_at_one_mm3 : float or ndarray
        Volume stored at 1 mm3/s; with an index of 1 the number is the lag in seconds. [mm3]
    flow_index : float or ndarray
        Index n of the power law, at most 1. [-]

    Returns
    -------
    ndarray
        Volume. [mm3]

    Raises
    ------
    DomainError
        If flow or store is negative, or the index not within (0, 1].

    Notes
    -----
    .. math:: S(q) = s_1 q^n

    What a compliance C stores at the pressure of a power-law nozzle: s1 = C G with P = G q^n (`models.lag`).

    Examples
    --------
    >>> float(stored_mm3(4.0, 1.5, 0.5))
    3.0
    """
    require_not_negative(flow_mm3_per_s=flow_mm3_per_s, store_at_one_mm3=store_at_one_mm3)
    n = _index(flow_index)
    q, s1 = as_floats(flow_mm3_per_s, store_at_one_mm3)
    return s1 * q**n


def flow_of_store_mm3_per_s(stored_mm3: Number, store_at_one_mm3: Number, flow_index: Number) -> Number:
    """Flow that a store pushes out: `stored_mm3` turned round.

    Parameters
    ----------
    stored_mm3 : float or ndarray
        Volume stored. [mm3]
    store_at_one_mm3 : float or ndarray
        Volume stored at 1 mm3/s. [mm3]
    flow_index : float or ndarray
        Index n of the power law, at most 1. [-]

    Returns
    -------
    ndarray
        Flow. [mm3/s]

    Raises
    ------
    DomainError
        If the volume is negative, the store not positive, or the index not within (0, 1].

    Examples
    --------
    >>> float(flow_of_store_mm3_per_s(3.0, 1.5, 0.5))
    4.0
    """
    require_not_negative(stored_mm3=stored_mm3)
    require_positive(store_at_one_mm3=store_at_one_mm3)
    n = _index(flow_index)
    volume, s1 = as_floats(stored_mm3, store_at_one_mm3)
    return (volume / s1) ** (1 / n)


def store_left_mm3(
    start_mm3: Number, time_s: Number, store_at_one_mm3: Number, flow_index: Number
) -> NDArray[np.float64]:
    r"""Volume still stored a time after the feed has stopped.

    Parameters
    ----------
    start_mm3 : float or ndarray
        Volume stored when it stopped. [mm3]
    time_s : float or ndarray
        Time since. [s]
    store_at_one_mm3 : float or ndarray
        Volume stored at 1 mm3/s. [mm3]
    flow_index : float or ndarray
        Index n of the power law, at most 1. [-]

    Returns
    -------
    ndarray
        Volume. [mm3]

    Raises
    ------
    DomainError
        If start or time is negative, the store not positive, or the index not within (0, 1].

    Notes
    -----
    .. math:: S(t) = \left[S_0^{1-1/n} + (1/n - 1)\, s_1^{-1/n}\, t\right]^{1/(1-1/n)}

    For n = 1 the exponential, S0 exp(-t / s1). It is `models.lag.ooze_mm3` seen from the other side.

    Examples
    --------
    >>> [round(float(store_left_mm3(3.0, t, 1.5, 0.5)), 2) for t in (0.0, 0.75, 75.0)]
    [3.0, 1.5, 0.03]
    """
    require_not_negative(start_mm3=start_mm3, time_s=time_s)
    require_positive(store_at_one_mm3=store_at_one_mm3)
    n = _index(flow_index)
    s0, t, s1 = as_floats(start_mm3, time_s, store_at_one_mm3)
    r = 1 / n - 1
    linear = r < _LINEAR
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        # in units of the time in which the first flow would empty it, so that no power of a small store overflows
        x = np.where(s0 > 0, t * (s0 / s1) ** (1 / n) / np.where(s0 > 0, s0, 1.0), 0.0)
        left = s0 * np.where(linear, np.exp(-x), np.exp(-np.log1p(r * x) / np.where(linear, 1.0, r)))
    return np.asarray(left, dtype=float)


def planned_feed_mm3_per_s(
    flow_mm3_per_s: NDArray[np.float64],
    step_s: float,
    store_at_one_mm3: float,
    flow_index: float,
    *,
    start_mm3: float = 0.0,
    most_mm3_per_s: float = np.inf,
    rise_s: float = 0.0,
) -> NDArray[np.float64]:
    r"""Feed that makes the nozzle give a wanted flow, as far as the drive can.

    Parameters
    ----------
    flow_mm3_per_s : ndarray
        Wanted at n + 1 moments, a step apart, `(n + 1,)`. [mm3/s]
    step_s : float
        Time between two moments. [s]
    store_at_one_mm3 : float
        Volume stored at 1 mm3/s. [mm3]
    flow_index : float
        Index n of the power law, at most 1. [-]
    start_mm3 : float, default 0
        Volume stored at the first moment. [mm3]
    most_mm3_per_s : float, default inf
        Largest feed, and pull, of the drive. [mm3/s]
    rise_s : float, default 0
        Time in which the drive comes to it from rest. [s]

    Returns
    -------
    ndarray
        Mean feed of each step, `(n,)`; below 0 it draws back. [mm3/s]

    Raises
    ------
    DomainError
        If a flow, the store or a time is negative, the step not positive, or the index not within (0, 1].

    Notes
    -----
    .. math:: A u = q^* + \frac{dS(q^*)}{dt}

    What the drive cannot give in a step it gives as soon as it can, and it begins to ease off in time. It never draws
    back more than is stored: the filament is never pulled. Without a store the feed is the flow.

    Examples
    --------
    >>> planned_feed_mm3_per_s(np.array([0.0, 1.0, 1.0]), 0.5, 2.0, 1.0).tolist()
    [4.5, 1.0]
    """
    require_not_negative(flow_mm3_per_s=flow_mm3_per_s, start_mm3=start_mm3, rise_s=rise_s)
    require_positive(step_s=step_s)
    if not most_mm3_per_s > 0:
        raise DomainError(f"most_mm3_per_s must be > 0, got {most_mm3_per_s:g}")
    target = np.asarray(stored_mm3(flow_mm3_per_s, store_at_one_mm3, flow_index))
    wanted = np.asarray(flow_mm3_per_s, dtype=float)
    mean = (wanted[1:] + wanted[:-1]) / 2
    gain = most_mm3_per_s / rise_s if rise_s > 0 else np.inf  # [mm3/s2]
    feed, stored, before = np.empty(mean.size), float(start_mm3), float(mean[0]) if mean.size else 0.0
    for i, q in enumerate(mean):
        owed = float(target[i + 1]) - stored
        near = np.sqrt(2 * gain * abs(owed)) if np.isfinite(gain) else np.inf  # still eases off in time
        wish = q + float(np.clip(owed / step_s, -near, near))
        wish = float(np.clip(wish, before - gain * step_s, before + gain * step_s))
        wish = float(np.clip(wish, -most_mm3_per_s, most_mm3_per_s))
        feed[i] = max(wish, q - stored / step_s)
        stored = max(stored + (feed[i] - q) * step_s, 0.0)
        before = feed[i]
    return feed


def _index(flow_index: Number) -> NDArray[np.float64]:
    require_positive(flow_index=flow_index)
    (n,) = as_floats(flow_index)
    if np.any(n > 1):
        raise DomainError(f"flow_index must be at most 1, got {n.max()}")
    return n
