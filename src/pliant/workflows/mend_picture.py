"""`mend`, drawn: the same before and after in one file.

Both programs are looked at before the one takes the place of the other; the page is written last, as a whole.
"""

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pliant.errors import PliantError
from pliant.files import Source, require_place, save_whole
from pliant.job.job import Job
from pliant.job.laying import STRING_MM
from pliant.job.widths import widths_of
from pliant.program.sheets import draw_sheets
from pliant.records.filament import Filament, read_filament
from pliant.records.machine import Machine, read_machine
from pliant.records.mended import Mended
from pliant.records.program import BEAD
from pliant.records.trace import LayerPair, Remake, SheetLayer
from pliant.workflows.mend import mend
from pliant.workflows.picture import draw

__all__ = ["mend_with_picture", "mend_with_report"]

_PAIRS = 3
_LARGE_BYTES = 200 << 20  # the layers of larger programs are not drawn: it takes as much memory again
_SAME = 0.3  # [-] layers whose figures differ by less changed alike


def _draw_remake(before: Job, after: Job, *, pairs: int = _PAIRS) -> Remake:
    """Draw a program as it was and as it is.

    Parameters
    ----------
    before, after : Job
        As they were judged.
    pairs : int, default 3
        Layers shown side by side, at most: those whose open travel changed most, then those slowed most. [-]

    Returns
    -------
    Remake
    """
    chosen, alike = _most_changed(before, after, pairs)
    sheets = [
        draw_sheets(
            job.program, laid.layering, laid.coverage, laid.sight, job.load.margin, string_mm=STRING_MM, chosen=chosen
        )
        for job, laid in ((before, before.laying), (after, after.laying))
    ]
    seconds = [_per_layer(job, job.laying.timing.move_s) for job in (before, after)]
    drawn = []
    for plain, mended, others in zip(*sheets, alike, strict=True):
        one, two = (replace(s, widths=widths_of(j, s.layer)) for s, j in ((plain, before), (mended, after)))
        box = (*np.minimum(one.bounds_mm, two.bounds_mm)[:2], *np.maximum(one.bounds_mm, two.bounds_mm)[2:])
        bounds = tuple(float(v) for v in box)
        k = one.layer
        drawn.append(
            LayerPair(_within(one, bounds), _within(two, bounds), float(seconds[0][k]), float(seconds[1][k]), others)
        )
    return Remake(draw(before, layers=0), draw(after, layers=0), tuple(drawn))


def _within(sheet: SheetLayer, bounds: Any) -> SheetLayer:
    return replace(sheet, bounds_mm=bounds)


def _per_layer(job: Job, value: NDArray[np.float64]) -> NDArray[np.float64]:
    layer = job.laying.layering.layer
    inside = layer >= 0
    return np.bincount(layer[inside], value[inside], job.laying.layering.top_mm.size).astype(np.float64)


def _most_changed(before: Job, after: Job, count: int) -> tuple[list[int], list[tuple[int, ...]]]:
    """Layers that changed most, one of each kind, in printing order; and for each the others of its kind."""
    layers = min(job.laying.layering.top_mm.size for job in (before, after))
    if layers == 0:
        return [], []
    air = [_per_layer(job, job.laying.coverage.open_mm)[:layers] for job in (before, after)]
    seconds = [_per_layer(job, job.laying.timing.move_s)[:layers] for job in (before, after)]
    laid = _per_layer(before, np.where(before.program.kind == BEAD, before.program.length_mm, 0.0))[:layers]
    figures = np.log1p(np.column_stack([*air, laid])) / _SAME
    gain = np.abs(air[0] - air[1]) + 1e-3 * np.abs(seconds[1] - seconds[0])
    kinds: list[list[int]] = []
    for k in np.argsort(-gain, kind="stable").tolist():
        kind = next((kind for kind in kinds if np.abs(figures[kind[0]] - figures[k]).max() <= 1), None)
        if kind is not None:
            kind.append(k)
        elif len(kinds) < count and gain[k] > 0:
            kinds.append([k])
    kinds.sort(key=lambda kind: kind[0])
    return [kind[0] for kind in kinds], [tuple(sorted(kind[1:])) for kind in kinds]


def mend_with_picture(
    program: str | Path, machine: Source | Machine, filament: Source | Filament, **asked: Any
) -> tuple[Mended, Remake]:
    """Do what `mend` does, and draw both programs.

    Parameters
    ----------
    program : str or Path
        The motion program.
    machine, filament : str, Path or record
        The user's records.
    **asked
        Everything else that `mend` takes.

    Returns
    -------
    tuple of (Mended, Remake)
    """
    seen: list[Remake] = []

    def look(before: Job, after: Job) -> None:
        if max(before.program.n_bytes, after.program.n_bytes) > _LARGE_BYTES:
            remake = Remake(draw(before, layers=0), draw(after, layers=0), ())
        else:
            remake = _draw_remake(before, after)
        seen.append(replace(remake, after=replace(remake.after, program=Path(program).name)))

    mended = mend(program, machine, filament, look=look, **asked)
    return mended, seen[0]


def mend_with_report(
    program: str | Path,
    machine: Source | Machine,
    filament: Source | Filament,
    page: str | Path,
    **asked: Any,
) -> Mended:
    """Do what `mend` does, and write a self-contained page of before and after.

    Parameters
    ----------
    program : str or Path
        The motion program.
    machine, filament : str, Path or record
        The user's records.
    page : str or Path
        The page; an existing one is replaced in one step, after the program has been written.
    **asked
        Everything else that `mend` takes.

    Returns
    -------
    Mended

    Raises
    ------
    PliantError
        As `mend` does; and if the page cannot be written or would replace one of the files, of which the latter is
        known before anything is written.
    """
    from pliant.report.mend_page import mend_page
    from pliant.report.sections import whole_page

    place = require_place(page, (program, machine, filament, asked.get("output")), "the page")
    machine = machine if isinstance(machine, Machine) else read_machine(machine)
    filament = filament if isinstance(filament, Filament) else read_filament(filament)
    mended, remake = mend_with_picture(program, machine, filament, **asked)
    try:
        save_whole(place, whole_page(mend_page(mended, remake)))
    except PliantError as error:
        raise PliantError(f"{error}; the program itself is mended: {mended.output}") from error
    return mended
