"""Writing and reading: versions, outcomes, what is refused, what stands beside a new check."""

import json
import threading

import pytest
from sqlalchemy import text

from pliant.book import look, prints, records, transfer
from pliant.book.open_book import open_book
from pliant.book.schema import TABLES
from pliant.errors import BookError, RecordError
from pliant.records.book import OUTCOMES
from pliant.records.starters import starter

MACHINE, FILAMENT = "My open-gap machine", "Soft spool 85A"


def _print(book, files, outcome="ok", **more):
    machine, filament, program = files
    return records.add_print(
        book,
        records.prepare_toml("machine", machine),
        records.prepare_toml("filament", filament),
        outcome=outcome,
        program=records.prepare_program(program),
        **more,
    )


def test_roundtrip_a_recipe_comes_back_as_it_was(book):
    values = {"ü key": 1, "b": 0.1, "a": [1, 2.5, None, True, {"deep": "x\u0000y"}], "big": 2**70, "e": {}, "z": -0.0}
    made = records.add_recipe(book, "Ledger 85A", values, note="first\nsecond line")
    shown = look.show(book, made.uid).record
    assert json.dumps(shown.fields["record"]) == json.dumps(values)  # order, and 1 against 1.0, count too
    assert shown.fields["note"] == "first\nsecond line"


def test_roundtrip_versions_count_up_and_the_old_ones_stay(book):
    first = records.add_recipe(book, "r", {"speed": 40})
    again = records.add_recipe(book, "r", {"speed": 40})
    second = records.add_recipe(book, "r", {"speed": 20}, based_on=first.uid)
    back = records.add_recipe(book, "r", {"speed": 40})
    assert (first.version, first.new, again.version, again.new) == (1, True, 1, False)
    assert again.uid == first.uid
    assert (second.version, back.version) == (2, 3)  # going back is a step forward in the record
    assert [look.show(book, f"r@{v}").record.fields["record"]["speed"] for v in (1, 2, 3)] == [40, 20, 40]
    assert look.show(book, "r").record.fields["version"] == 3


def test_true_is_not_one(book):
    records.add_recipe(book, "r", {"fan": 1})
    assert records.add_recipe(book, "r", {"fan": True}).version == 2


@pytest.mark.parametrize("change", ["UPDATE recipes SET name = 'x'", "DELETE FROM recipes"])
def test_nothing_can_be_changed_even_by_hand(book, change):
    records.add_recipe(book, "r", {"speed": 40})
    with pytest.raises(BookError, match="never changed or removed"), book.writing() as connection:
        connection.execute(text(change))
    assert look.show(book, "r").record.fields["record"] == {"speed": 40}


def test_roundtrip_the_users_file_is_kept_word_for_word(book, files):
    made = records.add_prepared(book, records.prepare_toml("machine", files[0]))
    assert look.show(book, MACHINE).record.fields["text"] == files[0].read_text()
    files[0].write_text(files[0].read_text() + "\n# only a comment\n")
    assert records.add_prepared(book, records.prepare_toml("machine", files[0])).uid == made.uid
    files[0].write_text(starter("machine", "open-gap").replace("length_mm = ", "length_mm = 1", 1))
    assert records.add_prepared(book, records.prepare_toml("machine", files[0])).version == 2


@pytest.mark.parametrize("outcome", OUTCOMES)
def test_roundtrip_every_outcome(book, files, outcome):
    where = {} if outcome == "ok" else {"at_line": 2, "at_time_s": 61.5}
    made, told = _print(book, files, outcome, note="heard clicking", printed_at="2025-03-01T09:30:00.000000Z", **where)
    past = prints.past_outcomes(book, MACHINE, FILAMENT)
    assert past.counts == {outcome: 1}
    (one,) = past.recent
    assert (one.print_uid, one.outcome, one.note, one.program) == (made.uid, outcome, "heard clicking", "p.gcode")
    assert (one.at_line, one.at_time_s) == (where.get("at_line"), where.get("at_time_s"))
    assert one.made_at == "2025-03-01T09:30:00.000000Z"
    assert look.show(book, told.uid).record.fields["print"] == made.uid


