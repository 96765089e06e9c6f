"""What the book gives back: entries, outcomes, comparisons, histories; text and JSON are views of the same fields."""

from dataclasses import asdict, dataclass, field
from typing import Any

__all__ = [
    "OUTCOMES",
    "Added",
    "Comparison",
    "Difference",
    "Entry",
    "History",
    "Listing",
    "PastOutcome",
    "PastOutcomes",
    "Shown",
    "Stored",
    "Transfer",
]

OUTCOMES = ("ok", "jammed", "stopped", "not-sure")


class _Plain:
    """Plain data of a frozen record."""

    def to_json(self) -> dict[str, Any]:
        """Return the fields as plain data."""
        return asdict(self)  # type: ignore[call-overload]


@dataclass(frozen=True)
class Stored(_Plain):
    """One record of the book as it lies there; `fields` leaves out what was not given."""

    kind: str
    uid: str
    made_at: str
    fields: dict[str, Any]


@dataclass(frozen=True)
class Added(_Plain):
    """What a write did; `new` is false if the book already held the same record."""

    kind: str
    uid: str
    name: str
    version: int | None
    new: bool


@dataclass(frozen=True)
class Entry(_Plain):
    """One line of a list or of a history."""

    kind: str
    uid: str
    made_at: str
    title: str
    detail: str


@dataclass(frozen=True)
class Listing(_Plain):
    """The newest entries, and how many records of each kind there are in all."""

    book: str
    counts: dict[str, int]
    entries: tuple[Entry, ...]


@dataclass(frozen=True)
class Shown(_Plain):
    """One record in full, with what it refers to and what refers to it."""

    record: Stored
    refers_to: tuple[Entry, ...]
    referred_by: tuple[Entry, ...]


@dataclass(frozen=True)
class Difference(_Plain):
    """One key of two records side by side; `None` in `only` means both have it."""

    key: str
    first: Any
    second: Any
    same: bool
    only: str | None = None  # "first" | "second"


@dataclass(frozen=True)
class Comparison(_Plain):
    """Two records of one kind, key by key."""

    kind: str
    first: str
    second: str
    first_note: str
    second_note: str
    rows: tuple[Difference, ...]
    differences: int


@dataclass(frozen=True)
class PastOutcome(_Plain):
    """How one print went, with the program and the recipe where they are known."""

    print_uid: str
    made_at: str
    outcome: str
    at_line: int | None = None
    at_time_s: float | None = None
    note: str | None = None
    program: str | None = None
    recipe: str | None = None
    jam_probability: float | None = None  # what the check said before the print


@dataclass(frozen=True)
class PastOutcomes(_Plain):
    """What the book knows of one spool on one machine."""

    machine: str
    filament: str
    counts: dict[str, int]
    recent: tuple[PastOutcome, ...]


@dataclass(frozen=True)
class History(_Plain):
    """All that happened with one spool, oldest first, and its outcomes by machine."""

    filament: str
    versions: int
    by_machine: dict[str, dict[str, int]]
    entries: tuple[Entry, ...]
    left_out: int = 0  # older entries beyond the limit


@dataclass(frozen=True)
class Transfer(_Plain):
    """What an export, import, backup, verification or rescue did."""

    what: str
    book: str
    file: str
    counts: dict[str, int]
    already_here: int = 0
    lost: tuple[str, ...] = field(default=())
