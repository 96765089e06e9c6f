"""A coupon as the one-page sheet that lies beside the machine.

The sheet says how to run the piece, what to look at and what to write down; it shows where the steps are and what was
predicted before anybody printed it.
"""

# ruff: noqa: E501 (sentences stay whole)
import math

from pliant.colours import INK, OCHRE, PAPER, PLUM
from pliant.records.coupon import Coupon
from pliant.report.check import minutes
from pliant.report.coupon import expected_words, mass_words, setting_words
from pliant.report.frame import frame_of
from pliant.report.plot import both
from pliant.report.sections import Report, compose
from pliant.say import percent

__all__ = ["coupon_page"]

_PURPOSE = {
    "ladder": "One continuous wall. The flow rises step by step until the feed path gives; the wall is set in a little at "
    "every step, so the terraces can be counted from the bed up.",
    "stop-start": "The feed stops at a known place while the nozzle keeps its pace, and starts again further on. The bead "
    "thins out behind the stop and fills up after the start.",
    "gap-steps": "Strips of first layer at one flow, each laid closer to the bed than the last, until the nozzle's face dams "
    "the melt.",
    "threads": "Pairs of posts. Before each crossing the nozzle waits on its post; what still leaves it is drawn into a "
    "thread, or breaks.",
    "free-run": "Measured lengths of filament, fed into the air at rising flows, with a pause before each to set a mark.",
    "temperature-ladder": "One continuous wall. The flow rises to its test value, then the nozzle cools step by step within "
    "the maker's range; the wall is set in a little at every step.",
}
_JAM = (
    "At the first failure press stop. Let the nozzle stay hot, release the drive, pull the filament back out, cut off the "
    "crushed or bent part, feed again by hand until it runs clean.",
)
_RUN = {
    "ladder": _JAM,
    "temperature-ladder": _JAM,
    "gap-steps": ("Level the bed and set its zero as for any first layer, before you start.", *_JAM),
    "stop-start": ("Set the bed's zero with care: the piece is a single layer.", *_JAM),
    "threads": ("Do not touch the threads before they are counted.", *_JAM),
    "free-run": (
        "The nozzle stands high; let the strand fall on a sheet of paper. Before each step is a pause of 20 s: measure, and set "
        "a new mark on the filament 100 mm above the drive's inlet with a pen. A step that you were too late for is not sure.",
        *_JAM,
    ),
}
_REACHES = ("ladder", "temperature-ladder", "gap-steps", "free-run")
_LOOK = {
    "ladder": "A step has failed when the drive clicks or grinds, the filament bows out, or the wall turns thin or ragged.",
    "temperature-ladder": "A step has failed when the drive clicks or grinds, the filament bows out, or the wall turns thin "
    "or ragged. The slow layers at the start of a terrace are no test.",
    "gap-steps": "A strip has failed when the drive clicks or grinds, the filament bows out, or the strip turns thin or "
    "ragged. A wavy, overfull strip has held.",
    "stop-start": "A tooth on the bead marks the stop. Follow the bead from it, round the bends, to where it is half as wide as "
    "before: that length is the tail. Where it starts again there is no bead to mark: count back from the second tooth by the "
    "length given for the row. From there to where the bead has half its full width again: that is the lead.",
    "threads": "Count, for each row, the crossings that left a thread from post to post. A broken thread is none.",
    "free-run": "Measure how far your mark came down. A step has failed when the drive clicks or grinds, or the filament bows.",
}
_WRITE = {
    "ladder": "For each step: held, failed, or not sure; leave those empty that were never reached.",
    "temperature-ladder": "For each step: held, failed, or not sure; leave those empty that were never reached.",
    "gap-steps": "For each strip: held, failed, or not sure; leave those empty that were never reached.",
    "stop-start": "For each row: tail and lead in millimetres, along the path; or not sure. Or take a picture: the next page "
    "has the frame for it.",
    "threads": "For each row: the number of threads; or not sure.",
    "free-run": "For each step: the length moved in millimetres, and held, failed or not sure.",
}
_MASS = (
    "Weigh everything that came out, the line beside the piece included, if a scale to a tenth of a gram is at hand."
)
_WEIGHABLE_G = 0.5  # [g] a scale to a tenth of a gram says little of a lighter piece


