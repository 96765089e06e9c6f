"""What a program lays, where and when: layers, widths, cover and time, each worked out when first asked for."""

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from pliant.program.coverage import Coverage, find_coverage
from pliant.program.layers import Layering, find_layers
from pliant.program.least_travel import LeastTravel, least_travel
from pliant.program.rest import least_rest_s
from pliant.program.sections import Sections, bead_sections
from pliant.program.sight import Sight, find_sight
from pliant.program.timing import Motion, Timing, time_program
from pliant.records.findings import Facts
from pliant.records.program import BEAD, RETRACT, TRAVEL, Program

__all__ = ["STRING_MM", "Laying"]

STRING_MM = 1.0  # [mm] a gap no wider than the flat of a usual nozzle leaves no thread; common practice, no source


@dataclass(frozen=True, eq=False)
class Laying:
    """A program on axes with these limits, with filament of this diameter."""

    program: Program
    diameter_mm: float
    motion: Motion = field(default_factory=Motion)
    asked_mm: NDArray[np.float64] | None = None  # filament each bead is to have, where its feed was shaped; (n_moves,)

    @cached_property
    def layering(self) -> Layering:
        """Layers and runs."""
        return find_layers(self.program)

    @cached_property
    def sections(self) -> Sections:
        """Width of each bead and gap under the nozzle."""
        return bead_sections(self.program, self.layering, self.diameter_mm, self.asked_mm)

    @cached_property
    def coverage(self) -> Coverage:
        """How much of each travel lies over bead of its own layer."""
        return find_coverage(self.program, self.layering, self.sections.width_mm)

    @cached_property
    def sight(self) -> Sight:
        """What of it shows in the finished part."""
        return find_sight(self.program, self.layering, self.sections.width_mm, self.coverage)

    @cached_property
    def timing(self) -> Timing:
        """When each move starts, how fast it gets and how long it takes."""
        return time_program(self.program, self.motion)

    @cached_property
    def least_travel(self) -> LeastTravel:
        """What no order of the runs can do without."""
        return least_travel(self.program, self.layering, self.sections.width_mm)

    def facts(self, assumed: tuple[str, ...] = (), warned: tuple[str, ...] = ()) -> Facts:
        """Sum it up.

        Parameters
        ----------
        assumed : tuple of str
            Defaults taken.
        warned : tuple of str
            What was noticed beside what the reader and the clock say.

        Returns
        -------
        Facts
        """
        p, layering, timing = self.program, self.layering, self.timing
        strings = layering.layer[self.coverage.strings(STRING_MM)]
        bead, filament, retract = p.kind == BEAD, p.filament_mm, p.kind == RETRACT
        warnings = [*p.warnings]
        if timing.too_fast_line.size:
            warnings.append(
                f"line {timing.too_fast_line[0]}: asks for more speed than the machine has "
                f"({timing.too_fast_line.size} moves in all); timed at the machine's limit"
            )
        end = p.point_mm[-1]
        return Facts(
            time_s=float(timing.move_s.sum()),
            layers=int(layering.top_mm.size),
            runs=int(layering.run.max(initial=-1) + 1),
            bead_mm=float(p.length_mm[bead].sum()),
            bead_mm3=float(filament[bead].sum() * np.pi * self.diameter_mm**2 / 4),
            filament_forward_mm=float(filament[filament > 0].sum()),
            filament_back_mm=abs(float(filament[filament < 0].sum())),
            travel_mm=float(p.length_mm[p.kind == TRAVEL].sum()),
            open_travel_mm=float(self.coverage.open_mm.sum()),
            seen_travel_mm=float((self.sight.length_mm * self.sight.shows).sum()),
            travel_bound_mm=self.least_travel.bound_mm,
            travel_bound_trees=self.least_travel.tree_layers,
            rest_s=least_rest_s(p, timing.move_s),
            strings=int(strings.size),
            seen_strings=int(self.sight.strings(STRING_MM).size),
            strings_by_layer=tuple(np.bincount(strings, minlength=layering.top_mm.size).tolist()),
            retractions=int((retract & ~np.concatenate([[False], retract[:-1]])).sum()),
            end={"x": float(end[0]), "y": float(end[1]), "z": float(end[2])},
            dialect=p.dialect,
            dialect_questions=p.questions,
            assumed=assumed,
            warnings=(*warnings, *warned),
        )
