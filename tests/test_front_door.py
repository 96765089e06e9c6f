"""The library's front door: every job is a function of `pliant`, and arguments stand in one order."""

import importlib
import inspect
import subprocess
import sys

import pytest

import pliant

JOBS = [name for name in pliant.__all__ if not name.startswith("__")]


@pytest.mark.parametrize("name", JOBS)
def test_every_job_is_a_function_that_tells_its_order(name):
    job = getattr(pliant, name)
    assert callable(job) and job.__doc__
    order = [p for p in inspect.signature(job).parameters if p in ("machine", "filament")]
    assert order == sorted(order, key=("machine", "filament").index)
    if len(order) == 2:  # next to one another, machine first
        names = list(inspect.signature(job).parameters)
        assert names.index("filament") == names.index("machine") + 1


def test_a_job_stays_a_function_after_rooms_were_loaded():
    for room in ("mending", "mesh", "learning", "coupons", "workflows.mend", "workflows.part", "workflows.learn"):
        importlib.import_module(f"pliant.{room}")
    assert all(inspect.isfunction(getattr(pliant, name)) for name in JOBS)


def test_importing_it_loads_nothing_heavy():
    code = "import sys, pliant; sys.exit(any(m in sys.modules for m in ('numpy', 'numba', 'scipy', 'pydantic')))"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_an_unknown_job_is_named():
    with pytest.raises(AttributeError, match="no attribute 'knit'"):
        pliant.knit  # noqa: B018
