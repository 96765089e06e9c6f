"""Writing back: every byte kept that no edit asks for, and what is asked for read back as it was meant."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from certificate_cases import number_lines
from certificate_part import part
from pliant.errors import ProgramError
from pliant.kernels.splice import format_numbers, line_starts
from pliant.language.edit import number_text
from pliant.program.numbering import is_numbered, numbers_follow, renumber
from pliant.program.read import read_program
from pliant.program.write import Edits, Insert, rewrite
from pliant.records.program import BEAD, HOME, RECOVER, RETRACT, TRAVEL

_FORMS = st.fixed_dictionaries(
    {
        "absolute": st.booleans(),
        "unit": st.sampled_from([1.0, 25.4]),
        "flow": st.sampled_from([None, 95, 110]),
        "ending": st.sampled_from(["\n", "\r\n", "\r"]),
        "numbered": st.booleans(),
        "last": st.booleans(),
        "lower": st.booleans(),
        "relative": st.booleans(),
    }
)


def _text(form):
    lines = part(absolute=form["absolute"], unit=form["unit"], flow=form["flow"])
    if form.get("lower"):
        lines = [line if line.startswith(";") else line.lower() for line in lines]
    if form.get("relative"):  # a lift written relative to the place before
        at = next(k for k, line in enumerate(lines) if line.lower().startswith("g0"))
        keep = "M82" if form["absolute"] else "M83"
        lines[at:at] = ["G91", "G1 Z0.01 F600", "G1 Z-0.01", "G90", keep]
    if form["numbered"]:
        lines = number_lines(lines)
    return form["ending"].join(lines) + (form["ending"] if form["last"] else "")


def _program(tmp_path_factory, text, dialect="e-on-its-own"):
    path = tmp_path_factory.mktemp("write") / "in.gcode"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return read_program(path, dialect)


def _again(program, edits, dialect="e-on-its-own"):
    out = program.path.replace("in.gcode", "out.gcode")
    origin = rewrite(program, edits, out)
    read = read_program(out, dialect)
    assert origin.size in (read.n_lines, read.n_lines + 1)
    return read, origin


@settings(max_examples=60, deadline=None)
@given(form=_FORMS)
def test_roundtrip_no_edit_no_change(tmp_path_factory, form):
    text = _text(form).encode()
    program = _program(tmp_path_factory, text)
    out = program.path.replace("in.gcode", "out.gcode")
    origin = rewrite(program, Edits.none(program), out)
    with open(out, "rb") as file:
        assert file.read() == text
    assert (np.diff(origin) == 1).all()


_SOUP = st.lists(
    st.sampled_from(
        ["G1 X1 Y1 E1", "g1x2y2e2f600", "G0 X0 Y0 F1200.5", "G1 E-1", "G92 E0", "G92", "M117 G1 X9 E9*", "; E5 F3",
         "(E1) G1 X3 E.5 ; E7", "G1 X4 E4 (F9)", "M82", "M83", "M221 S90", "N5 G1 X1 E2*100", "", "  ", "\tG1 X5 E+6.",
         "G2 X6 Y6 I1 J1 E1", "T0", "M104 S200", "é;ü", "G1 F1800", "G1 X7"]
    ),
    min_size=1, max_size=25,
)  # fmt: skip


@settings(max_examples=80, deadline=None)
@given(lines=_SOUP, ending=st.sampled_from(["\n", "\r\n", "\r"]))
def test_roundtrip_no_edit_no_change_on_odd_lines(tmp_path_factory, lines, ending):
    text = ending.join(lines).encode()
    try:
        program = _program(tmp_path_factory, text)
    except ProgramError:
        return
    out = program.path.replace("in.gcode", "out.gcode")
    rewrite(program, Edits.none(program), out)
    with open(out, "rb") as file:
        assert file.read() == text


def _expected(program, edits, order):
    """What the edited program should do, move by move: end, filament, speed."""
    rows = []
    here = program.point_mm[0].copy()
    for i in order:
        for m in edits.inserts.get(i, ()):
            if m.xy_mm is not None:
                here[:2] = m.xy_mm
            rows.append((*here, m.filament_mm, m.speed_mm_per_s))
        if edits.drop[i]:
            continue
        goes = program.point_mm[i + 1] != program.point_mm[i]
        goes |= program.sweep_rad[i] != 0
        here = np.where(goes, program.point_mm[i + 1], here)  # words that do not change a place are not written
        if program.kind[i] != HOME and (program.length_mm[i] > 0 or edits.filament_mm[i] != 0):
            rows.append((*here, edits.filament_mm[i], edits.speed_mm_per_s[i]))
    return np.array(rows)


def _done(read):
    keep = (read.kind != HOME) & ((read.length_mm > 0) | (np.abs(read.filament_mm) > 1e-9))
    return np.column_stack([read.point_mm[1:], read.filament_mm, read.speed_mm_per_s])[keep]


def _compare(done, expected, unit):
    assert done.shape == expected.shape
    np.testing.assert_allclose(done[:, :3], expected[:, :3], atol=1.2e-4 * unit)
    np.testing.assert_allclose(done[:, 3], expected[:, 3], atol=2e-5 * unit)
    assert (done[:, 4] <= expected[:, 4] * (1 + 1e-9)).all()
    np.testing.assert_allclose(done[:, 4], expected[:, 4], atol=0.02 * unit)


@settings(max_examples=80, deadline=None)
@given(form=_FORMS, data=st.data())
def test_roundtrip_edits_are_read_back(tmp_path_factory, form, data):
    """Speeds lowered, pairs dropped or bounded, beads scaled, travel and filament moves put in, in every form."""
    program = _program(tmp_path_factory, _text(form))
    edits = Edits.none(program)
    n = program.kind.size
    beads = np.flatnonzero(program.kind == BEAD)
    travels = np.flatnonzero((program.kind == TRAVEL) & (program.length_mm > 0) & (np.arange(n) > beads[0]))
    for i in data.draw(st.lists(st.sampled_from(beads.tolist()), max_size=8)):
        edits.speed_mm_per_s[i] *= data.draw(st.sampled_from([0.9, 0.5, 0.21]))
    for i in data.draw(st.lists(st.sampled_from(beads.tolist()), max_size=4, unique=True)):
        edits.filament_mm[i] *= data.draw(st.sampled_from([1.1, 0.8]))
    pairs = list(zip(np.flatnonzero(program.kind == RETRACT), np.flatnonzero(program.kind == RECOVER), strict=False))
    for r, c in pairs:
        what = data.draw(st.sampled_from(["keep", "drop", "bound"]))
        if what == "drop":
            edits.drop[[r, c]] = True
        elif what == "bound":
            edits.filament_mm[r], edits.filament_mm[c] = -0.3, 0.3
            edits.speed_mm_per_s[[r, c]] = 12.0
    for i in data.draw(st.lists(st.sampled_from(travels.tolist()), max_size=3, unique=True)):
        edits.inserts[i] = [Insert(100.0, (30.0, 33.0)), Insert(90.0, (31.5, 30.25))]
    for i in data.draw(st.lists(st.sampled_from(beads.tolist()), max_size=3, unique=True)):
        edits.inserts[i] = [Insert(8.0, filament_mm=0.125)]
    read, origin = _again(program, edits)
    _compare(_done(read), _expected(program, edits, range(n)), form["unit"])
    assert (origin == 0).sum() == sum(len(v) for v in edits.inserts.values())
    assert numbers_follow(read.path)


@settings(max_examples=40, deadline=None)
@given(form=_FORMS, where=st.integers(1, 10))
def test_roundtrip_blocks_that_change_places_keep_their_filament(tmp_path_factory, form, where):
    """The filament register is declared anew (G92 E) where a block begins at another number than it had."""
    program = _program(tmp_path_factory, _text(form | {"relative": False}))
    layer = np.flatnonzero((program.kind == BEAD) & (program.point_mm[1:, 2] > 0.3))
    jumps = np.flatnonzero(np.diff(layer) > 1)
    first, middle, last = int(layer[jumps[0]]) + 1, int(layer[jumps[where % jumps.size]]) + 1, int(layer[-1]) + 1
    if middle == first:
        middle = int(layer[jumps[1]]) + 1
    n = program.kind.size
    edits = Edits.none(program)
    edits.blocks = [b for b in [(0, first), (middle, last), (first, middle), (last, n)] if b[1] > b[0]]
    read, _ = _again(program, edits)
    order = np.concatenate([np.arange(a, b) for a, b in edits.blocks])
    _compare(_done(read), _expected(program, edits, order), form["unit"])
    assert numbers_follow(read.path)


def test_limit_a_last_line_without_an_end_may_move(tmp_path_factory):
    program = _program(tmp_path_factory, "G90\nM83\nG1 X1 Y0 E1 F600\nG1 X2 Y0 E1\nG1 X3 Y0 E1")
    edits = Edits.none(program)
    edits.blocks = [(0, 1), (2, 3), (1, 2)]
    read, _ = _again(program, edits)
    np.testing.assert_allclose(read.point_mm[1:, 0], [1, 3, 2])
    assert read.n_lines in (5, 6)


def test_limit_a_register_declared_at_the_number_it_has(tmp_path_factory):
    """`G92 E1` that changes nothing in the input changes something once a move before it was dropped."""
    program = _program(
        tmp_path_factory,
        "G90\nM82\nG1 X1 E1 F600\nG1 E0.2\nG0 X5\nG1 E1\nG92 E1\nG1 X6 E2\nG1 E1.2\nG1 E2\nG1 X7 E3\n",
    )
    edits = Edits.none(program)
    edits.filament_mm[np.flatnonzero(program.kind == RECOVER)[0]] = 0.9  # not balanced, on purpose
    read, _ = _again(program, edits)
    np.testing.assert_allclose(read.filament_mm, edits.filament_mm, atol=1e-5)


@pytest.mark.parametrize(
    ("words", "left"),
    [("I-2.000 J0.000", True), ("R2.000", True), ("R-2.000", False)],
)
def test_roundtrip_an_arc_that_begins_later(tmp_path_factory, words, left):
    """A quarter is cut off the front; centre form and R form, less and more than half a turn left."""
    end = "X-2.000 Y0.000" if left else "X0.000 Y-2.000"
    start = "G1 X2 Y0"
    program = _program(tmp_path_factory, f"G90\nM83\n{start} F600\nG3 {end} {words} E1\n")
    arc = int(np.flatnonzero(program.sweep_rad)[0])
    sweep = program.sweep_rad[arc]
    edits = Edits.none(program)
    centre = tuple(program.centre_mm[arc])
    edits.filament_mm[arc] = 0.75
    at = (centre[0] + 2 * np.cos(0.25 * sweep), centre[1] + 2 * np.sin(0.25 * sweep))
    edits.inserts[arc] = [Insert(10.0, at, 0.25, centre, True)]
    edits.arcs[arc] = at
    read, _ = _again(program, edits)
    arcs = np.flatnonzero(read.sweep_rad)
    np.testing.assert_allclose(read.sweep_rad[arcs], [0.25 * sweep, 0.75 * sweep], atol=2e-4)
    np.testing.assert_allclose(read.centre_mm[arcs], [centre, centre], atol=2e-3)
    np.testing.assert_allclose(read.filament_mm[arcs], [0.25, 0.75], atol=1e-5)


def test_limit_lines_put_in_at_both_ends_and_numbered(tmp_path_factory):
    lines = number_lines(part(layers=1))
    program = _program(tmp_path_factory, "\n".join(lines) + "\n")
    edits = Edits.none(program)
    edits.before_line = {5: [b"M221 S110"], len(lines) + 1: [b"M221 S100"]}
    read, origin = _again(program, edits)
    with open(read.path, "rb") as file:
        text = file.read().splitlines()
    numbers = sum(line.startswith("N") for line in lines)
    assert text[4].startswith(b"N4 M221 S110*") and text[-1].startswith(b"N%d M221 S100*" % (numbers + 2))
    assert numbers_follow(read.path) and read.n_lines == len(lines) + 2
    assert origin[4] == 0 and origin[-1] == 0


def test_limit_several_commands_on_an_edited_line(tmp_path_factory):
    path = tmp_path_factory.mktemp("two") / "in.gcode"
    path.write_text("G90\nM83\nG1 X1 E1 F600\nG1 X2 E1 G1 X3 E1\nG1 X4 E1\n")
    program = read_program(path, "many-per-line")
    edits = Edits.none(program)
    edits.speed_mm_per_s[:] = 5.0
    with pytest.raises(ProgramError, match="line 4: several commands on a line that has to change"):
        rewrite(program, edits, path.with_name("out.gcode"))
    untouched = Edits.none(program)
    rewrite(program, untouched, path.with_name("out.gcode"))
    assert path.read_bytes() == path.with_name("out.gcode").read_bytes()


def test_limit_blocks_hold_every_move_once(tmp_path_factory):
    program = _program(tmp_path_factory, "G90\nM83\nG1 X1 E1 F600\nG1 X2 E1\n")
    edits = Edits.none(program)
    edits.blocks = [(0, 1)]
    with pytest.raises(ValueError, match="every move once"):
        rewrite(program, edits, program.path + ".out")


@given(st.floats(-1e7, 1e7), st.integers(0, 5))
def test_limit_numbers_as_python_writes_them(value, decimals):
    text, begins = format_numbers(np.array([value, value]), decimals, np.array([False, True]), ord("E"))
    written = bytes(text[: begins[1]])
    assert bytes(text[begins[1] :]) == b" E" + written
    plain = number_text(value, decimals)
    assert written == plain or abs(float(written) - float(plain)) <= 1.001 * 10.0**-decimals  # ties of binary fractions
    assert b"." not in written or not written.endswith((b"0", b"."))


@given(st.binary(max_size=60))
def test_limit_lines_begin_where_python_says(data):
    text = data.replace(b"\x0b", b"").replace(b"\x0c", b"").replace(b"\x1c", b"").replace(b"\x1d", b"")
    text = text.replace(b"\x1e", b"")
    expected = np.cumsum([0, *(len(line) for line in text.splitlines(keepends=True))])
    np.testing.assert_array_equal(line_starts(np.frombuffer(text, dtype=np.uint8)), expected)


def test_limit_numbering_starts_again_where_the_program_says():
    text = b"N5 G1 X1*71\nN1 M110 N10*66\nN11 G1 X2*112\n"
    assert is_numbered(text) and not is_numbered(b"G1 X1 ; 2*3\n")
    again = renumber(text.replace(b"N11 G1 X2*112\n", b"G0 Y1\nN11 G1 X2*112\n"), np.array([1, 2, 0, 3]))
    assert [line.split(b" ")[0] for line in again.splitlines()] == [b"N5", b"N1", b"N11", b"N12"]
