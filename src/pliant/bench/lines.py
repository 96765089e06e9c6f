"""Work that takes longer than a page may: a few processes, each with one piece of work, that can be stopped.

A process is ended to stop its work, and another begun in its place. Work whose page nobody looks at any more is stopped
too: a page that is open asks about its work all the time.
"""

import asyncio
import contextlib
import json
import multiprocessing
import queue
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

from pliant.bench.faults import Fault
from pliant.bench.store import Store
from pliant.bench.worker import run_worker
from pliant.records.renamed import todays_names
from pliant.report.sections import Report, report_of

__all__ = ["ENDED", "Work", "WorkLines"]

ENDED = ("done", "refused", "fault", "stopped")
_KEEP = 60  # pieces of work that stay to be looked at
_WAITING = 64  # pieces of work that may wait for a process
_LEFT_ALONE_S = 40.0  # nobody has asked about it for so long: the page was closed


@dataclass
class Work:
    """One piece of work."""

    uid: str
    kind: str
    folder: Path
    asked: dict[str, Any]
    names: list[tuple[str, str]]
    about: dict[str, Any]
    state: str = "waiting"  # waiting, working, or one of ENDED
    what: str = ""
    share: float = 0.0
    error: str = ""
    version: int = 0
    looked_at: float = field(default_factory=time.monotonic)
    stop: threading.Event = field(default_factory=threading.Event)

    @property
    def ended(self) -> bool:
        """Whether nothing more will come."""
        return self.state in ENDED

    def result(self) -> dict[str, Any]:
        """What it found."""
        found: dict[str, Any] = todays_names(json.loads((self.folder / "result.json").read_text(encoding="utf-8")))
        return found

    def report(self, name: str = "report") -> Report:
        """What it found, for the eye."""
        return report_of(json.loads((self.folder / f"{name}.json").read_text(encoding="utf-8")))

    def to_json(self) -> dict[str, Any]:
        """How far it is."""
        data = {"id": self.uid, "kind": self.kind, "state": self.state, "doing": self.what, "share": self.share}
        return data | {"version": self.version, "about": self.about} | ({"error": self.error} if self.error else {})


