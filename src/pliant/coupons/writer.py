"""Writes the motion program of a coupon, in words that every behaviour of `program.dialects` reads alike.

One command a line, filament relative (`M83` after `G90`), millimetres, no arcs, no word whose meaning controllers
differ about. No retraction anywhere: soft filament takes none, and a jam must stay recoverable.
"""

import math
from itertools import pairwise

from pliant.constants import GENTLE_MM_PER_S
from pliant.errors import DomainError
from pliant.models.bead import bead_area_mm2
from pliant.records.filament import Filament
from pliant.records.machine import Machine

__all__ = ["CENTRE_MM", "PURGE_MM3", "TOOTH_MM", "Writer", "bead_of", "shift_mm", "top_speed_mm_per_s"]

_BED_C = 45.0  # [degC] common practice, no source: soft filament holds to a barely warm bed
CENTRE_MM = (60.0, 60.0)  # every coupon is laid out around it and lies within 52 mm of it, in x and in y
_ROOM_MM = 108.0  # [mm] a coupon takes that much of the bed, with a little around it
_TALLEST_MM = 75.0  # [mm] the free run stands high, and lifts at its end
PURGE_MM3, _PURGE_S = 25.0, 40.0  # laid beside the coupon before it starts, at most this long
_TRAVEL_MM_PER_S = 100.0
_LIFT_MM = 10.0
TOOTH_MM = 1.2
_MOST_FED_MM = 40.0  # from memory: controllers that bound an extrusion on the spot commonly do so at 50 mm
_WIDTH, _HEIGHT = 1.6, 0.6  # [nozzle bores] a wide, flat bead holds to the bed and keeps the axes slow; our choice


def bead_of(machine: Machine) -> tuple[float, float]:
    """Width and height of the beads of this machine's coupons. [mm]"""
    nozzle = machine.nozzle_mm.value
    return round(_WIDTH * nozzle, 2), round(_HEIGHT * nozzle, 2)


def top_speed_mm_per_s(machine: Machine) -> float:
    """Fastest bead that a coupon asks for: well inside what the axes can do. [mm/s]"""
    return 0.7 * min(machine.max_speed_mm_per_s[:2])


def shift_mm(machine: Machine) -> tuple[float, float]:
    """Way from where coupons are laid out to the middle of this machine's bed; none where it is not known.

    Parameters
    ----------
    machine : Machine
        With `volume_mm` or without.

    Returns
    -------
    x, y : float
        [mm]

    Raises
    ------
    DomainError
        If the machine is too small for a coupon.
    """
    if machine.reach_mm is None:
        return 0.0, 0.0
    low, high = machine.reach_mm
    if min(high[0] - low[0], high[1] - low[1]) < _ROOM_MM or high[2] < _TALLEST_MM:
        raise DomainError(
            f"a coupon needs {_ROOM_MM:g} by {_ROOM_MM:g} mm of bed and {_TALLEST_MM:g} mm of height; the record says "
            f"motion.volume_mm = [{', '.join(f'{b - a:g}' for a, b in zip(low, high, strict=True))}]"
        )
    return (low[0] + high[0]) / 2 - CENTRE_MM[0], (low[1] + high[1]) / 2 - CENTRE_MM[1]


