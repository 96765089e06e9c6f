"""What a program comes to with any spool of a machine, in some thirty milliseconds a spool.

What hangs on the program alone, and on it and the axes of the machine, is worked out once: layers, times at falling
speeds, the envelope of flow, how the margin runs along the job (with the first spool of a thickness: it is the shape
that is taken, not the height). A spool is then a thousand draws over the envelope. Draws of one pair are shared by all
its jobs, so that their answers can be compared and summed. What is left out beside `check`: drawings, remedies, fresh
draws for the statement, and in which layer it jams (a jam is taken to cost half of the try).
"""

from functools import lru_cache

import numpy as np

from pliant.arrays import Floats
from pliant.errors import ProgramError, RecordError
from pliant.feed import chain
from pliant.feed.draws import Draws, tail_draws
from pliant.feed.risk import BED_ERROR_MM, SLOWEST, log_least, log_margins, verdict_of
from pliant.feed.tries import bare_tries, best_order
from pliant.job.job import Job, job_of
from pliant.job.slowed import minutes_at, read_off
from pliant.job.trouble import reach_warnings
from pliant.records.filament import Filament
from pliant.records.limits import require_fit
from pliant.records.machine import Machine
from pliant.records.many import Combination
from pliant.records.program import Program
from pliant.sampling import weighted_median

__all__ = ["Outlook"]

_DRAWS, _SEED = 1000, 7
_NODES = np.geomspace(SLOWEST, 1.0, 5)  # shares of the speed at which margins are computed
_SHARES = np.geomspace(SLOWEST, 1.0, 12)[::-1]  # those that are tried, fastest first
_WIDTH_OF_NOZZLE = (0.8, 2.0)  # [-] bead over orifice; common practice, no source
_TIMED = (1.0, 0.5, 0.25, SLOWEST)  # between them time is linear in 1/share


@lru_cache(maxsize=512)
def _draws(machine: Machine, filament: Filament) -> Draws:
    return tail_draws(machine, filament, _DRAWS, _SEED)


def _require_nozzle(job: Job) -> None:
    """Refuse beads that this nozzle does not lay: half of the length must be within what is usual for it."""
    c, nozzle = job.course, job.machine.nozzle_mm.value
    is_flat = np.isfinite(c.gap_mm) & (c.filament_mm > 0) & (c.length_mm > 0)
    rest = is_flat & ~c.first_layer  # a first layer is often laid wider
    flat = np.flatnonzero(rest if rest.any() else is_flat)
    if not flat.size:
        return
    usual = weighted_median(c.width_mm[flat], c.length_mm[flat])
    low, high = (share * nozzle for share in _WIDTH_OF_NOZZLE)
    if not low <= usual <= high:
        raise ProgramError(
            f"its beads are {usual:.2g} mm wide, and the nozzle of {nozzle:g} mm lays {low:.2g} to {high:.2g}; prepare "
            "the part for this nozzle"
        )


class Outlook:
    """A program on a machine.

    Parameters
    ----------
    program : Program
        As read.
    name : str
        What it is called in what is told.
    machine : Machine
        The record.
    """

    def __init__(self, program: Program, name: str, machine: Machine) -> None:
        self.program, self.name, self.machine = program, name, machine
        self._jobs: dict[tuple[float, float], Job] = {}  # by what of a spool the flow hangs on
        self._time_min: Floats | None = None
        self._beyond = "".join(reach_warnings(program, machine))

    def with_spool(self, filament: Filament) -> Combination:
        """What it comes to with a spool."""
        fed = float(np.clip(np.cumsum(self.program.filament_mm), 0.0, None)[-1]) if self.program.kind.size else 0.0
        try:
            if self._beyond:
                raise ProgramError(self._beyond)
            require_fit(self.machine, filament)
            job = self._job_with(filament)
            _require_nozzle(job)
        except (ProgramError, RecordError) as error:
            return Combination.none(self.name, self.machine.name, filament.name, str(error), fed)
        draws, at = _draws(self.machine, filament), job.envelope
        shift = BED_ERROR_MM * draws.bed
        found = [log_margins(at, self.machine, draws.theta, shift, s)[0] for s in _NODES.tolist()]
        least = np.column_stack([log_least(by_name) for by_name in found])
        written = found[-1]
        order = list(written)
        chance = draws.weight * at.passage.chance(least[:, -1])
        jam, jam_error = min(float(chance.mean()), 1.0), float(chance.std() / np.sqrt(chance.size))
        gives = np.bincount(chain.cause_of(order, np.vstack([written[k] for k in order])), chance, len(order))
        margin = read_off(_NODES, least, _SHARES)
        fails, times, cost = at.passage.chance(margin), self._times_min(job), self.machine.tries
        end_min = cost.hardware_min + float(times[0])
        tries = bare_tries(draws.weight, fails, times, fails * times / 2, cost.restart_min, end_min)
        best = best_order(tries)
        share = float(_SHARES[best.places[0]]) if best.places else None
        return Combination(
            self.name, self.machine.name, filament.name, verdict_of(jam, jam_error), jam, best.expected_min, share,
            order[int(gives.argmax())], fed, "",
        )  # fmt: skip

    def _job_with(self, filament: Filament) -> Job:
        """The job with the first spool that is as thick, and as warm where the program itself sets no heat."""
        p = self.program
        told = np.nan_to_num(p.states["nozzle_c"])[np.unique(p.state[p.filament_mm > 0])]
        warmth = 0.0 if told.size and (told > 0).all() else filament.reference_c
        key = (filament.diameter_mm.value, warmth)
        if key not in self._jobs:
            self._jobs[key] = job_of(p, self.machine, filament)
        return self._jobs[key]

    def _times_min(self, job: Job) -> Floats:
        """Motion time at each share of the speed, of beads and priming alone. [min]"""
        if self._time_min is None:
            self._time_min = minutes_at(job, _SHARES, _TIMED)
        return self._time_min
