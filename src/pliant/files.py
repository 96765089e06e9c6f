"""Files of the user: what is written appears whole or not at all, and never takes the place of what is read."""

import os
import shutil
import stat
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path
from typing import Any, BinaryIO

from pliant.errors import PliantError

__all__ = [
    "Source", "Text", "open_source", "replace_file", "require_place", "same_file", "save_whole", "text_of", "write_new",
]  # fmt: skip


@dataclass(frozen=True)
class Text:
    """What a file would hold, for a reader in place of a path; errors call it by its name."""

    name: str
    content: str | bytes

    def __str__(self) -> str:
        """The name, as a path has it."""
        return self.name

    def __fspath__(self) -> str:
        """The name; there is no such file."""
        return self.name


Source = str | Path | Text


def open_source(source: Source, *, raw: bool = False) -> BinaryIO:
    """What is read, as a file of bytes; raw: without a buffer between it and its own pieces."""
    if isinstance(source, Text):
        return BytesIO(_bytes_of(source))
    return Path(source).open("rb", buffering=0) if raw else Path(source).open("rb")


def text_of(source: Source) -> str:
    """All of a source that is a page of text."""
    if isinstance(source, Text):
        return source.content if isinstance(source.content, str) else source.content.decode("utf-8")
    return Path(source).read_text(encoding="utf-8")


def _bytes_of(source: Text) -> bytes:
    return source.content if isinstance(source.content, bytes) else source.content.encode("utf-8")


def same_file(one: str | Path, other: str | Path) -> bool:
    """Whether two names lead to one file, or would if it were there."""
    try:
        return os.path.samefile(one, other)
    except OSError:  # one of them is not there, or cannot be looked at
        return Path(one).resolve() == Path(other).resolve()


def require_place(place: str | Path, inputs: Iterable[Any] = (), what: str = "this") -> Path:
    """Refuse a place for an output before the work for it is done.

    Parameters
    ----------
    place : str or Path
        Where the output is to go.
    inputs : iterable
        What is read for it; anything but a path is passed over.
    what : str
        The output, in words.

    Returns
    -------
    Path

    Raises
    ------
    PliantError
        If the place is not an ordinary file, has no folder that can be written to, or is one of the inputs.
    """
    place = Path(place)
    _require_ordinary(place)
    for source in inputs:
        if isinstance(source, str | Path) and same_file(place, source):
            raise PliantError(f"{place}: {what} would replace {source}, which is read; choose another name")
    if not place.parent.is_dir():
        raise PliantError(f"{place}: cannot be written (no such folder); choose another folder or name")
    if not os.access(place.parent, os.W_OK | os.X_OK):
        raise PliantError(f"{place}: cannot be written (its folder can only be read); nothing was done. Choose another")
    return place


def save_whole(place: Path, text: str) -> None:
    """Write a text file beside its place, flush it to the disk and rename it; all or nothing."""
    _require_ordinary(place)
    try:  # names of files need not be text: what is not, is shown as a question mark
        with _beside(place, 0o666) as (beside, out):
            out.write(text.encode("utf-8", "replace"))
            _settle(out)
            os.replace(beside, place)
    except OSError as error:
        raise PliantError(f"{place}: cannot be written ({error.strerror}); choose another folder or name") from error


def replace_file(new: Path, goal: Path, *, like: Path) -> None:
    """Put a file in the place of another in one step, with the rights of `like`; on any failure the other stays."""
    try:
        with _beside(goal, 0o600) as (beside, out):
            with new.open("rb") as source:
                shutil.copyfileobj(source, out, 1 << 20)
            _settle(out)
            _look_like(beside, like)
            os.replace(beside, goal)
        folder = os.open(goal.parent, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)
    except OSError as error:
        raise PliantError(
            f"{goal}: cannot be written ({error.strerror}); the input is untouched. Free space or choose another folder"
        ) from error


def write_new(place: Path, text: str) -> None:
    """Write a text file that must not exist yet; its folder is made."""
    try:
        place.parent.mkdir(parents=True, exist_ok=True)
        with place.open("x", encoding="utf-8") as out:
            out.write(text)
    except OSError as error:
        raise PliantError(f"{place}: cannot be written ({error.strerror}); choose another folder or name") from error


@contextmanager
def _beside(goal: Path, rights: int) -> Iterator[tuple[Path, BinaryIO]]:
    """A new file in the same folder; nothing is left of it if it did not take the place."""
    beside = goal.with_name(f".{goal.name[:60]}.{os.urandom(6).hex()}.new")
    number = os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), rights)
    try:
        with os.fdopen(number, "wb") as out:
            yield beside, out
    except BaseException:
        beside.unlink(missing_ok=True)
        raise


def _settle(out: BinaryIO) -> None:
    out.flush()
    os.fsync(out.fileno())


def _require_ordinary(place: Path) -> None:
    if place.exists() and not place.is_file():
        raise PliantError(f"{place}: is not an ordinary file; choose another name")


def _look_like(new: Path, like: Path) -> None:
    """Give a file the rights of another, and its owner where that is allowed."""
    was = like.stat()
    with suppress(OSError):
        os.chown(new, was.st_uid, was.st_gid)
    os.chmod(new, stat.S_IMODE(was.st_mode))
