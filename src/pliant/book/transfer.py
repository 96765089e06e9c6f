"""Move whole books: export, import (all or nothing), backup, verification."""

import itertools
from contextlib import nullcontext
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, func, insert, select
from sqlalchemy.exc import IntegrityError

from pliant.book.fields import KINDS, Kind
from pliant.book.lines import read_lines, rows_of, write_lines
from pliant.book.open_book import Book, copy_sqlite
from pliant.book.schema import TABLES
from pliant.errors import BookError
from pliant.records.book import Transfer

__all__ = ["back_up", "export_book", "import_book", "verify"]

_BATCH = 1000


def export_book(book: Book, target: str | Path) -> Transfer:
    """Write the whole book to a new file of JSON lines; lossless.

    Parameters
    ----------
    book : Book
        An open book.
    target : str or Path
        Must not exist.
    """
    with book.reading() as connection:
        counts = write_lines(connection, Path(target), book.where)
    return Transfer("exported", book.where, str(target), counts)


def import_book(book: Book, source: str | Path) -> Transfer:
    """Take in an export: all of it, or nothing.

    Parameters
    ----------
    book : Book
        An open book, empty or not. A record that is already here is left as it is.
    source : str or Path
        A file written by `export_book`.

    Raises
    ------
    BookError
        If the file is foreign, incomplete or changed, or contradicts the book; nothing was taken in.
    """
    counts, here = dict.fromkeys(KINDS, 0), 0
    try:
        with Path(source).open("rb") as file, book.writing() as connection:
            records = read_lines(file, str(source))
            while batch := list(itertools.islice(records, _BATCH)):
                for name, rows in itertools.groupby(batch, key=lambda item: item[1].name):
                    new = _unknown(connection, KINDS[name], list(rows), str(source))
                    _put(connection, KINDS[name], new, str(source))
                    counts[name] += len(new)
                here += len(batch)
    except OSError as error:
        raise BookError(f"{source}: cannot be read ({error.strerror})") from error
    return Transfer("imported", book.where, str(source), counts, here - sum(counts.values()))


def back_up(book: Book, target: str | Path | None = None) -> Transfer:
    """Copy the book while others may be writing; a file is copied page by page, a server's book is exported.

    Parameters
    ----------
    book : Book
        An open book.
    target : str or Path, optional
        Must not exist. Default: beside the book, named by the moment.
    """
    if book.path is None:
        if target is None:
            raise BookError("a backup of a book on a server needs a file: name it as `output`")
        return export_book(book, target)
    moment = datetime.now(UTC)
    place = Path(target) if target else book.path.with_name(f"{book.path.name}.{moment:%Y%m%dT%H%M%S%f}.backup")
    copy_sqlite(book.path, place, book.where)
    return Transfer("backed up", book.where, str(place), _counts(book))


def verify(book: Book) -> Transfer:
    """Read every record, verify every checksum and reference, and the pages of a file.

    Raises
    ------
    BookError
        Naming the first fault, and how to save the rest.
    """
    counts = dict.fromkeys(KINDS, 0)
    with book.reading() as connection:
        if book.path is not None:
            from pliant.book.faults import damaged

            said = connection.exec_driver_sql("PRAGMA integrity_check(1)").scalar()
            if said != "ok":
                raise damaged(book.where, str(said).splitlines()[-1])
            if connection.exec_driver_sql("PRAGMA foreign_key_check").first() is not None:
                raise damaged(book.where, "a record refers to one that is not there")
        for kind, _ in rows_of(connection, book.where):
            counts[kind.name] += 1
    return Transfer("verified", book.where, book.where, counts)


def _counts(book: Book) -> dict[str, int]:
    with book.reading() as connection:
        return {n: connection.execute(select(func.count()).select_from(t)).scalar_one() for n, t in TABLES.items()}


def _unknown(
    connection: Connection, kind: Kind, rows: list[tuple[int, Kind, dict[str, Any]]], source: str
) -> list[tuple[int, dict[str, Any]]]:
    """The rows that are not in the book yet; a contradiction is an error."""
    t = TABLES[kind.name]
    by_uid: dict[str, dict[str, Any]] = {}
    for line, _, row in rows:
        if row["uid"] in by_uid:
            raise BookError(f"{source} line {line}: {kind.name} {row['uid']} comes twice; nothing was taken in")
        by_uid[row["uid"]] = row
    known = {r["uid"]: r for r in connection.execute(select(t).where(t.c.uid.in_(list(by_uid)))).mappings()}
    new = []
    for line, _, row in rows:
        mine = known.get(row["uid"])
        if mine is None:
            new.append((line, row))
        elif any(mine[f] != row[f] for f in (kind.identity or ("digest",))):
            raise BookError(
                f"{source} line {line}: {kind.name} {row['uid']} is already here with another content; "
                f"nothing was taken in; import into a new `book`"
            )
    return new


def _put(connection: Connection, kind: Kind, rows: list[tuple[int, dict[str, Any]]], source: str) -> None:
    if not rows:
        return
    # a server gives up the whole transaction at the first fault, a file only the statement (or, if full, everything)
    inner = nullcontext() if connection.dialect.name == "sqlite" else connection.begin_nested()
    try:
        with inner:
            connection.execute(insert(TABLES[kind.name]), [row for _, row in rows])
    except IntegrityError:
        for line, row in rows:
            _no_rival(connection, kind, row, f"{source} line {line}")
        raise


def _no_rival(connection: Connection, kind: Kind, row: dict[str, Any], at: str) -> None:
    """Another record under the same name and version is a contradiction that only the user can settle."""
    if not kind.unique:
        return
    t = TABLES[kind.name]
    same = [t.c[name] == row[name] for name in kind.unique]
    rival = connection.execute(select(t.c.uid).where(t.c.uid != row["uid"], *same)).scalar()
    if rival is not None:
        what = " ".join(str(row[name]) for name in kind.unique)
        raise BookError(
            f"{at}: this book has another {kind.name} {what} ({rival}); nothing was taken in; import into a new `book`"
        )
