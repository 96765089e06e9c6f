"""What the book gives back: entries, outcomes, comparisons, histories; text and JSON are views of the same fields."""

from dataclasses import asdict, dataclass, field
from typing import Any

__all__ = [
    "OUTCOMES",
    "RETIRED",
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
RETIRED = ("machine", "filament", "print")  # what can be retired, and taken back into use


class _Plain:
    """Plain data of a frozen record."""

    def to_json(self) -> dict[str, Any]:
        """Return the fields as plain data."""
        return asdict(self)  # type: ignore[call-overload]


@dataclass(frozen=True)
class Stored(_Plain):
    """One record of the book as it lies there; `fields` leaves out what was not given."""

    kind: str  # of the record
    uid: str  # identifier
    made_at: str  # universal time
    fields: dict[str, Any]  # by name, as they lie there


@dataclass(frozen=True)
class Added(_Plain):
    """What a write did; `new` is false if the book already held the same record."""

    kind: str  # of the record
    uid: str  # identifier
    name: str  # of the record
    version: int | None  # of that name; None for an event
    new: bool  # false: the book already held it


@dataclass(frozen=True)
class Entry(_Plain):
    """One line of a list or of a history."""

    kind: str  # of the record
    uid: str  # identifier
    made_at: str  # universal time
    title: str  # in a few words
    detail: str  # the rest of the line


@dataclass(frozen=True)
class Listing(_Plain):
    """The newest entries, and how many records of each kind there are in all."""

    book: str  # where it lies
    counts: dict[str, int]  # records in all, by kind
    entries: tuple[Entry, ...]
    retired: int = 0  # machines, spools and prints that are kept and not shown


@dataclass(frozen=True)
class Shown(_Plain):
    """One record in full, with what it refers to and what refers to it."""

    record: Stored
    refers_to: tuple[Entry, ...]
    referred_by: tuple[Entry, ...]
    retired: bool = False  # kept, and shown only where it is asked for


@dataclass(frozen=True)
class Difference(_Plain):
    """One key of two records side by side; `None` in `only` means both have it."""

    key: str  # of the record
    first: Any  # its value in the first
    second: Any  # its value in the second
    same: bool  # whether they agree
    only: str | None = None  # `first` or `second` where only that one has it; None: both


@dataclass(frozen=True)
class Comparison(_Plain):
    """Two records of one kind, key by key."""

    kind: str  # of the two
    first: str  # name and version
    second: str  # name and version
    first_note: str  # written with it
    second_note: str  # written with it
    rows: tuple[Difference, ...]
    differences: int  # number of them


@dataclass(frozen=True)
class PastOutcome(_Plain):
    """How one print went, with the program and the recipe where they are known."""

    print_uid: str  # identifier of the print
    made_at: str  # universal time
    outcome: str  # ok, jammed, stopped or not-sure
    at_line: int | None = None  # of the program, where it went wrong
    at_time_s: float | None = None  # into the job, where it went wrong
    note: str | None = None  # what was seen
    program: str | None = None  # its name
    recipe: str | None = None  # name and version
    jam_probability: float | None = None  # what the check said before the print
    at_layer: int | None = None  # counted from 1, where it went wrong


@dataclass(frozen=True)
class PastOutcomes(_Plain):
    """What the book knows of one spool on one machine."""

    machine: str  # name of the record
    filament: str  # name of the record
    counts: dict[str, int]  # prints by outcome
    recent: tuple[PastOutcome, ...]


@dataclass(frozen=True)
class History(_Plain):
    """All that happened with one spool, oldest first, and its outcomes by machine."""

    filament: str  # name of the record
    versions: int  # number of versions
    by_machine: dict[str, dict[str, int]]  # prints by machine and outcome
    entries: tuple[Entry, ...]
    left_out: int = 0  # older entries beyond the limit
    retired: int = 0  # prints that are kept and not shown


@dataclass(frozen=True)
class Transfer(_Plain):
    """What an export, import, backup, verification or rescue did."""

    what: str  # was done
    book: str  # where it lies
    file: str  # written or read
    counts: dict[str, int]  # records by kind
    already_here: int = 0  # records that the book held before
    lost: tuple[str, ...] = field(default=())  # records that could not be saved
