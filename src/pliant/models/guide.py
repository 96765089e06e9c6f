"""Filament pushed through a guide: friction of bends and of the helix pressed to the wall, and the guide filled up.

dF/ds = a F + b F^2 with a = friction x turn / length and b = friction x clearance / (4 E I), clearance half of bore
minus diameter. The helix term acts from zero push: conservative below its onset. Left out: weight of the filament.
Source: helix contact force after Lubinski 1962 and Mitchell 1986 (from memory), rederived by energy balance.
"""

from typing import Any

import numpy as np

from pliant.checks import require_not_negative, require_positive
from pliant.errors import DomainError

__all__ = ["fill_force_n", "guide_lock_force_n", "helix_onset_force_n", "push_into_guide_n"]


def _terms(
    length_mm: Any, bore_mm: Any, turn_rad: Any, friction: Any, diameter_mm: Any, youngs_modulus_mpa: Any
) -> tuple[Any, Any]:
    """Return aL and the b (e^{aL} - 1) / a of the closed form, with its limit bL for straight guides."""
    require_positive(
        length_mm=length_mm, bore_mm=bore_mm, diameter_mm=diameter_mm, youngs_modulus_mpa=youngs_modulus_mpa
    )
    require_not_negative(turn_rad=turn_rad, friction=friction)
    _require_room(bore_mm, diameter_mm)
    bend = np.asarray(friction * np.asarray(turn_rad), dtype=float)
    clearance = (np.asarray(bore_mm, dtype=float) - diameter_mm) / 2
    helix = friction * clearance * length_mm / (4 * youngs_modulus_mpa * np.pi * diameter_mm**4 / 64)
    growth = np.where(bend > 1e-12, np.expm1(bend) / np.maximum(bend, 1e-12), 1.0)
    return bend, helix * growth


def _require_room(bore_mm: Any, diameter_mm: Any) -> None:
    if np.any(np.asarray(bore_mm) <= np.asarray(diameter_mm)):
        raise DomainError(f"bore_mm must exceed diameter_mm, got {np.min(bore_mm)} and {np.max(diameter_mm)}")


def push_into_guide_n(
    push_out_n: Any,
    *,
    length_mm: Any,
    bore_mm: Any,
    turn_rad: Any,
    friction: Any,
    diameter_mm: Any,
    youngs_modulus_mpa: Any,
) -> Any:
    """Push that must enter a guide for `push_out_n` to leave it; infinite once the filament has locked.

    Parameters
    ----------
    push_out_n : float or ndarray
        Push needed at the far end. [N]
    length_mm, bore_mm, diameter_mm : float or ndarray
        Guide and filament. [mm]
    turn_rad : float or ndarray
        Total angle turned. [rad]
    friction : float or ndarray
        Coefficient. [-]
    youngs_modulus_mpa : float or ndarray
        Modulus of the filament. [MPa]

    Returns
    -------
    ndarray
        Push at the entry. [N]

    Raises
    ------
    DomainError
        If an input is negative or not finite, or the bore leaves no room.
    """
    require_not_negative(push_out_n=push_out_n)
    bend, helix = _terms(length_mm, bore_mm, turn_rad, friction, diameter_mm, youngs_modulus_mpa)
    push = np.asarray(push_out_n, dtype=float)
    room = 1 - helix * push
    return np.where(room > 0, push * np.exp(bend) / np.where(room > 0, room, 1.0), np.inf)


def guide_lock_force_n(
    *, length_mm: Any, bore_mm: Any, turn_rad: Any, friction: Any, diameter_mm: Any, youngs_modulus_mpa: Any
) -> Any:
    """Largest push that can leave a guide however hard one pushes; inputs as `push_into_guide_n`. [N]"""
    _, helix = _terms(length_mm, bore_mm, turn_rad, friction, diameter_mm, youngs_modulus_mpa)
    with np.errstate(divide="ignore"):
        return np.where(helix > 0, 1 / np.maximum(helix, 1e-300), np.inf)


def helix_onset_force_n(
    *, youngs_modulus_mpa: Any, diameter_mm: Any, bore_mm: Any, weight_n_per_mm: Any = 2.83e-5
) -> Any:
    """Push at which straight horizontal filament coils in its guide: 2 sqrt2 sqrt(E I w / r). [MPa, mm, mm, N/mm -> N]

    Source: Dawson and Paslay 1984; Chen, Lin and Cheatham 1990. Default weight: 1.75 mm at 1200 kg/m3.
    """
    require_positive(
        youngs_modulus_mpa=youngs_modulus_mpa, diameter_mm=diameter_mm, bore_mm=bore_mm, weight_n_per_mm=weight_n_per_mm
    )
    _require_room(bore_mm, diameter_mm)
    clearance = (np.asarray(bore_mm, dtype=float) - diameter_mm) / 2
    stiffness = youngs_modulus_mpa * np.pi * diameter_mm**4 / 64
    return 2 * np.sqrt(2) * np.sqrt(stiffness * weight_n_per_mm / clearance)


def fill_force_n(*, youngs_modulus_mpa: Any, diameter_mm: Any, bore_mm: Any) -> Any:
    """Push at which squeezed filament fills the bore: A E / 3 (lambda^-2 - lambda), lambda = (d / bore)^2.

    Incompressible neo-Hookean rod. [MPa, mm, mm -> N]
    """
    require_positive(youngs_modulus_mpa=youngs_modulus_mpa, diameter_mm=diameter_mm, bore_mm=bore_mm)
    _require_room(bore_mm, diameter_mm)
    stretch = (np.asarray(diameter_mm, dtype=float) / bore_mm) ** 2
    return np.pi * diameter_mm**2 / 4 * youngs_modulus_mpa / 3 * (stretch**-2 - stretch)
