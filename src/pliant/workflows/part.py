"""`part`: is this part a good idea in soft filament, and how should it stand?"""

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from pliant.colours import OCHRE, PLUM
from pliant.constants import Z90
from pliant.errors import MeshError
from pliant.files import Source
from pliant.mesh.mesh_read import read_mesh
from pliant.records.baseline import WIDE
from pliant.records.filament import Filament, read_filament
from pliant.records.machine import Machine, read_machine
from pliant.records.part import Hole, Mesh, Orientation, PartFindings, Printing
from pliant.say import number

if TYPE_CHECKING:
    from pliant.mesh.stances import Limits

__all__ = ["part", "told_of_part"]


def part(
    mesh: str | Path,
    machine: Source | Machine,
    filament: Source | Filament,
    *,
    keep: int = 4,
    holes: bool = False,
) -> PartFindings:
    """Say whether a part is a good idea in soft filament, and how it should stand.

    Parameters
    ----------
    mesh : str or Path
        STL, OBJ or 3MF.
    filament, machine : str, Path or record
        The user's records.
    keep : int, default 4
        How many orientations to report at most.
    holes : bool, default False
        Look at an open mesh all the same: its holes are closed by flat patches, and the answer says that it doubts.
        Holes smaller than a bead are always closed.

    Returns
    -------
    PartFindings
        Verdict, the best orientations with reasons, forecast and drawing, and what to change about the part.

    Raises
    ------
    MeshError, RecordError
        If an input cannot be used; the text names file, place and the way out.

    Notes
    -----
    Long on purpose: half of it fills one record, field by field.
    """
    machine = machine if isinstance(machine, Machine) else read_machine(machine)
    filament = filament if isinstance(filament, Filament) else read_filament(filament)
    bead = WIDE * machine.nozzle_mm.value
    solid = _closed_mesh(mesh, bead, holes)  # before anything heavy is loaded: a bad file costs little
    doubts = _doubts(solid, bead)
    repaired = tuple(f"closed a hole smaller than a bead, {h.sentence()}" for h in solid.patched if h.across_mm < bead)
    _require_size(solid, machine)
    from pliant.mesh.orient import ANGLE_CONVENTION
    from pliant.mesh.orient_reasons import why_before
    from pliant.mesh.repair import mesh_volume_mm3
    from pliant.mesh.stances import Limits
    from pliant.mesh.unite import crossing_words, united
    from pliant.piece.laid import job_for

    limits = Limits()
    as_read, solid = solid, united(solid)
    crossed = crossing_words(solid)
    job = job_for(machine, filament, limits.ledge_mm, limits.bridge_mm)
    full, candidates = _stood(solid, job, limits, keep, machine, Path(mesh).stem)
    best = full[0].forecast
    assert best is not None
    size = np.ptp(solid.vertices, axis=0)
    return PartFindings(
        verdict="workable" if best.verdict == "good" and (doubts or crossed) else best.verdict,
        name=Path(mesh).stem,
        filament=filament.name,
        machine=machine.name,
        size_mm=(float(size[0]), float(size[1]), float(size[2])),
        volume_mm3=mesh_volume_mm3(solid.vertices, solid.faces),
        surface_mm2=_surface_mm2(solid),
        triangles=int(as_read.faces.shape[0]),
        shells=as_read.shells,
        mesh_kind=solid.kind,
        unit=solid.unit,
        repairs=(*solid.repairs, *repaired),
        notes=(*solid.notes, *crossed),
        orientations=tuple(full),
        why_first=why_before(full[0], full[1]) if len(full) > 1 else "",
        candidates=candidates,
        angle_convention=ANGLE_CONVENTION,
        limits=_limits_told(limits, job),
        reasons=(*doubts, *crossed, *best.reasons),
        changes=best.changes,
        assumed=_assumed(job, limits, machine),
        cautions=(*_size_caution(as_read, machine), *_CAUTIONS),
    )


def _closed_mesh(mesh: str | Path, bead_mm: float, holes: bool) -> Mesh:
    """The mesh of a body; one with holes larger than a bead only where the user asks for it."""
    solid = read_mesh(mesh, np.inf if holes else bead_mm)
    if solid.open_edges:
        raise MeshError(
            f"{solid.file}: open: {solid.open_edges} edges belong to one triangle only, so there is no inside: "
            f"{_places(solid.holes)}; close it in the program that made it"
            + ("" if holes else ", or have it looked at all the same, with doubt (`holes`)")
        )
    return solid


def _stood(
    solid: Mesh, job: Printing, limits: "Limits", keep: int, machine: Machine, name: str
) -> tuple[list[Orientation], int]:
    """The best ways to stand, each with its forecast and drawings, and how many were looked at."""
    from pliant.mesh.orient import best_orientations, rank_key
    from pliant.mesh.repair import half_edge_twins

    stands, candidates = best_orientations(
        solid, job.layer_height_mm, bead_mm=job.bead_width_mm, limits=limits, keep=keep, reach_mm=machine.volume_mm
    )
    twin = half_edge_twins(solid.faces)
    return sorted((_drawn(solid, twin, s, job, limits.overhang_deg, name) for s in stands), key=rank_key), candidates


