"""What building the part in one orientation will bring: islands, travels, strings, time, soft features, a verdict.

Counted on the sections at the job's own layer height (thicker steps on very tall parts, and then said). The tours
between islands are taken as the shortest tree over the gaps between them: a real tour is at least that long.
"""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from pliant.mesh.islands import Island, islands_of
from pliant.mesh.sections import cut, layer_levels_mm, turned
from pliant.mesh.slender import soft_features
from pliant.models.bead import bead_area_mm2
from pliant.records.part import Forecast, Orientation, Printing, SoftFeature
from pliant.say import count, number

__all__ = ["foresee"]

_MOST_LAYERS = 400  # beyond, layers stand for several of the job's
_TOUR_LAYERS = 40  # layers on which gaps between islands are measured
_CHORD = 0.02  # of the layer height: detail dropped from outlines
_FOREST = 4.0  # islands to a layer, on average, that make a forest
_MANY_SOFT = 3  # soft features that make a forest
_FOOT_MM = 1.0  # what is thinnest this near the bed is a foot, not a post
_DAY_S = 86400.0
_LONG_DAYS, _TOO_LONG_DAYS = 1.0, 30.0  # solid; with a fifth of it filled about a week; own choice
_SPOOL_G = 500.0  # spools of soft filament hold 500 or 1000 g; common practice, no source
_GOOD_SHARE = 0.8  # of the layers that are one island, for a continuous part


def foresee(vertices: NDArray[np.float64], faces: NDArray[np.int32], twin: NDArray[np.int64], stand: Orientation,
            job: Printing) -> Forecast:  # fmt: skip
    """Forecast the build of a part standing as `stand` says.

    Parameters
    ----------
    vertices : ndarray
        Vertices as drawn, shape (n, 3). [mm]
    faces, twin : ndarray
        Triangles and their half-edge twins.
    stand : Orientation
        What the search found for this orientation.
    job : Printing
        Bead, flow, side force and filament stiffness.

    Returns
    -------
    Forecast
    """
    points = turned(vertices, stand.rotation)
    height = float(points[:, 2].max())
    step = max(job.layer_height_mm, height / _MOST_LAYERS)
    layers = islands_of(cut(points, faces, layer_levels_mm(points, step), twin), _CHORD * step, job.bead_width_mm)
    stands_for = step / job.layer_height_mm
    count = np.array([len(layer) for layer in layers])
    area = np.array([sum(i.area_mm2 for i in layer) for layer in layers])
    beads = area * step
    contours = np.array([sum(i.contours for i in layer) for layer in layers])
    open_each = np.maximum(count - 1, 0)
    gap = _gaps(layers, job.bead_width_mm)
    covered = round(float((contours * job.walls).sum() * stands_for + (len(layers) * stands_for - 1)))
    open_travels = round(float(open_each.sum() * stands_for))
    open_mm = float((gap[:, 0]).sum() * stands_for)
    strings = round(float(gap[:, 1].sum() * stands_for))
    longest = _longest_run_mm3(layers, step)
    section = float(bead_area_mm2(job.bead_width_mm, job.layer_height_mm))
    soft = _soft_as_drawn(layers, job, vertices, points, stand)
    n_layers = max(1, round(height / job.layer_height_mm))
    # covered hops are about two beads long; a layer change is a lift of one layer
    travel_s = (open_mm + 2 * job.bead_width_mm * covered) / job.travel_mm_per_s + height / job.lift_mm_per_s
    time, time_even = (
        float(beads.sum()) / flow + travel_s if flow else None for flow in (job.flow_mm3_per_s, job.flow_even_mm3_per_s)
    )
    single = float((count <= 1).mean())
    facts = {
        "layers": n_layers,
        "layer_height_mm": job.layer_height_mm,
        "islands_mean": float(count.mean()),
        "islands_most": int(count.max()),
        "islands_by_layer": tuple(int(c) for c in count),
        "single_island_share": single,
        "travels": open_travels + covered,
        "covered_travels": covered,
        "open_travels": open_travels,
        "open_travel_mm": open_mm,
        "strings_expected": strings,
        "bead_mm3": float(beads.sum()),
        "filament_m": float(beads.sum()) / (np.pi / 4 * job.filament_diameter_mm**2) / 1000,
        "filament_g": float(beads.sum()) * job.density_kg_per_m3 * 1e-6,
        "flow_mm3_per_s": job.flow_mm3_per_s,
        "time_s": time,
        "time_even_s": time_even,
        "longest_run_mm": longest / section,
        "longest_run_s": longest / job.flow_mm3_per_s if job.flow_mm3_per_s else None,
        "side_force_n": job.side_force_n,
        "side_force_spread": job.side_force_spread,
        "soft_features": soft,
    }
    draft = Forecast(**facts, verdict="", reasons=(), changes=())  # type: ignore[arg-type]
    verdict, reasons = _verdict(draft, stand, job)
    changes = _changes(draft, stand, layers, job)
    return Forecast(**facts, verdict=verdict, reasons=reasons, changes=changes)  # type: ignore[arg-type]


