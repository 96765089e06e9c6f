"""What the drive can push, and what it loses: grip, motor, pinch, stretch before the wheel, slip at it.

Left out: wear and dirt in the teeth, heat of the motor, the filament's shape after the pinch, its memory of it.
No measurement of any of these on soft filament was found; the published ones are on PLA. `grip_force_n` and
`motor_force_n` are limits of push; `stretch_loss`, `slip_loss` and `pinch_squash_mm` feed `models.metering`.
"""

import numpy as np

from pliant.arrays import Number
from pliant.checks import as_floats, require_not_negative, require_positive, warn_outside
from pliant.errors import DomainError

__all__ = ["bite_force_n", "grip_force_n", "motor_force_n", "pinch_squash_mm", "slip_loss", "stretch_loss"]

_HERTZ = 0.35  # [-] squash over the filament's radius past which the contact is no longer small; about 0.3 mm on 1.75
_LINEAR = 0.2  # [-] strain past which force over E A is no longer the strain


def grip_force_n(pinch_n: Number, friction: Number, driven_wheels: Number) -> Number:
    r"""Largest push before the wheel slips.

    Parameters
    ----------
    pinch_n : float or ndarray
        Force that presses wheel and idler (or the two wheels) together. [N]
    friction : float or ndarray
        Coefficient between wheel and filament, teeth included. [-]
    driven_wheels : int or ndarray
        1 with a free idler, 2 where both wheels are driven. [-]

    Returns
    -------
    ndarray
        Push. [N]

    Raises
    ------
    DomainError
        If pinch or friction is negative or not finite, or the wheels are neither 1 nor 2.

    Notes
    -----
    .. math:: F = m\,\mu N, \qquad m = 1, 2

    Smooth wheels. Teeth that cut in carry what `bite_force_n` says where that is more.

    Examples
    --------
    >>> float(grip_force_n(25.0, 0.5, 1)), float(grip_force_n(25.0, 0.5, 2))
    (12.5, 25.0)
    """
    require_not_negative(pinch_n=pinch_n, friction=friction)
    _require_wheels(driven_wheels)
    pinch, mu, wheels = as_floats(pinch_n, friction, driven_wheels)
    return pinch * mu * wheels


def bite_force_n(stress_mpa: Number, bite_mm2: Number, driven_wheels: Number) -> Number:
    r"""Largest push before the filament shears at the teeth that have cut into it.

    Parameters
    ----------
    stress_mpa : float or ndarray
        Stress in tension at which the filament gives way: yield of a plastic; of TPU, which does not yield, the level
        that its stress runs up to, E times the strain at which its secant modulus has halved. [MPa]
    bite_mm2 : float or ndarray
        Area over which the teeth of one wheel hold. [mm2]
    driven_wheels : int or ndarray
        1 with a free idler, 2 where both wheels are driven. [-]

    Returns
    -------
    ndarray
        Push. [N]

    Raises
    ------
    DomainError
        If stress or area is not positive, or the wheels are neither 1 nor 2.

    Notes
    -----
    .. math:: F = m\,\frac{\sigma}{\sqrt{3}}\,A, \qquad m = 1, 2

    Shear strength after von Mises. The area is read back from the largest pulls before slip of 3 mm filament on a
    13 mm knurled wheel [1]_, with yields of 16, 26 and 40 MPa (from memory): PCL 49 N, HDPE 98 N, ABS 118 N give 5.3,
    6.5 and 5.1 mm2; PLA (60 MPa) did not slip at 123 N, which asks for 3.6. Three plastics agree within a fifth. A
    filament of 1.75 mm on a wheel of 11 mm meets 0.7 of it where the teeth are as deep, 0.4 where they are as deep for
    the filament: 2.3 to 3.9 mm2. TPU lies below all four, so this carries the law outside what was measured.

    Examples
    --------
    >>> float(bite_force_n(26.0, 5.6, 1))
    84.1

    References
    ----------
    .. [1] Measurement blog, 2009, as listed in docs/models/drive.md.
    """
    require_positive(stress_mpa=stress_mpa, bite_mm2=bite_mm2)
    _require_wheels(driven_wheels)
    stress, area, wheels = as_floats(stress_mpa, bite_mm2, driven_wheels)
    return wheels * stress / np.sqrt(3) * area


