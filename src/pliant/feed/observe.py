"""What a user can read off a test piece, as the chain predicts it: tapers, threads, lengths moved.

Shared by the coupons, which print the prediction beforehand, and by `learn`, which compares. Start with `tapers_mm`.
Left out: that a thinning bead is dammed a little more, and that threads of one crossing feed the next.
"""

from collections.abc import Sequence
from typing import Any

import numpy as np

from pliant.arrays import Floats, Number
from pliant.feed import chain
from pliant.feed.starting import flow_after_stop, pressure_after, start_time, stop_time
from pliant.models.bead import bead_area_mm2
from pliant.models.drive import slip_loss
from pliant.records.coupon import Step
from pliant.records.machine import Machine
from pliant.records.quantity import Quantity

__all__ = ["LEAST_MM", "LOSS", "THREAD", "moved_share", "tapers_mm", "thread_chance"]

# what only a reading knows: medians and multiplicative spreads before anything was read
LOSS = Quantity("loss", 0.07, 1.8, "common practice: soft filament needs a flow factor of about 1.1", True)
_AT_SHARE = 0.3  # [-] of the grip: the push at which `loss` is stated
THREAD = Quantity("thread_mm2", 0.006, 2.5, "own guess", True)
LEAST_MM = 0.5  # [mm] a shorter taper cannot be read
_THREAD_SCATTER = 0.5  # [-] of the logarithm of a thread's section; own guess


def _column(steps: Sequence[Step], name: str) -> Floats:
    return np.array([getattr(s, name) for s in steps], dtype=float)


def _store_s(machine: Machine, theta: dict[str, Any], steps: Sequence[Step], pressure_mpa: Floats) -> Floats:
    """Time in which the steady flow would empty what is stored, `(n, s)`. [s]"""
    store = chain.compliance(machine, theta, pressure_mpa) * pressure_mpa / _column(steps, "flow_mm3_per_s")
    return np.asarray(store, dtype=float)


def tapers_mm(
    machine: Machine, theta: dict[str, Any], steps: Sequence[Step], pressure_mpa: Floats
) -> tuple[Floats, Floats]:
    """Lengths along the path to half the width, after a stop and after the start that follows `wait_s` later.

    Parameters
    ----------
    machine : Machine
        Order and kind of the spans.
    theta : dict of str to ndarray
        Values of the unknowns, `(n, 1)`.
    steps : sequence of Step
        The rows, s of them.
    pressure_mpa : ndarray
        Steady melt pressure of each, `(n, s)`. [MPa]

    Returns
    -------
    tail_mm, lead_mm : ndarray
        `(n, s)`, at least `LEAST_MM`. [mm]
    """
    speed, width, gap = (_column(steps, k) for k in ("speed_mm_per_s", "width_mm", "gap_mm"))
    share = bead_area_mm2(np.maximum(width / 2, gap), gap) / bead_area_mm2(width, gap)
    store = _store_s(machine, theta, steps, pressure_mpa)
    n = np.broadcast_to(theta["flow_index"], store.shape)
    # a draw-back takes its part of the store at once, and gives it back: of more than is stored, what was stored
    back = _column(steps, "back_mm") * np.pi * np.asarray(theta["diameter_mm"]) ** 2 / 4
    back = back / (store * _column(steps, "flow_mm3_per_s"))
    left = pressure_after(_column(steps, "wait_s") / store, n, np.maximum(1 - back, 0.0))
    again = left + np.minimum(back, 1.0)
    return (
        np.maximum(stop_time(share, n, np.maximum(1 - back, 0.0)) * store * speed, LEAST_MM),
        np.maximum(start_time(share, n, again) * store * speed, LEAST_MM),
    )


def thread_chance(
    machine: Machine, theta: dict[str, Any], steps: Sequence[Step], pressure_mpa: Floats, thread_mm2: Number
) -> Floats:
    """Chance that one crossing leaves a thread, `(n, s)`: what still flows over the speed, against the thinnest. [-]"""
    from scipy.special import ndtr

    speed, flow = _column(steps, "speed_mm_per_s"), _column(steps, "flow_mm3_per_s")
    time = _column(steps, "wait_s") + _column(steps, "distance_mm") / (2 * speed)
    store = _store_s(machine, theta, steps, pressure_mpa)
    section = flow * flow_after_stop(time / store, np.broadcast_to(theta["flow_index"], store.shape)) / speed
    return np.asarray(ndtr(np.log(section / thread_mm2) / _THREAD_SCATTER), dtype=float)


def moved_share(machine: Machine, theta: dict[str, Any], push_n: Floats, loss: Number, slip_share: Number) -> Floats:
    """Length moved over length asked, `(n, s)`. [-]

    `loss` is what the drive loses where the push is `_AT_SHARE` of the grip; `slip_share` of it is slip, which grows
    with the push, the rest the bite of the teeth, which does not. [N, -, - -> -]
    """
    loss = np.minimum(loss, 0.9)
    grip = chain.grip_n(machine, theta)
    # at the grip nothing is left to lose: the tail of the belief about `loss` would ask for more than all
    at_grip = np.minimum(loss * slip_share / _AT_SHARE, 1.0)
    slip = slip_loss(np.minimum(push_n, 1e6), grip, at_grip)
    return np.asarray(np.maximum(1 - slip, 0.0) * (1 - loss * (1 - slip_share)), dtype=float)
