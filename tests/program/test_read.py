"""The reader: number and word rules, modes, arcs, checksums, refusals, and bytes it was never meant to see."""

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pliant.errors import ProgramError
from pliant.files import Text
from pliant.program.read import read_program
from pliant.records.program import BEAD, HOME, PRIME, RECOVER, RETRACT, TRAVEL


@pytest.fixture
def load(tmp_path):
    def _load(text, dialect="auto"):
        path = tmp_path / "p.gcode"
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return read_program(path, dialect)

    return _load


def test_limit_words_without_spaces_in_any_case(load):
    p = load("G1X10Y.5Z+.3E.25F1200\ng01 x1.\n")
    assert p.point_mm[1] == pytest.approx([10, 0.5, 0.3])
    assert p.point_mm[2] == pytest.approx([1, 0.5, 0.3])
    assert p.speed_mm_per_s[0] == pytest.approx(20)


def test_limit_e_after_digit_is_a_word_and_a_question(load):
    p = load("G1 F600\nG1 X1E5\n")
    assert p.point_mm[-1, 0] == 1
    assert p.filament_mm[-1] == 5
    assert "E straight after a digit" in p.questions[0]


def test_roundtrip_text_is_read_as_its_file_would_be(load):
    """Its lines, what other controllers make of them, and what it is if it is no program; called by its name."""
    lines = "M83\nG1 F600\nG1 X1E5\nG1 X9 E1\n"
    there, here = load(lines), read_program(Text("words", lines))
    assert here.path == "words" and here.questions == there.questions and here.questions
    assert np.array_equal(here.point_mm, there.point_mm) and np.array_equal(here.filament_mm, there.filament_mm)
    with pytest.raises(ProgramError, match=r"^words line 1: malformed"):
        read_program(Text("words", "G1 X1..2\n"))
    with pytest.raises(ProgramError, match=r"^words: this is JSON"):
        read_program(Text("words", '{"a": 1}'))


def test_limit_kinds(load):
    p = load("M83\nG28\nG1 X5 Y5 Z1 F600\nG1 E2\nG1 X9 E1\nG1 E-1\nG1 X20\nG1 E1\nG1 X25 E1\n")
    assert list(p.kind) == [HOME, PRIME, BEAD, RETRACT, TRAVEL, RECOVER, BEAD]


def test_limit_e_register_and_g92(load):
    p = load("M82\nG92 E0\nG1 X1 E2 F600\nG92 E0\nG1 X2 E2\n")
    assert p.filament_mm == pytest.approx([2, 2])


def test_limit_g90_and_e_depend_on_the_dialect(load):
    text = "M83\nG90\nG1 X1 E2 F600\nG1 X2 E3\n"
    assert load(text, "e-on-its-own").filament_mm == pytest.approx([2, 3])
    assert load(text, "e-follows-g90").filament_mm == pytest.approx([2, 1])


def test_limit_inches_keep_position(load):
    p = load("G1 X10 F600\nG20\nG1 X1\n")
    assert p.point_mm[:, 0] == pytest.approx([0, 10, 25.4])


@pytest.mark.parametrize("arc", ["G3 X2 Y7 I-4 J-3", "G3 X2 Y7 R5"])
def test_published_arc_values(load, arc):
    # centre (5, 3), sweep 90 degrees, length 7.853982
    p = load(f"G1 X9 Y6 F600\n{arc}\n")
    assert p.centre_mm[-1] == pytest.approx([5, 3])
    assert p.sweep_rad[-1] == pytest.approx(np.pi / 2)
    assert p.length_mm[-1] == pytest.approx(7.853982, abs=1e-6)


def test_limit_full_turn(load):
    p = load("G1 X10 F600\nG2 X10 I-10 E1\n")
    assert p.length_mm[-1] == pytest.approx(20 * np.pi)


@pytest.mark.parametrize("line", ["N3 T0*57", "N123 M105*39", "N7 G1 X12 Y3.5 E0.42*120"])
def test_published_checksums(load, line):
    load(f"{line}\nG1 X1 F600\n")
    with pytest.raises(ProgramError, match=r"line 1: checksum is"):
        load(line[:-1] + ("1" if line[-1] != "1" else "2") + "\nG1 X1\n")


def test_limit_comments_free_text_and_line_ends(load):
    p = load(b"\xef\xbb\xbf(G1 X5) G1 X6 F600 ; G1 X7\rM117 G1 X100 E50 {#\r\n;\xff\xfe\nG1 X8 (;)")
    assert p.point_mm[:, 0] == pytest.approx([0, 6, 8])
    assert list(p.line) == [1, 4]


def test_limit_line_numbers_survive_any_line_end(load):
    for end in ("\n", "\r\n", "\r"):
        assert list(load(end.join(["G1 F600", "", "G1 X1", "G1 X2"])).line) == [3, 4]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "empty"), ("; nothing\n", "empty"), ("G1 X1..2\n", "line 1"), ("G1 X1,5\n", "malformed"),
        ("G1 X#5\n", "expression"), ("G1 X[1+2]\n", "expression"), ("G1 X{a}\n", "expression"),
        ("M98 P1\n", "not self-contained"), ("T1\n", "more than one tool"), ("G1 F0 X1\n", "feed must be above 0"),
        ("G1 F60\nG1 A5\n", "axis A"), ("G10\n", "G10/G11"), ("G18\nG2 X1 I1\n", "XY plane"), ("G1 X\x00\n", "NUL"),
        ("G1 X1 F600\nG1 E0.5:0.5\n", "malformed"), ("G1 X\n", "X without a number"), ("G2 X1 I5 J0 F60\n", "radius"),
    ],
)  # fmt: skip
def test_limit_refusals(load, text, message):
    with pytest.raises(ProgramError, match=message) as caught:
        load(text)
    assert "\n" not in str(caught.value)


