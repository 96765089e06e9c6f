"""Lines that are not motion: every kind of line, line ends, numbers, checksums, blocks of the stream."""

import pytest

from pliant.errors import ProgramError
from pliant.program import other_lines as module
from pliant.program.numbering import numbers_follow
from pliant.program.other_lines import other_lines


@pytest.fixture
def keep(tmp_path):
    def _keep(text):
        path = tmp_path / "p.gcode"
        path.write_bytes(text.encode() if isinstance(text, str) else text)
        return list(other_lines(path))

    return _keep


@pytest.mark.parametrize(
    "line",
    [
        "G1 X1 Y2 E3 F4", "G1X1Y2", "g01 x.5", "G1.0 X1", "G3 I1 J2 E1", "X5 Y6", "F900", "G1 F900 ; slow", "  G0 Z1",
        "N5 G1 X1*33", "N5 G1 X1 *33 ; note", "G1 X-1.5 E+.3", "", "   ", "G92 E0", "G92 E-1.5 ; again", "N3 G92 E0*7",
        "G10", "G11", "(note) G1 X5", "G1 X5 (note)",
    ],
)  # fmt: skip
def test_limit_passed_over(keep, line):
    assert keep(line + "\n") == []
    assert keep(line) == []


@pytest.mark.parametrize(
    ("line", "kept"),
    [
        ("M104 S200 ; heat", "M104 S200 ; heat"), ("; note", "; note"), ("  (note)  ", "(note)"), ("G28", "G28"),
        ("G4 P5", "G4 P5"), ("N7 M107*12", "M107"), ("G92 X0 E0", "G92 X0"), ("G92", "G92"), ("G92.1", "G92.1"),
        ("G91", "G91"), ("M83", "M83"), ("G10 P1 X0", "G10 P1 X0"), ("G1 X5 H2", "G1 X5 H2"), ("%", "%"), ("T0", "T0"),
        ("M117 G1 X5", "M117 G1 X5"), ("G1 X5 M106 S9", "M106 S9"), ("M106 S9 G1 X5 F3", "M106 S9"),
        ("G17", "G17"), ("G20", "G20"), ("hello", "hello"), (";G1 X1", ";G1 X1"), ("G1 X5 Y", "G1 X5 Y"),
        ("G5 X1", "G5 X1"), ("/G1 X1", "/G1 X1"),
        ("G29", "G29"), ("G1 X1E5P2", "G1 X1E5P2"),
    ],
)  # fmt: skip
def test_limit_kept(keep, line, kept):
    assert keep(f"G1 X1\n{line}\nG1 X2\n") == [(2, kept.encode())]
    assert keep(line) == [(1, kept.encode())]


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_limit_lines_are_numbered_as_the_reader_does(keep, end, monkeypatch):
    text = end.join(["\ufeffM104 S1", "G1 X1", "", "M107", "G1 X2 ; note", "; last"])
    for block in (1 << 20, 64, 7, 3, 1):
        monkeypatch.setattr(module, "_BLOCK", block)
        assert keep(text) == [(1, b"M104 S1"), (4, b"M107"), (6, b"; last")]


def test_limit_numbers(tmp_path):
    path = tmp_path / "p.gcode"
    for text, follow in (("N1 G1 X1*1\nN2 G1 X2*1\n", True), ("N1 G1 X1*1\nN3 G1 X2*1\n", False),
                         ("N4 M110*1\nN0 M110*1\nN1 G1 X1*1\n", True), ("G1 X1\nN9 G1 X2\nN3 G1\n", True)):  # fmt: skip
        path.write_text(text)
        assert numbers_follow(path) is follow


def test_limit_no_file(tmp_path):
    with pytest.raises(ProgramError, match="cannot be read"):
        list(other_lines(tmp_path / "nothing.gcode"))


def test_limit_lines_that_come_again_are_read_once_and_long_ones_are_not_kept(keep):
    module._known.cache_clear()
    long = "; " + 4096 * "x"
    found = keep(("G10\nM106 S9\nG11\nM106 S8\n" + long + "\n") * 300)
    assert [text for _, text in found] == [b"M106 S9", b"M106 S8", long.encode()] * 300
    assert [number for number, _ in found[:4]] == [2, 4, 5, 7]
    kept = module._known.cache_info()
    assert kept.misses == kept.currsize == 4 and kept.maxsize * module._KNOWN_BYTES < 1 << 20
