"""Setting words of a line: what is not asked for stays, and the reader takes the checksum."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pliant.language.edit import set_word, with_checksum, word_value
from pliant.program.read import read_program


@pytest.mark.parametrize(
    ("before", "after"),
    [
        (b"G1 X1", b"G1 X1 E7.5"), (b"G1 X1 ; E9", b"G1 X1 E7.5 ; E9"), (b"G1 X1 (a) E2 (b)", b"G1 X1 (a) E7.5 (b)"),
        (b"G1 E1 e 2", b"G1 E1 e 7.5"), (b"", b" E7.5"), (b"; E9", b" E7.5; E9"), (b"  G1 X1E5Y2", b"  G1 X1E7.5Y2"),
        (b"G1 (a", b"G1 E7.5 (a"), (b"N1 G1 E1*5 ; c", b"N1 G1 E7.5*96 ; c"),
    ],
)  # fmt: skip
def test_limit_words_set(before, after):
    assert set_word(before, "E", 7.5, 5) == after
    assert word_value(after, "E") == 7.5


@settings(max_examples=60, deadline=None)
@given(
    blank=st.sampled_from([b"", b" ", b"\t "]),
    code=st.lists(st.sampled_from([b"G1", b"X1.5", b"y 2", b"(a*b)", b"E3"]), max_size=4),
    comment=st.sampled_from([b"", b" ; *5", b" (c)"]),
)
def test_roundtrip_the_reader_takes_the_checksum(tmp_path_factory, blank, code, comment):
    path = tmp_path_factory.mktemp("p") / "p.gcode"
    path.write_bytes(with_checksum(blank + b" ".join([b"N1 G1 Z1 F600", *code]) + comment) + b"\n")
    read_program(path, "e-on-its-own")
    path.write_bytes(with_checksum(path.read_bytes().rstrip(b"\n")) + b"\n")
    read_program(path, "e-on-its-own")