def _soft_as_drawn(
    layers: list[list[Island]],
    job: Printing,
    vertices: NDArray[np.float64],
    points: NDArray[np.float64],
    stand: Orientation,
) -> tuple[SoftFeature, ...]:
    """Slender features, with the places of their tips as the file has them."""
    soft = soft_features(
        layers, job.youngs_modulus_mpa, job.modulus_spread, job.side_force_n, job.wobble_limit_mm, job.bead_width_mm
    )
    rotation = np.asarray(stand.rotation)
    shift = points[0] - vertices[0] @ rotation.T
    placed = []
    for s in soft:
        x, y, z = (np.array([s.x_mm, s.y_mm, s.z_mm]) - shift) @ rotation
        placed.append(replace(s, x_mm=float(x), y_mm=float(y), z_mm=float(z)))
    return tuple(placed)


def _gaps(layers: list[list[Island]], bead_mm: float) -> NDArray[np.float64]:
    """Per layer: length of the shortest tree over the gaps between islands, and how many of them a bead cannot span."""
    import shapely
    from scipy.sparse.csgraph import minimum_spanning_tree

    from pliant.mesh.unsupported import shape_of

    out = np.zeros((len(layers), 2))
    many = [k for k, layer in enumerate(layers) if len(layer) > 1]
    if not many:
        return out
    measured = many[:: max(1, len(many) // _TOUR_LAYERS)]
    for k in measured:
        shapes = np.array([shape_of(i.solid) for i in layers[k][:200]])
        tree = minimum_spanning_tree(np.maximum(shapely.distance(shapes[:, None], shapes[None, :]), 1e-6)).tocoo().data
        scale = (len(layers[k]) - 1) / max(tree.size, 1)
        out[k] = tree.sum() * scale, (tree > bead_mm).sum() * scale
    for column in range(2):
        per_gap = np.interp(many, measured, out[measured, column] / [len(layers[k]) - 1 for k in measured])
        out[many, column] = per_gap * np.array([len(layers[k]) - 1 for k in many])
    return out


def _longest_run_mm3(layers: list[list[Island]], step: float) -> float:
    """Most bead between two open travels: layers of one island follow on from each other, and from one neighbour."""
    best = run = 0.0
    for layer in layers:
        volumes = [i.area_mm2 * step for i in layer]
        if len(layer) == 1 and (not run or layer[0].below):
            run += volumes[0]
            best = max(best, run)
            continue
        # the layer may begin on one island and end on another
        best = max(best, run + max(volumes, default=0.0))
        run = max(volumes, default=0.0) if len(layer) != 1 else volumes[0]
    return max(best, run)


def _verdict(f: Forecast, stand: Orientation, job: Printing) -> tuple[str, tuple[str, ...]]:
    said, poor, doubt = [], False, False
    if stand.fits is False:
        said.append("no way was found to stand it where the nozzle reaches (motion.volume_mm of the machine)")
        poor = True
    if job.flow_mm3_per_s is None:
        said.append("no flow meets the target for this spool on this machine: see `check` for what would help")
        poor = True
    if stand.needs_support:
        said.append("it needs support, which soft filament cannot be freed from cleanly")
        poor = True
    elif stand.longest_ledge_mm > job.ledge_limit_mm:
        said.append(f"a ledge of {stand.longest_ledge_mm:.1f} mm may sag")
        doubt = True
    if f.time_s is not None and f.time_s > _LONG_DAYS * _DAY_S:
        # what measuring may win counts before it is called too long
        poor |= min(f.time_s, f.time_even_s or f.time_s) > _TOO_LONG_DAYS * _DAY_S
        doubt = True
        said.append(f"printed solid it takes {f.time_s / _DAY_S:.0f} days" if f.time_s > 10 * _DAY_S
                    else f"printed solid it takes {f.time_s / _DAY_S:.1f} days")  # fmt: skip
    if f.filament_g > _SPOOL_G:
        said.append(f"printed solid it takes {f.filament_g / 1000:.1f} kg of filament, {f.filament_m:.0f} m: spools "
                    "hold 0.5 or 1 kg, and changing one breaks the run")  # fmt: skip
        doubt = True
    soft = sum(s.wobble_mm is not None for s in f.soft_features)
    if f.islands_mean >= _FOREST and soft >= _MANY_SOFT:
        said.append(f"a forest of thin posts: {f.islands_mean:.0f} islands to a layer, {soft} of them soft")
        poor = True
    elif f.islands_mean >= _FOREST:
        said.append(f"{f.islands_mean:.0f} islands to a layer, so {f.open_travels} open travels that may draw strings")
        doubt = True
    elif soft:
        said.append(f"{soft} slender feature{'s' if soft > 1 else ''} will wobble under the nozzle")
        doubt = True
    lost = [s for s in f.soft_features if s.wobble_mm is not None and s.deflection_mm > job.bead_width_mm]
    if lost:
        far = lost[0].deflection_mm
        said.append(
            f"the nozzle pushes a tip {number(far)} mm aside, {far / job.bead_width_mm:.1f} bead widths: the next bead "
            "misses it"
        )
        poor = True
    maybe = [s for s in f.soft_features if s.wobble_mm is None]
    if maybe:
        far = max(s.deflection_high_mm for s in maybe)
        said.append(
            f"{count(len(maybe), 'slender feature')} may wobble, by {number(far)} mm at the bad end of what is "
            "not known"
        )
        doubt |= far > job.bead_width_mm
    if f.single_island_share >= _GOOD_SHARE:
        said.append(f"continuous: one island in {100 * f.single_island_share:.0f} % of the layers")
    elif f.islands_mean < _FOREST:
        said.append(f"{f.islands_mean:.1f} islands to a layer on average: {f.strings_expected} strings to trim")
        doubt = True
    return ("poor" if poor else "workable" if doubt else "good"), tuple(said)


def _changes(f: Forecast, stand: Orientation, layers: list[list[Island]], job: Printing) -> tuple[str, ...]:
    """What to change about the part, with the figure."""
    said = []
    foot = [s for s in f.soft_features if s.thin_at_mm < _FOOT_MM]
    if foot:
        said.append("give it a flat foot, or a wider one: it rocks on the one it has")
    elif stand.footprint_mm2 < 0.002 * stand.height_mm**2:
        said.append("give it a flat foot, or a wider one")
    posts = [s for s in f.soft_features if s.thin_at_mm >= _FOOT_MM]
    if posts:
        s = posts[0]
        shorter = (s.wobble_low_mm if s.wobble_mm is None else s.wobble_mm) - s.root_mm
        sure = "" if s.wobble_mm is not None else "to be sure, "
        said.append(
            f"{sure}make the slender feature whose tip is at x {s.x_mm:.0f}, y {s.y_mm:.0f}, "
            f"z {s.z_mm:.0f} mm as drawn about {s.thickness_needed_mm:.1f} mm thick "
            f"instead of {s.thickness_mm:.1f}" + (f", or end it {shorter:.0f} mm above its root" if shorter > 1 else "")
        )
        if len(posts) > 1:
            said.append("join the posts by a web or a rim at half height: joined, they hold each other")
    elif f.islands_mean >= 2:
        said.append("join the separate pieces by a web, so that the nozzle need not cross air")
    if stand.fits is False:
        said.append("cut it into pieces that fit where the nozzle reaches, or make it smaller")
    if f.time_s is not None and f.time_s > _LONG_DAYS * _DAY_S:
        said.append("hollow it or fill it less: `feel` says what walls and infill give the stiffness wanted")
    if stand.islands_on_air:
        said.append("give what starts on air a slope of 45° down to the body, or print it as a part of its own")
    if stand.longest_ledge_mm > job.ledge_limit_mm:
        said.append(f"put a 45° chamfer under the ledge of {stand.longest_ledge_mm:.1f} mm")
    if stand.longest_bridge_mm > job.bridge_limit_mm:
        said.append(f"arch the {stand.longest_bridge_mm:.0f} mm bridge, or halve it with a rib")
    return tuple(said)
