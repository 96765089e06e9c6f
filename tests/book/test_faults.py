"""Nothing lost: killed writers, full disks, places that can only be read, damaged files."""

import json
import os
import random
import shutil
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest
from sqlalchemy import event

import pliant.book.open_book as module
from pliant.book import look, records, transfer
from pliant.book.carve import columns_of
from pliant.book.fields import KINDS
from pliant.book.open_book import open_book
from pliant.book.rescue import rescue
from pliant.errors import BookError


def _fill(book, n, pad=400):
    with_pad = {"pad": "x" * pad}
    return [records.add_recipe(book, f"r{i}", with_pad | {"n": i}).uid for i in range(n)]


@pytest.mark.parametrize("kills", [6, pytest.param(50, marks=pytest.mark.study)])
def test_killed_writers_lose_nothing_they_were_told_is_kept(tmp_path, kills):
    seed = random.SystemRandom().randrange(10**6)
    script = Path(__file__).with_name("killed.py")
    done = subprocess.run(
        [sys.executable, script, tmp_path, str(kills), str(seed)], capture_output=True, text=True, check=False
    )  # fmt: skip
    assert done.returncode == 0, f"seed {seed}: {done.stderr[-2000:]}"
    told = json.loads(done.stdout)
    assert told["kills"] >= kills
    assert told["acknowledged"] > 2 * kills, "the writers were killed before they wrote anything: proves nothing"


WRITER = """
import sys
from pliant.book import records
from pliant.book.open_book import open_book
place, me = sys.argv[1:]
with open_book(place, create=True) as book:
    for n in range(40):
        print(records.add_recipe(book, "shared", {"by": me, "n": n}).version)
"""


def test_two_writers_at_once(place, tmp_path):
    start = [sys.executable, "-c", WRITER, place]
    pair = [subprocess.Popen([*start, me], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) for me in "ab"]
    said = [p.communicate(timeout=120) for p in pair]
    assert [p.returncode for p in pair] == [0, 0], said
    versions = sorted(int(v) for out, _ in said for v in out.split())
    assert versions == list(range(1, 81))
    with open_book(place) as book:
        assert transfer.verify(book).counts["recipe"] == 80


def test_a_writer_that_waits_too_long_says_so(tmp_path, monkeypatch):
    monkeypatch.setattr(module, "BUSY_S", 0.05)
    with open_book(tmp_path / "b.sqlite", create=True) as one, open_book(tmp_path / "b.sqlite") as two:
        with one.writing(), pytest.raises(BookError, match=r"another program has been writing.*try again"):
            _fill(two, 1)
        assert len(_fill(two, 1)) == 1


def test_a_reader_is_not_held_up_by_a_writer(tmp_path):
    with open_book(tmp_path / "b.sqlite", create=True) as one, open_book(tmp_path / "b.sqlite") as two:
        _fill(one, 2)
        with one.writing() as connection:
            connection.exec_driver_sql("CREATE TABLE held (a)")
            assert look.listing(two).counts["recipe"] == 2


@pytest.fixture(params=["small disk", "small book"])
def full(request, tmp_path):
    """A book with no room for more than some hundred kilobytes."""
    if request.param == "small book":  # works for every user: the database refuses further pages, with the same words
        with open_book(tmp_path / "b.sqlite", create=True) as book:

            @event.listens_for(book.engine, "connect")
            def limit(connection, _):
                connection.execute("PRAGMA max_page_count = 130")

            book.engine.dispose()
            yield book
        return
    if os.geteuid() != 0:
        pytest.fail("this test mounts a small disk, which only root may; run it as root, as CI does")
    disk = tmp_path / "disk"
    disk.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", disk], check=True)
    try:
        with open_book(disk / "b.sqlite", create=True) as book:
            yield book
    finally:
        subprocess.run(["umount", disk], check=True)


