"""Work that takes longer than a page may: a few processes, each with one piece of work, that can be stopped.

A process is ended to stop its work, and another begun in its place. Work goes on when its page is left, and what
came of it is kept beside the book, so that its page opens again after the bench was closed. What is answered at once
(`quick`) is only passing.
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
from statistics import median
from typing import Any

from pliant.bench.faults import Fault
from pliant.bench.store import Held, Store, folder_bytes, save_json
from pliant.bench.worker import run_worker
from pliant.records.renamed import todays_names
from pliant.report.sections import Report, report_of

__all__ = ["ENDED", "Work", "WorkLines"]

ENDED = ("done", "refused", "fault", "stopped")
_PASSING = 60  # answers of the quick line that stay to be looked at
_WAITING = 64  # pieces of work that may wait for a process
_PAST = 12  # earlier pieces of work that tell how long the next will take
_SAVED = ("kind", "asked", "names", "about", "state", "error", "made", "took_s", "run")


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
    made: float = field(default_factory=time.time)  # by the clock [s]
    took_s: float = 0.0
    run: str = ""
    passing: bool = False  # nothing of it is kept
    seen: bool = True  # somebody has looked at what came of it
    begun: float | None = None  # when a process took it [s]
    stop: threading.Event = field(default_factory=threading.Event)

    @property
    def ended(self) -> bool:
        """Whether nothing more will come."""
        return self.state in ENDED

    @property
    def made_at(self) -> str:
        """When it was asked for, as the book writes moments."""
        return time.strftime("%Y-%m-%dT%H:%M", time.gmtime(self.made))

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

    def save(self) -> None:
        """Write down what the page needs to open again."""
        if not self.passing:
            with contextlib.suppress(OSError):
                save_json(self.folder / "work.json", {key: getattr(self, key) for key in _SAVED})


def _kept_work(folder: Path, store: Store) -> Work | None:
    """Work of an earlier run, or of another bench on the same book."""
    try:
        data = json.loads((folder / "work.json").read_text(encoding="utf-8"))
        work = Work(folder.name, folder=folder, **{key: data[key] for key in _SAVED})
    except (OSError, ValueError, KeyError, TypeError):
        return None
    work.names = [(place, name) for place, name in work.names]
    if not work.ended and not (work.run != store.run and store.living(work.run)):
        work.state, work.error = "stopped", "the bench was closed while this was at work; nothing of it was kept"
    return work


class WorkLines:
    """Two lines of work: the long one, and one for what a person waits for with a finger on a handle."""

    def __init__(self, store: Store, processes: int = 2):
        self.store = store
        found = [_kept_work(folder, store) for folder in (store.base / "works").iterdir()]
        self.works = {work.uid: work for work in sorted((w for w in found if w is not None), key=lambda w: w.made)}
        self._lines = {"long": queue.Queue(), "quick": queue.Queue()}  # type: dict[str, queue.Queue[Work]]
        self._closing = threading.Event()
        served = ["long"] * processes + ["quick"] * (processes > 0)  # without any, what is begun waits
        self._threads = [threading.Thread(target=self._serve, args=(line,), daemon=True) for line in served]
        for thread in self._threads:
            thread.start()

    def close(self) -> None:
        """End everything."""
        self._closing.set()
        for thread in self._threads:
            thread.join(5)
        for work in self.works.values():
            if not work.ended:
                work.state, work.error = "stopped", "the bench was closed before this was done; nothing of it was kept"
                work.save()

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
            Somebody waits for it; it is only passing.
        """
        waiting = sum(1 for work in self.works.values() if not work.ended)
        if waiting >= _WAITING:
            raise Fault(503, "the bench has its hands full; wait for a piece of work to end, or stop one")
        uid, folder = self.store.work_folder(passing=quick)
        work = Work(uid, kind, folder, asked, names or [], about or {}, run=self.store.run, passing=quick)
        self.works[uid] = work
        work.save()
        passing = [w for w in self.works.values() if w.passing and w.ended]
        for old in passing[: max(0, len(passing) - _PASSING)]:
            self.forget(old)
        self._lines["quick" if quick else "long"].put(work)
        return work

    def find(self, uid: str, kind: str | None = None) -> Work:
        """A piece of work of this run or of an earlier one."""
        found = self.works.get(uid)
        if found is None and len(uid) == 24 and uid.isalnum() and (self.store.base / "works" / uid).is_dir():
            found = _kept_work(self.store.base / "works" / uid, self.store)
            if found is not None and found.ended:
                self.works[uid] = found
        if found is None or (kind is not None and found.kind != kind):
            gone = next((r for r in self.store.removed(1000) if r.get("uid") == uid), None)
            if gone is not None:
                raise Fault(404, f"that was removed on {gone['at'][:10]}, {gone['why']}; the book keeps what it found")
            raise Fault(404, "that work is no longer on the bench; the book keeps what it found")
        return found

    def of_record(self, uid: str) -> Work | None:
        """The work that made a record of the book."""
        for work in reversed(self.works.values()):
            if work.about.get("record") == uid and work.state == "done":
                return work
        return None

    def forget(self, work: Work) -> None:
        """Drop a piece of work whose result has been handed on."""
        self.works.pop(work.uid, None)
        self.store.drop_work(work.folder)

    def stop(self, work: Work) -> None:
        """Stop it, wherever it is."""
        work.stop.set()
        if work.state == "waiting":
            self._end(work, "stopped", "stopped before it began")

    def going(self) -> list[Work]:
        """Work that is not done, and what was done in this run and nobody has looked at."""
        return [w for w in self.works.values() if not w.passing and (not w.ended or not w.seen)]

    def left_s(self, work: Work) -> float | None:
        """About how long a piece of work still takes, by what those before it took for their files. [s]"""
        past = [w for w in self.works.values() if w.kind == work.kind and w.state == "done" and w.took_s > 0][-_PAST:]
        if work.begun is None or not past:
            return None
        size = work.about.get("size_bytes", 0)
        if size and all(w.about.get("size_bytes", 0) for w in past):
            # a part that every file takes, and a part for each byte of it
            least = min(w.took_s for w in past)
            each = median(w.took_s / w.about["size_bytes"] for w in past)
            expected = max(min(least, median(w.took_s for w in past)), each * size)
        else:
            expected = median(w.took_s for w in past)
        left = expected - (time.monotonic() - work.begun)
        return left if left > 0 else None

    def held(self) -> list[Held]:
        """What is kept of work that has ended, for the page that tidies up."""
        return [
            Held(w.uid, w.kind, str(w.about.get("program", w.kind)), folder_bytes(w.folder), w.made)
            for w in list(self.works.values())
            if w.ended and not w.passing
        ]

    def needed(self) -> set[str]:
        """Files and work that something which is not done still needs."""
        going = [w for w in self.works.values() if not w.ended]
        return {w.uid for w in going} | {str(w.about.get("upload")) for w in going}

    def tidy(self, older_than: float | None = None) -> list[Held]:
        """Make room where there is too much, or take away what is older than a moment; gives what went."""
        held = self.store.held(self.held())
        gone = self.store.over(held, self.needed(), older_than)
        bound = f"to stay within {self.store.keep_bytes / 1e9:.2g} GB"
        self.store.remove(gone, bound if older_than is None else "as somebody asked")
        for one in gone:
            self.works.pop(one.uid, None)
        return gone

    async def change(self, work: Work, seen: int, patience_s: float, gone: Callable[[], Any]) -> None:
        """Wait until there is news, the patience ends, or the asker has gone."""
        until = time.monotonic() + patience_s
        while work.version == seen and not work.ended and time.monotonic() < until:
            if await gone():
                return
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
                closed = "the bench was closed before this was done; nothing of it was kept"
                self._end(work, "stopped", "stopped; nothing was kept" if work.stop.is_set() else closed)
                return not (sent or warming)  # a process that was asked nothing serves the next
            try:
                if not sent and not warming:
                    connection.send((work.kind, str(work.folder), work.asked, work.names))
                    sent, work.begun = True, time.monotonic()
                    self._say(work, "working", "beginning", 0.0)
                if not connection.poll(0.05):
                    if process.exitcode is not None:
                        raise EOFError
                    if warming and not work.what:
                        self._say(work, "waiting", "the bench is getting ready", 0.0)
                    continue
                said, text, share = connection.recv()
            except (EOFError, OSError):
                self._end(work, "fault", "the process that did the work ended; this computer may lack memory for it")
                return False
            if warming:
                warming = said not in ENDED
                if warming:  # what is still to be compiled tells how far it is
                    self._say(work, "waiting", text, share)
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
        work.took_s = 0.0 if work.begun is None else round(time.monotonic() - work.begun, 3)
        work.error = error
        if state == "done" and not work.passing:
            with contextlib.suppress(OSError, ValueError):
                kept = json.loads((work.folder / "kept.json").read_text(encoding="utf-8"))
                work.about = work.about | kept
        work.state, work.seen = state, work.passing or state == "stopped"
        work.save()
        work.version += 1
        if state == "done" and not work.passing:
            self.tidy()
