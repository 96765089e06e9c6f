"""What else is known of a machine with a spool than their records say: prints that went well or not, and the trade."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol

if TYPE_CHECKING:  # the book is read without it
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["FEW_DRAWS", "AfterPrints", "Evidence", "WithPractice"]


FEW_DRAWS = 200.0  # below it a chance of two in a hundred rests on a handful: our choice


class Evidence(Protocol):
    """How likely what was seen is, at draws of the unknowns; a filament carries it, `feed.witness` makes it."""

    @property
    def prints(self) -> int:
        """Prints that count."""
        ...

    @property
    def jammed(self) -> int:
        """Prints that jammed."""
        ...

    @property
    def practice(self) -> float | None:
        """Weight of what practitioners report; None: not asked."""
        ...

    @property
    def left_out(self) -> tuple[str, ...]:
        """Prints that do not count, each with its reason."""
        ...

    def log_likelihoods(self, scores: Mapping[str, Any]) -> "dict[str, NDArray[np.float64]]":
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

    @classmethod
    def of(
        cls, said: Evidence | None, probability: float, without: Mapping[str, float], effective: float
    ) -> "AfterPrints | None":
        """Where prints were asked for and the book has any."""
        if said is None or not (said.prints or said.left_out):
            return None
        was = without.get("prints", probability)
        return cls(said.prints, said.jammed, probability, was, effective, said.left_out)

    @property
    def runs_out(self) -> bool:
        """Whether too few draws are left to trust the chance."""
        return self.prints > 0 and self.effective_draws < FEW_DRAWS


@dataclass(frozen=True)
class WithPractice:
    """What the trade's word makes of the chance of a jam."""

    weight: float  # share of pairs for which the trade's word is taken to hold
    jam_probability: float  # with it
    was: float  # without it

    @classmethod
    def of(cls, said: Evidence | None, probability: float, without: Mapping[str, float]) -> "WithPractice | None":
        """Where the trade was asked; for a very soft spool it has no word, and nothing changes."""
        if said is None or said.practice is None:
            return None
        return cls(said.practice, probability, without.get("practice", probability))
