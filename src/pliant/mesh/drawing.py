"""Orthographic line drawings of a standing part, in SVG: how it stands, and its underside.

`standing` shows the edges that are in sight from the front right, a little above, with contour lines at even heights
like a map; `underside` shows what the bed and the air see: the footprint, and what leans out beyond the limit.
"""

from html import escape

import numpy as np
from numpy.typing import NDArray

from pliant.colours import INK, MOSS, PAPER, PLUM
from pliant.kernels.depth import nearest_depth, visible_share
from pliant.mesh.sections import cut

__all__ = ["standing", "underside"]

_WIDE, _HIGH, _EDGE = 360.0, 300.0, 22.0
_AZIMUTH_DEG, _ELEVATION_DEG = 32.0, 24.0
_CREASE_DEG = 32.0
_CONTOURS = 11
_MOST_LINES = 2500
_BUFFER = 2  # pixels of the depth buffer per drawing unit


def standing(
    points: NDArray[np.float64],
    faces: NDArray[np.int32],
    twin: NDArray[np.int64],
    marks: tuple[tuple[float, str, str], ...] = (),
    title: str = "the part as it stands",
) -> str:
    """Draw the part in sight of the front right.

    Parameters
    ----------
    points : ndarray
        Vertices, standing on z = 0, shape (n, 3). [mm]
    faces, twin : ndarray
        Triangles and their half-edge twins.
    marks : tuple of (height_mm, colour, words)
        Heights to mark on the ruler beside the part.
    title : str
        Read out in place of the drawing.

    Returns
    -------
    str
        An SVG element.
    """
    seen, scale, ruler = _project(points)
    eye = _eye()
    crease, rim = _edges(points, faces, twin, eye)
    pixels = seen * _BUFFER
    depth = nearest_depth(pixels, faces, int(_WIDE * _BUFFER), int(_HIGH * _BUFFER))
    span = float(np.ptp(pixels[:, 2])) or 1.0
    body = []
    for lines, width in ((_contours(points, faces, twin), 0.45), (points[crease], 1.1), (points[rim], 1.5)):
        if len(lines) == 0:
            continue
        flat = _to_screen(lines.reshape(-1, 3), points).reshape(-1, 2, 3)
        body.append(
            f'<path d="{_in_sight(flat, depth, span)}" fill="none" stroke="{INK}" stroke-width="{width}" '
            'stroke-linecap="round" stroke-linejoin="round"/>'
        )
    return _frame("".join(body) + _ruler(points, ruler, scale, marks), title)


