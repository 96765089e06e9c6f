"""Drawings as SVG text: the band of chances, the strip and the contact sheet (the feed path is in `feed_path.py`).

Plots that must fit any width are drawn in a stretched view box without text; their labels are HTML, placed in percent.
Colour never speaks alone: every state also has its own hatch and its own word. Everything from a file is a number here.
"""

import math
from typing import Any

import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray

from pliant.colours import INK, MOSS, OCHRE, PAPER, PLUM
from pliant.records.trace import Bins, SheetLayer, Strip
from pliant.report.words import NARROW_FILL, NBSP, ROOM_FILL, clock, number

__all__ = ["HATCHES", "nice_ticks", "sheet_drawing", "strip_drawing", "strip_numbers", "top_of_chart"]

WIDTH, HEIGHT = 1000, 400  # of the strip's view box
_MOST_POINTS = 12_000  # of one layer's ink; a thumbnail shows no more
_STATIC_BINS = 1024
_THIN, _CUT = 3.0, 14.0  # least height of a bar, and of one that goes beyond the chart, in the view box

# one hatch for each state, used by every drawing of the page
HATCHES = Markup(
    '<svg class="defs" width="0" height="0" aria-hidden="true" focusable="false"><defs>'
    '<pattern id="h-room" width="6" height="6" patternUnits="userSpaceOnUse">'
    f'<rect width="6" height="6" fill="{MOSS}"/></pattern>'
    '<pattern id="h-narrow" width="7" height="7" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">'
    f'<rect width="7" height="7" fill="{OCHRE}"/><rect width="1.6" height="7" fill="{INK}"/></pattern>'
    '<pattern id="h-over" width="6" height="6" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">'
    f'<rect width="6" height="6" fill="{PLUM}"/><rect width="1.4" height="6" fill="{PAPER}"/>'
    f'<rect width="6" height="1.4" fill="{PAPER}"/></pattern>'
    "</defs></svg>"
)


def nice_ticks(top: float, most: int = 5) -> list[float]:
    """Round values from 0 to at most `top`."""
    if not top > 0 or not math.isfinite(top):
        return [0.0]
    raw = top / most
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(m * power for m in (1, 2, 5, 10) if m * power >= raw * 0.999)
    return [step * k for k in range(int(top / step + 1e-9) + 1)]


def time_ticks(start_s: float, end_s: float, most: int = 5) -> list[float]:
    """Round times inside a stretch of the job. [s]"""
    steps = (0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14400, 28800, 86400, 604800)
    raw = max(end_s - start_s, 1e-9) / most
    step = next((s for s in steps if s >= raw), raw)
    return [step * k for k in range(math.ceil(start_s / step), int(end_s / step + 1e-9) + 1)]


def top_of_chart(strip: Strip) -> float:
    """Upper end of the push axis: shows the capacity, and cuts peaks that are far beyond it."""
    peak, capacity = float(strip.levels[0].high.max()), strip.capacity
    if not math.isfinite(peak) or peak > 3 * capacity:
        return 3 * capacity if math.isfinite(capacity) else 1.0
    return max(1.12 * peak, min(1.12 * capacity, 5 * peak)) or 1.0


def strip_drawing(strip: Strip, top: float | None = None) -> dict[str, Any]:
    """The strip over the whole job, as paths and labels for the template; on an axis up to `top`, else its own."""
    top, total = top_of_chart(strip) if top is None else top, max(strip.total_s, 1e-9)
    finest = strip.levels[0]
    starts = np.flatnonzero(np.diff(finest.layer, prepend=finest.layer[0] - 1))
    bands = [
        (int(finest.layer[i]), float(finest.edge_s[i]), float(finest.edge_s[j]))
        for i, j in zip(starts, [*starts[1:], finest.low.size], strict=True)
    ]
    at = HEIGHT * (1 - strip.capacity / top)
    return {
        "paths": _bars(strip.level(_STATIC_BINS), strip.capacity, top, total),
        "line": f"M0 {at:.1f}H{WIDTH}" if at >= 0 else "",
        "capacity_at": at / HEIGHT * 100 if at >= 0 else None,
        "doubt": _doubt(strip, top),
        "carries": _carries(strip),
        "known": math.isfinite(strip.capacity),
        "cut": float(finest.high.max()) > top,
        "x_ticks": [(100 * t / total, clock(t)) for t in time_ticks(0, strip.total_s)],
        "y_ticks": [(100 * (1 - v / top), f"{v:g}") for v in nice_ticks(top)],
        "layers": _layer_lane(bands, total),
    }


def _doubt(strip: Strip, top: float) -> str:
    """The band of what can be carried, nine times in ten, cut off at the top of the chart."""
    if strip.between is None or strip.between[0] >= top:
        return ""
    upper, lower = (HEIGHT * (1 - min(v / top, 1)) for v in (strip.between[1], strip.between[0]))
    return f"M0 {upper:.1f}H{WIDTH}V{lower:.1f}H0z"


def _carries(strip: Strip) -> str:
    """What can be carried in words: a range where the doubt is known."""
    if strip.between is None:
        return f"can carry {number(strip.capacity)}{NBSP}{strip.unit}"
    low, high = (number(v) for v in strip.between)
    return f"can carry {low} to {high}{NBSP}{strip.unit}, nine times in ten"


