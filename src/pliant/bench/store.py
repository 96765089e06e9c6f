"""What the bench keeps beside the book: what was sent in, by its content, and what was made of it.

A file sent in lies under a number made from its name and its content, so the same one is kept once; work lies in a
folder of its own with what is needed to show its page again. Both outlive the run. A run has a folder for what is only
passing: files that are still arriving, and answers that are asked for anew each time; a killed run's goes when the next
one starts. Where all of it grows over a bound the oldest makes room, and what went is written down.

A name from outside is only ever the last part of a path, and only after everything but letters, digits and `. _ -` and
the space has been taken out of it. A file appears under its name when it is whole.
"""

import contextlib
import hashlib
import json
import os
import re
import secrets
import shutil
import tempfile
import time
from collections.abc import Container
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, BinaryIO

try:
    import fcntl
except ImportError:  # pragma: no cover - not on this system: folders of earlier runs are then left alone
    fcntl = None  # type: ignore[assignment]

from pliant.bench.faults import Fault
from pliant.book.open_book import is_server
from pliant.files import save_whole

__all__ = ["Held", "Store", "Upload", "folder_bytes", "made_beside", "plain_name", "save_json", "upload_uid"]

_ID = re.compile(r"[0-9a-f]{24}")
KEEP_BYTES = 6 << 30  # [bytes] of all that is kept
_FIELDS = ("program", "mesh", "photo")  # files that are worth keeping; others are read at once
_REMOVED = "removed.jsonl"


def plain_name(name: str, fallback: str = "file") -> str:
    """The last part of a name from outside, of letters, digits, `. _ -` and spaces, at most 80 characters."""
    leaf = re.split(r"[/\\]", name)[-1]
    leaf = re.sub(r"[^\w. -]", "_", leaf).strip(". ")[-80:].strip(". ")
    return leaf or fallback


def upload_uid(field: str, name: str, sha256: str) -> str:
    """The number of a file, by its name and its content."""
    return hashlib.sha256(f"{field}\0{plain_name(name)}\0{sha256}".encode()).hexdigest()[:24]


def made_beside(book: str) -> Path:
    """Where what was made is kept: beside the book's file, or for a book on a server among the user's own."""
    if not is_server(book):
        place = Path(book).expanduser()
        return place.with_name(f"{place.name}.made")
    base = os.environ.get("XDG_DATA_HOME", "")
    folder = (Path(base) if os.path.isabs(base) else Path.home() / ".local" / "share") / "pliant"
    return folder / f"{hashlib.sha256(book.encode()).hexdigest()[:16]}.made"


@dataclass(frozen=True)
class Upload:
    """A file that arrived whole."""

    uid: str
    name: str
    path: Path
    size_bytes: int
    field: str = ""  # of the form that it came with
    at: float = 0.0  # when it came, by the clock of the disk [s]

    @property
    def day(self) -> str:
        """When it came."""
        return _moment(self.at)


@dataclass(frozen=True)
class Held:
    """One thing that is kept, for the page that tidies up."""

    uid: str
    what: str  # a file, or the kind of work
    name: str
    size_bytes: int
    at: float

    @property
    def day(self) -> str:
        """When it was made."""
        return _moment(self.at)


