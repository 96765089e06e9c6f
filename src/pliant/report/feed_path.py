"""The feed path drawn to scale from the spool to the nozzle, each span a vessel filled to demand / capacity.

Lengths are to scale along the path, except a long guide, which is cut with a break mark and says so; widths are not to
scale. A vessel that is over spills; a gap that is over shows the filament bowed out.
"""

import math

from markupsafe import Markup, escape

from pliant.colours import INK, PAPER, SHEET
from pliant.records.trace import Vessel
from pliant.report.words import STATE, full, state_of
from pliant.say import number

__all__ = ["feed_path_svg"]

_CENTRE, _HALF, _STRAND, _LABEL_X, _WIDTH = 82, 38, 9, 148, 340
_TURN_R, _SPOOL_Y = 33, 46  # the spool
_SPOOL_H, _DRIVE_H, _TIP_H, _SPANS_H = 104, 58, 46, 360
_LONGEST_MM, _CUT_MM = 45.0, 24.0  # a guide longer than the first is cut, and drawn as the second


def feed_path_svg(vessels: tuple[Vessel, ...], nozzle_mm: float) -> Markup:
    """Draw the feed path.

    Parameters
    ----------
    vessels : tuple of Vessel
        From the drive to the melt.
    nozzle_mm : float
        Width of the nozzle. [mm]

    Returns
    -------
    Markup
        One SVG element with its own title and description.
    """
    drawn_mm = [0.0 if v.kind == "drive" else _CUT_MM if v.length_mm > _LONGEST_MM else v.length_mm for v in vessels]
    scale = _SPANS_H / max(sum(drawn_mm), 10.0)
    y = float(_SPOOL_H)
    places: list[tuple[Vessel, float, float]] = []
    for v, mm in zip(vessels, drawn_mm, strict=True):
        height = _DRIVE_H if v.kind == "drive" else max(mm * scale, 16.0)
        places.append((v, y, height))
        y += height
    bottom = y
    labels = _label_places(places, bottom + _TIP_H)
    total = max(bottom + _TIP_H + 16, labels[-1] + _label_height(vessels[-1]) / 2 if labels else 0)
    parts = [_vessel(v, top, height) for v, top, height in places]
    parts += [_tip(bottom, nozzle_mm), _strand(places, bottom), _spool()]
    for v, top, height in places:
        parts.append(_walls(v, top, height))
    for (v, top, height), at in zip(places, labels, strict=True):
        parts.append(_label(v, top + height / 2, at))
    if any(v.length_mm > _LONGEST_MM for v in vessels if v.kind != "drive"):
        parts += [
            _break(top + height / 2) for v, top, height in places if v.kind != "drive" and v.length_mm > _LONGEST_MM
        ]
    parts.append(_scale_bar(bottom, scale))
    said = "; ".join(
        f"{v.label}: {full(v.fill)}, {STATE[state_of(v.fill)]}" + (", gives first" if v.governing else "")
        for v in vessels
    )
    return Markup(
        '<svg class="path" viewBox="0 0 {w} {h:.0f}" role="img" aria-labelledby="path-title path-desc">'
        '<title id="path-title">The feed path, from the spool down to the nozzle</title>'
        '<desc id="path-desc">{said}.</desc>{body}</svg>'
    ).format(w=_WIDTH, h=total, said=said, body=Markup("".join(parts)))


def _label_places(places: list[tuple[Vessel, float, float]], limit: float) -> list[float]:
    """Middles of the labels: beside their vessel, pushed apart where they would touch."""
    half = [_label_height(v) / 2 + 4 for v, _, _ in places]
    at: list[float] = []
    for k, (_, top, height) in enumerate(places):
        least = at[-1] + half[k - 1] + half[k] if at else half[0]
        at.append(max(top + height / 2, least))
    # the lowest may move up as far as the drawing ends, and push the others up
    for k in range(len(at) - 1, -1, -1):
        most = at[k + 1] - half[k + 1] - half[k] if k + 1 < len(at) else max(limit - half[k], sum(half) * 2 - half[k])
        at[k] = max(min(at[k], most), half[k])
    return at


def _label_height(v: Vessel) -> float:
    return 82.0 if v.governing else 64.0


def _spool() -> str:
    """The spool from the side; its outermost turn is drawn by `_strand`, which leaves it."""
    x, y = _CENTRE - _TURN_R, _SPOOL_Y
    inner = "".join(f'<circle cx="{x}" cy="{y}" r="{r}" fill="none" stroke="{INK}"/>' for r in (20, 15))
    return (
        f'{inner}<circle cx="{x}" cy="{y}" r="7" fill="none" stroke="{INK}" stroke-width="1.5"/>'
        f'<text class="small" x="{_LABEL_X + 3}" y="{y + 4}">from the spool</text>'
    )


