"""Heat: within the sheet and under the liner's ceiling, and nothing else touched."""

from dataclasses import replace

import pytest

from mend_workshop import filament, machine, program_of
from pliant.mending.heat import mend_heat
from pliant.program.read import read_program
from pliant.program.write import Edits, rewrite
from pliant.records.limits import PTFE_CEILING_C, allowed_c


def _lines(*heat):
    return ["G90", "M83", *heat, "G1 X10 E1 F600", "G1 X20 E1", "M104 S0"]


@pytest.mark.parametrize(
    ("written", "mended"),
    [
        ("M109 S250", "M109 S240"), ("M104 S200 ; first", "M104 S220 ; first"), ("m104 s300", "m104 s240"),
        ("M109 R250", "M109 R240"), ("M104 T0 S260", "M104 T0 S240"), ("M109 S230", "M109 S230"),
        ("M104 S90", "M104 S90"), ("M0104 S250", "M0104 S240"), ("N3 M104 S250*97", "N3 M104 S240*96"),
        ("M117 M104 S250", "M117 M104 S250"), ("; M104 S250", "; M104 S250"),
    ],
)  # fmt: skip
def test_limit_brought_into_the_range(tmp_path, written, mended):
    spool = replace(filament(), nozzle_c=(220.0, 240.0))
    program = program_of(tmp_path, _lines("M109 S250", written))
    edits = Edits.none(program)
    changes = mend_heat(program, edits, machine(), spool)
    rewrite(program, edits, tmp_path / "out.gcode")
    assert (tmp_path / "out.gcode").read_text() == "\n".join(_lines("M109 S240", mended)) + "\n"
    assert changes[0].line == 3 and "data sheet" in changes[0].why
    read = read_program(tmp_path / "out.gcode")
    assert mend_heat(read, Edits.none(read), machine(), spool) == []


def test_limit_the_liner_has_a_ceiling_of_its_own(tmp_path):
    spool = replace(filament(), nozzle_c=(220.0, 260.0))
    lined = replace(machine(), liner="ptfe")
    assert allowed_c(lined, spool) == (220.0, PTFE_CEILING_C)
    assert allowed_c(machine(), spool) == (220.0, 260.0)
    program = program_of(tmp_path, _lines("M109 S250"))
    edits = Edits.none(program)
    assert "liner" in mend_heat(program, edits, lined, spool)[0].why
    assert edits.words == {3: b"M109 S240"}
    assert mend_heat(program, Edits.none(program), machine(), spool) == []


@pytest.mark.parametrize(
    ("soften", "said"), [(215.0, "hot enough to soften"), (240.0, "softens this spool is not known")]
)
def test_regression_the_sheet_s_top_is_not_called_hot_enough_where_it_may_not_be(tmp_path, soften, said):
    spool = filament()
    spool = replace(spool, nozzle_c=(190.0, 240.0), soften_c=replace(spool.soften_c, value=soften, spread=1.02))
    program = program_of(tmp_path, _lines("M109 S200"))
    assert said in mend_heat(program, Edits.none(program), machine(), spool)[0].why
