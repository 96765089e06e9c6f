"""The findings about a part as one self-contained page: no request leaves it, it prints on A4 and reads at 390 px."""

from html import escape

from pliant.records.part import Forecast, Orientation, PartFindings
from pliant.report import paper
from pliant.report.part import VERDICT, duration, filament_words, how_long
from pliant.say import number, quantity

__all__ = ["part_html"]

_ZONE = {"good": "room", "workable": "narrow", "poor": "over"}


def part_html(findings: PartFindings) -> str:
    """The page as text."""
    f = findings
    x, y, z = f.size_mm
    shells = f"{f.shells} shell{'s' if f.shells != 1 else ''}"
    mesh = f"{f.volume_mm3 / 1000:.2f} cm³ · {f.triangles} triangles in {shells} · {f.mesh_kind}, {f.unit}"
    todo = {
        "good": "Stand it as 1 below, and plan its settings.",
        "workable": "Stand it as 1 below; read what to watch, and change what you can of the list first.",
        "poor": "Change the part, or another spool, before you print: the list says what would help most.",
    }[f.verdict]
    helps = f"<p>What would help:</p>{_list(f.changes)}" if f.changes else ""
    why = f"<p>Why 1 is before 2: {escape(f.why_first)}.</p>" if f.why_first else ""
    body = [
        paper.verdict(
            _ZONE[f.verdict], f.verdict, f"{f.name} is {VERDICT[f.verdict]}.",
            f'<p class="lead">{x:.1f} × {y:.1f} × {z:.1f} mm. {f.candidates} directions to stand in were '
            "tried.</p>" + _list(f.reasons),
        ),
        paper.section("What to do next", f"<p>{todo}</p>{helps}"),
        paper.section(
            "How it may stand",
            f"<p>{escape(_sentence(f.angle_convention))} Taken to hold without support: slopes up to "
            f"{f.limits['overhang_deg']:g}°, ledges of {f.limits['ledge_mm']:g} to {f.limits['ledge_most_mm']:g} mm, "
            f"bridges of {f.limits['bridge_mm']:g} mm.</p>" + _comparison(f.orientations) + why,
            css="wide",
        ),
    ]  # fmt: skip
    body += [_stand(k, o) for k, o in enumerate(f.orientations, 1)]
    if any(o.forecast and o.forecast.soft_features for o in f.orientations[:1]):
        body.append(_soft_table(f.orientations[0], f.limits["wobble_mm"]))
    body.append(paper.section("The mesh as it was read", f"<p>{escape(mesh)}</p>" + _list((*f.repairs, *f.notes))))
    body.append(paper.section("Assumed", _list(f.assumed)))
    body.append(paper.section("Take care", _list(f.cautions), css="care"))
    facts = (("Part", f.name), ("Machine", f.machine), ("Filament", f.filament))
    return paper.page(f"{f.name}: {f.verdict}", "part", facts, "".join(body))


def _sentence(words: str) -> str:
    return words[:1].upper() + words[1:] + "."


def _list(items: tuple[str, ...]) -> str:
    return (
        ""
        if not items
        else "<ul>" + "".join(f"<li>{escape(_sentence(i) if not i.endswith('.') else i)}</li>" for i in items) + "</ul>"
    )


def _comparison(stands: tuple[Orientation, ...]) -> str:
    rows = []
    for k, o in enumerate(stands, 1):
        f = o.forecast
        assert f is not None
        cells = [f"{k}. {o.turn}", "yes" if o.needs_support else "no", f"{o.cut_mm2:.0f}", f"{o.unsupported_mm2:.0f}",
                 str(o.islands_on_air), f"{o.height_mm:.1f}", f"{o.footprint_mm2:.0f}", f"{f.islands_mean:.1f}",
                 str(f.strings_expected), duration(f.time_s), f.verdict]  # fmt: skip
        rows.append("<tr>" + "".join(f"<td>{escape(c)}</td>" for c in cells) + "</tr>")
    head = ("standing", "support", "to cut mm²", "unsupported mm²", "born on air", "height mm", "footprint mm²",
            "islands a layer",
            "strings", "time", "verdict")  # fmt: skip
    return (
        '<div class="scroll" tabindex="0" role="region" aria-label="table"><table class="parts"><thead><tr>'
        + "".join(f"<th>{h}</th>" for h in head)
        + "</tr></thead><tbody>"
        f"{''.join(rows)}</tbody></table></div>"
    )


