"""Forks writers to a book and kills them with signal 9 at random moments; run by `test_faults`.

Usage: killed.py FOLDER ROUNDS SEED. Prints one line of JSON, or fails with an assertion.
"""

import json
import os
import random
import select
import signal
import sqlite3
import sys
import time
from pathlib import Path

import alembic.script  # noqa: F401  (imported here, once, so that a writer starts at once)

import pliant.book.open_book as module
from pliant.book import records, transfer
from pliant.book.migrate import upgrade
from pliant.book.open_book import Book, open_book
from pliant.book.schema import TABLES
from pliant.records.starters import starter


def write(place, pipe, me):
    """Write until killed; say what was written only once the call has returned."""
    folder = Path(place).parent
    with open_book(place, create=True) as book:
        n = 0
        while True:
            n += 1
            made = [records.add_recipe(book, "shared", {"by": me, "n": n, "pad": "x" * random.randrange(9000)})]
            made += records.add_print(
                book, records.prepare_toml("machine", folder / "m.toml"),
                records.prepare_toml("filament", folder / "f.toml"), outcome="jammed", at_line=n, note="y" * 500,
            )  # fmt: skip
            os.write(pipe, "".join(f"{a.kind} {a.uid}\n" for a in made).encode())


def take_in(place, pipe, _):
    with open_book(place, create=True) as book:
        transfer.import_book(book, Path(place).parent / "big.jsonl")
        os.write(pipe, b"all imported\n")
        time.sleep(60)


def start(work, place, me):
    out, into = os.pipe()
    child = os.fork()
    if child == 0:
        try:
            os.close(out)
            work(place, into, me)
        finally:
            os._exit(1)  # reached only if the writer failed by itself
    os.close(into)
    return child, out


def kill(child, out):
    os.kill(child, signal.SIGKILL)
    _, status = os.waitpid(child, 0)
    assert os.WIFSIGNALED(status), "a writer failed by itself"
    said = b""
    while piece := os.read(out, 1 << 16):
        said += piece
    os.close(out)
    return [line.split() for line in said.decode().splitlines()]


def whole(place):
    """Look without pliant first: the file must be sound as the kill left it."""
    if not Path(place).exists():
        return {}
    connection = sqlite3.connect(place)
    try:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        tables = {r[0] for r in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
        assert tables == set() or {"recipes", "outcomes", "pliant_book_version"} <= tables
        return {
            k: {r[0] for r in connection.execute(f"SELECT uid FROM {t.name}")}
            for k, t in TABLES.items()
            if t.name in tables
        }
    finally:
        connection.close()


def main(folder, rounds, seed):
    random.seed(seed)
    folder = Path(folder)
    (folder / "m.toml").write_text(starter("machine", "open-gap"))
    (folder / "f.toml").write_text(starter("filament", "85A"))
    with open_book(folder / "big.sqlite", create=True) as big:
        for i in range(150):
            records.add_recipe(big, "big", {"n": i})
        transfer.export_book(big, folder / "big.jsonl")
    old = folder / "old.sqlite"
    book = Book(module._file_engine(old, False), str(old), old)
    with book.writing() as connection:
        upgrade(connection, "0001")
        connection.exec_driver_sql(f"PRAGMA application_id = {module.APPLICATION_ID}")
    book.close()
    kills, acknowledged, halfway, unborn, promised = 0, {}, 0, 0, 0
    place = None
    for i in range(rounds):
        sort = ("grow", "grow", "begin", "migrate", "import")[i % 5]
        if place is None or sort == "begin":
            place, acknowledged = str(folder / f"{i}.sqlite"), {}
        if sort == "migrate":
            place, acknowledged = str(folder / f"{i}.sqlite"), {}
            Path(place).write_bytes(old.read_bytes())
        if sort == "import":
            child, out = start(take_in, place, i)
            time.sleep(random.uniform(0, 0.25))
            said = kill(child, out)
            kills += 1
            there = whole(place)
            with sqlite3.connect(place) as connection:
                took = connection.execute("SELECT count(*) FROM recipes WHERE name = 'big'").fetchone()[0]
            connection.close()
            assert took in (0, 150), f"half an import: {took}"
            assert took == 150 or not said, "an import that was acknowledged is gone"
            halfway += took == 0
        else:
            pair = [start(write, place, f"{i}.{k}") for k in (0, 1)]
            if sort == "grow":  # on a busy machine too, somebody has written before the first is killed
                select.select([out for _, out in pair], [], [], 20)
            time.sleep(random.uniform(0, 0.15 if sort in ("begin", "migrate") else 0.4))
            for child, out in pair:
                for kind, uid in kill(child, out):
                    acknowledged.setdefault(kind, set()).add(uid)
                    promised += 1
                kills += 1
                time.sleep(random.uniform(0, 0.05))
            there = whole(place)
            unborn += not there
        for kind, uids in acknowledged.items():
            lost = uids - there.get(kind, set())
            assert not lost, f"round {i} ({sort}): {len(lost)} acknowledged {kind} records are gone"
        with open_book(place, create=True) as book:
            transfer.verify(book)
    told = {"kills": kills, "acknowledged": promised, "cut_imports": int(halfway), "cut_at_birth": int(unborn)}
    print(json.dumps(told))


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]), int(sys.argv[3]))
