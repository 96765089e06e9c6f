"""How hot the filament is when it leaves the heated tube, and how fast it can be fed before its core stays solid.

Plug flow of a solid rod in perfect contact with a wall at one temperature, full series. Left out: latent heat (under
5 % for soft grades; fold it into the diffusivity, dividing that by 1 + dH / (cp (wall - inlet))), imperfect contact
(the heated length carries a spread), heat from shear, conduction along the filament. Start with
`melt_flow_limit_mm3_per_s`.
"""

from functools import cache

import numpy as np
from numpy.typing import NDArray

from pliant.arrays import Number
from pliant.checks import as_floats, require_finite, require_in, require_positive, warn_outside
from pliant.errors import DomainError

__all__ = ["CRITERIA", "axis_temperature_c", "mean_excess_grid", "mean_temperature_c", "melt_flow_limit_mm3_per_s"]

CRITERIA = ("axis", "mean")

_ZEROS = 400  # terms kept; enough down to the smallest Fourier number of the grid
_LEAST_FO, _MOST_FO = 1e-5, 8.0  # [-] beyond them the short-time form and one term are exact to rounding
_FIRST = 5.783185962946784  # [-] square of the first zero of J0
_POLYMER = (0.03, 0.3)  # [mm2/s] polymers lie near 0.1; a diffusivity in m2/s is caught by this


def axis_temperature_c(
    flow_mm3_per_s: Number,
    heated_length_mm: Number,
    wall_c: Number,
    inlet_c: Number,
    diffusivity_mm2_per_s: Number,
) -> Number:
    r"""Temperature on the filament's axis where it leaves the heated tube.

    Parameters
    ----------
    flow_mm3_per_s : float or ndarray
        Volume flow. [mm3/s]
    heated_length_mm : float or ndarray
        Length of contact with the wall. [mm]
    wall_c : float or ndarray
        Temperature of the wall. [degC]
    inlet_c : float or ndarray
        Temperature of the filament where it enters. [degC]
    diffusivity_mm2_per_s : float or ndarray
        Thermal diffusivity; 0.078 to 0.096 for TPU. [mm2/s]

    Returns
    -------
    ndarray
        Temperature. [degC]

    Raises
    ------
    DomainError
        If flow, length or diffusivity is not finite and positive, or a temperature not finite.

    Warns
    -----
    ValidityWarning
        For a diffusivity outside 0.03 to 0.3 mm2/s, where polymers lie.

    Notes
    -----
    .. math::
        \frac{T_w - T}{T_w - T_0} = \sum_i \frac{2}{b_i J_1(b_i)}\,e^{-b_i^2 Fo}, \qquad
        Fo = \frac{\pi\,\alpha\,L}{Q}, \quad J_0(b_i) = 0

    The radius cancels. Series of the long cylinder [1]_ with plug flow; one term alone errs by 17 % of Fo where 0.9 of
    the difference is left.

    Examples
    --------
    >>> float(axis_temperature_c(11.1, 12.5, 220.0, 25.0, 0.087))
    167.

    References
    ----------
    .. [1] J. Crank, The Mathematics of Diffusion, 2nd ed., Oxford, 1975, ch. 5.
    """
    return _temperature(0, flow_mm3_per_s, heated_length_mm, wall_c, inlet_c, diffusivity_mm2_per_s)


def mean_temperature_c(
    flow_mm3_per_s: Number,
    heated_length_mm: Number,
    wall_c: Number,
    inlet_c: Number,
    diffusivity_mm2_per_s: Number,
) -> Number:
    r"""Temperature averaged over the filament's section where it leaves the heated tube.

    Parameters
    ----------
    flow_mm3_per_s : float or ndarray
        Volume flow. [mm3/s]
    heated_length_mm : float or ndarray
        Length of contact with the wall. [mm]
    wall_c : float or ndarray
        Temperature of the wall. [degC]
    inlet_c : float or ndarray
        Temperature of the filament where it enters. [degC]
    diffusivity_mm2_per_s : float or ndarray
        Thermal diffusivity; 0.078 to 0.096 for TPU. [mm2/s]

    Returns
    -------
    ndarray
        Temperature. [degC]

    Raises
    ------
    DomainError
        If flow, length or diffusivity is not finite and positive, or a temperature not finite.

    Warns
    -----
    ValidityWarning
        For a diffusivity outside 0.03 to 0.3 mm2/s, where polymers lie.

    Notes
    -----
    .. math:: \frac{T_w - \bar T}{T_w - T_0} = \sum_i \frac{4}{b_i^2}\,e^{-b_i^2 Fo}

    Fo, b and source as in `axis_temperature_c`. The viscosity at this temperature gives the steep rise of force near
    the limit of melting without another constant.

    Examples
    --------
    >>> float(mean_temperature_c(11.1, 12.5, 220.0, 25.0, 0.087))
    197.
    """
    return _temperature(1, flow_mm3_per_s, heated_length_mm, wall_c, inlet_c, diffusivity_mm2_per_s)


