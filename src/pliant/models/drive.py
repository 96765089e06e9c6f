"""What the drive can push, and what it loses: grip, motor, pinch, stretch before the wheel, slip at it."""

from typing import Any

import numpy as np

from pliant.checks import require_not_negative, require_positive
from pliant.errors import DomainError

__all__ = ["grip_force_n", "motor_force_n", "pinch_squash_mm", "slip_loss", "stretch_loss"]


def grip_force_n(pinch_n: Any, friction: Any, driven_wheels: Any) -> Any:
    """Largest push before the wheel slips: friction x pinch for each driven wheel (1 or 2). [N, -, - -> N]"""
    require_not_negative(pinch_n=pinch_n, friction=friction)
    if not np.all(np.isin(driven_wheels, (1, 2))):
        raise DomainError(f"driven_wheels must be 1 or 2, got {driven_wheels}")
    return np.asarray(pinch_n) * friction * driven_wheels


def motor_force_n(torque_n_mm: Any, ratio: Any, efficiency: Any, radius_mm: Any) -> Any:
    """Push from motor torque through a gear at the tooth radius. [N mm, -, -, mm -> N]"""
    require_positive(torque_n_mm=torque_n_mm, ratio=ratio, efficiency=efficiency, radius_mm=radius_mm)
    if np.any(np.asarray(efficiency) > 1):
        raise DomainError(f"efficiency must be at most 1, got {np.max(efficiency)}")
    return np.asarray(torque_n_mm) * ratio * efficiency / radius_mm


def pinch_squash_mm(
    pinch_n: Any, *, youngs_modulus_mpa: Any, diameter_mm: Any, wheel_radius_mm: Any, poisson: Any = 0.5
) -> Any:
    """How far the pinch flattens the filament (Hertz; small compared with the radius). [N, MPa, mm, mm, - -> mm]"""
    require_not_negative(pinch_n=pinch_n)
    require_positive(youngs_modulus_mpa=youngs_modulus_mpa, diameter_mm=diameter_mm, wheel_radius_mm=wheel_radius_mm)
    plane = youngs_modulus_mpa / (1 - np.asarray(poisson) ** 2)
    radius = np.sqrt(np.asarray(diameter_mm) / 2 * wheel_radius_mm)
    return (np.asarray(pinch_n) / (4 / 3 * plane * np.sqrt(radius))) ** (2 / 3)


def stretch_loss(spool_pull_n: Any, youngs_modulus_mpa: Any, diameter_mm: Any) -> Any:
    """Fraction underfed because the wheel meters stretched filament: T / (A E). [N, MPa, mm -> -]"""
    require_not_negative(spool_pull_n=spool_pull_n)
    require_positive(youngs_modulus_mpa=youngs_modulus_mpa, diameter_mm=diameter_mm)
    return spool_pull_n / (youngs_modulus_mpa * np.pi * np.asarray(diameter_mm) ** 2 / 4)


def slip_loss(push_n: Any, grip_n: Any, size: Any = 0.1) -> Any:
    """Fraction lost to slip: linear in push up to the grip, then everything. [N, N, - -> -]

    Shape from Nienhaus, Spiehl and Dorsam 2021, doi 10.3390/jmmp5020053 (rigid filament); `size` is a calibration
    unknown, its default from memory.
    """
    require_not_negative(push_n=push_n, size=size)
    require_positive(grip_n=grip_n)
    share = np.asarray(push_n) / grip_n
    return np.where(share < 1, size * share, 1.0)
