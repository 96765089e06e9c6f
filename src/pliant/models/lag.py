"""The lag between filament fed and melt delivered: one compliance, one power-law nozzle.

C dP/dt = A u - Q(P). Left out: friction along the guide (the stored length is an upper bound) and viscoelasticity.
Derived from the two compliances of Kazmer, Compressibility in fused deposition modeling, SPE ANTEC.
"""

from typing import Any

import numpy as np

from pliant.checks import require_not_negative, require_positive

__all__ = ["compliance_mm3_per_mpa", "ooze_mm3", "stored_length_mm", "time_constant_s"]


def compliance_mm3_per_mpa(
    melt_volume_mm3: Any,
    diameter_mm: Any,
    span_length_mm: Any,
    youngs_modulus_mpa: Any,
    melt_compressibility_per_mpa: Any = 1e-3,  # from memory: about 1e-9 1/Pa
) -> Any:
    """Volume stored per unit of pressure. [mm3, mm, mm, MPa, 1/MPa -> mm3/MPa]"""
    require_positive(melt_volume_mm3=melt_volume_mm3, diameter_mm=diameter_mm, youngs_modulus_mpa=youngs_modulus_mpa)
    require_not_negative(span_length_mm=span_length_mm, melt_compressibility_per_mpa=melt_compressibility_per_mpa)
    area = np.pi * diameter_mm**2 / 4
    return melt_compressibility_per_mpa * melt_volume_mm3 + area * span_length_mm / youngs_modulus_mpa


def time_constant_s(compliance_mm3_per_mpa: Any, pressure_mpa: Any, flow_mm3_per_s: Any, flow_index: Any) -> Any:
    """Local time constant C n P / Q. [mm3/MPa, MPa, mm3/s, - -> s]"""
    require_positive(
        compliance_mm3_per_mpa=compliance_mm3_per_mpa,
        pressure_mpa=pressure_mpa,
        flow_mm3_per_s=flow_mm3_per_s,
        flow_index=flow_index,
    )
    return compliance_mm3_per_mpa * flow_index * pressure_mpa / flow_mm3_per_s


def ooze_mm3(time_s: Any, pressure_mpa: Any, flow_mm3_per_s: Any, compliance_mm3_per_mpa: Any, flow_index: Any) -> Any:
    """Melt that leaves within `time_s` after the feed stops at a steady pressure and flow.

    Parameters
    ----------
    time_s : float or ndarray
        Time since the stop. [s]
    pressure_mpa, flow_mm3_per_s : float or ndarray
        The steady state before it. [MPa, mm3/s]
    compliance_mm3_per_mpa, flow_index : float or ndarray
        Compliance; power-law index, at most 1. [mm3/MPa, -]

    Returns
    -------
    ndarray
        Volume, at most C P. [mm3]

    Raises
    ------
    DomainError
        If time is negative or another input is not positive.
    """
    require_not_negative(time_s=time_s)
    require_positive(
        pressure_mpa=pressure_mpa,
        flow_mm3_per_s=flow_mm3_per_s,
        compliance_mm3_per_mpa=compliance_mm3_per_mpa,
        flow_index=flow_index,
    )
    n = np.asarray(flow_index, dtype=float)
    store = compliance_mm3_per_mpa * pressure_mpa
    x = time_s * flow_mm3_per_s / store
    linear = np.abs(n - 1) < 1e-9
    m = np.where(linear, 0.5, n)
    tail = np.where(linear, np.exp(-x), (1 + (1 - m) / m * x) ** (-m / (1 - m)))
    return store * (1 - tail)


def stored_length_mm(push_n: Any, span_length_mm: Any, diameter_mm: Any, youngs_modulus_mpa: Any) -> Any:
    """Length of filament that a push stores elastically in a span. [N, mm, mm, MPa -> mm]"""
    require_not_negative(push_n=push_n, span_length_mm=span_length_mm)
    require_positive(diameter_mm=diameter_mm, youngs_modulus_mpa=youngs_modulus_mpa)
    return push_n * span_length_mm / (youngs_modulus_mpa * np.pi * diameter_mm**2 / 4)
