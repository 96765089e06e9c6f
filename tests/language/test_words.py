"""The compiled lexer: it says of any line what `read_line` says, and so do the searches that stand on it."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numba import njit

from pliant.kernels import words
from pliant.language.edit import set_word
from pliant.language.line import read_line

_PIECES = [
    b"G", b"g1", b"G1", b"G00", b"G012", b"G12", b"G92", b"G1.", b"G1.0", b"G1.5", b"N5", b"N", b"n 07", b"X", b"G1..",
    b"X1", b"y-.5", b"E+1", b"E 3", b"F9e", b"Z1.2.3", b"*", b"*12", b"* 7 ", b";c", b"; *5", b"(a)", b"(", b")", b"/",
    b"%", b" ", b"\t", b"M3", b"M117 ", b"m 0030", b"M104 S200", b"T0", b"5", b"-", b"+", b".", b",", b":", b"[",
    b"\xff", b"\x00", b"X1E5", b"E" + b"9" * 25, b"X0." + b"1" * 40, b"Z" + b"7" * 330, b"M" + b"9" * 19, b"I1e-3",
]  # fmt: skip
_lines = st.lists(st.sampled_from(_PIECES), max_size=8).map(b"".join) | st.binary(max_size=30).map(
    lambda b: b.replace(b"\n", b" ").replace(b"\r", b" ")
)


@njit
def _walk(buf):
    """Kind, place, letter, number, whether there is one, number's place and end, of everything in a line."""
    out = np.zeros((buf.size + 2, 7))
    i, kind, state, n = 0, words.WORD, words.START, 0
    while words.NUMBER <= kind <= words.WORD:
        kind, at, letter, number, found, first, i, state = words.next_word(buf, i, buf.size, 0, state)
        out[n, 0], out[n, 1], out[n, 2], out[n, 3] = kind, at, letter, number
        out[n, 4], out[n, 5], out[n, 6] = found, first, i
        n += 1
    return out[:n]


@pytest.fixture(scope="module", params=["compiled", "plain"])
def walk(request):
    """The kernels as they are, and as plain Python."""
    with pytest.MonkeyPatch.context() as patch:
        if request.param == "plain":
            for name, kernel in list(vars(words).items()):
                if hasattr(kernel, "py_func"):
                    patch.setattr(words, name, kernel.py_func)
        yield _walk if request.param == "compiled" else _walk.py_func


@settings(max_examples=300, deadline=None)
@given(text=_lines)
def test_limit_kernel_and_face_say_the_same(walk, text):
    line = read_line(text)
    *said, last = walk(np.frombuffer(text, dtype=np.uint8)).tolist()
    expected = [*([line.number] if line.number else []), *line.words]
    assert [row[0] for row in said] == [words.NUMBER] * (line.number is not None) + [words.WORD] * len(line.words)
    for (_, at, letter, number, found, first, stop), word in zip(said, expected, strict=True):
        assert (at, chr(65 + int(letter)), bool(found)) == (word.at, word.letter, word.value is not None)
        assert (first, stop) == (word.first, word.stop)
        assert number == pytest.approx(word.value or 0.0, rel=1e-14)
    assert (line.bad, line.star) == (
        int(last[1]) if last[0] > words.STAR else -1,
        int(last[1]) if last[0] == words.STAR else -1,
    )


@settings(max_examples=100, deadline=None)
@given(lines=st.lists(_lines, min_size=1, max_size=4))
def test_limit_motion_is_passed_over(walk, lines):
    data = np.frombuffer(b"".join(line + b"\n" for line in lines), dtype=np.uint8)
    passed = next((k for k, line in enumerate(lines) if line and not read_line(line).is_motion), len(lines))
    at = sum(len(line) + 1 for line in lines[:passed])
    assert words.pass_over_motion(data, 0) == (at, passed)


@settings(max_examples=100, deadline=None)
@given(lines=st.lists(_lines, max_size=5), ending=st.sampled_from([b"\n", b"\r\n", b"\r"]), last=st.booleans())
def test_limit_commands_are_found_with_their_lines(walk, lines, ending, last):
    lines = [line + end for line in lines for end in (b"", b" M104 S2", b" m0109R5", b"M1040")]
    data = ending.join(lines) + ending * last
    found = words.find_commands(np.frombuffer(data, dtype=np.uint8), ord("M"), 104, 109)
    said = [[w for w in read_line(line).words if w.letter == "M" and w.value in (104, 109)] for line in lines]
    assert found[:, 0].tolist() == [k for k, which in enumerate(said, 1) if which]
    assert [data[a:b] for _, a, b in found.tolist()] == [line for line, w in zip(lines, said, strict=True) if w]


@settings(max_examples=200, deadline=None)
@given(text=_lines)
def test_limit_words_are_found_where_the_face_sets_them(walk, text):
    line = read_line(text)
    raw = np.frombuffer(text + b"\r\n", dtype=np.uint8)
    at, end, checked = words.find_words(raw, np.array([0]), np.array([raw.size]), ord("E"))[0]
    word = line.last("E")
    assert checked == (line.star >= 0)
    if word:
        assert (at, end) == (word.first, word.stop)
    elif line.words and line.star < 0 and line.end == line.words[-1].stop:
        assert set_word(text, "E", 7.25, 5) == text[:at] + b" E7.25" + text[end:]
