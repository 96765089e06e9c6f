"""Every tricky input of the tool-path reference, section 1.8, by its number there, and the values of 1.6 and 1.7."""

import os
from binascii import crc_hqx

import numpy as np
import pytest

from pliant.errors import ProgramError
from pliant.program.dialects import BEHAVIOURS
from pliant.program.read import read_program
from pliant.records.program import BEAD, DWELL, HOME, PRIME, RECOVER, RETRACT, TRAVEL

FOLLOWS, ALONE, MANY = BEHAVIOURS


@pytest.fixture
def load(tmp_path):
    def _load(text, dialect="auto", **more):
        path = tmp_path / "p.gcode"
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return read_program(path, dialect, **more)

    return _load


def x_of(program):
    return program.point_mm[1:, 0].tolist()


def refused(load, text, message, dialect="auto"):
    with pytest.raises(ProgramError, match=message) as caught:
        load(text, dialect)
    assert "\n" not in str(caught.value)
    return str(caught.value)


# ---- 1: spelling of words


def test_published_1_8_1_spelling(load):
    p = load("G1X10Y.5Z+.3E.25F1200\n")
    assert p.point_mm[1].tolist() == [10, 0.5, 0.3]
    assert (p.e_word[0], p.f_word[0], p.filament_mm[0], p.speed_mm_per_s[0]) == (0.25, 1200, 0.25, 20)
    for line in ("g1 x1", "G01 X1", "G1.0 X1", "G001X+1.", "\tG1\tX1", "N5 G1 X1", "G0X001", "G0.99999 X1"):
        assert x_of(load(f"G1 F600\n{line}\n")) == [1]
    refused(load, "G92.1\nG1 X1 F600\n", "line 1: G92.1 shifts")


# ---- 2: E after a digit


def test_published_1_8_2_exponent(load):
    text = "M83\nG1 F600\nG1 X1E2\n"
    assert load(text, ALONE).filament_mm.tolist() == [2]
    p = load(text, MANY)
    assert x_of(p) == [100]
    assert np.isnan(p.e_word).all()
    assert load("G1 F600\nG1 X2E-1Y1e+1\n", MANY).point_mm[-1].tolist() == [0.2, 10, 0]
    assert x_of(load("M83\nG1 F600\nG1 X1 E5\n", MANY)) == [1]  # a blank ends the number
    assert x_of(load("M83\nG1 F600\nG1 X1E\n".replace("E\n", " E1\n"), MANY)) == [1]
    refused(load, "G1 F600\nG1 X1E6\n", "beyond any machine", MANY)
    q = load(text).questions
    assert q[0].startswith("E straight after a digit")
    assert "many-per-line reads lines otherwise" in q[1]
    assert "(line 3)" in q[1]


# ---- 3 and 4: numbers


@pytest.mark.parametrize("word", ["X1_0", "X1e", "X\u0663", "X1.2.3", "X1,5", "X#5", "X[1+2]", "X{a}", "X", "X.",
                                  "X+", "X--1", "X+-1", "X1:2", "X1 5", "X\u00a05", "X5\x0b"])  # fmt: skip
def test_published_1_8_3_what_is_no_number(load, word):
    for dialect in BEHAVIOURS:
        refused(load, f"G1 F600\nG1 {word}\n", "line 2: ", dialect)


def test_published_1_8_4_hexadecimal_is_two_words(load):
    assert x_of(load("G1 F600\nG1 X0x10\n", ALONE)) == [10]
    assert any(q.startswith("a letter twice") for q in load("G1 F600\nG1 X0x10\n").questions)


@pytest.mark.parametrize("word", ["Xnan", "Xinf"])
def test_published_1_8_3_python_floats(load, word):
    refused(load, f"G1 F600\nG1 {word}\n", "line 2: ")


