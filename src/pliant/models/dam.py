r"""Pressure that the gap under the nozzle's face asks for while the bed carries the bead away.

Plane flow of a power-law melt between the face, which stands still, and the surface below, which moves and drags melt
out: Couette-Poiseuille. Left out: flow that leaves sideways and back under the face (a slit as wide as the bead, along
the way, is a model and no picture), elasticity, cooling in the gap. Start with `moving_bed_share`.
"""

from functools import cache

import numpy as np
from numpy.typing import NDArray

from pliant.arrays import Number
from pliant.checks import as_floats, require_not_negative, require_positive, warn_outside
from pliant.models.pressure import slit_drop_mpa

__all__ = ["dam_drop_mpa", "moving_bed_share", "quick_share"]

_LEAST_INDEX, _MOST_INDEX = 0.1, 1.0
_ROWS, _COLUMNS = 46, 257  # of the table behind `quick_share`: index by 1 / carried share


def moving_bed_share(carried: Number, flow_index: Number) -> Number:
    r"""Share of a still slit's pressure that is left where the lower wall moves with the bed.

    Parameters
    ----------
    carried : float or ndarray
        Flow over what the slit would hold at the speed of the bed, :math:`s = Q/(U h w)`: the bead's section over the
        slit's. [-]
    flow_index : float or ndarray
        Index n of the power law; 1 is Newtonian. [-]

    Returns
    -------
    ndarray
        Pressure over that of `slit_drop_mpa` at the same flow, 0 to 1; 0 where the bed alone carries all. [-]

    Raises
    ------
    DomainError
        If an input is not finite and positive.

    Warns
    -----
    ValidityWarning
        For a flow index over 1, and for a carried share under a half: there the bed pulls more than is fed, the melt no
        longer fills the gap, and the share is 0.

    Notes
    -----
    With the face at :math:`y = 0`, the bed at 1 and speed 1, and no shear at :math:`y_m`,

    .. math::
        u(y) \propto y_m^{1 + 1/n} - |y_m - y|^{1 + 1/n}, \quad
        s = \int_0^1 u\,dy \,/\, u(1), \quad
        \text{share} = \left(\frac{c}{c_\text{still}}\right)^n

    where c scales u so that u(1) = 1, and :math:`c_\text{still}` is that of a still slit with the same flow. Solved
    for :math:`y_m` by bisection. Newtonian: :math:`(s - 1/2)/s`, the lecture formula [1]_ turned round. At
    :math:`s \to 1/2` nothing is left, and with a bed that stands still all.

    Examples
    --------
    A bead of 0.45 x 0.2 mm fills 0.905 of its slit:

    >>> float(moving_bed_share(0.905, 0.57)), float(moving_bed_share(0.905, 1.0))
    (0.569, 0.4475)

    References
    ----------
    .. [1] Steady flow between parallel plates, lecture slides of a fluid mechanics course (NFYB21003U), plane
       Couette-Poiseuille flow: mean speed U/2 (1 - h^2/(6 mu U) dp/dx).
    """
    require_positive(carried=carried, flow_index=flow_index)
    s, n = np.broadcast_arrays(*as_floats(carried, flow_index))
    warn_outside(n > 1, "flow_index over 1: polymer melts thin with shear")
    warn_outside(s < 0.5, "carried under 0.5: the bed pulls more than is fed, the gap is not full")
    power = 1 / n + 1
    # y_m from 1/2 (still bed) to far outside (the bed alone): bisect on v = 1 / (2 y_m), 0 < v < 1
    low, high = np.zeros(s.shape), np.ones(s.shape)
    for _ in range(60):
        middle = (low + high) / 2
        carries_more = _mean_over_bed(0.5 / np.maximum(middle, 1e-12), power) > s
        low, high = np.where(carries_more, low, middle), np.where(carries_more, middle, high)
    y = 0.5 / np.maximum((low + high) / 2, 1e-12)
    bed = _at(1.0, y, power)
    still = s * (power + 1) / (power * 0.5**power)  # c of a still slit with the same mean speed
    share = (1 / (bed * still)) ** n
    return np.where(s <= 0.5, 0.0, np.clip(share, 0.0, 1.0))


def _at(y: Number, turn: Number, power: Number) -> Number:
    """Speed at a height, without its scale."""
    return turn**power - np.abs(turn - y) ** power


