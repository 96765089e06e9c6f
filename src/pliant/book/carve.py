"""Read rows from the pages of an SQLite file without its help, for files whose index or list of tables is gone.

Only leaf pages of tables are looked at, as the format is published ("Database File Format",
sqlite.org/fileformat2.html, sections 1.6 and 2.1). What a row is shows from its number of columns and its own checksum,
so nothing is guessed.
"""

import struct
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from pliant.book.fields import KINDS, MAX_RECORD, Kind, digest

__all__ = ["carve", "columns_of"]

_LEAF = 0x0D
_MOST = MAX_RECORD + (4 << 20)  # [bytes] of one row
_LATER = {"print": ("mended", "printed_by"), "outcome": ("at_layer",)}  # columns that a later form added
_INTEGERS = {1: 1, 2: 2, 3: 3, 4: 4, 5: 6, 6: 8}


def columns_of(kind: Kind) -> tuple[str, ...]:
    """Columns in the order in which they lie in the file: a later form adds at the end."""
    later = _LATER.get(kind.name, ())
    return (*(f.name for f in kind.fields if f.name not in later), "digest", *later)


def carve(path: Path) -> Iterator[tuple[Kind, dict[str, Any]]]:
    """Every row whose checksum fits, in the order of the pages; the same row may come twice.

    Parameters
    ----------
    path : Path
        The file; its first bytes may be damaged.
    """
    by_width: dict[int, list[Kind]] = {}
    for kind in KINDS.values():
        width = len(columns_of(kind))
        for n in range(width - len(_LATER.get(kind.name, ())), width + 1):  # a row of an older form ends before them
            by_width.setdefault(n, []).append(kind)
    with path.open("rb") as file:
        size = int.from_bytes(file.read(18)[16:18], "big")
        size = 65536 if size == 1 else size
        if size not in (512, 1024, 2048, 4096, 8192, 16384, 32768, 65536):
            size = 4096  # what a book is made with
        number = 0
        while True:
            number += 1
            file.seek((number - 1) * size)
            page = file.read(size)
            if len(page) < 8:
                return
            page = page.ljust(size, b"\0")
            for values in _cells(file, page, 100 if number == 1 else 0, size):
                for kind in by_width.get(len(values), ()):
                    row = _row(kind, values)
                    if row is not None:
                        yield kind, row
                        break


def _row(kind: Kind, values: list[Any]) -> dict[str, Any] | None:
    row = dict.fromkeys((f.name for f in kind.fields), None) | dict(zip(columns_of(kind), values, strict=False))
    if not isinstance(row["uid"], str) or not isinstance(row["digest"], str):
        return None
    for f in kind.fields:
        raw = row[f.name]
        if f.what in ("number", "chance") and isinstance(raw, int):  # a whole number is stored as one
            row[f.name] = float(raw)
        elif f.what == "flag" and raw in (0, 1):
            row[f.name] = bool(raw)
    try:
        return row if digest(kind, row) == row["digest"] else None
    except (TypeError, ValueError):  # a blob
        return None


def _cells(file: Any, page: bytes, at: int, size: int) -> Iterator[list[Any]]:
    if page[at] != _LEAF:
        return
    count = int.from_bytes(page[at + 3 : at + 5], "big")
    for i in range(min(count, size // 4)):
        try:
            (cell,) = struct.unpack_from(">H", page, at + 8 + 2 * i)
            yield _values(_payload(file, page, cell, size))
        except (IndexError, struct.error, ValueError):
            continue  # damaged: what can be read comes from the other cells


def _payload(file: Any, page: bytes, at: int, size: int) -> bytes:
    length, at = _varint(page, at)
    _, at = _varint(page, at)
    if length > _MOST:
        raise ValueError(length)
    local, least = length, (size - 12) * 32 // 255 - 23
    if length > size - 35:
        fits = least + (length - least) % (size - 4)
        local = fits if fits <= size - 35 else least
    parts, left = [page[at : at + local]], length - local
    onward = int.from_bytes(page[at + local : at + local + 4], "big") if left else 0
    while left:
        if onward == 0:
            raise ValueError("the chain ends early")
        file.seek((onward - 1) * size)
        more = file.read(size)
        onward = int.from_bytes(more[:4], "big")
        parts.append(more[4 : 4 + left])
        if len(parts[-1]) == 0:
            raise ValueError("the chain leads out of the file")
        left -= len(parts[-1])
    return b"".join(parts)


def _values(payload: bytes) -> list[Any]:
    head, at = _varint(payload, 0)
    body = head
    found: list[Any] = []
    while at < head:
        sort, at = _varint(payload, at)
        if len(found) > 64:
            raise ValueError("more columns than any table has")
        if sort in _INTEGERS:
            width = _INTEGERS[sort]
            found.append(int.from_bytes(_take(payload, body, width), "big", signed=True))
        elif sort == 7:
            width = 8
            found.append(struct.unpack(">d", _take(payload, body, 8))[0])
        elif sort in (0, 8, 9):
            width = 0
            found.append(None if sort == 0 else sort - 8)
        elif sort >= 13 and sort % 2:
            width = (sort - 13) // 2
            found.append(_take(payload, body, width).decode("utf-8"))
        else:
            raise ValueError("a book holds no blobs")
        body += width
    return found


def _take(payload: bytes, at: int, width: int) -> bytes:
    piece = payload[at : at + width]
    if len(piece) != width:
        raise ValueError("cut short")
    return piece


def _varint(data: bytes, at: int) -> tuple[int, int]:
    value = 0
    for i in range(8):
        byte = data[at + i]
        value = value << 7 | byte & 0x7F
        if byte < 0x80:
            return value, at + i + 1
    return value << 8 | data[at + 8], at + 9
