"""The work folder of one run of the bench: what was sent in, and what came of it.

Every file lies under a random identifier; a name from outside is only ever the last part of a path, and only after
everything but letters, digits and `. _ -` and the space has been taken out of it. A file appears under its name when it
is whole. The folder goes with the run; what a killed run left behind goes when the next one starts.
"""

import contextlib
import os
import re
import secrets
import shutil
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

try:
    import fcntl
except ImportError:  # pragma: no cover - not on this system: folders of earlier runs are then left alone
    fcntl = None  # type: ignore[assignment]

from pliant.bench.faults import Fault

__all__ = ["Store", "Upload", "cache_folder", "plain_name"]

_ID = re.compile(r"[0-9a-f]{24}")
_KEEP_UPLOADS = 24
_KEEP_BYTES = 6 << 30  # [bytes] of uploads in all


def plain_name(name: str, fallback: str = "file") -> str:
    """The last part of a name from outside, of letters, digits, `. _ -` and spaces, at most 80 characters."""
    leaf = re.split(r"[/\\]", name)[-1]
    leaf = re.sub(r"[^\w. -]", "_", leaf).strip(". ")[-80:].strip(". ")
    return leaf or fallback


def cache_folder() -> Path:
    """Where a run keeps its work: the user's folder for things that can be made again."""
    base = os.environ.get("XDG_CACHE_HOME", "")
    return (Path(base) if os.path.isabs(base) else Path.home() / ".cache") / "pliant" / "bench"


@dataclass(frozen=True)
class Upload:
    """A file that arrived whole."""

    uid: str
    name: str
    path: Path
    size_bytes: int
    field: str = ""  # of the form that it came with


class Store:
    """The folder of one run."""

    def __init__(self, base: Path):
        base.mkdir(parents=True, exist_ok=True)
        _sweep(base)
        self.folder = Path(tempfile.mkdtemp(prefix="run-", dir=base))
        self._lock = (self.folder / "lock").open("wb")
        if fcntl is not None:
            fcntl.flock(self._lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        self.uploads: dict[str, Upload] = {}
        for name in ("uploads", "works"):
            (self.folder / name).mkdir()

    def close(self) -> None:
        """Remove everything."""
        self._lock.close()
        shutil.rmtree(self.folder, ignore_errors=True)

    def begin_upload(self) -> tuple[str, BinaryIO]:
        """Open a place for a file that is about to arrive."""
        uid = secrets.token_hex(12)
        (self.folder / "uploads" / uid).mkdir()
        return uid, (self.folder / "uploads" / uid / ".part").open("xb")

    def finish_upload(self, uid: str, name: str, field: str = "") -> Upload:
        """Give the file its name, now that it is whole; the oldest ones make room."""
        leaf = plain_name(name, "upload")
        part = self.folder / "uploads" / uid / ".part"
        size = part.stat().st_size
        place = part.with_name(leaf)
        part.rename(place)
        upload = self.uploads[uid] = Upload(uid, leaf, place, size, field)
        while len(self.uploads) > 1 and (
            len(self.uploads) > _KEEP_UPLOADS or sum(u.size_bytes for u in self.uploads.values()) > _KEEP_BYTES
        ):
            self.drop_upload(next(iter(self.uploads)))
        return upload

    def adopt(self, uid: str, made: Path) -> Upload:
        """Put a program that the bench has made beside those sent in, so that it can be checked and spoken of."""
        if uid not in self.uploads:
            place = self.folder / "uploads" / uid
            place.mkdir(exist_ok=True)
            (place / ".part").unlink(missing_ok=True)
            try:
                os.link(made, place / ".part")
            except OSError:
                shutil.copyfile(made, place / ".part")
            self.finish_upload(uid, made.name, "program")
        return self.uploads[uid]

    def programs(self) -> list[Upload]:
        """The programs that are still here, the newest first."""
        return [u for u in reversed(self.uploads.values()) if u.field == "program"]

    def drop_upload(self, uid: str) -> None:
        """Forget a file, whole or not."""
        self.uploads.pop(uid, None)
        shutil.rmtree(self.folder / "uploads" / uid, ignore_errors=True)

    def upload(self, uid: str) -> Upload:
        """A file that is still here."""
        found = self.uploads.get(uid) if _ID.fullmatch(uid) else None
        if found is None:
            raise Fault(404, "that file is no longer on the bench; choose it again")
        return found

    def work_folder(self) -> tuple[str, Path]:
        """A new folder for one piece of work."""
        uid = secrets.token_hex(12)
        folder = self.folder / "works" / uid
        folder.mkdir()
        return uid, folder

    def drop_work(self, uid: str) -> None:
        """Remove the folder of a piece of work."""
        if _ID.fullmatch(uid):
            shutil.rmtree(self.folder / "works" / uid, ignore_errors=True)


def _sweep(base: Path) -> None:
    """Remove the folders of runs that no longer hold their lock."""
    if fcntl is None:
        return
    for folder in base.glob("run-*"):
        with contextlib.suppress(OSError):
            with (folder / "lock").open("wb") as lock:
                fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
            shutil.rmtree(folder, ignore_errors=True)
