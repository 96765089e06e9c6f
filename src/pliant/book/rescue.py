"""Save what is whole from a damaged book into a new one.

The file is copied first and only the copy is read: row by row through the database, going around what it cannot read,
and then page by page without it. A record counts as whole if its checksum fits. A record that refers to a lost one is
kept out, and said.
"""

import shutil
import sqlite3
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from sqlalchemy import insert

from pliant.book.carve import carve
from pliant.book.fields import KINDS, Kind, checked, restored
from pliant.book.open_book import open_book
from pliant.book.schema import TABLES
from pliant.errors import BookError
from pliant.records.book import Transfer

__all__ = ["rescue"]

_MOST_BYTES = 1 << 34


def rescue(source: Path, target: Path) -> Transfer:
    """Save what is whole.

    Parameters
    ----------
    source : Path
        The damaged book; it is left as it is.
    target : Path
        The new book; must not exist.

    Returns
    -------
    Transfer
        How many records of each kind were saved, and what is known of the lost ones.

    Raises
    ------
    BookError
        If not even its list of tables can be read.
    """
    if target.exists():
        raise BookError(f"{target}: already there, and kept; choose another name")
    lost: list[str] = []
    with tempfile.TemporaryDirectory(prefix="pliant-rescue-") as folder:
        copy = _copy(source, Path(folder))
        by_uid = {kind.name: {r["uid"]: r for r in _whole(copy, kind, lost)} for kind in KINDS.values()}
        for kind, row in carve(copy):
            known = by_uid[kind.name]
            if row["uid"] not in known and (fits := _fitting(kind, row)) is not None:
                known[row["uid"]] = fits
    found = {name: list(rows.values()) for name, rows in by_uid.items()}
    if not any(found.values()):
        raise BookError(f"{source}: nothing in it can be read; restore the book from a backup")
    kept: dict[str, set[str]] = {}
    for kind in KINDS.values():  # nothing refers forward, so one pass is enough; recipes refer to older recipes
        rows = found[kind.name]
        before = -1
        kept[kind.name] = {r["uid"] for r in rows}
        while len(rows) != before:
            before = len(rows)
            rows = [r for r in rows if all(_there(f.refers, r[f.name], kept) for f in kind.fields)]
            kept[kind.name] = {r["uid"] for r in rows}
        orphans = len(found[kind.name]) - len(rows)
        if orphans:
            lost.append(f"{kind.name}: {orphans} whole, but refer to what is lost")
        found[kind.name] = rows
    with open_book(target, create=True) as new, new.writing() as connection:
        for name, rows in found.items():
            if rows:
                connection.execute(insert(TABLES[name]), rows)
    return Transfer(
        "rescued", str(source), str(target), {name: len(rows) for name, rows in found.items()}, 0, tuple(lost)
    )


def _there(kind: str | None, uid: str | None, kept: dict[str, set[str]]) -> bool:
    return kind is None or uid is None or uid in kept[kind]


def _copy(source: Path, folder: Path) -> Path:
    try:
        if source.stat().st_size > _MOST_BYTES:
            raise BookError(f"{source}: larger than 16 GiB; no book")
        for tail in ("", "-wal"):
            part = source.with_name(source.name + tail)
            if part.exists():
                shutil.copyfile(part, folder / f"copy{tail}")
    except OSError as error:
        raise BookError(f"{source}: cannot be copied ({error.strerror}); is the disk failing, or full?") from error
    copy = folder / "copy"
    with copy.open("r+b") as file:
        head = file.read(100)
        if len(head) == 100 and head[20:24] == b"\0\x40\x20\x20":
            file.seek(0)
            file.write(b"SQLite format 3\0")  # always the same, so it can be put back if only that is gone
            page = int.from_bytes(head[16:18], "big")
            wants = (65536 if page == 1 else page) * int.from_bytes(head[28:32], "big")
            if copy.stat().st_size < wants <= _MOST_BYTES:
                file.truncate(wants)  # holes where the end is missing, or else the database reads nothing at all
    return copy


def _fitting(kind: Kind, row: dict[str, Any]) -> dict[str, Any] | None:
    """The row if it is whole."""
    try:
        restored(kind, row, "")
        return checked(kind, {f.name: row[f.name] for f in kind.fields}) | {"digest": row["digest"]}
    except BookError:
        return None


def _whole(copy: Path, kind: Kind, lost: list[str]) -> Iterator[dict[str, Any]]:
    """The whole rows of one table as far as the database can read it, from both ends."""
    connection = sqlite3.connect(copy, isolation_level=None)
    connection.row_factory = sqlite3.Row
    spoilt: set[int] = set()
    try:
        columns = {r["name"] for r in connection.execute(f"PRAGMA table_info({kind.table})")}
        for way in ("ASC", "DESC") if columns else ():
            try:
                for raw in connection.execute(
                    f"SELECT rowid AS number, * FROM {kind.table} NOT INDEXED ORDER BY rowid {way}"
                ):
                    row = {f.name: raw[f.name] if f.name in columns else None for f in kind.fields}
                    row["digest"] = raw["digest"]
                    for f in kind.fields:
                        if f.what == "flag" and row[f.name] in (0, 1):
                            row[f.name] = bool(row[f.name])
                    fits = _fitting(kind, row)
                    if fits is None:
                        spoilt.add(raw["number"])
                    else:
                        yield fits
                break
            except (sqlite3.Error, ValueError):  # ValueError: bytes that are no text
                if way == "DESC":
                    raise
    except (sqlite3.Error, ValueError, IndexError) as error:
        lost.append(f"{kind.name}: the table is damaged ({' '.join(str(error).split())}), so its pages were searched")
    finally:
        connection.close()
    if spoilt:
        lost.append(f"{kind.name}: {len(spoilt)} spoilt")
