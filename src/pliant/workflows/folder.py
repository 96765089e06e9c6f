"""The programs of a folder, each looked at in a process of its own."""

import os
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path
from typing import Any, TypeVar

from pliant.ahead import compile_ahead
from pliant.errors import PliantError
from pliant.progress import Progress

__all__ = ["programs_in", "side_by_side"]

_ENDINGS = {".gcode", ".gco", ".g", ".nc", ".ngc", ".tap"}  # common practice, no source
Found = TypeVar("Found")


def programs_in(folder: str | Path) -> list[str]:
    """Programs of a folder, told by their ending, in order of their names; refused where there is none."""
    place = Path(folder)
    if not place.is_dir():
        raise PliantError(f"{place}: is no folder; give the folder that holds the programs")
    paths = sorted(str(p) for p in place.iterdir() if p.suffix.lower() in _ENDINGS and p.is_file())
    if not paths:
        raise PliantError(f"{place}: no programs; looked for {', '.join(sorted(_ENDINGS))}")
    return paths


def side_by_side(
    look: Callable[..., Found], paths: list[str], *more: Any, workers: int | None = None,
    progress: Progress | None = None,
) -> list[Found]:  # fmt: skip
    """What `look(path, *more)` finds for every path, in their order, over any number of processes.

    Parameters
    ----------
    look : callable
        A function of a module; what goes in and comes out can be pickled.
    paths : list of str
        Of the programs.
    *more
        The same for all of them.
    workers : int, optional
        Processes; as many as there are cores when left out.
    progress : callable, optional
        Told the share of programs that are done.

    Returns
    -------
    list
    """
    compile_ahead(progress)  # once, and not in every process
    workers = max(1, min(len(paths), workers or os.cpu_count() or 1))
    done = []
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        for k, found in enumerate(pool.map(look, paths, *([one] * len(paths) for one in more)), 1):
            done.append(found)
            if progress is not None:
                progress("checking", k / len(paths))
    return done