@pytest.mark.parametrize(
    ("word", "value"),
    [("-0", 0.0), ("+1.", 1.0), ("007", 7.0), (".5", 0.5), ("-.5", -0.5), ("000000000000000000000003.25", 3.25),
     ("12.34567890123456789012", 12.34567890123456789), ("0.00000000000000000000012", 1.2e-22),
     ("99999.99999999999999999999", 1e5)],
)  # fmt: skip
def test_published_1_8_4_numbers(load, word, value):
    assert x_of(load(f"G1 F600\nG1 Y1 X{word}\n"))[0] == pytest.approx(value, rel=3e-16, abs=0)


def test_limit_ordinary_decimals_are_exact(load):
    rng = np.random.default_rng(3)
    words = [f"{v:.{d}f}" for v, d in zip(rng.uniform(-999, 999, 500), rng.integers(0, 9, 500), strict=True)]
    p = load("M83\nG1 F600\n" + "".join(f"G1 X{w} Y{k}\n" for k, w in enumerate(words, 1)))
    assert x_of(p) == [float(w) for w in words]


# ---- 5: comments


def test_published_1_8_5_comments(load):
    p = load("G1 F600\n(G1 X5) G1 X6 ; G1 X7\nG1 X8 ; )(\nG1 (;) X9\nG1 X10 (*5 N3) ; *7 N2\nG1 X11 (open\n")
    assert x_of(p) == [6, 8, 9, 10, 11]
    assert any(q.startswith("a comment in ( )") and "line 2, 4, 5, 6" in q for q in p.questions)
    assert any("without its )" in q and "line 6" in q for q in p.questions)
    refused(load, "G1 F600\nG1 X5 )\n", "line 2: cannot read")
    refused(load, "G1 F600\nG1 X1(c)2\n", "line 2: a number without a letter")  # a comment splits a number
    refused(load, "G1 F600\nG1 X(c)2\n", "line 2: a number without a letter")


# ---- 6: free text


@pytest.mark.parametrize("word", ["M117", "M118", "M0", "M1", "M23", "M28", "M928", "m117"])
def test_published_1_8_6_free_text(load, word):
    for dialect in BEHAVIOURS:
        assert x_of(load(f"G1 F600\n{word} G1 X100 E50 [*3 \xe4{{#\nG1 X2\n", dialect)) == [2]


# ---- 7: line numbers and checksums (1.7)


def test_published_1_7_checksums(load):
    for line in ("N3 T0*57", "N123 M105*39", "N7 G1 X12 Y3.5 E0.42*120"):
        load(f"{line}\nG1 X1 F600\n")
        load(f"  {line} \t ; comment *3\nG1 X1 F600\n")
        said = refused(load, f"G1 F600\n{line[:-1]}{9 - int(line[-1])}\nG1 X1\n", "line 2: checksum is")
        assert "damaged" in said
    refused(load, "N3 T0*\nG1 X1 F600\n", "a checksum needs")
    refused(load, "N3 T0*57 G1\nG1 X1 F600\n", "a checksum needs")
    refused(load, "N3 T0*5777\nG1 X1 F600\n", "a checksum needs")


def test_published_crc16(load):
    """Check word "123456789" of the catalogue of CRC algorithms (from memory): 0x31C3 and 0xBB3D."""
    assert crc_hqx(b"123456789", 0) == 0x31C3
    body = b"N7 G1 X12 Y3.5 E0.42"
    right = crc_hqx(body, 0)
    assert load(body + b"*%05d\nG1 X1 F600\n" % right).kind.size == 2
    refused(load, body + b"*%05d\nG1 X1 F600\n" % (right ^ 1), "line 1: checksum is")


def test_published_1_8_7_numbers_of_lines(load):
    p = load("N5 G1 F600\nN5 G1 X1\nN1.5 G1 X2\nG1 X3 N9\nN7 M117 2*3*" + str(_xor(b"N7 M117 2*3")) + "\nM110 N0\n")
    assert x_of(p) == [1, 2, 3]
    refused(load, "N7 M117 2*3*9\nG1 X1 F600\n", "line 1: checksum")
    assert x_of(load("M117 2*3\nG1 X1 F600\n")) == [1]  # no N: the star is text
    refused(load, "N G1 X1\n", "N without a number")


