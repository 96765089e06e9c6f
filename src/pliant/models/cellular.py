"""Stiffness of printed infill: Gibson and Ashby's scaling of cellular solids, and what walls and bonded faces add.

Thin walls (relative density under about 0.3), small strain, periodic cells, walls of sound material at the strain of
the part. Left out: seams, the open ends of a pattern at the skin, the difference between bead and layer direction.
`cellular_modulus_mpa` and `collapse_strain` belong together: past the second the first no longer holds.
"""

import numpy as np

from pliant.arrays import Number
from pliant.checks import require_in, require_not_negative, require_positive, warn_outside
from pliant.errors import DomainError

__all__ = [
    "DIRECTIONS",
    "PATTERNS",
    "bonded_block_factor",
    "cellular_modulus_mpa",
    "collapse_strain",
    "skinned_modulus_mpa",
]

PATTERNS = ("hexagon", "square", "triangle", "foam")
DIRECTIONS = ("in-plane", "axial")

# pattern: coefficient and exponent of E/Es in plane, as the course formula sheet on cellular solids prints them
# (solid.md 4.1): hexagon read there; square along its walls derived; triangle from memory; foam C1 = 1 from memory
_IN_PLANE = {"hexagon": (1.5, 3.0), "square": (0.5, 1.0), "triangle": (1 / 3, 1.0), "foam": (1.0, 2.0)}
# wall thickness over cell edge, per relative density: thin walls, edges shared by two cells
_SLENDER = {"hexagon": 1 / 1.15, "square": 1 / 2, "triangle": 1 / (2 * np.sqrt(3))}
_PLATE = 4.0 * np.pi**2 / 12 / 0.75  # [-] a long plate held on both edges, nu = 0.5: strain at folding per (t/l)^2
_STRUT = np.pi**2 / 12  # [-] a pinned strut, the lower bound: strain at folding per (t/l)^2
_THIN = 0.3  # [-] relative density up to which the thin-wall forms are meant


def cellular_modulus_mpa(
    solid_modulus_mpa: Number, relative_density: Number, pattern: str, direction: str = "in-plane"
) -> Number:
    r"""Young's modulus of an infill from that of its walls.

    Parameters
    ----------
    solid_modulus_mpa : float or ndarray
        Modulus of the solid walls at the strain and temperature of interest. [MPa]
    relative_density : float or ndarray
        Share of the volume that is filled, above 0, at most 1. [-]
    pattern : {"hexagon", "square", "triangle", "foam"}
        The first three are prisms that stand along the print's vertical; foam stands in, roughly, for sheet-like
        infills that repeat in all three directions.
    direction : {"in-plane", "axial"}, default "in-plane"
        Load across the prisms (pressed from the side), or along them (pressed from above). Square: along its walls.

    Returns
    -------
    ndarray
        Modulus of the infill; at a density of 1 that of the solid. [MPa]

    Raises
    ------
    DomainError
        If a word is unknown, the modulus not positive, or the density outside 0 to 1.

    Warns
    -----
    ValidityWarning
        For a density between 0.3 and 1, where walls are no longer thin.

    Notes
    -----
    In plane :math:`1.5\rho^3 E_s` (hexagon), :math:`\rho E_s/2` (square), :math:`\rho E_s/3` (triangle); foam
    :math:`\rho^2 E_s` in every direction; along the prisms :math:`\rho E_s`. Never above the rule of mixtures
    :math:`\rho E_s`, which is a bound. Constants as in the course formula sheet on cellular solids [1]_.

    Examples
    --------
    >>> float(cellular_modulus_mpa(1.0, 0.2, "hexagon")), float(cellular_modulus_mpa(1.0, 0.2, "hexagon", "axial"))
    (0.012, 0.2)

    References
    ----------
    .. [1] L. J. Gibson and M. F. Ashby, Cellular Solids, 2nd ed., Cambridge, 1997 (through a course formula sheet).
    """
    rho = _checked(relative_density, pattern, direction)
    require_positive(solid_modulus_mpa=solid_modulus_mpa)
    warn_outside((rho > _THIN) & (rho < 1), f"relative_density over {_THIN}, the thin-wall range of the cell models")
    if direction == "axial" and pattern != "foam":
        return solid_modulus_mpa * rho
    coefficient, power = _IN_PLANE[pattern]
    return solid_modulus_mpa * np.where(rho >= 1, 1.0, np.minimum(coefficient * rho**power, rho))