def melt_flow_limit_mm3_per_s(
    heated_length_mm: Number,
    wall_c: Number,
    inlet_c: Number,
    soften_c: Number,
    diffusivity_mm2_per_s: Number,
    criterion: str = "axis",
) -> Number:
    r"""Largest flow at which the filament is soft where it leaves the heated tube.

    Parameters
    ----------
    heated_length_mm : float or ndarray
        Length of contact with the wall. [mm]
    wall_c : float or ndarray
        Temperature of the wall. [degC]
    inlet_c : float or ndarray
        Temperature of the filament where it enters. [degC]
    soften_c : float or ndarray
        Softening temperature: Tg of an amorphous, melting point of a crystalline polymer. [degC]
    diffusivity_mm2_per_s : float or ndarray
        Thermal diffusivity; 0.078 to 0.096 for TPU. [mm2/s]
    criterion : {"axis", "mean"}, default "axis"
        `axis`: the core is soft; `mean`: the average over the section is [2]_.

    Returns
    -------
    ndarray
        Flow; 0 where the wall is no hotter than the softening temperature. [mm3/s]

    Raises
    ------
    DomainError
        If a length or diffusivity is not positive, a temperature not finite, or `soften_c` not above `inlet_c`.

    Warns
    -----
    ValidityWarning
        For a diffusivity outside 0.03 to 0.3 mm2/s, where polymers lie.

    Notes
    -----
    .. math:: Q = \pi\,\alpha\,L / Fo(\theta), \qquad \theta = \frac{T_w - T_s}{T_w - T_0}

    Fo solved from the full series of `axis_temperature_c` or `mean_temperature_c`. Three published limits of PLA lie at
    the first (nozzle 0.4 mm) or between the two (1.2 mm); failure experiments fit the second [2]_. Best well above the
    softening temperature, worse close to it [1]_.

    Examples
    --------
    >>> float(melt_flow_limit_mm3_per_s(12.5, 220.0, 25.0, 167.0, 0.087))
    11.1
    >>> float(melt_flow_limit_mm3_per_s(12.5, 220.0, 25.0, 167.0, 0.087, criterion="mean"))
    21.1

    References
    ----------
    .. [1] C. Luo, X. Wang, K. B. Migler, J. E. Seppala, Upper bound of feed rates in thermoplastic material extrusion
       additive manufacturing, Addit. Manuf., 2020, doi 10.1016/j.addma.2019.101019 (abstract).
    .. [2] D. A. Edwards, M. E. Mackay, Z. R. Swain, C. R. Banbury, D. D. Phan, Maximal 3D printing extrusion rates,
       IMA J. Appl. Math., 2019, doi 10.1093/imamat/hxz024 (abstract).
    """
    require_in("criterion", criterion, CRITERIA)
    require_positive(heated_length_mm=heated_length_mm, diffusivity_mm2_per_s=diffusivity_mm2_per_s)
    require_finite(wall_c=wall_c, inlet_c=inlet_c, soften_c=soften_c)
    wall, inlet, soften, alpha, length = as_floats(wall_c, inlet_c, soften_c, diffusivity_mm2_per_s, heated_length_mm)
    if np.any(soften <= inlet):
        raise DomainError(f"soften_c must exceed inlet_c, got {soften.min()} and {inlet.max()}")
    _warn_unusual(diffusivity_mm2_per_s)
    hot = wall > soften
    theta = np.where(hot, wall - soften, 1.0) / np.where(hot, wall - inlet, 1.0)
    log_fo, axis, mean = _series()
    curve = (axis if criterion == "axis" else mean)[::-1]
    fo = np.exp(np.interp(theta, curve, log_fo[::-1]))
    return np.where(hot, np.pi * alpha * length / fo, 0.0)


def _temperature(column: int, flow: Number, length: Number, wall: Number, inlet: Number, diffusivity: Number) -> Number:
    require_positive(flow_mm3_per_s=flow, heated_length_mm=length, diffusivity_mm2_per_s=diffusivity)
    require_finite(wall_c=wall, inlet_c=inlet)
    _warn_unusual(diffusivity)
    q, tube, hot, cold, alpha = as_floats(flow, length, wall, inlet, diffusivity)
    return hot - (hot - cold) * _excess(np.pi * alpha * tube / q, column)


def mean_excess_grid() -> tuple[NDArray[np.float64], NDArray[np.float64], float]:
    """The excess that `mean_temperature_c` reads, for a kernel that reckons many draws one by one.

    Returns
    -------
    log_fo : ndarray, (m,)
        Logarithms of Fourier numbers, evenly apart. [-]
    mean : ndarray, (m,)
        Mean temperature over the section at them: 1 as the filament comes in, 0 at the wall's. [-]
    first_zero : float
        Square of the first zero of J0. [-]

    Notes
    -----
    Between the points linear, to 2e-6; before them `1 - 4 sqrt(fo / pi) + fo`, past them one term, that falls by
    `exp(-first_zero fo)`.

    Examples
    --------
    >>> log_fo, mean, _ = mean_excess_grid()
    >>> float(np.interp(np.log(0.1), log_fo, mean))
    0.394
    """
    log_fo, _, mean = _series()
    return log_fo, np.ascontiguousarray(mean), _FIRST


def _warn_unusual(diffusivity: Number) -> None:
    value = np.asarray(diffusivity)
    low, high = _POLYMER
    warn_outside((value < low) | (value > high), f"diffusivity_mm2_per_s outside {low}-{high}, where polymers lie")


@cache
def _series() -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return a fine grid of log Fourier number with the axis and mean excess; linear between points to 2e-6."""
    from scipy.special import j1, jn_zeros

    b = jn_zeros(0, _ZEROS)
    log_fo = np.linspace(np.log(_LEAST_FO), np.log(_MOST_FO), 4001)
    decay = np.exp(-np.outer(np.exp(log_fo), b**2))
    axis = np.minimum(decay @ (2 / (b * j1(b))), 1.0)
    return log_fo, np.minimum.accumulate(axis), decay @ (4 / b**2)


def _excess(fo: Number, column: int) -> Number:
    log_fo, *curves = _series()
    value = np.interp(np.log(fo), log_fo, curves[column])
    short = 1 - 4 * np.sqrt(fo / np.pi) + fo if column else np.ones_like(fo)
    value = np.where(fo < _LEAST_FO, short, value)
    # one term, continued from the end of the grid
    return np.where(fo > _MOST_FO, curves[column][-1] * np.exp(-_FIRST * (fo - _MOST_FO)), value)
