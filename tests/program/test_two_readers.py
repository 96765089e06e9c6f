"""The compiled reader against the plain one: generated programs in every dialect, and the same with broken bytes.

Both must give the same moves, states, questions and warnings, or both must refuse, at the same line.
"""

import numpy as np
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

import plain_reader
from pliant.errors import ProgramError
from pliant.kernels import commands, machine, moves, scan, states, words
from pliant.program import stream
from pliant.program.dialects import BEHAVIOURS
from pliant.program.stream import Moves, Reading
from pliant.records.program import KIND_NAMES, STATE_DTYPE

DIALECTS = sorted(BEHAVIOURS)


def fast(path, data, dialect):
    """The compiled reader: program, machine and questions, or the line at which it refuses."""
    path.write_bytes(data)
    moves, reading = Moves(str(path)), Reading(str(path), dialect)
    try:
        reading.run(moves.take)
    except ProgramError as error:
        text = str(error)
        assert "\n" not in text
        return int(text.split(" line ", maxsplit=1)[1].split(":", maxsplit=1)[0])
    return moves.program(dialect, reading), reading


def asked(reading):
    found = {}
    for k, name in enumerate(machine.ASK_NAMES):
        count, _, *lines = reading.w[machine.ASK0 + k * machine.ASK_WIDTH :][: machine.ASK_WIDTH].tolist()
        if count:
            found[name] = (count, lines[:count])
    return found


def unknown(reading):
    found = {}
    for k in range(machine.STRANGES):
        letter, count, *lines = reading.w[machine.STRANGE0 + k * machine.ASK_WIDTH :][: machine.ASK_WIDTH].tolist()
        if count:
            found[chr(65 + letter), f"{reading.f[machine.STRANGE_NUMBER + k]:.12g}"] = (count, lines[:count])
    return found


def _xor(data):
    total = 0
    for byte in data:
        total ^= byte
    return total


def shortened(lines):
    return len(lines), lines[: machine.LONGEST_LIST]


def assert_same(path, data, dialect):
    one = fast(path, data, dialect)
    try:
        other = plain_reader.read(data, dialect)
    except plain_reader.Refused as refused:
        assert one == refused.args[0], f"plain refuses line {refused.args}"
        return
    assert not isinstance(one, int), f"only the compiled reader refuses, line {one}"
    program, reading = one
    assert program.n_lines == other.n_lines
    assert program.n_bytes == len(data)
    assert program.line.tolist() == [row.line for row in other.rows]
    assert [KIND_NAMES[k] for k in program.kind] == [row.kind for row in other.rows]
    near = {"rtol": 1e-9, "atol": 1e-9}
    expected = [(0.0, 0.0, 0.0), *(row.end for row in other.rows)]
    np.testing.assert_allclose(program.point_mm, expected, **near)
    for attribute, name in (
        ("length_mm", "length"), ("filament_mm", "filament"), ("speed_mm_per_s", "speed"), ("dwell_s", "dwell"),
        ("sweep_rad", "sweep"), ("e_word", "e_word"), ("f_word", "f_word"),
    ):  # fmt: skip
        np.testing.assert_allclose(getattr(program, attribute), [getattr(r, name) for r in other.rows], **near)
    np.testing.assert_allclose(program.centre_mm, np.reshape([r.centre for r in other.rows], (-1, 2)), **near)
    for name in STATE_DTYPE.names:
        values = np.reshape([getattr(r.state, name) for r in other.rows], program.states[name][program.state].shape)
        np.testing.assert_allclose(program.states[name][program.state], values, err_msg=name, **near)
    assert len({state.tobytes() for state in program.states}) == len(program.states)
    first_use = [np.flatnonzero(program.state == k)[0] for k in range(len(program.states))]
    assert first_use == sorted(first_use)
    assert asked(reading) == {name: shortened(lines) for name, lines in other.asked.items()}
    assert unknown(reading) == {
        (letter, f"{number:.12g}"): shortened(lines) for (letter, number), lines in other.unknown.items()
    }


_number = st.one_of(
    st.decimals(-300, 300, places=3).map(lambda d: format(d, "f")),
    st.integers(-50, 300).map(str),
    st.sampled_from(["0", "-0", "5", "007", "+1.5", "1.2345678901234567890123", "0.0001"]),
)
_small = st.decimals(-3, 8, places=4).map(lambda d: format(d, "f"))
_feed = st.integers(1, 9000).map(str)


def _word(letters, number):
    return st.tuples(st.sampled_from(letters), number).map("".join)