def test_a_full_disk_loses_nothing_and_says_so(full, tmp_path):
    kept = []
    with pytest.raises(BookError, match="disk is full; nothing was written; make room and try again"):
        for i in range(10_000):
            kept.append(records.add_recipe(full, f"r{i}", {"n": i, "pad": "x" * 3000}).uid)
    assert len(kept) > 10
    for _ in range(3):  # and it stays sound when one goes on trying
        with pytest.raises(BookError, match="disk is full"):
            records.add_recipe(full, "more", {"pad": "y" * 200_000})
    assert transfer.verify(full).counts["recipe"] == len(kept)
    assert [look.show(full, uid).record.fields["record"]["n"] for uid in kept] == list(range(len(kept)))
    # the way out: an export to another disk
    assert transfer.export_book(full, tmp_path / "out.jsonl").counts["recipe"] == len(kept)


def test_an_import_onto_a_full_disk_takes_in_nothing(full, tmp_path):
    with open_book(tmp_path / "big.sqlite", create=True) as big:
        _fill(big, 300, pad=4000)
        transfer.export_book(big, tmp_path / "big.jsonl")
    for i in range(3):
        records.add_recipe(full, f"mine {i}", {"n": i})
    with pytest.raises(BookError, match="disk is full"):
        transfer.import_book(full, tmp_path / "big.jsonl")
    assert transfer.verify(full).counts["recipe"] == 3


def test_no_room_for_a_backup_leaves_nothing_behind(tmp_path):
    if os.geteuid() != 0:
        pytest.fail("this test mounts a small disk, which only root may; run it as root, as CI does")
    disk = tmp_path / "disk"
    disk.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=64k", "tmpfs", disk], check=True)
    try:
        with open_book(tmp_path / "b.sqlite", create=True) as book:
            _fill(book, 200)
            for write in (transfer.back_up, transfer.export_book):
                with pytest.raises(BookError, match=r"disk is full|No space left"):
                    write(book, disk / "x")
                assert list(disk.iterdir()) == []
    finally:
        subprocess.run(["umount", disk], check=True)


def test_a_place_that_can_only_be_read_is_read(tmp_path):
    if os.geteuid() != 0:
        pytest.fail("this test mounts a disk read-only, which only root may; run it as root, as CI does")
    disk = tmp_path / "disk"
    disk.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=4m", "tmpfs", disk], check=True)
    try:
        with open_book(disk / "b.sqlite", create=True) as book:
            (uid,) = _fill(book, 1)
        subprocess.run(["mount", "-o", "remount,ro", disk], check=True)
        with open_book(disk / "b.sqlite") as book:
            assert look.show(book, uid).record.fields["name"] == "r0"
            assert transfer.verify(book).counts["recipe"] == 1
            transfer.export_book(book, tmp_path / "out.jsonl")
            with pytest.raises(BookError, match="can only be read; choose another"):
                _fill(book, 1)
        with pytest.raises(BookError, match=r"new\.sqlite: it cannot be opened"):
            open_book(disk / "new.sqlite", create=True)
    finally:
        subprocess.run(["umount", disk], check=True)


@pytest.fixture(scope="module")
def sound(tmp_path_factory):
    """A closed book of 300 recipes over some hundred pages, with a backup."""
    path = tmp_path_factory.mktemp("sound") / "book.sqlite"
    with open_book(path, create=True) as book:
        uids = _fill(book, 300, pad=700)
        records.add_recipe(book, "child", {"a": 1}, based_on=uids[150])
    assert not path.with_name("book.sqlite-wal").exists()
    return path.read_bytes(), uids


def _try(path):
    """Read all of a book; a fault must be worded."""
    with open_book(path) as book:
        return transfer.verify(book)


def test_a_book_cut_short_says_so_and_is_rescued(sound, tmp_path):
    content, _ = sound
    path = tmp_path / "book.sqlite"
    for share in (0.6, 0.8, 0.95):
        path.write_bytes(content[: int(len(content) * share)])
        with pytest.raises(BookError, match=r"damaged \(cut short: .*book.rescue\(\)"):
            open_book(path)
        told = rescue(path, tmp_path / f"{share}.sqlite")
        assert path.read_bytes() == content[: int(len(content) * share)]
        assert told.lost
        with open_book(tmp_path / f"{share}.sqlite") as book:
            assert transfer.verify(book).counts == told.counts
        assert told.counts["recipe"] > 300 * (share - 0.45) / 0.6