class WorkLines:
    """Two lines of work: the long one, and one for what a person waits for with a finger on a handle."""

    def __init__(self, store: Store, processes: int = 2, left_alone_s: float = _LEFT_ALONE_S):
        self.store, self.left_alone_s = store, left_alone_s
        self.works: dict[str, Work] = {}
        self._lines = {"long": queue.Queue(), "quick": queue.Queue()}  # type: dict[str, queue.Queue[Work]]
        self._closing = threading.Event()
        self._threads = [
            threading.Thread(target=self._serve, args=(line,), daemon=True) for line in ["long"] * processes + ["quick"]
        ]
        for thread in self._threads:
            thread.start()

    def close(self) -> None:
        """End everything."""
        self._closing.set()
        for work in self.works.values():
            work.stop.set()
        for thread in self._threads:
            thread.join(5)

    def begin(
        self, kind: str, asked: dict[str, Any], *, about: dict[str, Any] | None = None,
        names: list[tuple[str, str]] | None = None, quick: bool = False,
    ) -> Work:  # fmt: skip
        """Put a piece of work in line.

        Parameters
        ----------
        kind : str
            A name of `worker.TASKS`.
        asked : dict
            Its inputs, plain data.
        about : dict, optional
            What a page says of it while it runs.
        names : list of (str, str), optional
            Our file names, and what to call them in messages.
        quick : bool
            Somebody waits for it.
        """
        waiting = sum(1 for work in self.works.values() if not work.ended)
        if waiting >= _WAITING:
            raise Fault(503, "the bench has its hands full; wait for a piece of work to end, or stop one")
        uid, folder = self.store.work_folder()
        work = Work(uid, kind, folder, asked, names or [], about or {})
        self.works[uid] = work
        over = [j for j in self.works.values() if j.ended][: max(0, len(self.works) - _KEEP)]
        for old in over:
            del self.works[old.uid]
            self.store.drop_work(old.uid)
        self._lines["quick" if quick else "long"].put(work)
        return work

    def find(self, uid: str, kind: str | None = None) -> Work:
        """A piece of work that is still here."""
        found = self.works.get(uid)
        if found is None or (kind is not None and found.kind != kind):
            raise Fault(404, "that work is no longer on the bench; the book keeps what it found")
        found.looked_at = time.monotonic()
        return found

    def forget(self, work: Work) -> None:
        """Drop a piece of work whose result has been handed on."""
        self.works.pop(work.uid, None)
        self.store.drop_work(work.uid)

    def stop(self, work: Work) -> None:
        """Stop it, wherever it is."""
        work.stop.set()
        if work.state == "waiting":
            self._end(work, "stopped", "stopped before it began")

    async def change(self, work: Work, seen: int, patience_s: float, gone: Callable[[], Any]) -> None:
        """Wait until there is news, the patience ends, or the asker has gone."""
        until = time.monotonic() + patience_s
        while work.version == seen and not work.ended and time.monotonic() < until:
            if await gone():
                return
            work.looked_at = time.monotonic()
            await asyncio.sleep(0.08)

    def _serve(self, line: str) -> None:
        process, connection = self._start(line)
        warming = True
        try:
            while not self._closing.is_set():
                if warming and connection.poll(0):
                    warming = not self._drained(connection)
                try:
                    work = self._lines[line].get(timeout=0.2)
                except queue.Empty:
                    continue
                if work.ended:
                    continue
                if process.exitcode is not None:  # ended while it had nothing to do
                    process, connection = self._start(line, process, connection)
                    warming = True
                if self._work(work, process, connection, warming):
                    warming = False
                elif not self._closing.is_set():
                    process, connection = self._start(line, process, connection)
                    warming = True
        finally:
            with contextlib.suppress(OSError):
                connection.close()
            process.kill()
            process.join(2)

    def _start(self, line: str, old: Any = None, pipe: Connection | None = None) -> tuple[Any, Connection]:
        """Begin a process, in the place of another; it loads and compiles what it needs before it is asked."""
        if old is not None and pipe is not None:
            old.kill()
            old.join(5)
            pipe.close()
        context = multiprocessing.get_context("spawn")
        ours, theirs = context.Pipe()
        process = context.Process(target=run_worker, args=(theirs,), daemon=True)
        process.start()
        theirs.close()
        ours.send(("warm", str(self.store.folder), {"line": line}, []))
        return process, ours

    def _drained(self, connection: Connection) -> bool:
        """Whether the process has ended warming up."""
        with contextlib.suppress(EOFError, OSError):
            return connection.recv()[0] in ENDED
        return True

    def _work(self, work: Work, process: Any, connection: Connection, warming: bool) -> bool:
        """Follow one piece of work to its end; false when the process is of no use any more."""
        sent = False
        while True:
            if work.stop.is_set() or self._closing.is_set():
                self._end(work, "stopped", "stopped; nothing was kept")
                return not (sent or warming)  # a process that was asked nothing serves the next
            if time.monotonic() - work.looked_at > self.left_alone_s:
                self._end(work, "stopped", "stopped, since its page was closed")
                return not (sent or warming)  # a process that was asked nothing serves the next
            try:
                if not sent and not warming:
                    connection.send((work.kind, str(work.folder), work.asked, work.names))
                    sent = True
                    self._say(work, "working", "beginning", 0.0)
                if not connection.poll(0.05):
                    if process.exitcode is not None:
                        raise EOFError
                    if warming:
                        self._say(work, "waiting", "compiling, which happens once", 0.0)
                    continue
                said, text, share = connection.recv()
            except (EOFError, OSError):
                self._end(work, "fault", "the process that did the work ended; this computer may lack memory for it")
                return False
            if warming:
                warming = said not in ENDED
            elif said == "progress":
                self._say(work, "working", text, share)
            elif said == "done":
                self._end(work, "done", "")
                return True
            elif said == "refused":
                self._end(work, "refused", text)
                return True
            else:
                self._end(work, "fault", f"internal fault ({text}); the terminal of the bench says more")
                return True

    def _say(self, work: Work, state: str, what: str, share: float) -> None:
        if (work.state, work.what, work.share) != (state, what, share):
            work.state, work.what, work.share = state, what, share
            work.version += 1

    def _end(self, work: Work, state: str, error: str) -> None:
        work.state, work.error = state, error
        work.version += 1
