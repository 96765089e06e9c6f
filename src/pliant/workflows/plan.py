"""`plan`: from the user's own rigid recipe to a soft one for this machine and spool, each value with its reason."""

from dataclasses import replace
from pathlib import Path

import numpy as np

from pliant.constants import FEEDS_BELOW
from pliant.errors import DomainError
from pliant.feed.remedies import Changed, hardware_changes
from pliant.feed.risk import AIM, Risk
from pliant.feed.warmth import cold_words, unsoftened_share
from pliant.files import Source
from pliant.recipe.around import metering_at, ranged, starts_and_stops
from pliant.recipe.derive import (
    USEFUL_MM_PER_S,
    Point,
    areas_mm2,
    baseline_point,
    first_layer_flow,
    flow_at_heights,
    is_useful,
    least_time,
    risk_of,
    round_down,
    slowest,
)  # fmt: skip
from pliant.recipe.reasons import GIVES, Known, advice, ledger
from pliant.recipe.window import Carry, carry, window_map
from pliant.records.baseline import BEAD_WORDS, KINDS, Baseline, read_baseline, with_widths
from pliant.records.evidence import AfterPrints, WithPractice
from pliant.records.filament import Filament, read_filament
from pliant.records.findings import Levelling
from pliant.records.limits import PTFE_CEILING_C, allowed_c
from pliant.records.machine import Machine, read_machine
from pliant.records.recipe import HeightRow, Helps, Recipe, WindowMap
from pliant.report.words import unknown_in_words
from pliant.say import percent
from pliant.workflows.evidence import with_witnesses
from pliant.workflows.part import told_of_part
from pliant.workflows.plan_tonight import plan_tonight

__all__ = ["BEAD", "plan", "window_of"]

BEAD = "behind_outside"  # the bead of the window map
_FEW = 400  # samples for a change of hardware: a comparison, not a recipe
_HEIGHTS = (0.25, 0.375, 0.5, 0.625, 0.75)  # [-] layer height over nozzle
_SPEEDS, _TEMPERATURES = 40, 15  # of the window map
_WORTH_SAYING = 1.1  # [-] a change that makes the job less than this quicker is not listed


def plan(
    machine: Source | Machine,
    filament: Source | Filament,
    baseline: Source | Baseline,
    *,
    target: float = FEEDS_BELOW,
    mesh: str | Path | None = None,
    book: str | Path | None = None,
    practice: bool = False,
) -> Recipe:
    """Derive a soft recipe.

    Parameters
    ----------
    machine, filament : str, Path or record
        The user's records.
    baseline : str, Path or Baseline
        The user's own rigid recipe; it is only read.
    target : float, default 0.02
        Chance of a jam to stay under. [-]
    mesh : str or Path, optional
        The part, so that what is special about it is said too.
    book : str or Path, optional
        Whose prints of this pair count; it is only read.
    practice : bool, default False
        Whether what practitioners report counts too.

    Returns
    -------
    Recipe
        With `works` false, and what hardware would help, where no speed and temperature meet the target.

    Raises
    ------
    RecordError, DomainError, MeshError
        If one of the inputs cannot be used; the text names file, key and the way out.
    """
    _require_target(target)
    machine, filament, base = _read(machine, filament, baseline, book, practice)
    carried = carry(machine, filament)
    point, rigid = least_time(carried, base, AIM * target), baseline_point(base)
    factor = point.time_s_per_mm3 / rigid.time_s_per_mm3 if point.feeds else None
    works = is_useful(point)
    shown = point if works else slowest(base, machine, filament)
    risk = risk_of(shown, base, machine, filament, stated=True)
    before = risk_of(rigid, base, machine, filament, shares=False, stated=True).probability
    mechanism = max(risk.by_mechanism, key=lambda m: risk.by_mechanism[m], default="none")
    measure = {name: share for name, share in list(risk.shares.items())[:5] if share > 0.02}
    slow = not works or (factor or 1.0) > 1.0 / 0.9
    helps = _helps(machine, filament, base, target, works, factor) if slow else ()
    known = _known(carried, base, point, target, mechanism, risk, measure, helps) if works else None
    return Recipe(
        name=f"{base.name}, soft, for {filament.name} on {machine.name}",
        machine=machine.name,
        filament=filament.name,
        baseline=base.name,
        target=target,
        works=works,
        verdict=_verdict(works, shown, factor, target, risk, mechanism, machine, filament),
        jam_probability=risk.probability,
        jam_probability_error=risk.error,
        baseline_jam_probability=before,
        mechanism=mechanism,
        by_mechanism=risk.by_mechanism,
        time_factor=factor,
        settings=ledger(known) if known else (),
        by_height=_heights(carried, base, point, target) if works else (),
        window=window_of(carried, base, point if works else None),
        helps=helps,
        measure_next=measure,
        levelling=Levelling.of(risk.levelling_share),
        part_advice=(*(told_of_part(mesh, machine, filament) if mesh else ()), *(advice(known) if known else ())),
        assumed=(*base.assumed, *machine.assumed, *filament.assumed),
        notes=(*cold_words(machine, filament, shown.nozzle_c), *_notes(base, machine, point, known, helps)),
        cautions=_cautions(machine, works),
        after_prints=AfterPrints.of(filament.evidence, risk.probability, risk.without, risk.effective),
        tonight=plan_tonight(base, shown, BEAD, machine, filament) if _softens(machine, filament) else None,
        with_practice=WithPractice.of(filament.evidence, risk.probability, risk.without),
    )


