"""The vessels show what the chain computes, span by span."""

from dataclasses import replace

import numpy as np
import pytest

from pliant.feed import chain
from pliant.feed.vessels import fill_vessels
from pliant.records.filament import read_filament
from pliant.records.machine import read_machine
from pliant.records.starters import MACHINES, starter


@pytest.fixture(params=sorted(MACHINES))
def records(request, tmp_path):
    (tmp_path / "m.toml").write_text(starter("machine", request.param))
    (tmp_path / "f.toml").write_text(starter("filament", "85A"))
    return read_machine(tmp_path / "m.toml"), read_filament(tmp_path / "f.toml")


@pytest.mark.parametrize("pressure", [0.1, 0.5, 1.5])
def test_limit_fullest_vessel_is_the_least_margin_of_the_chain(records, pressure):
    machine, filament = records
    at = {"pressure_mpa": pressure, "flow_mm3_per_s": 2.0, "nozzle_c": 225.0}
    margins, _, push = chain.margins(machine, chain.central(machine, filament), **at)
    vessels = fill_vessels(machine, filament, **at)
    assert [v.kind for v in vessels] == ["drive", *(s.kind for s in machine.path), "hot_end"]
    governing = [v for v in vessels if v.governing]
    assert len(governing) == 1
    assert governing[0].fill == pytest.approx(1 / min(float(m) for m in margins.values()), rel=1e-9)
    # the wheel pushes, and pulls the filament off its spool
    assert vessels[0].demand == pytest.approx(float(push) + machine.spool_pull_n.value, rel=1e-9)
    for v in vessels:
        assert v.fill == pytest.approx(v.demand / v.capacity)
        assert 1 / v.fill >= float(margins[v.mechanism]) * (1 - 1e-9)


def test_limit_two_gaps_are_told_apart(records):
    machine, filament = records
    gap = next(s for s in machine.path if s.kind == "gap")
    longer = replace(gap, length_mm=replace(gap.length_mm, value=3 * gap.length_mm.value))
    two = replace(machine, path=(gap, longer, *machine.path[1:]))
    vessels = fill_vessels(two, filament, pressure_mpa=0.3, flow_mm3_per_s=2.0, nozzle_c=225.0)
    short, long = vessels[1], vessels[2]
    assert long.governing
    assert long.fill > 2 * short.fill
    assert short.length_mm < long.length_mm


def test_limit_a_locked_guide_fills_what_is_above_it_without_end(records):
    machine, filament = records
    vessels = fill_vessels(machine, filament, pressure_mpa=1e6, flow_mm3_per_s=2.0, nozzle_c=225.0)
    assert np.isinf(vessels[0].fill) or vessels[0].fill > 100
    assert sum(v.governing for v in vessels) == 1
