"""The paragraph of what to do tonight, and its curve: every choice, and nothing that was not reckoned."""

from dataclasses import replace
from typing import get_args

import pytest

from pliant.records.evidence import AfterPrints, WithPractice
from pliant.records.tonight import Choice, Curve, Piece, Proof, Tonight, Try
from pliant.report.evidence import evidence_words
from pliant.report.tonight import curve_choices, curve_drawing, tonight_lines

TRIES = (Try(0.62, 41.0, 0.38), Try(0.26, 87.0, 0.4), Try(0.1, 219.0, 0.5))
WHOLE = Tonight("piece-first", TRIES, 101.0, 107.0, 230.0, Piece("ladder", 9.6, 12.0), Proof(1.06, 1.25, 0.039))


def _said(told):
    return "\n".join(tonight_lines(told, "the filament bows out"))


def test_a_piece_first_says_what_it_takes_saves_and_what_else_to_do():
    said = _said(WHOLE)
    assert said.startswith("tonight     print a test piece first: `coupon()`")
    assert "takes 10 min and saves 12 min more than that on this job, up to 2 h over it and the next five" in said
    assert "otherwise start at 62 % of the speed (41 min), 38 % likely to jam, about 2 in 5; watch it: the f" in said
    assert "If it jams: 26 % of the speed (87 min)" in said and '`mend(aim="quickest")`' in said
    assert "101 min expected" in said and "a flat 15 mm/s first: 6 min more" in said and "no leave to go away" in said


def test_a_watched_start_names_no_piece_that_costs_more_than_it_saves():
    said = _said(replace(WHOLE, choice="watched-start", piece=Piece("ladder", 9.6, -4.0)))
    assert (
        "`coupon()`" not in said
        and "a ladder of 10 min would save 6 min on this job; up to 24 min over it and the next five" in said
    )
    assert "otherwise" not in said


def test_where_nobody_looks_in_nothing_is_watched_and_no_quick_program_is_named():
    said = _said(replace(WHOLE, tries=TRIES[2:], watched=False, proof=None))
    assert "watch it" not in said and "quickest" not in said and "the program for that: `mend()`" in said
    none = tonight_lines(replace(WHOLE, tries=(), watched=False, proof=None), "", part="guide the gap: feeds at 16 %")
    assert (
        none[2].strip()
        == "otherwise no speed will do: another part in the machine, or another spool: guide the gap: feeds at 16 %"
    )


def test_nothing_to_slow_down_needs_no_other_program():
    assert "mend(" not in _said(replace(WHOLE, tries=(Try(1.0, 28.0, 0.2),)))


def test_what_feeds_is_told_in_two_lines():
    said = _said(Tonight("go", (Try(1.0, 30.0, 0.01),), 30.2, None, 30.2, None, None))
    assert said.splitlines() == [
        "tonight     go",
        f"{'':<12}start at the speed written (30 min), 1 % likely to jam",
    ]


@pytest.mark.parametrize("choice", get_args(Choice))
def test_every_choice_has_words(choice):
    assert _said(replace(WHOLE, choice=choice)).startswith("tonight     ")
    assert _said(Tonight(choice, (), 900.0, 800.0, 700.0, None, None))


def test_the_curve_marks_the_first_tries_at_both_widths():
    share, times = (1.0, 0.62, 0.26, 0.1), (28.0, 41.0, 87.0, 219.0)
    curve = Curve(share, (120.0, 101.0, 110.0, 220.0), times, (0.5, 0.4, 0.1, 0.0), 15.0, (1, 2, 3), 101.0)
    wide, narrow = curve_drawing(curve, 240.0)
    for drawn in (wide, narrow):
        assert drawn.count("<circle") == 3 and "least at 62 % of the speed" in drawn
    assert 'viewBox="0 0 760' in wide and 'viewBox="0 0 358' in narrow
    dear = replace(curve, restart_min=120.0, places=(2,), least_min=140.0)
    none = replace(curve, restart_min=1000.0, places=())
    told = curve_choices((curve, none, dear))
    assert [cost for cost, *_ in told] == ["15 min", "2 h", "17 h"]
    assert told[1][1] == "Best is to start at 26 % of the speed: 2.3 h expected." and told[2][1] == "No speed pays."


def test_prints_are_told_and_too_few_draws_too():
    class Found:
        after_prints = AfterPrints(3, 1, 0.09, 0.22, 57.0, ("a", "b", "c", "d"))
        with_practice = WithPractice(0.75, 0.04, 0.09)

    said = evidence_words(Found())
    assert said[0] == "after 3 prints: 9 %, was 22 % (1 of them jammed)"
    assert said[1].startswith("only 57 of the draws") and "`learn()`" in said[1]
    assert said[2] == "not counted: a; b; c; and 1 more"
    assert said[3] == "with what practitioners report (weight 0.75): 4 %, was 9 %"
    Found.after_prints, Found.with_practice = AfterPrints(3, 1, 0.09, 0.22, 570.0, ()), None
    assert len(evidence_words(Found())) == 1