def _xor(data):
    total = 0
    for byte in data:
        total ^= byte
    return total


# ---- 8: marks and bytes


def test_published_1_8_8_percent(load):
    assert x_of(load("; head\n\n%\nG1 X1 F600\n%\nG1 X2\n")) == [1]
    assert x_of(load("% PART 7\nG1 X1 F600\n% ; end\nnot read\n")) == [1]
    p = load("G1 X1 F600\n%\nG1 X2\n%\nG1 X3\n")
    assert x_of(p) == [1, 2, 3]
    assert any("opens no program" in w and "line 2, 4" in w for w in p.warnings)
    p = load("G1 X1 F600\nM2\nG1 X9 {\n")
    assert x_of(p) == [1]
    assert any("are not read (line 3)" in w for w in p.warnings)


def test_published_1_8_8_bytes(load):
    p = load(b"\xef\xbb\xbf \t/G1 X1 F600\r\rG1 X2 ;\xff\xfe\r\nG1 X3")
    assert x_of(p) == [1, 2, 3]
    assert p.line.tolist() == [1, 3, 4]
    assert (p.n_lines, p.n_bytes) == (4, 34)
    assert any("block delete" in q and "line 1" in q for q in p.questions)
    refused(load, b"G1 F600\nG1 X\xb2\n", "line 2: cannot read")
    refused(load, b"G1 F600\n; \x00\n", "line 2: a NUL byte")
    refused(load, "G1 F600\n\ufeffG1 X1\n", "line 2: cannot read")
    assert x_of(load(b"G1 F600\n;" + b"A" * (1 << 19) + b"\nG1 X1\n")) == [1]
    refused(load, b"G1 F600\n;" + b"A" * (1 << 20) + b"\nG1 X1\n", "line 2: longer than 1 MiB")


# ---- 9: G92


def test_published_1_8_9_g92(load):
    p = load("M82\nG1 X10 E2 F600\nG1 E1\nG92 E0\nG1 E1\nG92 X0\nG1 X5 E2\nG91\nG92 X100\nG1 X1\nG90\nG1 X100\n", ALONE)
    assert x_of(p) == [10, 10, 10, 15, 16, 15]
    assert p.filament_mm.tolist() == [2, -1, 1, 1, 0, 0]
    assert p.states["offset_mm"][p.state][:, 0].tolist() == [0, 0, 0, 10, -85, -85]
    assert [int(k) for k in p.kind[:4]] == [BEAD, RETRACT, RECOVER, BEAD]
    text = "G1 X10 E2 F600\nG92\nG1 X1 E3\n"
    assert x_of(load(text, ALONE)) == [10, 11]
    assert load(text, ALONE).filament_mm.tolist() == [2, 3]
    assert x_of(load(text, FOLLOWS)) == [10, 1]
    q = load(text).questions
    assert q[0].startswith("G92 without words: zeroes all axes here")
    assert any(
        a.startswith("e-follows-g90 reads lines otherwise, the first with 1 mm of filament instead of 3") for a in q
    )


def test_limit_g92_after_homing_declares_the_place(load):
    p = load("G28\nG92 Z0.2\nG1 X1 Y1 F600\nG1 Z0.3\n")
    assert [int(k) for k in p.kind] == [HOME, HOME, TRAVEL]
    assert p.point_mm[-1].tolist() == [1, 1, 0.3]
    assert p.point_mm[1].tolist() == [0, 0, 0.2]


# ---- 10: modes


