"""Drying times as a report with a chart of the water that is left."""

from collections.abc import Sequence

from pliant.colours import INK, MOSS, OCHRE, PAPER, PLUM
from pliant.records.dry import Band, Drying
from pliant.report.dry import air_words, content_words, hours_words, range_words
from pliant.report.plot import Frame, area, both, line
from pliant.report.sections import Report, compose
from pliant.say import number

__all__ = ["dry_page"]

_STEPS = (1, 2, 4, 6, 12, 24, 48)
_DECADES = (0.001, 0.01, 0.1, 1.0)


def dry_page(drying: Drying) -> Report:
    """Compose the report of a drying result."""
    d = drying
    air = air_words(d)
    zone, word, headline, what = _said(d, air)
    factor = f"×{number(d.spool_factor.low or 0)} to ×{number(d.spool_factor.high or 0)}: our own estimate"
    return compose(
        "dry.html",
        f"Drying {d.name}",
        verb="dry",
        facts=(("Filament", d.name), ("Hardness", d.hardness), ("Strand", f"{d.diameter_mm:g} mm")),
        styles=("page.css", "paper.css"),
        d=d,
        zone=zone,
        word=word,
        headline=headline,
        air=air,
        answers=[
            _answer("Bare strand", d.strand_h, "moss", "from Crank's cylinder"),
            _answer("Wound spool", d.spool_h, "ochre", factor),
        ],
        what=what,
        drawn=both(lambda width: _chart(d, width)),
        content=content_words,
        chance=_chance,
    )


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


def _answer(what: str, band: Band, css: str, why: str) -> tuple[str, str, str, str]:
    spread = f"{range_words(band)}, nine times in ten; " if range_words(band) else ""
    return css, what, hours_words(band.value), f"{spread}{why}"


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
    f = Frame(width, 340 if width > 500 else 300, d.time_h[-1], bottom, top, log_y=True)
    out = [f.axes(_ticks(d.time_h[-1], width), [v for v in _DECADES if bottom <= v <= top], "hours", "% of mass")]
    curves = []
    for bands, fill, opacity in ((d.spool_percent, f.hatch(), 0.75), (d.strand_percent, MOSS, 0.35)):
        curves.append(area(f, d.time_h, _pick(bands, "low"), _pick(bands, "high"), fill, opacity))
    curves.append(line(f, d.time_h, _pick(d.spool_percent, "value"), OCHRE, "7 4"))
    curves.append(line(f, d.time_h, _pick(d.strand_percent, "value"), MOSS))
    out.append(f.inside("".join(curves)))
    base, end, y = f.height - f.bottom, width - f.right, f.y(d.target_percent)
    if d.sheet_h:
        low, high = f.x(d.sheet_h[0]), max(f.x(d.sheet_h[1]), f.x(d.sheet_h[0]) + 2)
        out.append(f'<path d="M{low:.1f} {base:.1f}v-9H{high:.1f}v9" fill="none" stroke="{INK}"/>')
        out.append(f'<text class="halo" x="{low:.1f}" y="{base - 14:.1f}">the sheet</text>')
    out.append(f'<path d="M{f.left} {y:.1f}H{end}" stroke="{PLUM}" stroke-width="2" stroke-dasharray="2 3"/>')
    wanted = f"wanted {d.target_percent:g} %"
    out.append(f'<text class="halo" x="{end - 4}" y="{y + 17:.1f}" text-anchor="end">{wanted}</text>')
    for name, band in (("strand", d.strand_h), ("spool", d.spool_h)):
        if band.value is not None and 0 < band.value <= d.time_h[-1]:
            x = f.x(band.value)
            ring = f'fill="{PAPER}" stroke="{PLUM}" stroke-width="2"'
            out.append(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="4.5" {ring}/>')
            out.append(f'<text class="halo" x="{x + 7:.1f}" y="{y - 9:.1f}">{name} {hours_words(band.value)}</text>')
    label = (
        f"Water left over {d.time_h[-1]:.0f} hours: the bare strand reaches {d.target_percent:g} % after "
        f"{hours_words(d.strand_h.value)}, the wound spool after {hours_words(d.spool_h.value)} (medians)."
    )
    return f.svg(label, "".join(out))
