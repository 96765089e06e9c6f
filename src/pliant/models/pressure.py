"""Pressure that a power-law melt needs through a tube, a cone, a slit and the gap below a flat face.

Isothermal, no slip, tau = K gdot^n. Left out: elasticity of the melt. A shear-only cone is a lower bound: the one
published pair here has a measured entry loss 26 times as high, so the chain multiplies `cone_drop_mpa` by an entry
factor. Also left out: end effects of the land, heat from shear, melt driven back beside the filament.
"""

import numpy as np

from pliant.arrays import Number
from pliant.checks import as_floats, require_not_negative, require_positive, warn_outside
from pliant.constants import GAS_CONSTANT_J_PER_MOL_K
from pliant.errors import DomainError
from pliant.units import celsius_to_kelvin, pa_to_mpa

__all__ = ["cone_drop_mpa", "face_drop_mpa", "slit_drop_mpa", "temperature_shift", "tube_drop_mpa"]

_SMALL_TAPER_DEG = 30.0  # [deg] usual practice for lubrication theory; 1 to 6 % low there, 16 % at 45 (n 0.29)
_DECOMPOSES_C = 270.0  # [degC] two TPU grades lose 5 % of their mass at 267 and 272, doi 10.3390/polym11101608 Table 7


def tube_drop_mpa(
    flow_mm3_per_s: Number, radius_mm: Number, length_mm: Number, consistency_pa_sn: Number, flow_index: Number
) -> Number:
    r"""Pressure drop of a straight round channel.

    Parameters
    ----------
    flow_mm3_per_s : float or ndarray
        Volume flow, zero allowed. [mm3/s]
    radius_mm : float or ndarray
        Radius of the channel. [mm]
    length_mm : float or ndarray
        Length of the channel. [mm]
    consistency_pa_sn : float or ndarray
        Consistency K of the power law at the melt's temperature. [Pa s^n]
    flow_index : float or ndarray
        Index n of the power law; 1 is Newtonian. [-]

    Returns
    -------
    ndarray
        Pressure drop. [MPa]

    Raises
    ------
    DomainError
        If the flow is negative or another input is not finite and positive.

    Warns
    -----
    ValidityWarning
        For a flow index over 1: no polymer melt thickens so.

    Notes
    -----
    .. math:: \Delta P = \frac{2KL}{R}\left(\frac{3n+1}{n}\,\frac{Q}{\pi R^3}\right)^n

    Rabinowitsch's wall shear rate for a power law. TPU: n 0.45 to 0.72; no published K for a grade of stated hardness.

    Examples
    --------
    Newtonian, 1000 Pa s through a land of 0.4 by 0.6 mm: 8 mu L Q / (pi R^4)

    >>> float(tube_drop_mpa(3.0, 0.2, 0.6, 1000.0, 1.0))
    2.86

    References
    ----------
    .. [1] J. F. Steffe, Rheological Methods in Food Process Engineering, 2nd ed., 1996.
    """
    require_not_negative(flow_mm3_per_s=flow_mm3_per_s)
    require_positive(
        radius_mm=radius_mm, length_mm=length_mm, consistency_pa_sn=consistency_pa_sn, flow_index=flow_index
    )
    Q, R, L, K, n = as_floats(flow_mm3_per_s, radius_mm, length_mm, consistency_pa_sn, flow_index)
    warn_outside(n > 1, "flow_index over 1: polymer melts thin with shear")
    return pa_to_mpa(2 * K * L / R * ((3 * n + 1) / n * Q / (np.pi * R**3)) ** n)


