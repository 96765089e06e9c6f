"""A simulated year of one workshop: forty jobs, a hidden truth, and what four ways to choose a speed cost.

    python benchmarks/year.py --first 0 --count 100

The truth is one draw of what the starter records leave open; every print has its own levelling, scatter and wander. A
jam is noticed up to ten minutes late and written down by its minute; one record of the year is wrong. The policies:

- flat 15 mm/s, half of it after a jam, and so on down to a tenth of the program's speed;
- the speed of the 2 % target, half of it after a jam;
- ours without the book: the best order of tries, for every job as if it were the first;
- ours with the book: chosen anew after every print, with what all prints of the year say.

When no try is left the machine gets another part (its hours count), and the job is taken as done. Nobody prints a
ladder or a proving run here, so both of ours are the plainest of what `check` would say.
"""

import argparse
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from pliant.feed.by_layer import held_by_row
from pliant.feed.draws import Draws, tail_draws
from pliant.feed.passage import ONE
from pliant.feed.risk import AIM, BED_ERROR_MM, SLOWEST, log_least, part_margins
from pliant.feed.tries import Tries, bare_tries, best_order
from pliant.feed.witness import Seen, least_by_part, log_chance_at
from pliant.job.job import Job, job_of
from pliant.job.kept import KeptCourse, kept_course, seen_from
from pliant.job.slowed import at_share, minutes_of, read_off
from pliant.job.tonight import _log_margin, _lost_min, _moments
from pliant.program.read import read_program
from pliant.records.filament import read_filament
from pliant.records.machine import read_machine
from pliant.records.program import BEAD
from pliant.records.starters import starter
from pliant.workflows.workshop import files

POLICIES = ("flat 15 mm/s", "2 % target", "ours without the book", "ours with it")
_NODE = np.geomspace(SLOWEST, 1.0, 6)
_SHARE = np.geomspace(SLOWEST, 1.0, 16)[::-1]
_BEDS = 24  # levellings that a truth is worked out at
_DRAWS, _SEED = 3000, 4242
_TIMED = (1.0, 0.35, SLOWEST)


@dataclass(frozen=True, eq=False)
class Work:
    """A program at all shares of its speed: what the draws expect of it."""

    job: Job
    kept: KeptCourse
    time_min: np.ndarray  # (k,)
    tries: Tries
    chance: np.ndarray  # (k,) by the records alone
    first: np.ndarray  # (n, 3, k) log margins, for evidence
    rest: np.ndarray  # (n, k)


def work_of(job: Job, draws: Draws) -> Work:
    """Work a program out once, for every year."""
    machine = job.machine
    margin = read_off(_NODE, np.column_stack([_log_margin(job, draws, s) for s in _NODE]), _SHARE)
    timed = [minutes_of(at_share(job, s)) for s in _TIMED]
    time_min = np.interp(1 / _SHARE, [1 / s for s in _TIMED], timed)
    lost = _lost_min(job.passage, _moments(job), margin, time_min, machine.tries.looks_in_every_min)
    end = machine.tries.hardware_min + float(time_min[0])
    chance = job.passage.chance(margin)
    tries = bare_tries(draws.weight, chance, time_min, lost, machine.tries.restart_min, end)
    parts = [least_by_part(job.envelope, machine, draws.theta, s) for s in _NODE]
    n = draws.weight.size
    first = np.stack([p[0].reshape(-1) for p in parts], axis=1)
    first = read_off(_NODE, first, _SHARE).reshape(n, 3, _SHARE.size)
    rest = read_off(_NODE, np.stack([p[1] for p in parts], axis=1), _SHARE)
    return Work(job, kept_course(job), time_min, tries, draws.mean(chance), first, rest)


