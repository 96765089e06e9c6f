"""Many jobs on many machines with many spools: what each combination comes to, and which job goes where."""

from dataclasses import asdict, dataclass
from typing import Any, Self

from pliant.records.findings import Findings

__all__ = ["OBJECTIVES", "Assignment", "Batch", "Combination", "Matrix", "Row", "Slot"]

# the last is done soonest; the sum of expected time is least; all succeed at the first try most likely
OBJECTIVES = ("soonest", "least-time", "surest")


@dataclass(frozen=True)
class Combination:
    """One program on one machine with one spool, as it is written."""

    program: str  # file name
    machine: str  # name of its record
    filament: str  # name of its record
    verdict: str | None  # `feeds`, `marginal` or `jams` at the speeds written, by the rule of `check`; None as below
    jam_probability: float | None  # [-] at the speeds written; None where it cannot be printed so
    expected_min: float | None  # [min] to a good part, by the best falling speeds
    first_share: float | None  # [-] of the speed written, of the first of those tries; None: no speed pays
    mechanism: str  # what gives first
    filament_mm: float | None  # [mm] that the program takes; None where this machine cannot read it
    error: str  # why it cannot be printed so; empty where it can

    @classmethod
    def none(cls, program: str, machine: str, filament: str, why: str, filament_mm: float | None = None) -> Self:
        """One that cannot be printed, and why."""
        return cls(program, machine, filament, None, None, None, None, "none", filament_mm, why)


@dataclass(frozen=True)
class Row:
    """One program of a batch: its findings, or why it could not be checked."""

    program: str  # file name
    findings: Findings | None
    error: str | None  # why it could not be checked; None where it was


@dataclass(frozen=True)
class Batch:
    """All programs of a folder, the riskiest first; those that could not be read last."""

    rows: tuple[Row, ...]
    machine: str
    filament: str

    @property
    def all_read(self) -> bool:
        """Whether every program could be checked."""
        return all(r.findings is not None for r in self.rows)

    @property
    def all_feed(self) -> bool:
        """Whether every program that could be checked feeds."""
        return all(r.findings.verdict == "feeds" for r in self.rows if r.findings is not None)

    def combinations(self) -> list[Combination]:
        """The rows as combinations of one pair."""
        return [
            Combination(
                r.program, self.machine, self.filament, f.verdict, f.jam_probability,
                None if f.tonight is None else f.tonight.expected_min,
                f.tonight.tries[0].speed_share if f.tonight is not None and f.tonight.tries else None, f.mechanism,
                f.facts.filament_forward_mm - f.facts.filament_back_mm, "",
            )
            for r in self.rows if (f := r.findings) is not None
        ]  # fmt: skip

    def to_json(self) -> dict[str, Any]:
        """Return the fields as plain data."""
        return {
            "programs": [
                {"program": r.program, "error": r.error}
                | ({"findings": r.findings.to_json()} if r.findings is not None else {})
                for r in self.rows
            ],
            "combinations": [asdict(c) for c in self.combinations()],
        }


@dataclass(frozen=True)
class Slot:
    """One job of a plan."""

    machine: str  # name of its record
    filament: str  # name of its record
    program: str  # file name
    start_min: float  # after the begin of the plan
    end_min: float  # after the begin of the plan


@dataclass(frozen=True)
class Assignment:
    """Which job goes where, and how far that can be from the best."""

    plan: tuple[Slot, ...]
    objective: str
    makespan_min: float
    expected_min: float  # [min] sum over all jobs
    all_feed_probability: float  # [-] that no first try jams, spools and machines taken as independent
    gap: float  # [-] of the objective, to a bound that no plan goes below; 0: the best there is


@dataclass(frozen=True)
class Matrix:
    """All combinations, program by program, and the plan where one was asked for."""

    combinations: tuple[Combination, ...]
    unread: dict[str, str]  # programs that could not be read, and why
    assignment: Assignment | None = None

    @property
    def all_read(self) -> bool:
        """Whether every program could be read."""
        return not self.unread

    @property
    def all_feed(self) -> bool:
        """Whether every program that could be read feeds on one of the machines with one of the spools."""
        programs = {c.program for c in self.combinations}
        return programs == {c.program for c in self.combinations if c.verdict == "feeds"}

    def to_json(self) -> dict[str, Any]:
        """Return the fields as plain data."""
        data: dict[str, Any] = {"combinations": [asdict(c) for c in self.combinations], "unread": self.unread}
        if (a := self.assignment) is not None:
            data |= {
                "plan": [asdict(s) for s in a.plan], "objective": a.objective, "makespan_min": a.makespan_min,
                "expected_min": a.expected_min, "all_feed_probability": a.all_feed_probability, "gap": a.gap,
            }  # fmt: skip
        return data
