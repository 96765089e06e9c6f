"""The tables of the book, made from `fields`, for SQLite and PostgreSQL alike.

What an existing book needs in order to look like this is in `migrations`; a test holds the two together.
"""

from sqlalchemy import (
    BigInteger,
    Boolean,
    CheckConstraint,
    Column,
    Double,
    ForeignKey,
    Index,
    MetaData,
    String,
    Table,
    Text,
    UniqueConstraint,
)
from sqlalchemy.types import TypeEngine

from pliant.book.fields import KINDS, Field, Kind
from pliant.records.book import OUTCOMES

__all__ = ["APPLICATION_ID", "HEAD", "METADATA", "REVISIONS", "TABLES", "VERSION_TABLE"]

REVISIONS = ("0001", "0002", "0003", "0004")  # oldest first
HEAD = REVISIONS[-1]
VERSION_TABLE = "pliant_book_version"
APPLICATION_ID = 0x506C6961  # "Plia", in the header of an SQLite file
METADATA = MetaData()
_TYPES: dict[str, type[TypeEngine]] = {
    "note": Text,
    "json": Text,  # not the database's own JSON, which may reorder keys and round numbers
    "count": BigInteger,
    "number": Double,
    "chance": Double,
    "flag": Boolean,
}
_LENGTHS = {"uid": 16, "moment": 27, "name": 200, "hash": 64}


def _column(f: Field) -> Column:
    kind = String(_LENGTHS[f.what]) if f.what in _LENGTHS else _TYPES[f.what]()
    # deferred, so that a whole book can be read in any order and is judged at the commit
    refers = [ForeignKey(f"{KINDS[f.refers].table}.uid", deferrable=True, initially="DEFERRED")] if f.refers else []
    return Column(f.name, kind, *refers, primary_key=f.name == "uid", nullable=not f.required)


def _table(kind: Kind) -> Table:
    parts: list[Column | UniqueConstraint | Index | CheckConstraint] = [_column(f) for f in kind.fields]
    parts.append(Column("digest", String(64), nullable=False))
    if kind.unique:
        parts.append(UniqueConstraint(*kind.unique, name=f"one_{kind.table}"))
    if kind.name == "outcome":
        words = ", ".join(f"'{w}'" for w in OUTCOMES)
        parts.append(CheckConstraint(f"outcome IN ({words})", name="outcome_word"))
    if kind.name == "retirement":
        parts.append(Index("retirements_which", "which", "made_at"))
    parts.append(Index(f"{kind.table}_made_at", "made_at", "uid"))
    parts += [Index(f"{kind.table}_{f.name}", f.name) for f in kind.fields if f.refers and kind.name != "outcome"]
    return Table(kind.table, METADATA, *parts)


TABLES = {kind.name: _table(kind) for kind in KINDS.values()}
