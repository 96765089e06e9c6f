"""Read the book: lists, one record, two versions side by side, the history of a spool, past outcomes."""

import json
from collections.abc import Iterator
from typing import Any

from sqlalchemy import ColumnElement, Connection, and_, func, not_, or_, select
from sqlalchemy.sql.selectable import FromClause

from pliant.book.fields import KINDS, restored
from pliant.book.open_book import Book
from pliant.book.prints import is_last, outcome_counts
from pliant.book.retired import is_retired, offered, retired_count, stands
from pliant.book.schema import TABLES
from pliant.errors import BookError, NotInBookError
from pliant.records.book import (
    RETIRED,
    Comparison,
    Difference,
    Entry,
    History,
    Listing,
    Shown,
    Stored,
)
from pliant.records.renamed import todays_names
from pliant.say import percent

__all__ = ["compare", "find", "history", "learned_from", "listing", "newest_texts", "program_rows", "show", "text_row"]

NAMED = ("machine", "filament", "recipe")
_BEHIND = ("outcome", "course", "retirement")
_SHORTEST = 4  # digits of an identifier that may stand for the whole


def listing(book: Book, kind: str | None = None, limit: int = 20, everything: bool = False) -> Listing:
    """The newest records.

    Parameters
    ----------
    book : Book
        An open book.
    kind : str, optional
        Only this kind; default all but outcomes and courses, which stand with their prints and programs.
    limit : int
        At most so many.
    everything : bool, default False
        Whether what was retired is shown too.

    Returns
    -------
    Listing
        Newest first, with the number of records of every kind.
    """
    _require_kind(kind)
    hides = () if everything else tuple(k for k in RETIRED if kind in (None, k))
    with book.reading() as c:
        entries: list[Entry] = []
        for name in KINDS if kind is None else (kind,):
            if name not in _BEHIND or kind == name:
                entries += _entries(c, name, _shown_of(name) if name in hides else None, limit)
        counts = {name: c.execute(select(func.count()).select_from(t)).scalar_one() for name, t in TABLES.items()}
        retired = retired_count(c, hides)
    entries.sort(key=lambda e: (e.made_at, e.uid), reverse=True)
    return Listing(book.where, counts, tuple(entries[:limit]), retired)


def find(c: Connection, reference: str, kinds: tuple[str, ...] = tuple(KINDS)) -> tuple[str, str]:
    """Say which record is meant by a name, `NAME@VERSION` or the first digits of an identifier.

    Parameters
    ----------
    c : Connection
        A view of the book.
    reference : str
        What the user typed.
    kinds : tuple of str
        Where to look.

    Returns
    -------
    kind, uid : str

    Raises
    ------
    BookError
        If nothing or more than one record fits.
    """
    hits: list[tuple[str, str]] = []
    for kind in kinds:
        if kind in NAMED:
            hits += [(kind, uid) for uid in _named(c, kind, reference)]
    digits = reference.lower()
    if not hits and len(digits) >= _SHORTEST and all(x in "0123456789abcdef" for x in digits):
        for kind in kinds:
            t = TABLES[kind]
            fits = c.execute(select(t.c.uid).where(t.c.uid >= digits, t.c.uid < digits + "g").limit(3)).scalars()
            hits += [(kind, uid) for uid in fits]
    if len(hits) == 1:
        return hits[0]
    if hits:
        several = ", ".join(f"{kind} {uid}" for kind, uid in hits[:5])
        raise BookError(f"{reference!r} may mean {several}; give the identifier")
    sort = " or ".join(kinds) if len(kinds) <= 3 else "record"
    raise NotInBookError(f"no {sort} {reference!r} in this book; `book.list()` shows what is there")


def show(book: Book, reference: str) -> Shown:
    """One record in full, its checksum verified, with its neighbours."""
    with book.reading() as c:
        kind, uid = find(c, reference)
        return _shown(c, kind, uid, book.where)


