"""The lag between filament fed and melt delivered: one compliance, one power-law nozzle.

C dP/dt = A u - Q(P), Q = (P / G)^(1/n). Left out: friction along the guide (it shares the load, so the stored length is
an upper bound), contact with the wall, viscoelasticity of filament and melt. Form after the two compliances of
Kazmer and co-author, Compressibility in fused deposition modeling, SPE ANTEC (abstract); start and stop need their own
constants (Wu, Qian, Okwudire 2023, abstract). Start with `time_constant_s`.
"""

import numpy as np

from pliant.arrays import Number
from pliant.checks import as_floats, require_not_negative, require_positive, warn_outside
from pliant.errors import DomainError

__all__ = ["compliance_mm3_per_mpa", "ooze_mm3", "stored_length_mm", "time_constant_s"]

_LINEAR = 0.2  # [-] strain past which force over E A is no longer the strain


def compliance_mm3_per_mpa(
    melt_volume_mm3: Number,
    diameter_mm: Number,
    span_length_mm: Number,
    youngs_modulus_mpa: Number,
    melt_compressibility_per_mpa: Number = 1e-3,
) -> Number:
    r"""Volume stored per unit of melt pressure, by the melt and by the filament between drive and melt.

    Parameters
    ----------
    melt_volume_mm3 : float or ndarray
        Volume of the melt. [mm3]
    diameter_mm : float or ndarray
        Filament diameter. [mm]
    span_length_mm : float or ndarray
        Length of filament under load: the sum over the spans of the path, each by the share of the push it feels. [mm]
    youngs_modulus_mpa : float or ndarray
        Modulus of the filament. [MPa]
    melt_compressibility_per_mpa : float or ndarray, default 1e-3
        Compressibility of the melt; the default, 1e-9 1/Pa, from memory. [1/MPa]

    Returns
    -------
    ndarray
        Compliance. [mm3/MPa]

    Raises
    ------
    DomainError
        If volume, diameter or modulus is not finite and positive, or another input negative.

    Notes
    -----
    .. math:: C = \beta V_m + A L / E

    The first term matters for rigid filament and is negligible for soft. Linear: at 5 MPa on a modulus of 20 the strain
    is 25 %, so take the result for soft filament as an order of magnitude.

    Examples
    --------
    >>> float(compliance_mm3_per_mpa(50.0, 1.75, 40.0, 20.0)), float(compliance_mm3_per_mpa(50.0, 1.75, 40.0, 3000.0))
    (4.86, 0.082)
    """
    require_positive(melt_volume_mm3=melt_volume_mm3, diameter_mm=diameter_mm, youngs_modulus_mpa=youngs_modulus_mpa)
    require_not_negative(span_length_mm=span_length_mm, melt_compressibility_per_mpa=melt_compressibility_per_mpa)
    volume, d, length, modulus, beta = as_floats(
        melt_volume_mm3, diameter_mm, span_length_mm, youngs_modulus_mpa, melt_compressibility_per_mpa
    )
    return beta * volume + np.pi * d**2 / 4 * length / modulus


def time_constant_s(
    compliance_mm3_per_mpa: Number, pressure_mpa: Number, flow_mm3_per_s: Number, flow_index: Number
) -> Number:
    r"""Local time constant of the lag at a steady pressure and flow.

    Parameters
    ----------
    compliance_mm3_per_mpa : float or ndarray
        From `compliance_mm3_per_mpa`. [mm3/MPa]
    pressure_mpa : float or ndarray
        Steady pressure. [MPa]
    flow_mm3_per_s : float or ndarray
        Steady flow. [mm3/s]
    flow_index : float or ndarray
        Index n of the power law. [-]

    Returns
    -------
    ndarray
        Time constant. [s]

    Raises
    ------
    DomainError
        If an input is not finite and positive.

    Notes
    -----
    .. math:: t_c = C\,\frac{dP}{dQ} = C\,n\,P/Q

    It shrinks as flow rises, as Q^(n-1), so a single constant fails over a range of speeds (Habbal 2025, abstract).

    Examples
    --------
    >>> float(time_constant_s(4.86, 5.0, 5.0, 0.4))
    1.94
    """
    require_positive(
        compliance_mm3_per_mpa=compliance_mm3_per_mpa,
        pressure_mpa=pressure_mpa,
        flow_mm3_per_s=flow_mm3_per_s,
        flow_index=flow_index,
    )
    C, n, P, Q = as_floats(compliance_mm3_per_mpa, flow_index, pressure_mpa, flow_mm3_per_s)
    return C * n * P / Q