def test_published_1_8_10_filament_modes(load):
    text = "M83\nG1 X1 E2 F600\nM82\nG1 X2 E3\n"
    assert load(text, ALONE).filament_mm.tolist() == [2, 1]  # the relative move counted
    assert load(text, MANY).filament_mm.tolist() == [2, 3]
    assert any(q.startswith("M82 after moves under M83") for q in load(text).questions)
    p = load("G90\nM82\nG1 X1 E1 F600\nG91\nG1 Z.4 E2\nG1 Z-.4\nG90\nG1 X2 E3\n")
    assert p.filament_mm.tolist() == [1, 1, 0, 1]
    assert load("M83\nG90\nG1 X1 E2 F600\nG1 X2 E3\n", FOLLOWS).filament_mm.tolist() == [2, 1]
    q = load("M83\nG90\nG1 X1 E2 F600\nG1 X2 E3\n").questions
    assert q[0] == (
        "an E move after G90/G91: filament mode follows them on some controllers, M82/M83 alone here (line 4)"
    )
    assert q[1] == (
        "e-follows-g90 reads lines otherwise, the first with 1 mm of filament instead of 3; "
        "e-on-its-own assumed (line 4)"
    )
    # asked only where it makes a difference
    assert load("M83\nG90\nG1 X1 E2 F600\nG92 E0\nM83\nG91\nG1 X1 E3\n").questions == ()


# ---- 11: inches


def test_published_1_8_11_inches(load):
    p = load("G1 X10 F600\nG20\nG1 X1\nG1 X2 F60 E1\nM204 S10\nG3 I1\nG21\nG1 X60 F120\n", ALONE)
    assert x_of(p) == pytest.approx([10, 25.4, 50.8, 50.8, 60])
    assert p.speed_mm_per_s == pytest.approx([10, 10, 25.4, 25.4, 2])
    assert p.filament_mm[2] == pytest.approx(25.4)
    assert p.length_mm[3] == pytest.approx(2 * np.pi * 25.4)
    assert p.states["print_accel"][p.state[3]] == pytest.approx(254)
    assert p.states["unit"][p.state].tolist() == [1, 25.4, 25.4, 25.4, 1]
    area = np.pi * 1.75**2 / 4
    p = load("M200 D1.75\nG20\nG1 X1 E0.001 F60\n", ALONE)
    assert p.filament_mm[0] == pytest.approx(0.001 * 25.4**3 / area)


# ---- 12 and 13: kinds of moves


def test_published_1_8_12_kinds(load):
    p = load(
        "M83\nG1 F600\nG1 E-2\nG1 E1\nG1 Z1\nG1 X5 E-.5\nG1 E1\nG1 X9 E1.5\nG1 Z2 E1\nG1 X9 Z2\nG1 E1\nG1 E-1\n"
        "G1 X12 E2\nG1 E1\n"
    )
    assert p.kind.tolist() == [
        RETRACT, RECOVER, TRAVEL, RETRACT, RECOVER, BEAD, BEAD, PRIME, RETRACT, BEAD, PRIME,
    ]  # fmt: skip
    assert p.line.tolist() == [3, 4, 5, 6, 7, 8, 9, 11, 12, 13, 14]


def test_published_1_8_13_firmware_retraction(load):
    p = load("M207 S0.8 F1800\nM208 S0.1 F600\nM83\nG1 X1 E1 F600\nG10\nG10\nG1 X5\nG11\nG11\nG1 X9 E1\n")
    assert p.kind.tolist() == [BEAD, RETRACT, TRAVEL, RECOVER, BEAD]
    assert p.filament_mm.tolist() == pytest.approx([1, -0.8, 0, 0.9, 1])
    assert p.speed_mm_per_s.tolist() == pytest.approx([10, 30, 10, 10, 10])
    assert p.line.tolist() == [4, 5, 7, 8, 10]
    refused(load, "G1 X1 F600\nG10\n", r"line 2: the controller's own retraction \(G10/G11\)")
    refused(load, "M207 S1\nG1 X1 F600\nG11\n", "line 3: the controller's own")
    refused(load, "M207 S1 F1800 Z0.4\nG1 X1 F600\nG10\n", "line 3: .*lifts by 0.4 mm")
    refused(load, "M207 S1 F1800\nG10 L2 P1 X5\nG1 X1 F600\n", "line 2: G10 with words")


# ---- 14 and 19: spirals, small steps


