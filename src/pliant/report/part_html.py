"""The findings about a part as one self-contained page: no request leaves it, it prints on A4 and reads at 390 px."""

from html import escape

from pliant.records.part import Forecast, Orientation, PartFindings
from pliant.report.part import VERDICT, duration, how_long

__all__ = ["part_html"]

_STYLE = """
:root{--ink:#1d2430;--paper:#f7f5f0;--moss:#5b7f5e;--ochre:#c98a1b;--plum:#7d2e68;--rule:#cfc9bb}
*{box-sizing:border-box}
body{margin:0;background:var(--paper);color:var(--ink);font:17px/1.5 Georgia,"Times New Roman",serif}
main{max-width:62rem;margin:0 auto;padding:1.5rem 1.25rem 3rem}
h1{font-size:1.9rem;line-height:1.2;margin:.2rem 0 .6rem;font-weight:normal}
h2{font-size:1.25rem;margin:2.2rem 0 .5rem;font-weight:normal;border-bottom:1px solid var(--ink);
padding-bottom:.2rem}
h3{font-size:1.1rem;margin:0 0 .2rem}
p,ul{margin:.3rem 0 .6rem;max-width:44rem}
ul{padding-left:1.2rem}
.facts{color:#4a5160;font-size:.92rem;max-width:none}
.mark{display:inline-block;width:.9em;height:.9em;margin-right:.35em;vertical-align:-.08em;
border:1.5px solid var(--ink)}
.good .mark{background:var(--moss);border-radius:50%}
.workable .mark{background:var(--ochre)}
.poor .mark{background:var(--plum);transform:rotate(45deg)}
.change{border-left:4px solid var(--ochre);padding:.1rem 0 .1rem .9rem;margin:1rem 0}
.stand{border-top:1px solid var(--rule);padding:1.1rem 0;display:grid;
grid-template-columns:repeat(3,minmax(0,1fr));gap:.4rem 1.2rem}
.stand>div{min-width:0}.stand .words{grid-column:1/-1}
.stand:first-of-type{border-top:0}
svg{display:block;width:100%;max-width:26rem;margin:0 auto;height:auto}
figure{margin:0}figcaption{font-size:.86rem;color:#4a5160;text-align:center}
.wide{overflow-x:auto}
table{border-collapse:collapse;font-size:.95rem;width:100%;font-variant-numeric:tabular-nums}
th,td{text-align:right;padding:.25rem .5rem;border-bottom:1px solid var(--rule);vertical-align:top}
td{white-space:nowrap}
th:first-child,td:first-child{text-align:left;padding-left:0;min-width:8.5rem;white-space:normal}
thead th{font-weight:normal;border-bottom:1px solid var(--ink)}
.small{font-size:.9rem}
@media(max-width:640px){main{padding:1rem .9rem 2rem}h1{font-size:1.5rem}
.stand{grid-template-columns:1fr}table{font-size:.85rem}th,td{padding:.2rem .3rem}}
@media print{@page{size:A4;margin:14mm}body{font-size:10.5pt;background:#fff}main{padding:0;max-width:none}
.stand,tr,.change{break-inside:avoid}h2{break-after:avoid}
*{-webkit-print-color-adjust:exact;print-color-adjust:exact}}
"""