def shop(programs: int = 4, shore: str = "85A", draws: int = _DRAWS) -> tuple[list[Work], list[Work], Draws]:
    """The jobs of a workshop, the same held to 15 mm/s, and the draws that plan."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "m.toml").write_text(starter("machine", "open-gap"))
        (folder / "f.toml").write_text(starter("filament", shore))
        machine, filament = read_machine(folder / "m.toml"), read_filament(folder / "f.toml")
        drawn = tail_draws(machine, filament, draws, _SEED)
        texts = sorted((t for t in files() if t[0].endswith(".gcode")), key=lambda t: len(t[1]))[:programs]
        jobs = []
        for file, text in texts:
            (folder / file).write_text(text)
            jobs.append(job_of(read_program(folder / file), machine, filament))
        flat = []
        for job in jobs:
            p = job.program
            flat.append(job.at(np.where(p.kind == BEAD, np.minimum(p.speed_mm_per_s, 15.0), p.speed_mm_per_s)))
        return [work_of(j, drawn) for j in jobs], [work_of(j, drawn) for j in flat], drawn


class Truth:
    """One machine with one spool as they really are."""

    def __init__(self, works: list[Work], seed: int) -> None:
        first = works[0].job
        draws = tail_draws(first.machine, first.filament, 2, 90_000 + seed)
        theta = {name: values[:1] for name, values in draws.theta.items()}  # the first of two is plain
        beds = BED_ERROR_MM * np.random.default_rng(seed).standard_normal((1, _BEDS))
        self.margins = {}
        for work in works:
            nodes = [_least(work.job, theta, beds, s) for s in _NODE]
            both = (np.stack([n[i].reshape(-1) for n in nodes], axis=1) for i in (0, 1))
            self.margins[id(work)] = [read_off(_NODE, m, _SHARE) for m in both]

    def print_it(self, work: Work, k: int, rng: np.random.Generator) -> float | None:
        """Share of the job at which it jams; None where it feeds."""
        first, rest = (m[:, k] for m in self.margins[id(work)])
        evening = ONE.shared * rng.standard_normal()
        bed = rng.integers(_BEDS)
        held = _held_at(work.kept.first, first[bed] + evening) * _held_at(work.kept.rest, rest[0] + evening)
        gone = np.flatnonzero(held < rng.random())
        return None if not gone.size else float((gone[0] + rng.random()) / held.size)


def _least(job, theta, beds, share):
    found, _ = part_margins(job.envelope, job.machine, theta, beds, share)
    never = np.full(beds.size, np.log(1e6))
    first = np.broadcast_to(log_least(found[True]), beds.size) if True in found else never
    return first, log_least(found[False])[:1] if False in found else never[:1]


def _held_at(part, margin):
    from pliant.feed.by_layer import SHIFT

    table = held_by_row(part)
    place = int(np.clip(np.rint((margin - SHIFT[0]) / (SHIFT[1] - SHIFT[0])), 0, SHIFT.size - 1))
    return table[:, place]


class Policy:
    """How a workshop chooses; `book` is what it has learned."""

    def __init__(self, name: str, draws: Draws) -> None:
        self.name, self.log_weight, self.base = name, np.zeros(draws.weight.size), draws.weight
        self.orders: dict[int, tuple[int, ...]] = {}

    def choose(self, work: Work, tried: list[int]) -> int | None:
        """Place of the next speed; None: no more tries."""
        if self.name == POLICIES[3]:
            weight = self.base * np.exp(self.log_weight - self.log_weight.max())
            order = best_order(Tries(weight, work.tries.cost_min, work.tries.goes_on, work.tries.end_min)).places
            slower = [k for k in order if not tried or k > tried[-1]]
            return slower[0] if slower and len(tried) < 8 else None
        if self.name == POLICIES[2]:
            if id(work) not in self.orders:
                self.orders[id(work)] = best_order(work.tries).places
            order = self.orders[id(work)]
            return order[len(tried)] if len(tried) < len(order) else None
        if not tried:
            if self.name == POLICIES[0]:
                return 0
            good = np.flatnonzero(work.chance <= 0.02 * AIM)
            return int(good[0]) if good.size else _SHARE.size - 1
        if tried[-1] == _SHARE.size - 1:
            return None
        return int(np.searchsorted(-_SHARE, -_SHARE[tried[-1]] / 2).clip(0, _SHARE.size - 1))

    def record(self, work: Work, k: int, outcome: str, share: float | None) -> None:
        """Write a print into the book."""
        if self.name == POLICIES[3] and (seen := self._seen(work, k, outcome, share)) is not None:
            self.log_weight = self.log_weight + log_chance_at(seen, work.first[:, :, k], work.rest[:, k])

    def _seen(self, work: Work, k: int, outcome: str, share: float | None) -> Seen | None:
        late_s = work.job.machine.tries.looks_in_every_min * 60 * work.kept.time_s / (60 * work.time_min[k])
        at = None if share is None else share * work.kept.time_s
        return seen_from(work.kept, outcome, at, late_s=late_s)


def year(works: list[Work], flats: list[Work], draws: Draws, seed: int, jobs: int = 40) -> dict[str, tuple[float, int]]:
    """Hours and jams inside parts of each policy, with the same truth and the same chances of the days."""
    truth = Truth([*works, *flats], seed)
    order = np.random.default_rng([seed, 1]).integers(len(works), size=jobs)
    wrong = int(np.random.default_rng([seed, 2]).integers(jobs))
    found = {}
    for name in POLICIES:
        policy, minutes, jams = Policy(name, draws), 0.0, 0
        for j, which in enumerate(order):
            work = (flats if name == POLICIES[0] else works)[which]
            cost, tried = work.job.machine.tries, []
            while True:
                k = policy.choose(work, tried)
                if k is None:
                    minutes += work.tries.end_min
                    break
                rng = np.random.default_rng([seed, 3, j, len(tried)])
                at, total = truth.print_it(work, k, rng), float(work.time_min[k])
                late = rng.random() * cost.looks_in_every_min
                tried.append(k)
                if at is None:
                    minutes += total
                    policy.record(work, k, *(("jammed", rng.random()) if j == wrong else ("ok", None)))
                    break
                noticed = min(at * total + late, total)
                minutes += noticed + cost.restart_min
                jams += 1
                policy.record(work, k, *(("ok", None) if j == wrong else ("jammed", noticed / total)))
        found[name] = minutes / 60, jams
    return found


def main() -> None:
    """Print the table of docs/tonight.md."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--count", type=int, default=100)
    asked = parser.parse_args()
    print("| | spool | hours | of the middle workshop | jams inside parts | jams in 100 jobs |")
    print("| --- | --- | --- | --- | --- | --- |")
    for shore in ("85A", "95A"):
        works, flats, draws = shop(shore=shore)
        rows = [year(works, flats, draws, seed) for seed in range(asked.first, asked.first + asked.count)]
        for name in POLICIES:
            hours, jams = (np.array([r[name][i] for r in rows]) for i in (0, 1))
            print(
                f"| {name} | {shore} | {hours.mean():.0f} ± {hours.std() / np.sqrt(hours.size):.0f} | "
                f"{np.median(hours):.0f} | {jams.mean():.1f} | {2.5 * jams.mean():.0f} |", flush=True,
            )  # fmt: skip


if __name__ == "__main__":
    main()