NONSENSE = [
    ({"outcome": "fine"}, "outcome must be one of ok, jammed, stopped, not-sure, got 'fine'"),
    ({"outcome": "jammed", "at_line": 0}, "at_line must be a whole number of at least 1, got 0"),
    ({"outcome": "jammed", "at_line": -3}, "at_line"),
    ({"outcome": "jammed", "at_line": 1.5}, "at_line"),
    ({"outcome": "jammed", "at_line": True}, "at_line"),
    ({"outcome": "jammed", "at_line": 4}, "at_line must lie in the program, 1 to 3, got 4"),
    ({"outcome": "jammed", "at_time_s": -1}, "at_time_s must be a number from 0"),
    ({"outcome": "jammed", "at_time_s": float("nan")}, "at_time_s"),
    ({"outcome": "jammed", "at_time_s": float("inf")}, "at_time_s"),
    ({"outcome": "ok", "at_line": 2}, "at_line says where a print went wrong"),
    ({"outcome": "ok", "at_time_s": 2.0}, "at_time_s says where a print went wrong"),
    ({"outcome": "not-sure"}, "not-sure needs a note"),
    ({"outcome": "ok", "note": "   "}, "note must be text"),
    ({"outcome": "ok", "note": "a\0b"}, "note holds a character"),
    ({"outcome": "ok", "note": "\ud800"}, "note holds a character"),
    ({"outcome": "ok", "note": "x" * 20_001}, "note is 20001 characters long"),
    ({"outcome": "ok", "printed_at": "yesterday"}, "printed_at must be a moment"),
    ({"outcome": "ok", "printed_at": "2025-02-30T00:00:00.000000Z"}, "printed_at must be a moment that exists"),
    ({"outcome": "ok", "recipe": "0123456789abcdef"}, "recipe 0123456789abcdef is not in this book"),
    ({"outcome": "ok", "recipe": "soft"}, "recipe must be an identifier"),
]


@pytest.mark.parametrize(("words", "told"), NONSENSE)
def test_nonsense_is_refused_with_its_key_and_nothing_is_written(book, files, words, told):
    words = dict(words)
    with pytest.raises(BookError, match=told):
        _print(book, files, words.pop("outcome"), **words)
    assert not any(look.listing(book).counts.values())


@pytest.mark.parametrize(
    ("values", "told"),
    [
        ({1: 2}, "key must be text"),
        ({"a": {"b": [1, float("nan")]}}, r"recipe\.a\.b\[1\] must be a finite number"),
        ({"a": {1, 2}}, r"recipe\.a must be text, a number"),
        ([1], "recipe must be a table"),
        ({"a": "x" * (9 << 20)}, "at most"),
        ({"a": 10**5000}, "recipe"),
    ],
)
def test_a_recipe_that_no_file_could_hold_is_refused(book, values, told):
    with pytest.raises(BookError, match=told):
        records.add_recipe(book, "r", values)
    deep = {}
    for _ in range(100_000):
        deep = {"a": deep}
    with pytest.raises(BookError, match="nested too deeply"):
        records.add_recipe(book, "r", deep)


@pytest.mark.parametrize("name", ["", "  ", "a\nb", "\x1b[2J", "x" * 201])
def test_a_name_is_one_line_of_print(book, name):
    with pytest.raises(BookError, match="name"):
        records.add_recipe(book, name, {"a": 1})


def test_a_bad_file_of_the_user_writes_nothing(book, files):
    files[1].write_text("shore = 400\n")
    with pytest.raises(RecordError):
        _print(book, files)
    assert not any(look.listing(book).counts.values())