def part_html(findings: PartFindings) -> str:
    """The page as text."""
    f = findings
    x, y, z = f.size_mm
    shells = f"{f.shells} shell{'s' if f.shells != 1 else ''}"
    facts = (
        f"{x:.1f} × {y:.1f} × {z:.1f} mm · {f.volume_mm3 / 1000:.2f} cm³ · {f.triangles} triangles in {shells} · "
        f"{f.mesh_kind}, {f.unit} · spool: {f.filament} · machine: {f.machine}"
    )
    body = [
        f'<p class="facts">Part: {escape(f.name)}</p>',
        f'<h1 class="{f.verdict}"><span class="mark"></span>{escape(f.name)} is {VERDICT[f.verdict]}.</h1>',
        f'<p class="facts">{escape(facts)}</p>',
        _list(f.reasons),
    ]
    if f.changes:
        body.append(f'<div class="change"><h3>What would help</h3>{_list(f.changes)}</div>')
    body.append("<h2>How it may stand</h2>")
    body.append(
        f"<p>{f.candidates} directions were tried; these are worth comparing. {escape(_sentence(f.angle_convention))} "
        f"Taken to hold without support: slopes up to {f.limits['overhang_deg']:g}°, ledges of "
        f"{f.limits['ledge_mm']:g} to {f.limits['ledge_most_mm']:g} mm, bridges of {f.limits['bridge_mm']:g} mm.</p>"
    )
    body.append(_comparison(f.orientations))
    body += [_stand(k, o) for k, o in enumerate(f.orientations, 1)]
    if any(o.forecast and o.forecast.soft_features for o in f.orientations[:1]):
        body.append(_soft_table(f.orientations[0], f.limits["wobble_mm"]))
    if f.repairs or f.notes:
        body.append("<h2>The mesh as it was read</h2>" + _list((*f.repairs, *f.notes)))
    body.append('<h2>Assumed</h2><div class="small">' + _list(f.assumed) + "</div>")
    body.append('<h2>Cautions</h2><div class="small">' + _list(f.cautions) + "</div>")
    return (
        '<!doctype html><html lang="en"><head><meta charset="utf-8"><meta name="viewport" '
        f'content="width=device-width,initial-scale=1"><title>{escape(f.name)}: {f.verdict}</title>'
        f"<style>{_STYLE}</style></head><body><main>{''.join(body)}</main></body></html>\n"
    )


def _sentence(words: str) -> str:
    return words[:1].upper() + words[1:] + "."


def _list(items: tuple[str, ...]) -> str:
    return "<ul>" + "".join(f"<li>{escape(_sentence(i) if not i.endswith('.') else i)}</li>" for i in items) + "</ul>"


def _comparison(stands: tuple[Orientation, ...]) -> str:
    rows = []
    for k, o in enumerate(stands, 1):
        f = o.forecast
        assert f is not None
        cells = [f"{k}. {o.turn}", "yes" if o.needs_support else "no", f"{o.unsupported_mm2:.0f}",
                 str(o.islands_on_air), f"{o.height_mm:.1f}", f"{o.footprint_mm2:.0f}", f"{f.islands_mean:.1f}",
                 str(f.strings_expected), duration(f.time_s), f.verdict]  # fmt: skip
        rows.append("<tr>" + "".join(f"<td>{escape(c)}</td>" for c in cells) + "</tr>")
    head = ("standing", "support", "unsupported mm²", "born on air", "height mm", "footprint mm²", "islands a layer",
            "strings", "time", "verdict")  # fmt: skip
    return (
        '<div class="wide" tabindex="0" role="region" aria-label="table"><table><thead><tr>'
        + "".join(f"<th>{h}</th>" for h in head)
        + "</tr></thead><tbody>"
        f"{''.join(rows)}</tbody></table></div>"
    )


def _stand(place: int, o: Orientation) -> str:
    f = o.forecast
    assert f is not None
    travel = (
        f"{f.travels} travels, {f.covered_travels} of which can stay over printed bead; {f.open_travels} cross air, "
        f"{f.open_travel_mm / 1000:.1f} m in all"
    )
    run = f"Longest run without crossing air: {f.longest_run_mm / 1000:.1f} m of bead, {duration(f.longest_run_s)}"
    time = f"{f.layers} layers; {how_long(f)}"
    # the pattern of each drawing needs its own name on one page
    below = o.drawing_below.replace('id="air"', f'id="air{place}"').replace("url(#air)", f"url(#air{place})")
    return (
        f'<section class="stand"><div class="words {f.verdict}"><h3><span class="mark"></span>{place}. '
        f"{escape(_sentence(o.turn)[:-1])}: {f.verdict}</h3>{_list((*o.reasons, *f.reasons, time, travel, run))}</div>"
        f"<figure>{o.drawing}<figcaption>as it stands</figcaption></figure>"
        f"<figure>{below}<figcaption>seen from below</figcaption></figure>"
        f"<figure>{_profile(o, f)}<figcaption>islands by height</figcaption></figure></section>"
    )