def test_every_damaged_page_is_noticed_or_harmless(sound, tmp_path):
    """Overwrite each page in turn: reading all either fails in one line or gives all that was there."""
    content, _ = sound
    path = tmp_path / "book.sqlite"
    page = int.from_bytes(content[16:18], "big")
    noticed, saved = 0, []
    for start in range(0, len(content), page):
        path.write_bytes(content[:start] + b"\xa5" * page + content[start + page :])
        try:
            assert _try(path).counts["recipe"] == 301
        except BookError as error:
            noticed += 1
            assert str(path) in str(error)
            assert "damaged" in str(error) or "not a pliant book" in str(error)
            assert "\n" not in str(error)
        if start and start // page % 7 == 0:
            target = tmp_path / f"{start}.sqlite"
            try:
                saved.append(rescue(path, target).counts["recipe"])
            except BookError as error:
                assert "backup" in str(error)
                continue
            with open_book(target) as book:
                assert transfer.verify(book).counts["recipe"] == saved[-1]
    assert noticed >= len(content) // page * 0.9
    assert sorted(saved)[len(saved) // 2] > 280  # one page holds a few records


def test_flipped_bits_in_a_record_are_noticed_and_the_rest_is_saved(sound, tmp_path):
    content, uids = sound
    path = tmp_path / "book.sqlite"
    spoilt = bytearray(content)
    for i in (100, 150, 200):
        at = content.index(b'{"pad":"' + b"x" * 700 + b'","n":%d}' % i)
        spoilt[at + 300] ^= 1
    path.write_bytes(spoilt)
    with pytest.raises(BookError, match="does not match its checksum, so the book is damaged"):
        _try(path)
    told = rescue(path, tmp_path / "new.sqlite")
    assert told.counts["recipe"] == 297  # three spoilt, and the child of one of them
    assert told.lost == ("recipe: 3 spoilt", "recipe: 1 whole, but refer to what is lost")
    with open_book(tmp_path / "new.sqlite") as book:
        assert look.show(book, uids[101]).record.fields["record"]["n"] == 101
    with pytest.raises(BookError, match="already there, and kept"):
        rescue(path, tmp_path / "new.sqlite")


def test_random_damage_never_raises_anything_else(sound, tmp_path):
    content, _ = sound
    path, rng = tmp_path / "book.sqlite", random.Random(11)
    for i in range(30):
        spoilt = bytearray(content)
        for _ in range(rng.choice((1, 5, 50))):
            spoilt[rng.randrange(len(spoilt) if i % 2 else 400)] = rng.randrange(256)
        path.write_bytes(spoilt)
        for tail in ("-wal", "-shm"):
            path.with_name(path.name + tail).unlink(missing_ok=True)
        for job in (lambda: _try(path), lambda i=i: rescue(path, tmp_path / f"{i}.sqlite")):
            try:
                job()
            except BookError as error:
                assert "\n" not in str(error)


def test_roundtrip_rows_are_carved_from_the_pages_alone(tmp_path, files):
    """With the list of tables gone, the pages still give every record, of every kind, long ones too."""
    path = tmp_path / "book.sqlite"
    with open_book(path, create=True) as book:
        m, f, p = (
            records.add_prepared(book, x).uid
            for x in (
                records.prepare_toml("machine", files[0]), records.prepare_toml("filament", files[1]),
                records.prepare_program(files[2]),
            )
        )  # fmt: skip
        r = records.add_recipe(book, "r", {"long": "x" * 100_000, "n": 2**60}, note="ü\n").uid
        records.add_print(book, m, f, outcome="jammed", at_line=3, at_time_s=7.0, program=p, recipe=r)
        records.add_print(book, m, f, outcome="jammed", at_time_s=0.1, printed_by="Ada")
        records.remember_check(
            book, {"verdict": "jams", "jam_probability": 1, "mechanism": "bow"}, files[0], files[1], "a" * 64
        )  # fmt: skip
        done = records.remember_mended(book, p, p, m, f, True, {"a": 1}).uid
        records.add_print(book, m, f, outcome="ok", mended=done)
        c = records.remember_coupon(book, m, f, "tower", {"a": 1}).uid
        records.remember_fit(book, m, f, {"a": [1.5, -2]}, c)
        records.retire(book, "machine", "Bench", True)
        transfer.export_book(book, tmp_path / "a.jsonl")
        with book.reading() as connection:
            for kind in KINDS.values():
                columns = connection.exec_driver_sql(f"PRAGMA table_info({kind.table})").mappings()
                assert tuple(x["name"] for x in columns) == columns_of(kind)
    content = bytearray(path.read_bytes())
    content[:4096] = content[:100] + b"\0" * 3996
    path.write_bytes(content)
    with pytest.raises(BookError):
        open_book(path)
    rescue(path, tmp_path / "new.sqlite")
    with open_book(tmp_path / "new.sqlite") as book:
        transfer.export_book(book, tmp_path / "b.jsonl")
    assert (tmp_path / "b.jsonl").read_bytes() == (tmp_path / "a.jsonl").read_bytes()


def test_the_message_names_the_backup(sound, tmp_path):
    path = tmp_path / "book.sqlite"
    path.write_bytes(sound[0])
    with open_book(path) as book:
        kept = transfer.back_up(book).file
    path.write_bytes(sound[0][:50_000])
    with pytest.raises(BookError) as caught:
        open_book(path)
    assert f"go back to its backup {kept}" in str(caught.value)
    shutil.copy(kept, path)  # as the message says
    assert _try(path).counts["recipe"] == 301
    path.write_bytes(b"\0" * 16 + sound[0][16:])
    with pytest.raises(BookError, match="not a pliant book, or its first bytes are damaged") as caught:
        open_book(path)
    assert kept in str(caught.value)
    assert "book.rescue()" in str(caught.value)
    assert rescue(path, tmp_path / "new.sqlite").counts["recipe"] == 301


@pytest.mark.parametrize(
    "content", [b"G1 X1 Y1\n", b"\0" * 5000, b"SQLite format 3\0", b"SQLite format 3\0" + b"\xff" * 500]
)
def test_a_file_that_is_no_book_is_refused_and_left_alone(tmp_path, content):
    path = tmp_path / "x"
    path.write_bytes(content)
    with pytest.raises(BookError, match=r"not a pliant book|damaged"):
        open_book(path, create=True)
    assert path.read_bytes() == content
    with pytest.raises(BookError, match=r"nothing in it can be read"):
        rescue(path, tmp_path / "new")
    assert not (tmp_path / "new").exists()


def test_a_backup_taken_while_others_write_is_sound(tmp_path):
    place = str(tmp_path / "b.sqlite")
    with open_book(place, create=True) as book:
        writer = subprocess.Popen(
            [sys.executable, "-c", WRITER, place, "a"], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
        )
        seen, n = [], 0
        while writer.poll() is None or n < 2:
            transfer.back_up(book, tmp_path / f"{n}.backup")
            seen.append(_try(tmp_path / f"{n}.backup").counts["recipe"])
            n += 1
        assert writer.communicate()[1] == ""
    assert writer.returncode == 0
    assert seen == sorted(seen)


def test_a_left_over_log_on_a_read_only_disk_is_not_forgotten(tmp_path):
    """Records that only the write-ahead log holds must be shown, or it must be said why not."""
    if os.geteuid() != 0:
        pytest.fail("this test mounts a disk read-only, which only root may; run it as root, as CI does")
    with open_book(tmp_path / "b.sqlite", create=True) as book:
        (uid,) = _fill(book, 1)
        raw = sqlite3.connect(tmp_path / "b.sqlite")
        raw.execute("SELECT count(*) FROM recipes").fetchone()
        disk = tmp_path / "disk"
        disk.mkdir()
        subprocess.run(["mount", "-t", "tmpfs", "-o", "size=4m", "tmpfs", disk], check=True)
        for tail in ("", "-wal"):
            shutil.copy(tmp_path / f"b.sqlite{tail}", disk / f"b.sqlite{tail}")
        raw.close()
    try:
        subprocess.run(["mount", "-o", "remount,ro", disk], check=True)
        try:
            with open_book(disk / "b.sqlite") as book:
                assert look.show(book, uid).record.fields["name"] == "r0"
        except BookError as error:
            assert "cannot be opened" in str(error)
    finally:
        subprocess.run(["umount", disk], check=True)
