"""`next`: the coupon that should tell the user most about their own program."""

import math
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from pliant.coupons.free_run import free_run_steps
from pliant.coupons.gap_steps import gap_step_settings
from pliant.coupons.ladder import ladder_steps, thin_gap_mm
from pliant.coupons.stop_start import stop_start_steps
from pliant.coupons.temperature_ladder import temperature_steps
from pliant.coupons.threads import thread_steps
from pliant.coupons.writer import bead_of
from pliant.errors import PliantError
from pliant.feed.envelope import Envelope
from pliant.feed.passage import ONE
from pliant.feed.risk import BED_ERROR_MM, log_least, log_margins
from pliant.feed.steps import failing_flow_mm3_per_s, step_log_margins
from pliant.files import Source
from pliant.learning.likelihood import Space
from pliant.learning.next_coupon import expected_shrinkage, template
from pliant.records.coupon import Readings
from pliant.records.filament import Filament, read_filament
from pliant.records.learned import Candidate, NextCoupon
from pliant.records.limits import allowed_c
from pliant.records.machine import Machine, read_machine
from pliant.workflows.learn import envelope_of

__all__ = ["answer_at", "candidate", "candidates_for", "chosen", "least_log_margin", "next_coupon"]

_DRAWS = 1500


def candidates_for(machine: Machine, filament: Filament, nozzle_c: float | None = None) -> dict[str, Readings]:
    """Templates of every coupon that this feed path allows, by label; ladders also at other temperatures.

    These are both ends of the data sheet and `nozzle_c`, the job's own. [degC]
    """
    found: dict[str, Readings] = {}
    for label, piece in _pieces(machine, filament, nozzle_c).items():
        try:
            found[label] = template(piece.kind, piece.make())
        except PliantError:
            continue
    return found


def candidate(machine: Machine, filament: Filament, label: str) -> Readings:
    """The template of one coupon; an error where this feed path does not allow it."""
    piece = _pieces(machine, filament)[label]
    return template(piece.kind, piece.make())


class _Piece(NamedTuple):
    kind: str
    make: Callable[[], Any]
    nozzle_c: float | None = None  # where it is not the piece's own [degC]
    gap_mm: float | None = None  # likewise [mm]


def _pieces(machine: Machine, filament: Filament, nozzle_c: float | None = None) -> dict[str, _Piece]:
    def at(celsius: float) -> _Piece:
        return _Piece("ladder", lambda: ladder_steps(machine, filament, celsius), celsius)

    low, high = filament.nozzle_c
    own = _at_job(filament, nozzle_c)
    return {
        "ladder": _Piece("ladder", lambda: ladder_steps(machine, filament)),
        **({} if nozzle_c is None or own == "ladder" else {own: at(nozzle_c)}),
        _ladder_at(low): at(low),
        _ladder_at(high): at(high),
        "thin ladder": _Piece(
            "ladder", lambda: ladder_steps(machine, filament, gap_mm=thin_gap_mm(machine)), None, thin_gap_mm(machine)
        ),
        "temperature-ladder": _Piece("temperature-ladder", lambda: temperature_steps(machine, filament)),
        "gap-steps": _Piece("gap-steps", lambda: gap_step_settings(machine, filament)),
        "free-run": _Piece("free-run", lambda: free_run_steps(machine, filament)),
        "stop-start": _Piece("stop-start", lambda: stop_start_steps(machine, filament)),
        "threads": _Piece("threads", lambda: thread_steps(machine, filament)),
    }


def job_c(nozzle_c: float, machine: Machine, filament: Filament) -> float | None:
    """The job's own heat; None where no piece may be printed at it, by the sheet or the liner. [degC]"""
    low, high = allowed_c(machine, filament)
    return nozzle_c if low <= nozzle_c <= high else None


def _at_job(filament: Filament, nozzle_c: float | None) -> str:
    """Label of the ladder at the job's temperature; its own is the middle of the data sheet."""
    if nozzle_c is None or abs(nozzle_c - filament.reference_c) < 1:
        return "ladder"
    return _ladder_at(nozzle_c)


def _ladder_at(nozzle_c: float) -> str:
    return f"ladder at {nozzle_c:g} °C"