def _profile(o: Orientation, f: Forecast) -> str:
    """Islands by height, the wobble band beside it."""
    wide, high, left, low, top = 360.0, 300.0, 52.0, 274.0, 20.0
    n = len(f.islands_by_layer)
    most = max(f.islands_most, 1)
    step = (low - top) / n
    unit = (wide - left - 84) / most
    out = []
    at = 0
    while at < n:  # equal neighbours make one bar
        end = at
        while end < n and f.islands_by_layer[end] == f.islands_by_layer[at]:
            end += 1
        count = f.islands_by_layer[at]
        fill = "#5b7f5e" if count <= 1 else "#c98a1b" if count < 4 else "#7d2e68"
        out.append(
            f'<rect x="{left}" y="{low - end * step:.1f}" width="{count * unit:.1f}" height="{(end - at) * step:.1f}" '
            f'fill="{fill}" fill-opacity="0.8"/>'
        )
        at = end
    out.append(f'<path d="M{left} {top}V{low}H{wide - 80:.0f}" fill="none" stroke="#1d2430"/>')
    for z in (0.0, o.height_mm):
        y = low - z / o.height_mm * (low - top)
        out.append(_label(left - 5, y + 4, f"{z:.0f} mm", "end"))
    out.append(_label(left, low + 17, "0", "middle"))
    out.append(_label(left + most * unit, low + 17, str(most), "middle"))
    if f.soft_features:
        s = f.soft_features[0]
        up = [low - z / o.height_mm * (low - top) for z in (s.wobble_low_mm, s.wobble_mm, s.top_mm)]
        x = wide - 72
        out.append(f'<path d="M{x} {up[0]:.1f}V{up[1]:.1f}" stroke="#c98a1b" stroke-width="3" stroke-dasharray="3 4"/>')
        out.append(f'<path d="M{x} {up[1]:.1f}V{up[2]:.1f}" stroke="#7d2e68" stroke-width="5"/>')
        out.append(_label(x + 8, max(up[2] + 12, up[1] - 2), "wobbles"))
        if up[0] - up[1] > 14:
            out.append(_label(x + 8, up[0] - 1, "perhaps"))
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {wide:g} {high:g}" role="img" '
        f'font-family="Georgia, serif"><title>islands by height: at most {f.islands_most}, on average '
        f"{f.islands_mean:.1f}</title>"
        f"{''.join(out)}</svg>"
    )


def _label(x: float, y: float, words: str, anchor: str = "start") -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" font-size="14" fill="#1d2430" text-anchor="{anchor}">{words}</text>'


def _soft_table(o: Orientation, limit_mm: float) -> str:
    f = o.forecast
    assert f is not None
    rows = []
    for s in f.soft_features[:12]:
        cells = [f"x {s.x_mm:.0f}, y {s.y_mm:.0f}", f"{s.thickness_mm:.1f} × {s.length_mm:.1f}",
                 f"{s.root_mm:.0f}–{s.top_mm:.0f}", f"{s.stiffness_n_per_mm:.2g}",
                 f"{s.deflection_mm:.2g}", f"{s.wobble_mm:.0f} ({s.wobble_low_mm:.0f})",
                 f"{s.thickness_needed_mm:.1f}"]  # fmt: skip
        rows.append("<tr>" + "".join(f"<td>{escape(c)}</td>" for c in cells) + "</tr>")
    head = (
        "where",
        "section mm",
        "height mm",
        "tip N/mm",
        "tip moves mm",
        "wobbles from mm (perhaps)",
        "thickness needed mm",
    )
    more = f"<p>and {len(f.soft_features) - 12} more</p>" if len(f.soft_features) > 12 else ""
    force = f.side_force_n or 0.0
    return (
        "<h2>Slender features, standing as 1</h2>"
        f"<p>Side force assumed: {force:.2g} N, which may be {f.side_force_spread:g} times more or less. A tip that "
        f"gives way by more than {limit_mm:.2f} mm smears its layer.</p>"
        '<div class="wide" tabindex="0" role="region" aria-label="table"><table><thead><tr>'
        + "".join(f"<th>{h}</th>" for h in head)
        + "</tr></thead><tbody>"
        f"{''.join(rows)}</tbody></table></div>{more}"
    )