def compare(book: Book, first: str, second: str | None = None) -> Comparison:
    """Two recipes (or two versions of a machine or filament) key by key.

    Parameters
    ----------
    book : Book
        An open book.
    first, second : str
        Name, `NAME@VERSION` or identifier. Without the second: the last two versions of the first.

    Returns
    -------
    Comparison
        Rows in the order of the first, then what only the second has.
    """
    with book.reading() as c:
        kind, one = find(c, first, NAMED)
        if second is None:
            two, one = one, _version_before(c, kind, one, first)
        else:
            other, two = find(c, second, NAMED)
            if other != kind:
                raise BookError(f"{first!r} is a {kind} and {second!r} a {other}; compare two of one kind")
        a, b = (_stored(c, kind, uid, book.where).fields for uid in (one, two))
    left, right = dict(_flat(a["record"])), dict(_flat(b["record"]))
    rows = []
    for path in [*left, *(p for p in right if p not in left)]:
        only = None if path in left and path in right else "first" if path in left else "second"
        x, y = left.get(path), right.get(path)
        same = only is None and json.dumps(x, sort_keys=True) == json.dumps(y, sort_keys=True)
        rows.append(Difference(_key(path), x, y, same, only))
    return Comparison(
        kind,
        f"{a['name']}@{a['version']}",
        f"{b['name']}@{b['version']}",
        a.get("note", ""),
        b.get("note", ""),
        tuple(rows),
        sum(not r.same for r in rows),
    )


def history(book: Book, filament: str, limit: int = 200) -> History:
    """All that the book knows of a spool.

    Parameters
    ----------
    book : Book
        An open book.
    filament : str
        Its name, or the identifier of one of its versions.
    limit : int
        At most so many entries, the newest.

    Returns
    -------
    History
        Oldest first; outcomes counted by machine.
    """
    with book.reading() as c:
        t = TABLES["filament"]
        _, uid = find(c, filament, ("filament",))
        name = c.execute(select(t.c.name).where(t.c.uid == uid)).scalar_one()
        versions = select(t.c.uid).where(t.c.name == name)
        p, retired = TABLES["print"], 0
        entries = _entries(c, "filament", t.c.name == name, limit)
        total = c.execute(select(func.count()).select_from(t).where(t.c.name == name)).scalar_one()
        count = total
        for kind in ("finding", "mended", "print", "coupon", "fit"):
            at: ColumnElement[bool] = TABLES[kind].c.filament.in_(versions)
            if kind == "print":
                retired = c.execute(select(func.count()).select_from(p).where(at, not_(stands(p)))).scalar_one()
                at = and_(at, stands(p))
            entries += _entries(c, kind, at, limit)
            total += c.execute(select(func.count()).select_from(TABLES[kind]).where(at)).scalar_one()
        r = TABLES["recipe"]
        # a recipe names its spool in its content only; asking its name first spares reading every content
        derived = and_(
            r.c.name.contains(f", soft, for {name} on ", autoescape=True),
            r.c.record.contains(f'"filament":{json.dumps(name)},', autoescape=True),
        )
        made_for = or_(derived, r.c.uid.in_(select(p.c.recipe).where(p.c.filament.in_(versions))))
        entries += _entries(c, "recipe", made_for, limit)
        total += c.execute(select(func.count()).select_from(r).where(made_for)).scalar_one()
        by_machine: dict[str, dict[str, int]] = {}
        for machine, outcome, n in c.execute(outcome_counts(TABLES["print"].c.filament.in_(versions))):
            by_machine.setdefault(machine, {})[outcome] = n
    entries.sort(key=lambda e: (e.made_at, e.uid))
    kept = tuple(entries[-limit:])
    return History(name, count, by_machine, kept, total - len(kept), retired)


def newest_texts(book: Book, kind: str) -> list[dict[str, Any]]:
    """The newest version of every machine or filament that came with its text; the one used last comes first."""
    t, later, f = TABLES[kind], TABLES[kind].alias("later"), TABLES["finding"]
    last = select(func.max(later.c.version)).where(later.c.name == t.c.name).scalar_subquery()
    used = select(func.max(f.c.made_at)).where(f.c[kind] == t.c.uid).scalar_subquery()
    asked = select(t.c.uid, t.c.name, t.c.version, t.c.text, t.c.made_at, used.label("used_at"))
    asked = asked.where(t.c.version == last, t.c.text.is_not(None), offered(kind, t))
    with book.reading() as c:
        rows = [dict(r) for r in c.execute(asked).mappings()]
    rows.sort(key=lambda r: (max(r["made_at"], r["used_at"] or ""), r["uid"]), reverse=True)
    return [{k: v for k, v in r.items() if k != "used_at"} for r in rows]