def strip_numbers(strip: Strip, words: dict[str, str]) -> dict[str, Any]:
    """The finest level as plain lists for the page's script; infinite as null."""
    bins = strip.levels[0]
    return {
        "total": strip.total_s,
        "unit": strip.unit,
        "top": top_of_chart(strip),
        "room": ROOM_FILL,
        "narrow": NARROW_FILL,
        "mechanism": strip.mechanisms.index(strip.mechanism) if strip.mechanism in strip.mechanisms else -1,
        "words": [words.get(name, name) for name in strip.mechanisms],
        "capacity": strip.capacity if math.isfinite(strip.capacity) else None,
        "low": _short(bins.low, 4),
        "high": _short(bins.high, 4),
        "fill": _short(1 / np.maximum(bins.margin, 1e-9), 4),
        "gives": bins.gives.tolist(),
        "line": bins.line.tolist(),
        "layer": bins.layer.tolist(),
        "x": [round(v, 1) for v in bins.at_mm[:, 0].tolist()],
        "y": [round(v, 1) for v in bins.at_mm[:, 1].tolist()],
    }


def sheet_drawing(sheet: SheetLayer) -> dict[str, Any]:
    """One layer of the contact sheet: path data and a view box that all layers of the sheet share."""
    x0, y0, x1, y1 = sheet.bounds_mm
    span = max(x1 - x0, y1 - y0, 1.0)
    scale, edge = 1000 / span, 40
    offset = np.array([-x0 * scale + edge, y1 * scale + edge])

    def place(xy: Any) -> NDArray[np.float64]:
        return np.asarray(xy, dtype=float).reshape(-1, 2) * [scale, -scale] + offset

    # a wide part makes a wide picture, but never one that is too flat to hit with a finger
    width, height = (x1 - x0) * scale + 2 * edge, max((y1 - y0) * scale + 2 * edge, 240)
    worst = None if sheet.worst_mm is None else place(sheet.worst_mm)[0].round(1).tolist()
    return {
        "view": f"0 0 {width:.0f} {height:.0f}",
        "beads": _polyline(place(sheet.beads)),
        "widths": [(round(width * scale, 1), _polyline(place(pieces))) for width, pieces in sheet.widths],
        "covered": _polyline(place(sheet.covered)),
        "open": _polyline(place(sheet.open)),
        "hidden": _polyline(place(sheet.hidden)),
        "worst": worst,
        "scale": scale,
        "offset": offset.tolist(),
    }


def _short(values: NDArray[np.float64], digits: int) -> list[float | None]:
    return [float(f"{v:.{digits}g}") if math.isfinite(v) else None for v in values.tolist()]


def _bars(bins: Bins, capacity: float, top: float, total: float) -> dict[str, str]:
    """Bars from the least to the largest demand of each bin, by state; what is above the capacity apart."""
    parts: dict[str, list[str]] = {"under": [], "beyond": [], "room": [], "narrow": [], "over": []}
    x = (WIDTH * bins.edge_s / total).tolist()
    low = (HEIGHT * (1 - np.minimum(bins.low / top, 1))).tolist()
    high = (HEIGHT * (1 - np.minimum(bins.high / top, 1))).tolist()
    line = HEIGHT * (1 - min(capacity / top, 1))
    fill = (1 / np.maximum(bins.margin, 1e-9)).tolist()
    for i, cut in enumerate((bins.high > top).tolist()):
        upper = high[i]
        bottom = max(low[i], upper + (_CUT if cut else _THIN))
        if bottom < line:
            parts["beyond"].append(_box(x[i], x[i + 1], bottom, line))
        if bottom < HEIGHT:
            parts["under"].append(_box(x[i], x[i + 1], max(bottom, line), HEIGHT))
        if fill[i] > NARROW_FILL:
            # over by another mechanism than the one whose line is drawn: the whole bar says so
            end = min(bottom, line) if upper < line else bottom
            parts["over"].append(_box(x[i], x[i + 1], upper, end))
            upper = end
        if bottom > upper:
            parts["room" if fill[i] <= ROOM_FILL else "narrow"].append(_box(x[i], x[i + 1], upper, bottom))
    return {name: "".join(found) for name, found in parts.items()}


def _box(x0: float, x1: float, y0: float, y1: float) -> str:
    return f"M{x0:.1f} {y0:.1f}H{x1:.1f}V{y1:.1f}H{x0:.1f}z"


def _layer_lane(bands: list[tuple[int, float, float]], total: float) -> list[dict[str, Any]]:
    """Layers along the time axis; in a tall job, joined so that none is too thin to see."""
    if not bands:
        return []
    every = 1 if len(bands) <= 24 else math.ceil(len(bands) / 12)
    lane = []
    for k in range(0, len(bands), every):
        group = bands[k : k + every]
        first, last = group[0][0], group[-1][0]
        left, right = 100 * group[0][1] / total, 100 * group[-1][2] / total
        name = "" if first < 0 else str(first + 1) if first == last else f"{first + 1}–{last + 1}"
        lane.append(
            {"left": left, "width": right - left, "name": name if right - left > 4 else "", "odd": k // every % 2}
        )
    return lane


def _polyline(points: NDArray[np.float64]) -> str:
    """Path data of segments given as pairs of points, joined where they meet and thinned to what ink can show."""
    if points.size == 0:
        return ""
    grid = np.rint(points).astype(np.int64)
    first, last = grid[0::2], grid[1::2]
    new = np.concatenate([[True], np.any(first[1:] != last[:-1], axis=1)])
    coarse = 1
    while True:
        out: list[str] = []
        count = 0
        x = y = 0
        for k in range(first.shape[0]):
            ax, ay = int(first[k, 0]), int(first[k, 1])
            bx, by = int(last[k, 0]), int(last[k, 1])
            if new[k]:
                out.append(f"M{ax} {ay}l")
                x, y = ax, ay
                count += 1
            ends = k + 1 == first.shape[0] or new[k + 1]
            if ends or abs(bx - x) + abs(by - y) > 3 * coarse:
                out.append(f"{bx - x} {by - y} ")
                x, y = bx, by
                count += 1
        if count <= _MOST_POINTS or coarse > 64:
            return "".join(out)
        coarse *= 2