def underside(
    points: NDArray[np.float64],
    faces: NDArray[np.int32],
    overhang_deg: float,
    contact_mm: float,
    title: str = "the underside",
) -> str:
    """Draw what the bed sees: outline, footprint, and what leans out beyond the limit.

    Parameters
    ----------
    points, faces : ndarray
        The standing mesh. [mm]
    overhang_deg : float
        Limit, from the vertical. [deg]
    contact_mm : float
        Height above the bed that still counts as lying on it. [mm]
    title : str
        Read out in place of the drawing.

    Returns
    -------
    str
        An SVG element.
    """
    a, b, c = (points[faces[:, k]] for k in range(3))
    normal = np.cross(b - a, c - a)
    size = np.linalg.norm(normal, axis=1)
    down = np.divide(-normal[:, 2], size, out=np.zeros_like(size), where=size > 0)
    low = np.maximum(np.maximum(a[:, 2], b[:, 2]), c[:, 2]) <= contact_mm
    foot = (down > 0) & low
    over = (down > np.sin(np.deg2rad(overhang_deg + 0.05))) & ~low
    whole = _union(points, faces[down > 1e-6])
    span = np.maximum(np.ptp(points[:, :2], axis=0), 1e-9)
    scale = min((_WIDE - 2 * _EDGE) / span[0], (_HIGH - 2 * _EDGE - 16) / span[1])
    middle = (points[:, :2].max(axis=0) + points[:, :2].min(axis=0)) / 2

    def path(solid: object) -> str:
        rings = []
        for ring in solid.to_polygons():  # type: ignore[attr-defined]
            q = (np.asarray(ring) - middle) * scale * [-1, -1] + [_WIDE / 2, (_HIGH - 16) / 2]  # mirrored: from below
            rings.append("M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in q) + "Z")
        return "".join(rings)

    air = _union(points, faces[over])
    hatch = (
        '<defs><pattern id="air" width="6" height="6" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">'
        f'<rect width="6" height="6" fill="{PAPER}"/><path d="M0 0V6" stroke="{PLUM}" stroke-width="2.4"/>'
        "</pattern></defs>"
    )
    body = hatch + f'<path d="{path(whole)}" fill="none" stroke="{INK}" stroke-width="1.2"/>'
    body += f'<path d="{path(_union(points, faces[foot]))}" fill="{MOSS}" fill-opacity="0.55" fill-rule="evenodd"/>'
    if not air.is_empty():  # type: ignore[attr-defined]
        body += f'<path d="{path(air)}" fill="url(#air)" fill-rule="evenodd"/>'
    words = f"filled: on the bed; hatched: beyond {overhang_deg:g}°"
    return _frame(body + _text(_WIDE / 2, _HIGH - 6, words, "middle"), title)


def _union(points: NDArray[np.float64], faces: NDArray[np.int32]) -> object:
    """Outline of the union of triangles, seen along z."""
    from manifold3d import CrossSection, FillRule

    if not faces.size:
        return CrossSection()
    return CrossSection(list(points[faces][:, :, :2]), FillRule.NonZero).simplify(1e-3 * float(np.ptp(points)))


def _eye() -> NDArray[np.float64]:
    a, e = np.deg2rad(_AZIMUTH_DEG), np.deg2rad(_ELEVATION_DEG)
    return np.array([np.sin(a) * np.cos(e), -np.cos(a) * np.cos(e), np.sin(e)])


def _axes() -> NDArray[np.float64]:
    a, e = np.deg2rad(_AZIMUTH_DEG), np.deg2rad(_ELEVATION_DEG)
    right = [np.cos(a), np.sin(a), 0]
    down = [np.sin(a) * np.sin(e), -np.cos(a) * np.sin(e), -np.cos(e)]
    return np.array([right, down, -_eye()])


def _fit(points: NDArray[np.float64]) -> tuple[NDArray[np.float64], float]:
    flat = points @ _axes().T
    low, high = flat.min(axis=0), flat.max(axis=0)
    span = np.maximum(high - low, 1e-9)
    scale = float(min((_WIDE - 2 * _EDGE - 78) / span[0], (_HIGH - 2 * _EDGE) / span[1]))
    shift = np.array([_WIDE / 2 + 39, _HIGH / 2, 0]) - scale * np.array([*((low + high)[:2] / 2), low[2]])
    return shift, scale


def _to_screen(lines: NDArray[np.float64], points: NDArray[np.float64]) -> NDArray[np.float64]:
    shift, scale = _fit(points)
    return lines @ _axes().T * scale + shift


def _project(points: NDArray[np.float64]) -> tuple[NDArray[np.float64], float, float]:
    """Points on the page, scale, and the line of the bed on the ruler."""
    seen = _to_screen(points, points)
    _, scale = _fit(points)
    upright = np.cos(np.deg2rad(_ELEVATION_DEG)) * scale
    middle = (seen[:, 1].max() + seen[:, 1].min()) / 2
    return seen, upright, float(middle + upright * points[:, 2].max() / 2)


def _edges(
    points: NDArray[np.float64], faces: NDArray[np.int32], twin: NDArray[np.int64], eye: NDArray[np.float64]
) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
    """Edges that are creases, and edges between a face towards the eye and one away from it."""
    normal = np.cross(points[faces[:, 1]] - points[faces[:, 0]], points[faces[:, 2]] - points[faces[:, 0]])
    size = np.linalg.norm(normal, axis=1)
    normal = np.divide(normal, size[:, None], out=np.zeros_like(normal), where=size[:, None] > 0)
    half = np.arange(twin.size)
    once = half[(half < twin)]
    one, two = once // 3, twin[once] // 3
    ends = np.column_stack([faces.reshape(-1)[once], np.roll(faces, -1, axis=1).reshape(-1)[once]])
    sharp = np.einsum("ij,ij->i", normal[one], normal[two]) < np.cos(np.deg2rad(_CREASE_DEG))
    towards = normal @ eye > 1e-9
    rim = towards[one] != towards[two]
    crease = ends[sharp & ~rim & (towards[one] | towards[two])]
    return _longest(points, crease), _longest(points, ends[rim])


def _longest(points: NDArray[np.float64], ends: NDArray[np.int32]) -> NDArray[np.int32]:
    if len(ends) <= _MOST_LINES:
        return ends
    length = np.linalg.norm(points[ends[:, 0]] - points[ends[:, 1]], axis=1)
    return ends[np.argsort(-length)[:_MOST_LINES]]


def _contours(points: NDArray[np.float64], faces: NDArray[np.int32], twin: NDArray[np.int64]) -> NDArray[np.float64]:
    """Outlines at even heights as separate lines, (k, 2, 3)."""
    top = float(points[:, 2].max())
    level = np.linspace(0, top, _CONTOURS + 2)[1:-1] + 1e-4 * top
    found = cut(points, faces, level, twin)
    out = []
    for k, z in enumerate(level):
        for ring in found.solid(k).simplify(2e-3 * top).to_polygons():
            loop = np.column_stack([ring, np.full(len(ring), z)])
            out.append(np.stack([loop, np.roll(loop, -1, axis=0)], axis=1))
    return np.vstack(out)[: 4 * _MOST_LINES] if out else np.empty((0, 2, 3))


def _in_sight(lines: NDArray[np.float64], depth: NDArray[np.float64], span: float) -> str:
    """Path data of the pieces of lines that are in sight."""
    length = np.linalg.norm(lines[:, 1, :2] - lines[:, 0, :2], axis=1)
    words: list[str] = []
    for pieces in (1, 4, 24, 80):
        at_least = {1: 0.0, 4: 3.0, 24: 12.0, 80: 60.0}[pieces]
        below = {1: 3.0, 4: 12.0, 24: 60.0, 80: np.inf}[pieces]
        some = lines[(length >= at_least) & (length < below)]
        if not len(some):
            continue
        ok = visible_share(some[:, 0] * _BUFFER, some[:, 1] * _BUFFER, depth, 0.012 * span, pieces)
        for (p, q), seen in zip(some[:, :, :2], ok, strict=True):
            change = np.flatnonzero(np.diff(np.concatenate([[0], seen, [0]])))
            for a, b in zip(change[::2] / pieces, change[1::2] / pieces, strict=True):
                (x, y), (u, v) = p + a * (q - p), p + b * (q - p)
                start = f"M{x:.1f} {y:.1f}"
                words.append(
                    f"L{u:.1f} {v:.1f}" if words and words[-1].endswith(start[1:]) else f"{start}L{u:.1f} {v:.1f}"
                )
    return "".join(words)


def _ruler(points: NDArray[np.float64], bed: float, scale: float, marks: tuple[tuple[float, str, str], ...]) -> str:
    top = float(points[:, 2].max())
    x = 14.0
    head = min(bed - top * scale, bed - 15)  # a flat part has its two words above one another
    out = [f'<path d="M{x} {bed:.1f}V{bed - top * scale:.1f}M{x - 5} {bed:.1f}h10M{x - 5} {bed - top * scale:.1f}h10" '
           f'stroke="{INK}" stroke-width="1" fill="none"/>',
           _text(x + 8, bed + 4, "bed"), _text(x + 8, head + 4, f"{top:.0f} mm")]  # fmt: skip
    taken = [bed, head]
    for z, colour, words in marks:
        y = bed - z * scale
        out.append(f'<path d="M{x - 6} {y:.1f}h12" stroke="{colour}" stroke-width="3"/>')
        while any(abs(y - t) < 13 for t in taken):
            y -= 3
        taken.append(y)
        out.append(_text(x + 8, y + 4, words))
    return "".join(out)


def _text(x: float, y: float, words: str, anchor: str = "start") -> str:
    safe = escape(words)
    return f'<text x="{x:.1f}" y="{y:.1f}" font-size="14" fill="{INK}" text-anchor="{anchor}">{safe}</text>'


def _frame(body: str, title: str) -> str:
    safe = escape(title)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDE:g} {_HIGH:g}" role="img" '
        f'font-family="Georgia, serif"><title>{safe}</title>{body}</svg>'
    )
