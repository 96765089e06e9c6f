"""Pressure that a power-law melt needs through a tube, a cone, a slit and the gap below a flat face.

Isothermal, no slip, tau = K gdot^n. A shear-only cone is a lower bound: measured entry losses of elastic melts are up
to 25 times higher. Source: Steffe, Rheological Methods in Food Process Engineering, 2nd ed., 1996, sec. 4.4.
"""

from typing import Any

import numpy as np

from pliant.checks import require_not_negative, require_positive, warn_outside
from pliant.constants import GAS_CONSTANT_J_PER_MOL_K
from pliant.errors import DomainError
from pliant.units import celsius_to_kelvin, pa_to_mpa

__all__ = ["cone_drop_mpa", "face_drop_mpa", "slit_drop_mpa", "temperature_shift", "tube_drop_mpa"]


def tube_drop_mpa(flow_mm3_per_s: Any, radius_mm: Any, length_mm: Any, consistency_pa_sn: Any, flow_index: Any) -> Any:
    """Pressure drop of a straight round channel.

    Parameters
    ----------
    flow_mm3_per_s : float or ndarray
        Volume flow, zero allowed. [mm3/s]
    radius_mm, length_mm : float or ndarray
        Channel. [mm]
    consistency_pa_sn, flow_index : float or ndarray
        Power law. [Pa s^n, -]

    Returns
    -------
    ndarray
        Pressure drop. [MPa]

    Raises
    ------
    DomainError
        If the flow is negative or another input is not positive.
    """
    require_not_negative(flow_mm3_per_s=flow_mm3_per_s)
    require_positive(
        radius_mm=radius_mm, length_mm=length_mm, consistency_pa_sn=consistency_pa_sn, flow_index=flow_index
    )
    n, R = flow_index, radius_mm
    rate = (3 * n + 1) / n * flow_mm3_per_s / (np.pi * R**3)
    return pa_to_mpa(2 * consistency_pa_sn * length_mm / R * rate**n)


def cone_drop_mpa(
    flow_mm3_per_s: Any,
    radius_in_mm: Any,
    radius_out_mm: Any,
    half_angle_deg: Any,
    consistency_pa_sn: Any,
    flow_index: Any,
) -> Any:
    """Shear part of the pressure drop of a cone (lubrication); warns above 30 degrees half angle.

    Parameters
    ----------
    flow_mm3_per_s : float or ndarray
        Volume flow, zero allowed. [mm3/s]
    radius_in_mm, radius_out_mm : float or ndarray
        Radii of the two ends; the order does not matter. [mm]
    half_angle_deg : float or ndarray
        Half angle, under 90. [deg]
    consistency_pa_sn, flow_index : float or ndarray
        Power law. [Pa s^n, -]

    Returns
    -------
    ndarray
        Pressure drop. [MPa]

    Raises
    ------
    DomainError
        If the flow is negative, another input not positive, or the angle 90 or more.
    """
    require_not_negative(flow_mm3_per_s=flow_mm3_per_s)
    require_positive(
        radius_in_mm=radius_in_mm,
        radius_out_mm=radius_out_mm,
        half_angle_deg=half_angle_deg,
        consistency_pa_sn=consistency_pa_sn,
        flow_index=flow_index,
    )
    if np.any(np.asarray(half_angle_deg) >= 90):
        raise DomainError(f"half_angle_deg must be under 90, got {np.max(half_angle_deg)}")
    warn_outside(
        np.asarray(half_angle_deg) > 30.0 + 1e-9, "half_angle_deg over 30: lubrication theory of a small taper"
    )
    n = flow_index
    wide, narrow = np.maximum(radius_in_mm, radius_out_mm), np.minimum(radius_in_mm, radius_out_mm)
    slope = np.tan(np.deg2rad(half_angle_deg))
    rate = (3 * n + 1) / n * flow_mm3_per_s / np.pi
    return pa_to_mpa(2 * consistency_pa_sn / (3 * n * slope) * rate**n * (narrow ** (-3.0 * n) - wide ** (-3.0 * n)))


def slit_drop_mpa(
    flow_mm3_per_s: Any, width_mm: Any, gap_mm: Any, length_mm: Any, consistency_pa_sn: Any, flow_index: Any
) -> Any:
    """Pressure drop of a flat slit, `width_mm` across and `gap_mm` high. [mm3/s, mm, mm, mm, Pa s^n, - -> MPa]"""
    require_not_negative(flow_mm3_per_s=flow_mm3_per_s)
    require_positive(
        width_mm=width_mm,
        gap_mm=gap_mm,
        length_mm=length_mm,
        consistency_pa_sn=consistency_pa_sn,
        flow_index=flow_index,
    )
    n = flow_index
    rate = (2 * n + 1) / n * 2 * flow_mm3_per_s / (width_mm * gap_mm**2)
    return pa_to_mpa(2 * consistency_pa_sn * length_mm / gap_mm * rate**n)


def face_drop_mpa(
    flow_mm3_per_s: Any, gap_mm: Any, radius_in_mm: Any, radius_out_mm: Any, consistency_pa_sn: Any, flow_index: Any
) -> Any:
    """Pressure drop of radial flow below a flat face, orifice to rim. [mm3/s, mm, mm, mm, Pa s^n, - -> MPa]"""
    require_not_negative(flow_mm3_per_s=flow_mm3_per_s)
    require_positive(
        gap_mm=gap_mm,
        radius_in_mm=radius_in_mm,
        radius_out_mm=radius_out_mm,
        consistency_pa_sn=consistency_pa_sn,
        flow_index=flow_index,
    )
    n = np.asarray(flow_index, dtype=float)
    near_one = np.abs(n - 1) < 1e-9
    m = np.where(near_one, 0.5, 1 - n)
    reach = np.where(
        near_one,
        np.log(radius_out_mm / np.asarray(radius_in_mm)),
        (np.asarray(radius_out_mm, dtype=float) ** m - np.asarray(radius_in_mm, dtype=float) ** m) / m,
    )
    rate = (2 * n + 1) / n * flow_mm3_per_s / (np.pi * gap_mm**2)
    return pa_to_mpa(2 * consistency_pa_sn / gap_mm * rate**n * reach)


def temperature_shift(temperature_c: Any, reference_c: Any, activation_kj_per_mol: Any) -> Any:
    """Arrhenius factor on the consistency, 1 at the reference temperature. [degC, degC, kJ/mol -> -]"""
    t, t0 = celsius_to_kelvin(temperature_c), celsius_to_kelvin(reference_c)
    require_positive(temperature_k=t, reference_k=t0, activation_kj_per_mol=activation_kj_per_mol)
    return np.exp(1e3 * activation_kj_per_mol / GAS_CONSTANT_J_PER_MOL_K * (1 / t - 1 / t0))