def ooze_mm3(
    time_s: Number,
    pressure_mpa: Number,
    flow_mm3_per_s: Number,
    compliance_mm3_per_mpa: Number,
    flow_index: Number,
) -> Number:
    r"""Melt that leaves within a time after the feed stops at a steady pressure and flow.

    Parameters
    ----------
    time_s : float or ndarray
        Time since the stop. [s]
    pressure_mpa : float or ndarray
        Steady pressure before it. [MPa]
    flow_mm3_per_s : float or ndarray
        Steady flow before it. [mm3/s]
    compliance_mm3_per_mpa : float or ndarray
        From `compliance_mm3_per_mpa`. [mm3/MPa]
    flow_index : float or ndarray
        Index n of the power law, at most 1. [-]

    Returns
    -------
    ndarray
        Volume, at most compliance times pressure. [mm3]

    Raises
    ------
    DomainError
        If the time is negative, another input not finite and positive, or the index over 1.

    Notes
    -----
    .. math:: V(t) = C P_0 \left[1 - \left(1 + \frac{1-n}{n}\,\frac{t\,Q_0}{C P_0}\right)^{-n/(1-n)}\right]

    A power-law tail; for n = 1 the exponential. Exact for this nozzle law. Gravity and foam from water, which make a
    nozzle drool with no pressure, are left out. No measured ooze time of soft filament was found.

    Examples
    --------
    >>> [round(float(ooze_mm3(t, 5.0, 5.0, 4.86, 0.4)), 2) for t in (1.0, 10.0, 1e9)]
    [3.99, 14.79, 24.3]
    """
    require_not_negative(time_s=time_s)
    require_positive(
        pressure_mpa=pressure_mpa,
        flow_mm3_per_s=flow_mm3_per_s,
        compliance_mm3_per_mpa=compliance_mm3_per_mpa,
        flow_index=flow_index,
    )
    t, P, Q, C, n = as_floats(time_s, pressure_mpa, flow_mm3_per_s, compliance_mm3_per_mpa, flow_index)
    if np.any(n > 1):
        raise DomainError(f"flow_index must be at most 1, got {n.max()}")
    store = C * P
    x = t * Q / store
    # ln(1 + r x) / r with r = (1 - n) / n, which goes to x as n goes to 1
    r = (1 - n) / n
    small = r < 1e-12
    decay = np.where(small, x, np.log1p(r * x) / np.where(small, 1.0, r))
    return -store * np.expm1(-decay)


def stored_length_mm(push_n: Number, span_length_mm: Number, diameter_mm: Number, youngs_modulus_mpa: Number) -> Number:
    r"""Length of filament that a push stores elastically in a span.

    Parameters
    ----------
    push_n : float or ndarray
        Push along the span. [N]
    span_length_mm : float or ndarray
        Length of the span. [mm]
    diameter_mm : float or ndarray
        Filament diameter. [mm]
    youngs_modulus_mpa : float or ndarray
        Modulus of the filament. [MPa]

    Returns
    -------
    ndarray
        Stored length. [mm]

    Raises
    ------
    DomainError
        If push or length is negative, or diameter or modulus not finite and positive.

    Warns
    -----
    ValidityWarning
        Above a strain of 0.2.

    Notes
    -----
    .. math:: \Delta L = F L / (A E)

    Linear. The same push everywhere along the span: an upper bound in a guide, whose friction shares the load.

    Examples
    --------
    >>> float(stored_length_mm(4.0, 40.0, 1.75, 20.0))
    3.33
    """
    require_not_negative(push_n=push_n, span_length_mm=span_length_mm)
    require_positive(diameter_mm=diameter_mm, youngs_modulus_mpa=youngs_modulus_mpa)
    push, length, d, modulus = as_floats(push_n, span_length_mm, diameter_mm, youngs_modulus_mpa)
    strain = push / (modulus * np.pi * d**2 / 4)
    warn_outside(strain > _LINEAR, f"strain over {_LINEAR}: linear elasticity no longer holds")
    return strain * length