def cone_drop_mpa(
    flow_mm3_per_s: Number,
    radius_in_mm: Number,
    radius_out_mm: Number,
    half_angle_deg: Number,
    consistency_pa_sn: Number,
    flow_index: Number,
) -> Number:
    r"""Shear part of the pressure drop of a cone.

    Parameters
    ----------
    flow_mm3_per_s : float or ndarray
        Volume flow, zero allowed. [mm3/s]
    radius_in_mm : float or ndarray
        Radius of one end. [mm]
    radius_out_mm : float or ndarray
        Radius of the other end; the order does not matter, equal radii give no cone and no drop. [mm]
    half_angle_deg : float or ndarray
        Half angle, under 90. [deg]
    consistency_pa_sn : float or ndarray
        Consistency K of the power law at the melt's temperature. [Pa s^n]
    flow_index : float or ndarray
        Index n of the power law; 1 is Newtonian. [-]

    Returns
    -------
    ndarray
        Pressure drop. [MPa]

    Raises
    ------
    DomainError
        If the flow is negative, another input not finite and positive, or the angle 90 or more.

    Warns
    -----
    ValidityWarning
        Above 30 degrees half angle (small taper), and for a flow index over 1.

    Notes
    -----
    .. math::
        \Delta P = \frac{2K}{3n\tan\vartheta}\left(\frac{3n+1}{n}\,\frac{Q}{\pi}\right)^n
        \left(R_1^{-3n} - R_0^{-3n}\right)

    A lower bound: stretching of the melt is left out, and elastic melts may need many times as much [1]_.

    Examples
    --------
    Taper of 1.5 to 3 mm radius over 60 mm, a published exercise [2]_: 8.96 MPa

    >>> float(cone_drop_mpa(1e4, 3.0, 1.5, 1.43210, 16000.0, 0.3))
    8.96

    References
    ----------
    .. [1] J. F. Steffe, Rheological Methods in Food Process Engineering, 2nd ed., 1996, sec. 4.4, Table 4.4.
    .. [2] Imperial College London, ME4 Polymer Processing Technology, solution 3.1, April 2008.
    """
    require_not_negative(flow_mm3_per_s=flow_mm3_per_s)
    require_positive(
        radius_in_mm=radius_in_mm,
        radius_out_mm=radius_out_mm,
        half_angle_deg=half_angle_deg,
        consistency_pa_sn=consistency_pa_sn,
        flow_index=flow_index,
    )
    Q, one, other, angle, K, n = as_floats(
        flow_mm3_per_s, radius_in_mm, radius_out_mm, half_angle_deg, consistency_pa_sn, flow_index
    )
    if np.any(angle >= 90):
        raise DomainError(f"half_angle_deg must be under 90, got {angle.max()}")
    warn_outside(angle > _SMALL_TAPER_DEG + 1e-9, "half_angle_deg over 30: lubrication theory of a small taper")
    warn_outside(n > 1, "flow_index over 1: polymer melts thin with shear")
    wide, narrow = np.maximum(one, other), np.minimum(one, other)
    rate = (3 * n + 1) / n * Q / np.pi
    taper = 2 * K / (3 * n * np.tan(np.deg2rad(angle)))
    return pa_to_mpa(taper * rate**n * (narrow ** (-3.0 * n) - wide ** (-3.0 * n)))


def slit_drop_mpa(
    flow_mm3_per_s: Number,
    width_mm: Number,
    gap_mm: Number,
    length_mm: Number,
    consistency_pa_sn: Number,
    flow_index: Number,
) -> Number:
    r"""Pressure drop of a flat slit, such as the gap under the nozzle face while a bead is laid.

    Parameters
    ----------
    flow_mm3_per_s : float or ndarray
        Volume flow, zero allowed. [mm3/s]
    width_mm : float or ndarray
        Width of the slit. [mm]
    gap_mm : float or ndarray
        Height of the slit. [mm]
    length_mm : float or ndarray
        Length along the flow. [mm]
    consistency_pa_sn : float or ndarray
        Consistency K of the power law at the melt's temperature. [Pa s^n]
    flow_index : float or ndarray
        Index n of the power law; 1 is Newtonian. [-]

    Returns
    -------
    ndarray
        Pressure drop. [MPa]

    Raises
    ------
    DomainError
        If the flow is negative or another input is not finite and positive.

    Warns
    -----
    ValidityWarning
        For a flow index over 1.

    Notes
    -----
    .. math:: \Delta P = \frac{2KL}{h}\left(\frac{2n+1}{n}\,\frac{2Q}{w h^2}\right)^n

    Derived for a gap much lower than wide; the side walls of a closed channel would add 39 % at a gap of 0.44 of the
    width (Newtonian). A bead has no such walls: its sides are free. Neither does it leave only rearward.

    Examples
    --------
    >>> float(slit_drop_mpa(3.0, 0.45, 0.2, 0.5, 1000.0, 1.0))
    5.
    """
    require_not_negative(flow_mm3_per_s=flow_mm3_per_s)
    require_positive(
        width_mm=width_mm,
        gap_mm=gap_mm,
        length_mm=length_mm,
        consistency_pa_sn=consistency_pa_sn,
        flow_index=flow_index,
    )
    Q, w, h, L, K, n = as_floats(flow_mm3_per_s, width_mm, gap_mm, length_mm, consistency_pa_sn, flow_index)
    warn_outside(n > 1, "flow_index over 1: polymer melts thin with shear")
    return pa_to_mpa(2 * K * L / h * ((2 * n + 1) / n * 2 * Q / (w * h**2)) ** n)


