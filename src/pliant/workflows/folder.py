"""The programs of a folder, each looked at on its own: in processes of this computer, or on a cluster."""

import os
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from multiprocessing import get_context
from pathlib import Path
from typing import Any, Protocol, TypeVar

from pliant.ahead import compile_ahead
from pliant.errors import PliantError
from pliant.progress import Progress
from pliant.workflows.cluster import on_cluster

__all__ = ["Done", "programs_in", "side_by_side"]

_ENDINGS = {".gcode", ".gco", ".g", ".nc", ".ngc", ".tap"}  # common practice, no source
_DEATHS = 3  # of processes, one after another with nothing finished between: it is the work that kills them
Found = TypeVar("Found")


class Done(Protocol):
    """What was found before, so that a work that was stopped goes on."""

    def get(self, path: str) -> Any | None:
        """What was found of a program; None where nothing is known."""

    def add(self, path: str, found: Any) -> None:
        """Keep what was found of a program."""


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
    look: Callable[..., Found], paths: list[str], *more: Any, workers: int | None = None, on: str | None = None,
    done: Done | None = None, progress: Progress | None = None,
) -> list[Found]:  # fmt: skip
    """What `look(path, *more)` finds for every path, in their order, wherever it is worked out.

    Parameters
    ----------
    look : callable
        A function of a module; what goes in and comes out can be pickled.
    paths : list of str
        Of the programs.
    *more
        The same for all of them.
    workers : int, optional
        Processes of this computer; as many as there are cores when left out.
    on : str, optional
        HOST:PORT of a cluster that does it instead.
    done : Done, optional
        Asked before a program is looked at, and told what was found as soon as it is.
    progress : callable, optional
        Told the share of programs that are done, and about how long the rest takes.

    Returns
    -------
    list
        The same for any number of processes and computers.

    Raises
    ------
    PliantError
        If processes die again and again, or the cluster is not there, or lost.
    """
    found = {k: was for k, path in enumerate(paths) if done is not None and (was := done.get(path)) is not None}
    left = {k: path for k, path in enumerate(paths) if k not in found}
    if not left:
        return [found[k] for k in range(len(paths))]
    begun, before = time.monotonic(), len(found)
    if on is None:
        compile_ahead(progress)  # once, and not in every process
        work = _in_processes(look, left, more, workers)
    else:
        work = on_cluster(on, look, left, more)
    for k, value in work:
        found[k] = value
        if done is not None:
            done.add(paths[k], value)
        if progress is not None:
            rest_s = (time.monotonic() - begun) / (len(found) - before) * (len(paths) - len(found))
            progress(f"checking, {_left(rest_s)}", len(found) / len(paths))
    return [found[k] for k in range(len(paths))]


def _left(seconds: float) -> str:
    return "under a minute left" if seconds < 60 else f"about {seconds / 60:.0f} min left"


_shared: list[Any] = []  # in a process that checks: what is the same for all programs comes once


def _share(*more: Any) -> None:
    _shared.extend(more)


def _look(look: Callable[..., Found], path: str) -> Found:
    return look(path, *_shared)


def _submitted(pool: ProcessPoolExecutor, look: Callable[..., Found], left: dict[int, str]) -> dict[Any, int]:
    """Hand out the work; a process that dies while others are started is one that died."""
    try:
        return {pool.submit(_look, look, path): k for k, path in left.items()}
    except OSError as error:
        raise BrokenProcessPool(str(error)) from error


def _in_processes(
    look: Callable[..., Found], left: dict[int, str], more: tuple[Any, ...], workers: int | None
) -> Iterator[tuple[int, Found]]:
    """What is found, as it comes; what a process that died had in work is done again."""
    workers, deaths, left = max(1, min(len(left), workers or os.cpu_count() or 1)), 0, dict(left)
    while left:
        pool = ProcessPoolExecutor(workers, mp_context=get_context("spawn"), initializer=_share, initargs=more)
        processes = pool._processes
        try:
            at = _submitted(pool, look, left)
            for future in as_completed(at):
                found, k, deaths = future.result(), at[future], 0
                del left[k]
                yield k, found
        except BrokenProcessPool:
            # the pool ends those it knew of when one died; it waits for ever for one that was being started just then
            for process in list(processes.values()):
                process.kill()
            deaths += 1
            if deaths >= _DEATHS:
                name = Path(next(iter(left.values()))).name
                raise PliantError(
                    f"the processes that check programs die, now with {len(left)} to go, {name} among the next; "
                    "free memory, or take fewer `workers`"
                ) from None
        finally:
            pool.shutdown(wait=not left, cancel_futures=True)
