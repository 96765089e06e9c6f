"""What cannot be shaped, told in one line before anything is done; and the controller's own compensation, turned off.

A controller that feeds ahead by a constant of its own would do it on top of ours. Where the program sets that constant
by a word, the word is set to 0; a constant that is set in any other way is refused. What stands in the controller's own
memory cannot be seen from here: that it is off is said as an assumption.
"""

import re
from pathlib import Path

import numpy as np

from pliant.errors import PliantError, ProgramError
from pliant.feed.store_known import SteadyBead, store_known
from pliant.job.job import Job
from pliant.kernels.words import find_commands
from pliant.language.edit import set_word
from pliant.language.line import read_line
from pliant.program.carried import ADVANCE_WORDS
from pliant.program.shaped import shaped_already
from pliant.program.write import Edits
from pliant.records.mending import Change
from pliant.records.program import BEAD, Program
from pliant.say import number

__all__ = ["compensation_off", "require_shapeable", "require_store", "require_unshaped", "store_doubt"]

_IN_WORDS = re.compile(rb"^[ \t]*[A-Z_]*ADVANCE[A-Z_]*[ \t=]", re.I | re.M)
_KNOWN = 2.5  # [-] between the ends of its 90 % range, of a store that is known: our choice
_MOST_STORED = 0.5  # [-] of the way from the drive to the melt: a store beyond it cannot be


def require_unshaped(program: Program) -> None:
    """Refuse a program whose feed is shaped already: what is done to it would undo that, or do it twice.

    Parameters
    ----------
    program : Program
        The moves.

    Raises
    ------
    ProgramError
        One line with the way out.
    """
    if (line := shaped_already(program)) > 0:
        raise ProgramError(
            f"{program.path} line {line}: the feed is shaped already, it changes along straight beads; mend the "
            "program as it was before that"
        )


def require_shapeable(program: Program) -> None:
    """Refuse a program whose feed cannot be shaped.

    Parameters
    ----------
    program : Program
        The moves; its file is read for words of compensation.

    Raises
    ------
    ProgramError
        One line that says what, where and the way out.
    """
    bead = np.flatnonzero(program.kind == BEAD)
    states = program.states[program.state[bead]]
    for wrong, what in (
        (~states["absolute"], "places are written relative to the place before (G91), so that no bead can be cut; have "
                              "it written in absolute places (G90)"),
        (states["filament_area_mm2"] > 0, "filament is written as a volume (M200); have it written as a length"),
    ):  # fmt: skip
        if wrong.any():
            line = program.line[bead[int(np.argmax(wrong))]]
            raise ProgramError(f"{program.path} line {line}: {what}; nothing was shaped")
    data = Path(program.path).read_bytes()
    if found := _IN_WORDS.search(data):
        line = data.count(b"\n", 0, found.start()) + 1
        raise ProgramError(
            f"{program.path} line {line}: sets the controller's own compensation in words that cannot be turned off "
            "here; take the line out, and set it to 0 in the controller"
        )


def require_store(job: Job) -> None:
    """Refuse records that store what no path can.

    Parameters
    ----------
    job : Job
        At the speeds that it will have.

    Raises
    ------
    PliantError
        One line with the way out.
    """
    program = job.program
    bead = np.flatnonzero(program.kind == BEAD)
    path = sum(span.length_mm.value for span in job.machine.path) + job.machine.break_mm.value
    area = job.filament.section_mm2
    flow = program.filament_mm[bead] * area / np.maximum(program.length_mm[bead], 1e-9) * program.speed_mm_per_s[bead]
    stored = float(np.quantile(job.store.stored_mm3(flow, job.squeeze[bead]), 0.99)) / area
    if not 0 <= stored <= _MOST_STORED * path:
        raise PliantError(
            f"the records store {stored:.3g} mm of filament in a path of {path:.3g} mm at this flow; more than half of "
            "it no path does. Print a stop-start piece and learn from it, or slow the program first"
        )


def compensation_off(program: Program, edits: Edits) -> tuple[list[Change], str]:
    """Set the controller's own compensation to 0 wherever the program sets it, in place in `edits.words`.

    Parameters
    ----------
    program : Program
        The moves; its file is read for the lines.
    edits : Edits
        Changed in place.

    Returns
    -------
    list of Change; what is assumed, empty where nothing is.
    """
    data = Path(program.path).read_bytes()
    raw = np.frombuffer(data, dtype=np.uint8)
    changes, told = [], False
    for (letter, code), word in ADVANCE_WORDS.items():
        for line, begin, end in find_commands(raw, ord(letter), code, code).tolist():
            text = data[begin:end]
            said = read_line(text)
            value = said.last(word)
            if said.command != (letter, code) or value is None or value.value is None:
                continue
            told = True
            if value.value != 0:
                edits.words[line] = set_word(text, word, 0.0, 4)
                why = "the feed is shaped by the program; the controller must not do it again"
                was, now = f"{letter}{code} {word}{value.value:g}", f"{letter}{code} {word}0"
                changes.append(Change(line, "shape", "the controller's own compensation", was, now, why))
    return (
        changes,
        "" if told else "it is assumed that the controller's own compensation is off; the program does not say",
    )


def store_doubt(job: Job) -> str:
    """What is not known of the store that a job is shaped with; empty where it is known well enough."""
    program, sections = job.program, job.laying.sections
    bead = np.flatnonzero((program.kind == BEAD) & (sections.width_mm > 0))
    area = job.filament.section_mm2
    flow = float(np.median(program.filament_mm[bead] * area / program.length_mm[bead] * program.speed_mm_per_s[bead]))
    celsius = float(job.course.nozzle_c[np.bincount(job.course.heat[bead]).argmax()])
    width, gap = (float(np.median(of[bead])) for of in (sections.width_mm, sections.gap_mm))
    middle, low, high = store_known(job.machine, job.filament, SteadyBead(flow, celsius, width, gap)).stored_mm3
    if high < _KNOWN * low:
        return ""
    low, middle, high = (value / area for value in (low, middle, high))
    return (
        f"planned for {number(middle)} mm of stored filament, and by the records it is anything from {number(low)} to "
        f"{number(high)}: print a stop-start piece and learn from it first, or starts and stops may get worse"
    )
