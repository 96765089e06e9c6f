"""Route: travel kept over this layer's own bead where there is a way, and over as little air as possible elsewhere.

The way is found on a raster and told exactly (`ways.Ways`), kept just inside half a bead from the edge. A detour costs
seconds: the routes that leave less in sight are taken first, those that save the most open travel per second before
others, until the time allowed is spent. Detours that the program has already count, and the time allowed does not
depend on its speeds: a second time nothing is left to do.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from hashlib import sha256

import numpy as np
import shapely
from numpy.typing import NDArray

from pliant.mending.leads import Lead, Leads
from pliant.mending.ways import Scratch, Ways
from pliant.program.coverage import chords_of
from pliant.program.layers import Layering
from pliant.program.sections import Sections
from pliant.program.write import Edits, Insert
from pliant.records.mending import Change
from pliant.records.program import BEAD, Program
from pliant.say import count, quantity

__all__ = ["QUICK_MM_PER_S", "layer_region", "mend_routes"]

_KEPT = 8  # grounds at hand: layers are visited in order, and repeat after one or two
_INSET = 0.9  # [-] of half a bead: keeps a way along walls of a single bead
_SLACK_MM = 0.02  # corners closer than this to the way are left out: a tenth of half a bead is kept for it
_LEAST_GAIN_MM = 0.3  # less open travel than this saved is not worth a corner
_CORNER_S = 0.005  # what braking for a corner costs, roughly; the true time is planned afterwards
_ACCELERATION = 1000.0  # [mm/s2] for the price alone
_LEAST_MM_PER_S = 10.0  # open travel saved by a second of detour: less is not worth it; our choice
_SHARE = 0.04  # [-] of the time that the beads take at the speed below: our choice
QUICK_MM_PER_S = 60.0  # common practice, no source: few programs lay beads faster


@dataclass(frozen=True)
class _Route:
    lead: Lead
    travel: int
    way: NDArray[np.float64]
    air_before_mm: float
    air_mm: float
    extra_s: float


def _seconds(length_mm: float, speed_mm_per_s: float) -> float:
    """Time from rest to rest. [mm, mm/s -> s]"""
    if speed_mm_per_s**2 <= _ACCELERATION * length_mm:
        return length_mm / speed_mm_per_s + speed_mm_per_s / _ACCELERATION
    return 2 * math.sqrt(length_mm / _ACCELERATION)


def _detour_s(way: NDArray[np.float64], speed_mm_per_s: float) -> float:
    """Time that a way takes longer than the straight line between its ends. [mm, mm/s -> s]"""
    length = float(np.hypot(*np.diff(way, axis=0).T).sum())
    straight = _seconds(math.dist(way[0], way[-1]), speed_mm_per_s)
    return max(_seconds(length, speed_mm_per_s) - straight + _CORNER_S * (len(way) - 2), 1e-6)


def _change(program: Program, route: _Route, corners: int) -> Change:
    return Change(
        int(program.line[route.travel]), "route", "travel", f"{quantity(route.air_before_mm, 'mm', 3)} over air",
        f"{quantity(route.air_mm, 'mm', 3)} over air, {count(corners, 'corner')}",
        "a thread hangs where soft filament crosses air; over bead it is buried",
    )  # fmt: skip


def layer_region(program: Program, layering: Layering, sections: Sections) -> Callable[[int], Ways]:
    """Ways over layers, worked out when first asked for; layers that lay the same beads share them."""
    bead = np.flatnonzero(program.kind == BEAD)
    first = np.searchsorted(layering.layer[bead], np.arange(layering.top_mm.size + 1))
    known: dict[bytes, Ways] = {}
    of_layer: dict[int, bytes] = {}
    scratch = Scratch()

    def region(layer: int) -> Ways:
        key = of_layer.get(layer)
        if key is None or key not in known:
            chord, move = chords_of(program, bead[first[layer] : first[layer + 1]])
            half = np.maximum(sections.width_mm[move].astype(float) / 2, 0.05)
            # whatever their order, the same beads are the same ground
            laid = np.unique(np.column_stack([chord, np.round(half, 3)]), axis=0)
            key = of_layer[layer] = sha256(laid.tobytes()).digest()
            if key not in known:
                if len(known) == _KEPT:
                    known.pop(next(iter(known)))
                known[key] = Ways(laid[:, :4], laid[:, 4], _INSET * float(np.median(half)), scratch=scratch)
        return known[key]

    return region


def mend_routes(
    program: Program,
    edits: Edits,
    leads: Leads,
    air_mm: NDArray[np.float64],
    region: Callable[[int], Ways],
    *,
    seen_mm: NDArray[np.float64] | None = None,
    seconds: float | None = None,
    more_s: float = 0.0,
) -> tuple[list[Change], dict[int, float]]:
    """Send open travels over bead, in place in `edits`.

    Parameters
    ----------
    program : Program
        The moves.
    edits : Edits
        Changed in place: corners are put in before the travel, which keeps its own end.
    leads : Leads
        Of the program.
    air_mm : ndarray, (n_moves,)
        Travel over air of each move, as far as it counts. [mm]
    region : callable
        Layer to its travel region.
    seen_mm : ndarray, (n_moves,), optional
        How much of that shows: detours that leave less in sight come first. All of it when left out. [mm]
    seconds : float, optional
        What all detours together may cost, those in the program included; 4 % of the time that its beads take at
        60 mm/s when left out. [s]
    more_s : float, default 0
        What they may cost beside that: the time that another order has saved. [s]

    Returns
    -------
    list of Change, and for each rerouted travel the open length that is left. [mm]
    """
    found: list[_Route] = []
    ways: dict[tuple[float, ...], tuple[NDArray[np.float64], float]] = {}  # of layers that share a region
    if seconds is None:
        seconds = _SHARE * float(program.length_mm[program.kind == BEAD].sum()) / QUICK_MM_PER_S
    spent, seconds = 0.0, seconds + more_s
    for lead in leads:
        if not (lead.straight and lead.travels):
            continue
        if len(lead.travels) > 1:
            points = [lead.travels[0], *(k + 1 for k in lead.travels)]
            spent += _detour_s(program.point_mm[points, :2], float(program.speed_mm_per_s[lead.travels[0]]))
            continue
        travel = lead.travels[0]
        air = float(air_mm[travel])
        if air < _LEAST_GAIN_MM:
            continue
        start, goal = program.point_mm[travel, :2], program.point_mm[travel + 1, :2]
        ground = region(lead.layer_before)
        key = (ground.number, *start.tolist(), *goal.tolist())
        if key not in ways:
            ways[key] = ground.shortest(start, goal)
        way, left = ways[key]
        if air - left < _LEAST_GAIN_MM or len(way) < 3:
            continue
        way = np.asarray(shapely.simplify(shapely.linestrings(way), _SLACK_MM).coords)
        extra = _detour_s(way, float(program.speed_mm_per_s[travel]))
        if air - left >= _LEAST_MM_PER_S * extra:
            found.append(_Route(lead, travel, way, air, left, extra))
    shows = air_mm if seen_mm is None else seen_mm
    found.sort(key=lambda r: (shows[r.travel] - r.air_mm < _LEAST_GAIN_MM, (r.air_mm - r.air_before_mm) / r.extra_s))
    changes: list[Change] = []
    left_open: dict[int, float] = {}
    for route in found:
        if spent + route.extra_s > seconds:
            continue
        spent += route.extra_s
        speed = float(program.speed_mm_per_s[route.travel])
        corners = [(round(float(x), 4), round(float(y), 4)) for x, y in route.way[1:-1]]
        edits.inserts.setdefault(route.travel, []).extend(Insert(speed, xy) for xy in corners)
        left_open[route.travel] = route.air_mm
        changes.append(_change(program, route, len(corners)))
    return sorted(changes, key=lambda c: c.line), left_open
