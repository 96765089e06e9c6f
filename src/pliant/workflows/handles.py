"""The window map under a hand: layer height, bead width and a point of speed and temperature, computed anew at once.

What does not change while a handle moves (the samples of the machine and the spool) is worked out once.
"""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from pliant.errors import DomainError
from pliant.files import Text
from pliant.recipe.window import Carry, carry, window_map
from pliant.records.baseline import BEAD_WORDS, Baseline, read_baseline, with_widths
from pliant.records.filament import read_filament
from pliant.records.limits import allowed_c
from pliant.records.machine import read_machine
from pliant.records.recipe import WindowMap
from pliant.workflows.evidence import with_witnesses
from pliant.workflows.plan import BEAD

__all__ = ["Handles"]

_SPEEDS, _TEMPERATURES = 26, 9  # coarser than the printed map: a handle has to follow the hand


@dataclass(frozen=True)
class Handles:
    """One machine, spool and baseline, ready to be asked again and again."""

    carried: Carry
    baseline: Baseline

    @classmethod
    def of(cls, machine: str, filament: str, baseline: str, book: str | Path | None = None) -> "Handles":
        """Read the three records from their text, and what the prints of a book say of them."""
        m, f = read_machine(Text("machine", machine)), read_filament(Text("filament", filament))
        base = read_baseline(Text("baseline", baseline))
        return cls(carry(m, with_witnesses(m, f, book)), with_widths(base, m))

    def map_at(
        self, layer_height_mm: float, width_mm: float, speed_mm_per_s: float, nozzle_c: float
    ) -> tuple[WindowMap, float]:
        """Draw up the map for one bead, with the chance of a jam at one point of it.

        Parameters
        ----------
        layer_height_mm, width_mm : float
            The bead. [mm]
        speed_mm_per_s : float
            Where you are, along. [mm/s]
        nozzle_c : float
            Where you are, up. [degC]

        Returns
        -------
        WindowMap, float
            The map with the point as its recipe, and the chance of a jam there. [-]
        """
        nozzle = self.carried.machine.nozzle_mm.value
        if not 0.03 <= layer_height_mm <= nozzle:
            raise DomainError(
                f"layer_height_mm must lie between 0.03 and the nozzle's {nozzle:g}, got {layer_height_mm:g}"
            )
        if not layer_height_mm <= width_mm <= 4 * nozzle:
            raise DomainError(
                f"width_mm must lie between the layer height {layer_height_mm:g} and {4 * nozzle:g}, got {width_mm:g}"
            )
        if not (0.1 <= speed_mm_per_s <= 1000 and 120 <= nozzle_c <= 350):
            raise DomainError("the point must lie between 0.1 and 1000 mm/s and between 120 and 350 °C")
        base = self.baseline
        low, high = allowed_c(self.carried.machine, self.carried.filament)
        ends = [low, high, base.nozzle_c, nozzle_c]
        shape: dict[str, Any] = {
            "bead": BEAD_WORDS[BEAD], "width_mm": width_mm, "squeezed_width_mm": width_mm,
            "layer_height_mm": layer_height_mm, "allowed_c": (low, high),
            "baseline": (base.speed_mm_per_s[BEAD], base.nozzle_c), "recipe": (speed_mm_per_s, nozzle_c),
        }  # fmt: skip
        most = 1.25 * max(base.speed_mm_per_s[BEAD], speed_mm_per_s)
        drawn = window_map(
            self.carried, speed_mm_per_s=np.geomspace(max(min(speed_mm_per_s / 3, most / 60), 0.1), most, _SPEEDS),
            nozzle_c=np.linspace(max(min(ends) - 5, 120.0), max(ends) + 5, _TEMPERATURES), **shape,
        )  # fmt: skip
        here = window_map(
            self.carried, speed_mm_per_s=np.array([speed_mm_per_s]), nozzle_c=np.array([nozzle_c]), **shape
        )
        return drawn, float(here.jam_probability[0][0])
