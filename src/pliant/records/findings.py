"""What `read` and `check` find, as records; text and JSON are views of the same fields."""

from dataclasses import asdict, dataclass
from typing import Any

__all__ = ["Facts", "Findings", "Moment", "Remedy"]


@dataclass(frozen=True)
class Facts:
    """What a program says by itself."""

    time_s: float
    layers: int
    runs: int
    bead_mm: float
    bead_mm3: float
    filament_forward_mm: float
    filament_back_mm: float
    travel_mm: float
    open_travel_mm: float  # travel that crosses air between two beads of the job
    strings: int  # threads that could hang there
    strings_by_layer: tuple[int, ...]
    retractions: int
    end: dict[str, float]
    dialect: str
    dialect_questions: tuple[str, ...]
    assumed: tuple[str, ...]
    warnings: tuple[str, ...]

    def to_json(self) -> dict[str, Any]:
        """Return the fields as plain data."""
        return asdict(self)


@dataclass(frozen=True)
class Moment:
    """One of the worst moments of a job."""

    line: int
    layer: int | None  # counted from 0; None before the first
    time_s: float
    mechanism: str
    demand_n: float | None  # None where a guide has locked, or where the limit is a melt rate
    capacity_n: float | None
    margin: float


@dataclass(frozen=True)
class Remedy:
    """A change to machine or spool, the chance of a jam with it, and the speed at which the job then feeds."""

    change: str
    jam_probability: float  # at the program's own speed
    speed_share: float | None  # of the program's speed, at which the job then feeds; None: still no speed does


@dataclass(frozen=True)
class Findings:
    """Whether the job feeds, how sure that is, and what would help."""

    verdict: str
    jam_probability: float
    jam_probability_low: float
    jam_probability_high: float
    mechanism: str
    peak_push_n: float | None
    least_margin: float | None  # None where nothing is pushed
    by_mechanism: dict[str, float]
    unsoftened_probability: float  # chance that the wall is colder than what softens the spool; part of `starve`
    measure_next: dict[str, float]
    worst: tuple[Moment, ...]
    speed_share: float | None  # of the program's speed, at which the target is met; None: no speed meets it
    change: str  # none, moderate, large or refused: what the program needs to meet the target
    remedies: tuple[Remedy, ...]
    max_passes: int
    stored_length_mm: float  # filament that the worst pressure presses together: what a full retraction would take back
    mass_g: float
    facts: Facts
    cautions: tuple[str, ...]
    part: tuple[str, ...] = ()  # what `part` says of the mesh, where one was given

    def to_json(self) -> dict[str, Any]:
        """Return the fields as plain data, the facts of the program on the same level."""
        data = asdict(self)
        return data | data.pop("facts")
