"""How likely a print is to have gone as it did, given the unknowns: evidence beside coupons.

A print that was fed says that no stretch of it passed below one; a jam noticed at a moment, that none did until
somebody last looked, and one did by then. By which mechanism is not asked. The sums are those of `feed.by_layer`: first
passage of a margin that wanders, first layer and rest each shifted as a whole by a draw. What a job shares (how the
filament lay, how the wheel was set) and how the bed was levelled that evening are each print's own and are averaged
over; the unknowns of machine and spool are shared by all prints.

A record may be wrong: then it says nothing, and one in `WRONG` is taken to be. Left out: that the speed was changed by
hand, and that a spool changes from print to print. Start at `Witnesses`.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from pliant.arrays import Floats
from pliant.feed import chain
from pliant.feed.by_layer import SHIFT, held_by_row
from pliant.feed.envelope import Envelope
from pliant.feed.passage import BINS, NODE, NODE_WEIGHT, ONE, STRETCH_MM
from pliant.feed.risk import BED_ERROR_MM, log_least, part_margins
from pliant.models.bead import bead_area_mm2
from pliant.records.filament import Filament
from pliant.records.machine import Machine

__all__ = [
    "PRACTICE_WEIGHT", "WRONG", "Seen", "Witnesses", "least_by_part", "log_chance_at", "log_chance_of", "practice_of",
]  # fmt: skip

WRONG = 0.05  # [-] share of outcomes that are written down wrong, days later and from memory; our own guess
PRACTICE_WEIGHT = 0.75  # [-] share of pairs for which the trade's word holds: who gave up does not report; own guess
# common practice, no source: "conservative and safe"; filament of a part
_PRACTICE_MM_PER_S, _PRACTICE_MM = 15.0, 5000.0
_PRACTICE_SHORE_A = 80.0  # "very soft may be impossible": softer spools have no witness; common practice, no source
# the bed's error of one evening, by three points (Gauss-Hermite)
_BED, _bed_weight = np.polynomial.hermite_e.hermegauss(3)
_BED_WEIGHT = _bed_weight / _bed_weight.sum()


@dataclass(frozen=True, eq=False)
class Seen:
    """A print as the feed path saw it, and how it went.

    `first` and `rest` hold stretches of filament by how far their margin lies above the least of the first layer's
    beads and of all others, `(2, bins)`: those that ran for sure, and those among which it jammed (0: it did not).
    """

    course: Envelope
    first: Floats
    rest: Floats
    jammed: bool
    if_wrong: float  # chance of such a record where it is wrong
    mark: str = ""  # of the print, so that none counts twice


def log_chance_of(seen: Seen, machine: Machine, theta: Mapping[str, Any], wrong: float = WRONG) -> Floats:
    """Logarithm of the chance that a print went as it is said to have, `(n,)`.

    Parameters
    ----------
    seen : Seen
        The print.
    machine : Machine
        It was printed on.
    theta : mapping of str to ndarray
        Values of the unknowns, `(n, 1)` by name.
    wrong : float
        Share of records that are wrong. [-]

    Returns
    -------
    ndarray
    """
    first, rest = least_by_part(seen.course, machine, theta)
    return log_chance_at(seen, first, rest, wrong)


def log_chance_at(seen: Seen, first: Floats, rest: Floats, wrong: float = WRONG) -> Floats:
    """The same from log margins of the first layer at `_BED`, `(n, 3)`, and of the rest, `(n,)`."""
    by_job = ONE.shared * NODE
    on_first, on_rest = held_by_row(seen.first), held_by_row(seen.rest)
    first_at, rest_at = first[:, :, None] - by_job, rest[:, None] - by_job

    def held(row: int) -> Floats:
        at_first = np.tensordot(np.interp(first_at, SHIFT, on_first[row]), _BED_WEIGHT, axes=(1, 0))
        return np.asarray((at_first * np.interp(rest_at, SHIFT, on_rest[row])) @ NODE_WEIGHT)

    chance = held(0) - held(1) if seen.jammed else held(0)
    return np.asarray(np.log((1 - wrong) * np.maximum(chance, 0.0) + wrong * seen.if_wrong + 1e-300))


def least_by_part(
    course: Envelope, machine: Machine, theta: Mapping[str, Any], scale: float = 1.0
) -> tuple[Floats, Floats]:
    """Log margin of the first layer's beads at three errors of the bed, `(n, 3)`, and of the rest, `(n,)`."""
    n = int(np.shape(theta["diameter_mm"])[0])
    found, _ = part_margins(course, machine, dict(theta), BED_ERROR_MM * _BED[None, :], scale)

    def least(key: bool) -> Floats:
        here = log_least(found[key]).reshape(n, -1) if key in found else np.full((n, 1), np.log(1e6))
        return np.broadcast_to(here, (n, _BED.size))

    return least(True), least(False)[:, 0]


@dataclass(frozen=True, eq=False)
class Witnesses:
    """All that was seen of a pair, with the records that the unknowns are drawn from."""

    machine: Machine
    filament: Filament
    seen: tuple[Seen, ...] = ()
    practice: float | None = None
    left_out: tuple[str, ...] = ()

    @property
    def prints(self) -> int:
        """Prints that count."""
        return len(self.seen)

    @property
    def marks(self) -> tuple[str, ...]:
        """Of the prints that count."""
        return tuple(s.mark for s in self.seen)

    @property
    def jammed(self) -> int:
        """Prints that jammed."""
        return sum(s.jammed for s in self.seen)

    def log_likelihoods(self, scores: Mapping[str, Any]) -> dict[str, Floats]:
        """Logarithm of the chance of what each kind of witness says, `(n,)` by `prints` and `practice`."""
        theta = chain.theta_of(
            self.machine, self.filament, {name: np.reshape(z, (-1, 1)) for name, z in scores.items()}
        )
        return self.at(theta)

    def at(self, theta: Mapping[str, Any]) -> dict[str, Floats]:
        """The same at values of the unknowns, `(n, 1)` by name."""
        found: dict[str, Floats] = {}
        if self.practice is not None and (word := practice_of(self.filament)) is not None:
            found["practice"] = log_chance_of(word, self.machine, theta, 1 - self.practice)
        if self.seen:
            margins: dict[int, tuple[Floats, Floats]] = {}  # a program that was printed again is run once
            for s in self.seen:
                if id(s.course) not in margins:
                    margins[id(s.course)] = least_by_part(s.course, self.machine, theta)
            found["prints"] = np.sum([log_chance_at(s, *margins[id(s.course)]) for s in self.seen], axis=0)
        return found


def practice_of(filament: Filament) -> Seen | None:
    """What practitioners report, as a print: beads of 0.45 x 0.2 mm at 15 mm/s are safe; None for a very soft spool."""
    if filament.scale == "A" and filament.shore < _PRACTICE_SHORE_A:
        return None
    flow = _PRACTICE_MM_PER_S * float(bead_area_mm2(0.45, 0.2))
    rest = np.zeros((2, BINS.size))
    rest[0, 0] = _PRACTICE_MM / STRETCH_MM
    course = Envelope.steady([flow], filament.reference_c, [0.45], [0.2], [False])
    return Seen(course, np.zeros((2, BINS.size)), rest, False, 1.0)
