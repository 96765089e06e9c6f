"""Filament pushed through a guide: friction of bends and of the helix pressed to the wall, and the guide filled up.

Along the guide dF/ds = a F + b F^2, with a = friction x turn / length (capstan) and b = friction x clearance / (4 E I)
(a helix pressed to the wall), clearance half of bore minus diameter. The helix term acts from zero push: conservative
below its onset. Left out: weight and bending stiffness of the filament in the bends, the softening of the modulus with
strain, the wall of the tube giving way. Start with `push_into_guide_n`.
"""

import numpy as np

from pliant.arrays import Number
from pliant.checks import as_floats, require_not_negative, require_positive, warn_outside
from pliant.errors import DomainError

__all__ = ["fill_force_n", "guide_lock_force_n", "helix_onset_force_n", "push_into_guide_n"]


def push_into_guide_n(
    push_out_n: Number,
    *,
    length_mm: Number,
    bore_mm: Number,
    turn_rad: Number,
    friction: Number,
    diameter_mm: Number,
    youngs_modulus_mpa: Number,
    helix_onset_n: Number = 0.0,
) -> Number:
    r"""Push that must enter a guide for `push_out_n` to leave it; infinite once the filament has locked.

    Parameters
    ----------
    push_out_n : float or ndarray
        Push needed at the far end. [N]
    length_mm : float or ndarray
        Length of the guide. [mm]
    bore_mm : float or ndarray
        Bore of the guide, above the filament's diameter. [mm]
    turn_rad : float or ndarray
        Total angle turned, spread evenly along the guide. [rad]
    friction : float or ndarray
        Coefficient between filament and guide. [-]
    diameter_mm : float or ndarray
        Diameter of the filament. [mm]
    youngs_modulus_mpa : float or ndarray
        Modulus of the filament. [MPa]
    helix_onset_n : float or ndarray, default 0.0
        Push under which only the bends act. 0 is the conservative choice; see `helix_onset_force_n`. [N]

    Returns
    -------
    ndarray
        Push at the entry. [N]

    Raises
    ------
    DomainError
        If an input is negative or not finite, or the bore leaves no room.

    Warns
    -----
    ValidityWarning
        Where the push that leaves is already above `fill_force_n`: the filament fills the bore, a jam of its own kind.

    Notes
    -----
    .. math:: F_{in} = \frac{a F e^{aL}}{a + b F (1 - e^{aL})} \;\to\; \frac{F}{1 - bLF} \text{ as } a \to 0

    Above an onset only the stretch of guide where the push exceeds it has the helix term. The sizes of the contact
    force are those of a fully developed helix of small slope [1]_ [2]_. No measurement of soft filament on PTFE is
    behind this: `friction` is the main unknown (0.05 to 0.15 for PTFE on steel and most plastics).

    Examples
    --------
    >>> tube = dict(length_mm=300.0, bore_mm=2.0, turn_rad=0.0, friction=0.1, diameter_mm=1.75)
    >>> float(push_into_guide_n(4.0, youngs_modulus_mpa=20.0, **tube))
    6.748
    >>> float(push_into_guide_n(10.0, youngs_modulus_mpa=20.0, **tube))
    inf

    References
    ----------
    .. [1] A. Lubinski, W. Althouse, J. Logan, Helical buckling of tubing sealed in packers, 1962 (from memory;
       contact force rederived by energy balance).
    .. [2] R. F. Mitchell, 1986 (from memory; same).
    """
    require_not_negative(push_out_n=push_out_n, helix_onset_n=helix_onset_n)
    bend, helix = _terms(length_mm, bore_mm, turn_rad, friction, diameter_mm, youngs_modulus_mpa)
    out, onset = as_floats(push_out_n, helix_onset_n)
    warn_outside(
        out > _fill(youngs_modulus_mpa, diameter_mm, bore_mm),
        "push_out_n over fill_force_n: the filament fills the bore before the helix locks it",
    )
    with np.errstate(over="ignore", divide="ignore", invalid="ignore"):
        # the part of the guide where the push is still under the onset turns by so much (times friction)
        quiet = np.where(out >= onset, 0.0, np.minimum(bend, np.log(onset / np.maximum(out, 1e-300))))
        never = (out < onset) & (quiet >= bend)
        start = out * np.exp(quiet)
        share = np.where(bend > 0, (bend - quiet) / np.where(bend > 0, bend, 1.0), 1.0)
        room = 1 - np.where(never, 0.0, helix * share * _growth(bend - quiet) * start)
        into = start * np.exp(bend - quiet) / np.where(room > 0, room, 1.0)
    return np.where(out == 0, 0.0, np.where(room > 0, into, np.inf))