def test_roundtrip_a_later_word_on_a_print_counts_and_the_first_stays(book, files):
    made, first = _print(book, files, "ok")
    records.add_outcome(book, made.uid, "jammed", at_line=3, note="saw it only when I cut it open")
    assert prints.past_outcomes(book, MACHINE, FILAMENT).counts == {"jammed": 1}
    assert look.show(book, first.uid).record.fields["outcome"] == "ok"
    assert len([e for e in look.show(book, made.uid).referred_by if e.kind == "outcome"]) == 2
    with pytest.raises(BookError, match="1 to 3, got 9"):
        records.add_outcome(book, made.uid, "jammed", at_line=9)
    with pytest.raises(BookError, match="not in this book"):
        records.add_outcome(book, "0" * 16, "ok")


def test_roundtrip_a_check_is_remembered_once_and_stands_with_its_print(book, files):
    machine, filament, program = files
    findings = {
        "verdict": "jams",
        "jam_probability": 0.93,
        "mechanism": "bow",
        "least_margin": float("inf"),
        "worst": (),
    }
    hash_ = records.prepare_program(program).values["sha256"]
    made = records.remember_check(book, findings, machine, filament, hash_, "p.gcode")
    again = records.remember_check(book, findings, machine, filament, hash_, "p.gcode")
    assert (made.new, again.new, again.uid) == (True, False, made.uid)
    assert look.show(book, made.uid).record.fields["record"]["least_margin"] is None
    printed, _ = _print(book, files, "jammed", at_line=2)
    assert look.show(book, printed.uid).record.fields["finding"] == made.uid
    assert prints.past_outcomes(book, MACHINE, FILAMENT).recent[0].jam_probability == 0.93
    with pytest.raises(BookError, match="verdict must be one of feeds, marginal, jams"):
        records.remember_check(book, findings | {"verdict": "perhaps"}, machine, filament, hash_)
    with pytest.raises(BookError, match="sha256 must be a SHA-256"):
        records.remember_check(book, findings, machine, filament, "abc")


def test_roundtrip_what_an_older_pliant_kept_is_read_under_the_names_of_today(book, files):
    machine, filament, program = files
    old = {"verdict": "jams", "jam_probability": 0.9, "mechanism": "bow", "speed_factor": 0.4,
           "remedies": [{"change": "guide the gap", "jam_probability": 0.1, "speed_factor": None}]}  # fmt: skip
    hash_ = records.prepare_program(program).values["sha256"]
    made = records.remember_check(book, old, machine, filament, hash_)
    told = look.show(book, made.uid).record.fields["record"]
    assert (told["speed_share"], told["remedies"][0]["speed_share"]) == (0.4, None)
    assert "speed_factor" not in json.dumps(told)
    assert not records.remember_check(book, told, machine, filament, hash_).new  # the same finding
    with book.reading() as c:
        assert "speed_factor" in c.execute(text("SELECT record FROM findings")).scalar_one()  # what lies there stays
    assert transfer.verify(book).counts["finding"] == 1
    derived = {"settings": [{"key": "bed_c"}], "values": {"bead_speed_mm_per_s.infill": 20.0, "bed_c": 50.0},
               "by_height": [{"speed_mm_per_s": {"skins": 9.0, "over_air": 8.0}}]}  # fmt: skip
    records.add_recipe(book, "derived", derived)
    told = look.show(book, "derived").record.fields["record"]
    assert told["values"] == {"bead_speed_mm_per_s.sparse_inside": 20.0, "part.bed_c": 50.0}
    assert told["settings"] == [{"key": "part.bed_c"}]
    assert told["by_height"] == [{"speed_mm_per_s": {"solid_layers": 9.0, "over_air": 8.0}}]
    own = {"infill": 20.0, "speed_factor": 2, "values": {"bed_c": 1}}  # a user's own keys are his
    records.add_recipe(book, "own", own)
    assert look.show(book, "own").record.fields["record"] == own


