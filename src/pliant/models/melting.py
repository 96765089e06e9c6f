"""How hot the filament is when it leaves the heated tube, and how fast it can be fed before its core stays solid.

Plug flow of a solid rod in perfect contact with a wall at one temperature, full series. Left out: latent heat (under
5 % for soft grades), imperfect contact (the heated length carries a spread), heat from shear.
Source: Crank, The Mathematics of Diffusion, 2nd ed., 1975, ch. 5 (cylinder); Edwards et al. 2019, IMA J. Appl. Math.
84, 1022 (both criteria for the limit).
"""

from functools import cache
from typing import Any

import numpy as np

from pliant.checks import require_in, require_positive
from pliant.errors import DomainError

__all__ = ["axis_temperature_c", "mean_temperature_c", "melt_flow_limit_mm3_per_s"]


@cache
def _series() -> tuple[Any, Any, Any, Any]:
    """Return a fine grid of log Fourier number with the axis and mean excess, and the zeros used."""
    from scipy.special import j1, jn_zeros

    b = jn_zeros(0, 400)
    log_fo = np.linspace(np.log(1e-5), np.log(8.0), 4001)
    decay = np.exp(-np.outer(np.exp(log_fo), b**2))
    axis = np.minimum(decay @ (2 / (b * j1(b))), 1.0)
    mean = decay @ (4 / b**2)
    return log_fo, np.minimum.accumulate(axis), mean, b


def _excess(flow: Any, length: Any, diffusivity: Any, column: int) -> Any:
    log_fo, *curves, b = _series()
    fo = np.pi * diffusivity * length / flow
    value = np.interp(np.log(fo), log_fo, curves[column])
    short = 1 - 4 * np.sqrt(fo / np.pi) + fo if column else np.ones_like(fo)
    value = np.where(fo < 1e-5, short, value)
    return np.where(fo > 8.0, (4 / b[0] ** 2 if column else 1.602) * np.exp(-(b[0] ** 2) * fo), value)


def axis_temperature_c(
    flow_mm3_per_s: Any, heated_length_mm: Any, wall_c: Any, inlet_c: Any, diffusivity_mm2_per_s: Any
) -> Any:
    """Temperature on the filament's axis where it leaves the heated tube.

    Parameters
    ----------
    flow_mm3_per_s : float or ndarray
        Volume flow. [mm3/s]
    heated_length_mm, diffusivity_mm2_per_s : float or ndarray
        Length of wall contact; thermal diffusivity. [mm, mm2/s]
    wall_c, inlet_c : float or ndarray
        Wall and inlet temperature. [degC]

    Returns
    -------
    ndarray
        Temperature. [degC]

    Raises
    ------
    DomainError
        If flow, length or diffusivity is not finite and positive.
    """
    require_positive(
        flow_mm3_per_s=flow_mm3_per_s, heated_length_mm=heated_length_mm, diffusivity_mm2_per_s=diffusivity_mm2_per_s
    )
    return wall_c - (wall_c - inlet_c) * _excess(flow_mm3_per_s, heated_length_mm, diffusivity_mm2_per_s, 0)


def mean_temperature_c(
    flow_mm3_per_s: Any, heated_length_mm: Any, wall_c: Any, inlet_c: Any, diffusivity_mm2_per_s: Any
) -> Any:
    """Temperature averaged over the filament's section where it leaves the heated tube.

    Parameters, returns and errors as `axis_temperature_c`. [mm3/s, mm, degC, degC, mm2/s -> degC]
    """
    require_positive(
        flow_mm3_per_s=flow_mm3_per_s, heated_length_mm=heated_length_mm, diffusivity_mm2_per_s=diffusivity_mm2_per_s
    )
    return wall_c - (wall_c - inlet_c) * _excess(flow_mm3_per_s, heated_length_mm, diffusivity_mm2_per_s, 1)


def melt_flow_limit_mm3_per_s(
    heated_length_mm: Any,
    wall_c: Any,
    inlet_c: Any,
    soften_c: Any,
    diffusivity_mm2_per_s: Any,
    criterion: str = "axis",
) -> Any:
    """Largest flow at which the filament is soft where it leaves the heated tube.

    Parameters
    ----------
    heated_length_mm, diffusivity_mm2_per_s : float or ndarray
        Length of wall contact; thermal diffusivity. [mm, mm2/s]
    wall_c, inlet_c, soften_c : float or ndarray
        Wall, inlet and softening temperature. [degC]
    criterion : str, default "axis"
        `axis`: the core is soft; `mean`: the average is (Edwards et al. 2019).

    Returns
    -------
    ndarray
        Flow; 0 where the wall is no hotter than the softening temperature. [mm3/s]

    Raises
    ------
    DomainError
        If a length or diffusivity is not positive, or `soften_c` does not exceed `inlet_c`.
    """
    require_in("criterion", criterion, ("axis", "mean"))
    require_positive(heated_length_mm=heated_length_mm, diffusivity_mm2_per_s=diffusivity_mm2_per_s)
    if np.any(np.asarray(soften_c) <= np.asarray(inlet_c)):
        raise DomainError(f"soften_c must exceed inlet_c, got {np.min(soften_c)} and {np.max(inlet_c)}")
    theta = (wall_c - np.asarray(soften_c, dtype=float)) / (np.asarray(wall_c, dtype=float) - inlet_c)
    log_fo, axis, mean, _ = _series()
    curve = (axis if criterion == "axis" else mean)[::-1]
    with np.errstate(divide="ignore"):
        fo = np.exp(np.interp(np.maximum(theta, 1e-12), curve, log_fo[::-1]))
    return np.where(theta > 0, np.pi * diffusivity_mm2_per_s * heated_length_mm / fo, 0.0)