def _vessel(v: Vessel, top: float, height: float) -> str:
    """The fill, and what spills."""
    state = state_of(v.fill)
    level = height * min(v.fill, 1.0)
    x, width, y = _CENTRE - _HALF, 2 * _HALF, top + height - level
    full_ = min(v.fill, 1e3)
    out = f'<g class="vessel" data-fill="{full_:.4g}" data-top="{top:.1f}" data-height="{height:.1f}">'
    out += f'<rect x="{x}" y="{top:.1f}" width="{width}" height="{height:.1f}" fill="{SHEET}"/>'
    out += f'<rect class="level" x="{x}" y="{y:.1f}" width="{width}" height="{level:.1f}" fill="url(#h-{state})"/>'
    if 0 < level < height:
        out += f'<path class="brim" d="M{x} {y:.1f}h{width}" stroke="{INK}" stroke-width="1.5"/>'
    if v.fill > 1 and v.governing:
        out += '<g class="spill">'  # what runs over: the others would follow only if this one held
        for side, drop in ((-1, min(height * 0.8, 34)), (1, min(height * 0.6, 24))):
            left = _CENTRE + side * (_HALF + 6) - 5
            out += (
                f'<rect x="{left}" y="{top - 6:.1f}" width="10" height="{drop + 6:.1f}" rx="5" '
                f'fill="url(#h-over)" stroke="{INK}" stroke-width="1"/>'
            )
        out += (
            f'<path d="M{_CENTRE - _HALF - 6} {top - 6:.1f}H{_CENTRE + _HALF + 6}l-4 7H{_CENTRE - _HALF - 2}z" '
            f'fill="url(#h-over)" stroke="{INK}" stroke-width="1"/></g>'
        )
    return out + "</g>"


def _walls(v: Vessel, top: float, height: float) -> str:
    left, right, low = _CENTRE - _HALF, _CENTRE + _HALF, top + height
    if v.kind == "gap":
        style = f'fill="none" stroke="{INK}" stroke-width="1.2" stroke-dasharray="4 4"'
        return f'<path d="M{left} {top:.1f}V{low:.1f}M{right} {top:.1f}V{low:.1f}" {style}/>'
    if v.kind == "drive":
        y, r = top + height / 2, (2 * _HALF - 2 * _STRAND) / 4
        teeth = "".join(
            f'<path d="M{_CENTRE - _STRAND - r + (r - 4) * math.cos(a):.1f} {y + (r - 4) * math.sin(a):.1f}'
            f'L{_CENTRE - _STRAND - r + r * math.cos(a):.1f} {y + r * math.sin(a):.1f}"/>'
            for a in (2 * math.pi * k / 14 for k in range(14))
        )
        return (
            f'<g fill="none" stroke="{INK}" stroke-width="1.4"><rect x="{left}" y="{top:.1f}" width="{2 * _HALF}" '
            f'height="{height:.1f}"/><g fill="{PAPER}"><circle cx="{_CENTRE - _STRAND - r}" cy="{y:.1f}" r="{r}"/>'
            f'<circle cx="{_CENTRE + _STRAND + r}" cy="{y:.1f}" r="{r}"/></g>{teeth}'
            f'<circle cx="{_CENTRE + _STRAND + r}" cy="{y:.1f}" r="3"/></g>'
        )
    thick = 5 if v.kind == "guide" else 9
    wall = f'<path d="M{left} {top:.1f}V{low:.1f}M{right} {top:.1f}V{low:.1f}" stroke="{INK}" stroke-width="{thick}"/>'
    if v.kind == "hot_end":
        wall += "".join(
            f'<circle cx="{x}" cy="{top + height * f:.1f}" r="2" fill="{PAPER}"/>'
            for x in (left, right)
            for f in (0.2, 0.4, 0.6, 0.8)
        )
    return wall


def _tip(bottom: float, nozzle_mm: float) -> str:
    left, right, y = _CENTRE - _HALF, _CENTRE + _HALF, bottom
    return (
        f'<path d="M{left - 4.5} {y:.1f}L{_CENTRE - 10} {y + 26:.1f}H{_CENTRE + 10}L{right + 4.5} {y:.1f}z" '
        f'fill="{PAPER}" stroke="{INK}" stroke-width="1.5"/>'
        f'<path d="M{_CENTRE - _STRAND} {y:.1f}L{_CENTRE - 2.5} {y + 20:.1f}V{y + 26:.1f}H{_CENTRE + 2.5}V{y + 20:.1f}'
        f'L{_CENTRE + _STRAND} {y:.1f}z" fill="{INK}"/>'
        f'<path d="M10 {y + 33:.1f}H{_CENTRE}" stroke="{INK}" stroke-width="7" stroke-linecap="round"/>'
        f'<path d="M4 {y + 39:.1f}H{_LABEL_X - 14}" stroke="{INK}" stroke-width="1"/>'
        f'<text class="small" x="{_LABEL_X + 3}" y="{y + 38:.1f}">nozzle {number(nozzle_mm)} mm</text>'
    )