def answer_at(
    flows: Envelope | None, machine: Machine, filament: Filament, theta: dict[str, Any], bed_mm: NDArray[np.float64]
) -> NDArray[np.float64]:
    """The user's own answer at samples of the unknowns: the chance that their program jams, `(n,)`.

    Without a program: the chance that the median limit of the coupons' bead is too much.
    """
    least = least_log_margin(flows, machine, filament, theta, bed_mm)
    return (ONE if flows is None else flows.passage).chance(least)


def least_log_margin(
    flows: Envelope | None, machine: Machine, filament: Filament, theta: dict[str, Any], bed_mm: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Logarithm of the least margin over the program, or of that bead; as `answer_at`, `(n,)`."""
    if flows is not None:
        by_name, _ = log_margins(flows, machine, theta, bed_mm, 1.0)
        return log_least(by_name)
    width, height = bead_of(machine)
    nozzle_c = filament.reference_c
    limit = failing_flow_mm3_per_s(machine, filament, nozzle_c=nozzle_c, width_mm=width, gap_mm=height)
    least, _, _ = step_log_margins(
        machine, theta, flow_mm3_per_s=np.array([np.median(limit)]), nozzle_c=nozzle_c, width_mm=width, gap_mm=height
    )
    return least[:, 0]


def next_coupon(
    machine: Source,
    filament: Source,
    *,
    program: str | Path | None = None,
    seed: int = 7,
    progress: Callable[[float], None] | None = None,
) -> NextCoupon:
    """Rank the coupons by what they should tell.

    Parameters
    ----------
    machine, filament : str or Path
        The records as they are now; learned ones carry what was learned.
    program : str or Path, optional
        The program whose chance of a jam is the answer wanted; a bead at the median limit when left out.
    seed : int, default 7
        Of the draws.
    progress : callable, optional
        Called with the share of the work done, 0 to 1. [-]

    Returns
    -------
    NextCoupon
    """
    own_machine, own_filament = read_machine(machine), read_filament(filament)
    flows = envelope_of(program, own_machine, own_filament) if program is not None else None
    nozzle_c = None if flows is None else job_c(float(np.median(flows.nozzle_c)), own_machine, own_filament)
    templates = candidates_for(own_machine, own_filament, nozzle_c)
    if not templates:
        raise PliantError("no coupon tells anything on this machine: its axes never come near the feed path's limit")
    space = Space(own_machine, own_filament, list(templates.values()))
    rng = np.random.default_rng(seed)
    x = rng.standard_normal((_DRAWS, space.size))
    theta, _ = space.values(x)
    bed = BED_ERROR_MM * rng.standard_normal((_DRAWS, 1))  # the job's own: no piece tells anything of it
    answer = answer_at(flows, own_machine, own_filament, theta, bed)
    told = expected_shrinkage(space, x, answer, templates, seed=seed, progress=progress)
    pieces = _pieces(own_machine, own_filament, nozzle_c)
    ranked = [
        Candidate(pieces[k].kind, k, gone, error, pieces[k].nozzle_c, pieces[k].gap_mm)
        for k, (gone, error) in told.items()
    ]
    ranked, alike = chosen(ranked, _at_job(own_filament, nozzle_c))
    what = f"chance of a jam of {Path(program).name}" if program is not None else "the flow this feed path can carry"
    return NextCoupon(what, float(answer.std()), tuple(ranked), alike, nozzle_c)


def chosen(ranked: Sequence[Candidate], at_job: str) -> tuple[list[Candidate], tuple[str, ...]]:
    """The piece to print first, then the others, best first; and the labels that cannot be told from the best.

    Where pieces differ by less than the error of their difference, the one at the job's own temperature is taken if it
    is among them: what it tells needs no carrying over to another heat.
    """
    best, *rest = sorted(ranked, key=lambda c: -c.shrinkage)
    tied = [c for c in rest if best.shrinkage - c.shrinkage < math.hypot(best.error, c.error)]
    first = next((c for c in (best, *tied) if c.label == at_job), best)
    others = [c for c in (best, *rest) if c is not first]
    return [first, *others], tuple(c.label for c in (best, *tied) if c is not first)
