"""Where along a job a jam would come first: one sentence, and a row of bars."""

from collections.abc import Sequence

from markupsafe import Markup

from pliant.colours import INK, PLUM
from pliant.records.findings import Findings, LayerShare
from pliant.report.charts import nice_ticks
from pliant.report.plot import Frame, both
from pliant.report.words import chance_in_words, ranges

__all__ = ["layer_drawing", "layer_words"]

_WORTH = 0.1  # [-] of the jams: a first layer with less is not told apart
_HALF = 0.5  # [-] of what the first layer leaves: the shortest run of layers that holds as much is told


def layer_words(findings: Findings) -> str:
    """The most likely layers, each with its odds given that it jams; nothing where nothing can jam."""
    rows = findings.jam_by_layer
    total = sum(row.share for row in rows)
    if len(rows) < 2 or not total > 0:
        return ""
    told = []
    first, rest = rows[0], rows[1:]
    if first.share >= _WORTH * total:
        told.append(([first], first.share / total))
    left = sum(row.share for row in rest)
    if left >= _WORTH * total:
        some = _shortest(rest, _HALF * left)
        told.append((some, sum(row.share for row in some) / total))
    told.sort(key=lambda one: -one[1])
    return "if it gives, most likely in " + " or in ".join(
        f"{_layers(some)} ({chance_in_words(min(share, 1.0)).removeprefix('about ')})" for some, share in told
    )


def layer_drawing(rows: Sequence[LayerShare]) -> tuple[Markup, Markup] | None:
    """Chance of a jam by layer as bars, at both widths; none where there is one layer, or nothing can jam."""
    most = max((row.share / _count(row) for row in rows), default=0.0)
    if len(rows) < 2 or not most > 0:
        return None
    last = rows[-1].layers[1] + 1

    def draw(width: int) -> str:
        frame = Frame(width, 200, last + 0.5, 0.0, 105 * most, x_low=0.5)
        ticks = [t for t in nice_ticks(last, 10 if width > 500 else 5) if 1 < t <= last and t == int(t)]
        out = frame.axes([1, *ticks], nice_ticks(100 * most, 3), "layer", "% of jobs jam here first")
        for row in rows:
            low, high = frame.x(row.layers[0] + 0.5), frame.x(row.layers[1] + 1.5)
            top, foot = frame.y(100 * row.share / _count(row)), frame.y(0.0)
            gap = 0.15 * (high - low)
            out += (
                f'<rect x="{low + gap:.1f}" y="{top:.1f}" width="{max(high - low - 2 * gap, 0.4):.1f}" '
                f'height="{max(foot - top, 0.3):.1f}" fill="{PLUM}" stroke="{INK}" stroke-width="0.4"/>'
            )
        return frame.svg("Chance of a jam by layer, from the first to the last", out)

    return both(draw)


def _shortest(rows: Sequence[LayerShare], wanted: float) -> list[LayerShare]:
    """The fewest neighbouring rows whose shares sum to what is wanted."""
    best, start, held = list(rows), 0, 0.0
    for end, row in enumerate(rows):
        held += row.share
        while held - rows[start].share >= wanted:
            held -= rows[start].share
            start += 1
        if held >= wanted and end + 1 - start < len(best):
            best = list(rows[start : end + 1])
    return best


def _layers(rows: Sequence[LayerShare]) -> str:
    low, high = rows[0].layers[0] + 1, rows[-1].layers[1] + 1
    return f"layer {low}" if low == high else f"layers {ranges([low, high]) if high == low + 1 else f'{low}–{high}'}"


def _count(row: LayerShare) -> int:
    return row.layers[1] - row.layers[0] + 1
