"""Benches to visit."""

import pytest

from bench_visitor import Visitor, opened
from pliant.bench.intake import Limits


@pytest.fixture(scope="session")
def bench(tmp_path_factory):
    """One bench for all tests that only add to it."""
    folder = tmp_path_factory.mktemp("bench")
    with opened(folder) as client:
        yield Visitor(client)


@pytest.fixture
def small(tmp_path):
    """A bench of its own with small caps that never works, and the folder that it keeps things in."""
    limits = Limits(file_bytes=200_000, field_bytes=20_000, fields=30, pause_s=1.0)
    with opened(tmp_path, 0, limits=limits) as client:
        yield Visitor(client), tmp_path / "work"