def _softens(machine: Machine, filament: Filament) -> bool:
    """Whether any temperature is allowed."""
    low, high = allowed_c(machine, filament)
    return low <= high


def _require_target(target: float) -> None:
    if not 0.001 <= target <= 0.5:
        raise DomainError(
            f"target must lie between 0.001 and 0.5 ({FEEDS_BELOW:g} is one job in fifty), got {target:g}"
        )


def _read(
    machine: Source | Machine, filament: Source | Filament, baseline: Source | Baseline, book: str | Path | None,
    practice: bool,
) -> tuple[Machine, Filament, Baseline]:  # fmt: skip
    """The records: the filament with what prints say of it, the baseline with widths for this nozzle."""
    machine = machine if isinstance(machine, Machine) else read_machine(machine)
    filament = filament if isinstance(filament, Filament) else read_filament(filament)
    if filament.evidence is None:
        filament = with_witnesses(machine, filament, book, practice=practice)
    base = baseline if isinstance(baseline, Baseline) else read_baseline(baseline)
    return machine, filament, with_widths(base, machine)


def window_of(carried: Carry, baseline: Baseline, point: Point | None) -> WindowMap:
    """The window map of a baseline and a recipe, over a grid that shows both."""
    speed = baseline.speed_mm_per_s[BEAD]
    low, high = allowed_c(carried.machine, carried.filament)
    ends = [low, high, baseline.nozzle_c, *([point.nozzle_c] if point else [])]
    bottom, top = max(min(ends) - 5, 120.0), max(ends) + 5
    least = min(point.speed_mm_per_s[BEAD] / 3, speed / 20) if point else speed / 100
    return window_map(
        carried,
        bead=BEAD_WORDS[BEAD],
        width_mm=baseline.width_mm[BEAD],
        squeezed_width_mm=max(min(baseline.width_mm.values()), baseline.layer_height_mm),
        layer_height_mm=baseline.layer_height_mm,
        speed_mm_per_s=np.geomspace(max(least, 0.1), 1.25 * speed, _SPEEDS),
        nozzle_c=np.linspace(bottom, top, _TEMPERATURES),
        allowed_c=(low, high),
        baseline=(speed, baseline.nozzle_c),
        recipe=(point.speed_mm_per_s[BEAD], point.nozzle_c) if point else None,
    )


