"""Choices and forces as a report: ranges against the wanted force, the curve, the check against prints."""

import math

from pliant.colours import INK, MOSS, OCHRE, PAPER, PLUM
from pliant.records.feel import Feel
from pliant.report.feel import HOLDS, newtons, piece_words, weight_words
from pliant.report.plot import Frame, area, both, esc, line
from pliant.report.sections import Report, compose
from pliant.say import number

__all__ = ["feel_page"]

_MARKS = {"linear": "", "folds": "walls fold", "sideways": "buckles sideways", "beyond": "beyond the model"}


def feel_page(feel: Feel) -> Report:
    """Compose the report of a stiffness result."""
    f = feel
    first = f.choices[0]
    headline = f"What {first.choice.words()} feels like"
    if f.wanted_n is not None:
        headline = f"{newtons(f.wanted_n)} N at {f.deflection_mm:g} mm: {first.choice.words()} comes nearest."
    spread = sorted(f.spread_parts.items(), key=lambda kv: -kv[1])
    where = f"{piece_words(f.piece)}; pressed {f.deflection_mm:g} mm, {100 * f.strain:.0f} % of its height."
    return compose(
        "feel.html",
        headline,
        verb="feel",
        facts=(("Piece", piece_words(f.piece)), ("Pressed", f"{f.deflection_mm:g} mm")),
        styles=("page.css", "paper.css"),
        f=f,
        first=first,
        zone=_ZONES[first.holds],
        word=_WORDS[first.holds],
        headline=headline,
        where=where[:1].upper() + where[1:],
        next=_next(f),
        answers=_answers(f),
        reach=" to ".join(newtons(v) for v in f.reach_n),
        ranges=both(lambda width: _ranges(f, width)) if f.wanted_n is not None else None,
        curve=both(lambda width: _curve(f, width)),
        check=both(lambda width: _check(f, width)),
        spread=[f"×{number(s, 3)} {name}" for name, s in spread],
        newtons=newtons,
        holds=HOLDS,
    )


_ZONES = {"linear": "room", "folds": "narrow", "sideways": "over", "beyond": "over"}
_WORDS = {
    "linear": "a guess to test",
    "folds": "walls fold",
    "sideways": "buckles sideways",
    "beyond": "beyond the model",
}


def _next(f: Feel) -> str:
    """What to do with the answer."""
    if f.measured_factor is not None:
        return "Ask again with the factor above: every range then shrinks to what your own print allows."
    start = {
        "linear": "",
        "folds": "The walls fold there, and the force hardly grows from then on; for a force that grows with the way, "
        "take more infill or a softer spool. ",
        "sideways": "A piece this tall buckles sideways as a whole; make it wider or lower, or guide it. ",
        "beyond": "That is pressed further than the model reaches; make the piece taller, or press it less. ",
    }[f.choices[0].holds]
    return (
        start
        + "Print one small piece like this, press it as far on a kitchen scale (100 g is about 1 N), and give its "
        "force: the range then shrinks to a fraction."
    )


def _answers(f: Feel) -> list[tuple[str, str, str, str]]:
    """Class, heading, figure and words of each figure that is told large."""
    p = f.choices[0]
    held = f"; {_MARKS[p.holds]}" if p.holds != "linear" else ""
    low, high = (newtons(p.stiffness_n_per_mm * n / p.force_n) for n in (p.low_n, p.high_n))
    out = [
        (
            "moss" if p.holds == "linear" else "ochre",
            f"Force at {f.deflection_mm:g} mm",
            f"{newtons(p.force_n)} N",
            f"{newtons(p.low_n)} to {newtons(p.high_n)} N, nine times in ten{held}; {weight_words(p.force_n)}",
        ),
        ("", "Stiffness there", f"{newtons(p.stiffness_n_per_mm)} N/mm", f"{low} to {high}, nine times in ten"),
    ]
    if f.measured_factor is not None and f.measured_n is not None:
        again = f"of the model: ask again with `factor` {number(f.measured_factor, 3)}"
        out.append(("plum", f"You measured {number(f.measured_n, 4)} N", f"×{number(f.measured_factor)}", again))
    return out


def _log_ticks(low: float, high: float, steps: tuple[int, ...]) -> list[float]:
    decades = range(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1)
    return [v for d in decades for s in steps if low <= (v := s * 10.0**d) <= high]


