"""Drying times as a self-contained page with a chart of the water that is left."""

from collections.abc import Sequence

from pliant.records.dry import Band, Drying
from pliant.report import paper
from pliant.report.dry import air_words, content_words, hours_words, range_words
from pliant.say import number

__all__ = ["drying_page"]

_STEPS = (1, 2, 4, 6, 12, 24, 48)
_DECADES = (0.001, 0.01, 0.1, 1.0)


def drying_page(drying: Drying) -> str:
    """Return the page of a drying result."""
    d = drying
    air = air_words(d)
    zone, word, title, what = _said(d, air)
    factor = f"×{number(d.spool_factor.low or 0)} to ×{number(d.spool_factor.high or 0)}: our own estimate"
    answers = _answer("Bare strand", d.strand_h, "moss", "from Crank's cylinder")
    answers += _answer("Wound spool", d.spool_h, "ochre", factor)
    floor = (
        f"<p>A box that heats room air of {d.floor_humidity_percent:g} % humidity, as most do, stops at about "
        f"{number(d.heated_room_percent)} % of water at most: "
        "lower needs dried air, such as a desiccant in a closed box.</p>"
    )
    rows = "".join(
        f'<tr><td data-label="after">{a.hours:g} h{" (the sheet)" if d.sheet_h and a.hours in d.sheet_h else ""}</td>'
        f'<td data-label="bare strand">{content_words(a.strand_percent)}</td>'
        f'<td data-label="wound spool">{content_words(a.spool_percent)}</td>'
        f'<td data-label="spool dry enough" class="n">{_chance(a.spool_dry_chance)}</td></tr>'
        for a in d.after
    )
    table = (
        '<table class="stack"><thead><tr><th>After</th><th>Bare strand</th><th>Wound spool</th>'
        f'<th class="n">Spool dry enough</th></tr></thead><tbody>{rows}</tbody></table>'
    )
    caption = (
        "Water left over time, logarithmic; bands hold nine cases in ten. Plain green: bare strand. "
        "Hatched, dashed: wound spool."
    )
    body = "".join(
        [
            paper.verdict(
                zone, word, title,
                f'<p class="lead">At {d.temperature_c:g} °C in {paper.esc(air)}, from {content_words(d.water_percent)} '
                f"of water to {d.target_percent:g} % ({paper.esc(d.target_source)}).</p>"
                f'<div class="answers">{answers}</div>',
            ),
            paper.section("What to do next", "".join(f"<p>{paper.esc(w)}</p>" for w in what)),
            paper.section("Water left", paper.both(lambda width: _chart(d, width), caption) + table + floor),
            paper.listing("Notes", d.notes),
            paper.listing("Published drying of such material", d.published),
            paper.listing("Assumed", d.assumed),
            paper.listing("Take care", d.cautions, "care"),
        ]
    )  # fmt: skip
    facts = (("Filament", d.name), ("Hardness", d.hardness), ("Strand", f"{d.diameter_mm:g} mm"))
    return paper.page(f"Drying {d.name}", "dry", facts, body)


def _said(d: Drying, air: str) -> tuple[str, str, str, list[str]]:
    """The zone, the word, the sentence, and what to do."""
    limit = f"Never set it above {d.limit_c:g} °C: {d.limit_source}."
    if (d.spool_h.high or 0.0) < 0.05 and d.spool_h.value is not None:
        if d.wets and d.resting_percent > d.target_percent:
            return "over", "leave it out", "It is dry already, and this air would wet it.", [
                f"In {air} it goes towards {number(d.resting_percent)} % of water. Print it from a closed box with a "
                "desiccant."
            ]  # fmt: skip
        return "room", "dry", "It is dry already.", ["Print it; keep the spool in a closed box with a desiccant."]
    if d.spool_h.value is None:
        return "over", "not this way", "It never gets dry enough this way.", [
            f"However long, {air} leaves more than {d.target_percent:g} % in it. Dry with a desiccant in a closed box, "
            "and ask again with a humidity of 0.",
            limit,
        ]  # fmt: skip
    end = hours_words(d.spool_h.high)
    return "room", "dries", f"About {hours_words(d.spool_h.value)} for the wound spool, in {air}.", [
        f"Set the box to {d.temperature_c:g} °C and give it {end}, the upper end of the range, if you can; weigh the "
        "spool before and after: when it loses no more, it is dry. Print from a closed box.",
        *_plain_box(d),
        limit,
    ]  # fmt: skip