def _known(
    carried: Carry, base: Baseline, point: Point, target: float, mechanism: str, risk: Risk, measure: dict[str, float],
    helps: tuple[Helps, ...],
) -> Known:  # fmt: skip
    narrow = max(min(base.width_mm.values()), base.layer_height_mm)
    critical = carried.critical_flow_mm3_per_s(carried.at([point.nozzle_c], narrow, base.layer_height_mm), target)
    hot, cool = (
        flow_at_heights(carried, base, c, base.layer_height_mm, target)[0] for c in (point.nozzle_c, base.nozzle_c)
    )
    wide, usual = (
        float(first_layer_flow(carried, [point.nozzle_c], point.first_height_mm, w, target / 2)[0][0])
        for w in (point.first_width_mm, max(base.width_mm[BEAD], point.first_height_mm))
    )
    area = areas_mm2(base)[BEAD]
    flow = max(point.speed_mm_per_s[k] * a for k, a in areas_mm2(base).items())
    top = next(iter(measure), "")
    what, how = unknown_in_words(top) if top else ("", "")
    best = next((h for h in helps if h.works), None)
    return Known(
        carried=carried,
        baseline=base,
        point=point,
        target=target,
        mechanism=mechanism,
        by_mechanism=risk.by_mechanism,
        critical_mm3_per_s=ranged(critical),
        heat_gain=hot / cool if cool > 0 else np.inf,
        wide_gain=wide / usual if usual > 0 else 1.0,
        times=starts_and_stops(
            carried, flow_mm3_per_s=flow, nozzle_c=point.nozzle_c, width_mm=narrow, height_mm=base.layer_height_mm,
            speed_mm_per_s=flow / area, first_speed_mm_per_s=point.first_speed_mm_per_s,
            travel_mm_per_s=base.travel_mm_per_s,
        ),
        metering=metering_at(
            carried, flow_mm3_per_s=flow, nozzle_c=point.nozzle_c, width_mm=narrow, height_mm=base.layer_height_mm
        ),
        measure=f"knowing {what} ({how})" if what else "measuring the machine",
        best_help=f"{best.change}, {best.speed_mm_per_s:g} mm/s" if best else "",
    )  # fmt: skip


def _heights(carried: Carry, base: Baseline, point: Point, target: float) -> tuple[HeightRow, ...]:
    """The same bead widths at other layer heights."""
    nozzle, own = carried.machine.nozzle_mm.value, base.layer_height_mm
    heights = sorted({own, *(round(nozzle * s, 2) for s in _HEIGHTS if abs(nozzle * s - own) > 0.02)})
    flows = flow_at_heights(carried, base, point.nozzle_c, heights, target)
    rows = []
    own_flow = None
    for h, q in zip(heights, flows, strict=True):
        area = areas_mm2(base, h)
        if h == own:
            speed, flow = point.speed_mm_per_s, point.flow_mm3_per_s
        else:
            speed, flow = {k: min(round_down(q / area[k]), base.speed_mm_per_s[k]) for k in KINDS}, float(q)
        rows.append((h, flow, speed, 1 / (speed[BEAD] * area[BEAD])))
        own_flow = rows[-1][3] if h == own else own_flow
    return tuple(HeightRow(h, q, speed, t / (own_flow or t)) for h, q, speed, t in rows)


def _helps(
    machine: Machine, filament: Filament, base: Baseline, target: float, works: bool, factor: float | None
) -> tuple[Helps, ...]:
    """What each change would allow, recomputed; pairs of changes where none alone is enough."""
    changes = list(hardware_changes(machine, filament))
    scored = [(c, _score(c, machine, base, target)) for c in changes]
    if not works and not any(h.works for _, h in scored):
        quick = sorted(scored, key=lambda s: s[1].time_factor or np.inf)[:4]
        for i, (a, _) in enumerate(quick):
            for b, _ in quick[i + 1 :]:
                both = _both(a, b, machine, filament)
                if both:
                    scored.append((both, _score(both, machine, base, target)))
    now = factor or np.inf
    kept = [h for _, h in scored if h.time_factor is not None and h.time_factor * _WORTH_SAYING < now]
    return tuple(sorted(kept, key=lambda h: (not h.works, h.time_factor or np.inf)))


def _both(a: Changed, b: Changed, machine: Machine, filament: Filament) -> Changed | None:
    """Two changes that touch different things."""
    parts = [
        {n for n in ("path", "nozzle_mm") if getattr(c.machine, n) != getattr(machine, n)}
        | ({"spool"} if c.filament != filament else set())
        for c in (a, b)
    ]
    if parts[0] & parts[1]:
        return None
    m = machine
    for c in (a, b):
        if c.machine.path != machine.path:
            m = replace(m, path=c.machine.path)
        if c.machine.nozzle_mm != machine.nozzle_mm:
            m = replace(m, nozzle_mm=c.machine.nozzle_mm)
    f = a.filament if a.filament != filament else b.filament
    return Changed(f"{a.what}, and {b.what}", m, f)