def test_roundtrip_past_outcomes_span_versions_and_keep_pairs_apart(book, files):
    filament = files[1]
    for _ in range(3):
        _print(book, files, "ok")
    filament.write_text(filament.read_text() + "\nwater_percent = 0.2\n")
    _print(book, files, "jammed")
    filament.write_text(starter("filament", "95A"))
    _print(book, files, "ok")
    past = prints.past_outcomes(book, MACHINE, FILAMENT, limit=2)
    assert past.counts == {"ok": 3, "jammed": 1}
    assert [p.outcome for p in past.recent] == ["jammed", "ok"]
    assert prints.past_outcomes(book, MACHINE, "Soft spool 95A").counts == {"ok": 1}
    nothing = prints.past_outcomes(book, "never", FILAMENT)
    assert (nothing.counts, nothing.recent) == ({}, ())


def test_roundtrip_history_holds_everything_of_one_spool(book, files):
    made, _ = _print(book, files, "jammed", at_line=1)
    row = look.show(book, made.uid).record.fields
    m, f, p = row["machine"], row["filament"], row["program"]
    coupon = records.remember_coupon(book, m, f, "tower", {"steps": [1, 2]}, note="two steps")
    records.remember_fit(book, m, f, {"youngs_modulus_mpa": [30.0, 1.1]}, coupon.uid)
    records.remember_mended(book, p, p, m, f, True, {"changes": {"flow": 3}})
    records.add_recipe(book, "unrelated", {"a": 1})
    told = look.history(book, FILAMENT)
    assert [e.kind for e in told.entries] == ["filament", "print", "coupon", "fit", "mended"]
    assert told.by_machine == {MACHINE: {"jammed": 1}}
    assert look.history(book, FILAMENT, limit=2).left_out == 3
    with pytest.raises(BookError, match="no filament 'x'"):
        look.history(book, "x")


def test_an_event_must_refer_to_what_is_there(book, files):
    f = records.add_prepared(book, records.prepare_toml("filament", files[1])).uid
    with pytest.raises(BookError, match="machine 0000000000000000 is not in this book"):
        records.remember_coupon(book, "0" * 16, f, "tower", {"a": 1})


def test_roundtrip_compare_shows_every_key_and_what_differs(book):
    records.add_recipe(book, "a", {"speed": 40, "heat": {"nozzle_c": 220, "bed_c": 50}, "same": [1, 2]}, note="base")
    records.add_recipe(book, "b", {"speed": 40.5, "heat": {"nozzle_c": 220}, "same": [1, 2], "coast_mm": 0.2})
    told = look.compare(book, "a", "b")
    assert [(r.key, r.same, r.only) for r in told.rows] == [
        ("speed", False, None),
        ("heat.nozzle_c", True, None),
        ("heat.bed_c", False, "first"),
        ("same", True, None),
        ("coast_mm", False, "second"),
    ]
    assert (told.differences, told.first, told.second, told.first_note) == (3, "a@1", "b@1", "base")
    records.add_recipe(book, "a", {"speed": 20})
    assert next((r.key, r.first, r.second) for r in look.compare(book, "a").rows) == ("speed", 40, 20)
    with pytest.raises(BookError, match="no earlier version"):
        look.compare(book, "b")
    with pytest.raises(BookError, match="no machine or filament or recipe 'c'"):
        look.compare(book, "a", "c")


def test_machine_and_recipe_are_not_compared(book, files):
    records.add_prepared(book, records.prepare_toml("machine", files[0]))
    records.add_recipe(book, "r", {"a": 1})
    with pytest.raises(BookError, match="compare two of one kind"):
        look.compare(book, MACHINE, "r")


def test_a_name_that_means_two_things_is_asked_back(book, files):
    records.add_prepared(book, records.prepare_toml("machine", files[0]))
    made = records.add_recipe(book, MACHINE, {"a": 1})
    with pytest.raises(BookError, match="may mean machine"):
        look.show(book, MACHINE)
    assert look.show(book, made.uid[:8]).record.kind == "recipe"
    assert look.show(book, made.uid[:8].upper()).record.kind == "recipe"
    with pytest.raises(BookError, match="no record 'zzz'"):
        look.show(book, "zzz")