class Writer:
    """Collects lines of motion and, for the drawing, strokes.

    Places are given as if the bed's middle were at `CENTRE_MM`; the lines have them where the bed's middle is.
    """

    def __init__(
        self, title: str, machine: Machine, filament: Filament, nozzle_c: float, *, purge_mm3_per_s: float
    ) -> None:
        low, high = filament.nozzle_c
        if not low <= nozzle_c <= high:
            raise DomainError(
                f"nozzle_c must lie on the filament's data sheet, {low:g} to {high:g} °C, got {nozzle_c:g}"
            )
        self.area_mm2 = math.pi * filament.diameter_mm.value**2 / 4
        self.fed_mm = 0.0
        self.strokes: list[list[tuple[float, float]]] = []
        self.unfed: list[list[tuple[float, float]]] = []
        self._aside = (0.0, 0.0)
        self.at = (0.0, 0.0)
        self._shift = shift_mm(machine)
        self._travel = min(_TRAVEL_MM_PER_S, top_speed_mm_per_s(machine))
        self._climb = min(10.0, machine.max_speed_mm_per_s[2])
        names = " on ".join(_plain(name) for name in (filament.name, machine.name))
        self.lines = [f"; pliant coupon {title}: {names}", "; stay beside it: it goes up to where the feed path gives"]
        self.lines += ["G21", "G90", "M83", "M107", "G28"]
        self.height(_LIFT_MM)  # a nozzle that heats on the bed marks it and plugs itself
        self.lines += [f"M190 S{_BED_C:g}", f"M109 S{nozzle_c:g}", "G92 E0"]
        width, height = bead_of(machine)
        x, y = self._aside = CENTRE_MM[0] - 48.0, CENTRE_MM[1] - 48.0
        self.travel(x, y)  # high over clips and the bed's edge, then down
        self.height(height)
        area = float(bead_area_mm2(width, height))
        volume = min(PURGE_MM3, _PURGE_S * purge_mm3_per_s)
        length = min(volume / area, 96.0)
        self.note("purge, beside the coupon")
        self.bead(x + length, y, volume / length, purge_mm3_per_s)
        self.strokes.clear()
        self.unfed.clear()

    def note(self, text: str) -> None:
        """Write a comment; it carries no meaning."""
        self.lines.append(f"; {text}")

    def height(self, z: float) -> None:
        """Go to a height."""
        self.lines.append(f"G1 Z{z:.3f} F{60 * self._climb:g}")

    def travel(self, x: float, y: float, speed_mm_per_s: float | None = None) -> None:
        """Go to a place without filament."""
        self.lines.append(f"G0 {self._place(x, y)} F{60 * (speed_mm_per_s or self._travel):.1f}")
        self.at = (x, y)

    def bead(self, x: float, y: float, area_mm2: float, flow_mm3_per_s: float) -> None:
        """Lay a bead of that section at that flow."""
        length = math.hypot(x - self.at[0], y - self.at[1])
        fed = length * area_mm2 / self.area_mm2
        speed = flow_mm3_per_s / area_mm2
        self.lines.append(f"G1 {self._place(x, y)} E{fed:.5f} F{60 * speed:.2f}")
        self.fed_mm += fed
        self._stroke(self.strokes, x, y)

    def glide(self, x: float, y: float, speed_mm_per_s: float) -> None:
        """Keep the place and pace of a bead, without filament."""
        self.lines.append(f"G1 {self._place(x, y)} F{60 * speed_mm_per_s:.2f}")
        self._stroke(self.unfed, x, y)

    def tooth(self, area_mm2: float, flow_mm3_per_s: float) -> None:
        """Mark this place on a bead along x: a short way out and back, felt with a fingernail."""
        x, y = self.at
        self.bead(x, y + TOOTH_MM, area_mm2, flow_mm3_per_s)
        self.bead(x, y, area_mm2, flow_mm3_per_s)

    def feed(self, length_mm: float, flow_mm3_per_s: float) -> None:
        """Feed filament on the spot, in pieces: some controllers refuse to feed much at once."""
        pieces = math.ceil(length_mm / _MOST_FED_MM)
        line = f"G1 E{length_mm / pieces:.5f} F{60 * flow_mm3_per_s / self.area_mm2:.2f}"
        self.lines += [line] * pieces
        self.fed_mm += length_mm

    def alone(self, length_mm: float) -> None:
        """Draw filament back on the spot, or give it back; nothing where there is none."""
        if length_mm:
            self.lines.append(f"G1 E{length_mm:.5f} F{60 * GENTLE_MM_PER_S:g}")
            self.fed_mm += length_mm

    def wait(self, seconds: float) -> None:
        """Stand still."""
        if seconds > 0:
            self.lines.append(f"G4 P{1000 * seconds:.0f}")

    def temperature(self, nozzle_c: float) -> None:
        """Set the nozzle's target without waiting for it."""
        self.lines.append(f"M104 S{nozzle_c:g}")

    def drawing(self) -> tuple[tuple[tuple[float, float], ...], ...]:
        """Strokes seen from above; what lies exactly over an earlier stroke is left out."""
        seen: set[tuple[tuple[float, float], tuple[float, float]]] = set()
        kept: list[list[tuple[float, float]]] = []
        for stroke in self.strokes:
            for a, b in pairwise(stroke):
                if (a, b) in seen or (b, a) in seen:
                    continue
                seen.add((a, b))
                if kept and kept[-1][-1] == a:
                    kept[-1].append(b)
                else:
                    kept.append([a, b])
        return tuple(tuple(s) for s in kept)

    def text(self, top_mm: float) -> str:
        """End: lift, aside so that nothing drips on the piece, heaters off; text of the program."""
        self.height(top_mm + _LIFT_MM)
        self.travel(*self._aside)
        return "\n".join([*self.lines, "M104 S0", "M140 S0", "M107"]) + "\n"

    def _place(self, x: float, y: float) -> str:
        return f"X{x + self._shift[0]:.3f} Y{y + self._shift[1]:.3f}"

    def _stroke(self, strokes: list[list[tuple[float, float]]], x: float, y: float) -> None:
        if strokes and strokes[-1][-1] == self.at:
            strokes[-1].append((x, y))
        else:
            strokes.append([self.at, (x, y)])
        self.at = (x, y)


def _plain(name: str) -> str:
    """A name from a record as it may stand in a comment: letters and digits, one line, bounded."""
    return "".join(c for c in name if c.isascii() and (c.isalnum() or c in " -_."))[:60]