def guide_lock_force_n(
    *,
    length_mm: Number,
    bore_mm: Number,
    turn_rad: Number,
    friction: Number,
    diameter_mm: Number,
    youngs_modulus_mpa: Number,
    helix_onset_n: Number = 0.0,
) -> Number:
    r"""Largest push that can leave a guide, however hard one pushes into it.

    Parameters
    ----------
    length_mm : float or ndarray
        Length of the guide. [mm]
    bore_mm : float or ndarray
        Bore of the guide, above the filament's diameter. [mm]
    turn_rad : float or ndarray
        Total angle turned, spread evenly along the guide. [rad]
    friction : float or ndarray
        Coefficient between filament and guide. [-]
    diameter_mm : float or ndarray
        Diameter of the filament. [mm]
    youngs_modulus_mpa : float or ndarray
        Modulus of the filament. [MPa]
    helix_onset_n : float or ndarray, default 0.0
        Push under which only the bends act. 0 is the conservative choice; see `helix_onset_force_n`. [N]

    Returns
    -------
    ndarray
        Largest push; infinite without friction. [N]

    Raises
    ------
    DomainError
        If an input is negative or not finite, or the bore leaves no room.

    Notes
    -----
    .. math:: F_{lock} = \frac{a}{b\,(e^{aL} - 1)} \;\to\; \frac{4 E I}{\mu\, r_c L} \text{ as } a \to 0

    and, where that lies under an onset :math:`F_o`, :math:`(F_o + a/b)\,e^{-aL}`. A tighter bore postpones it and
    brings `fill_force_n` nearer. Terms and what is left out as in `push_into_guide_n`.

    Examples
    --------
    >>> tube = dict(length_mm=300.0, turn_rad=0.0, friction=0.1, diameter_mm=1.75, youngs_modulus_mpa=20.0)
    >>> float(guide_lock_force_n(bore_mm=2.0, **tube)), float(guide_lock_force_n(bore_mm=1.9, **tube))
    (9.82, 16.4)
    """
    require_not_negative(helix_onset_n=helix_onset_n)
    bend, helix = _terms(length_mm, bore_mm, turn_rad, friction, diameter_mm, youngs_modulus_mpa)
    onset = np.asarray(helix_onset_n, dtype=float)
    with np.errstate(over="ignore", divide="ignore", invalid="ignore"):
        plain = np.where(helix > 0, 1 / (helix * _growth(bend)), np.inf)
        late = np.where(helix > 0, (onset + bend / helix) * np.exp(-bend), np.inf)
    return np.where(plain >= onset, plain, late)


def helix_onset_force_n(
    *,
    youngs_modulus_mpa: Number,
    diameter_mm: Number,
    bore_mm: Number,
    weight_n_per_mm: Number = 2.83e-5,
    bend_radius_mm: Number | None = None,
) -> Number:
    r"""Push at which filament coils inside its guide.

    Parameters
    ----------
    youngs_modulus_mpa : float or ndarray
        Modulus of the filament. [MPa]
    diameter_mm : float or ndarray
        Diameter of the filament. [mm]
    bore_mm : float or ndarray
        Bore of the guide, above the filament's diameter. [mm]
    weight_n_per_mm : float or ndarray, default 2.83e-5
        Weight per length; the default is 1.75 mm filament of 1200 kg/m3. [N/mm]
    bend_radius_mm : float or ndarray, optional
        Radius of the bend the guide follows; None for a straight, level guide. [mm]

    Returns
    -------
    ndarray
        Onset of the helix. [N]

    Raises
    ------
    DomainError
        If an input is not finite and positive, or the bore leaves no room.

    Notes
    -----
    Straight and level [1]_ [2]_, and in a bend, where the curve supplies the side load w = F / radius (derived; other
    published constants are larger), the greater of the two:

    .. math:: F = 2\sqrt{2}\,\sqrt{E I w / r_c}, \qquad F = \frac{8 E I}{r_c\,\rho}

    A full helix has been put at 3.66 in place of 2.83 [3]_. A bend delays the helix a hundredfold; the chain does not
    use that, since curls left by the spool may take its place. Pass the result as `helix_onset_n` to use it.

    Examples
    --------
    >>> rod = dict(youngs_modulus_mpa=20.0, diameter_mm=1.75, bore_mm=2.0)
    >>> float(helix_onset_force_n(**rod)), float(helix_onset_force_n(**rod, bend_radius_mm=50.0))
    (0.129, 11.79)

    References
    ----------
    .. [1] R. Dawson and P. R. Paslay, 1984 (through university course notes).
    .. [2] Y.-C. Chen, Y.-H. Lin, J. B. Cheatham, 1990 (through the same notes).
    .. [3] J. Wu and H. C. Juvkam-Wold, SPE-25503, 1993 (abstract; the 3.66 from memory).
    """
    require_positive(
        youngs_modulus_mpa=youngs_modulus_mpa, diameter_mm=diameter_mm, bore_mm=bore_mm, weight_n_per_mm=weight_n_per_mm
    )
    clearance, stiffness = _clearance(bore_mm, diameter_mm), _stiffness(youngs_modulus_mpa, diameter_mm)
    straight = 2 * np.sqrt(2) * np.sqrt(stiffness * np.asarray(weight_n_per_mm, dtype=float) / clearance)
    if bend_radius_mm is None:
        return straight
    require_positive(bend_radius_mm=bend_radius_mm)
    return np.maximum(straight, 8 * stiffness / (clearance * np.asarray(bend_radius_mm, dtype=float)))