def coupon_page(coupon: Coupon, then: str) -> Report:
    """Compose the sheet, one page of A4 and with a stop-start piece a second one, its frame; `then` says where the readings are written down."""
    stay = ": the piece is made to reach the limit." if coupon.kind in _REACHES else "; it should stay under the limit."
    return compose(
        "coupon.html",
        f"{coupon.title}: {coupon.filament}",
        verb="coupon",
        facts=(("Piece", coupon.kind.replace("-", " ")), ("Machine", coupon.machine), ("Filament", coupon.filament)),
        styles=("page.css", "paper.css", "coupon.css"),
        c=coupon,
        purpose=_PURPOSE[coupon.kind],
        takes=f"It takes about {minutes(coupon.time_s)} and {mass_words(coupon)}.",
        rows=[_row(coupon, k) for k in range(len(coupon.steps))],
        drawn=both(lambda _: _drawing(coupon)),
        frame=frame_of(coupon) if coupon.kind == "stop-start" else None,
        caption=_caption(coupon),
        run=(
            f"Stay beside it from start to end{stay}",
            f"Check that nothing stands on the bed and that the spool turns freely; the piece {coupon.place}.",
            *_RUN[coupon.kind],
        ),
        look=_LOOK[coupon.kind],
        write=[_WRITE[coupon.kind], *([_MASS] if coupon.mass_g >= _WEIGHABLE_G else []), then],
    )


def _row(coupon: Coupon, k: int) -> dict[str, str]:
    """One step: what it sets, and what was predicted."""
    setting = setting_words(coupon.kind, coupon.steps[k]) + (f"; {coupon.hints[k]}" if coupon.hints else "")
    cast = coupon.forecast[k]
    return {"setting": setting, "failing": percent(cast.failing), "expected": expected_words(coupon, k, cast)}


def _drawing(coupon: Coupon) -> str:
    if not coupon.outline_mm:
        return _free_run_drawing(coupon)
    xs = [x for stroke in coupon.outline_mm for x, _ in stroke]
    ys = [y for stroke in coupon.outline_mm for _, y in stroke]
    x0, x1, y0, y1 = min(xs), max(xs), min(ys), max(ys)
    scale = 320 / max(x1 - x0, y1 - y0, 1.0)
    width, height = 20 + scale * (x1 - x0) + 30, 20 + scale * (y1 - y0) + 34

    def at(x: float, y: float) -> tuple[float, float]:
        return 10 + scale * (x - x0), height - 34 + scale * (y0 - y)

    out = []
    thin = 0.5 if "ladder" in coupon.kind else 1.2
    for stroke in coupon.outline_mm:
        points = " ".join("{:.1f},{:.1f}".format(*at(x, y)) for x, y in stroke)
        out.append(f'<polyline points="{points}" fill="none" stroke="{INK}" stroke-width="{thin:g}"/>')
    for stroke in coupon.unfed_mm:
        points = " ".join("{:.1f},{:.1f}".format(*at(x, y)) for x, y in stroke)
        out.append(f'<polyline points="{points}" fill="none" stroke="{INK}" stroke-dasharray="1.5 4"/>')
    if coupon.kind == "stop-start":
        for k in range(0, len(coupon.marks_mm), 2):
            for word, place in zip(("stop", "start"), coupon.marks_mm[k : k + 2], strict=False):
                x, y = at(*place)
                out.append(f'<path d="M{x:.1f} {y - 5:.1f}v10" stroke="{PLUM}" stroke-width="2.5"/>')
                # named on the side where the bead is: before a stop, after a start; else on the other
                before = (word == "stop") == (coupon.marks_mm[k + 1][1] == coupon.marks_mm[k][1] or x < width / 2)
                before = x > 60 and (before or x > width - 60)
                out.append(
                    f'<text class="halo" x="{x - 6 if before else x + 6:.1f}" y="{y + 4:.1f}" '
                    f'text-anchor="{"end" if before else "start"}">{word} {k // 2 + 1}</text>'
                )
    elif "ladder" in coupon.kind:
        return _svg(width, height + 130, "".join(out) + _terraces(coupon, width, height))
    else:
        for k, place in enumerate(coupon.marks_mm):
            x, y = at(*place)
            out.append(f'<text class="halo" x="{x - 9:.1f}" y="{y + 4:.1f}">{k + 1}</text>')
    length = 10 * math.ceil((x1 - x0) / 40)
    base = height - 14
    out.append(f'<path d="M10 {base:.1f}h{scale * length:.1f}" stroke="{INK}" stroke-width="2"/>')
    out.append(f'<text x="{14 + scale * length:.1f}" y="{base + 4:.1f}">{length:g} mm</text>')
    return _svg(width, height, "".join(out))