def test_limit_endless_line_is_refused_early(load):
    with pytest.raises(ProgramError, match="longer than 1 MiB"):
        load(b"G1 X1\n" + b";" * (4 << 20))


_SOUP = st.lists(
    st.sampled_from(
        ["G0", "G1", "G2", "G3", "G4", "G20", "G21", "G28", "G90", "G91", "G92", "M82", "M83", "M104 S220",
         "M200 D1.75",
         "M220 S50", "M221 S90", "X", "Y", "Z", "E", "F", "I", "J", "R", "1", "-2.5", ".5", "+0", "1e5", "1_0", "nan",
         " ", "\n", "\r\n", ";", "(", ")", "*", "N1", "%", "/", "T0"]
    ),
    max_size=60,
)  # fmt: skip


@settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.one_of(st.binary(max_size=400), _SOUP.map(lambda w: "".join(w).encode())), st.sampled_from(
    ["auto", "e-follows-g90", "e-on-its-own", "many-per-line"]))  # fmt: skip
def test_limit_only_a_program_error_escapes(tmp_path_factory, data, dialect):
    path = tmp_path_factory.mktemp("fuzz") / "p.gcode"
    path.write_bytes(data)
    try:
        program = read_program(path, dialect)
    except ProgramError as error:
        assert "\n" not in str(error)
        return
    assert np.isfinite(program.point_mm).all()
    assert np.isfinite(program.length_mm).all()
    assert np.isfinite(program.filament_mm).all()
    assert program.point_mm.shape == (program.kind.size + 1, 3)


@pytest.mark.parametrize(
    ("radius", "asked"), [("9.95", True), ("9.996", False), ("-9.996", False), ("-9.98", True), ("10.5", False)]
)
def test_regression_an_arc_that_does_not_reach_is_not_stretched_in_silence(load, radius, asked):
    said = load(f"M83\nG1 F600\nG2 X20 Y0 R{radius} E1\n").questions
    assert any("falls short of half the way between its ends" in text for text in said) == asked


@pytest.mark.parametrize(
    ("lines", "told"),
    [
        ("G28 X Y\nG1 X60 Y9 E2", True), ("G28 X\nG1 X60 Y9 E2", True), ("G28 X Y\nG1 X60 Y9\nG1 X70 E2", False),
        ("G28 Z\nG1 Z0.4 X60 E2", False), ("G28\nG0 X1 Y1\nG1 X60 Y9 E2", False), ("G28 X\nG1 X60", False),
    ],
)  # fmt: skip
def test_regression_a_bead_from_a_place_that_only_homing_knows_is_warned_of(load, lines, told):
    said = load(f"G28\nG1 X5 Y5 Z0.2 F600\nM83\nG1 X50 E3\n{lines}\n").warnings
    assert any("from a place that homing leaves unknown" in text for text in said) == told


@pytest.mark.parametrize(
    ("lines", "told"),
    [
        ("G28 Z\nG1 X60 E2", True), ("G28 X\nG1 Y60 E2", True), ("G28 Z\nG1 Z0.2\nG1 X60 E2", False),
        ("G28 Z\nG1 E2", False), ("G28 Z\nG0 X60", False), ("G28 X\nG92 X0\nG1 Y60 E2", False),
    ],
)  # fmt: skip
def test_regression_a_bead_beside_an_axis_that_only_homing_knows_is_warned_of(load, lines, told):
    """Homed in Z and laid on without a Z, a bead had the height of before without a word."""
    said = load(f"G28\nG1 X5 Y5 Z0.2 F600\nM83\nG1 X50 E3\n{lines}\n").warnings
    assert any("homing leaves an axis unknown" in text for text in said) == told


_MESH = b"solid a\n facet normal 0 0 1\n  outer loop\n"


@pytest.mark.parametrize(
    ("content", "what"),
    [
        (b"PK\x03\x04" + bytes(60), "zip archive"), (b"%PDF-1.4\n", "PDF"), (b"\x1f\x8b\x08\x00", "gzip"),
        (_MESH, "mesh"), (b"# x\nv 0 0 0\nv 1 0 0\nv 0 1 0\nf 1 2 3\n", "mesh"),
        (bytes(80) + (2).to_bytes(4, "little") + bytes(100), "mesh"), (bytes(range(256)) * 20, "binary"),
        (b'name = "Bench 2"\n[drive]\nx = 3\n', "record in TOML"), ("G1 X1 F60\n".encode("utf-16"), "UTF-16"),
        (b'{"a": 1}', "JSON"), (b"<svg></svg>", "XML"),
    ],
)  # fmt: skip
def test_regression_another_kind_of_file_is_called_what_it_is(load, content, what):
    with pytest.raises(ProgramError, match=what) as caught:
        load(content)
    assert "expand it first" not in str(caught.value) and "\n" not in str(caught.value)


def test_limit_a_program_with_a_flaw_keeps_its_line(load):
    with pytest.raises(ProgramError, match="line 3: a NUL byte"):
        load(b"G21\nG1 F600\nG1 X\x001\n" + b"G1 X1 E1\n" * 500)
