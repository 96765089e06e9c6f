"""What can be carried, as a band as wide as the doubt: held against the chance of a jam that stands beside it."""

import pytest

from pliant.feed.limit import carried_between
from pliant.files import Text
from pliant.report.charts import strip_drawing
from pliant.workflows.check import examine
from pliant.workflows.picture import draw
from pliant.workflows.workshop import RECORDS, feet_program

PAIRS = [(m, s) for m in ("bench-2", "long-tube") for s in ("75A", "95A")]


@pytest.fixture(scope="module", params=PAIRS, ids=["-".join(p) for p in PAIRS])
def seen(request):
    machine, spool = request.param
    return examine(
        Text("p.gcode", feet_program(layers=2)),
        Text("m.toml", RECORDS[f"{machine}.machine.toml"]),
        Text("f.toml", RECORDS[f"{spool}.filament.toml"]),
    )


def test_limit_the_band_agrees_with_the_chance(seen):
    """A job that may go either way has its peak within the band; one that surely jams, above its middle."""
    strip = draw(seen.job, speeds=seen.findings.limit_speed_mm_per_s).strip
    low, high = strip.between
    assert low < strip.capacity < high
    peak, chance = float(strip.levels[0].high.max()), seen.findings.jam_probability
    if 0.1 < chance < 0.9:
        assert low < peak < high
    elif chance > 0.95:
        assert peak > high
    drawn = strip_drawing(strip)
    assert drawn["doubt"] and "nine times in ten" in drawn["carries"]


def test_limit_at_the_middle_speed_the_band_closes_on_what_the_middle_values_carry(seen):
    job, speeds = seen.job, seen.findings.limit_speed_mm_per_s
    strip = draw(job, speeds=speeds).strip
    narrow = {"low": speeds["middle"] * 0.999, "middle": speeds["middle"], "high": speeds["middle"] * 1.001}
    low, high = carried_between(job.groups, job.machine, job.filament, narrow, strip.mechanism, strip.capacity)
    assert high / low < 1.01
    assert low == pytest.approx(strip.capacity, rel=0.35)  # half of the draws give there, with the scatter of jobs
    assert carried_between(job.groups, job.machine, job.filament, narrow, "none", strip.capacity) is None
    never = narrow | {"low": 0.0}
    assert carried_between(job.groups, job.machine, job.filament, never, strip.mechanism, strip.capacity)[0] == 0.0
