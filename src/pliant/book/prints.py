"""How earlier prints went: the last outcome of each, counted by machine, and the newest in full."""

from typing import Any

from sqlalchemy import ColumnElement, Connection, Select, and_, case, func, select
from sqlalchemy.sql.selectable import FromClause

from pliant.book.fields import KINDS, restored
from pliant.book.open_book import Book
from pliant.book.retired import stands
from pliant.book.schema import TABLES
from pliant.records.book import PastOutcome, PastOutcomes

__all__ = [
    "course_of", "is_last", "newest_pair", "newest_uid", "outcome_counts", "past_outcomes", "people",
    "printed", "program_uid",
    "uids_of",
]  # fmt: skip


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
            p.c.uid, p.c.made_at, p.c.printed_at, o.c.outcome, o.c.at_line, o.c.at_time_s, o.c.at_layer, o.c.note,
            pr.c.name, rc.c.name.label("recipe"), rc.c.version, fi.c.jam_probability,
        )
        .select_from(
            p.join(o, and_(o.c.print == p.c.uid, is_last(o, p)))
            .outerjoin(pr, pr.c.uid == p.c.program)
            .outerjoin(rc, rc.c.uid == p.c.recipe)
            .outerjoin(fi, fi.c.uid == p.c.finding)
        )
        .where(pair, stands(p))
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
                f"{r.recipe}@{r.version}" if r.recipe else None, r.jam_probability, r.at_layer,
            )
            for r in c.execute(recent)
        )  # fmt: skip
    return PastOutcomes(machine_name, filament_name, counts, rows)


def printed(book: Book, machine_name: str, filament_name: str, limit: int) -> list[dict[str, Any]]:
    """The newest prints of a pair with their last outcome, the program, and what the book keeps of it.

    Parameters
    ----------
    book : Book
        An open book.
    machine_name, filament_name : str
        As in the user's files.
    limit : int
        At most so many.

    Returns
    -------
    list of dict
        `uid`, `made_at`, `outcome`, `at_line`, `at_time_s`, `at_layer`, `name` and `sha256` of the program (None where
        it is not known), `machine_text`, `filament_text` and their uids, and `course` (None where it is not kept).
    """
    p, o, pr, m, f = (TABLES[k] for k in ("print", "outcome", "program", "machine", "filament"))
    asked = (
        select(
            p.c.uid, p.c.made_at, p.c.program, p.c.machine, p.c.filament, o.c.outcome, o.c.at_line, o.c.at_time_s,
            o.c.at_layer, pr.c.name, pr.c.sha256, m.c.text.label("machine_text"), f.c.text.label("filament_text"),
        )
        .select_from(
            p.join(o, and_(o.c.print == p.c.uid, is_last(o, p))).join(m, m.c.uid == p.c.machine)
            .join(f, f.c.uid == p.c.filament).outerjoin(pr, pr.c.uid == p.c.program)
        )
        .where(m.c.name == machine_name, f.c.name == filament_name, stands(p))
        .order_by(p.c.made_at.desc(), p.c.uid.desc())
        .limit(limit)
    )  # fmt: skip
    with book.reading() as c:
        rows = [dict(r) for r in c.execute(asked).mappings()]
        for r in rows:
            r["course"] = None if r["program"] is None else course_of(c, r["program"], r["machine"], r["filament"])
    return rows


def course_of(c: Connection, program: str, machine: str, filament: str) -> dict[str, Any] | None:
    """What the book keeps of a program: for these versions, or else for others of the same names."""
    t, m, f = TABLES["course"], TABLES["machine"], TABLES["filament"]
    names = (select(m.c.name).where(m.c.uid == machine), select(f.c.name).where(f.c.uid == filament))
    same = and_(
        t.c.program == program,
        t.c.machine.in_(select(m.c.uid).where(m.c.name.in_(names[0]))),
        t.c.filament.in_(select(f.c.uid).where(f.c.name.in_(names[1]))),
    )  # fmt: skip
    exact = case((and_(t.c.machine == machine, t.c.filament == filament), 0), else_=1)
    row = c.execute(select(t).where(same).order_by(exact, t.c.made_at.desc()).limit(1)).mappings().first()
    return None if row is None else restored(KINDS["course"], dict(row), "the book")["record"]


def program_uid(c: Connection, sha256: str) -> str | None:
    """Identifier of a program, by its content."""
    t = TABLES["program"]
    return c.execute(select(t.c.uid).where(t.c.sha256 == sha256)).scalar()


def people(book: Book, limit: int = 40) -> tuple[str, ...]:
    """Who printed, each name once, the one who printed last first."""
    p = TABLES["print"]
    asked = select(p.c.printed_by).where(p.c.printed_by.is_not(None)).group_by(p.c.printed_by)
    with book.reading() as c:
        return tuple(c.execute(asked.order_by(func.max(p.c.made_at).desc()).limit(limit)).scalars())


def newest_uid(c: Connection, kind: str, name: str) -> str | None:
    """The newest version of a machine or a filament."""
    t = TABLES[kind]
    return c.execute(select(t.c.uid).where(t.c.name == name).order_by(t.c.version.desc()).limit(1)).scalar()


def newest_pair(c: Connection, program: str) -> tuple[str, str] | None:
    """Machine and filament that a program was last checked, mended or printed for, by identifier."""
    found: list[tuple[str, ...]] = []
    for kind, column in (("finding", "program"), ("print", "program"), ("mended", "result")):
        t = TABLES[kind]
        asked = select(t.c.made_at, t.c.machine, t.c.filament).where(t.c[column] == program)
        found += [tuple(r) for r in c.execute(asked.order_by(t.c.made_at.desc()).limit(1))]
    return (max(found)[1], max(found)[2]) if found else None


def outcome_counts(where: ColumnElement[bool]) -> Select[Any]:
    """Count the last outcomes of prints by machine name."""
    p, o, m = TABLES["print"], TABLES["outcome"], TABLES["machine"]
    joined = p.join(m, m.c.uid == p.c.machine).join(o, and_(o.c.print == p.c.uid, is_last(o, p)))
    return (
        select(m.c.name, o.c.outcome, func.count())
        .select_from(joined)
        .where(where, stands(p))
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
