"""What `learn` leaves behind: unknowns that were learned together, and what changed.

A ladder of flows does not tell how thick the melt is, nor how stiff the filament is: it tells the one over the other.
Written as two spreads alone, that knowledge would be lost; so a learned filament record carries how its numbers (and
those of the machine it was learned on) hang together.
"""

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

from pliant.errors import RecordError

__all__ = [
    "MOST_NAMES",
    "Answer",
    "Believed",
    "Candidate",
    "Learned",
    "NextCoupon",
    "Suspect",
    "Together",
    "Unpredicted",
    "parse_together",
]

MOST_NAMES, _MOST_ROWS, _MOST_DIRECTIONS = 64, 1024, 12
_MOST_MARKS = 4096  # sheets and prints of the life of a spool
_FARTHEST = 20.0  # [-] of a score


@dataclass(frozen=True)
class Together:
    """Correlation of the logarithms of unknowns that were learned from the same readings."""

    machine: str  # name of the machine they were learned on
    names: tuple[str, ...]
    correlation: tuple[tuple[float, ...], ...]  # lower triangle, row by row
    readings: tuple[str, ...] = ()  # marks of the readings used, so that none counts twice
    directions: tuple[tuple[float, ...], ...] = ()  # per name: how far it moves with each direction that was told of
    rows: tuple[tuple[float, ...], ...] = ()  # draws along the directions, from those that bear least to most

    def matrix(self, names: Sequence[str]) -> Any:
        """Correlation matrix of those names, all of which must be among `self.names`."""
        import numpy as np  # records are read where nothing is computed

        size = len(self.names)
        full = np.eye(size)
        for i, row in enumerate(self.correlation):
            full[i, : i + 1] = row
            full[: i + 1, i] = row
        at = [self.names.index(name) for name in names]
        return full[np.ix_(at, at)]


def parse_together(raw: Any, file: str) -> Together | None:
    """Read the `[together]` table of a learned filament record."""
    if raw is None:
        return None
    where = f"{file}: [together]"
    allowed = {"machine", "names", "correlation", "readings", "directions", "rows"}
    if not isinstance(raw, dict) or set(raw) - allowed:
        raise RecordError(f"{where} takes the keys {', '.join(sorted(allowed))}; delete the table if in doubt")
    names: Any = raw.get("names")
    rows, marks = raw.get("correlation"), raw.get("readings", [])
    for key, value, most in (("names", names, MOST_NAMES), ("readings", marks, _MOST_MARKS)):
        if not isinstance(value, list) or not all(isinstance(v, str) for v in value) or len(value) > most:
            raise RecordError(f"{where}.{key} must be a list of at most {most} names; delete the table if in doubt")
    if len(set(names)) != len(names):
        raise RecordError(f"{where}.names holds a name twice; delete the table if in doubt")
    if not isinstance(rows, list) or len(rows) != len(names):
        raise RecordError(f"{where}.correlation needs one row per name; delete the table if in doubt")
    for i, row in enumerate(rows):
        good = isinstance(row, list) and len(row) == i + 1
        good = good and all(isinstance(v, int | float) and not isinstance(v, bool) for v in row)
        if not good or not all(math.isfinite(v) and abs(v) <= 1 for v in row) or row[-1] != 1:
            raise RecordError(
                f"{where}.correlation row {i + 1} must hold {i + 1} numbers from -1 to 1, the last of them 1; "
                "delete the table if in doubt"
            )
    directions, draws = _draws(raw, len(names), where)
    together = Together(
        str(raw.get("machine", "")), tuple(names), tuple(tuple(float(v) for v in row) for row in rows), tuple(marks),
        directions, draws,
    )  # fmt: skip
    if names:
        import numpy as np

        try:
            np.linalg.cholesky(together.matrix(names) + 1e-9 * np.eye(len(names)))
        except np.linalg.LinAlgError as error:
            raise RecordError(f"{where}.correlation is no correlation matrix; delete the table") from error
    return together


def _draws(raw: dict[str, Any], names: int, where: str) -> tuple[tuple[tuple[float, ...], ...], ...]:
    """Directions and rows of a learned record; both empty where it has neither."""
    tables = []
    for key, most, count in (("directions", MOST_NAMES, names), ("rows", _MOST_ROWS, None)):
        table = raw.get(key, [])
        good = isinstance(table, list) and len(table) <= most and all(isinstance(row, list) for row in table)
        good = good and len({len(row) for row in table}) <= 1 and all(0 < len(r) <= _MOST_DIRECTIONS for r in table)
        good = good and all(isinstance(v, int | float) and not isinstance(v, bool) for row in table for v in row)
        if not good or not all(math.isfinite(v) and abs(v) <= _FARTHEST for row in table for v in row):
            raise RecordError(
                f"{where}.{key} must hold at most {most} rows, alike in length, of 1 to {_MOST_DIRECTIONS} numbers "
                f"from -{_FARTHEST:g} to {_FARTHEST:g}; delete the table if in doubt"
            )
        if table and count is not None and len(table) != count:
            raise RecordError(f"{where}.{key} needs one row per name; delete the table if in doubt")
        tables.append(tuple(tuple(float(v) for v in row) for row in table))
    directions, draws = tables
    if bool(directions) != bool(draws) or (draws and (len(draws) < 2 or len(draws[0]) != len(directions[0]))):
        raise RecordError(
            f"{where}: rows must be two at least, as long as those of directions, and neither stands without the "
            "other; delete the table if in doubt"
        )
    return directions, draws


