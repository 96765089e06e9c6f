"""The verbs of the book: what they print, what they refuse, how they exit."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

import pliant
from json_keys import differences
from pliant.cli import main
from pliant.records.starters import starter


@pytest.fixture
def run(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("PLIANT_BOOK", str(tmp_path / "book.sqlite"))
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    (tmp_path / "m.toml").write_text(starter("machine", "open-gap"))
    (tmp_path / "f.toml").write_text(starter("filament", "85A"))
    (tmp_path / "p.gcode").write_text("G1 X1 Y1 E1\nG1 X2 E2")
    (tmp_path / "a.json").write_text('{"speed_mm_per_s": 40, "heat": {"nozzle_c": 220}}')
    (tmp_path / "b.json").write_text('{"speed_mm_per_s": 20, "heat": {"nozzle_c": 220}, "coast_mm": 0.2}')

    def call(*words, code=0):
        done = CliRunner().invoke(main, ["book", *map(str, words)])
        assert done.exit_code == code, done.output
        if code:
            assert done.stderr.count("\n") == 1
            assert "Traceback" not in done.output
            return done.stderr
        return done.stdout

    return call


PAIR = ("-m", "m.toml", "-f", "f.toml")


def test_roundtrip_record_list_show_history(run):
    run("record", "ok", *PAIR, "--program", "p.gcode")
    said = json.loads(run("record", "jammed", *PAIR, "--program", "p.gcode", "--line", 2, "--note", "clicks", "--json"))
    assert "jammed at line 2: clicks" in run("list", "print")
    listed = json.loads(run("list", "--json"))
    assert listed["counts"]["print"] == 2
    assert run("show", said["print"]["uid"][:8]).startswith(f"print {said['print']['uid']}")
    assert "gap" in run("show", "My open-gap machine")
    told = run("history", "Soft spool 85A")
    assert "on My open-gap machine: 1 jammed, 1 ok" in told
    # from now on the book knows both by name
    run("record", "stopped", "-m", "My open-gap machine", "-f", "Soft spool 85A@1", "--time", 61.5)
    run("record", "not-sure", "--print", said["print"]["uid"][:8], "--note", "the line may be wrong")
    told = json.loads(run("history", "Soft spool 85A", "--json"))
    for verb, data in (
        ("record", said), ("list", listed), ("history", told),
        ("show", json.loads(run("show", said["print"]["uid"], "--json"))),
        ("export", json.loads(run("verify", "--json"))),
    ):  # fmt: skip
        assert differences(data, f"book {verb}") == (set(), set()), verb
    assert told["by_machine"] == {"My open-gap machine": {"not-sure": 1, "ok": 1, "stopped": 1}}


def test_roundtrip_a_print_and_a_spool_are_retired_and_taken_back(run):
    said = json.loads(run("record", "ok", *PAIR, "--by", "Ada", "--json"))["print"]["uid"]
    assert "ok by Ada" in run("list", "print")
    assert run("retire", said[:8], "--note", "typed twice").startswith(f"{said}: retired: it stays in the book")
    assert run("retire", said).strip() == f"{said}: retired already"
    assert "retired and not shown: 1; `" not in run("list") and "retired and not shown: 1; --retired" in run("list")
    assert said[:8] in run("list", "--retired") and said[:8] not in run("list", "print")
    assert "retired     kept" in run("show", said)
    assert "in use again" in run("retire", said, "--undo") and said[:8] in run("list", "print")
    made = json.loads(run("retire", "Soft spool 85A", "--json"))
    assert differences(made, "book retire") == (set(), set()) and made["name"] == "Soft spool 85A"
    assert "Soft spool 85A: in use again" in run("retire", "Soft spool 85A", "--undo")


def test_roundtrip_recipes_side_by_side(run):
    assert "kept recipe soft@1" in run("add", "recipe", "a.json", "--name", "soft")
    assert "kept recipe soft@2" in run("add", "recipe", "b.json", "--name", "soft", "--note", "slower")
    assert "already here: recipe soft@2" in run("add", "recipe", "b.json", "--name", "soft")
    lines = run("compare", "soft").splitlines()
    assert lines[0].split() == ["soft@1", "soft@2"]
    assert lines[1].split() == ["*", "speed_mm_per_s", "40", "20"]
    assert lines[2].split() == ["heat.nozzle_c", "220", "220"]
    assert lines[3].split() == ["*", "coast_mm", "-", "0.2"]
    assert lines[-1] == "2 differences"
    compared = json.loads(run("compare", "soft@2", "soft@1", "--json"))
    assert compared["differences"] == 2
    assert differences(compared, "book compare") == (set(), set())
    assert run("compare", "soft@1", "soft@1").endswith("no difference\n")
    assert differences(json.loads(run("add", "program", "p.gcode", "--json")), "book add") == (set(), set())
    run("add", "machine", "m.toml")
    run("add", "filament", "f.toml")
    assert "soft@1" in run("list", "recipe", "--limit", 2)


def test_roundtrip_export_import_backup_verify_rescue(run, tmp_path):
    run("record", "ok", *PAIR)
    assert "to          all.jsonl" in run("export", "-o", "all.jsonl")
    assert "1 print" in run("import", "all.jsonl", "--book", "other.sqlite")
    assert "4 were already here" in run("import", "all.jsonl", "--book", "other.sqlite")
    run("export", "--book", "other.sqlite", "-o", "again.jsonl")
    assert (tmp_path / "all.jsonl").read_bytes() == (tmp_path / "again.jsonl").read_bytes()
    assert "verified" in run("verify")
    assert ".backup" in run("backup")
    book = tmp_path / "book.sqlite"
    book.write_bytes(book.read_bytes()[:-4096])
    told = run("list", code=2)
    assert "cut short" in told
    assert "go back to its backup" in told
    assert "1 outcome" in run("rescue", "-o", "new.sqlite")
    assert "1 ok" in run("history", "Soft spool 85A", "--book", "new.sqlite")


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("list",), "there is no book yet"),
        (("record", "fine", *PAIR), "outcome must be one of ok, jammed, stopped, not-sure"),
        (("record", "ok", *PAIR, "--line", "3"), "at_line says where a print went wrong"),
        (("record", "jammed", *PAIR, "--program", "p.gcode", "--line", "3"), "1 to 2, got 3"),
        (("record", "jammed", *PAIR, "--time", "nan"), "at_time_s must be a number"),
        (("record", "ok", "-m", "m.toml", "-f", "nothing"), "filament: no file 'nothing'"),
        (("record", "ok", *PAIR, "--recipe", "none"), "recipe: no file 'none'"),
        (("record", "ok", *PAIR, "--when", "soon"), "printed_at must be a moment"),
        (("record", "ok", "-m", "m.toml"), "-m and -f are needed"),
        (("record", "ok", "--print", "abcd", "-m", "m.toml"), "leave -m, -f and the rest out"),
        (("add", "recipe", "m.toml"), "not a recipe in JSON"),
        (("add", "recipe", "nowhere.json"), "cannot be read"),
        (("add", "machine", "f.toml"), "this is a filament record"),
        (("add", "machine", "m.toml", "--note", "x"), "belong to a recipe"),
        (("import", "a.json"), "a.json line 1"),
        (("import", "nowhere"), "cannot be read"),
        (("rescue", "-o", "x"), "cannot be copied"),
    ],
)
def test_refusals_are_one_line_and_begin_no_record(run, tmp_path, words, told):
    assert told in run(*words, code=2)
    book = tmp_path / "book.sqlite"
    if book.exists():
        assert not any(json.loads(run("list", "--json"))["counts"].values())


def test_a_failed_import_begins_no_book(run, tmp_path):
    run("import", "a.json", code=2)
    assert not (tmp_path / "book.sqlite").exists()


@pytest.mark.parametrize(
    "text", ["[1]", "{}", "3", '{"a": NaN}', '{"a": 1, "a": 2}', '{"a": 1e999}', "[" * 100_000, "\xff"]
)
def test_a_recipe_that_is_none(run, tmp_path, text):
    (tmp_path / "bad.json").write_text(text, encoding="latin-1")
    run("add", "recipe", "bad.json", code=2)


def test_a_note_cannot_command_the_terminal(run):
    run("record", "ok", *PAIR, "--note", "\x1b[2J\x07 done")
    for words in (("list",), ("history", "Soft spool 85A")):
        told = run(*words)
        assert "\x1b" not in told
        assert "\x07" not in told
        assert "?[2J? done" in told


def test_help_loads_no_database():
    code = (
        "import sys, pliant.cli, pliant.cli.book, pliant.book\n"
        "sys.exit(any(m in sys.modules for m in ('sqlalchemy', 'alembic', 'numpy', 'sqlite3')))"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_the_book_loads_neither_alembic_nor_numpy_to_be_read(run, tmp_path):
    run("record", "ok", *PAIR)
    code = (
        "import sys\nfrom pliant.book.open_book import open_book\nfrom pliant.book import look, records\n"
        f"with open_book({str(tmp_path / 'book.sqlite')!r}) as b: assert look.listing(b).entries\n"
        "sys.exit(any(m in sys.modules for m in ('alembic', 'numpy', 'pliant.feed', 'pliant.program')))"
    )
    env = os.environ | {"PYTHONPATH": str(Path(pliant.__file__).parents[1])}  # the working directory is another one
    assert subprocess.run([sys.executable, "-c", code], check=False, env=env).returncode == 0


def test_roundtrip_a_check_stands_beside_what_happened_before(run):
    """The real findings of a real check, kept and recalled."""
    from pliant.report.book import past_outcomes_text
    from pliant.workflows.book import remember_and_recall
    from pliant.workflows.check import check

    Path("p.gcode").write_text("G21\nG90\nM83\nM104 S220\nG1 Z0.2 F600\nG1 X50 E2 F1200\nG1 Y50 E2\n")
    findings = check("p.gcode", "m.toml", "f.toml")
    before = remember_and_recall(None, findings, "p.gcode", "m.toml", "f.toml")
    assert "no print of Soft spool 85A on My open-gap machine in the book yet" in past_outcomes_text(before)
    run("record", "jammed", *PAIR, "--program", "p.gcode", "--line", 6, "--note", "clicking")
    run("record", "ok", *PAIR)
    told = past_outcomes_text(remember_and_recall(None, findings, "p.gcode", "m.toml", "f.toml"))
    assert told.splitlines()[0] == "record      Soft spool 85A on My open-gap machine: 1 jammed, 1 ok"
    assert f"p.gcode: jammed at line 6 (check had said {100 * findings.jam_probability:.0f} %): clicking" in told
    assert json.loads(run("list", "--json"))["counts"]["finding"] == 1  # the same check twice is one finding


def test_every_verb_has_help_and_json():
    for name, verb in main.commands["book"].commands.items():
        options = {o for p in verb.params for o in p.opts}
        assert {"--json", "--book", "--debug"} <= options, name
        assert verb.help, name
