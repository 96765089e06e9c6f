"""Export and import: lossless, and all or nothing."""

import json
import math
from pathlib import Path

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from pliant.book import look, prints, records, transfer
from pliant.book.fields import KINDS, checked, digest, record_text
from pliant.book.open_book import open_book
from pliant.book.schema import HEAD
from pliant.errors import BookError


def _filled(book, files, n=3):
    machine, filament, program = files
    findings = {"verdict": "marginal", "jam_probability": 1 / 3, "mechanism": "bow"}
    hash_ = records.prepare_program(program).values["sha256"]
    records.remember_check(book, findings, machine, filament, hash_, "p.gcode")
    a = records.add_recipe(book, "r", {"speed": 40, "why": "ü \u2028 \x00"})
    b = records.add_recipe(book, "r", {"speed": 20.000000000000004}, note="two\nlines", based_on=a.uid)
    for i in range(n):
        made, _ = records.add_print(
            book, records.prepare_toml("machine", machine), records.prepare_toml("filament", filament),
            outcome="jammed", at_line=i + 1, at_time_s=0.1 + i, recipe=b.uid, program=records.prepare_program(program),
            at_layer=i + 1, course={"a": [1.5, None]}, printed_by="Ada ü",
        )  # fmt: skip
    records.add_outcome(book, made.uid, "not-sure", note="perhaps the spool")
    row = look.show(book, made.uid).record.fields
    c = records.remember_coupon(book, row["machine"], row["filament"], "tower", {"steps": [1, 2]})
    records.remember_fit(book, row["machine"], row["filament"], {"x": [1e-300, 1e300]}, c.uid)
    records.remember_mended(book, row["program"], row["program"], row["machine"], row["filament"], False, {"a": 1})
    records.retire(book, "filament", "an older spool", True, "used up")


def _bytes(book, path):
    transfer.export_book(book, path)
    return path.read_bytes()


def test_roundtrip_export_import_export_gives_the_same_bytes(book, files, tmp_path):
    _filled(book, files)
    first = _bytes(book, tmp_path / "a.jsonl")
    with open_book(tmp_path / "other.sqlite", create=True) as other:
        told = transfer.import_book(other, tmp_path / "a.jsonl")
        assert told.counts == {
            "machine": 1, "filament": 1, "recipe": 2, "program": 1, "finding": 1, "mended": 1, "print": 3,
            "outcome": 4, "coupon": 1, "fit": 1, "course": 1, "retirement": 1,
        }  # fmt: skip
        assert _bytes(other, tmp_path / "b.jsonl") == first
        assert transfer.verify(other).counts == told.counts
    again = transfer.import_book(book, tmp_path / "b.jsonl")
    assert (sum(again.counts.values()), again.already_here) == (0, 18)


@pytest.mark.postgres
def test_roundtrip_from_a_file_to_a_server_and_back(server, files, tmp_path):
    with open_book(tmp_path / "a.sqlite", create=True) as book:
        _filled(book, files)
        first = _bytes(book, tmp_path / "a.jsonl")
    with open_book(server(), create=True) as shared:
        transfer.import_book(shared, tmp_path / "a.jsonl")
        assert _bytes(shared, tmp_path / "b.jsonl") == first


_TEXT = st.text(max_size=20)
_LEAF = st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False, allow_infinity=False) | _TEXT
_VALUES = st.dictionaries(_TEXT, st.recursive(_LEAF, lambda x: st.lists(x) | st.dictionaries(_TEXT, x), max_leaves=8))
_PRINT = st.characters(exclude_categories=("C", "Z")) | st.just(" ")
_NAME = st.text(_PRINT, min_size=1, max_size=200).filter(lambda s: s.strip() and s.isprintable())
_NOTE = st.none() | st.text(st.characters(exclude_categories=("Cs",), exclude_characters="\0"), max_size=50)


@pytest.mark.parametrize("backend", ["file", pytest.param("server", marks=pytest.mark.postgres)])
def test_roundtrip_any_recipe_survives_book_and_export(backend, request, tmp_path):
    place = tmp_path / "book.sqlite" if backend == "file" else request.getfixturevalue("server")()
    kept = {}
    with open_book(place, create=True) as book:

        @settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow], database=None)
        @given(values=_VALUES, name=_NAME, note=_NOTE.filter(lambda s: s is None or s.strip()))
        @example(values={"": {"": ""}, "\ud800": -0.0}, name="\U0001f9f5", note="\r\n\x1b\x7f\ufeff")
        def run(values, name, note):
            made = records.add_recipe(book, name, values, note)
            if made.new:
                kept[made.uid] = (json.dumps(values), name, note)

        run()
        transfer.export_book(book, tmp_path / "a.jsonl")
        with open_book(tmp_path / "o.sqlite", create=True) as other:
            transfer.import_book(other, tmp_path / "a.jsonl")
            transfer.export_book(other, tmp_path / "b.jsonl")
            for one in (book, other):
                for uid, said in kept.items():
                    back = look.show(one, uid).record.fields
                    assert (json.dumps(back["record"]), back["name"], back.get("note")) == said
    assert len(kept) > 20
    assert (tmp_path / "a.jsonl").read_bytes() == (tmp_path / "b.jsonl").read_bytes()


