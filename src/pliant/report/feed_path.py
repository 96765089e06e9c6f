"""The feed path drawn to scale from the spool to the nozzle, each span a vessel filled to demand / capacity.

Lengths are to scale along the path, except a long guide, which is cut with a break mark and says so; widths are not to
scale. A vessel that is over spills; a gap that is over shows the filament bowed out.
"""

import math

from markupsafe import Markup, escape

from pliant.records.trace import Vessel
from pliant.report.words import STATE, full, number, state_of

__all__ = ["feed_path_svg"]

INK, PAPER = "#1d2430", "#f7f5f0"
_CENTRE, _HALF, _STRAND, _LABEL_X, _WIDTH = 82, 38, 9, 150, 352
_SPOOL_H, _DRIVE_H, _TIP_H, _SPANS_H, _LABEL_H = 78, 58, 46, 400, 66
_LONGEST_MM = 45.0  # longer guides are cut


def feed_path_svg(vessels: tuple[Vessel, ...], nozzle_mm: float, gives: dict[str, str]) -> Markup:
    """Draw the feed path.

    Parameters
    ----------
    vessels : tuple of Vessel
        From the drive to the melt.
    nozzle_mm : float
        Width of the nozzle. [mm]
    gives : dict of str to str
        Mechanism in words.

    Returns
    -------
    Markup
        One SVG element with its own title and description.
    """
    drawn_mm = [0.0 if v.kind == "drive" else min(v.length_mm, _LONGEST_MM) for v in vessels]
    scale = _SPANS_H / max(sum(drawn_mm), 10.0)
    y = float(_SPOOL_H)
    places: list[tuple[Vessel, float, float]] = []
    for v, mm in zip(vessels, drawn_mm, strict=True):
        height = _DRIVE_H if v.kind == "drive" else max(mm * scale, 16.0)
        places.append((v, y, height))
        y += height
    bottom = y
    labels = _label_places(places, bottom + _TIP_H)
    total = max(bottom + _TIP_H + 16, labels[-1] + _LABEL_H / 2 if labels else 0)
    parts = [_spool()]
    for v, top, height in places:
        parts.append(_vessel(v, top, height))
    parts.append(_tip(bottom, nozzle_mm))
    parts.append(_strand(places, bottom))
    for v, top, height in places:
        parts.append(_walls(v, top, height))
    for (v, top, height), at in zip(places, labels, strict=True):
        parts.append(_label(v, top + height / 2, at, gives))
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
    at: list[float] = []
    for _, top, height in places:
        want = top + height / 2
        at.append(max(want, at[-1] + _LABEL_H) if at else max(want, _LABEL_H / 2))
    over = at[-1] + _LABEL_H / 2 - limit if at else 0
    if over > 0:  # there may be room to move up
        for k in range(len(at) - 1, -1, -1):
            top = at[k + 1] - _LABEL_H if k + 1 < len(at) else limit - _LABEL_H / 2
            at[k] = max(min(at[k], top), _LABEL_H / 2 + k * _LABEL_H)
    return at


def _spool() -> str:
    c = _CENTRE - 34 - _STRAND / 2
    rings = "".join(
        f'<circle cx="{c}" cy="18" r="{r}" fill="none" stroke="{INK}" stroke-width="1"/>' for r in (34, 28, 22)
    )
    return (
        f'<g><clipPath id="spool-clip"><rect x="0" y="0" width="{_WIDTH}" height="{_SPOOL_H}"/></clipPath>'
        f'<g clip-path="url(#spool-clip)">{rings}<circle cx="{c}" cy="18" r="9" fill="{PAPER}" stroke="{INK}" '
        f'stroke-width="1.5"/></g><text class="small" x="{_LABEL_X}" y="22">from the spool</text></g>'
    )


