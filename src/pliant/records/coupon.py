"""A coupon and what was read from it: the settings of its steps, what was predicted, what was found.

`Step` is a setting; which of its fields count depends on the kind of coupon. Lengths of zero are not asked.
"""

from dataclasses import asdict, dataclass
from typing import Any

__all__ = ["ANSWERS", "KINDS", "Coupon", "Forecast", "Readings", "Result", "Step"]

KINDS = ("ladder", "stop-start", "gap-steps", "threads", "free-run", "temperature-ladder")
HELD, FAILED, NOT_SURE, UNREACHED = "held", "failed", "not sure", ""
ANSWERS = (HELD, FAILED, NOT_SURE, UNREACHED)


@dataclass(frozen=True)
class Step:
    """One setting of a coupon."""

    flow_mm3_per_s: float  # asked
    nozzle_c: float  # nozzle
    width_mm: float = 0.0  # of the bead; 0 in air
    gap_mm: float = float("inf")  # below the face; infinite in air, None in JSON
    speed_mm_per_s: float = 0.0  # along the bead, or of the travel for threads
    wait_s: float = 0.0  # before the step
    distance_mm: float = 0.0  # of travel
    asked_mm: float = 0.0  # of filament
    crossings: int = 0  # number of jumps over air
    first_layer: bool = False  # whether it lies on the bed
    back_mm: float = 0.0  # of filament, drawn back where the feed stops and given back where it starts again
    before_mm: float = 0.0  # of path, from where a row begins to where its feed stops; 0: not said
    after_mm: float = 0.0  # of path, from where the feed starts again to the second tooth


@dataclass(frozen=True)
class Result:
    """What was found at one step; None: not looked at, or not sure."""

    answer: str = UNREACHED
    tail_mm: float | None = None
    lead_mm: float | None = None
    tail_spread_mm: float | None = None  # as a picture gave it; None: a ruler's
    lead_spread_mm: float | None = None
    moved_mm: float | None = None
    strings: int | None = None


@dataclass(frozen=True)
class Readings:
    """A filled-in sheet."""

    kind: str
    steps: tuple[Step, ...]
    results: tuple[Result, ...]
    asked_mm: float = 0.0  # filament of the whole program
    mass_g: float | None = None
    notes: str = ""
    name: str = ""
    machine: str = ""  # names of the records it was printed with; empty where the sheet does not say
    filament: str = ""
    mark: str = ""  # digest of the content: the same readings are not learned from twice
    outcomes: int = 0  # that the piece could have had, where steps were left out; 0: one more than there are steps


@dataclass(frozen=True)
class Forecast:
    """What the chain says of one step before anybody has printed it."""

    failing: float  # chance that it has failed here, or before
    low: float = 0.0  # 90 % range of the length or count to be read
    middle: float = 0.0  # of it
    high: float = 0.0  # upper end


@dataclass(frozen=True)
class Coupon:
    """A test piece: its motion program, its steps, and what to expect of them."""

    kind: str  # ladder, stop-start, gap-steps, threads, free-run or temperature-ladder
    title: str  # in words
    machine: str  # name of the record
    filament: str  # name of the record
    program: str  # text of the motion program
    steps: tuple[Step, ...]
    forecast: tuple[Forecast, ...]
    marks_mm: tuple[tuple[float, float], ...]  # where each step begins, on the bed
    outline_mm: tuple[tuple[tuple[float, float], ...], ...]  # for the drawing: strokes seen from above
    asked_mm: float  # filament of the whole program
    time_s: float = 0.0  # of the print
    mass_g: float = 0.0  # of the print
    cautions: tuple[str, ...] = ()  # what to take care of
    forecast_lead: tuple[Forecast, ...] = ()  # of the second length, where there is one
    place: str = ""  # where on the bed it will lie
    unfed_mm: tuple[tuple[tuple[float, float], ...], ...] = ()  # for the drawing: where a bead could be, but is not fed
    hints: tuple[str, ...] = ()  # per step: what helps to measure it

    def to_json(self) -> dict[str, Any]:
        """Return the facts as plain data, without the program and the drawing; a gap in air is null."""
        data = asdict(self)
        for key in ("program", "outline_mm", "unfed_mm"):
            del data[key]
        for step in data["steps"]:
            step["gap_mm"] = step["gap_mm"] if step["gap_mm"] < 1e9 else None
        return data
