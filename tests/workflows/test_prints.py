"""Outcomes in one line, what they change, and what is refused."""

from dataclasses import replace

import numpy as np
import pytest
from click.testing import CliRunner

from pliant.book import prints
from pliant.book.open_book import open_book
from pliant.cli import main
from pliant.errors import PliantError
from pliant.feed.draws import tail_draws
from pliant.feed.risk import stated_risk
from pliant.feed.witness import Witnesses, log_chance_of
from pliant.job.job import job_of, read_job
from pliant.job.kept import course_from, kept_course, seen_from
from pliant.mending.pad import lay_pad
from pliant.program.read import read_program
from pliant.program.write import Edits, rewrite
from pliant.records.filament import read_filament
from pliant.records.machine import read_machine
from pliant.records.starters import starter
from pliant.workflows.check import check, examine
from pliant.workflows.evidence import with_witnesses
from pliant.workflows.learn import learn
from pliant.workflows.mend import mend
from pliant.workflows.outcomes import add_outcome
from pliant.workflows.past_prints import kept_of
from pliant.workflows.plan import plan


def rings(layers=6, speed=2700):
    """Rings of 0.45 x 0.2 mm (invented)."""
    rows = ["G21", "G90", "M83", "G28", "M109 S220"]
    for layer in range(1, layers + 1):
        rows += [f"G1 Z{0.2 * layer:.2f} F600"]
        for ring in range(8):
            r, n = 20 - 0.45 * ring, 60
            rows += [f"G0 X{60 + r:.3f} Y60 F7200", f"G1 F{1200 if layer == 1 else speed}"]
            for j in range(1, n + 1):
                a = 2 * np.pi * j / n
                rows.append(f"G1 X{60 + r * np.cos(a):.3f} Y{60 + r * np.sin(a):.3f} E{2 * np.pi * r / n * 0.034:.5f}")
    return "\n".join(rows) + "\n"


@pytest.fixture(scope="module")
def shop(tmp_path_factory):
    """A machine, a spool and a program."""
    folder = tmp_path_factory.mktemp("shop")
    (folder / "m.toml").write_text(starter("machine", "open-gap"))
    (folder / "f.toml").write_text(starter("filament", "85A"))
    (folder / "p.gcode").write_text(rings())
    return folder


@pytest.fixture
def book(tmp_path):
    return tmp_path / "book.sqlite"


def _own(shop):
    return shop / "m.toml", shop / "f.toml"


def _run(*words):
    return CliRunner().invoke(main, [str(w) for w in words])


def test_roundtrip_what_the_book_keeps_of_a_program_gives_the_same_evidence(shop):
    machine, filament = read_machine(shop / "m.toml"), read_filament(shop / "f.toml")
    job = job_of(read_program(shop / "p.gcode"), machine, filament)
    kept = kept_course(job)
    again = course_from(kept.to_json())
    assert kept.time_s == pytest.approx(job.course.time_s)
    assert again.layer_end_s.size == 6 and again.line[-1] <= kept.lines
    # all of it is fed by its end, and both ways to say where agree
    whole, by_layer = seen_from(again, "ok"), seen_from(again, "jammed", at_layer=3)
    early = seen_from(again, "jammed", at_time_s=again.layer_end_s[2], late_s=0.0)
    # so short a job is one stretch of the first layer and one of the rest
    assert whole.first[0].sum() == pytest.approx(1.0, rel=0.1) and whole.rest[0].sum() == pytest.approx(1.0, rel=0.3)
    # the third layer, or one beside it; a minute read off is known better, if somebody was there
    low, high = by_layer.rest.sum(axis=1).cumsum()
    assert by_layer.jammed and low < early.rest.sum(axis=1)[0] < early.rest.sum() < high < whole.rest[0].sum()
    told = [
        stated_risk(job.envelope, machine, replace(filament, evidence=_said(machine, filament, k)), shares=False)
        for k in (kept, again)
    ]
    assert told[0].probability == pytest.approx(told[1].probability, rel=1e-3)
    with pytest.raises(PliantError, match="cannot be read"):
        course_from({"course": {}})


