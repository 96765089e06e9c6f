"""Heat: nozzle temperature kept within the maker's data sheet and under the liner's ceiling."""

from pathlib import Path

import numpy as np

from pliant.constants import PRINTING_C
from pliant.feed.warmth import cold_words, warm_enough_c
from pliant.kernels.words import find_commands
from pliant.language.edit import set_word
from pliant.language.line import read_line
from pliant.program.write import Edits
from pliant.records.filament import Filament
from pliant.records.limits import allowed_c
from pliant.records.machine import Machine
from pliant.records.mending import Change
from pliant.records.program import Program

__all__ = ["mend_heat"]

_SET = (("M", 104), ("M", 109))


def mend_heat(program: Program, edits: Edits, machine: Machine, filament: Filament) -> list[Change]:
    """Bring nozzle settings into the allowed range, in place in `edits.words`; switching off stays as it is.

    Parameters
    ----------
    program : Program
        The moves; its file is read for the lines that set the nozzle.
    edits : Edits
        Changed in place.
    machine, filament
        The records.

    Returns
    -------
    list of Change
    """
    low, high = allowed_c(machine, filament)
    data = Path(program.path).read_bytes()
    changes = []
    for number, begin, end in find_commands(np.frombuffer(data, dtype=np.uint8), ord("M"), 104, 109).tolist():
        line = data[begin:end]
        said = read_line(line)
        word = said.last("S") or said.last("R")
        if said.command not in _SET or word is None or word.value is None:
            continue
        asked = word.value
        if asked < PRINTING_C or asked == high:
            continue
        # colder than what is sure to soften the spool is no use, though the sheet allows it
        least = (
            low
            if not cold_words(machine, filament, max(asked, low))
            else min(max(low, np.ceil(warm_enough_c(filament))), high)
        )
        if least <= asked <= high:
            continue
        new = least if asked < least else high
        edits.words[number] = set_word(line, word.letter, new, 1)
        why = (
            "the maker's data sheet"
            if asked < least or machine.liner != "ptfe"
            else "the sheet and the liner's ceiling"
        )
        why = f"within {why}"
        if new > low and asked < least:
            # the sheet's top may still be too cold
            sure = not cold_words(machine, filament, float(new))
            why += ", and hot enough to soften this spool" if sure else "; whether that softens this spool is not known"
        changes.append(Change(number, "heat", "nozzle", f"{asked:g} °C", f"{new:g} °C", why))
    return changes
