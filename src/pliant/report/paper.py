"""A self-contained page on paper: frame, style and the few SVG pieces that the stock pages share.

Everything that comes from a user passes `esc`. No script, no request: the page forbids both. Charts come in two widths,
so that their words keep their size on a phone; style picks one.
"""

import html
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

__all__ = ["INK", "MOSS", "OCHRE", "PAPER", "PLUM", "Frame", "area", "both", "esc", "line", "listing", "page"]

INK, PAPER, MOSS, OCHRE, PLUM = "#1d2430", "#f7f5f0", "#5b7f5e", "#c98a1b", "#7d2e68"
WIDE, NARROW = 760, 358

_STYLE = f"""
:root{{color-scheme:light}}
*{{box-sizing:border-box}}
body{{margin:0;background:{PAPER};color:{INK};font:16px/1.5 "Segoe UI",Candara,"DejaVu Sans",sans-serif}}
main{{max-width:52rem;margin:0 auto;padding:1.6rem 1rem 3rem}}
h1,h2,.big{{font-family:Palatino,"Palatino Linotype",Georgia,"DejaVu Serif",serif;font-weight:600;line-height:1.2}}
h1{{font-size:1.7rem;margin:.1rem 0 .3rem;overflow-wrap:anywhere}}
h2{{font-size:1.1rem;margin:2rem 0 .5rem;border-top:1px solid {INK};padding-top:.6rem}}
.kicker{{margin:0;font-size:.85rem;letter-spacing:.04em}}
.answers{{display:flex;flex-wrap:wrap;gap:1rem;margin:1.2rem 0}}
.answer{{flex:1 1 14rem;border-left:6px solid {INK};padding:.2rem .9rem}}
.answer.moss{{border-color:{MOSS}}}.answer.ochre{{border-color:{OCHRE};border-left-style:double}}
.answer.plum{{border-color:{PLUM};border-left-style:dotted}}
.big{{font-size:2.1rem;display:block}}
.answer p{{margin:0}}
.strip{{overflow-x:auto}}
table{{border-collapse:collapse;width:100%;font-variant-numeric:tabular-nums}}
th,td{{text-align:left;padding:.35rem 1rem .35rem 0;border-bottom:1px solid #1d243033;vertical-align:top}}
th{{font-weight:600;border-bottom-color:{INK}}}
.n{{text-align:right}}
ul{{padding-left:1.1rem;margin:.3rem 0}}li{{margin:.25rem 0;overflow-wrap:anywhere}}
.caution{{border:2px solid {INK};padding:.6rem 1rem;margin-top:1.6rem}}
.caution h2{{border:0;margin:0;padding:0}}
svg{{display:block;width:100%;height:auto}}
svg text{{font:13px "Segoe UI",Candara,"DejaVu Sans",sans-serif;fill:{INK}}}
svg .halo{{paint-order:stroke;stroke:{PAPER};stroke-width:4px}}
figure{{margin:1rem 0}}figcaption{{font-size:.9rem}}
.narrow{{display:none}}
@media(max-width:40rem){{.wide{{display:none}}.narrow{{display:block}}.big{{font-size:1.7rem}}
.stack thead{{display:none}}
.stack tr{{display:block;border-bottom:1px solid {INK};padding:.5rem 0}}.stack td{{display:flex;gap:1rem;
justify-content:space-between;border:0;padding:.1rem 0;text-align:right}}

.stack td:first-child{{font-weight:600}}.stack td::before{{content:attr(data-label);text-align:left;font-size:.85rem}}}}
@media print{{@page{{size:A4;margin:16mm}}body{{background:#fff;font-size:10.5pt}}main{{max-width:none;padding:0}}
.wide{{display:block}}.narrow{{display:none}}figure,table,.caution,.answer{{break-inside:avoid}}h2{{break-after:avoid}}}}
"""


def esc(text: object) -> str:
    """Text made safe for a page, in quotes or out."""
    return html.escape(str(text), quote=True)


def page(title: str, kicker: str, body: str) -> str:
    """Return a whole page; `title` and `kicker` are escaped here, `body` is markup already."""
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width,initial-scale=1">'
        "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'\">"
        f"<title>{esc(title)}</title><style>{_STYLE}</style></head>\n<body><main>"
        f'<p class="kicker">{esc(kicker)}</p><h1>{esc(title)}</h1>\n{body}\n</main></body></html>\n'
    )


def listing(heading: str, items: Sequence[str], css: str = "") -> str:
    """Return a headed list of plain sentences, or nothing when there are none."""
    if not items:
        return ""
    rows = "".join(f"<li>{esc(i)}</li>" for i in items)
    return f'<section class="{css}"><h2>{esc(heading)}</h2><ul>{rows}</ul></section>'


def both(chart: Callable[[int], str], caption: str) -> str:
    """Draw a chart at both widths with one caption."""
    wide, narrow = chart(WIDE), chart(NARROW)
    return (
        f'<figure><div class="wide">{wide}</div><div class="narrow">{narrow}</div>'
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
