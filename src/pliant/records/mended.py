"""What `mend` did: before and after, what changed, and the certificate."""

from dataclasses import asdict, dataclass, replace
from typing import Any

from pliant.records.findings import Findings
from pliant.records.mending import Certificate, Change
from pliant.records.tonight import Proof, Tonight

__all__ = ["Flat", "Mended"]


@dataclass(frozen=True)
class Flat:
    """The same program with every bead held to one safe speed, as common practice would have it."""

    speed_mm_per_s: float  # of every bead
    time_s: float  # of the job
    jam_probability: float  # chance of a jam
    our_time_s: float  # ours at the same chance of a jam or less
    our_jam_probability: float  # the chance of that one


@dataclass(frozen=True)
class Mended:
    """Result of mending a program."""

    output: str | None  # file that was written
    meets_target: bool  # whether the chance of a jam is within the target
    target: float  # chance of a jam to stay under
    before: Findings
    after: Findings
    changes: tuple[Change, ...]
    certificate: Certificate  # what is proved, obligation by obligation
    flat: Flat
    routing_time_s: float  # time that order and route added, retraction apart; below 0 where they saved time
    passes: tuple[str, ...] = ()  # those that ran
    notes: tuple[str, ...] = ()  # what a pass left alone, and why
    wanted_flow_factor: float = 1.0  # that the drive's losses call for; asked for with the pass factor
    aim: str = "surest"  # surest or quickest
    proof: Proof | None = None  # that was laid beside the part, as it is in the file; None where there is none
    wanted_why: str = ""  # in a sentence, where it was not asked for; empty where nothing is left out

    @property
    def tonight(self) -> Tonight | None:
        """What to do tonight with the program as it was; the proof as it was laid, if it was."""
        told = self.before.tonight
        return told if told is None or self.proof is None else replace(told, proof=self.proof)

    def counts(self) -> dict[str, int]:
        """Number of changes by pass."""
        found: dict[str, int] = {}
        for c in self.changes:
            found[c.pass_name] = found.get(c.pass_name, 0) + 1
        return found

    def to_json(self) -> dict[str, Any]:
        """Return the fields as plain data."""
        return {
            "output": self.output,
            "meets_target": self.meets_target,
            "target": self.target,
            "before": self.before.to_json(),
            "after": self.after.to_json(),
            "changes": self.counts(),
            "change_list": [asdict(c) for c in self.changes[:1000]],
            "certificate": self.certificate.to_json(),
            "certified": self.certificate.certified,
            "flat": asdict(self.flat),
            "routing_time_s": self.routing_time_s,
            "passes": list(self.passes),
            "notes": list(self.notes),
            "wanted_flow_factor": self.wanted_flow_factor,
            "wanted_why": self.wanted_why,
            "after_prints": None if self.after.after_prints is None else asdict(self.after.after_prints),
            "with_practice": None if self.after.with_practice is None else asdict(self.after.with_practice),
            "aim": self.aim,
            "proof": None if self.proof is None else asdict(self.proof),
            "tonight": None if self.tonight is None else asdict(self.tonight),
        }