def collapse_strain(relative_density: Number, pattern: str, direction: str = "in-plane") -> Number:
    r"""Strain at which the walls of an infill fold, so that force stops growing with deflection.

    Parameters
    ----------
    relative_density : float or ndarray
        Share of the volume that is filled, above 0, at most 1. [-]
    pattern : {"hexagon", "square", "triangle", "foam"}
        Infill, as in `cellular_modulus_mpa`.
    direction : {"in-plane", "axial"}, default "in-plane"
        Load across or along the prisms.

    Returns
    -------
    ndarray
        Strain; infinite for a solid. [-]

    Raises
    ------
    DomainError
        If a word is unknown or the density outside 0 to 1.

    Notes
    -----
    Collapse stress over modulus. Published: hexagon :math:`0.143\rho^3/1.5\rho^3` in plane and
    :math:`3.4\rho^3/\rho` axially; foam 0.05. Derived here for square and triangle: axially a plate held on both
    edges, which gives 3.3 for the hexagon where 3.4 is printed; in plane a pinned strut, a lower bound.

    Examples
    --------
    >>> float(collapse_strain(0.2, "hexagon")), float(collapse_strain(0.2, "hexagon", "axial"))
    (0.0953, 0.136)
    """
    rho = np.asarray(_checked(relative_density, pattern, direction))
    strain: Number
    if pattern == "foam":
        strain = np.full(rho.shape, 0.05)
    elif pattern == "hexagon":
        strain = 3.4 * rho**2 if direction == "axial" else np.full(rho.shape, 0.143 / 1.5)
    else:
        strain = (_PLATE if direction == "axial" else _STRUT) * (rho * _SLENDER[pattern]) ** 2
    return np.where(rho >= 1, np.inf, strain)


def bonded_block_factor(shape_factor: Number, bond: Number = 0.9) -> Number:
    """Gain in stiffness of a solid rubbery block whose loaded faces cannot spread.

    Parameters
    ----------
    shape_factor : float or ndarray
        Loaded area over free area, S. [-]
    bond : float or ndarray, default 0.9
        k: 0.5 to 0.9 where the faces stick (from memory), 0 where they slide freely. [-]

    Returns
    -------
    ndarray
        :math:`1 + 2 k S^2`. [-]

    Raises
    ------
    DomainError
        If an input is negative.

    Examples
    --------
    The standard compression disc, 28.6 mm across and 12.5 mm high, S = 0.57:

    >>> float(bonded_block_factor(28.6 / 4 / 12.5, 0.5))
    1.33
    """
    require_not_negative(shape_factor=shape_factor, bond=bond)
    return 1 + 2 * np.asarray(bond, float) * np.asarray(shape_factor, float) ** 2


def skinned_modulus_mpa(
    solid_modulus_mpa: Number, core_modulus_mpa: Number, wall_share: Number, skin_share: Number
) -> Number:
    """Modulus of a core inside walls along the load and skins across it.

    Parameters
    ----------
    solid_modulus_mpa, core_modulus_mpa : float or ndarray
        Moduli of walls and skins, and of the infill. [MPa]
    wall_share : float or ndarray
        Share of the loaded area taken by walls, 0 to 1. [-]
    skin_share : float or ndarray
        Share of the height taken by skins, 0 to 1. [-]

    Returns
    -------
    ndarray
        Modulus of the whole: walls and core side by side (by area), skins and the rest in series (by height). [MPa]

    Raises
    ------
    DomainError
        If a share lies outside 0 to 1 or a modulus is not positive.

    Examples
    --------
    >>> float(skinned_modulus_mpa(20.0, 2.0, 0.1, 0.0)), float(skinned_modulus_mpa(20.0, 2.0, 0.0, 0.5))
    (3.8, 3.64)
    """
    require_positive(solid_modulus_mpa=solid_modulus_mpa, core_modulus_mpa=core_modulus_mpa)
    wall, skin = np.asarray(wall_share, float), np.asarray(skin_share, float)
    for name, share in (("wall_share", wall), ("skin_share", skin)):
        if not np.all((share >= 0) & (share <= 1)):
            raise DomainError(f"{name} must lie between 0 and 1, got {share}")
    side_by_side = wall * solid_modulus_mpa + (1 - wall) * core_modulus_mpa
    return 1 / (skin / solid_modulus_mpa + (1 - skin) / side_by_side)


def _checked(relative_density: Number, pattern: str, direction: str) -> Number:
    require_in("pattern", pattern, PATTERNS)
    require_in("direction", direction, DIRECTIONS)
    require_positive(relative_density=relative_density)
    rho = np.asarray(relative_density, float)
    if np.any(rho > 1):
        raise DomainError(f"relative_density must be at most 1, got {rho.max()}")
    return rho
