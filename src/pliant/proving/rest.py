"""The obligation on rest: no spot is covered much sooner than in the input after the bead below it was laid."""

from pliant.job.laying import Laying
from pliant.program.rest import REST_S, least_rest_s
from pliant.proving.case import Case, refute
from pliant.say import quantity

__all__ = ["rest_kept"]

_ALIKE = 0.98  # [-] plans of the same moves differ by their lead-ins


def rest_kept(case: Case) -> str:
    """Of all spots that are covered later, 99 in 100 rest as long as in the input, or 10 s."""
    if not case.pairs.permuted.any():
        return "runs in the order of the input"
    mine, theirs = (least_rest_s(p, Laying(p, case.diameter_mm).timing.move_s) for p in (case.p, case.q))
    if mine is None or theirs is None:
        return "nothing is laid on anything"
    wanted = min(mine, REST_S)
    said = f"99 in 100 spots rest {quantity(theirs, 's')} or more before they are covered"
    refute("" if theirs >= _ALIKE * wanted else f"only {said}; {quantity(wanted, 's')} are asked for")
    return f"{said}, {quantity(mine, 's')} in the input"
