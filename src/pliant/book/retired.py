"""What was retired: kept, but neither offered nor counted, until it is taken back. The last word counts."""

from typing import Any

from sqlalchemy import ColumnElement, Connection, exists, func, literal, not_, select
from sqlalchemy.sql.selectable import FromClause

from pliant.book.schema import TABLES
from pliant.records.book import RETIRED

__all__ = ["is_retired", "offered", "retired_count", "stands"]


def _last(said: FromClause) -> ColumnElement[bool]:
    """Nothing newer is said of the same thing."""
    later = TABLES["retirement"].alias()
    newer = (later.c.made_at > said.c.made_at) | ((later.c.made_at == said.c.made_at) & (later.c.uid > said.c.uid))
    return not_(exists().where(later.c.what == said.c.what, later.c.which == said.c.which, newer))


def _hidden(what: str, which: ColumnElement[Any]) -> ColumnElement[bool]:
    said = TABLES["retirement"].alias()
    return exists().where(said.c.what == what, said.c.which == which, said.c.retired, _last(said))


def offered(kind: str, t: FromClause) -> ColumnElement[bool]:
    """A machine or a spool whose name is not retired."""
    return not_(_hidden(kind, t.c.name))


def stands(p: FromClause) -> ColumnElement[bool]:
    """A print that is not retired, as a mistake is."""
    return not_(_hidden("print", p.c.uid))


def is_retired(c: Connection, kind: str, row: dict[str, Any]) -> bool:
    """Whether this record is."""
    if kind not in RETIRED:
        return False
    which = row["uid"] if kind == "print" else row["name"]
    return bool(c.execute(select(_hidden(kind, literal(which)))).scalar())


def retired_count(c: Connection, kinds: tuple[str, ...]) -> int:
    """How many names and prints of these kinds are retired."""
    said = TABLES["retirement"].alias()
    asked = select(func.count()).select_from(said).where(said.c.what.in_(kinds), said.c.retired, _last(said))
    return int(c.execute(asked).scalar_one())