def _plain_box(d: Drying) -> list[str]:
    """Say what a box without dried air does, where the hours are for dried air."""
    if d.room_humidity_percent > 0 or d.heated_room_percent <= d.target_percent:
        return []
    return [
        f"Most boxes heat the air of the room. In one of {d.floor_humidity_percent:g} % humidity that stops at about "
        f"{number(d.heated_room_percent)} %, however long: put a desiccant in, and close it."
    ]


def _answer(what: str, band: Band, css: str, why: str) -> str:
    spread = f"{range_words(band)}, nine times in ten; " if range_words(band) else ""
    return (
        f'<div class="answer {css}"><p>{paper.esc(what)}</p><span class="big">{hours_words(band.value)}</span>'
        f"<p>{spread}{paper.esc(why)}</p></div>"
    )


def _chance(chance: float) -> str:
    if chance < 0.01:
        return "under 1 %"
    return "over 99 %" if chance > 0.99 else f"{100 * chance:.0f} %"


def _ticks(end: float, width: int) -> list[float]:
    most = 12 if width > 500 else 6
    step = next((s for s in _STEPS if end / s <= most), _STEPS[-1])
    return [float(step * i) for i in range(int(end // step) + 1)]


def _pick(bands: Sequence[Band], end: str) -> list[float]:
    return [float(getattr(b, end) or 0.0) for b in bands]


def _chart(d: Drying, width: int) -> str:
    top = 1.4 * max(_pick(d.strand_percent, "high"))
    bottom = max(min(d.target_percent / 4, 0.5 * top), 1e-3)
    f = paper.Frame(width, 340 if width > 500 else 300, d.time_h[-1], bottom, top, log_y=True)
    out = [f.axes(_ticks(d.time_h[-1], width), [v for v in _DECADES if bottom <= v <= top], "hours", "% of mass")]
    curves = []
    for bands, fill, opacity in ((d.spool_percent, f.hatch(), 0.75), (d.strand_percent, paper.MOSS, 0.35)):
        curves.append(paper.area(f, d.time_h, _pick(bands, "low"), _pick(bands, "high"), fill, opacity))
    curves.append(paper.line(f, d.time_h, _pick(d.spool_percent, "value"), paper.OCHRE, "7 4"))
    curves.append(paper.line(f, d.time_h, _pick(d.strand_percent, "value"), paper.MOSS))
    out.append(f.inside("".join(curves)))
    base, end, y = f.height - f.bottom, width - f.right, f.y(d.target_percent)
    if d.sheet_h:
        low, high = f.x(d.sheet_h[0]), max(f.x(d.sheet_h[1]), f.x(d.sheet_h[0]) + 2)
        out.append(f'<path d="M{low:.1f} {base:.1f}v-9H{high:.1f}v9" fill="none" stroke="{paper.INK}"/>')
        out.append(f'<text class="halo" x="{low:.1f}" y="{base - 14:.1f}">the sheet</text>')
    out.append(f'<path d="M{f.left} {y:.1f}H{end}" stroke="{paper.PLUM}" stroke-width="2" stroke-dasharray="2 3"/>')
    wanted = f"wanted {d.target_percent:g} %"
    out.append(f'<text class="halo" x="{end - 4}" y="{y + 17:.1f}" text-anchor="end">{wanted}</text>')
    for name, band in (("strand", d.strand_h), ("spool", d.spool_h)):
        if band.value is not None and 0 < band.value <= d.time_h[-1]:
            x = f.x(band.value)
            ring = f'fill="{paper.PAPER}" stroke="{paper.PLUM}" stroke-width="2"'
            out.append(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="4.5" {ring}/>')
            out.append(f'<text class="halo" x="{x + 7:.1f}" y="{y - 9:.1f}">{name} {hours_words(band.value)}</text>')
    label = (
        f"Water left over {d.time_h[-1]:.0f} hours: the bare strand reaches {d.target_percent:g} % after "
        f"{hours_words(d.strand_h.value)}, the wound spool after {hours_words(d.spool_h.value)} (medians)."
    )
    return f.svg(label, "".join(out))
