"""Reading a motion program: strict, streaming, never from comment tags.

Plain words of RS274 and the printer words that extend it. Anything whose meaning the file alone does not settle is
refused with its line, or, where controllers merely differ, listed as a question. The compiled `kernels.scan` does the
reading, `stream` feeds it, `compare` holds a second behaviour against the first, `messages` has the words.
"""

from dataclasses import replace
from pathlib import Path

import numpy as np

from pliant.errors import ProgramError
from pliant.files import Source, Text
from pliant.kernels import machine
from pliant.program.compare import Comparison
from pliant.program.dialects import ASSUMED, BEHAVIOURS
from pliant.program.ends import UnknownEnds
from pliant.program.messages import asked
from pliant.program.stream import Moves, Reading
from pliant.program.wrong_file import what_else
from pliant.progress import Share
from pliant.records.program import DWELL, HOME, KIND_NAMES, Program

__all__ = ["read_program"]

# Marks that the reading with the assumed behaviour leaves where another one could differ, and the field behind each.
_COULD_DIFFER = {
    "E_MODE": "g90_sets_e",
    "E_AFTER_DIGIT": "exponent",
    "TWO_COMMANDS": "many_commands",
    "REPEATED": "first_repeated",
    "FAN": "fan_share",
    "E_STANDS": "relative_advances",
    "FACTOR": "factors_everywhere",
    "G92_ALONE": "bare_g92_zeroes",
}


def read_program(path: Source, dialect: str = "auto", progress: Share | None = None) -> Program:
    """Read a motion program.

    Parameters
    ----------
    path : str, Path or Text
        The file; read in bounded pieces.
    dialect : str, default "auto"
        A behaviour of `dialects.BEHAVIOURS`. `auto` reads as `e-on-its-own`; where the file makes a difference it
        reads with the others too and says which lines they take otherwise.
    progress : callable, optional
        Called with the share of the file read so far, 0 to 1. [-]

    Returns
    -------
    Program
        The moves, and what the file leaves open.

    Raises
    ------
    ProgramError
        One line that names the file, the line, what is allowed and the way out.
    """
    if dialect != "auto" and dialect not in BEHAVIOURS:
        raise ProgramError(f"unknown dialect {dialect!r}; choose auto, {', '.join(BEHAVIOURS)}")
    name = ASSUMED if dialect == "auto" else dialect
    moves, reading = Moves(str(path)), Reading(path, name, UnknownEnds())
    try:
        reading.run(moves.take, progress)
        program = moves.program(dialect, reading)
        if reading.ends is not None and reading.ends.unbounded:
            raise ProgramError(reading.ends.unbounded)
        kinds = np.bincount(program.kind, minlength=len(KIND_NAMES))
        if kinds.sum() == kinds[DWELL] + kinds[HOME]:
            raise ProgramError(f"{path}: empty: no line moves anything; choose a motion program")
    except ProgramError as error:
        if what := what_else(path):
            raise ProgramError(f"{path}: this is {what}") from error
        raise
    if dialect != "auto":
        return program
    answers = tuple(text for other in BEHAVIOURS if (text := _otherwise(program, reading, other)))
    return replace(program, questions=program.questions + answers) if answers else program


def _otherwise(program: Program, reading: Reading, other: str) -> str | None:
    """What another behaviour makes of the file; None if the same, or if nothing in the file could differ."""
    mine, theirs = reading.behaviour, BEHAVIOURS[other]
    marks = [mark for mark, field in _COULD_DIFFER.items() if getattr(mine, field) != getattr(theirs, field)]
    if not any(asked(reading.w, mark) for mark in marks):
        return None
    if not isinstance(reading.source, Text) and not Path(reading.source).is_file():
        return f"{other} may read it otherwise; {ASSUMED} assumed, as this is no file that can be read twice"
    comparison, again = Comparison(program, other, ASSUMED), Reading(reading.source, other, UnknownEnds())
    try:
        again.run(comparison.take)
    except ProgramError as error:
        where = str(error).removeprefix(f"{program.path} ")
        return f"{other} would refuse it ({where}); {ASSUMED} assumed"
    return comparison.finish(int(reading.w[machine.LINE]))