def _lines(path):
    return path.read_bytes().splitlines(keepends=True)


def _resigned(line):
    """A record whose own checksum is made to fit again, as somebody who means it would."""
    data = json.loads(line)
    kind = KINDS[data.pop("kind")]
    data.pop("digest")
    row = {k: record_text(v) if k == "record" else v for k, v in data.items()}
    full = {f.name: row.get(f.name) for f in kind.fields}
    return json.dumps({"kind": kind.name, **data, "digest": digest(kind, full)}).encode() + b"\n"


def _at(lines, kind, **change):
    """The same lines with the first record of a kind changed and its own checksum fitting."""
    i = next(i for i, x in enumerate(lines) if b'"kind":"%s"' % kind.encode() in x)
    return [*lines[:i], _resigned(json.dumps(json.loads(lines[i]) | change)), *lines[i + 1 :]]


def _break(name, lines):
    end = json.loads(lines[-1])
    flip = bytearray(lines[4])
    flip[len(flip) // 2] ^= 1
    return {
        "empty": [],
        "other json": [b'{"hello": "world"}\n'],
        "a list": [b"[1, 2]\n"],
        "not json": [b"G1 X1 Y1\n"],
        "binary": [bytes(range(256)) * 40],
        "newer form": [lines[0].replace(HEAD.encode(), b"0007"), *lines[1:]],
        "half": lines[: len(lines) // 2],
        "no end": lines[:-1],
        "cut in a line": [*lines[:-1], lines[-1][:-10]],
        "line left out": [*lines[:3], *lines[4:]],
        "line twice": [*lines[:4], lines[3], *lines[4:]],
        "bit flipped": [*lines[:4], bytes(flip), *lines[5:]],
        "wrong count": [*lines[:-1], json.dumps(end | {"records": 3}).encode() + b"\n"],
        "more after the end": [*lines, lines[3]],
        "unknown kind": [*lines[:2], b'{"kind":"spell","uid":"0000000000000000"}\n', *lines[2:]],
        "unknown key": [*lines[:1], lines[1].replace(b'"name"', b'"nome"'), *lines[2:]],
        "bad outcome": [x.replace(b'"not-sure"', b'"perhaps"') for x in lines],
        "nan": [*lines[:1], lines[1].replace(b'"version":1', b'"version":NaN'), *lines[2:]],
        "key twice": [*lines[:1], lines[1].replace(b'"version":1', b'"version":1,"version":1'), *lines[2:]],
        "deep": [*lines[:1], b'{"kind":' + b"[" * 200_000 + b"]" * 200_000 + b"}\n", *lines[1:]],
        "huge number": [*lines[:1], lines[1].replace(b'"version":1', b'"version":' + b"9" * 6000), *lines[2:]],
        "foreign uid": _at(lines, "machine", uid="0123456789abcdef"),
    }[name]


BROKEN = [
    "empty", "other json", "a list", "not json", "binary", "newer form", "half", "no end", "cut in a line",
    "line left out", "line twice", "bit flipped", "wrong count", "more after the end", "unknown kind", "unknown key",
    "bad outcome", "nan", "key twice", "deep", "huge number", "foreign uid",
]  # fmt: skip


@pytest.fixture(scope="module")
def export(tmp_path_factory):
    folder = tmp_path_factory.mktemp("export")
    from pliant.records.starters import starter

    files = folder / "m.toml", folder / "f.toml", folder / "p.gcode"
    files[0].write_text(starter("machine", "open-gap"))
    files[1].write_text(starter("filament", "85A"))
    files[2].write_text("G1 X1\n" * 3)
    with open_book(folder / "b.sqlite", create=True) as book:
        _filled(book, files)
        transfer.export_book(book, folder / "whole.jsonl")
    return _lines(folder / "whole.jsonl")


@pytest.mark.parametrize("name", BROKEN)
def test_a_foreign_or_half_file_is_taken_in_not_at_all(place, export, tmp_path, name):
    bad = tmp_path / "bad.jsonl"
    bad.write_bytes(b"".join(_break(name, export)))
    with open_book(place, create=True) as book:
        records.add_recipe(book, "mine", {"a": 1})
        before = _bytes(book, tmp_path / "before.jsonl")
        with pytest.raises(BookError, match=r"bad\.jsonl") as caught:
            transfer.import_book(book, bad)
        assert len(str(caught.value)) < 600
        assert "\n" not in str(caught.value)
        assert _bytes(book, tmp_path / "after.jsonl") == before


def test_every_cut_is_noticed(export, tmp_path):
    whole = b"".join(export)
    with open_book(tmp_path / "b.sqlite", create=True) as book:
        for n in [*range(0, len(whole), 97), len(whole) - 1]:
            (tmp_path / "cut.jsonl").write_bytes(whole[:n])
            with pytest.raises(BookError):
                transfer.import_book(book, tmp_path / "cut.jsonl")
        assert not any(look.listing(book).counts.values())
        (tmp_path / "cut.jsonl").write_bytes(whole)
        assert transfer.import_book(book, tmp_path / "cut.jsonl").counts["outcome"] == 4


def _signed(lines, tmp_path):
    import hashlib

    body = lines[:-1]
    end = {"end": True, "records": len(body) - 1, "sha256": hashlib.sha256(b"".join(body)).hexdigest()}
    path = tmp_path / "signed.jsonl"
    path.write_bytes(b"".join(body) + json.dumps(end).encode() + b"\n")
    return path


def test_a_file_that_contradicts_the_book_is_refused(place, export, tmp_path):
    with open_book(place, create=True) as book:
        records.add_recipe(book, "r", {"speed": 99})  # the file has another r@1
        before = _bytes(book, tmp_path / "before.jsonl")
        with pytest.raises(BookError, match=r"another recipe r 1 .*import into a new `book`"):
            transfer.import_book(book, _signed(export, tmp_path))
        assert _bytes(book, tmp_path / "after.jsonl") == before


def test_a_reference_to_nothing_is_refused(place, export, tmp_path):
    without = [x for x in export if b'"kind":"machine"' not in x]
    with open_book(place, create=True) as book:
        with pytest.raises(BookError, match="refers to one that is not there; nothing was written"):
            transfer.import_book(book, _signed(without, tmp_path))
        assert not any(look.listing(book).counts.values())


def test_same_identifier_other_content_is_refused(place, export, tmp_path):
    with open_book(place, create=True) as book:
        transfer.import_book(book, _signed(export, tmp_path))
        changed = _at(export, "outcome", note="something else")
        with pytest.raises(BookError, match="already here with another content"):
            transfer.import_book(book, _signed(changed, tmp_path))


def test_roundtrip_two_books_that_share_a_machine_come_together(place, export, files, tmp_path):
    with open_book(place, create=True) as book:
        records.add_print(
            book, records.prepare_toml("machine", files[0]), records.prepare_toml("filament", files[1]), outcome="ok"
        )  # fmt: skip
        told = transfer.import_book(book, _signed(export, tmp_path))
        assert told.already_here == 2  # machine and filament, though written at another moment
        assert prints.past_outcomes(book, "My open-gap machine", "Soft spool 85A").counts == {
            "jammed": 2, "not-sure": 1, "ok": 1,
        }  # fmt: skip
        transfer.verify(book)


def test_an_export_never_replaces_a_file(book, tmp_path):
    target = tmp_path / "there.jsonl"
    target.write_text("mine")
    for write in (transfer.export_book, transfer.back_up):
        with pytest.raises(BookError, match="already there, and kept"):
            write(book, target)
    assert target.read_text() == "mine"
    with pytest.raises(BookError, match="cannot be written"):
        transfer.export_book(book, Path("/proc/nowhere/x.jsonl"))
    assert not list(tmp_path.glob(".*part"))


def test_roundtrip_a_backup_is_the_book(book, files, tmp_path):
    _filled(book, files)
    first = _bytes(book, tmp_path / "a.jsonl")
    told = transfer.back_up(book, tmp_path / "backup")
    assert sum(told.counts.values()) == 18
    if book.path is None:
        assert (tmp_path / "backup").read_bytes() == first
        with pytest.raises(BookError, match="needs a file"):
            transfer.back_up(book)
        return
    with open_book(tmp_path / "backup") as copy:
        assert _bytes(copy, tmp_path / "b.jsonl") == first
    assert Path(transfer.back_up(book).file).parent == tmp_path


def test_checked_names_the_key_that_is_wrong():
    with pytest.raises(BookError, match="recipe: unknown key 'colour'; allowed are uid, made_at, name"):
        checked(KINDS["recipe"], {"colour": "red"})
    with pytest.raises(BookError, match="recipe: uid is missing"):
        checked(KINDS["recipe"], {})
    assert math.copysign(1, json.loads(record_text({"z": -0.0}))["z"]) == -1
