"""What `dry` finds, as a record; text, page and JSON are views of the same fields."""

from dataclasses import asdict, dataclass
from typing import Any

__all__ = ["AfterHours", "Band", "Drying"]


@dataclass(frozen=True)
class Band:
    """A median and its 90 % range; None where no length of time is enough."""

    value: float | None  # median
    low: float | None  # lower end of the 90 % range
    high: float | None  # upper end


@dataclass(frozen=True)
class AfterHours:
    """Water left after a number of hours, and the chance that the target is met."""

    hours: float  # [h] in the dryer
    strand_percent: Band  # water left in a bare strand
    spool_percent: Band  # water left in a wound spool
    spool_dry_chance: float  # that the wound spool meets the target


@dataclass(frozen=True)
class Drying:
    """How long a spool takes to dry, how sure that is, and what it rests on.

    `time_h`, `strand_percent` and `spool_percent` are the chart: times and the (median, low, high) water content.
    """

    name: str  # of the spool
    hardness: str  # in words
    diameter_mm: float  # of the strand
    temperature_c: float  # of the box
    limit_c: float  # that the box must never exceed
    limit_assumed: bool  # whether that is ours, not the sheet’s
    limit_source: str  # in words
    water_percent: Band  # in the filament now
    water_source: str  # in words
    target_percent: float  # water to reach
    target_source: str  # in words
    room_humidity_percent: float  # of the air that the box heats; 0: dried air
    resting_percent: float  # where the water ends in the air asked for
    wets: bool  # that is more than the spool holds now
    floor_humidity_percent: float  # of the room in the next: the one asked for, 50 where dried air was
    heated_room_percent: float  # where the water ends in a box that heats the air of that room
    strand_h: Band  # for a bare strand to reach the target
    spool_h: Band  # for a wound spool to reach the target
    spool_factor: Band  # time of the spool over that of the strand
    sheet_h: tuple[float, float] | None  # what the maker’s sheet says, least and most; None without one
    after: tuple[AfterHours, ...]
    time_h: tuple[float, ...]  # of the chart
    strand_percent: tuple[Band, ...]  # water left in the strand, at the times of the chart
    spool_percent: tuple[Band, ...]  # water left in the spool, at the times of the chart
    published: tuple[str, ...]  # what published tables say
    assumed: tuple[str, ...]  # defaults taken, with range and source
    notes: tuple[str, ...]  # where the model ends
    cautions: tuple[str, ...]  # what to take care of

    def to_json(self) -> dict[str, Any]:
        """Return the fields as plain data."""
        return asdict(self)