class Store:
    """The folder beside the book, and in it the folder of one run."""

    def __init__(self, base: Path, keep_bytes: int = KEEP_BYTES):
        self.base, self.keep_bytes = base, keep_bytes
        base.mkdir(parents=True, exist_ok=True)
        _sweep(base)
        for name in ("uploads", "works"):
            (base / name).mkdir(exist_ok=True)
        self.folder = Path(tempfile.mkdtemp(prefix="run-", dir=base))
        self._lock = (self.folder / "lock").open("wb")
        if fcntl is not None:
            fcntl.flock(self._lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        for name in ("arriving", "works"):
            (self.folder / name).mkdir()
        found = [u for p in (base / "uploads").glob("*/*/*") if (u := _found(p)) is not None]
        self.uploads = {u.uid: u for u in sorted(found, key=lambda u: u.at)}

    def close(self) -> None:
        """Remove what was only passing."""
        self._lock.close()
        shutil.rmtree(self.folder, ignore_errors=True)
        for name in _FIELDS:
            with contextlib.suppress(OSError):
                (self.base / "uploads" / name).rmdir()
        for folder in (self.base / "uploads", self.base / "works"):
            with contextlib.suppress(OSError):  # a bench that was only looked at leaves nothing
                folder.rmdir()

    def living(self, run: str) -> bool:
        """Whether the run of this name is still there; its work may then be going on."""
        return (self.base / run / "lock").exists()

    @property
    def run(self) -> str:
        """Name of this run."""
        return self.folder.name

    def begin_upload(self) -> tuple[str, BinaryIO]:
        """Open a place for a file that is about to arrive."""
        uid = secrets.token_hex(12)
        (self.folder / "arriving" / uid).mkdir()
        return uid, (self.folder / "arriving" / uid / ".part").open("xb")

    def finish_upload(self, uid: str, name: str, field: str, sha256: str) -> Upload:
        """Give the file its name, now that it is whole; the same one again takes the place of the first."""
        part = self.folder / "arriving" / uid / ".part"
        leaf, kept = plain_name(name, "upload"), field in _FIELDS
        if not kept:
            place = part.with_name(leaf)
            part.rename(place)
            return Upload(uid, leaf, place, place.stat().st_size, field, time.time())
        return self._shelve(part, leaf, field, sha256)

    def _shelve(self, part: Path, leaf: str, field: str, sha256: str) -> Upload:
        uid = upload_uid(field, leaf, sha256)
        place = self.base / "uploads" / field / uid / leaf
        place.parent.mkdir(parents=True, exist_ok=True)
        os.replace(part, place)
        os.utime(place)
        if part.parent.parent == self.folder / "arriving":
            shutil.rmtree(part.parent, ignore_errors=True)
        self.uploads.pop(uid, None)  # the newest stands last
        upload = self.uploads[uid] = Upload(uid, leaf, place, place.stat().st_size, field, time.time())
        return upload

    def adopt(self, made: Path, name: str | None = None) -> Upload:
        """Put a program that the bench has made beside those sent in, so that it can be checked and spoken of."""
        part = self.folder / "arriving" / secrets.token_hex(12) / ".part"
        part.parent.mkdir()
        with made.open("rb") as file:
            sha256 = hashlib.file_digest(file, "sha256").hexdigest()
        try:
            os.link(made, part)
        except OSError:
            shutil.copyfile(made, part)
        return self._shelve(part, plain_name(name or made.name), "program", sha256)

    def programs(self) -> list[Upload]:
        """The programs that are still here, the newest first."""
        return [u for u in reversed(self.uploads.values()) if u.field == "program"]

    def drop_upload(self, uid: str) -> None:
        """Forget a file that came with a form that was refused; one that is kept may be another's as well."""
        if _ID.fullmatch(uid):
            shutil.rmtree(self.folder / "arriving" / uid, ignore_errors=True)

    def upload(self, uid: str) -> Upload:
        """A file that is still here."""
        found = self.uploads.get(uid) if _ID.fullmatch(uid) else None
        if found is None or not found.path.exists():
            raise Fault(404, "that file is no longer on the bench; choose it again")
        return found

    def work_folder(self, passing: bool = False) -> tuple[str, Path]:
        """A new folder for one piece of work; of what is passing nothing outlives the run."""
        uid = secrets.token_hex(12)
        folder = (self.folder if passing else self.base) / "works" / uid
        folder.mkdir(parents=True)
        return uid, folder

    def drop_work(self, folder: Path) -> None:
        """Remove the folder of a piece of work."""
        if _ID.fullmatch(folder.name):
            shutil.rmtree(folder, ignore_errors=True)

    def held(self, works: list[Held]) -> list[Held]:
        """All that is kept, the oldest first; `works` are told by who knows them."""
        files = [Held(u.uid, "file", u.name, u.size_bytes, u.at) for u in self.uploads.values()]
        return sorted([*files, *works], key=lambda h: h.at)

    def over(self, held: list[Held], needed: Container[str], older_than: float | None = None) -> list[Held]:
        """What would go: what is older than a moment, or the oldest until the rest is within the bound."""
        free = [h for h in held if h.uid not in needed]
        if older_than is not None:
            return [h for h in free if h.at < older_than]
        total, gone = sum(h.size_bytes for h in held), []
        for one in free[:-1]:  # what came last is what somebody is about to look at
            if total <= self.keep_bytes:
                break
            gone.append(one)
            total -= one.size_bytes
        return gone

    def remove(self, gone: list[Held], why: str) -> None:
        """Remove, and write down what went and why."""
        lines = []
        for one in gone:
            if one.what == "file":
                upload = self.uploads.pop(one.uid, None)
                folder = upload.path.parent if upload else None
            else:
                folder = self.base / "works" / one.uid
            if folder is not None and _ID.fullmatch(folder.name):
                shutil.rmtree(folder, ignore_errors=True)
            said = {"at": _moment(time.time()), "uid": one.uid, "what": one.what, "name": one.name, "why": why}
            lines.append(json.dumps(said | {"size_bytes": one.size_bytes, "made": one.day}) + "\n")
        if lines:
            with (self.base / _REMOVED).open("a", encoding="utf-8") as out:
                out.writelines(lines)

    def removed(self, limit: int = 100) -> list[dict[str, Any]]:
        """What went, the last first."""
        try:
            lines = (self.base / _REMOVED).read_text(encoding="utf-8").splitlines()
        except OSError:
            return []
        found = []
        for line in reversed(lines[-limit:]):
            with contextlib.suppress(ValueError):
                found.append(json.loads(line))
        return found


def folder_bytes(folder: Path) -> int:
    """What a folder takes on the disk. [bytes]"""
    return sum(p.stat().st_size for p in folder.rglob("*") if p.is_file() and p.stat().st_nlink == 1)


def save_json(place: Path, data: dict[str, Any]) -> None:
    """Write plain data so that it is whole or not there."""
    save_whole(place, json.dumps(data))


def _moment(at: float) -> str:
    return datetime.fromtimestamp(at, UTC).strftime("%Y-%m-%dT%H:%M")


def _found(path: Path) -> Upload | None:
    field, uid = path.parts[-3], path.parts[-2]
    if not _ID.fullmatch(uid) or field not in _FIELDS or not path.is_file():
        return None
    told = path.stat()
    return Upload(uid, path.name, path, told.st_size, field, told.st_mtime)


def _sweep(base: Path) -> None:
    """Remove the folders of runs that no longer hold their lock."""
    if fcntl is None:
        return
    for folder in base.glob("run-*"):
        with contextlib.suppress(OSError):
            with (folder / "lock").open("wb") as lock:
                fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
            shutil.rmtree(folder, ignore_errors=True)
