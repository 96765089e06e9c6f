"""How long a book of 10^5 records takes to list, compare and read, against `json.loads` of the same lines.

Run: python benchmarks/book.py [RECORDS]. Prints a ratio to the yardstick, which ran in the same process.
"""

import json
import platform
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import sqlalchemy
from sqlalchemy import insert

from pliant.book import look, records, transfer
from pliant.book.fields import KINDS, checked, digest, now, record_text, same_thing
from pliant.book.open_book import Book, open_book
from pliant.book.schema import TABLES
from pliant.records.starters import starter


def fill(book: Book, folder: Path, count: int) -> None:
    """Invented records: 40 spools on 8 machines, a print and an outcome of each pair in turn, and recipes."""
    machines, filaments = [], []
    for i in range(8):
        (folder / "m.toml").write_text(starter("machine", "open-gap").replace("My open-gap machine", f"Machine {i}"))
        machines.append(records.add_prepared(book, records.prepare_toml("machine", folder / "m.toml")).uid)
    for i in range(40):
        (folder / "f.toml").write_text(starter("filament", "85A").replace("Soft spool 85A", f"Spool {i}"))
        filaments.append(records.add_prepared(book, records.prepare_toml("filament", folder / "f.toml")).uid)
    rows: dict[str, list[dict]] = {"recipe": [], "print": [], "outcome": []}

    def put(name: str, values: dict) -> str:
        kind = KINDS[name]
        row = checked(kind, values | {"uid": same_thing(kind, values), "made_at": now()})
        rows[name].append(row | {"digest": digest(kind, row)})
        return str(row["uid"])

    for i in range(count // 10):
        values = {f"value_{k}": i + k / 7 for k in range(30)}
        put("recipe", {"name": f"recipe {i // 5}", "version": i % 5 + 1, "record": record_text(values)})
    for i in range((count - len(rows["recipe"]) - 48) // 2):
        made = put("print", {"machine": machines[i % 8], "filament": filaments[i % 40]})
        where = {"at_line": i + 1} if i % 3 else {}
        put("outcome", {"print": made, "version": 1, "outcome": "jammed" if i % 3 else "ok", "note": "x" * 40} | where)
    with book.writing() as connection:
        for name, some in rows.items():
            connection.execute(insert(TABLES[name]), some)


def median_s(job, repeats: int = 5) -> float:
    """Median time of a call. [s]"""
    took = []
    for _ in range(repeats):
        start = time.perf_counter()
        job()
        took.append(time.perf_counter() - start)
    return statistics.median(took)


def main(count: int) -> None:
    versions = (
        f"Python {platform.python_version()}, SQLite {sqlite3.sqlite_version}, SQLAlchemy {sqlalchemy.__version__}"
    )
    print(f"{platform.machine()}, {versions}")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        place = folder / "book.sqlite"
        with open_book(place, create=True) as book:
            fill(book, folder, count)
            transfer.export_book(book, folder / "all.jsonl")
        lines = (folder / "all.jsonl").read_bytes().splitlines()
        yardstick = median_s(lambda: [json.loads(x) for x in lines], 3)
        print(
            f"{len(lines) - 2} records, {place.stat().st_size / 1e6:.0f} MB; json.loads of all: {yardstick:.3f} s = 1"
        )

        def opened(job):
            def run():
                with open_book(place) as book:
                    return job(book)

            return run

        jobs = {
            "open and list, newest 20 of all kinds": opened(look.listing),
            "open and list, newest 20 prints": opened(lambda b: look.listing(b, "print")),
            "open and list, newest 1000 prints": opened(lambda b: look.listing(b, "print", 1000)),
            "open and compare two recipes": opened(lambda b: look.compare(b, "recipe 7@1", "recipe 900@5")),
            "open and past outcomes of one pair": opened(lambda b: look.past_outcomes(b, "Machine 3", "Spool 11")),
            "open and history of one spool": opened(lambda b: look.history(b, "Spool 11")),
            "open and write one outcome": opened(
                lambda b: records.add_outcome(b, look.listing(b, "print", 1).entries[0].uid, "ok")
            ),
        }
        for what, job in jobs.items():
            took = median_s(job)
            print(f"{what:<40} {took:.3f} s   {took / yardstick:.2f}")
        listed = [sys.executable, "-c", "from pliant.cli import main; main()", "book", "list", "--book", str(place)]
        took = median_s(lambda: subprocess.run(listed, check=True, capture_output=True))
        print(f"{'the whole command `pliant book list`':<40} {took:.3f} s   {took / yardstick:.2f}")
        for what, job in {
            "verify all": opened(transfer.verify),
            "export all": opened(lambda b: transfer.export_book(b, folder / f"{time.time_ns()}.jsonl")),
        }.items():
            took = median_s(job, 1)
            print(f"{what:<40} {took:.3f} s   {took / yardstick:.2f}")
        with open_book(folder / "new.sqlite", create=True) as new:
            took = median_s(lambda: transfer.import_book(new, folder / "all.jsonl"), 1)
        print(f"{'import all':<40} {took:.3f} s   {took / yardstick:.2f}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 100_000)