def program_rows(book: Book, limit: int) -> list[dict[str, Any]]:
    """The newest programs: identifier, name, hash of the content, when it was first seen, and its lines."""
    t = TABLES["program"]
    asked = select(t.c.uid, t.c.name, t.c.sha256, t.c.made_at, t.c.lines).order_by(t.c.made_at.desc()).limit(limit)
    with book.reading() as c:
        return [dict(r) for r in c.execute(asked).mappings()]


def text_row(book: Book, kind: str, uid: str) -> dict[str, Any] | None:
    """One version of a machine or a filament that came with its text; None where there is no such version."""
    t = TABLES[kind]
    asked = select(t.c.uid, t.c.name, t.c.version, t.c.text, t.c.made_at).where(t.c.uid == uid, t.c.text.is_not(None))
    with book.reading() as c:
        row = c.execute(asked).mappings().first()
    return None if row is None else dict(row)


def learned_from(book: Book, kind: str, name: str) -> int:
    """How many pieces the versions of a machine or a filament were learned from."""
    t, f = TABLES[kind], TABLES["fit"]
    asked = select(func.count()).select_from(f.join(t, t.c.uid == f.c[kind])).where(t.c.name == name)
    with book.reading() as c:
        return int(c.execute(asked).scalar_one())


def _require_kind(kind: str | None) -> None:
    if kind is not None and kind not in KINDS:
        raise BookError(f"kind must be one of {', '.join(KINDS)}, got {kind!r}")


def _named(c: Connection, kind: str, reference: str) -> list[str]:
    t = TABLES[kind]
    newest = select(t.c.uid).where(t.c.name == reference).order_by(t.c.version.desc()).limit(1)
    found = list(c.execute(newest).scalars())
    name, at, version = reference.rpartition("@")
    if not found and at and version.isdecimal() and version.isascii() and len(version) < 10:
        found = list(c.execute(select(t.c.uid).where(t.c.name == name, t.c.version == int(version))).scalars())
    return found


def _version_before(c: Connection, kind: str, uid: str, said: str) -> str:
    t = TABLES[kind]
    name, version = c.execute(select(t.c.name, t.c.version).where(t.c.uid == uid)).one()
    before = select(t.c.uid).where(t.c.name == name, t.c.version < version).order_by(t.c.version.desc()).limit(1)
    found = c.execute(before).scalar()
    if found is None:
        raise BookError(f"{said!r} has no earlier version to compare with; name two")
    return str(found)


def _stored(c: Connection, kind: str, uid: str, where: str) -> Stored:
    t = TABLES[kind]
    row = dict(c.execute(select(t).where(t.c.uid == uid)).mappings().one())
    plain = restored(KINDS[kind], row, where)
    if kind in ("finding", "mended", "recipe"):
        plain["record"] = todays_names(plain["record"])
    return Stored(kind, plain.pop("uid"), plain.pop("made_at"), plain)


def _shown(c: Connection, kind: str, uid: str, where: str) -> Shown:
    record = _stored(c, kind, uid, where)
    to: list[Entry] = []
    for f in KINDS[kind].fields:
        if f.refers and f.name in record.fields:
            to += _entries(c, f.refers, TABLES[f.refers].c.uid == record.fields[f.name], 1)
    by: list[Entry] = []
    for other in KINDS.values():
        for f in other.fields:
            if f.refers == kind:
                by += _entries(c, other.name, TABLES[other.name].c[f.name] == uid, 20)
    return Shown(record, tuple(to), tuple(by), is_retired(c, kind, record.fields | {"uid": uid}))


def _shown_of(kind: str) -> ColumnElement[bool]:
    return stands(TABLES[kind]) if kind == "print" else offered(kind, TABLES[kind])


