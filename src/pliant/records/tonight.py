"""What to do tonight with a job: what each try costs, the piece that may pay first, and what a proof would leave."""

from dataclasses import dataclass
from typing import Literal

__all__ = ["Choice", "Curve", "Piece", "Plan", "Proof", "Tonight", "Try", "Trying"]

# it feeds, go; print this piece first; start, and watch; nothing without another part
Choice = Literal["go", "piece-first", "watched-start", "another-part"]


@dataclass(frozen=True)
class Trying:
    """What a jam costs the people at this machine; the defaults are our own guesses."""

    restart_min: float = 15.0
    looks_in_every_min: float | None = 10.0  # None: nobody does
    hardware_min: float = 480.0

    @property
    def watched(self) -> bool:
        """Whether anybody looks in."""
        return self.looks_in_every_min is not None


@dataclass(frozen=True)
class Try:
    """One try: the whole job at one speed."""

    speed_share: float  # of the program's speed
    minutes: float  # [min] motion time of the whole job at that speed
    jam_probability: float  # given that the tries before it jammed


@dataclass(frozen=True)
class Piece:
    """The test piece that is worth printing before the job."""

    kind: str  # of coupon
    minutes: float  # [min] motion time of the piece
    saves_min: float  # of expected time on this job, the piece's own minutes taken off; below 0: it costs more


@dataclass(frozen=True)
class Proof:
    """A proving run beside the part, before each try."""

    minutes: float  # [min] that it takes
    flow_over_worst: float  # its flow over the largest of the job at the speed of the first try
    jam_probability_after: float  # of the first try in the hour after the proof has held
    held_probability: float = 1.0  # that the proof holds
    speed_share: float = 1.0  # of the program's speed, of the first try behind a proof
    jam_probability: float = 0.0  # of that try, were there no proof
    expected_min: float | None = None  # to a good part, with a proof before each try; None where it was not asked
    laid: bool = False  # in the program that was written; else as it would be

    @property
    def inside_probability(self) -> float:
        """Chance that the proof holds and the part jams all the same, of the first try. [-]"""
        return self.jam_probability_after * self.held_probability


@dataclass(frozen=True)
class Plan:
    """An order of tries: what is expected is `spent_min` and `restarts` times what a restart takes."""

    places: tuple[int, ...]  # of the speeds, on the curve that it belongs to
    spent_min: float
    restarts: float  # expected


@dataclass(frozen=True)
class Curve:
    """Expected time over the speed of the first try, fastest first, at one cost of a restart; what the page draws."""

    speed_share: tuple[float, ...]
    expected_min: tuple[float, ...]
    time_min: tuple[float, ...]
    jam_probability: tuple[float, ...]
    restart_min: float = 15.0
    places: tuple[int, ...] = ()  # of the best tries, one after the other
    least_min: float = 0.0  # expected by them
    plans: tuple[Plan, ...] = ()  # the best behind each first try at this cost, and the best of all


@dataclass(frozen=True)
class Tonight:
    """What to do tonight."""

    choice: Choice  # go, piece-first, watched-start or another-part
    tries: tuple[Try, ...]  # one after the other, each only if the one before it jammed
    expected_min: float  # to a good part, by these tries; no proving run inside
    flat_15_expected_min: float | None  # with a flat 15 mm/s first, then as good as can be; None where it feeds
    surest_min: float  # with the speed that meets the target first, or the slowest of use where none does
    piece: Piece | None  # None where it feeds, or where no ladder can be printed
    proof: Proof | None  # None where it feeds, where no try pays, or where nobody looks in
    watched: bool = True  # whether somebody looks in, by the machine's record
    speed_mm_per_s: float | None = None  # that shares are of, where there is one for all beads: in a plan
    nozzle_c: float | None = None  # set the nozzle to this first; None: it is hot enough, or nothing hotter is allowed
