"""The story of the example workshop must come out of the computed chain."""

import pytest

from pliant.workflows.check import check
from pliant.workflows.demo import STORY
from pliant.workflows.workshop import JOBS, RECORDS, files


@pytest.fixture(scope="module")
def workshop(tmp_path_factory):
    folder = tmp_path_factory.mktemp("workshop")
    for name, text in files():
        (folder / name).write_text(text)
    return folder


@pytest.mark.parametrize(
    "job",
    [
        "strain-relief.gcode",
        *(pytest.param(name, marks=pytest.mark.study) for name in ("gasket.gcode", "bellows.gcode")),
    ],
)
def test_regression_each_spool_has_its_own_answer(workshop, job):
    hard, soft, refused = (
        check(workshop / job, workshop / f"{machine}.machine.toml", workshop / f"{spool}.filament.toml")
        for machine, spool in STORY
    )
    assert hard.change in ("moderate", "large")
    assert soft.change == "large"
    assert hard.speed_share > 1.5 * soft.speed_share
    assert refused.change == "refused"
    assert refused.verdict == "jams"
    assert refused.mechanism in ("bow", "lock", "swell")
    assert any("direct feed" in r.change and r.speed_share for r in refused.remedies)


def test_the_scenario_says_that_it_is_invented():
    assert all("nvented" in text.splitlines()[0] for text in RECORDS.values())
    assert all("invented example" in make().splitlines()[0] for make in JOBS.values())
