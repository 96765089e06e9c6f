"""A line as words: limits, and that the compiled lexer says the same of any line."""

import pytest

from pliant.language.line import read_line


def _said(text):
    return [(w.letter, w.value, text[w.at : w.stop]) for w in read_line(text).words]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (b"", []), (b" \t", []), (b"; G1 X1", []), (b"(G1 X1)", []), (b"(G1 X1", []), (b"G1 (X1", [("G", 1, b"G1")]),
        (b"g1x-.5", [("G", 1, b"g1"), ("X", -0.5, b"x-.5")]), (b"G 1 E +2.", [("G", 1, b"G 1"), ("E", 2, b"E +2.")]),
        (b"G1 (a;b) X1 ; (c", [("G", 1, b"G1"), ("X", 1, b"X1")]), (b"X Y2", [("X", None, b"X"), ("Y", 2, b"Y2")]),
        (b"X1E5", [("X", 1, b"X1"), ("E", 5, b"E5")]), (b"N5 N6", [("N", 6, b"N6")]),
        (b"G0001", [("G", 1, b"G0001")]), (b"/ G1", [("G", 1, b"G1")]), (b"M117 G1 X5", [("M", 117, b"M117")]),
        (b"X" + b"9" * 400, [("X", float("inf"), b"X" + b"9" * 400)]),
    ],
)  # fmt: skip
def test_limit_words_of_a_line(text, words):
    assert _said(text) == words
    assert read_line(text).bad == -1


@pytest.mark.parametrize(
    ("text", "bad", "words"),
    [(b"G1 X1.2.3", 3, 1), (b"G1 5", 3, 1), (b"%", 0, 0), (b"X1 [#5]", 3, 1), (b"G1 X-", 4, 2), (b"G1 X .", 5, 2),
     (b"G1 X1,5", 3, 1), (b"N G1", 0, 0), (b"//G1", 1, 0), (b"G1 \xff", 3, 1)],
)  # fmt: skip
def test_limit_what_no_word_begins_with_ends_the_words(text, bad, words):
    line = read_line(text)
    assert (line.bad, len(line.words)) == (bad, words)


def test_limit_numbers_and_checksums():
    line = read_line(b" n7 G1 (a*b) X1 *33 ; *4")
    assert (line.number.value, line.start, line.star, line.end) == (7, 1, 16, 15)
    assert read_line(b"M117 2*3").star == -1, "no number: the star belongs to the text"
    assert read_line(b"N1 M117 2*3*77 ; *5").star == 11
    assert read_line(b"(G1*5").star == -1


def test_limit_commands_take_the_words_before_the_first():
    line = read_line(b"X5 G1 Y2 M106 S9 T0")
    assert line.command == ("G", 1)
    assert ["".join(w.letter for w in words) for words in line.commands] == ["XGY", "MST"]
    assert [len(read_line(b"T1 M104 T0 S200").commands), len(read_line(b"M204 P500 T900").commands)] == [2, 1]
    assert read_line(b"X5").commands == [read_line(b"X5").words] and read_line(b"X5").command is None
    assert read_line(b"").commands == []


@pytest.mark.parametrize("text", [b"", b"  ", b"; G1", b"(G1)", b"(G1"])
def test_limit_comments(text):
    assert read_line(text).is_comment and not read_line(text).is_motion


@pytest.mark.parametrize("text", [b"%", b"N5", b"*5", b"X", b"/"])
def test_limit_no_comments(text):
    assert not read_line(text).is_comment
