"""A program as the book keeps it: what it asks of the feed path, on a page, so that its prints stay evidence.

Prints take hours, and the file of a mended program is gone long before its machine has another hundred prints. So the
book keeps the envelope, and stretches of filament by how far their margin lies above the least, in slices of the job's
time; with the times of its layers and the lines of its slices, a moment told as minute, line or layer finds its place.
Central values of the records it was made with are in it: where the margin is least, not how large it is.
"""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pliant.arrays import Floats
from pliant.errors import PliantError
from pliant.feed.by_layer import stretches_by_row
from pliant.feed.envelope import Envelope
from pliant.feed.passage import BINS
from pliant.feed.witness import Seen
from pliant.job.job import Job

__all__ = ["KeptCourse", "course_from", "kept_course", "seen_from"]

_SLICES = 60  # of the job's time: four minutes of four hours, less than anybody knows of when it jammed
_DIGITS = 5  # kept of each number
_LATE_SHARE = 0.05  # [-] of the job: a moment that somebody read off is no surer; our own guess


@dataclass(frozen=True, eq=False)
class KeptCourse:
    """What a program asks of the feed path, and when."""

    course: Envelope
    time_s: float
    lines: int
    first: Floats  # (slices, bins) stretches of the first layer's beads
    rest: Floats
    line: Floats  # (slices,) of the program, reached at the end of each
    layer_end_s: Floats  # (layers,)

    def to_json(self) -> dict[str, Any]:
        """Plain data, a few digits of each number."""
        c = self.course
        table = {name: _short(getattr(c, name)) for name in _ARRAYS}
        return {
            "time_s": self.time_s, "lines": self.lines, "line": _short(self.line),
            "layer_end_s": _short(self.layer_end_s), "first": _sparse(self.first), "rest": _sparse(self.rest),
            "course": table | {"first_layer": c.first_layer.tolist(), "shape": list(c.flow_mm3_per_s.shape)},
        }  # fmt: skip


_ARRAYS = ("nozzle_c", "width_mm", "gap_mm", "reference_mm3_per_s", "flow_mm3_per_s", "end_s")


def kept_course(job: Job) -> KeptCourse:
    """Boil a job down.

    Parameters
    ----------
    job : Job
        As written.

    Returns
    -------
    KeptCourse
    """
    course, margin, end_s = job.course, job.log_margin, np.cumsum(job.laying.timing.move_s)
    total = max(float(end_s[-1]), 1e-9)
    row = np.minimum((end_s / total * _SLICES).astype(np.int64), _SLICES - 1)
    first = course.first_layer & np.isfinite(course.gap_mm)
    here = (course.filament_mm > 0) & np.isfinite(margin)
    by_part = [stretches_by_row(margin, course.filament_mm, row, _SLICES, here & k) for k in (first, ~first)]
    until = np.searchsorted(end_s, np.linspace(0, total, _SLICES + 1)[1:] * (1 - 1e-12))
    line = np.maximum.accumulate(job.program.line[np.minimum(until, end_s.size - 1)]).astype(float)
    layer, layers = job.laying.layering.layer, job.laying.layering.top_mm.size
    ends = np.zeros(layers)
    np.maximum.at(ends, np.maximum(layer, 0), end_s)
    envelope = job.envelope
    return KeptCourse(envelope, total, int(job.program.line.max()), by_part[0], by_part[1], line, ends)


def course_from(data: dict[str, Any]) -> KeptCourse:
    """Read one back.

    Parameters
    ----------
    data : dict
        As `to_json` gives it.

    Returns
    -------
    KeptCourse

    Raises
    ------
    PliantError
        If it is not one.
    """
    try:
        c = data["course"]
        arrays: dict[str, Any] = {
            name: np.array([np.inf if v is None else v for v in c[name]], dtype=float) for name in _ARRAYS
        }
        arrays["flow_mm3_per_s"] = arrays["flow_mm3_per_s"].reshape(c["shape"])
        course = Envelope(first_layer=np.array(c["first_layer"], dtype=np.bool_), **arrays)
        return KeptCourse(
            course, float(data["time_s"]), int(data["lines"]), _dense(data["first"]), _dense(data["rest"]),
            np.array(data["line"], dtype=float), np.array(data["layer_end_s"], dtype=float),
        )  # fmt: skip
    except (KeyError, TypeError, ValueError, IndexError) as error:
        raise PliantError(
            f"what the book keeps of a program cannot be read ({error}); record the print anew"
        ) from error