def _caption(coupon: Coupon) -> str:
    if not coupon.outline_mm:
        return "Where to set the mark, and what to measure."
    if "ladder" in coupon.kind:
        return "Seen from above (every terrace), and cut through one side: the steps as terraces, the first one lowest."
    return "Seen from above, with the numbers of the steps."


def _svg(width: float, height: float, drawing: str) -> str:
    return f'<svg viewBox="0 0 {width:.0f} {height:.0f}" role="img" aria-label="Drawing of the piece">{drawing}</svg>'


def _terraces(coupon: Coupon, width: float, top: float) -> str:
    """The wall cut through, not to scale: one terrace a step, filled as far as it is likely to fail."""
    count = len(coupon.steps)
    high = 118 / count
    out = []
    for k, cast in enumerate(coupon.forecast):
        x, y = 40 + 7 * k, top + 118 - (k + 1) * high
        out.append(
            f'<rect x="{x:.1f}" y="{y:.1f}" width="60" height="{high:.1f}" fill="{PAPER}" stroke="{INK}"/>'
            f'<rect x="{x:.1f}" y="{y:.1f}" width="{60 * cast.failing:.1f}" height="{high:.1f}" fill="{OCHRE}" '
            f'opacity=".55"/><text x="22" y="{y + high - 1:.1f}" text-anchor="end" class="tiny">{k + 1}</text>'
            f'<text x="{x + 66:.1f}" y="{y + high - 1:.1f}" class="tiny">{percent(cast.failing)}</text>'
        )
    return "".join(out)


def _free_run_drawing(coupon: Coupon) -> str:
    """The filament above the drive, the mark and the length to measure."""
    asked = coupon.steps[0].asked_mm
    drawing = (
        f'<path d="M150 10V160" stroke="{INK}" stroke-width="7" stroke-linecap="round" opacity=".35"/>'
        f'<circle cx="128" cy="185" r="20" fill="none" stroke="{INK}" stroke-width="2"/>'
        f'<circle cx="172" cy="185" r="20" fill="none" stroke="{INK}" stroke-width="2"/>'
        f'<path d="M150 160V290" stroke="{INK}" stroke-width="7" opacity=".35"/>'
        f'<path d="M138 205h24v60h-24z" fill="none" stroke="{INK}" stroke-width="2"/>'
        f'<path d="M140 265l10 18 10-18" fill="none" stroke="{INK}" stroke-width="2"/>'
        f'<path d="M143 40h14M143 120h14" stroke="{PLUM}" stroke-width="3"/>'
        f'<path d="M190 40V120M184 40h12M184 120h12" stroke="{PLUM}" stroke-width="1.5"/>'
        f'<text x="202" y="76">moved</text><text x="202" y="94">({asked:g} mm asked)</text>'
        f'<text x="20" y="44">mark, before</text><text x="20" y="124">mark, after</text><text x="20" y="190">drive</text>'
        f'<text x="20" y="240">hot end</text><path d="M150 283q4 20-6 34t4 26" fill="none" stroke="{INK}" stroke-width="3"/>'
    )
    return _svg(330, 350, drawing)