def test_published_1_8_14_spiral_and_small_steps(load):
    p = load("M83\nG1 F600\n" + "".join(f"G1 X{k % 2}.001 Z{k * 1e-4:.7f} E.01\n" for k in range(50)))
    assert (p.kind == BEAD).all()
    assert np.diff(p.point_mm[1:, 2]) == pytest.approx(np.full(49, 1e-4), rel=1e-9)


# ---- 15: arcs (1.6)


@pytest.mark.parametrize("arc", ["G3 X2 Y7 I-4 J-3", "G3 X2 Y7 R5", "g3x2y7i-4j-3e1"])
def test_published_1_6_arc(load, arc):
    p = load(f"G1 X9 Y6 F600\n{arc}\n", ALONE)
    assert p.centre_mm[-1] == pytest.approx([5, 3])
    assert p.sweep_rad[-1] == pytest.approx(np.pi / 2)
    assert p.length_mm[-1] == pytest.approx(7.853982, abs=5e-7)


def test_published_1_8_15_arcs(load):
    p = load("G1 X10 Z1 F600\nG2 I-10\nG3 X10 Y0 I-10 J0 Z4\nG2 X0 Y10 R-10\nG3 X-5 Y15.004 I-5 J0\n", ALONE)
    assert p.sweep_rad[1:] == pytest.approx([-2 * np.pi, 2 * np.pi, -1.5 * np.pi, np.pi / 2], abs=0.01)
    assert p.length_mm[1:3] == pytest.approx([20 * np.pi, np.hypot(20 * np.pi, 3)])
    assert p.centre_mm[3] == pytest.approx([0, 0], abs=1e-12)
    # R up to 1 % short counts as a half circle
    p = load("G1 X0 F600\nG2 X10 R4.96\n", ALONE)
    assert p.centre_mm[-1] == pytest.approx([5, 0])
    assert p.length_mm[-1] == pytest.approx(5 * np.pi)
    refused(load, "G1 X0 F600\nG2 X10 R4.9\n", "line 2: radius 4.9 mm does not reach")
    # r1 against r2: 0.005 mm or 0.1 %, never over 0.5 mm
    load("G1 X0 F600\nG2 X2 I1.0024\n")
    refused(load, "G1 X0 F600\nG2 X2 I1.003\n", "line 2: the arc's ends lie 0.006 mm apart")
    load("G1 X0 F600\nG2 X200 I100.04\n")
    refused(load, "G1 X0 F600\nG2 X2000 I1000.3\n", "apart in radius")
    for text, message in (
        ("G2 X5", "needs I/J or R"), ("G2 X5 I0 J0", "no radius"), ("G2 X5 I2.5 R3", "both R and I/J"),
        ("G2 R5", "different end point"), ("G2 X5 R0", "different end point"), ("G18\nG2 X5 I2.5", "XY plane"),
        ("G19\nG3 I2.5", "XY plane"), ("G2 I2.5 P2", "extra turns"), ("G2 I", "I without a number"),
        ("G90.1\nG2 I2", "G90.1"), ("G5 X1 Y1 I1 J1", "G5 moves in a way"), ("G81 X1", "G81 moves in a way"),
    ):  # fmt: skip
        refused(load, f"G1 F600\n{text}\n", message)


# ---- 16: several commands, repeated letters, unknown words


