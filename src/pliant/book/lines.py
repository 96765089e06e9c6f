"""A book as JSON lines: a header, one record a line, and an end line with a checksum.

The same book always gives the same bytes. Fields not given are left out of a line, and records carry their checksum, so
a half file, a changed record and a foreign file are all told apart.
"""

import hashlib
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any, BinaryIO

from sqlalchemy import Connection, MetaData, Table, inspect, text

from pliant.book.fields import KINDS, MAX_RECORD, Kind, checked, digest, record_text, restored, same_thing
from pliant.book.files import new_file
from pliant.book.schema import REVISIONS, VERSION_TABLE
from pliant.errors import BookError
from pliant.version import __version__

__all__ = ["read_lines", "rows_of", "write_lines"]

FORMAT = 1
_LONGEST = MAX_RECORD + (4 << 20)  # [bytes] of one line


def rows_of(connection: Connection, where: str) -> Iterator[tuple[Kind, dict[str, Any]]]:
    """Every record of a book in a fixed order, checksum verified; an older form gives what it has."""
    have = set(inspect(connection).get_table_names())
    for kind in KINDS.values():
        if kind.table not in have:
            continue
        table = Table(kind.table, MetaData(), autoload_with=connection, resolve_fks=False)
        query = table.select().order_by(table.c.made_at, table.c.uid)
        for row in connection.execute(query, execution_options={"yield_per": 1000}).mappings():
            values = dict(row)
            for f in kind.fields:
                values.setdefault(f.name, None)
            yield kind, values | {"plain": restored(kind, values, where)}


def write_lines(connection: Connection, target: Path, where: str = "the book") -> dict[str, int]:
    """Write a whole book to a new file.

    Parameters
    ----------
    connection : Connection
        One consistent view.
    target : Path
        Must not exist; appears whole or not at all.
    where : str
        The book, for messages.

    Returns
    -------
    dict
        Number of records by kind.
    """
    with new_file(target) as beside, beside.open("xb") as out:
        counts = _write(connection, out, where)
        out.flush()
    return counts


def read_lines(source: BinaryIO, name: str) -> Iterator[tuple[int, Kind, dict[str, Any]]]:
    """Every record of an export, line by line; the last step verifies the whole, so consume it to the end.

    Parameters
    ----------
    source : binary file
        The export.
    name : str
        Its name, for messages.

    Yields
    ------
    line, kind, row
        The row is checked and carries its digest.

    Raises
    ------
    BookError
        Naming the line, and what is wrong with it.
    """
    whole = hashlib.sha256()
    head = source.readline(_LONGEST)
    header = _object(head, f"{name} line 1")
    if header.get("pliant_book") != FORMAT:
        raise BookError(f"{name} line 1: not an export of a pliant book; `book.export()` writes one")
    if header.get("form") not in REVISIONS:
        raise BookError(f"{name} line 1: exported by a newer pliant (form {header.get('form')!r}); update this one")
    whole.update(head)
    records = 0
    number = 1
    while True:
        number += 1
        raw = source.readline(_LONGEST)
        if not raw:
            raise BookError(f"{name}: stops after line {number - 1} without its end line; the file is only a part")
        at = f"{name} line {number}"
        data = _object(raw, at)
        if "end" in data:
            break
        kind, row = _row(data, at)
        whole.update(raw)
        records += 1
        yield number, kind, row
    if data != {"end": True, "records": records, "sha256": whole.hexdigest()}:
        raise BookError(f"{at}: the checksum of the file does not fit its {records} records; it was changed or cut")
    if source.readline(1):
        raise BookError(f"{name} line {number + 1}: something follows the end line")


def _write(connection: Connection, out: BinaryIO, where: str) -> dict[str, int]:
    whole, counts = hashlib.sha256(), dict.fromkeys(KINDS, 0)

    def put(data: dict[str, Any]) -> bytes:
        return json.dumps(data, separators=(",", ":"), allow_nan=False).encode("ascii") + b"\n"

    form = connection.execute(text(f"SELECT version_num FROM {VERSION_TABLE}")).scalar_one()
    head = put({"pliant_book": FORMAT, "form": form, "written_by": f"pliant {__version__}"})
    whole.update(head)
    out.write(head)
    for kind, row in rows_of(connection, where):
        line = put({"kind": kind.name, **row["plain"], "digest": row["digest"]})
        whole.update(line)
        out.write(line)
        counts[kind.name] += 1
    out.write(put({"end": True, "records": sum(counts.values()), "sha256": whole.hexdigest()}))
    return counts


def _object(raw: bytes, at: str) -> dict[str, Any]:
    if not raw.endswith(b"\n"):
        raise BookError(f"{at}: cut short, or longer than {_LONGEST} bytes; not a whole export of a pliant book")

    def once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        found = dict(pairs)
        if len(found) != len(pairs):
            raise ValueError("a key twice")
        return found

    def refuse(word: str) -> Any:
        raise ValueError(f"{word} is not a number")

    try:
        data = json.loads(raw.decode("ascii"), object_pairs_hook=once, parse_constant=refuse)
    except (ValueError, RecursionError) as error:
        raise BookError(f"{at}: not JSON of a pliant book ({str(error)[:80]}); nothing was taken in") from error
    if not isinstance(data, dict):
        raise BookError(f"{at}: not a record; expected an object; nothing was taken in")
    return data


def _row(data: dict[str, Any], at: str) -> tuple[Kind, dict[str, Any]]:
    name, mark = data.pop("kind", None), data.pop("digest", None)
    if name not in KINDS:
        raise BookError(f"{at}: unknown kind {name!r}; known are {', '.join(KINDS)}; nothing was taken in")
    kind = KINDS[name]
    try:
        for f in kind.fields:
            if f.what == "json" and f.name in data:
                data[f.name] = record_text(data[f.name], f.name)
        row = checked(kind, data)
    except BookError as error:
        raise BookError(f"{at}: {error}; nothing was taken in") from error
    if digest(kind, row) != mark or (kind.identity and row["uid"] != same_thing(kind, row)):
        raise BookError(f"{at}: {name} {row['uid']} does not match its checksum; it was changed; nothing was taken in")
    return kind, row | {"digest": mark}