def _vessel(v: Vessel, top: float, height: float) -> str:
    """The fill, and what spills."""
    state = state_of(v.fill)
    level = height * min(v.fill, 1.0)
    x, width, y = _CENTRE - _HALF, 2 * _HALF, top + height - level
    out = f'<rect x="{x}" y="{top:.1f}" width="{width}" height="{height:.1f}" fill="#ffffff"/>'
    out += f'<rect x="{x}" y="{y:.1f}" width="{width}" height="{level:.1f}" fill="url(#h-{state})"/>'
    if 0 < level < height:
        out += f'<path d="M{x} {y:.1f}h{width}" stroke="{INK}" stroke-width="1.5"/>'
    if v.fill > 1:
        drop = min(height - 2, 30)
        for side in (-1, 1):
            e = _CENTRE + side * _HALF
            out += (
                f'<path d="M{e} {top:.1f}q{side * 13} -2 {side * 13} 9v{drop - 14:.1f}q{-side * 1} 7 {-side * 5} 0'
                f'v{-(drop - 22):.1f}q0 -6 {-side * 8} -6z" fill="url(#h-over)" stroke="{INK}" stroke-width="1"/>'
            )
    return out


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
        f'<text class="small" x="{_LABEL_X}" y="{y + 38:.1f}">nozzle {number(nozzle_mm)} mm</text>'
    )


def _strand(places: list[tuple[Vessel, float, float]], bottom: float) -> str:
    path = f"M{_CENTRE} 16V{_SPOOL_H}"
    for v, top, height in places:
        if v.kind == "gap" and v.fill > 1:
            out = min(_HALF - _STRAND, 0.6 * height)
            path += f"C{_CENTRE} {top + height * 0.3:.1f} {_CENTRE + out} {top + height * 0.2:.1f} {_CENTRE + out} {top + height / 2:.1f}"
            path += f"S{_CENTRE} {top + height * 0.7:.1f} {_CENTRE} {top + height:.1f}"
        else:
            path += f"V{top + height:.1f}"
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
        f'<path d="M12 {top:.1f}h8M16 {top:.1f}V{bottom:.1f}M12 {bottom:.1f}h8" stroke="{INK}" stroke-width="1.2"/>'
        f'<text class="small" transform="translate(9 {(top + bottom) / 2:.1f}) rotate(-90)" text-anchor="middle">'
        f"{mm} mm</text>"
    )


def _label(v: Vessel, from_y: float, y: float, gives: dict[str, str]) -> str:
    state = state_of(v.fill)
    size = "" if v.kind == "drive" else f", {number(v.length_mm, 3)} mm"
    if v.kind == "guide" and v.turn_deg:
        size += f", turns {number(v.turn_deg, 3)}°"
    first = "GIVES FIRST: " if v.governing else ""
    much = "far beyond" if not math.isfinite(v.demand) or v.fill > 10 else number(v.demand)
    asks = f"must carry {much}{'' if much == 'far beyond' else ''} / can carry {number(v.capacity)} {v.unit}"
    if much == "far beyond":
        asks = f"can carry {number(v.capacity)} {v.unit}, must far more"
    edge = _CENTRE + _HALF + (15 if v.fill > 1 else 6)
    out = f'<path d="M{edge} {from_y:.1f}L{_LABEL_X - 16} {y:.1f}H{_LABEL_X - 5}" fill="none" stroke="{INK}" stroke-width="0.8"/>'
    if v.governing:
        out += (
            f'<rect x="{_LABEL_X - 5}" y="{y - 31:.1f}" width="{_WIDTH - _LABEL_X + 4}" height="62" '
            f'fill="#ffffff" stroke="{INK}" stroke-width="1.6"/>'
        )
    said = gives.get(v.mechanism, v.mechanism)
    lines = [
        ("strong", f"{v.label}{size}"),
        ("", f"{full(v.fill)}: {STATE[state]}"),
        ("small", asks),
    ]
    if v.governing:
        lines[1] = ("strong", f"{first}{full(v.fill)}")
    del said
    for k, (kind, text) in enumerate(lines):
        out += f'<text class="{kind}" x="{_LABEL_X + 3}" y="{y - 14 + 18 * k:.1f}">{escape(text)}</text>'
    return out