def _mean_over_bed(turn: Number, power: Number) -> Number:
    """Mean speed over the bed's, for a place without shear at `turn`."""
    over = turn ** (power + 1) + np.sign(1 - turn) * np.abs(1 - turn) ** (power + 1)
    bed = _at(1.0, turn, power)
    return np.where(bed > 0, (turn**power - over / (power + 1)) / np.where(bed > 0, bed, 1.0), np.inf)


@cache
def _table() -> NDArray[np.float64]:
    index = np.linspace(_LEAST_INDEX, _MOST_INDEX, _ROWS)
    inverse = np.linspace(0.0, 2.0, _COLUMNS)
    inner = moving_bed_share(1 / inverse[None, 1:-1], index[:, None])
    return np.hstack([np.ones((_ROWS, 1)), inner, np.zeros((_ROWS, 1))])


def quick_share(carried: Number, flow_index: Number) -> Number:
    """`moving_bed_share` read from a table, within 1 % of the still slit's pressure; for the chain's many draws.

    Parameters
    ----------
    carried, flow_index : float or ndarray
        As there; an index outside 0.1 to 1 is taken at that end. [-]

    Returns
    -------
    ndarray
        [-]

    Examples
    --------
    >>> float(quick_share(0.905, 0.57))
    0.569
    """
    x = np.clip(1 / np.asarray(carried, dtype=float), 0.0, 2.0) * ((_COLUMNS - 1) / 2.0)
    y = (np.clip(flow_index, _LEAST_INDEX, _MOST_INDEX) - _LEAST_INDEX) * ((_ROWS - 1) / (_MOST_INDEX - _LEAST_INDEX))
    i, j = np.minimum(y.astype(np.int64), _ROWS - 2), np.minimum(x.astype(np.int64), _COLUMNS - 2)
    a, b = y - i, x - j
    t = _table()
    return (1 - a) * ((1 - b) * t[i, j] + b * t[i, j + 1]) + a * ((1 - b) * t[i + 1, j] + b * t[i + 1, j + 1])


def dam_drop_mpa(
    flow_mm3_per_s: Number,
    width_mm: Number,
    gap_mm: Number,
    length_mm: Number,
    consistency_pa_sn: Number,
    flow_index: Number,
    bed_mm_per_s: Number,
) -> Number:
    """Pressure drop from the orifice's rim to the face's, over a bed that moves.

    Parameters
    ----------
    flow_mm3_per_s : float or ndarray
        Volume flow, zero allowed. [mm3/s]
    width_mm, gap_mm : float or ndarray
        Width of the bead, and height of the gap below the face. [mm]
    length_mm : float or ndarray
        From the rim of the orifice to the rim of the face. [mm]
    consistency_pa_sn : float or ndarray
        Consistency K of the power law at the melt's temperature. [Pa s^n]
    flow_index : float or ndarray
        Index n of the power law; 1 is Newtonian. [-]
    bed_mm_per_s : float or ndarray
        Speed of the nozzle over the bed, zero allowed. [mm/s]

    Returns
    -------
    ndarray
        Pressure drop; that of `slit_drop_mpa` over a bed that stands still. [MPa]

    Raises
    ------
    DomainError
        If flow or speed is negative, or another input not finite and positive.

    Warns
    -----
    ValidityWarning
        As `moving_bed_share`.

    Notes
    -----
    `slit_drop_mpa` times `moving_bed_share`. Validity: a gap much lower than wide; the melt fills it.

    Examples
    --------
    >>> float(dam_drop_mpa(3.0, 0.45, 0.2, 0.3, 1000.0, 1.0, 0.0))
    3.
    >>> float(dam_drop_mpa(3.0, 0.45, 0.2, 0.3, 1000.0, 1.0, 33.333))
    1.5
    """
    require_not_negative(bed_mm_per_s=bed_mm_per_s)
    still = slit_drop_mpa(flow_mm3_per_s, width_mm, gap_mm, length_mm, consistency_pa_sn, flow_index)
    q, w, h, n, u = as_floats(flow_mm3_per_s, width_mm, gap_mm, flow_index, bed_mm_per_s)
    moves = (u > 0) & (q > 0)
    carried = np.where(moves, q / np.where(moves, u * w * h, 1.0), 1.0)
    return still * np.where(moves, moving_bed_share(carried, n), 1.0)