def _stand(place: int, o: Orientation) -> str:
    f = o.forecast
    assert f is not None
    travel = (
        f"{f.travels} travels, {f.covered_travels} of which can stay over printed bead; {f.open_travels} cross air, "
        f"{quantity(f.open_travel_mm, 'mm')} in all"
    )
    run = f"Longest run without crossing air: {quantity(f.longest_run_mm, 'mm')} of bead, {duration(f.longest_run_s)}"
    time = f"{f.layers} layers; {how_long(f)}; {filament_words(f)}"
    # the pattern of each drawing needs its own name on one page
    below = o.drawing_below.replace('id="air"', f'id="air{place}"').replace("url(#air)", f"url(#air{place})")
    return (
        f'<section class="stand"><div class="words {f.verdict}"><h2><span class="sealed"></span>{place}. '
        f"{escape(_sentence(o.turn)[:-1])}: {f.verdict}</h2>{_list((*o.reasons, *f.reasons, time, travel, run))}</div>"
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
        up = [low - z / o.height_mm * (low - top) for z in (
            s.wobble_low_mm, s.top_mm if s.wobble_mm is None else s.wobble_mm, s.top_mm)]  # fmt: skip
        x = wide - 72
        out.append(f'<path d="M{x} {up[0]:.1f}V{up[1]:.1f}" stroke="#c98a1b" stroke-width="3" stroke-dasharray="3 4"/>')
        out.append(f'<path d="M{x} {up[1]:.1f}V{up[2]:.1f}" stroke="#7d2e68" stroke-width="5"/>')
        if s.wobble_mm is not None:
            out.append(_label(x + 8, max(up[2] + 12, up[1] - 2), "wobbles"))
        if up[0] - up[1] > 14:
            out.append(_label(x + 8, up[0] - 1, "perhaps"))
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {wide:g} {high:g}" role="img" '
        f"><title>islands by height: at most {f.islands_most}, on average "
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
        sure = "no" if s.wobble_mm is None else f"{s.wobble_mm:.0f}"
        cells = [f"x {s.x_mm:.0f}, y {s.y_mm:.0f}, z {s.z_mm:.0f}", f"{s.thickness_mm:.1f} × {s.length_mm:.1f}",
                 f"{s.root_mm:.0f}–{s.top_mm:.0f}", number(s.stiffness_n_per_mm),
                 f"{number(s.deflection_mm)} ({number(s.deflection_high_mm)})", f"{sure} ({s.wobble_low_mm:.0f})",
                 f"{s.thickness_needed_mm:.1f}"]  # fmt: skip
        rows.append("<tr>" + "".join(f"<td>{escape(c)}</td>" for c in cells) + "</tr>")
    head = (
        "tip, mm as drawn",
        "section mm",
        "above the bed mm",
        "tip N/mm",
        "tip moves mm (perhaps)",
        "wobbles from mm (perhaps)",
        "thickness needed mm",
    )
    more = f"<p>and {len(f.soft_features) - 12} more</p>" if len(f.soft_features) > 12 else ""
    force = f.side_force_n or 0.0
    inner = (
        f"<p>Side force assumed: {number(force)} N, which may be {f.side_force_spread:g} times more or less. A tip "
        f"that gives way by more than {limit_mm:.2f} mm smears its layer.</p>"
        '<div class="scroll" tabindex="0" role="region" aria-label="table"><table class="parts"><thead><tr>'
        + "".join(f"<th>{h}</th>" for h in head)
        + "</tr></thead><tbody>"
        f"{''.join(rows)}</tbody></table></div>{more}"
    )
    return paper.section("Slender features, standing as 1", inner, css="wide")
