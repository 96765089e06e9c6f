"""What mending changes, what it promises, and what was proved."""

from dataclasses import asdict, dataclass
from typing import Any

__all__ = ["Certificate", "Change", "Intent", "Obligation", "Shaping"]


@dataclass(frozen=True)
class Change:
    """One change to the program, with its reason."""

    line: int  # of the input program
    pass_name: str  # which pass
    what: str  # was changed
    before: str  # as it was, with its unit
    after: str  # as it is
    why: str  # the reason


@dataclass(frozen=True)
class Shaping:
    """What shaping the feed promises."""

    store_at_one_mm: float  # filament stored at a flow of 1 mm³/s, where most is
    flow_index: float  # of the store: it grows as flow to this power
    handed_mm: float  # filament that the first run leaves drawn back and the last run keeps
    most_mm: float  # largest that any moment of the plan has stored
    drive_mm_per_s: float  # speed of filament alone
    step_mm_per_s: float  # by which the drive's speed changes at most between stretches, beside what it did
    least_s: float  # shortest stretch that is new


@dataclass(frozen=True)
class Intent:
    """What the passes that ran are allowed to do; the certificate holds the mended file to it."""

    flow_factor: float = 1.0  # mended filament over input filament, everywhere
    may_slow: bool = True  # bead speeds may fall; they never may rise
    may_reorder_islands: bool = False  # runs of a layer may be laid in another order, each run whole
    may_change_retraction: bool = False  # pairs removed, shortened, slowed
    may_reroute: bool = False  # travel may take another way between the same ends
    coast_mm_per_run: float = 0.0  # filament that a run may end early by, given back before the next run
    prime_mm: float = 0.0  # filament that a priming run may add, outside the part
    proof_mm: float = 0.0  # filament that a proof beside the part may take; 0: there is none
    proof_mm3_per_s: float = 0.0  # the flow that no bead of the proof may exceed
    nozzle_c: tuple[float, float] | None = None  # where the nozzle temperature may be set; None: unchanged
    first_layer_may_widen: bool = False  # beads of the first layer may be laid in a higher gap, see height_mm
    height_mm: float = 0.0  # by how much the part may grow; [mm]
    shaping: Shaping | None = None  # feed shaped along runs; None: fed as it was
    first_layer_factor: float = 1.0  # mended filament over input filament in the first layer, flow factor apart


@dataclass(frozen=True)
class Obligation:
    """One thing that was proved or disproved, with its figure in words."""

    obligation: str  # what is proved
    holds: bool  # true or false
    figure: str  # behind it


@dataclass(frozen=True)
class Certificate:
    """What shows that a mended program deposits the same part; both files were read again from disk."""

    obligations: tuple[Obligation, ...]

    @property
    def certified(self) -> bool:
        """Whether every obligation holds."""
        return all(o.holds for o in self.obligations)

    def to_json(self) -> list[dict[str, Any]]:
        """Return the obligations as plain data."""
        return [asdict(o) for o in self.obligations]
