"""Make a new file that appears whole or not at all, and never in place of another."""

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from pliant.errors import BookError

__all__ = ["new_file"]


@contextmanager
def new_file(target: Path) -> Iterator[Path]:
    """Yield the name of a file to fill; after the block it is on the disk under the name asked for.

    Parameters
    ----------
    target : Path
        Must not exist; missing folders are made.

    Raises
    ------
    BookError
        If it exists or cannot be written; nothing is left of it then.
    """
    beside = target.with_name(f".{target.name}.{os.getpid()}.part")
    try:
        if os.path.lexists(target):
            raise FileExistsError
        target.parent.mkdir(parents=True, exist_ok=True)
        beside.unlink(missing_ok=True)
        yield beside
        _sync(beside, os.O_RDWR)
        _place(beside, target)
        _sync(target.parent, os.O_RDONLY)
    except FileExistsError as error:
        raise BookError(f"{target}: already there, and kept; choose another name") from error
    except OSError as error:
        raise BookError(f"{target}: cannot be written ({error.strerror}); nothing is left of it") from error
    finally:
        beside.unlink(missing_ok=True)


def _place(beside: Path, target: Path) -> None:
    try:
        os.link(beside, target)  # unlike a rename, never replaces a file that came in the meantime
    except FileExistsError:
        raise
    except OSError:  # a file system without links
        if os.path.lexists(target):
            raise FileExistsError from None
        beside.rename(target)


def _sync(path: Path, how: int) -> None:
    try:
        handle = os.open(path, how)
    except OSError:  # a system on which a folder cannot be opened
        if path.is_dir():
            return
        raise
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