def _strand(places: list[tuple[Vessel, float, float]], bottom: float) -> str:
    c, r = _CENTRE, _TURN_R
    path = f"M{c} {_SPOOL_Y}a{r} {r} 0 1 0 {-2 * r} 0a{r} {r} 0 1 0 {2 * r} 0V{_SPOOL_H}"
    for v, top, height in places:
        low = top + height
        if v.kind == "gap" and v.fill > 1:  # it leaves the wheels straight and bows out below their nip
            out, high = min(_HALF - _STRAND, 0.45 * height), top - 10
            third = (low - high) / 3
            path += f"V{high:.1f}C{c} {high + third:.1f} {c + out:.1f} {high + third * 0.6:.1f} {c + out:.1f}"
            path += f" {high + 1.6 * third:.1f}S{c} {low - third * 0.7:.1f} {c} {low:.1f}"
        else:
            path += f"V{low:.1f}"
    path += f"V{bottom:.1f}"
    wide, thin = 2 * _STRAND, 2 * _STRAND - 3
    return (
        f'<path d="{path}" fill="none" stroke="{INK}" stroke-width="{wide}"/>'
        f'<path d="{path}" fill="none" stroke="{PAPER}" stroke-width="{thin}"/>'
    )


def _break(y: float) -> str:
    zig = f"M{_CENTRE - _HALF - 8} {{0:.1f}}l14 -7l14 14l14 -14l14 14l14 -14l14 14l8 -7"
    up, down = zig.format(y - 5), zig.format(y + 5)
    return (
        f'<path d="{up}L{_CENTRE + _HALF + 8} {y + 5:.1f}" fill="none" stroke="{PAPER}" stroke-width="9"/>'
        f'<path d="{up}" fill="none" stroke="{INK}" stroke-width="1.2"/>'
        f'<path d="{down}" fill="none" stroke="{INK}" stroke-width="1.2"/>'
    )


def _scale_bar(bottom: float, scale: float) -> str:
    mm = 10 if 10 * scale <= 150 else 5
    top = bottom - mm * scale
    return (
        f'<path d="M18 {top:.1f}h8M22 {top:.1f}V{bottom:.1f}M18 {bottom:.1f}h8" stroke="{INK}" stroke-width="1.2"/>'
        f'<text class="small" transform="translate(14 {(top + bottom) / 2:.1f}) rotate(-90)" text-anchor="middle">'
        f"{mm} mm</text>"
    )


def _label(v: Vessel, from_y: float, y: float) -> str:
    """Name and size, how full, and the two figures; a frame and two words round the one that gives first."""
    size = "" if v.kind == "drive" else f", {number(v.length_mm, 3)} mm"
    if v.kind == "guide" and v.turn_deg:
        size += f", turns {number(v.turn_deg, 3)}°"
    asked = "far more" if v.fill > 10 else number(v.demand)
    lines = [
        ("strong", f"{v.label}{size}"),
        ("", f"{full(v.fill)}: {STATE[state_of(v.fill)]}"),
        ("small", f"asked {asked}, carries {number(v.capacity)} {v.unit}"),
    ]
    if v.governing:
        lines.insert(0, ("first", "GIVES FIRST" if v.fill > 1 else "WOULD GIVE FIRST"))
    height = _label_height(v)
    edge = _CENTRE + _HALF + (14 if v.governing and v.fill > 1 else 6)
    out = (
        f'<path d="M{edge} {from_y:.1f}L{_LABEL_X - 14} {y:.1f}H{_LABEL_X - 6}" fill="none" stroke="{INK}" '
        'stroke-width="0.8"/>'
    )
    if v.governing:
        out += (
            f'<rect x="{_LABEL_X - 6}" y="{y - height / 2:.1f}" width="{_WIDTH - _LABEL_X + 5}" height="{height}" '
            f'fill="{SHEET}" stroke="{INK}" stroke-width="1.6"/>'
            f'<rect x="{_LABEL_X - 6}" y="{y - height / 2:.1f}" width="{_WIDTH - _LABEL_X + 5}" height="22" '
            f'fill="{INK}"/>'
        )
    for k, (kind, text) in enumerate(lines):
        base = y - height / 2 + 19 + 18 * k - (3 if kind == "first" else 0)
        out += f'<text class="{kind}" x="{_LABEL_X + 3}" y="{base:.1f}">{escape(text)}</text>'
    return out
