"""The certificate: that a mended program deposits the same part.

Both files are read again from disk, with the reader alone; nothing of the passes that mended is used. Beads are paired
by geometry (`program.pairing`), then every obligation looks at the pairs, at what lies in the gaps between them, or at
the lines that move nothing (`program.alongside`, `program.carried`). Start at `certify`; one function an
obligation, those on beads in `beads`, those between them in `gaps`.
"""

import re
from collections.abc import Callable
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pliant.checks import require_positive
from pliant.errors import ProgramError
from pliant.program.alongside import PLACE_MM
from pliant.program.carried import carried_lines
from pliant.program.dialects import BEHAVIOURS
from pliant.program.numbering import numbers_follow
from pliant.program.read import read_program
from pliant.proving.beads import beads_found, order_kept, speed_kept, states_kept, volume_kept
from pliant.proving.case import Case, Refuted, refute
from pliant.proving.gaps import debt_settled, push_kept, space_kept
from pliant.proving.pad import proof_apart
from pliant.proving.rest import rest_kept
from pliant.proving.shape import drive_kept, runs_settled, shaped_gaps, shaped_volume, store_kept
from pliant.records.mending import Certificate, Intent, Obligation
from pliant.records.program import Program

__all__ = [
    "BEADS", "DEBT", "DRIVE", "END", "LINES", "ORDER", "PROOF", "PUSH", "READING", "REST", "SPACE", "SPEED", "STATES",
    "STORE", "VOLUME", "certify",
]  # fmt: skip

READING = "read back without a new question"
BEADS = "the same beads in the same layers"
VOLUME = "the filament of every bead"
ORDER = "the order of the beads"
REST = "every spot rests before it is covered"
STATES = "temperatures, fans and limits at every bead"
SPEED = "no bead and no travel faster"
DEBT = "every retraction has its recover, none longer or faster"
PUSH = "nothing pushed forward between beads"
SPACE = "nothing outside the input's space or below its travel"
LINES = "every other line kept, in its order and place"
END = "the same place and modes at the end"
PROOF = "the proof lies apart, and asks no more than stated"
STORE = "no less than nothing stored, no more than the flow stores"
DRIVE = "the drive within its limits, new pieces long enough"


Bools = NDArray[np.bool_]


def certify(
    original: str | Path,
    mended: str | Path,
    intent: Intent,
    *,
    dialect: str = "auto",
    diameter_mm: float = 1.75,
    build_mm: tuple[float, float, float] | None = None,
    reach_mm: tuple[tuple[float, ...], tuple[float, ...]] | None = None,
) -> Certificate:
    """Prove, obligation by obligation, that a mended program deposits the same part as its input.

    Parameters
    ----------
    original, mended : str or Path
        The files; both are read again from disk.
    intent : Intent
        What the passes were allowed to do.
    dialect : str, default "auto"
        How both files are read. With `auto`, all is proved again for every behaviour that reads the mended file
        otherwise.
    diameter_mm : float, default 1.75
        Filament diameter, for the width of beads that must not touch. [mm]
    build_mm : tuple of 3 floats, optional
        Build volume from the origin, checked beside the space that the input uses. [mm]
    reach_mm : tuple of two corners, optional
        Where a proof beside the part may be laid; else the space that the input uses. [mm]

    Returns
    -------
    Certificate
        Every obligation with its figure; `certified` only if all hold.

    Raises
    ------
    ProgramError
        If the original cannot be read. A mended file that cannot be read is a failed obligation.

    Notes
    -----
    Where the intent states a proof beside the part it is taken out first, by geometry, and held to obligations of its
    own; the rest is proved as if it were not there.

    Positions agree within 0.002 mm; filament of each stretch within 2e-5 mm plus 0.002 mm of its length, and of each
    run and the whole within 6e-6 mm per word. A smaller difference is not seen. With `first_layer_may_widen` the first
    layer may lie higher by one lift and all other layers by one lift, both from 0 to `height_mm`; its filament is then
    the input's times `first_layer_factor`.
    """
    require_positive(diameter_mm=diameter_mm)
    first = read_program(original, dialect)
    try:
        second = read_program(mended, dialect)
    except ProgramError as error:
        unproved = "not proved: the mended file cannot be read"
        return Certificate(
            tuple(Obligation(o, False, str(error) if o == READING else unproved) for o in _obligations(intent))
        )
    case = Case(first, second, intent, diameter_mm, build_mm, reach_mm)
    certificate = Certificate(tuple(_prove(case)))
    return _proved_otherwise(case, certificate) if certificate.certified else certificate


def _prove(case: "Case") -> list[Obligation]:
    found = []
    for name, demand in _obligations(case.intent).items():
        try:
            figure = demand(case)
            refute(_unproved(case, name))
            found.append(Obligation(name, True, figure))
        except Refuted as why:
            found.append(Obligation(name, False, str(why)))
    return found


