"""Rows of the published tables in tests/published, as typed in from the reference sheets."""

import csv
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from pliant.errors import ValidityWarning

TABLES = Path(__file__).parent / "published"


def rows(name: str) -> list[dict[str, str]]:
    """Read every row of a table."""
    with (TABLES / name).open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


@contextmanager
def beyond_range() -> Iterator[None]:
    """Silence the warning where a table goes beyond a model's range on purpose."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ValidityWarning)
        yield
