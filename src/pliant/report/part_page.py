"""The findings about a part as a report; it prints on A4 and reads at 390 px."""

from typing import Any

from markupsafe import Markup

from pliant.colours import INK, MOSS, OCHRE, PLUM
from pliant.records.part import Forecast, Orientation, PartFindings, SoftFeature
from pliant.report.part import VERDICT, duration, filament_words, how_long
from pliant.report.sections import Report, compose
from pliant.say import number, quantity

__all__ = ["part_page"]

_ZONE = {"good": "room", "workable": "narrow", "poor": "over"}
_TODO = {
    "good": "Stand it as 1 below, and plan its settings.",
    "workable": "Stand it as 1 below; read what to watch, and change what you can of the list first.",
    "poor": "Change the part, or another spool, before you print: the list says what would help most.",
}


def part_page(findings: PartFindings) -> Report:
    """Compose the report of a part."""
    f = findings
    stands = [(o, o.forecast) for o in f.orientations if o.forecast is not None]
    first = stands[0][1].soft_features if stands else ()
    return compose(
        "part.html",
        f"{f.name}: {f.verdict}",
        verb="part",
        facts=(("Part", f.name), ("Machine", f.machine), ("Filament", f.filament)),
        styles=("page.css", "paper.css"),
        f=f,
        zone=_ZONE[f.verdict],
        headline=f"{f.name} is {VERDICT[f.verdict]}.",
        todo=_TODO[f.verdict],
        sentences=lambda items: [i if i.endswith(".") else _sentence(i) for i in items],
        sentence=_sentence,
        compared=[_compared(k, o, cast) for k, (o, cast) in enumerate(stands, 1)],
        stands=[_stand(k, o, cast) for k, (o, cast) in enumerate(stands, 1)],
        soft=[_soft(s) for s in first[:12]],
        more=len(first) - 12,
        force=stands[0][1] if stands else None,
    )


def _sentence(words: str) -> str:
    return words[:1].upper() + words[1:] + "."


def _compared(place: int, o: Orientation, f: Forecast) -> list[str]:
    return [f"{place}. {o.turn}", "yes" if o.needs_support else "no", f"{o.cut_mm2:.0f}", f"{o.unsupported_mm2:.0f}",
            str(o.islands_on_air), f"{o.height_mm:.1f}", f"{o.footprint_mm2:.0f}", f"{f.islands_mean:.1f}",
            str(f.strings_expected), duration(f.time_s), f.verdict]  # fmt: skip


def _stand(place: int, o: Orientation, f: Forecast) -> dict[str, Any]:
    travel = (
        f"{f.travels} travels, {f.covered_travels} of which can stay over printed bead; {f.open_travels} cross air, "
        f"{quantity(f.open_travel_mm, 'mm')} in all"
    )
    run = f"Longest run without crossing air: {quantity(f.longest_run_mm, 'mm')} of bead, {duration(f.longest_run_s)}"
    time = f"{f.layers} layers; {how_long(f)}; {filament_words(f)}"
    # the pattern of each drawing needs its own name on one page
    below = o.drawing_below.replace('id="air"', f'id="air{place}"').replace("url(#air)", f"url(#air{place})")
    drawn = ((o.drawing, "as it stands"), (below, "seen from below"), (_profile(o, f), "islands by height"))
    return {
        "title": f"{place}. {_sentence(o.turn)[:-1]}: {f.verdict}",
        "verdict": f.verdict,
        "said": (*o.reasons, *f.reasons, time, travel, run),
        "drawn": [(Markup(drawing), caption) for drawing, caption in drawn],
    }


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
        fill = MOSS if count <= 1 else OCHRE if count < 4 else PLUM
        out.append(
            f'<rect x="{left}" y="{low - end * step:.1f}" width="{count * unit:.1f}" height="{(end - at) * step:.1f}" '
            f'fill="{fill}" fill-opacity="0.8"/>'
        )
        at = end
    out.append(f'<path d="M{left} {top}V{low}H{wide - 80:.0f}" fill="none" stroke="{INK}"/>')
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
        out.append(f'<path d="M{x} {up[0]:.1f}V{up[1]:.1f}" stroke="{OCHRE}" stroke-width="3" stroke-dasharray="3 4"/>')
        out.append(f'<path d="M{x} {up[1]:.1f}V{up[2]:.1f}" stroke="{PLUM}" stroke-width="5"/>')
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
    return f'<text x="{x:.1f}" y="{y:.1f}" font-size="14" fill="{INK}" text-anchor="{anchor}">{words}</text>'


def _soft(s: SoftFeature) -> list[str]:
    sure = "no" if s.wobble_mm is None else f"{s.wobble_mm:.0f}"
    return [f"x {s.x_mm:.0f}, y {s.y_mm:.0f}, z {s.z_mm:.0f}", f"{s.thickness_mm:.1f} × {s.length_mm:.1f}",
            f"{s.root_mm:.0f}–{s.top_mm:.0f}", number(s.stiffness_n_per_mm),
            f"{number(s.deflection_mm)} ({number(s.deflection_high_mm)})", f"{sure} ({s.wobble_low_mm:.0f})",
            f"{s.thickness_needed_mm:.1f}"]  # fmt: skip