def _require_wheels(driven_wheels: Number) -> None:
    if not np.all(np.isin(driven_wheels, (1, 2))):
        raise DomainError(f"driven_wheels must be 1 or 2, got {driven_wheels}")


def motor_force_n(torque_n_mm: Number, ratio: Number, efficiency: Number, radius_mm: Number) -> Number:
    r"""Push from motor torque through a gear at the tooth radius.

    Parameters
    ----------
    torque_n_mm : float or ndarray
        Torque of the motor at its working speed. [N mm]
    ratio : float or ndarray
        Turns of the motor for one turn of the wheel. [-]
    efficiency : float or ndarray
        Efficiency of the gear, above 0, at most 1. [-]
    radius_mm : float or ndarray
        Radius to the bite of the teeth. [mm]

    Returns
    -------
    ndarray
        Push. [N]

    Raises
    ------
    DomainError
        If an input is not finite and positive, or the efficiency over 1.

    Notes
    -----
    .. math:: F = T\,i\,\eta / r

    Statics of the gear; the torque of a stepping motor falls with speed, which is the caller's.

    Examples
    --------
    A threaded wheel of 6.5 mm at 0.65 N m pushes 100 N (workshop page of 2009):

    >>> float(motor_force_n(650.0, 1.0, 1.0, 6.5))
    100.0
    """
    require_positive(torque_n_mm=torque_n_mm, ratio=ratio, efficiency=efficiency, radius_mm=radius_mm)
    if np.any(np.asarray(efficiency) > 1):
        raise DomainError(f"efficiency must be at most 1, got {np.max(efficiency)}")
    torque, gear, share, radius = as_floats(torque_n_mm, ratio, efficiency, radius_mm)
    return torque * gear * share / radius


def pinch_squash_mm(
    pinch_n: Number,
    *,
    youngs_modulus_mpa: Number,
    diameter_mm: Number,
    wheel_radius_mm: Number,
    poisson: Number = 0.5,
) -> Number:
    r"""How far one wheel presses into the filament.

    Parameters
    ----------
    pinch_n : float or ndarray
        Pinch. [N]
    youngs_modulus_mpa : float or ndarray
        Modulus of the filament. [MPa]
    diameter_mm : float or ndarray
        Filament diameter. [mm]
    wheel_radius_mm : float or ndarray
        Radius of the (smooth) wheel. [mm]
    poisson : float or ndarray, default 0.5
        Poisson ratio of the filament, 0 to 0.5. [-]

    Returns
    -------
    ndarray
        Approach of wheel and filament axis, one side. [mm]

    Raises
    ------
    DomainError
        If the pinch is negative, a size or the modulus not positive, or the Poisson ratio outside 0 to 0.5.

    Warns
    -----
    ValidityWarning
        Above 0.35 of the filament's radius (0.31 mm on 1.75 mm): no longer a small contact.

    Notes
    -----
    .. math:: N = \tfrac{4}{3} E^* \sqrt{R_e}\,\delta^{3/2}, \quad E^* = \frac{E}{1 - \nu^2}, \quad R_e = \sqrt{R_f R_w}

    Hertz's contact [1]_ of crossed cylinders, taken as a sphere of the geometric mean radius: exact for equal radii,
    5 % more squash than the exact elliptic contact at a ratio of 6. Teeth, which concentrate the force, press deeper.

    Examples
    --------
    >>> float(pinch_squash_mm(4.7, youngs_modulus_mpa=20.0, diameter_mm=1.75, wheel_radius_mm=5.5))
    0.199

    References
    ----------
    .. [1] K. L. Johnson, Contact Mechanics, Cambridge, 1985, ch. 4 (from memory).
    """
    require_not_negative(pinch_n=pinch_n, poisson=poisson)
    require_positive(youngs_modulus_mpa=youngs_modulus_mpa, diameter_mm=diameter_mm, wheel_radius_mm=wheel_radius_mm)
    pinch, modulus, d, wheel, nu = as_floats(pinch_n, youngs_modulus_mpa, diameter_mm, wheel_radius_mm, poisson)
    if np.any(nu > 0.5):
        raise DomainError(f"poisson must be at most 0.5, got {nu.max()}")
    rod, plane = d / 2, modulus / (1 - nu**2)
    squash = (pinch / (4 / 3 * plane * (rod * wheel) ** 0.25)) ** (2 / 3)
    warn_outside(squash > _HERTZ * rod, f"squash over {_HERTZ} of the filament's radius: no longer a small contact")
    return squash


