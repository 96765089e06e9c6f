"""Records and sheets shared by the tests of learning."""

import pytest

from pliant.records.filament import read_filament
from pliant.records.machine import read_machine
from pliant.records.starters import starter
from pliant.workflows.next_coupon import candidates_for


@pytest.fixture(scope="session")
def record_files(tmp_path_factory):
    folder = tmp_path_factory.mktemp("records")
    (folder / "m.toml").write_text(starter("machine", "open-gap"))
    (folder / "f.toml").write_text(starter("filament", "85A"))
    return folder / "m.toml", folder / "f.toml"


@pytest.fixture(scope="session")
def records(record_files):
    return read_machine(record_files[0]), read_filament(record_files[1])


@pytest.fixture(scope="session")
def templates(records):
    return candidates_for(*records)
