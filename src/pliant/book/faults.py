"""A database's own words for what went wrong, turned into one line that names the way out."""

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from sqlalchemy.exc import DBAPIError, SQLAlchemyError

from pliant.errors import BookError

__all__ = ["backups_beside", "damaged", "spoken"]

# SQLite says these in English only, whatever the locale
_SQLITE = (
    (("database or disk is full",), "the disk is full; nothing was written; make room and try again"),
    (
        ("readonly database", "read-only"),
        "it cannot be written to; nothing was written; check who owns it, or choose another `book`",
    ),
    (
        ("database is locked", "database table is locked", "busy"),
        "another program has been writing to it for too long; nothing was written; try again",
    ),
    (("the book only grows",), "a record is never changed or removed; write a newer version or outcome beside it"),
    (("FOREIGN KEY",), "a record refers to one that is not there; nothing was written"),
    (("UNIQUE constraint",), "it already holds another record in that place; nothing was written"),
    (("CHECK constraint",), "a value that is not allowed; nothing was written"),
    (("unable to open",), "it cannot be opened; check the folder and who owns it, or choose another `book`"),
)
_DAMAGED = ("malformed", "not a database", "disk I/O error", "no such table", "no such column", "corrupt")
_POSTGRES = {
    "53100": "the server's disk is full; nothing was written; make room and try again",
    "25006": "the server only lets it be read; nothing was written",
    "23503": "a record refers to one that is not there; nothing was written",
    "23505": "it already holds another record in that place; nothing was written",
    "23514": "a value that is not allowed; nothing was written",
    "42501": "this user may not do that; ask the owner of the database",
    "P0001": "a record is never changed or removed; write a newer version or outcome beside it",
}


def backups_beside(path: Path) -> list[Path]:
    """Backups in the folder of a book that carry its name, newest first."""
    try:
        found = [p for p in path.parent.iterdir() if p.name.startswith(f"{path.name}.") and p.suffix == ".backup"]
        return sorted(found, key=lambda p: p.stat().st_mtime, reverse=True)
    except OSError:
        return []


def damaged(where: str, what: str) -> BookError:
    """The message for a damaged file: what is wrong, what can be saved, and which backup is there."""
    kept = backups_beside(Path(where))
    last = f", or go back to its backup {kept[0]}" if kept else ""
    return BookError(
        f"{where}: the book is damaged ({what}); it is left as it is; "
        f"`book.rescue()` saves all that is whole into a new book{last}"
    )


@contextmanager
def spoken(where: str) -> Iterator[None]:
    """Turn the faults of a database into `BookError`.

    Parameters
    ----------
    where : str
        The book, as the user may see it (no password).
    """
    try:
        yield
    except DBAPIError as error:
        raise _fault(where, error.orig or error) from error
    except UnicodeDecodeError as error:
        raise damaged(where, "bytes that are no text") from error
    except (sqlite3.Error, SQLAlchemyError) as error:
        raise _fault(where, error) from error


def _fault(where: str, error: BaseException) -> BookError:
    words = " ".join(str(error).split()) or type(error).__name__
    state = getattr(error, "sqlstate", None)
    if state in _POSTGRES:
        return BookError(f"{where}: {_POSTGRES[state]}")
    if isinstance(error, sqlite3.Error):
        for signs, meaning in _SQLITE:
            if any(sign.lower() in words.lower() for sign in signs):
                return BookError(f"{where}: {meaning}")
        if any(sign in words for sign in _DAMAGED):
            return damaged(where, words)
    return BookError(f"{where}: the database says: {words[:300]}; nothing was written")