def test_published_1_8_16_several_commands(load):
    text = "G1 X1 F600\nG91 G1 X5\nG1 X7 X8\n"
    assert x_of(load(text, ALONE)) == [1, 9]  # G91 alone runs on line 2
    assert x_of(load(text, MANY)) == [1, 6, 13]
    q = load(text).questions
    assert any(a.startswith("two commands on a line: the first counts here") for a in q)
    assert any(a.startswith("a letter twice on a line: the last counts here") for a in q)
    assert any("many-per-line reads lines otherwise, the first with another number of moves" in a for a in q)
    assert not any(a.startswith("e-follows-g90") for a in q)
    # a difference in spelling that makes none in meaning is asked about, but not reported as another reading
    assert len(load("G1 X1 F600\nG1 X8 X8\n").questions) == 1
    p = load("F600 X1 G1\nG1 X2\nX3 Y1\nY2 E1\nF60\nX4\n", ALONE)
    assert x_of(p) == [1, 2, 3, 3, 4]
    assert p.speed_mm_per_s[-1] == 1
    assert any(a.startswith("words before the command") for a in p.questions)
    assert any(a.startswith("a line of bare axes") and "line 3, 4, 6" in a for a in p.questions)
    p = load("G1 X1 F600\nG777\nM12345 P1\nM12345\n" + "".join(f"G{k}.5\n" for k in range(100, 200)))
    assert "unknown command G777: passed over (line 2)" in p.warnings
    assert "unknown command M12345: passed over (line 3, 4)" in p.warnings
    assert any(w.startswith("further unknown commands") for w in p.warnings)


def test_limit_auto_names_a_behaviour_that_would_refuse(load):
    q = load("G1 X1 F600\nG1 X2 T1 M6 T1\n").questions
    assert any(a.startswith("many-per-line would refuse it (line 2: more than one tool") for a in q)


def test_limit_fan_share(load):
    text = "G1 F600\nM106 S1\nG1 X1\nM106 S255\nG1 X2\nM106 S0.5\nG1 X3\nM107\nG1 X4\nM106\nG1 X5\nM106 P1 S9\nG1 X6\n"
    fan = [load(text, d).states["fan"] for d in (ALONE, MANY)]
    p = load(text, ALONE)
    assert p.states["fan"][p.state] == pytest.approx([1 / 255, 1, 0.5 / 255, 0, 1, 1])
    assert fan[1][load(text, MANY).state] == pytest.approx([1, 1, 0.5, 0, 1, 1])
    assert any(
        "many-per-line reads lines otherwise, the first with fan 1 instead of 0.00392157" in q
        for q in load(text).questions
    )


# ---- 17 and 18: what is refused, with line and way out


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("T1", "more than one tool"), ("G1 E0.5:0.5", "malformed number after E"), ("G1 A5", "axis A"),
        ("G1 U5", "axis U"), ("C5", "axis C"), ("M165 A0.5 B0.5", "mixes"), ("M6 T2", "more than one tool"),
        ("M98 P1", "M98 calls or repeats"), ("M808 L5", "M808 calls"), ("M99", "M99"), ("G65 P1", "G65 calls"),
        ("M32 file.g", "M32 calls"), ('M98 P"a.g"', "M98 calls"), ("O100 sub", "expression, parameter or loop"),
        ("#5=3", "expression"),
        ("G1 X[#5+1]", "expression"), ("G1 X{a}", "expression"), ("if x > 3", "named macro"), ("T?", "cannot read"),
        ("  while true", "named macro"), ("PRINT_START BED=60", "named macro"), ("@pause", "cannot read"),
        ("G54", "G54 shifts"), ("G52 X5", "G52 shifts"), ("G93", "G93 gives feeds"), ("G1 X1 F0", "a feed must be"),
        ("G1 X1 F-5", "a feed must be"), ("G1 X200000", "beyond any machine"), ("G1 E1000000", "mm of filament"),
        ("M220 S0", "percentage"), ("M221 S", "S without a number"), ("M204 S0", "allowed is 0.001 to"),
        ("G4 S-1", "allowed is 0 to 86400"), ("M104 S5000", "allowed is 0 to 1000"), ("G92 X200000", "beyond any"),
        ("M200 D-1", "allowed is 0 to 100"), ("M900 K-1", "allowed is 0 to 10000"), ("G", "G without a number"),
        ("M S5", "M without a number"),
    ],
)  # fmt: skip
def test_published_1_8_17_refusals(load, text, message):
    for dialect in BEHAVIOURS:
        said = refused(load, f"G1 X1 F600\n{text}\nG1 X2\n", message, dialect)
        assert " line 2: " in said