def test_roundtrip_list_is_newest_first_and_counts_all(book, files):
    for i in range(5):
        records.add_recipe(book, f"r{i}", {"a": i})
    _print(book, files)
    told = look.listing(book, limit=3)
    assert len(told.entries) == 3
    assert told.entries[0].kind == "print"
    assert told.counts["recipe"] == 5
    assert [e.title for e in look.listing(book, "recipe", 2).entries] == ["r4@1", "r3@1"]
    assert [e.kind for e in look.listing(book, "outcome").entries] == ["outcome"]
    with pytest.raises(BookError, match="kind must be one of"):
        look.listing(book, "spool")


def test_a_changed_record_is_noticed_when_it_is_read(book):
    made = records.add_recipe(book, "r", {"speed": 40})
    with book.writing() as connection:
        if book.path:
            connection.execute(text("DROP TRIGGER recipes_keep_update"))
        else:
            connection.execute(text("DROP TRIGGER recipes_keep ON recipes"))
        connection.execute(TABLES["recipe"].update().values(record='{"speed":41}'))
    with pytest.raises(BookError, match=f"recipe {made.uid} does not match its checksum"):
        look.show(book, "r")


def test_many_threads_never_share_a_version(place):
    with open_book(place, create=True) as book:
        made, failed = [], []

        def work(me):
            try:
                with open_book(place) as mine:
                    made.extend(records.add_recipe(mine, "r", {"by": me, "n": i}).version for i in range(10))
            except Exception as error:
                failed.append(error)

        threads = [threading.Thread(target=work, args=(i,)) for i in range(4)]
        for t in threads:
            t.start()
        for t in threads:
            t.join()
        assert failed == []
        assert sorted(made) == list(range(1, 41))
        assert look.listing(book).counts["recipe"] == 40


def test_roundtrip_what_is_retired_is_kept_but_neither_offered_nor_counted(book, files):
    machine, filament, _ = files
    pair = records.prepare_toml("machine", machine), records.prepare_toml("filament", filament)
    names = [x.values["name"] for x in pair]
    good, _ = records.add_print(book, *pair, outcome="ok", printed_by="Ada")
    wrong, _ = records.add_print(book, *pair, outcome="jammed", printed_by="Grace")
    assert prints.past_outcomes(book, *names).counts == {"jammed": 1, "ok": 1}
    assert prints.people(book) == ("Grace", "Ada")
    records.retire(book, "print", wrong.uid, True, "it was another spool")
    assert prints.past_outcomes(book, *names).counts == {"ok": 1}
    assert [r["uid"] for r in prints.printed(book, *names, 9)] == [good.uid]
    told = look.history(book, names[1])
    assert told.retired == 1 and told.by_machine == {names[0]: {"ok": 1}}
    assert [e.detail for e in told.entries if e.kind == "print"] == ["ok by Ada"]
    listed = look.listing(book, "print")
    assert (len(listed.entries), listed.retired, listed.counts["print"]) == (1, 1, 2)
    assert len(look.listing(book, "print", everything=True).entries) == 2
    assert look.show(book, wrong.uid).retired and not look.show(book, good.uid).retired
    records.retire(book, "print", wrong.uid, False)
    assert prints.past_outcomes(book, *names).counts == {"jammed": 1, "ok": 1}
    # a spool by its name, every version; one that is kept again is in use again
    records.retire(book, "filament", names[1], True)
    assert look.newest_texts(book, "filament") == [] and len(look.newest_texts(book, "machine")) == 1
    assert look.show(book, names[1]).retired
    records.add_prepared(book, pair[1])
    assert [r["name"] for r in look.newest_texts(book, "filament")] == [names[1]]