def _score(changed: Changed, machine: Machine, base: Baseline, target: float) -> Helps:
    """Plan again with the change; a larger nozzle lays beads wider in proportion, under a flat as much wider."""
    m, b = changed.machine, base
    grown = m.nozzle_mm.value / machine.nozzle_mm.value
    what = changed.what
    if grown != 1:
        what += " (beads as much wider)"
        face = m.face_mm.value + m.nozzle_mm.value - machine.nozzle_mm.value
        m = replace(m, face_mm=replace(m.face_mm, value=face))
        widths = {k: w * grown for k, w in b.width_mm.items()}
        b = replace(b, width_mm=widths, first_width_mm=b.first_width_mm * grown)
    point = least_time(carry(m, changed.filament, n=_FEW), b, target)
    chance = risk_of(baseline_point(b), b, m, changed.filament, shares=False).probability
    time = point.time_s_per_mm3 / baseline_point(base).time_s_per_mm3 if point.feeds else None
    return Helps(
        what, is_useful(point), point.speed_mm_per_s[BEAD] if point.feeds else 0.0,
        point.nozzle_c, time, chance,
    )  # fmt: skip


def _verdict(
    works: bool, shown: Point, factor: float | None, target: float, risk: Risk, mechanism: str, machine: Machine,
    filament: Filament,
) -> str:  # fmt: skip
    low, high = allowed_c(machine, filament)
    if low > high:
        return (
            f"No recipe works: the spool's data sheet asks for at least {low:g} °C, and the hot end's PTFE liner bears "
            f"no more than {PTFE_CEILING_C:g} °C. It takes a hot end without a liner, or another spool."
        )
    if works:
        pace = f"{factor:.2g} times as long as" if factor and factor > 1.05 else "no longer than"
        return (
            f"It works at {shown.speed_mm_per_s[BEAD]:g} mm/s and {shown.nozzle_c:g} °C: a part takes about {pace} "
            "with your rigid recipe."
        )
    slow = f"even at {USEFUL_MM_PER_S:g} mm/s and {shown.nozzle_c:g} °C a jam is {percent(risk.probability)} likely"
    if mechanism == "starve" and unsoftened_share(filament, shown.nozzle_c) > 0.5 * risk.by_mechanism["starve"]:
        slow += ", most of all because the hot end is colder than what softens this filament"
    else:
        slow += f", most of all by {GIVES[mechanism]}"
    if factor is None:
        return f"No recipe works on this machine with this spool: {slow}."
    return (
        f"No recipe is of use on this machine with this spool: {slow}. To stay under {100 * target:g} % it would have "
        f"to be slower than {USEFUL_MM_PER_S:g} mm/s, which is our limit of what anybody waits for: a part would take "
        f"{factor:.0f} times as long as with your rigid recipe."
    )


def _notes(
    base: Baseline, machine: Machine, point: Point, known: Known | None, helps: tuple[Helps, ...]
) -> tuple[str, ...]:
    said = []
    nozzle, face = machine.nozzle_mm.value, machine.face_mm.value
    if min(base.width_mm.values()) < nozzle:
        said.append(f"Your beads are narrower than the nozzle's {nozzle:g} mm: they are drawn out, not pressed on.")
    if max(base.width_mm.values()) > face:
        said.append(f"Your beads are wider than the nozzle's flat ({face:g} mm): nothing presses their edges down.")
    if known and point.nozzle_c < base.nozzle_c:
        said.append("The spool's data sheet is cooler than your rigid recipe: let the nozzle cool and purge it first.")
    if known and known.metering.deep:
        said.append("The drive flattens this filament beyond what its formula is meant for: measure the flow factor.")
    if not known and not any(h.works for h in helps):
        said.append("Not even two of these changes together are enough: it takes a harder grade or another machine.")
    if known:
        said.append("Speeds are never above your own. Your rigid recipe is not changed: this is a record of its own.")
    return tuple(said)


def _cautions(machine: Machine, works: bool) -> tuple[str, ...]:
    said = ["The hot end and the bed burn; melt gives off fumes: ventilate the room."]
    if machine.liner == "ptfe":
        said.append("This hot end is lined with PTFE: never go above the temperature on the liner maker's sheet.")
    said.append(
        "Stay with the first print of a new recipe; never leave a job unattended that has not been checked, and follow "
        "your local fire rules."
        if works
        else "Do not run this spool on this machine as it is."
    )
    return tuple(said)