_motion = st.one_of(
    st.tuples(
        st.sampled_from(["G1", "G0", "g1", "G01", "G1.0", "G1 ", "N5G1", "G 1"]),
        st.lists(st.one_of(_word("XYZxyz", _number), _word("XY", _number), _word("Ee", _small), _word("F", _feed)),
                 max_size=5, unique_by=lambda w: w[0]),
        st.sampled_from([" ", " ", "", "\t"]),
    ).map(lambda t: t[2].join([t[0], *t[1]])),
    st.tuples(st.sampled_from(["G2", "G3"]), _number, _number, st.sampled_from(["", " E1", " Z3 E.5"])).map(
        lambda t: f"{t[0]} I{t[1]} J{t[2]}{t[3]}"
    ),
    st.tuples(st.sampled_from(["G2", "G3"]), _number, _number, st.sampled_from(["R50", "R-80", "R300", "R2", "I5 J0"])
              ).map(lambda t: f"{t[0]} X{t[1]} Y{t[2]} {t[3]} E1"),
    _small.map(lambda v: f"G1 E{v}"),
)  # fmt: skip
_mode = st.sampled_from(
    ["G90", "G91", "M82", "M83", "G92 E0", "G92", "G92 X0 Y5", "G92 Z1.5", "G28", "G28 X Y", "G20", "G21", "G17", "G18",
     "G80", "M104 S210", "M104 S0", "M109 R200", "M140 S60", "M104 T1 S20", "M106 S128", "M106 S1", "M106 S0.5", "M106",
     "M106 P1 S3", "M107", "M220 S50", "M220 B", "M220 R", "M221 S95", "M221 S100", "M204 S800", "M204 P900 R300 T1200",
     "M205 X8 Y7", "M205 J0.02", "M205 Y3", "M900 K0.05", "M200 D1.75", "M200 D0", "M200 S1",
     "M200 S0", "M207 S1 F1800", "M207 S0.5 F600 Z0", "M207 Z0.4", "M208 S0.1", "M208 F900", "G10", "G11",
     "G10 P1 X5", "G4 P250", "G4 S1.5", "G4", "T0", "T1", "T", "M2", "M30", "M0 stop", "M600",
     "M117 G1 X100 E50 {#", "M201 X500", "M73 P5", "M12345", "G77",
     "G1.5", "M400", "M5", "G0.99999", "M98 P1", "G29", "G92.1"]
)  # fmt: skip
_odd = st.sampled_from(
    ["", ";c (x", "(a) G1 X5 (b)", "(open G1 X4", "%", "% NAME", "/G1 X3", "X5", "E2", "F900", "S3", "A3", "X5 G1",
     "G1 X5 X6", "G1 X7 G1 Y8", "G91 G1 X1 G90", "T0 G1 X9", "G1 X1E5", "G1 X1E-2Y3e1", "G1 X", "G1 X 5", "G1 X1 5",
     "G1 X1..2", "G1 X1,5", "G1 E.5:.5", "G1 X#5", "G1 X[1]", "O100 sub", "G28 O", "SET_A B=1", "Tx", "T?", "N3 T0*57",
     "N123 M105*39", "N7 G1 X12 Y3.5 E0.42*120", "N7 G1 X12 Y3.5 E0.42*121", "N1 M117 a*b*3", "M117 a*b", "G1 X5*71",
     "N9 G1 X1*00123", "N", "N5", "n2 g1 x4 ;*5", "G1 X3 N7", "G", "M", "*", "G1 X1_0", "G1 X0x10", "G1 Xnan",
     "G1 X12345678901234567890", "G1X.5Y+1.E.25", "G1 X-.Y1", "G2 X5 I2.5 P1", "G2 X5 I2.5 P0 E1", "G90.1", "G5 X1",
     "G91 G1 X1 G1 Y2 G90", "G1.0005 X3", "G0.9999 X2"]
)  # fmt: skip
_idiom = st.sampled_from(
    ["M83\nG1 E1.5\nM82\nG1 E2", "M82\nG91\nG1 X1 E1\nG90\nG1 X2 E3", "M83\nG90\nG1 X1 E.5\nG1 X2 E.7", "M106 S300",
     "M207 S1 F1800\nM208 S.3\nG10\nG1 X2\nG11", "G10\nG1 X8\nG11\nG1 X9 E1", "G2 X33 Y4\nF700\nX31 Y5",
     "G1 X1 Y1\nG2 X3.004 I1", "G1 X1 Y1\nG2 X201.09 I100", "G1 X1 Y1\nG3 X3.0121 I1", "G3 I2 Z4 E1\nF500\nX3",
     "M220 B S50\nG1 X1\nM220 R\nG1 X2", "(\u20ac) N7 G1 X8*" + str(_xor("(\u20ac) N7 G1 X8".encode())),
     "N3 T0*0057", "M201 X9 Y9\nM203 X9",
     "G28\nG92 Z.2\nG1 X1 Y1\nG1 Z.3", "G28 Z\nG91\nG1 Z3\nG90\nG1 Z1",
     "G1 X1 Y1\nG28 W\nG1 X5 Y5", "M200 D1.75\nG1 X3 E2\nM200 S0\nM200 S1",
     "G92 E0\nG1 E-1\nG1 Z2\nG1 E0", "G1 X5\nG80\nX6", "M205 X7\nG4 P1\nM205 Y3\nG4 P1\nM205 X2 Y9\nG4 P1"]
)  # fmt: skip
_line = st.one_of(_motion, _motion, _motion, _mode, _mode, _odd, _idiom)
_program = st.lists(st.tuples(_line, st.sampled_from(["\n"] * 6 + ["\r\n", "\r"])), max_size=25).map(
    lambda lines: ("G1 F1200\n" + "".join(a + b for a, b in lines)).encode()
)
_steady = st.lists(st.one_of(_motion, _motion, _mode, _idiom), max_size=25).map(lambda lines: "\n".join(lines).encode())
_mutation = st.tuples(st.integers(0, 400), st.sampled_from(["put", "drop", "swap"]), st.integers(0, 255))