def _ranges(f: Feel, width: int) -> str:
    assert f.wanted_n is not None
    row, top = 34, 26
    height = top + row * len(f.choices) + 34
    low = 0.8 * min(f.wanted_n, *(p.low_n for p in f.choices))
    high = 1.25 * max(f.wanted_n, *(p.high_n for p in f.choices))
    left, right = 10.0, width - 10.0

    def x(force: float) -> float:
        return left + (math.log(force / low)) / math.log(high / low) * (right - left)

    base = height - 30
    out = []
    for v in _log_ticks(low, high, (1,) if high / low > 300 or width < 500 else (1, 3)):
        out.append(f'<path d="M{x(v):.1f} {top}V{base}" stroke="{INK}" opacity=".15"/>')
        out.append(f'<text x="{x(v):.1f}" y="{base + 18}" text-anchor="middle">{v:g} N</text>')
    at = x(f.wanted_n)
    out.append(f'<path d="M{at:.1f} {top - 6}V{base}" stroke="{PLUM}" stroke-width="2" stroke-dasharray="2 3"/>')
    anchor = "end" if at > width / 2 else "start"
    out.append(f'<text x="{at:.1f}" y="{top - 11}" text-anchor="{anchor}">wanted {newtons(f.wanted_n)} N</text>')
    for i, p in enumerate(f.choices):
        y = top + row * i + 24
        colour = MOSS if p.holds == "linear" else OCHRE
        fill = colour if p.holds == "linear" else PAPER
        out.append(f'<path d="M{x(p.low_n):.1f} {y}H{x(p.high_n):.1f}" stroke="{colour}" stroke-width="3"/>')
        out.append(
            f'<circle cx="{x(p.force_n):.1f}" cy="{y}" r="5" fill="{fill}" stroke="{colour}" stroke-width="2.5"/>'
        )
        words = p.choice.words() + (f" · {_MARKS[p.holds]}" if p.holds != "linear" else "")
        out.append(f'<text class="halo" x="{left}" y="{y - 9}">{esc(words)}</text>')
    label = f"{len(f.choices)} choices around {newtons(f.wanted_n)} N; the table below carries the same figures."
    return f'<svg viewBox="0 0 {width} {height}" role="img" aria-label="{esc(label)}">{"".join(out)}</svg>'


def _nice(end: float, most: int) -> list[float]:
    step = 10.0 ** math.floor(math.log10(end))
    while end / step > most:
        step *= 2 if f"{step:.0e}"[0] in "15" else 2.5
    while end / step < most / 3:
        step /= 2 if f"{step:.0e}"[0] in "12" else 2.5
    return [round(step * i, 10) for i in range(int(end / step + 1e-9) + 1)]


def _curve(f: Feel, width: int) -> str:
    middle, low, high = ([row[i] for row in f.curve_n] for i in range(3))
    # a linear axis shows the shape; the upper end of the band may leave it
    top = max(2.2 * max(middle), 1.15 * (f.wanted_n or 0.0), 1.15 * (f.measured_n or 0.0))
    frame = Frame(width, 320 if width > 500 else 280, f.curve_mm[-1], 0.0, top)
    out = [frame.axes(_nice(f.curve_mm[-1], 8), _nice(top, 6), "deflection, mm", "N")]
    xs = f.curve_mm
    out.append(frame.inside(area(frame, xs, low, high, frame.hatch(), 0.8) + line(frame, xs, middle, MOSS)))
    first = f.choices[0]
    x, y = frame.x(f.deflection_mm), frame.y(first.force_n)
    ring = f'fill="{PAPER}" stroke="{PLUM}" stroke-width="2"'
    out.append(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="4.5" {ring}/>')
    words = f"{newtons(first.force_n)} N"
    out.append(f'<text class="halo" x="{x - 8:.1f}" y="{y - 9:.1f}" text-anchor="end">{words}</text>')
    for name, value in (("wanted", f.wanted_n), ("measured", f.measured_n)):
        if value is not None:
            at = frame.y(value)
            out.append(f'<path d="M{x - 9:.1f} {at:.1f}h18" stroke="{PLUM}" stroke-width="3"/>')
            if abs(at - y) > 24:
                told = f"{name} {number(value, 4)} N"
                out.append(f'<text class="halo" x="{x - 12:.1f}" y="{at + 4:.1f}" text-anchor="end">{told}</text>')
    label = f"Force rises to {newtons(first.force_n)} N at {f.deflection_mm:g} mm for {first.choice.words()}."
    return frame.svg(label, "".join(out))


def _check(f: Feel, width: int) -> str:
    rows, row, top = f.check.rows, 24, 22
    name = 190.0 if width > 500 else 150.0
    height, right = top + row * len(rows) + 30, width - 60.0
    low, high = 0.25, 8.0

    def x(ratio: float) -> float:
        return name + math.log(min(max(ratio, low), high) / low) / math.log(high / low) * (right - name)

    base, out = height - 28, []
    for v in (0.25, 0.5, 1, 2, 4, 8) if width > 500 else (0.25, 1, 4):
        wide = 'stroke-width="2"' if v == 1 else 'opacity=".15"'
        out.append(f'<path d="M{x(v):.1f} {top - 8}V{base}" stroke="{INK}" {wide}/>')
        out.append(f'<text x="{x(v):.1f}" y="{base + 18}" text-anchor="middle">×{v:g}</text>')
    for i, c in enumerate(rows):
        y = top + row * i + 8
        short = "laser-sintered" if c.material.startswith("laser") else c.condition.split(";")[0]
        out.append(f'<text x="0" y="{y + 4}">{esc(f"{c.shore_a:g}A {short}")}</text>')
        out.append(f'<path d="M{x(1):.1f} {y}H{x(c.ratio):.1f}" stroke="{PLUM}" stroke-width="3"/>')
        out.append(f'<circle cx="{x(c.ratio):.1f}" cy="{y}" r="4.5" fill="{PLUM}"/>')
        out.append(f'<text x="{width}" y="{y + 4}" text-anchor="end">×{c.ratio:.2f}</text>')
    label = "Model over published modulus: " + ", ".join(f"{c.shore_a:g}A ×{c.ratio:.2f}" for c in rows)
    return f'<svg viewBox="0 0 {width} {height}" role="img" aria-label="{esc(label)}">{"".join(out)}</svg>'