def _drawn(solid: Mesh, twin: Any, stand: Orientation, job: Printing, overhang_deg: float, name: str) -> Orientation:
    """A way to stand with its forecast and its two drawings."""
    from pliant.mesh.drawing import standing, underside
    from pliant.mesh.forecast import foresee
    from pliant.mesh.sections import turned

    points = turned(solid.vertices, stand.rotation)
    forecast = foresee(solid.vertices, solid.faces, twin, stand, job)
    marks = [
        (s.wobble_low_mm, OCHRE, "may wobble") if s.wobble_mm is None else (s.wobble_mm, OCHRE, "wobbles")
        for s in forecast.soft_features[:1]
    ]
    marks += [(z, PLUM, "on air") for z in stand.births_mm[:2]]
    return replace(
        stand,
        forecast=forecast,
        drawing=standing(points, solid.faces, twin, tuple(marks), f"{name}, {stand.turn}"),
        drawing_below=underside(points, solid.faces, overhang_deg, job.layer_height_mm, f"underside, {stand.turn}"),
    )


def _surface_mm2(solid: Mesh) -> float:
    corner = solid.vertices[solid.faces]
    return float(np.linalg.norm(np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0]), axis=1).sum() / 2)


def _limits_told(limits: "Limits", job: Printing) -> dict[str, float]:
    return {
        "overhang_deg": limits.overhang_deg,
        "ledge_mm": limits.ledge_mm,
        "ledge_most_mm": limits.ledge_most_mm,
        "bridge_mm": limits.bridge_mm,
        "foot_mm2": limits.foot_mm2,
        "wobble_mm": job.wobble_limit_mm,
    }


_NAMED = 4  # holes that are given with their place


def _places(holes: tuple[Hole, ...]) -> str:
    many = f"{len(holes)} holes" if len(holes) > 1 else "a hole"
    return f"{many}, " + "; ".join(h.sentence() for h in holes[:_NAMED]) + ("; …" if len(holes) > _NAMED else "")


def _doubts(solid: Mesh, bead_mm: float) -> tuple[str, ...]:
    """Say what was guessed to look at an open mesh."""
    large = tuple(h for h in solid.patched if h.across_mm >= bead_mm)
    if not large:
        return ()
    return (
        f"the mesh is open, and flat patches were guessed over {_places(large)}: what is said near them is a guess",
    )


_LARGEST_MM = 500.0  # of a part on an ordinary desktop machine: our choice, only a caution


def _require_size(solid: Mesh, machine: Machine) -> None:
    """Refuse what no bead can draw: most often a part saved in metres or inches and read as millimetres."""
    x, y, z = np.ptp(solid.vertices, axis=0)
    bead = WIDE * machine.nozzle_mm.value
    if max(x, y, z) < 2 * bead:
        raise MeshError(
            f"{solid.file}: {number(x)} x {number(y)} x {number(z)} mm, less than two beads of {number(bead)} mm; "
            "was it drawn in metres or inches? Save it in millimetres"
        )


def _size_caution(solid: Mesh, machine: Machine) -> tuple[str, ...]:
    largest = float(np.ptp(solid.vertices, axis=0).max())
    if largest <= _LARGEST_MM or machine.volume_mm is not None:
        return ()
    return (f"The part is {largest:.0f} mm long: does it fit your machine? Or was it drawn in another unit?",)


_CAUTIONS = (
    "Overhang, ledge and bridge limits were published for rigid filament; soft filament sets more slowly, and no value "
    "for it was found: take them as upper bounds and try a small piece first.",
    "The side force of the nozzle is an estimate without a source; its spread is a factor of 3 either way.",
    "Parts for medical, food or load-bearing safety use need the qualified practice of that field.",
)


def _assumed(job: Printing, limits: "Limits", machine: Machine) -> tuple[str, ...]:
    said = [
        f"bead {job.bead_width_mm:.2f} mm wide, layers of {job.layer_height_mm:.2f} mm "
        "(by the nozzle; common practice)",
        f"solid, with {job.walls} walls: less infill takes less time",
        f"ledges of {limits.ledge_mm:g} to {limits.ledge_most_mm:g} mm, bridges of {limits.bridge_mm:g} mm and slopes "
        f"up to {limits.overhang_deg:g}° from the vertical hold (rigid filament, extrapolated)",
        f"a first layer of {limits.foot_mm2:g} mm² or more, on tall parts {limits.foot_share:g} of the height squared "
        "(own choice)",
    ]
    if machine.volume_mm is None:
        said.append("it fits where the nozzle reaches: the machine's record does not say (motion.volume_mm)")
    if job.flow_mm3_per_s is not None:
        said.append(f"flow {job.flow_mm3_per_s:.2f} mm3/s: the largest with a chance of a jam within 2 %")
        if job.flow_even_mm3_per_s and job.flow_even_mm3_per_s > 1.2 * job.flow_mm3_per_s:
            said.append(
                f"at {job.flow_even_mm3_per_s:.2f} mm3/s it jams as likely as not: what lies between is ignorance "
                "that measuring removes"
            )
    said.append(
        f"the printed piece {number(job.printed_factor)} times softer than the filament's modulus, "
        f"{number(job.youngs_modulus_mpa)} MPa within a factor of {number(job.modulus_spread)} "
        "(printed-TPU table of `feel`, extruded rows)"
    )
    low, high = job.side_force_n / 3**Z90, job.side_force_n * 3**Z90
    said.append(f"side force of the nozzle {number(low)} to {number(high)} N (estimate, no source)")
    said.append(
        f"a tip may give way by {job.wobble_limit_mm:.2f} mm, a quarter of a bead; by a whole bead it is lost "
        "(own choice)"
    )
    return tuple(said)


def told_of_part(mesh: str | Path, machine: Machine, filament: Filament) -> tuple[str, ...]:
    """What `part` says of a mesh, in a few sentences, to stand beside a check or a recipe."""
    found = part(mesh, machine, filament)
    stands = found.orientations[0].turn if found.orientations else "as drawn"
    return (f"{found.name} is {found.verdict} in soft filament, best {stands}", *found.reasons, *found.changes)