def fill_force_n(*, youngs_modulus_mpa: Number, diameter_mm: Number, bore_mm: Number) -> Number:
    r"""Push at which squeezed filament has swollen to fill the bore.

    Parameters
    ----------
    youngs_modulus_mpa : float or ndarray
        Modulus of the filament. [MPa]
    diameter_mm : float or ndarray
        Diameter of the filament. [mm]
    bore_mm : float or ndarray
        Bore of the guide, above the filament's diameter. [mm]

    Returns
    -------
    ndarray
        Push. [N]

    Raises
    ------
    DomainError
        If an input is not finite and positive, or the bore leaves no room.

    Warns
    -----
    ValidityWarning
        Where the bore is filled only at more than 70 % strain (bore over 1.83 diameters).

    Notes
    -----
    .. math:: F = \tfrac{1}{3} A E\,(\lambda^{-2} - \lambda), \qquad \lambda = (d / D)^2

    Incompressible neo-Hookean rod, uniform; derived here. Filament that softens with strain fills its bore earlier:
    at 25 % strain the secant of `models.stiffness` is about a quarter of this rod's.
    Past it the push decays e-fold within D / (4 friction), 5 mm for a bore of 2 mm at 0.1: an immediate jam.

    Examples
    --------
    >>> [round(float(fill_force_n(youngs_modulus_mpa=20.0, diameter_mm=1.75, bore_mm=b)), 1) for b in (1.9, 2.0)]
    [8.7, 15.1]
    """
    require_positive(youngs_modulus_mpa=youngs_modulus_mpa, diameter_mm=diameter_mm, bore_mm=bore_mm)
    _clearance(bore_mm, diameter_mm)
    d, bore = as_floats(diameter_mm, bore_mm)
    stretch = (d / bore) ** 2
    warn_outside(stretch < 0.3, "bore_mm over 1.83 diameters: filled only at more than 70 % strain")
    return _fill(youngs_modulus_mpa, diameter_mm, bore_mm)


def _terms(
    length_mm: Number,
    bore_mm: Number,
    turn_rad: Number,
    friction: Number,
    diameter_mm: Number,
    youngs_modulus_mpa: Number,
) -> tuple[Number, Number]:
    """Return aL and bL."""
    require_positive(
        length_mm=length_mm, bore_mm=bore_mm, diameter_mm=diameter_mm, youngs_modulus_mpa=youngs_modulus_mpa
    )
    require_not_negative(turn_rad=turn_rad, friction=friction)
    rub, turn, length = as_floats(friction, turn_rad, length_mm)
    helix = rub * _clearance(bore_mm, diameter_mm) * length / (4 * _stiffness(youngs_modulus_mpa, diameter_mm))
    return rub * turn, helix


def _growth(bend: Number) -> Number:
    """(e^x - 1) / x, 1 at 0."""
    return np.where(bend > 1e-12, np.expm1(bend) / np.maximum(bend, 1e-12), 1.0)


def _clearance(bore_mm: Number, diameter_mm: Number) -> Number:
    bore, diameter = as_floats(bore_mm, diameter_mm)
    if np.any(bore <= diameter):
        raise DomainError(f"bore_mm must exceed diameter_mm, got {np.min(bore)} and {np.max(diameter)}")
    return (bore - diameter) / 2


def _stiffness(youngs_modulus_mpa: Number, diameter_mm: Number) -> Number:
    modulus, d = as_floats(youngs_modulus_mpa, diameter_mm)
    return modulus * np.pi * d**4 / 64


def _fill(youngs_modulus_mpa: Number, diameter_mm: Number, bore_mm: Number) -> Number:
    modulus, d, bore = as_floats(youngs_modulus_mpa, diameter_mm, bore_mm)
    stretch = (d / bore) ** 2
    return np.pi * d**2 / 4 * modulus / 3 * (stretch**-2 - stretch)
