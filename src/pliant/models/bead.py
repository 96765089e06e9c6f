"""Section of a bead: a rectangle with half-round sides, or a free round strand."""

from typing import Any

import numpy as np

from pliant.checks import require_positive

__all__ = ["bead_area_mm2", "bead_width_mm", "is_squeezed", "strand_diameter_mm"]


def bead_area_mm2(width_mm: Any, height_mm: Any) -> Any:
    """Area (w - h) h + pi h^2 / 4. [mm, mm -> mm2]"""
    require_positive(width_mm=width_mm, height_mm=height_mm)
    return (width_mm - height_mm) * height_mm + np.pi * height_mm**2 / 4


def bead_width_mm(area_mm2: Any, height_mm: Any) -> Any:
    """Width of a bead of given area and height; inverse of `bead_area_mm2`. [mm2, mm -> mm]"""
    require_positive(area_mm2=area_mm2, height_mm=height_mm)
    return (area_mm2 - np.pi * height_mm**2 / 4) / height_mm + height_mm


def strand_diameter_mm(area_mm2: Any) -> Any:
    """Diameter of the round strand of the same area. [mm2 -> mm]"""
    require_positive(area_mm2=area_mm2)
    return np.sqrt(4 * np.asarray(area_mm2) / np.pi)


def is_squeezed(area_mm2: Any, gap_mm: Any) -> Any:
    """Whether the face presses the bead: the gap is smaller than the free strand. [mm2, mm -> bool]"""
    require_positive(gap_mm=gap_mm)
    return np.asarray(gap_mm) < strand_diameter_mm(area_mm2)
