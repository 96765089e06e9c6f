"""Controllers disagree about a few words; each behaviour is named by what it does.

Three families of open controllers, as their manuals and sources read (reference: tool path, section 1). What every
family shares is not here; what none of them settles alone (a bare `X5`, `/`, `( )`) is asked about by the reader.
"""

from dataclasses import astuple, dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["ASSUMED", "BEHAVIOURS", "Behaviour"]


@dataclass(frozen=True)
class Behaviour:
    """How one family of controllers reads the words that differ; in the order of the first places of the kernel."""

    g90_sets_e: bool  # G90/G91 also switch the filament axis, and cancel M82/M83
    many_commands: bool  # each further G or M on a line starts a command of its own; else the first one takes all
    first_repeated: bool  # of a letter written twice the first counts; else the last
    exponent: bool  # X1E5 is one number, 100000; else two words
    fan_share: bool  # M106 S between 0 and 1 is a share of full speed; else 1/255
    relative_advances: bool  # E moves under M83 also advance the register that M82 goes by
    bare_g92_zeroes: bool  # G92 without words declares zero for all axes; else it does nothing
    factors_everywhere: bool  # M220/M221 also act where filament alone moves

    def switches(self) -> NDArray[np.int64]:
        """The fields as the 0/1 array that the kernel takes."""
        return np.array(astuple(self), dtype=np.int64)


BEHAVIOURS = {
    "e-follows-g90": Behaviour(True, False, False, False, False, True, False, True),
    "e-on-its-own": Behaviour(False, False, False, False, False, True, True, True),
    "many-per-line": Behaviour(False, True, True, True, True, False, False, False),
}
ASSUMED = "e-on-its-own"  # what `auto` takes where the file leaves the choice