def test_published_1_8_18_states(load):
    p = load(
        "M104 S210\nM140 S55\nM204 P900 R700 T1200\nM205 X8 Y6\nM205 J0.02\nM900 K0.06\nG1 X1 E1 F600\nM220 B S50\n"
        "M221 S90\nG1 X2 E2\nM220 R\nM221 S100\nM200 D1.75\nG1 X3 E4.405282\nM200 S0\nM600\nG91\nM83\nM190 R70\n"
        "M109 R215\nG1 X1 E1\nM104 S0\nG1 X1\n", ALONE,
    )  # fmt: skip
    s = p.states[p.state]
    assert s["nozzle_c"].tolist() == [210, 210, 210, 215, 0]
    assert p.nozzle_c.tolist() == [210, 210, 210, 215, 215]
    assert s["bed_c"].tolist() == [55, 55, 55, 70, 70]
    first = {name: s[name][0] for name in s.dtype.names if name != "offset_mm"}
    assert first == {
        "nozzle_c": 210, "bed_c": 55, "fan": 0, "flow_factor": 1, "speed_share": 1, "print_accel": 900,
        "retract_accel": 700, "travel_accel": 1200, "junction_mm": 0.02, "corner_mm_per_s": 6, "advance_s": 0.06,
        "e_absolute": True, "absolute": True, "unit": 1, "filament_area_mm2": 0, "tool": 0,
    }  # fmt: skip
    assert p.speed_mm_per_s.tolist() == [10, 5, 10, 10, 10]
    assert p.filament_mm == pytest.approx([1, 0.9, 1, 1, 0])  # 2.405282 mm2 for 1.75 mm
    assert s["filament_area_mm2"] == pytest.approx([0, 0, 2.405282, 0, 0], abs=5e-7)
    assert s["absolute"].tolist() == [True, True, True, False, False]
    assert any(w.startswith("a pause") and "line 16" in w for w in p.warnings)
    assert load("M204 S800\nG1 X1 F600\n").states["travel_accel"].tolist() == [800]


def test_limit_states_are_distinct_and_in_order(load):
    p = load("G1 F600\n" + "".join(f"M106 S{k % 3}\nG1 X{k}\n" for k in range(1, 3001)))
    assert p.states["fan"] * 255 == pytest.approx([1, 2, 0])
    assert p.state[:4].tolist() == [0, 1, 2, 0]
    many = load("G1 F600\n" + "".join(f"M221 S{100 + k / 100}\nG1 X{k}\n" for k in range(1, 5001)))
    assert len(many.states) == 5000
    assert many.state.tolist() == list(range(5000))
    close = load("G1 F600\n" + "".join(f"M106 S{k / 1e9:.9f}\nG1 X{k}\n" for k in range(1, 20001)), ALONE)
    assert len(close.states) == 20000


def test_limit_factors_on_filament_alone(load):
    text = "M83\nG1 F600\nM221 S50\nM220 S50\nG1 E-2\nG1 X5 E2\n"
    p, q = load(text, ALONE), load(text, MANY)
    assert (p.filament_mm.tolist(), p.speed_mm_per_s.tolist()) == ([-1, 1], [5, 5])
    assert (q.filament_mm.tolist(), q.speed_mm_per_s.tolist()) == ([-2, 1], [10, 5])


def test_limit_dwell_and_words_as_written(load):
    p = load("G1 X1 F600\nG4 P250\nG4 S1.5 P9\nG4\nG1 X1 F900\nG1 X2 E1\n")
    assert p.kind.tolist() == [TRAVEL, DWELL, DWELL, DWELL, BEAD]
    assert p.dwell_s.tolist() == [0, 0.25, 1.5, 0, 0]
    assert p.f_word.tolist() == pytest.approx([600, np.nan, np.nan, np.nan, np.nan], nan_ok=True)
    assert p.e_word.tolist() == pytest.approx([np.nan] * 4 + [1], nan_ok=True)
    assert p.speed_mm_per_s[-1] == 15


