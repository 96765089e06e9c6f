"""A self-contained page on paper: frame, style and the few SVG pieces that the stock pages share.

Everything that comes from a user passes `esc`. No script, no request: the page forbids both. Charts come in two widths,
so that their words keep their size on a phone; style picks one.
"""

import html
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from importlib.resources import files

from pliant import __version__

__all__ = [
    "INK", "MOSS", "OCHRE", "PAPER", "PLUM", "Frame", "area", "both", "esc", "line", "listing", "page", "section",
    "verdict",
]  # fmt: skip

INK, PAPER, MOSS, OCHRE, PLUM = "#1d2430", "#f7f5f0", "#5b7f5e", "#c98a1b", "#7d2e68"
WIDE, NARROW = 760, 358

_ROOM = files("pliant.report") / "templates"


def esc(text: object) -> str:
    """Text made safe for a page, in quotes or out."""
    return html.escape(str(text), quote=True)


def page(title: str, verb: str, facts: Sequence[tuple[str, str]], body: str, style: str = "") -> str:
    """Return a whole page in the frame of all reports.

    `title`, `verb` and `facts` (name and value, in the head) are escaped here; `body` is markup already.
    """
    told = "".join(f"<div><dt>{esc(name)}</dt><dd>{esc(value)}</dd></div>" for name, value in facts)
    sheet = "".join((_ROOM / name).read_text(encoding="utf-8") for name in ("page.css", "paper.css")) + style
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width,initial-scale=1">'
        "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'\">"
        f"<title>{esc(title)}</title><style>{sheet}</style></head>\n<body>"
        f'<header class="ticket"><p class="maker">pliant <span>{esc(verb)}</span></p><dl>{told}</dl></header>'
        f"<main>\n{body}\n</main><footer><p>Made by pliant {__version__}. It is a model, not a promise.</p></footer>"
        "</body></html>\n"
    )


def verdict(zone: str, word: str, title: str, said: str, beside: str = "") -> str:
    """Return the head of a page: the word with its seal, the sentence, and what stands under it.

    `zone` is room, narrow or over; `word` and `title` are escaped here, `said` and `beside` are markup.
    """
    seal = '<span class="seal" aria-hidden="true"><i></i></span>'
    return (
        f'<section class="verdict {zone}"><div class="said"><h1>{esc(title).replace(" %", "&nbsp;%")}</h1>{said}</div>'
        f'<div class="note"><p class="word">{seal}{esc(word)}</p>{beside}</div></section>\n'
    )


def section(heading: str, inner: str, small: str = "", css: str = "") -> str:
    """Return a part of the page, its heading in the margin; `inner` is markup, the rest is escaped here."""
    more = f'<p class="small">{esc(small)}</p>' if small else ""
    return (
        f'<section{f" class={chr(34)}{css}{chr(34)}" if css else ""}><div class="margin"><h2>{esc(heading)}</h2>{more}'
        f"</div><div>{inner}</div></section>\n"
    )


def listing(heading: str, items: Sequence[str], css: str = "", small: str = "") -> str:
    """Return a headed list of plain sentences, or nothing when there are none."""
    if not items:
        return ""
    return section(heading, "<ul>" + "".join(f"<li>{esc(i)}</li>" for i in items) + "</ul>", small, css)


def both(chart: Callable[[int], str], caption: str) -> str:
    """Draw a chart at both widths with one caption."""
    wide, narrow = chart(WIDE), chart(NARROW)
    return (
        f'<figure class="chart"><div class="at-desk">{wide}</div><div class="on-phone">{narrow}</div>'
        f"<figcaption>{esc(caption)}</figcaption></figure>"
    )


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
        return (
            f'<svg viewBox="0 0 {self.width} {self.height}" role="img" aria-label="{esc(label)}"><defs>'
            f'<clipPath id="plot{self.width}x{self.height}"><rect x="{self.left}" y="{self.top}" '
            f'width="{self.width - self.left - self.right}" height="{self.height - self.top - self.bottom}"/>'
            f"</clipPath>"
            f'<pattern id="hatch{self.width}x{self.height}" width="6" height="6" patternUnits="userSpaceOnUse" '
            f'patternTransform="rotate(45)"><rect width="6" height="6" fill="{OCHRE}" opacity=".16"/>'
            f'<path d="M0 0V6" stroke="{OCHRE}" stroke-width="1.6"/></pattern></defs>{drawing}</svg>'
        )


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
