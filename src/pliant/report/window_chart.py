"""The window map as SVG: chance of a jam over speed and temperature, drawn from the recipe's own numbers.

At each temperature the chance only grows with speed, so a contour is one speed per temperature and the bands lie
between contours. Hatch and words say what colour says. Drawn at two widths, so that words keep their size on a phone.
"""

import math

import numpy as np
from markupsafe import Markup, escape
from numpy.typing import NDArray

from pliant.colours import INK, LIGHT_MOSS, LIGHT_OCHRE, LIGHT_PLUM, OCHRE, PLUM, SHEET
from pliant.records.recipe import WindowMap
from pliant.report.words import number

__all__ = ["contour_mm_per_s", "window_svg"]

_LEVELS = (0.02, 0.1, 0.5, 0.9)
_ROUND = (0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100, 200, 500)


def contour_mm_per_s(window: WindowMap, level: float) -> NDArray[np.float64]:
    """Speed at which the chance of a jam reaches the level, at each temperature of the map: `(n_temperatures,)`.

    Parameters
    ----------
    window : WindowMap
        The map.
    level : float
        Chance of a jam. [-]

    Returns
    -------
    ndarray
        Speed; the end of the map where the level lies beyond it. [mm/s]
    """
    log_speed = np.log(window.speed_mm_per_s)
    out = [
        np.interp(level, np.maximum.accumulate(row) + 1e-12 * np.arange(len(row)), log_speed)
        for row in np.asarray(window.jam_probability)
    ]
    return np.exp(np.array(out))


def window_svg(window: WindowMap, target: float, *, width: int, height: int) -> Markup:
    """Draw the map.

    Parameters
    ----------
    window : WindowMap
        The map and its two points.
    target : float
        Chance of a jam that still counts as feeding. [-]
    width, height : int
        Size of the drawing. [px]

    Returns
    -------
    Markup
        One SVG element.
    """
    chart = _Chart(window, width, height)
    levels = sorted({target, *(v for v in _LEVELS if v > 1.5 * target)})
    curves = {v: contour_mm_per_s(window, v) for v in levels}
    ends = window.speed_mm_per_s[0], window.speed_mm_per_s[-1]
    n = len(window.nozzle_c)
    half = min(levels, key=lambda v: abs(v - 0.5))
    low, high = np.full(n, ends[0]), np.full(n, ends[1])
    bands = (
        chart.band(low, curves[target], "room")
        + chart.band(curves[target], curves[half], "narrow")
        + chart.band(curves[half], high, "over")
    )
    lines = "".join(chart.contour(v, curves[v], 2.4 if v == target else 1.1) for v in levels)
    label = (
        f"Chance of a jam over speed and temperature of {window.bead}: "
        + (f"the recipe at {window.recipe[0]:g} mm/s and {window.recipe[1]:g} °C, " if window.recipe else "no recipe; ")
        + f"your rigid recipe at {window.baseline[0]:g} mm/s and {window.baseline[1]:g} °C"
    )
    return Markup(
        '<svg class="window" viewBox="0 0 {w} {h}" role="img" aria-label="{label}">{defs}{body}</svg>'
    ).format(
        w=width, h=height, label=label, defs=Markup(chart.defs()),
        body=Markup(
            chart.inside(bands + chart.forbidden() + lines) + chart.axes() + chart.levels(curves) + chart.points()
        ),
    )  # fmt: skip


