"""The process beside the server: it takes one piece of work at a time, tells how far it is, and leaves files behind.

A piece of work is named; its inputs are plain data and paths inside the work folder. What comes of it is written to the
folder of the job: `result.json`, and for a page `body.html`, `rules.css` and `numbers.json`. Nothing else passes.
"""

import json
import math
import os
import threading
import time
import traceback
import warnings
from collections.abc import Callable
from multiprocessing import parent_process
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

from pliant.bench.embed import embed
from pliant.bench.faults import worded
from pliant.errors import PliantError
from pliant.workflows.picture import save_whole

__all__ = ["TASKS", "plain", "run_worker"]

Tell = Callable[[str, float], None]


def plain(value: Any) -> Any:
    """Data that JSON can hold: what a computation left without bound becomes null."""
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, dict):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [plain(v) for v in value]
    return value


def _keep(folder: Path, result: Any, page: str | None = None) -> None:
    data = result if isinstance(result, dict) else result.to_json()
    if page is not None:
        pieces = embed(page)
        save_whole(folder / "body.html", pieces.body)
        save_whole(folder / "rules.css", pieces.rules)
        save_whole(folder / "numbers.json", pieces.numbers or "null")
    save_whole(folder / "result.json", json.dumps(plain(data), allow_nan=False))


def _check(folder: Path, asked: dict[str, Any], tell: Tell) -> None:
    from pliant.report.html import report_html
    from pliant.workflows.book import remember_and_recall
    from pliant.workflows.check import examine
    from pliant.workflows.picture import draw

    machine, filament = _records(folder, asked)
    seen = examine(asked["program"], machine, filament, progress=tell)
    tell("drawing", 0)
    page = report_html(seen.findings, draw(seen))
    tell("writing it into the book", 0)
    past = remember_and_recall(asked["book"], seen.findings, asked["program"], machine, filament)
    _keep(folder, seen.findings.to_json() | {"past": past.to_json()}, page)


def _warm(folder: Path, asked: dict[str, Any], tell: Tell) -> None:
    from pliant.workflows.warm import warm

    warm()


def _records(folder: Path, asked: dict[str, Any]) -> tuple[Path, Path]:
    machine, filament = folder / "machine.toml", folder / "filament.toml"
    machine.write_text(asked["machine"], encoding="utf-8")
    filament.write_text(asked["filament"], encoding="utf-8")
    return machine, filament


TASKS: dict[str, Callable[[Path, dict[str, Any], Tell], None]] = {"check": _check, "warm": _warm}


def run_worker(connection: Connection) -> None:
    """Serve one parent until it goes away."""
    threading.Thread(target=_leave_with_parent, daemon=True).start()
    warnings.simplefilter("ignore")
    while True:
        try:
            name, folder, asked, names = connection.recv()
        except (EOFError, OSError):
            return
        last = [0.0, ""]

        def tell(what: str, share: float, last: list = last) -> None:
            now = time.monotonic()
            if what != last[1] or now - last[0] > 0.15:
                last[0], last[1] = now, what
                connection.send(("progress", what, float(share)))

        try:
            TASKS[name](Path(folder), asked, tell)
            told: tuple[str, str, float] = ("done", "", 1.0)
        except PliantError as error:
            told = ("refused", worded(str(error), *names), 0.0)
        except MemoryError:
            told = ("refused", "this computer has too little memory for that file", 0.0)
        except Exception as error:
            traceback.print_exc()
            told = ("fault", f"{type(error).__name__}", 0.0)
        try:
            connection.send(told)
        except (BrokenPipeError, OSError):
            return


def _leave_with_parent() -> None:
    parent = parent_process()
    if parent is not None:
        parent.join()
        os._exit(0)