# ---- 20 and hostile files


def test_limit_progress_rises_to_one(load, monkeypatch):
    monkeypatch.setattr("pliant.program.stream._CHUNK", 64)
    shares = []
    load("G1 F600\n" + "G1 X1\nG1 X2\n" * 200, progress=shares.append)
    assert shares == sorted(shares)
    assert shares[-1] == 1
    assert len(shares) > 20


def test_limit_line_of_two_gigabytes_is_refused_early(tmp_path):
    path = tmp_path / "sparse.gcode"
    with path.open("wb") as file:
        file.write(b"G1 X1 F600\n;" + b"A" * (1 << 20))
        file.truncate(2 << 30)
    with pytest.raises(ProgramError, match=r"line 2: longer than 1 MiB"):
        read_program(path)
    with path.open("wb") as file:
        file.truncate(2 << 30)
    with pytest.raises(ProgramError, match="this is binary"):
        read_program(path)


def test_limit_long_line_of_words(load):
    assert load("G1 F600\n" + "G1 X5" * 30_000 + "\n", MANY).kind.size == 1
    p = load("G1 F600\n" + "G4" * 100_000 + "\nG1 X1\n", MANY)
    assert p.kind.size == 100_001
    assert load("G1 F600\n" + "G4" * 100_000 + "\nG1 X1\n", ALONE).kind.size == 2


@pytest.mark.parametrize(
    ("data", "message"),
    [(b"", "no line moves anything"), (b"\n\n", "no line moves"), (b"G28\nG4 S1\n", "no line moves"),
     (b"\x89PNG\r\n\x1a\n\x00", "this is a picture"), (b"PK\x03\x04" + bytes(range(256)), "zip archive"),
     (b"G1 X1 F600\nG1 X", "line 2: X without"), ("G1 X1 F600\n".encode("utf-16"), "text in UTF-16")],
)  # fmt: skip
def test_limit_files_that_are_no_program(load, data, message):
    for dialect in ("auto", *BEHAVIOURS):
        refused(load, data, message, dialect)


def test_limit_what_cannot_be_opened(tmp_path):
    for path, message in (
        (tmp_path / "absent", "cannot be read"),
        (tmp_path, "cannot be read"),
        ("a\0b", "cannot be read"),
    ):
        with pytest.raises(ProgramError, match=message) as caught:
            read_program(path)
        assert "\n" not in str(caught.value)
    with pytest.raises(ProgramError, match="unknown dialect 'x'; choose auto"):
        read_program(tmp_path, "x")


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="the system has no named pipes")
def test_limit_a_pipe_is_read_once(tmp_path):
    import threading

    path = tmp_path / "pipe"
    os.mkfifo(path)
    writer = threading.Thread(target=path.write_bytes, args=(b"G1 X1 F600\nG1 X2 X3\n",))
    writer.start()
    p = read_program(path)
    writer.join()
    assert x_of(p) == [1, 3]
    assert any("no file that can be read twice" in q for q in p.questions)


@pytest.mark.parametrize(
    ("text", "warns"),
    [
        ("G1 X5 F600\nG1 X12.", True), ("G1 X5 F600\nG1 X12.34\n", False), ("G1 X5 F600\rG1 X12.3\r", False),
        ("G1 X5 F600\nM84", False), ("G1 X5 F600\nG4 S1", False), ("G1 X5 F600\nG28", False), ("G1 X5 F600", True),
        ("G1 X5 F600\nX9 ; on", True), ("G1 X5 F600\n; G1 X9", False),
    ],
)  # fmt: skip
def test_limit_a_last_line_that_moves_without_an_end_may_be_cut(tmp_path, text, warns):
    path = tmp_path / "cut.gcode"
    path.write_text(text, newline="")
    found = [w for w in read_program(path, "e-on-its-own").warnings if "cut short" in w]
    assert bool(found) == warns
    if warns:
        assert found[0].endswith(f"(line {len(text.splitlines())})")
