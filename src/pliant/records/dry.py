"""What `dry` finds, as a record; text, page and JSON are views of the same fields."""

from dataclasses import asdict, dataclass
from typing import Any

__all__ = ["AfterHours", "Band", "Drying"]


@dataclass(frozen=True)
class Band:
    """A median and its 90 % range; None where no length of time is enough."""

    value: float | None
    low: float | None
    high: float | None


@dataclass(frozen=True)
class AfterHours:
    """Water left after a number of hours, and the chance that the target is met."""

    hours: float
    strand_percent: Band
    spool_percent: Band
    spool_dry_chance: float


@dataclass(frozen=True)
class Drying:
    """How long a spool takes to dry, how sure that is, and what it rests on.

    `time_h`, `strand_percent` and `spool_percent` are the chart: times and the (median, low, high) water content.
    """

    name: str
    hardness: str
    diameter_mm: float
    temperature_c: float
    limit_c: float
    limit_assumed: bool
    limit_source: str
    water_percent: Band
    water_source: str
    target_percent: float
    target_source: str
    room_humidity_percent: float
    resting_percent: float  # where the water ends in the air asked for
    wets: bool  # that is more than the spool holds now
    floor_humidity_percent: float  # of the room in the next: the one asked for, 50 where dried air was
    heated_room_percent: float  # where the water ends in a box that heats the air of that room
    strand_h: Band
    spool_h: Band
    spool_factor: Band
    sheet_h: tuple[float, float] | None
    after: tuple[AfterHours, ...]
    time_h: tuple[float, ...]
    strand_percent: tuple[Band, ...]
    spool_percent: tuple[Band, ...]
    published: tuple[str, ...]
    assumed: tuple[str, ...]
    notes: tuple[str, ...]
    cautions: tuple[str, ...]

    def to_json(self) -> dict[str, Any]:
        """Return the fields as plain data."""
        return asdict(self)