def seen_from(
    kept: KeptCourse,
    outcome: str,
    at_time_s: float | None = None,
    at_line: int | None = None,
    at_layer: int | None = None,
    late_s: float | None = 600.0,
    *,
    mark: str = "",
) -> Seen | None:
    """A print as evidence.

    Parameters
    ----------
    kept : KeptCourse
        The program that was printed.
    outcome : str
        `ok`, `jammed`, `stopped` or `not-sure`.
    at_time_s, at_line, at_layer : optional
        Where it went wrong, or was ended; the layer, counted from 1, comes before the line, and that before the time,
        which is seldom looked at when it jams. [s, -, -]
    late_s : float, optional
        How long a jam may have gone unnoticed; None: any time. A layer is read off the part and is not late. [s]
    mark : str
        Of the print.

    Returns
    -------
    Seen or None
        None where nothing can be taken from it.
    """
    window = _window(kept, at_time_s, at_line, at_layer, late_s)
    if outcome == "not-sure" or (outcome == "stopped" and window is None):
        return None
    if outcome == "ok":
        low = high = kept.time_s
    elif outcome == "stopped":  # it fed until then, as far as somebody had looked
        assert window is not None
        low = high = window[0]
    else:
        low, high = window or (0.0, kept.time_s)
    share = (high - low) / kept.time_s
    first, rest = (np.stack([_up_to(part, low / kept.time_s), _up_to(part, high / kept.time_s)]) for part in (
        kept.first, kept.rest))  # fmt: skip
    first[1] -= first[0]
    rest[1] -= rest[0]
    wrong = 0.5 * share if outcome == "jammed" else 0.5
    return Seen(kept.course, first, rest, outcome == "jammed", wrong, mark)


def _window(
    kept: KeptCourse, at_time_s: float | None, at_line: int | None, at_layer: int | None, late_s: float | None
) -> tuple[float, float] | None:
    """Earliest and latest moment that is meant. [s]"""
    doubt = _LATE_SHARE * kept.time_s
    if at_layer is not None:
        # a layer more or less: what stuck to the nozzle, and where one begins to count
        ends = np.concatenate([[0.0], kept.layer_end_s])
        return float(ends[max(at_layer - 2, 0)]), float(ends[min(at_layer + 1, ends.size - 1)])
    if at_line is not None:
        at_time_s = float(np.interp(at_line, kept.line, np.linspace(0, kept.time_s, kept.line.size + 1)[1:]))
    if at_time_s is None:
        return None
    late = kept.time_s if late_s is None else late_s
    return max(at_time_s - late - doubt, 0.0), min(at_time_s + doubt, kept.time_s)


def _up_to(part: Floats, share: float) -> Floats:
    """Stretches in the first share of the job's time, `(bins,)`."""
    place = min(max(share, 0.0), 1.0) * part.shape[0]
    whole = int(place)
    found = part[:whole].sum(axis=0)
    return np.asarray(found + (place - whole) * part[whole] if whole < part.shape[0] else found)


def _short(values: NDArray[Any]) -> list[float | None]:
    return [float(f"{v:.{_DIGITS}g}") if math.isfinite(v) else None for v in np.ravel(values).tolist()]


def _sparse(part: Floats) -> list[list[float]]:
    slices, bins = np.nonzero(part)
    return [
        [int(s), int(b), float(f"{v:.{_DIGITS}g}")]
        for s, b, v in zip(slices, bins, part[slices, bins].tolist(), strict=True)
    ]


def _dense(rows: list[list[float]]) -> Floats:
    part = np.zeros((_SLICES, BINS.size))
    for s, b, v in rows:
        part[int(s), int(b)] = float(v)
    return part
