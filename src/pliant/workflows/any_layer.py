"""Any layer of a job, drawn when it is asked for: all are laid down once, in order, and one is cut out of them."""

from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pliant.errors import PliantError
from pliant.job.job import Job
from pliant.job.laying import STRING_MM
from pliant.program.coverage import chords_of
from pliant.records.program import BEAD, TRAVEL
from pliant.records.trace import SheetLayer

__all__ = ["keep_layers", "one_layer"]

_PARTS = ("beads", "covered", "open", "hidden")


def keep_layers(job: Job, place: Path) -> None:
    """Write the segments of every layer of a job beside one another; linear in its moves.

    Parameters
    ----------
    job : Job
        As it was judged.
    place : Path
        A folder: for each kind of line a file of its segments `(n, 4)` [mm] in the order of the layers, and one of
        where each layer begins.
    """
    program, laying = job.program, job.laying
    layer, coverage, sight = laying.layering.layer, laying.coverage, laying.sight
    many = laying.layering.top_mm.size
    kept: dict[str, NDArray[Any]] = {"top_mm": laying.layering.top_mm}
    for name, kind in (("beads", BEAD), ("covered", TRAVEL)):
        moves = np.flatnonzero((program.kind == kind) & (layer >= 0))
        segments, of = chords_of(program, moves)
        kept |= _by_layer(name, segments, layer[of], many)
    hangs = coverage.thread_mm()[coverage.thread] > STRING_MM if coverage.thread.size else np.zeros(0, dtype=bool)
    real = hangs[sight.stretch] if hangs.size else np.zeros(sight.stretch.size, dtype=bool)
    for name, which in (("open", sight.shows), ("hidden", ~sight.shows)):
        piece = np.flatnonzero(real & which)
        kept |= _by_layer(name, sight.piece_mm[piece], layer[coverage.move[sight.stretch[piece]]], many)
    beads = kept["beads"].reshape(-1, 2)
    kept["bounds_mm"] = np.concatenate([beads.min(axis=0), beads.max(axis=0)]) if beads.size else np.zeros(4)
    place.mkdir(exist_ok=True)
    for name, values in kept.items():
        np.save(place / f"{name}.npy", values)


def _by_layer(name: str, segments: Any, layer: Any, many: int) -> dict[str, NDArray[Any]]:
    order = np.argsort(layer, kind="stable")  # within a layer in the order of the program
    at = np.searchsorted(np.asarray(layer)[order], np.arange(many + 1))
    return {name: np.asarray(segments, dtype=np.float32).reshape(-1, 4)[order], f"{name}_at": at}


def one_layer(place: Path, k: int) -> SheetLayer:
    """One layer that `keep_layers` wrote.

    Parameters
    ----------
    place : Path
        The folder.
    k : int
        The layer, from 0.

    Returns
    -------
    SheetLayer
        Its lines, on the bounds of the whole job; without figures, which are those of the strip.

    Raises
    ------
    PliantError
        If there is no such layer.
    """

    def kept(name: str) -> Any:
        return np.load(place / f"{name}.npy", mmap_mode="r")  # of a long job only what is asked for is read

    tops = kept("top_mm")
    if not 0 <= k < tops.size:
        raise PliantError(f"there is no layer {k + 1}; the job has {tops.size}")
    cut = {name: np.array(kept(name)[slice(*kept(f"{name}_at")[k : k + 2])]) for name in _PARTS}
    top, (x0, y0, x1, y1) = float(tops[k]), kept("bounds_mm").tolist()
    return SheetLayer(
        layer=k, top_mm=top, why=(), alike=(), beads=cut["beads"], covered=cut["covered"], open=cut["open"],
        hidden=cut["hidden"], open_mm=0.0, seen_mm=0.0, strings=0, seen_strings=0,
        worst_mm=None, worst_line=None, least_margin=np.inf, bounds_mm=(x0, y0, x1, y1),
    )  # fmt: skip
