"""What `read` and `check` find, as records; text and JSON are views of the same fields."""

from dataclasses import asdict, dataclass
from typing import Any

from pliant.records.evidence import AfterPrints, WithPractice
from pliant.records.tonight import Tonight

__all__ = [
    "LEVELLING_ACTS",
    "Facts",
    "Findings",
    "LayerShare",
    "Levelling",
    "Moment",
    "Remedy",
    "heat_words",
    "least_chance",
]


def least_chance(probability: float, error: float) -> float:
    """A chance less twice its own standard error: a target is met where this lies within it. [-]"""
    return max(probability - 2 * error, 0.0)


@dataclass(frozen=True)
class Facts:
    """What a program says by itself."""

    time_s: float  # time of the job
    layers: int  # number of layers
    runs: int  # number of runs
    bead_mm: float  # length of all beads
    bead_mm3: float  # volume of all beads
    filament_forward_mm: float  # filament pushed forward, recovers included
    filament_back_mm: float  # filament drawn back
    travel_mm: float  # length of all travel
    open_travel_mm: float  # travel that crosses air between two beads of the job
    seen_travel_mm: float  # the part of it that shows: it leads to the outside of the finished part
    travel_bound_mm: float  # travel over air that no order of the runs inside their layers can do without
    travel_bound_trees: int  # layers with so many pieces that the bound takes a tree through them, not a path
    rest_s: float | None  # of 100 spots 99 rest so long before they are covered; None: none is covered
    strings: int  # threads that could hang there
    seen_strings: int  # threads of which more shows than leaves no string
    strings_by_layer: tuple[int, ...]  # the same, a number per layer
    retractions: int  # number of retractions
    end: dict[str, float]  # [mm] where the job ends: x, y and z
    dialect: str  # dialect that the file was read with
    dialect_questions: tuple[str, ...]  # what the file leaves to the controller, with lines
    assumed: tuple[str, ...]  # defaults taken, with value, unit and source
    warnings: tuple[str, ...]  # what the reader noticed

    def to_json(self) -> dict[str, Any]:
        """Return the fields as plain data."""
        return asdict(self)


@dataclass(frozen=True)
class Moment:
    """One of the worst moments of a job."""

    line: int  # of the program
    layer: int | None  # counted from 0; None before the first
    time_s: float  # into the job
    mechanism: str  # what gives there
    demand_n: float | None  # what the melt needs; None where a guide has locked, or where the limit is a melt rate
    capacity_n: float | None  # what can be carried there; None as well
    margin: float  # capacity over demand


@dataclass(frozen=True)
class Remedy:
    """A change to machine or spool, the chance of a jam with it, and the speed at which the job then feeds."""

    change: str  # to machine or spool, in words
    jam_probability: float  # at the program's own speed
    speed_share: float | None  # of the program's speed, at which the job then feeds; None: still no speed does


def heat_words(celsius: float) -> str:
    """The change that sets the nozzle hotter, as remedies name it."""
    return f"the nozzle at {celsius:g} °C"


@dataclass(frozen=True)
class LayerShare:
    """A layer, or neighbouring ones of a tall job, and the chance that the jam comes first there."""

    layer: int  # counted from 0; of several the first
    layers: tuple[int, int]  # first and last: two of them only where a job has over 200
    z_mm: float  # top of the last
    share: float  # chance that the jam comes first there; together they are the chance of a jam


LEVELLING_WORTH = 0.05  # [-] of the doubt: a bed's error that makes less is not spoken of; our choice
LEVELLING_ACTS = ("measure-the-first-gap", "level-again", "thicker-first-layer")


@dataclass(frozen=True)
class Levelling:
    """What the bed's error makes of the doubt: drawn anew with each levelling, it is not to be learned."""

    share: float  # of the doubt
    acts: tuple[str, ...] = LEVELLING_ACTS  # what helps: measure-the-first-gap, level-again, thicker-first-layer

    @classmethod
    def of(cls, share: float) -> "Levelling | None":
        """Where it is worth an act."""
        return cls(share) if share >= LEVELLING_WORTH else None


@dataclass(frozen=True)
class Findings:
    """Whether the job feeds, how sure that is, and what would help."""

    verdict: str  # feeds, marginal or jams
    jam_probability: float  # chance of a jam, 0 to 1
    jam_probability_error: float  # standard error of the chance: of the draws it comes from, not of what is unknown
    limit_speed_mm_per_s: dict[str, float] | None  # low, middle, high (90 %) at which the widest flat bead gives
    validity: tuple[dict[str, Any], ...]  # note, share: in which share of the draws a model is outside its range
    mechanism: str  # the mechanism that gives first
    peak_push_n: float | None  # largest push at the drive, at central values; None where nothing is pushed
    least_margin: float | None  # least margin, at central values; None where nothing is pushed
    by_mechanism: dict[str, float]  # chance of a jam by mechanism
    jam_by_layer: tuple[LayerShare, ...]  # where the jam comes first, from the first layer to the last
    unsoftened_probability: float  # chance that the wall is colder than what softens the spool; part of `starve`
    measure_next: dict[str, float]  # share of the doubt that each unknown brings; `path0.` is the first span
    levelling: Levelling | None  # what the bed's error makes of the doubt; None where it is little
    worst: tuple[Moment, ...]  # the ten worst moments, no two the same event
    speed_share: float | None  # of the program's speed, at which the target is met; None: no speed meets it
    change: str  # none, moderate, large or refused: what the program needs to meet the target
    remedies: tuple[Remedy, ...]  # what would help, each on its own
    max_passes: int  # most passes of the same filament through the drive
    bead_error_rms: float  # how far the bead is from the section asked: root mean square over its length
    bead_error_worst: float  # the largest, over a millimetre, as a share of the section asked; below 0 too thin
    bead_error_line: int | None  # of the program, where that is; None: no bead
    ooze_mm3: float  # that flows on between the first bead and the last while the nozzle goes elsewhere
    stored_length_mm: float  # filament that the worst pressure presses together: what a full retraction would take back
    mass_g: float  # filament used
    facts: Facts
    cautions: tuple[str, ...]  # what to take care of
    part: tuple[str, ...] = ()  # what `part` says of the mesh, where one was given
    tonight: Tonight | None = None  # what to do tonight; None where it was not asked
    after_prints: AfterPrints | None = None  # what the book's prints make of the chance; None where there are none
    with_practice: WithPractice | None = None  # what the trade's word makes of it; None where it was not asked

    @property
    def least_chance(self) -> float:
        """The chance of a jam less twice its own error: what has to lie within a target for that to be met."""
        return least_chance(self.jam_probability, self.jam_probability_error)

    def to_json(self) -> dict[str, Any]:
        """Return the fields as plain data, the facts of the program on the same level."""
        data = asdict(self)
        return data | data.pop("facts")
