"""Choices and forces as a self-contained page: ranges against the wanted force, the curve, the check against prints."""

import math

from pliant.records.feel import Feel
from pliant.report import paper
from pliant.report.feel import HOLDS, newtons, piece_words, weight_words
from pliant.say import number

__all__ = ["feel_page"]

_MARKS = {"linear": "", "folds": "walls fold", "sideways": "buckles sideways", "beyond": "beyond the model"}


def feel_page(feel: Feel) -> str:
    """Return the page of a stiffness result."""
    f = feel
    first = f.choices[0]
    where = f"{piece_words(f.piece)}; pressed {f.deflection_mm:g} mm, {100 * f.strain:.0f} % of its height."
    parts = []
    if f.wanted_n is None:
        title = f"What {first.choice.words()} feels like"
        said = f'<p class="lead">{paper.esc(where[:1].upper() + where[1:])}</p>{_answers(f)}'
        parts.append(paper.section("Force over deflection", _curve_figure(f)))
    else:
        title = f"{newtons(f.wanted_n)} N at {f.deflection_mm:g} mm: {first.choice.words()} comes nearest."
        reach = " to ".join(newtons(v) for v in f.reach_n)
        said = (
            f'<p class="lead">{paper.esc(where[:1].upper() + where[1:])} It gives {newtons(first.force_n)} N '
            f"({newtons(first.low_n)} to {newtons(first.high_n)} N, nine times in ten).</p>"
        )
        caption = (
            "Force of each choice with its 90 % range, logarithmic; dotted: the wanted force. Filled: the model holds. "
            "Open: walls fold, the piece buckles sideways, or it is beyond the model."
        )
        parts.append(
            paper.section(
                "The choices, nearest first", paper.both(lambda width: _ranges(f, width), caption) + _table(f),
                f"All that were tried reach {reach} N.",
            )
        )  # fmt: skip
        parts.append(paper.section(f"The first of them, {first.choice.words()}", _curve_figure(f)))
    spread = [f"×{number(s, 3)} {name}" for name, s in sorted(f.spread_parts.items(), key=lambda kv: -kv[1])]
    parts += [
        paper.listing("Notes", f.notes),
        paper.section(
            "How this model did against published prints",
            f"<p>{paper.esc(f.check.sentence())}. Nothing was tuned to it: the miss is part of the range above.</p>"
            + paper.both(
                lambda width: _check(f, width), "Modulus the model gives for the hardness, over the published one."
            ),
        ),
        paper.listing("Where the spread comes from", spread, small="Multiplicative standard deviations."),
        paper.listing("Assumed", f.assumed),
        paper.listing("Take care", f.cautions, "care"),
    ]
    head = [
        paper.verdict(_ZONES[first.holds], _WORDS[first.holds], title, said),
        paper.section("What to do next", f"<p>{paper.esc(_next(f))}</p>"),
    ]
    facts = (("Piece", piece_words(f.piece)), ("Pressed", f"{f.deflection_mm:g} mm"))
    return paper.page(title, "feel", facts, "".join(head + parts))


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


def _answers(f: Feel) -> str:
    p = f.choices[0]
    css = "moss" if p.holds == "linear" else "ochre"
    held = f"; {_MARKS[p.holds]}" if p.holds != "linear" else ""
    out = (
        f'<div class="answer {css}"><p>Force at {f.deflection_mm:g} mm</p>'
        f'<span class="big">{newtons(p.force_n)} N</span><p>{newtons(p.low_n)} to {newtons(p.high_n)} N, nine times in '
        f"ten{held}; {weight_words(p.force_n)}</p></div>"
        f'<div class="answer"><p>Stiffness there</p><span class="big">{newtons(p.stiffness_n_per_mm)} N/mm</span>'
        f"<p>{newtons(p.stiffness_n_per_mm * p.low_n / p.force_n)} to "
        f"{newtons(p.stiffness_n_per_mm * p.high_n / p.force_n)}, nine times in ten</p></div>"
    )
    if f.measured_factor is not None and f.measured_n is not None:
        out += (
            f'<div class="answer plum"><p>You measured {f.measured_n:g} N</p>'
            f'<span class="big">×{number(f.measured_factor)}</span><p>of the model: ask again with `factor` '
            f"{number(f.measured_factor, 3)}</p></div>"
        )
    return f'<div class="answers">{out}</div>'


