"""Controllers disagree about a few words; each behaviour is named by what it does."""

from dataclasses import dataclass

__all__ = ["BEHAVIOURS", "Behaviour"]


@dataclass(frozen=True)
class Behaviour:
    """How one family of controllers reads the words that differ."""

    g90_sets_e: bool  # G90/G91 also switch the filament axis
    many_commands: bool  # a line may hold several commands, and the first of a repeated letter counts


BEHAVIOURS = {
    "e-follows-g90": Behaviour(True, False),
    "e-on-its-own": Behaviour(False, False),
    "many-per-line": Behaviour(False, True),
}
