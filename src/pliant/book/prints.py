"""How earlier prints went: the last outcome of each, counted by machine, and the newest in full."""

from typing import Any

from sqlalchemy import ColumnElement, Select, and_, func, select
from sqlalchemy.sql.selectable import FromClause

from pliant.book.open_book import Book
from pliant.book.schema import TABLES
from pliant.records.book import PastOutcome, PastOutcomes

__all__ = ["is_last", "outcome_counts", "past_outcomes", "uids_of"]


def past_outcomes(book: Book, machine_name: str, filament_name: str, limit: int = 5) -> PastOutcomes:
    """How earlier prints with this spool on this machine went, whatever the version of either.

    Parameters
    ----------
    book : Book
        An open book.
    machine_name, filament_name : str
        As in the user's files.
    limit : int
        At most so many single prints, the newest; the counts cover all.

    Returns
    -------
    PastOutcomes
        Empty where the book knows of none.
    """
    p, o = TABLES["print"], TABLES["outcome"]
    pair = and_(
        p.c.machine.in_(uids_of("machine", machine_name)), p.c.filament.in_(uids_of("filament", filament_name))
    )  # fmt: skip
    pr, rc, fi = TABLES["program"], TABLES["recipe"], TABLES["finding"]
    recent = (
        select(
            p.c.uid, p.c.made_at, p.c.printed_at, o.c.outcome, o.c.at_line, o.c.at_time_s, o.c.note,
            pr.c.name, rc.c.name.label("recipe"), rc.c.version, fi.c.jam_probability,
        )
        .select_from(
            p.join(o, and_(o.c.print == p.c.uid, is_last(o, p)))
            .outerjoin(pr, pr.c.uid == p.c.program)
            .outerjoin(rc, rc.c.uid == p.c.recipe)
            .outerjoin(fi, fi.c.uid == p.c.finding)
        )
        .where(pair)
        .order_by(p.c.made_at.desc(), p.c.uid.desc())
        .limit(limit)
    )  # fmt: skip
    with book.reading() as c:
        counts: dict[str, int] = {}
        for _, outcome, n in c.execute(outcome_counts(pair)):
            counts[outcome] = counts.get(outcome, 0) + n
        rows = tuple(
            PastOutcome(
                r.uid, r.printed_at or r.made_at, r.outcome, r.at_line, r.at_time_s, r.note, r.name,
                f"{r.recipe}@{r.version}" if r.recipe else None, r.jam_probability,
            )
            for r in c.execute(recent)
        )  # fmt: skip
    return PastOutcomes(machine_name, filament_name, counts, rows)


def outcome_counts(where: ColumnElement[bool]) -> Select[Any]:
    """Count the last outcomes of prints by machine name."""
    p, o, m = TABLES["print"], TABLES["outcome"], TABLES["machine"]
    joined = p.join(m, m.c.uid == p.c.machine).join(o, and_(o.c.print == p.c.uid, is_last(o, p)))
    return (
        select(m.c.name, o.c.outcome, func.count())
        .select_from(joined)
        .where(where)
        .group_by(m.c.name, o.c.outcome)
        .order_by(m.c.name, o.c.outcome)
    )


def is_last(o: FromClause, p: FromClause) -> ColumnElement[bool]:
    """The outcome `o` is the newest said of the print `p`."""
    later = TABLES["outcome"].alias("later")
    last = select(func.max(later.c.version)).where(later.c.print == p.c.uid).scalar_subquery()
    return o.c.version == last


def uids_of(kind: str, name: str) -> Select[Any]:
    """Identifiers of every version of a name."""
    t = TABLES[kind]
    return select(t.c.uid).where(t.c.name == name)