def _flat(value: Any, path: tuple[str | int, ...] = ()) -> Iterator[tuple[tuple[str | int, ...], Any]]:
    """Every leaf with its path; a list of plain values is a leaf."""
    if isinstance(value, dict) and value:
        for key, inner in value.items():
            yield from _flat(inner, (*path, key))
    elif isinstance(value, list) and any(isinstance(x, dict) for x in value):
        for i, inner in enumerate(value):
            yield from _flat(inner, (*path, i))
    elif path:
        yield path, value


def _key(path: tuple[str | int, ...]) -> str:
    text = ""
    for step in path:
        text += f"[{step + 1}]" if isinstance(step, int) else f".{step}" if text else step
    return text


def _entries(c: Connection, kind: str, where: ColumnElement[bool] | None, limit: int) -> list[Entry]:
    """The newest records of a kind, each as one line."""
    t = TABLES[kind]
    query: list[ColumnElement[Any]] = [t.c.uid, t.c.made_at]
    joined: FromClause = t
    skip = ("uid", "made_at", "record", "text", "sha256", "size_bytes")
    query += [t.c[f.name] for f in KINDS[kind].fields if f.name not in skip and not f.refers]
    # outer joins, so that the newest are found by the index first and only then given names
    for f in KINDS[kind].fields:
        if f.refers in ("machine", "filament", "program", "recipe"):
            other = TABLES[f.refers].alias(f"the_{f.name}")
            joined = joined.outerjoin(other, other.c.uid == t.c[f.name])
            query.append(other.c.name.label(f"{f.name}_name"))
            if f.refers != "program":
                query.append(other.c.version.label(f"{f.name}_version"))
    if kind == "print":
        o = TABLES["outcome"]
        joined = joined.outerjoin(o, and_(o.c.print == t.c.uid, is_last(o, t)))
        query += [o.c.outcome, o.c.at_line, o.c.at_time_s, o.c.at_layer, o.c.note]
    asked = select(*query).select_from(joined).order_by(t.c.made_at.desc(), t.c.uid.desc()).limit(limit)
    rows = c.execute(asked if where is None else asked.where(where)).mappings()
    return [Entry(kind, r["uid"], r["made_at"], _title(kind, dict(r)), _detail(kind, dict(r))) for r in rows]


def _title(kind: str, r: dict[str, Any]) -> str:
    if kind in NAMED:
        return f"{r['name']}@{r['version']}"
    if kind == "program":
        return str(r["name"])
    if kind == "outcome":
        return str(r["outcome"])
    if kind == "retirement":
        return f"{r['what']} {r['which']} {'retired' if r['retired'] else 'back in use'}"
    pair = f"{r['filament_name']}@{r['filament_version']} on {r['machine_name']}@{r['machine_version']}"
    if kind == "mended":
        return f"{r['source_name']}, {pair}"
    if kind == "course":
        return f"what {r['program_name']} asks of the drive, {pair}"
    what = r.get("program_name") or r.get("piece")
    return f"{what}, {pair}" if what else pair


def _detail(kind: str, r: dict[str, Any]) -> str:
    note = " ".join((r.get("note") or "").split())
    if kind == "finding":
        return f"{r['verdict']}, chance of a jam {percent(r['jam_probability'])}, first gives {r['mechanism']}"
    if kind == "mended":
        return "certified" if r["certified"] else "not certified"
    if kind == "program":
        return "" if r["lines"] is None else f"{r['lines']} lines"
    if kind not in ("print", "outcome"):
        return note
    words = [r["outcome"] or "no outcome written down"]
    if r["at_line"] is not None:
        words.append(f"at line {r['at_line']}")
    if r["at_layer"] is not None:
        words.append(f"in layer {r['at_layer']}")
    if r["at_time_s"] is not None:
        words.append(f"after {r['at_time_s']:g} s")
    if r.get("printed_by"):
        words.append(f"by {r['printed_by']}")
    told = " ".join(words)
    if kind == "print" and r.get("recipe_name"):
        told += f", recipe {r['recipe_name']}@{r['recipe_version']}"
    return f"{told}: {note}" if note else told
