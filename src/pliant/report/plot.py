"""The few SVG pieces that the charts of the reports share.

Everything that comes from a user passes `esc`. Charts come in two widths, so that their words keep their size on a
phone; style picks one.
"""

import html
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from markupsafe import Markup

from pliant.colours import INK, OCHRE

__all__ = ["NARROW", "WIDE", "Frame", "area", "both", "esc", "line"]

WIDE, NARROW = 760, 358


def esc(text: object) -> str:
    """Text made safe for a page, in quotes or out."""
    return html.escape(str(text), quote=True)


def both(chart: Callable[[int], str]) -> tuple[Markup, Markup]:
    """Draw a chart at both widths."""
    return Markup(chart(WIDE)), Markup(chart(NARROW))


@dataclass(frozen=True)
class Frame:
    """Plot area and scales of a chart; `log_y` for a logarithmic upright axis."""

    width: int
    height: int
    x_end: float
    y_low: float
    y_high: float
    log_y: bool = False
    x_low: float = 0.0
    left: float = 52.0
    right: float = 14.0
    top: float = 14.0
    bottom: float = 42.0

    def x(self, value: float) -> float:
        """Place a value along."""
        share = (value - self.x_low) / (self.x_end - self.x_low)
        return self.left + share * (self.width - self.left - self.right)

    def y(self, value: float) -> float:
        """Place a value up."""
        if self.log_y:
            low, high = math.log(self.y_low), math.log(self.y_high)
            share = (math.log(max(value, 1e-3 * self.y_low)) - low) / (high - low)
        else:
            share = (value - self.y_low) / (self.y_high - self.y_low)
        return self.height - self.bottom - share * (self.height - self.bottom - self.top)

    def axes(self, x_ticks: Sequence[float], y_ticks: Sequence[float], x_name: str, y_name: str) -> str:
        """Draw ticks, grid and names."""
        base, end, out = self.height - self.bottom, self.width - self.right, []
        for v in x_ticks:
            out.append(f'<path d="M{self.x(v):.1f} {base:.1f}v5" stroke="{INK}"/>')
            out.append(f'<text x="{self.x(v):.1f}" y="{base + 18:.1f}" text-anchor="middle">{v:g}</text>')
        for v in y_ticks:
            y = self.y(v)
            out.append(f'<path d="M{self.left:.1f} {y:.1f}H{end:.1f}" stroke="{INK}" opacity=".15"/>')
            out.append(f'<text x="{self.left - 6:.1f}" y="{y + 4:.1f}" text-anchor="end">{v:g}</text>')
        out.append(f'<path d="M{self.left:.1f} {self.top:.1f}V{base:.1f}H{end:.1f}" stroke="{INK}" fill="none"/>')
        middle = (self.left + end) / 2
        out.append(f'<text x="{middle:.1f}" y="{self.height - 6:.1f}" text-anchor="middle">{esc(x_name)}</text>')
        out.append(f'<text x="{self.left + 6:.1f}" y="{self.top + 2:.1f}" class="halo">{esc(y_name)}</text>')
        return "".join(out)

    def inside(self, drawing: str) -> str:
        """Cut a drawing off at the edges of the plot."""
        return f'<g clip-path="url(#plot{self.width}x{self.height})">{drawing}</g>'

    def hatch(self) -> str:
        """Return the fill that marks a band without relying on colour."""
        return f"url(#hatch{self.width}x{self.height})"  # one name per size: a hidden chart lends no fill

    def svg(self, label: str, drawing: str) -> str:
        """Wrap the drawing, with words for who cannot see it."""
        size, inside = f"{self.width}x{self.height}", self.width - self.left - self.right
        parts = (
            f'<clipPath id="plot{size}"><rect x="{self.left}" y="{self.top}" width="{inside}" '
            f'height="{self.height - self.top - self.bottom}"/></clipPath>',
            f'<pattern id="hatch{size}" width="6" height="6" patternUnits="userSpaceOnUse" '
            f'patternTransform="rotate(45)"><rect width="6" height="6" fill="{OCHRE}" opacity=".16"/>'
            f'<path d="M0 0V6" stroke="{OCHRE}" stroke-width="1.6"/></pattern>',
        )
        # only what is drawn with: an id stands once on a page, however many drawings of one size are on it
        used = "".join(part for part, name in zip(parts, ("plot", "hatch"), strict=True) if f"#{name}{size}" in drawing)
        head = f'<svg viewBox="0 0 {self.width} {self.height}" role="img" aria-label="{esc(label)}">'
        return f"{head}{f'<defs>{used}</defs>' if used else ''}{drawing}</svg>"


def line(frame: Frame, xs: Sequence[float], ys: Sequence[float], colour: str, dash: str = "") -> str:
    """Draw a curve."""
    points = " ".join(f"{frame.x(x):.1f},{frame.y(y):.1f}" for x, y in zip(xs, ys, strict=True))
    dashed = f' stroke-dasharray="{dash}"' if dash else ""
    return f'<polyline points="{points}" fill="none" stroke="{colour}" stroke-width="2.5"{dashed}/>'


def area(
    frame: Frame, xs: Sequence[float], low: Sequence[float], high: Sequence[float], fill: str, opacity: float
) -> str:
    """Draw the band between two curves."""
    there = [f"{frame.x(x):.1f},{frame.y(y):.1f}" for x, y in zip(xs, high, strict=True)]
    back = [f"{frame.x(x):.1f},{frame.y(y):.1f}" for x, y in zip(xs, low, strict=True)][::-1]
    return f'<polygon points="{" ".join(there + back)}" fill="{fill}" opacity="{opacity:g}"/>'