def _table(f: Feel) -> str:
    rows = "".join(
        f'<tr><td data-label="choice">{paper.esc(p.choice.words())}</td>'
        f'<td data-label="force" class="n">{newtons(p.force_n)} N</td>'
        f'<td data-label="90 % range" class="n">{newtons(p.low_n)} to {newtons(p.high_n)} N</td>'
        f'<td data-label="within a quarter" class="n">{100 * (p.chance_near or 0):.0f} %</td>'
        f'<td data-label="holds">{HOLDS[p.holds] or "yes"}</td></tr>'
        for p in f.choices
    )
    return (
        '<table class="stack"><thead><tr><th>Choice</th><th class="n">Force</th><th class="n">90 % range</th>'
        '<th class="n">Within a quarter</th><th>Model holds</th></tr></thead>'
        f"<tbody>{rows}</tbody></table>"
    )


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
        out.append(f'<path d="M{x(v):.1f} {top}V{base}" stroke="{paper.INK}" opacity=".15"/>')
        out.append(f'<text x="{x(v):.1f}" y="{base + 18}" text-anchor="middle">{v:g} N</text>')
    at = x(f.wanted_n)
    out.append(f'<path d="M{at:.1f} {top - 6}V{base}" stroke="{paper.PLUM}" stroke-width="2" stroke-dasharray="2 3"/>')
    anchor = "end" if at > width / 2 else "start"
    out.append(f'<text x="{at:.1f}" y="{top - 11}" text-anchor="{anchor}">wanted {newtons(f.wanted_n)} N</text>')
    for i, p in enumerate(f.choices):
        y = top + row * i + 24
        colour = paper.MOSS if p.holds == "linear" else paper.OCHRE
        fill = colour if p.holds == "linear" else paper.PAPER
        out.append(f'<path d="M{x(p.low_n):.1f} {y}H{x(p.high_n):.1f}" stroke="{colour}" stroke-width="3"/>')
        out.append(
            f'<circle cx="{x(p.force_n):.1f}" cy="{y}" r="5" fill="{fill}" stroke="{colour}" stroke-width="2.5"/>'
        )
        words = p.choice.words() + (f" · {_MARKS[p.holds]}" if p.holds != "linear" else "")
        out.append(f'<text class="halo" x="{left}" y="{y - 9}">{paper.esc(words)}</text>')
    label = f"{len(f.choices)} choices around {newtons(f.wanted_n)} N; the table below carries the same figures."
    return f'<svg viewBox="0 0 {width} {height}" role="img" aria-label="{paper.esc(label)}">{"".join(out)}</svg>'


def _curve_figure(f: Feel) -> str:
    caption = "Force over deflection at the central values; the hatched band (nine cases in ten) may leave at the top."
    return paper.both(lambda width: _curve(f, width), caption)


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
    frame = paper.Frame(width, 320 if width > 500 else 280, f.curve_mm[-1], 0.0, top)
    out = [frame.axes(_nice(f.curve_mm[-1], 8), _nice(top, 6), "deflection, mm", "N")]
    xs = f.curve_mm
    out.append(
        frame.inside(paper.area(frame, xs, low, high, frame.hatch(), 0.8) + paper.line(frame, xs, middle, paper.MOSS))
    )
    first = f.choices[0]
    x, y = frame.x(f.deflection_mm), frame.y(first.force_n)
    ring = f'fill="{paper.PAPER}" stroke="{paper.PLUM}" stroke-width="2"'
    out.append(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="4.5" {ring}/>')
    words = f"{newtons(first.force_n)} N"
    out.append(f'<text class="halo" x="{x - 8:.1f}" y="{y - 9:.1f}" text-anchor="end">{words}</text>')
    for name, value in (("wanted", f.wanted_n), ("measured", f.measured_n)):
        if value is not None:
            at = frame.y(value)
            out.append(f'<path d="M{x - 9:.1f} {at:.1f}h18" stroke="{paper.PLUM}" stroke-width="3"/>')
            if abs(at - y) > 24:
                out.append(
                    f'<text class="halo" x="{x - 12:.1f}" y="{at + 4:.1f}" text-anchor="end">{name} {value:g} N</text>'
                )
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
        out.append(f'<path d="M{x(v):.1f} {top - 8}V{base}" stroke="{paper.INK}" {wide}/>')
        out.append(f'<text x="{x(v):.1f}" y="{base + 18}" text-anchor="middle">×{v:g}</text>')
    for i, c in enumerate(rows):
        y = top + row * i + 8
        short = "laser-sintered" if c.material.startswith("laser") else c.condition.split(";")[0]
        out.append(f'<text x="0" y="{y + 4}">{paper.esc(f"{c.shore_a:g}A {short}")}</text>')
        out.append(f'<path d="M{x(1):.1f} {y}H{x(c.ratio):.1f}" stroke="{paper.PLUM}" stroke-width="3"/>')
        out.append(f'<circle cx="{x(c.ratio):.1f}" cy="{y}" r="4.5" fill="{paper.PLUM}"/>')
        out.append(f'<text x="{width}" y="{y + 4}" text-anchor="end">×{c.ratio:.2f}</text>')
    label = "Model over published modulus: " + ", ".join(f"{c.shore_a:g}A ×{c.ratio:.2f}" for c in rows)
    return f'<svg viewBox="0 0 {width} {height}" role="img" aria-label="{paper.esc(label)}">{"".join(out)}</svg>'