class _Chart:
    """Scales and pieces of one drawing."""

    def __init__(self, window: WindowMap, width: int, height: int) -> None:
        self.w, self.width, self.height = window, width, height
        self.left, self.right, self.top, self.bottom = 46.0, width - 12.0, 26.0, height - 44.0
        self.log = math.log(window.speed_mm_per_s[0]), math.log(window.speed_mm_per_s[-1])
        self.warm = window.nozzle_c[0], window.nozzle_c[-1]
        self.id = f"w{width}"

    def x(self, speed: float) -> float:
        share = (math.log(speed) - self.log[0]) / (self.log[1] - self.log[0])
        return self.left + min(max(share, 0), 1) * (self.right - self.left)

    def y(self, celsius: float) -> float:
        share = (celsius - self.warm[0]) / (self.warm[1] - self.warm[0])
        return self.bottom - share * (self.bottom - self.top)

    def defs(self) -> str:
        """Light versions of the report's three states, told apart by their hatch."""
        i = self.id
        return (
            f'<defs><clipPath id="{i}-plot"><rect x="{self.left}" y="{self.top}" width="{self.right - self.left}" '
            f'height="{self.bottom - self.top}"/></clipPath>'
            f'<pattern id="{i}-narrow" width="9" height="9" patternUnits="userSpaceOnUse" '
            f'patternTransform="rotate(45)"><rect width="9" height="9" fill="{LIGHT_OCHRE}"/>'
            f'<rect width="2" height="9" fill="{OCHRE}" opacity=".75"/></pattern>'
            f'<pattern id="{i}-over" width="8" height="8" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">'
            f'<rect width="8" height="8" fill="{LIGHT_PLUM}"/><path d="M0 0H8M0 0V8" stroke="{PLUM}" '
            'stroke-width="1.6" opacity=".7"/></pattern></defs>'
        )

    def inside(self, drawing: str) -> str:
        return f'<g clip-path="url(#{self.id}-plot)">{drawing}</g>'

    def band(self, low: NDArray[np.float64], high: NDArray[np.float64], state: str) -> str:
        """The area between two contours."""
        there = [f"{self.x(v):.1f},{self.y(c):.1f}" for v, c in zip(low, self.w.nozzle_c, strict=True)]
        back = [f"{self.x(v):.1f},{self.y(c):.1f}" for v, c in zip(high, self.w.nozzle_c, strict=True)][::-1]
        fill = LIGHT_MOSS if state == "room" else f"url(#{self.id}-{state})"
        return f'<polygon points="{" ".join(there + back)}" fill="{fill}"/>'

    def contour(self, level: float, speed: NDArray[np.float64], stroke: float) -> str:
        inside = [
            (self.x(v), self.y(c)) for v, c in zip(speed, self.w.nozzle_c, strict=True) if self._within(v)
        ]  # fmt: skip
        if len(inside) < 2:
            return ""
        points = " ".join(f"{x:.1f},{y:.1f}" for x, y in inside)
        return f'<polyline points="{points}" fill="none" stroke="{INK}" stroke-width="{stroke}"/>'

    def _within(self, speed: float) -> bool:
        return self.w.speed_mm_per_s[0] * 1.001 < speed < self.w.speed_mm_per_s[-1] * 0.999

    def levels(self, curves: dict[float, NDArray[np.float64]]) -> str:
        """The chance written on each contour, where there is room for it."""
        out: list[str] = []
        taken: list[tuple[float, float]] = []
        for level, speed in curves.items():
            rows = [j for j, v in enumerate(speed) if self._within(v)]
            if not rows:
                continue
            for share in (0.4, 0.5, 0.3, 0.6, 0.2, 0.7, 0.85, 0.1):
                j = rows[int(share * (len(rows) - 1))]
                x, y = self.x(speed[j]), self.y(self.w.nozzle_c[j])
                far = all(abs(x - a) > 38 or abs(y - b) > 34 for a, b in [*taken, *self._marks()])
                if (
                    far
                    and all(abs(y - self.y(c)) > 11 for c in self.w.allowed_c)
                    and self.left + 22 < x < self.right - 22
                    and self.top + 10 < y < self.bottom - 10
                ):
                    taken.append((x, y))
                    out.append(
                        f'<rect x="{x - 18:.1f}" y="{y - 10:.1f}" width="36" height="20" fill="{SHEET}" '
                        f'stroke="{INK}" stroke-width=".8"/><text x="{x:.1f}" y="{y + 4.5:.1f}" '
                        f'text-anchor="middle">{number(100 * level)} %</text>'
                    )
                    break
        return "".join(out)

    def _marks(self) -> list[tuple[float, float]]:
        return [(self.x(s), self.y(c)) for s, c in (self.w.baseline, *([self.w.recipe] if self.w.recipe else []))]

    def forbidden(self) -> str:
        """What lies outside the data sheet, or above the liner's ceiling."""
        low, high = self.w.allowed_c
        out = ""
        for a, b, words in (
            (high, self.warm[1], "hotter than allowed"), (self.warm[0], low, "colder than the data sheet"),
        ):  # fmt: skip
            if b - a > 0.1:
                y, tall = self.y(b), self.y(a) - self.y(b)
                out += (
                    f'<rect x="{self.left}" y="{y:.1f}" width="{self.right - self.left}" height="{tall:.1f}" '
                    f'fill="{SHEET}" opacity=".62"/><path d="M{self.left} {self.y(high if a == high else low):.1f}'
                    f'H{self.right}" stroke="{INK}" stroke-dasharray="7 5"/>'
                )
                if tall > 17:
                    middle = y + min(tall / 2, 14) + 5
                    out += f'<text class="halo" x="{self.left + 8}" y="{middle:.1f}">{escape(words)}</text>'
        return out

    def axes(self) -> str:
        out = [
            f'<rect x="{self.left}" y="{self.top}" width="{self.right - self.left}" height="{self.bottom - self.top}" '
            f'fill="none" stroke="{INK}" stroke-width="1.5"/>'
        ]
        for v in _ROUND:
            if self.w.speed_mm_per_s[0] <= v <= self.w.speed_mm_per_s[-1]:
                out.append(
                    f'<path d="M{self.x(v):.1f} {self.bottom}v6" stroke="{INK}"/><text x="{self.x(v):.1f}" '
                    f'y="{self.bottom + 21}" text-anchor="middle">{v:g}</text>'
                )
        for c in range(10 * math.ceil(self.warm[0] / 10), int(self.warm[1]) + 1, 10):
            out.append(
                f'<path d="M{self.left} {self.y(c):.1f}h-6" stroke="{INK}"/><text x="{self.left - 9}" '
                f'y="{self.y(c) + 4.5:.1f}" text-anchor="end">{c}</text>'
            )
        middle = (self.left + self.right) / 2
        out.append(
            f'<text x="{middle}" y="{self.height - 6}" text-anchor="middle">speed of {escape(self.w.bead)}, mm/s</text>'
            f'<text x="4" y="{self.top - 12}">nozzle, °C</text>'
        )
        return "".join(out)

    def points(self) -> str:
        """You are here, and where you come from."""
        out = ""
        base = self.x(self.w.baseline[0]), self.y(self.w.baseline[1])
        if self.w.recipe:
            x, y = self.x(self.w.recipe[0]), self.y(self.w.recipe[1])
            out += (
                f'<path d="M{base[0]:.1f} {base[1]:.1f}L{x:.1f} {y:.1f}" stroke="{INK}" stroke-width="1.4" '
                f'stroke-dasharray="2 5" stroke-linecap="round"/><circle cx="{x:.1f}" cy="{y:.1f}" r="8" fill="{INK}" '
                f'stroke="{SHEET}" stroke-width="2.5"/>'
                + self._tag(x, y, f"soft: {self.w.recipe[0]:g} mm/s, {self.w.recipe[1]:g} °C", side=-1)
            )
        x, y = base
        out += (
            f'<path d="M{x:.1f} {y - 9:.1f}l9 9l-9 9l-9 -9z" fill="{SHEET}" stroke="{INK}" stroke-width="2.2"/>'
            + self._tag(x, y, f"rigid: {self.w.baseline[0]:g} mm/s, {self.w.baseline[1]:g} °C", side=1)
        )
        return out

    def _tag(self, x: float, y: float, words: str, side: int) -> str:
        """Words beside a point, above it (-1) or below it (1), kept inside the plot."""
        wide = 7.1 * len(words) + 12
        left = min(max(x - wide / 2, self.left + 4), self.right - wide - 4)
        top = y - 34 if side < 0 else y + 14
        if top < self.top + 2:
            top = y + 14
        if top + 22 > self.bottom - 2:
            top = y - 36
        return (
            f'<rect x="{left:.1f}" y="{top:.1f}" width="{wide:.1f}" height="21" fill="{SHEET}" stroke="{INK}" '
            f'stroke-width="1"/><text x="{left + wide / 2:.1f}" y="{top + 15:.1f}" text-anchor="middle">'
            f"{escape(words)}</text>"
        )