def _unproved(case: Case, name: str) -> str:
    """Why an obligation cannot be proved although nothing speaks against it."""
    if case.pairs.lost_way < 0 or name in (READING, BEADS, REST, PROOF):
        return ""
    if name in (VOLUME, STATES) and not case.lost_beads.size and not case.added.size:
        return ""  # every bead was found again, if not in its order
    return f"not proved past line {case.p.line[case.pairs.lost_way]} of the input, where the beads part"


def _reading(case: Case) -> str:
    def kinds(program: Program) -> set[str]:
        said = [*program.questions, *program.warnings]
        return {re.sub(r"[0-9][0-9,.]*", "#", text.split(" (line ", 1)[0]) for text in said}

    new = {text for text in kinds(case.q) - kinds(case.p) if not text.startswith(tuple(BEHAVIOURS))}
    if case.factor != 1.0:  # whether a flow factor scales a retraction is the controller's choice; both are allowed
        new = {text for text in new if not text.startswith("M#/M#")}
    if new:
        raise Refuted(f"new: {min(new)}")
    if numbers_follow(case.p.path) and not numbers_follow(case.q.path):
        raise Refuted("line numbers of the mended file do not follow one another, those of the input do")
    stand = f"; {len(case.p.questions)} questions of the input stand" if case.p.questions else ""
    return f"{case.q.n_lines:,} lines of the mended file, checksums right, no new question{stand}"


def _proved_otherwise(case: Case, certificate: Certificate) -> Certificate:
    """Prove again for every behaviour that reads the mended file otherwise; the outcome is part of the reading."""
    others = [name for name in BEHAVIOURS if any(text.startswith(name) for text in case.q.questions)]
    wrong = next((text for name in others if (text := _read_otherwise(case, name))), "")
    if not others:
        return certificate
    reading, *rest = certificate.obligations
    figure = wrong or f"{reading.figure}; proved as well as {' and '.join(others)} would read both files"
    return Certificate((Obligation(reading.obligation, not wrong, figure), *rest))


def _read_otherwise(case: Case, dialect: str) -> str:
    """What fails where a controller of another behaviour reads both files; empty if it refuses the input anyway."""
    try:
        first = read_program(case.p.path, dialect)
    except ProgramError:
        return ""
    try:
        second = read_program(case.q.path, dialect)
    except ProgramError as error:
        return f"{dialect} would refuse the mended file, not the input: {error}"
    broken = [o for o in _prove(_same_case(case, first, second)) if not o.holds]
    return f"as {dialect} reads both, {broken[0].obligation} fails: {broken[0].figure}" if broken else ""


def _same_case(case: Case, first: Program, second: Program) -> Case:
    return Case(first, second, case.intent, case.diameter_mm, case.build_mm, case.reach_mm)


def _obligations(intent: Intent) -> dict[str, Callable[[Case], str]]:
    """Every obligation; that on the proof only where one is stated."""
    beside = {PROOF: proof_apart} if intent.proof_mm > 0 else {}
    return _OBLIGATIONS | (_SHAPED if intent.shaping is not None else {}) | beside


def _lines(case: Case) -> str:
    wrong, figure = carried_lines(case)
    refute(wrong)
    unknown = len(case.p.unknown_lines)
    return figure + (f"; {unknown} of them of unknown content, as they were and where they were" if unknown else "")


def _end(case: Case) -> str:
    p, q = case.p, case.q
    off = q.point_mm[-1] - p.point_mm[-1]
    rise = float(np.clip(off[2], 0.0, np.max(case.lift_mm)))  # where it parks may rise with the part or not
    off[2] -= rise
    away = float(np.linalg.norm(off))
    if away > PLACE_MM:
        raise Refuted(f"ends {away:.3f} mm away from where the input ends")
    s, t = p.states[p.state[-1]], q.states[q.state[-1]]
    for name, what in (
        ("absolute", "G90/G91"), ("e_absolute", "M82/M83"), ("unit", "G20/G21"), ("filament_area_mm2", "M200"),
    ):  # fmt: skip
        if s[name] != t[name]:
            raise Refuted(f"ends with another mode of {what}")
    if np.abs(s["offset_mm"] - t["offset_mm"]).max() > PLACE_MM:
        raise Refuted("ends with another offset of G92")
    x, y, z = q.point_mm[-1]
    higher = f", {rise:.3f} mm higher with the part," if rise > PLACE_MM else ""
    return f"ends at X{x:.3f} Y{y:.3f} Z{z:.3f}{higher} in the modes of the input"


_OBLIGATIONS: dict[str, Callable[[Case], str]] = {
    READING: _reading, BEADS: beads_found, VOLUME: volume_kept, ORDER: order_kept, REST: rest_kept, STATES: states_kept,
    SPEED: speed_kept, DEBT: debt_settled, PUSH: push_kept, SPACE: space_kept, LINES: _lines, END: _end,
}  # fmt: skip
# where the feed was shaped: volume by run instead of by bead, draw-backs that the store allows instead of the input's
_SHAPED: dict[str, Callable[[Case], str]] = {
    VOLUME: shaped_volume, DEBT: runs_settled, PUSH: shaped_gaps, STORE: store_kept, DRIVE: drive_kept,
}  # fmt: skip