def stretch_loss(spool_pull_n: Number, youngs_modulus_mpa: Number, diameter_mm: Number) -> Number:
    r"""Fraction underfed because the wheel meters stretched filament.

    Parameters
    ----------
    spool_pull_n : float or ndarray
        Tension between spool and drive. [N]
    youngs_modulus_mpa : float or ndarray
        Modulus of the filament. [MPa]
    diameter_mm : float or ndarray
        Filament diameter. [mm]

    Returns
    -------
    ndarray
        Lost fraction. [-]

    Raises
    ------
    DomainError
        If the pull is negative, or modulus or diameter not finite and positive.

    Warns
    -----
    ValidityWarning
        Above a strain of 0.2.

    Notes
    -----
    .. math:: \varepsilon = T / (A E)

    Derived, the creep of a belt: tension before the wheel counts, push after it does not. First order in the strain;
    the exact share is :math:`\varepsilon/(1 + \varepsilon)`, 1.4 points less at 12.5 %.

    Examples
    --------
    >>> float(stretch_loss(2.0, 20.0, 1.75))
    0.0416
    """
    require_not_negative(spool_pull_n=spool_pull_n)
    require_positive(youngs_modulus_mpa=youngs_modulus_mpa, diameter_mm=diameter_mm)
    pull, modulus, d = as_floats(spool_pull_n, youngs_modulus_mpa, diameter_mm)
    strain = pull / (modulus * np.pi * d**2 / 4)
    warn_outside(strain > _LINEAR, f"strain over {_LINEAR} under the spool's pull: linear elasticity no longer holds")
    return strain


def slip_loss(push_n: Number, grip_n: Number, size: Number = 0.1) -> Number:
    r"""Fraction lost to slip at the wheel.

    Parameters
    ----------
    push_n : float or ndarray
        Push at the drive. [N]
    grip_n : float or ndarray
        Largest push before the wheel slips altogether, from `grip_force_n`. [N]
    size : float or ndarray, default 0.1
        Fraction lost just below that; a calibration unknown, its default from memory. At most 1. [-]

    Returns
    -------
    ndarray
        Lost fraction, 1 from the grip on. [-]

    Raises
    ------
    DomainError
        If the push or size is negative, the size over 1, or the grip not positive.

    Notes
    -----
    .. math:: s = s_0\,F / F_{grip} \quad (F < F_{grip}), \qquad s = 1 \text{ above}

    The linear rise is published for PLA [1]_; its size for soft filament is not.

    Examples
    --------
    >>> slip_loss([0.0, 5.0, 10.0], 10.0)
    array([0.  , 0.05, 1.  ])

    References
    ----------
    .. [1] V. Nienhaus, D. Spiehl, E. Dorsam, 2021, doi 10.3390/jmmp5020053 (abstract).
    """
    require_not_negative(push_n=push_n, size=size)
    require_positive(grip_n=grip_n)
    if np.any(np.asarray(size) > 1):
        raise DomainError(f"size must be at most 1, got {np.max(size)}")
    push, grip, most = as_floats(push_n, grip_n, size)
    return np.where(push < grip, most * push / grip, 1.0)
