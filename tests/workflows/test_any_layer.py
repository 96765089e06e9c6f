"""Any layer on demand: the same lines as on the sheet of the layers that matter, and all of them."""

import numpy as np
import pytest

from pliant.errors import PliantError
from pliant.files import Text
from pliant.job.job import read_job
from pliant.program.sheets import draw_sheets
from pliant.records.filament import read_filament
from pliant.records.machine import read_machine
from pliant.workflows.any_layer import keep_layers, one_layer
from pliant.workflows.workshop import RECORDS, feet_program, strain_relief_program


def _job(program):
    machine = read_machine(Text("m", RECORDS["bench-2.machine.toml"]))
    return read_job(Text("p.gcode", program), machine, read_filament(Text("f", RECORDS["95A.filament.toml"])))


def _same(one, two):
    def rows(segments):
        return sorted(map(tuple, np.round(segments, 3).tolist()))

    assert rows(one) == rows(two)


@pytest.mark.parametrize("program", [feet_program(layers=3), strain_relief_program(layers=4)], ids=["feet", "relief"])
def test_roundtrip_a_layer_is_that_of_the_sheet(program, tmp_path):
    job = _job(program)
    keep_layers(job, tmp_path / "layers")
    laid, many = job.laying, job.laying.layering.top_mm.size
    drawn = draw_sheets(
        job.program, laid.layering, laid.coverage, laid.sight, job.load.margin, chosen=list(range(many))
    )
    for k, sheet in enumerate(drawn):
        one = one_layer(tmp_path / "layers", k)
        np.testing.assert_allclose(one.beads, sheet.beads, atol=1e-4)  # in the order of the program
        _same(one.open, sheet.open)
        _same(one.hidden, sheet.hidden)
        assert one.top_mm == sheet.top_mm
    assert sum(one_layer(tmp_path / "layers", k).beads.shape[0] for k in range(many)) == sum(
        s.beads.shape[0] for s in drawn
    )
    for wrong in (-1, many):
        with pytest.raises(PliantError, match=f"no layer {wrong + 1}"):
            one_layer(tmp_path / "layers", wrong)