def test_limit_a_pad_is_evidence_at_its_own_flow(shop, tmp_path):
    """Fed twice as hard as the part: among what may be, a jam in its minute is likelier than one of the part alone."""
    machine, filament = read_machine(shop / "m.toml"), read_filament(shop / "f.toml")
    bare = job_of(read_program(shop / "p.gcode"), machine, filament)
    edits = Edits.none(bare.program)
    assert lay_pad(bare, edits, 2.0, ((0.0, 0.0, 0.0), (200.0, 200.0, 180.0)))[0]
    rewrite(bare.program, edits, tmp_path / "padded.gcode")
    job = read_job(tmp_path / "padded.gcode", machine, filament)
    part, printed = kept_course(job), kept_of(tmp_path / "padded.gcode", machine, filament)
    pad_s, draws = job.proof.course.time_s, tail_draws(machine, filament, 300, 1)
    assert printed.time_s - part.time_s == pytest.approx(pad_s, rel=0.05)

    def chance(kept, outcome, until_s):
        seen = seen_from(kept, outcome, at_time_s=until_s, late_s=0.0)
        return draws.mean(np.exp(log_chance_of(seen, machine, draws.theta)))

    for outcome, more in (("jammed", 0.0), ("stopped", 0.1)):  # of the whole pad, as far as anybody knows the moment
        whole, alone = (chance(kept, outcome, pad_s + more * kept.time_s) for kept in (printed, part))
        assert whole > 1.3 * alone if outcome == "jammed" else whole < 0.8 * alone


def _said(machine, filament, kept):
    return Witnesses(machine, filament, (seen_from(kept, "ok"),))


def test_check_says_what_the_prints_change(shop, book):
    plain = check(shop / "p.gcode", *_own(shop))
    assert check(shop / "p.gcode", *_own(shop), book=book).to_json() == plain.to_json()  # no book: nothing changes
    add_outcome(book, "fed", shop / "p.gcode", *_own(shop))
    one = check(shop / "p.gcode", *_own(shop), book=book)
    add_outcome(book, "fed", shop / "p.gcode")
    add_outcome(book, "not-sure", shop / "p.gcode")
    two = check(shop / "p.gcode", *_own(shop), book=book)
    assert one.after_prints.prints == 1 and two.after_prints.prints == 2
    assert one.after_prints.was == pytest.approx(plain.jam_probability)
    assert two.jam_probability < one.jam_probability < plain.jam_probability
    assert one.after_prints.jam_probability == one.jam_probability
    # the learned draws are those of everything: the speed that would do rises too
    assert (two.speed_share or 0) >= (plain.speed_share or 0)
    made = _run("check", shop / "p.gcode", "-m", shop / "m.toml", "-f", shop / "f.toml", "--book", book)
    assert "after 2 prints: " in made.output and ", was " in made.output


def test_after_a_jam_mend_gives_the_next_slower_speed_by_itself(shop, book, tmp_path):
    first = mend(shop / "p.gcode", *_own(shop), output=tmp_path / "1.gcode", aim="quickest", book=book)
    add_outcome(book, "jammed", tmp_path / "1.gcode", *_own(shop), at_layer=2)
    (tmp_path / "1.gcode").unlink()  # what it asked is in the book
    second = mend(shop / "p.gcode", *_own(shop), output=tmp_path / "2.gcode", aim="quickest", book=book)
    assert second.after.facts.time_s > 1.05 * first.after.facts.time_s
    assert second.before.tonight.tries[0].speed_share < first.before.tonight.tries[0].speed_share
    assert second.after.after_prints.jammed == 1


def test_prints_that_do_not_count_are_told(shop, book, tmp_path):
    add_outcome(book, "ended-early", shop / "p.gcode", *_own(shop))
    bare = _run("book", "record", "ok", "-m", shop / "m.toml", "-f", shop / "f.toml", "--book", book)
    assert bare.exit_code == 0, bare.output
    filament = with_witnesses(read_machine(shop / "m.toml"), read_filament(shop / "f.toml"), book)
    assert filament.evidence.prints == 0
    assert any("not said when" in text for text in filament.evidence.left_out)
    assert any("not known to the book" in text for text in filament.evidence.left_out)
    # another gap is another machine
    other = tmp_path / "m.toml"
    text = (shop / "m.toml").read_text()
    assert "length_mm = 6" in text
    other.write_text(text.replace("length_mm = 6", "length_mm = 2"))
    add_outcome(book, "fed", shop / "p.gcode", *_own(shop))
    changed = with_witnesses(read_machine(other), read_filament(shop / "f.toml"), book)
    assert changed.evidence.prints == 0 and any("length_mm was 6 then" in t for t in changed.evidence.left_out)