@dataclass(frozen=True)
class Believed:
    """One unknown before and after: median and multiplicative spread."""

    name: str  # of the unknown
    value_before: float  # median before, in the unit of its key
    spread_before: float  # multiplicative standard deviation before
    value_after: float  # median after
    spread_after: float  # and its spread

    @property
    def shrinkage(self) -> float:
        """Share of the (logarithmic) spread that is gone. [-]"""
        before = math.log(self.spread_before)
        return 1 - math.log(self.spread_after) / before if before > 0 else 0.0


@dataclass(frozen=True)
class Suspect:
    """A reading that the model, having learned from the others, did not expect."""

    reading: str  # piece and step
    expected: str  # in words
    found: str  # in words
    chance: float  # of a reading at least as odd as this one


@dataclass(frozen=True)
class Unpredicted:
    """A sheet that the others do not lead one to expect: what they tell does not carry over to where it was printed."""

    sheet: str  # name
    others: tuple[str, ...]  # that it was predicted from
    gaps_mm: tuple[float | None, float | None]  # lowest and highest gap of its steps; None in the air
    other_gaps_mm: tuple[float | None, float | None]  # of theirs
    reading: str  # the oddest one
    expected: str  # in words
    found: str  # in words
    chance: float  # of a sheet at least as odd as this one


@dataclass(frozen=True)
class StoreKnown:
    """What is stored between drive and nozzle at a flow q, s1 qⁿ, as well as it is known: median, low and high end."""

    flow_mm3_per_s: float  # that it is told at
    store_at_one_mm3: tuple[float, float, float]  # s1: at 1 mm³/s
    flow_index: tuple[float, float, float]  # n
    stored_mm3: tuple[float, float, float]  # at that flow


@dataclass(frozen=True)
class Answer:
    """What is said of a program, in the words of `check`."""

    jam_probability: float  # of the job, the mean over all draws
    jam_probability_error: float  # standard error of the statement
    limit_speed_mm_per_s: dict[str, float] | None  # low, middle, high (90 %) at which its widest flat bead gives


@dataclass(frozen=True)
class Learned:
    """Result of `learn`."""

    changed: tuple[Believed, ...]
    noise: Believed  # how far lengths and counts scatter
    flow_factor: float | None  # to make up for what the drive loses; None without lengths or masses
    suspects: tuple[Suspect, ...]
    unpredicted: tuple[Unpredicted, ...]  # sheets that the others do not predict; none where there is one sheet
    readings: tuple[str, ...]  # files that were learned from, and how many prints
    draws: int  # of the sampler
    autocorrelation_steps: float  # of its chain
    acceptance: float  # share of its proposals that it took
    machine_file: str | None = None  # new version; None where nothing of it changed
    filament_file: str | None = None  # new version
    program: str | None = None  # whose chance of a jam was asked for
    before: Answer | None = None  # what was said of the user's own program
    after: Answer | None = None  # the same with what was learned
    limit_before: tuple[float, float, float] | None = None  # [mm³/s] most that a bead carries: median, low, high
    limit_after: tuple[float, float, float] | None = None  # [mm³/s] the same with what was learned
    limit_spread_left: float | None = None  # spread of the limit's logarithm on beads never printed, over that before
    limit_nozzle_c: float | None = None  # temperature that this flow is told at
    store_before: StoreKnown | None = None  # between drive and nozzle, before
    store_after: StoreKnown | None = None  # with what was learned
    bead_error_before: float | None = None  # rms of a shaped bead of 40 mm at 15 mm/s, planned with the records before
    bead_error_after: float | None = None  # with what was learned, both held against what may be true now
    notes: tuple[str, ...] = field(default=())  # what was not used, why a step above the limit held

    def to_json(self) -> dict[str, Any]:
        """Return the fields as plain data."""
        return asdict(self)


@dataclass(frozen=True)
class Candidate:
    """A coupon that could be printed next, and how much of the answer's spread it should take away."""

    kind: str  # of the test piece
    label: str  # with its settings, in words
    shrinkage: float  # expected share of the standard deviation that goes
    error: float  # standard error of that, from the number of simulated outcomes
    nozzle_c: float | None = None  # of a ladder, where it is not its own
    gap_mm: float | None = None  # of a ladder, likewise


@dataclass(frozen=True)
class NextCoupon:
    """Result of `next`: the candidates, best first."""

    answer: str  # whose doubt is to shrink, in words
    spread: float  # of that answer now
    ranked: tuple[Candidate, ...]  # the piece to print first, then the others, best first
    alike: tuple[str, ...] = ()  # labels of others that cannot be told from the best one
    nozzle_c: float | None = None  # the job's own temperature, which settles between such

    def to_json(self) -> dict[str, Any]:
        """Return the fields as plain data."""
        return asdict(self)