def face_drop_mpa(
    flow_mm3_per_s: Number,
    gap_mm: Number,
    radius_in_mm: Number,
    radius_out_mm: Number,
    consistency_pa_sn: Number,
    flow_index: Number,
) -> Number:
    r"""Pressure drop of flow that spreads all round below a flat face, from orifice to rim.

    Parameters
    ----------
    flow_mm3_per_s : float or ndarray
        Volume flow, zero allowed. [mm3/s]
    gap_mm : float or ndarray
        Gap between the face and what lies below. [mm]
    radius_in_mm : float or ndarray
        Radius of the orifice. [mm]
    radius_out_mm : float or ndarray
        Radius of the rim, at least that of the orifice. [mm]
    consistency_pa_sn : float or ndarray
        Consistency K of the power law at the melt's temperature. [Pa s^n]
    flow_index : float or ndarray
        Index n of the power law; 1 is Newtonian. [-]

    Returns
    -------
    ndarray
        Pressure drop. [MPa]

    Raises
    ------
    DomainError
        If the flow is negative, another input not finite and positive, or the rim smaller than the orifice.

    Warns
    -----
    ValidityWarning
        For a gap over the radius of the rim, and for a flow index over 1.

    Notes
    -----
    .. math::
        \Delta P = \frac{2K}{h}\left(\frac{2n+1}{n}\,\frac{Q}{\pi h^2}\right)^n \frac{r_2^{1-n} - r_1^{1-n}}{1-n}
        \;\to\; \frac{6\mu Q}{\pi h^3}\ln\frac{r_2}{r_1} \text{ as } n \to 1

    Derived (radial Hele-Shaw flow): a nozzle that stands still, or far too much melt. While a bead is laid,
    `slit_drop_mpa` is nearer.

    Examples
    --------
    >>> float(face_drop_mpa(3.0, 0.2, 0.2, 0.5, 1000.0, 1.0))
    0.656
    """
    require_not_negative(flow_mm3_per_s=flow_mm3_per_s)
    require_positive(
        gap_mm=gap_mm,
        radius_in_mm=radius_in_mm,
        radius_out_mm=radius_out_mm,
        consistency_pa_sn=consistency_pa_sn,
        flow_index=flow_index,
    )
    Q, h, inner, outer, K, n = as_floats(
        flow_mm3_per_s, gap_mm, radius_in_mm, radius_out_mm, consistency_pa_sn, flow_index
    )
    if np.any(outer < inner):
        raise DomainError(f"radius_out_mm must be at least radius_in_mm, got {outer.min()} and {inner.max()}")
    warn_outside(h > outer, "gap_mm over radius_out_mm: not a thin gap")
    warn_outside(n > 1, "flow_index over 1: polymer melts thin with shear")
    # (r2^m - r1^m) / m without loss of digits as m = 1 - n goes to 0
    m, log_ratio = 1 - n, np.log(outer / inner)
    small = np.abs(m) < 1e-12
    reach = np.where(small, log_ratio, inner**m * np.expm1(m * log_ratio) / np.where(small, 1.0, m))
    rate = (2 * n + 1) / n * Q / (np.pi * h**2)
    return pa_to_mpa(2 * K / h * rate**n * reach)


def temperature_shift(temperature_c: Number, reference_c: Number, activation_kj_per_mol: Number) -> Number:
    r"""Arrhenius factor on the consistency, 1 at the reference temperature.

    Parameters
    ----------
    temperature_c : float or ndarray
        Temperature of the melt. [degC]
    reference_c : float or ndarray
        Temperature at which the consistency is stated. [degC]
    activation_kj_per_mol : float or ndarray
        Activation energy of flow; 34 to 131 for TPU, both ends published [1]_ [2]_. [kJ/mol]

    Returns
    -------
    ndarray
        Factor. [-]

    Raises
    ------
    DomainError
        If a temperature is at or below absolute zero or not finite, or the energy not positive.

    Warns
    -----
    ValidityWarning
        Above 270 degC, where TPU has begun to decompose.

    Notes
    -----
    .. math:: a_T = \exp\left(\frac{E_a}{R}\left(\frac{1}{T} - \frac{1}{T_{ref}}\right)\right)

    Melt only; the rows behind the energies lie at 180 to 220 degC. Time in the heat lowers the viscosity of TPU as
    well (chain scission, water), which is left out.

    Examples
    --------
    +10 K at 200 degC divides the consistency by 1.20 or by 1.99, at the two published ends:

    >>> float(1 / temperature_shift(210.0, 200.0, 34.0)), float(1 / temperature_shift(210.0, 200.0, 131.0))
    (1.20, 1.99)

    References
    ----------
    .. [1] Guo, Wang, Bao, 2012, doi 10.3969/j.issn.1001-3539.2012.10.015 (34 to 50, apparent; abstract).
    .. [2] T. Hentschel and H. Muenstedt, 2001, Polymer 42(7):3195-3203 (131, change of molar mass removed; abstract).
    """
    t, t0 = (celsius_to_kelvin(x) for x in as_floats(temperature_c, reference_c))
    for name, kelvin in (("temperature_c", t), ("reference_c", t0)):
        if not np.all(np.isfinite(kelvin) & (kelvin > 0)):
            raise DomainError(f"{name} must be finite and above -273.15, got {kelvin.min() - 273.15:g}")
    require_positive(activation_kj_per_mol=activation_kj_per_mol)
    warn_outside(t > celsius_to_kelvin(_DECOMPOSES_C), "temperature_c over 270, where TPU has begun to decompose")
    energy = 1e3 * np.asarray(activation_kj_per_mol, dtype=float)
    return np.exp(energy / GAS_CONSTANT_J_PER_MOL_K * (1 / t - 1 / t0))