def _mutate(data, mutations):
    out = bytearray(data)
    for place, what, byte in mutations:
        at = place % (len(out) + 1)
        if what == "put":
            out[at:at] = bytes([byte])
        elif what == "drop":
            del out[at : at + 1 + byte % 4]
        elif at < len(out):
            out[at] = byte
    return bytes(out)


_options = {"deadline": None, "suppress_health_check": list(HealthCheck)}


@settings(max_examples=80, **_options)
@given(st.one_of(_program, _steady), st.sampled_from(DIALECTS))
def test_limit_both_readers_agree_on_programs(tmp_path_factory, data, dialect):
    assert_same(tmp_path_factory.getbasetemp() / "two.gcode", data, dialect)


@settings(max_examples=80, **_options)
@given(st.builds(_mutate, _program, st.lists(_mutation, min_size=1, max_size=6)), st.sampled_from(DIALECTS))
@example(b"\xef\xbb\xbf%\nG1 X1\n%\nG1 X2", "e-on-its-own")
@example(b"G1 X1\x00", "many-per-line")
def test_limit_both_readers_agree_on_broken_bytes(tmp_path_factory, data, dialect):
    assert_same(tmp_path_factory.getbasetemp() / "two.gcode", data, dialect)


@settings(max_examples=80, **_options)
@given(st.binary(max_size=200), st.sampled_from(DIALECTS))
def test_limit_both_readers_agree_on_noise(tmp_path_factory, data, dialect):
    assert_same(tmp_path_factory.getbasetemp() / "two.gcode", data, dialect)


@pytest.mark.parametrize("dialect", DIALECTS)
def test_limit_both_readers_agree_on_a_long_random_program(tmp_path, dialect):
    """Many thousand moves: several blocks, many states, several pieces of the file."""
    rng = np.random.default_rng(11)
    lines = ["G1 F1200", "M83"]
    for k in range(30_000):
        x, y, e = rng.uniform(0, 200, 3)
        lines.append(f"G1 X{x:.3f} Y{y:.3f} E{e / 100:.5f}")
        if k % 7 == 0:
            lines.append(f"M106 S{rng.integers(0, 256)}\nM204 S{rng.integers(1, 40) * 100}")
        if k % 11 == 0:
            lines.append(f"G91\nG1 Z.4\nG90\nG92 X{x / 2:.3f}\nG4 P{rng.integers(9)}")
        if k % 13 == 0:
            lines.append(f"G3 I{rng.uniform(1, 9):.3f} E.1")
    assert_same(tmp_path / "long.gcode", "\n".join(lines).encode(), dialect)


@pytest.mark.parametrize("dialect", DIALECTS)
def test_limit_pieces_of_any_size_read_the_same(tmp_path, monkeypatch, dialect):
    data = (
        b"\xef\xbb\xbfG1 F600\r\nG1 X1 E1\rM106 S3\n\r\n;long comment\r\nG1 X2 (a) E2\r\n\rG4 S1\r\nG3 I4 E3\r\nG1 X9"
    )
    for size in (1, 2, 3, 5, 8, 64):
        monkeypatch.setattr("pliant.program.stream._CHUNK", size)
        assert_same(tmp_path / "p.gcode", data, dialect)


def test_limit_kernel_reads_the_same_uncompiled(tmp_path, monkeypatch):
    """The plain-Python body of every kernel, on a small program with a bit of everything."""
    for module in (machine, words, moves, commands, scan, states, stream):
        for name, kernel in list(vars(module).items()):
            if hasattr(kernel, "py_func"):
                monkeypatch.setattr(module, name, kernel.py_func)
    assert not hasattr(stream.scan, "py_func")
    data = (
        b"%\nN1 G21*42\nM104 S210\nM109 R215\nM106 S99\nM204 P900 T1200\nM205 X8 J.02\nG28\nG92 E0\n"
        b"G1 X1 Y2 Z.2 F1800\nG1 X9.5 E.25 ; c\nG3 X2 Y7 I-4 J-3 E1\nG2 X9 R6 E1.5\nM83\nG1 E-1\nG10\nM220 S90\n"
        b"M221 S95\nG91\nG1 Z.4\nG90\n"
        b"/G1 X5 X6\nG1 X1E2\nM117 hi {there}\nM200 D1.75\nG1 X9 E2\nG20\nX1\nG4 P10\nN7 G1 X1*00000\n"
    )
    for dialect in DIALECTS:
        for stop in range(1, data.count(b"\n") + 1):
            assert_same(tmp_path / "p.gcode", b"\n".join(data.split(b"\n")[:stop]), dialect)