def test_a_program_that_only_lies_beside_this_one_is_found_by_its_content(shop, book, tmp_path):
    (tmp_path / "p.gcode").write_text(rings())
    args = ["-m", shop / "m.toml", "-f", shop / "f.toml", "--book", book]
    assert _run("book", "record", "ok", "--program", tmp_path / "p.gcode", *args).exit_code == 0
    own = read_machine(shop / "m.toml"), read_filament(shop / "f.toml")
    assert with_witnesses(*own, book, near=tmp_path / "other.gcode").evidence.prints == 1
    (tmp_path / "p.gcode").write_text(rings(7))  # another content
    assert with_witnesses(*own, book, near=tmp_path / "other.gcode").evidence.prints == 0


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["fed"], "is that of a print"),
        (["fine", "--program", "P"], "must be one of fed, jammed, ended-early, not-sure"),
        (["jammed", "--program", "P", "--minute", "999"], "minute 999 is beyond the job's end"),
        (["jammed", "--program", "P", "--minute", "-1"], "must be a minute of the job"),
        (["jammed", "--program", "P", "--line", "99999"], "line 99999 is beyond the program's last"),
        (["jammed", "--program", "P", "--layer", "77"], "layer 77 is beyond the program's last, which is 6"),
        (["jammed", "--program", "P", "--layer", "0"], "--layer must be a whole number of at least 1, got 0"),
        (
            ["fed", "--program", "P", "--layer", "3"],
            "but it is said to have fed",
        ),
        (["fed", "--program", "nowhere.gcode"], "no book there yet"),
    ],
)
def test_bad_input_is_one_line_and_writes_nothing(shop, book, words, said):
    own = ["-m", shop / "m.toml", "-f", shop / "f.toml"]
    words = [shop / "p.gcode" if w == "P" else w for w in words]
    made = _run("book", "add", "outcome", *words, *own, "--book", book)
    assert made.exit_code == 2 and said in made.output and made.output.count("\n") == 1, made.output
    assert not book.exists()


def test_an_outcome_without_records_takes_those_it_was_checked_for(shop, book):
    args = ["-m", shop / "m.toml", "-f", shop / "f.toml", "--book", book]
    made = _run("book", "add", "outcome", "fed", "--program", shop / "p.gcode", "--book", book)
    assert made.exit_code == 2 and "no book there yet" in made.output
    _run("check", shop / "p.gcode", *args)
    made = _run("book", "add", "outcome", "fed", "--program", shop / "p.gcode", "--book", book, "--json")
    assert made.exit_code == 0, made.output
    with open_book(book) as opened:
        (row,) = prints.printed(opened, "My open-gap machine", "Soft spool 85A", 9)
    assert row["outcome"] == "ok" and row["course"]["lines"] > 1000


def test_roundtrip_learn_from_prints_alone_says_what_the_weights_say(shop, book, tmp_path):
    for _ in range(2):
        add_outcome(book, "fed", shop / "p.gcode", *_own(shop))
    weighed = check(shop / "p.gcode", *_own(shop), book=book)
    found = learn([], *_own(shop), book=book, folder=tmp_path)
    assert found.readings == ("2 prints",)
    new = tmp_path / "m-learned-1.toml", tmp_path / "f-learned-1.toml"
    learned = check(shop / "p.gcode", *new, book=book)
    assert learned.after_prints is None  # none counts twice
    # summed up in a record, the tail is a little wider
    assert learned.jam_probability == pytest.approx(weighed.jam_probability, rel=0.35, abs=0.01)
    with pytest.raises(PliantError, match="no readings, and no print"):
        learn([], *new, book=book)


def test_plan_takes_prints_and_the_trade(shop, book, tmp_path):
    (tmp_path / "b.toml").write_text(starter("recipe", "everyday"))
    add_outcome(book, "fed", shop / "p.gcode", *_own(shop))
    plain = plan(*_own(shop), tmp_path / "b.toml")
    with_book = plan(*_own(shop), tmp_path / "b.toml", book=book)
    with_trade = plan(*_own(shop), tmp_path / "b.toml", practice=True)
    assert plain.after_prints is None and plain.with_practice is None
    assert with_book.window.recipe[0] > plain.window.recipe[0] and with_book.after_prints.prints == 1
    assert with_trade.window.recipe[0] > plain.window.recipe[0] and with_trade.with_practice.weight < 1
    assert with_book.after_prints.was > with_book.jam_probability


def test_the_trade_is_heard_only_where_asked(shop):
    asked = ["check", shop / "p.gcode", "-m", shop / "m.toml", "-f", shop / "f.toml"]
    assert "practitioners" not in _run(*asked).output
    assert "with what practitioners report (weight 0.75)" in _run(*asked, "--with-practice").output
    seen = examine(shop / "p.gcode", *_own(shop), practice=True)
    assert seen.findings.with_practice.was > seen.findings.jam_probability
