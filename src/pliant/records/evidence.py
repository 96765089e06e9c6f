"""What else is known of a machine with a spool than their records say: prints that went well or not, and the trade."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

__all__ = ["AfterPrints", "Evidence", "WithPractice"]


class Evidence(Protocol):
    """How likely what was seen is, at draws of the unknowns; a filament carries it, `feed.witness` makes it."""

    prints: int  # that count
    jammed: int  # of them
    practice: float | None  # weight of what practitioners report; None: not asked
    left_out: tuple[str, ...]  # prints that do not count, each with its reason

    def log_likelihoods(self, scores: Mapping[str, Any]) -> dict[str, NDArray[np.float64]]:
        """Logarithm of the chance of what each kind of witness says, `(n,)` by `prints` and `practice`."""
        ...


@dataclass(frozen=True)
class AfterPrints:
    """What the prints of the book make of the chance of a jam."""

    prints: int  # that count
    jammed: int  # of them
    jam_probability: float  # with them
    was: float  # without them
    effective_draws: float  # draws that still count; few: learn from the prints instead
    left_out: tuple[str, ...]  # prints that do not count, each with its reason


@dataclass(frozen=True)
class WithPractice:
    """What the trade's word makes of the chance of a jam."""

    weight: float  # share of pairs for which the trade's word is taken to hold
    jam_probability: float  # with it
    was: float  # without it
