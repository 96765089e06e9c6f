"""Records of the generic archetypes, shared by the tests of the recipe."""

from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

from pliant.records.baseline import Baseline, read_baseline, with_widths
from pliant.records.filament import Filament, read_filament
from pliant.records.machine import Machine, read_machine
from pliant.records.starters import starter
from pliant.workflows.workshop import RECORDS

__all__ = ["baseline", "filament", "machine"]


def _record(text, reader):
    with TemporaryDirectory() as folder:
        path = Path(folder) / "record.toml"
        path.write_text(text, encoding="utf-8")
        return reader(path)


@cache
def machine(like="open-gap", changes=()) -> Machine:
    """A starter machine, or one of the example workshop's; `changes` are pairs of text to swap."""
    text = RECORDS.get(f"{like}.machine.toml") or starter("machine", like)
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    return _record(text, read_machine)


@cache
def filament(like="85A", *, measured=False, changes=()) -> Filament:
    """A starter spool, or the example workshop's with measured values."""
    text = RECORDS[f"{like}.filament.toml"] if measured else starter("filament", like)
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    return _record(text, read_filament)


@cache
def baseline(like="everyday", on="open-gap", changes=()) -> Baseline:
    """A starter recipe with its widths filled in for a machine."""
    text = starter("recipe", like)
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    return with_widths(_record(text, read_baseline), machine(on))
