"""Pictures of a stop-start piece in its frame, drawn by other rules than the reader's, with known truth.

The bead is a surface: a half-round cross-section whose height and slope are lit from a side, through which its ground
shows; a shadow lies beside it. It is drawn at 50 pixels a millimetre, seen through a pinhole with a bent lens, blurred
and made noisy. Nothing of `pliant.photo` is used but where the marks are.
"""

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from pliant.photo import marks


@dataclass(frozen=True)
class Scene:
    """How a picture is taken; lengths in millimetres."""

    bead: float = 0.42  # [-] shine of the bead where the light falls straight
    clear: float = 0.5  # [-] share of the ground that shows through
    ground: float = 0.55  # [-] of the bed
    rough: float = 0.01  # [-] of the bed's texture
    light: tuple[float, float] = (0.3, 0.8)  # direction it comes from
    side: float = 0.25  # [-] how much comes from the side
    shadow: float = 0.1
    tilt: tuple[float, float] = (8.0, -5.0)  # [deg]
    turn: float = 7.0  # [deg]
    bend: float = 0.03
    blur_px: float = 0.9
    noise: float = 2.5  # [levels]
    size: tuple[int, int] = (4000, 3000)
    at: tuple[float, float] = (1.3, -0.8)  # of the piece in its frame
    laid_deg: float = 1.7
    printed: float = 1.0  # size of the frame on paper
    glare: float = 0.0  # radius of a burnt spot
    cover: tuple[float, float] | None = None  # a finger on the frame
    fade: float = 0.25  # [-] how much darker one side is
    seed: int = 1
    form: tuple[int, int] = field(default=marks.FORM)


def taper_width(row: Any, tail_mm: float, lead_mm: float, along: np.ndarray) -> np.ndarray:
    """Width along a row: falls as 1/(1 + (x/L)^2) to half at the tail, comes as 1 - 2^(-x/L)."""
    full = row.width_mm
    x, y = along - row.stop_mm, along - row.start_mm
    tail = full / (1 + (np.maximum(x, 0) / tail_mm) ** 2)
    lead = full * (1 - 2.0 ** (-np.maximum(y, 0) / lead_mm))
    return np.where(y > 0, np.maximum(lead, tail), tail)


def render(rows: Any, code: tuple[int, int], truth: list[tuple[float, float]], scene: Scene = Scene()) -> np.ndarray:
    """The picture, `(rows, columns, 3)` of uint8."""
    import cv2

    rng = np.random.default_rng(scene.seed)
    sheet = _sheet(rows, code, truth, scene, rng)
    return _seen(sheet, scene, rng, cv2)


PX = 25  # of the sheet, a millimetre
HALF = 80.0


def _sheet(rows, code, truth, scene, rng):
    import cv2

    n = int(2 * HALF * PX)
    img = np.full((n, n), 0.92, np.float32)
    window = _px(np.array([[-50, -50], [50, 50]]) * scene.printed)
    x0, y1 = window[0].astype(int)
    x1, y0 = window[1].astype(int)
    bed = scene.ground * (1 + scene.rough * rng.standard_normal((y1 - y0, x1 - x0)).astype(np.float32))
    img[y0:y1, x0:x1] = cv2.GaussianBlur(bed, None, 1.5)
    places = marks.mark_places(code)
    for given, used in zip(marks.FORM, scene.form, strict=True):
        places[used] = places.pop(given)
    for number, (x, y) in places.items():
        s = marks.MARK_MM / 6 * scene.printed
        grid = np.zeros((6, 6), bool)
        grid[1:5, 1:5] = marks.mark_bits(number)
        for r in range(6):
            for c in range(6):
                corner = np.array([x, y]) * scene.printed + np.array([c - 3, 3 - r]) * s
                (a, b), (d, e) = _px(corner + np.array([(0, 0), (s, -s)]))
                img[round(b) : round(e), round(a) : round(d)] = 0.92 if grid[r, c] else 0.06
    _lay(img[y0:y1, x0:x1], rows, truth, scene, np.array([x0, y0]))
    if scene.glare:
        cv2.circle(img, tuple(_px(np.array([5.0, 0.0])).astype(int).tolist()), int(scene.glare * PX), 1.6, -1)
    if scene.cover:
        cv2.circle(img, tuple(_px(np.array(scene.cover)).astype(int).tolist()), 9 * PX, 0.5, -1)
    ramp = 1 - scene.fade * np.linspace(0, 1, n, dtype=np.float32)
    return img * ramp[None, :]


def _px(p):
    return np.column_stack([(p[..., 0] + HALF) * PX, (HALF - p[..., 1]) * PX]) if p.ndim > 1 else np.array(
        [(p[0] + HALF) * PX, (HALF - p[1]) * PX])  # fmt: skip


def _lay(img, rows, truth, scene, corner):
    """Height of the bead everywhere, by discs along the path; then light."""
    import cv2

    corners = np.array([c for r in rows for c in r.corners])
    middle = (corners.min(axis=0) + corners.max(axis=0)) / 2
    t = np.radians(scene.laid_deg)
    turn = np.array([[np.cos(t), -np.sin(t)], [np.sin(t), np.cos(t)]])
    high, there = np.zeros_like(img), np.zeros_like(img)
    for row, (tail, lead) in zip(rows, truth, strict=True):
        s = np.arange(0, row.length_mm, 0.04)
        line, width = row.at(s), taper_width(row, tail, lead, s)
        for tooth in (row.stop_mm, row.second_mm):
            up = np.arange(0, row.tooth_mm, 0.04)
            line = np.concatenate([line, row.at(np.full(len(up), tooth)) + np.column_stack([0 * up, up])])
            width = np.concatenate([width, np.full(len(up), row.width_mm)])
        place = _px((line - middle) @ turn.T + np.array(scene.at)) - corner
        for (x, y), w in zip(place, width, strict=True):
            _disc(high, there, x, y, w / 2 * PX)
    flat = np.minimum(high, 0.16)  # the nozzle presses it flat at the height of the layer
    shape = cv2.GaussianBlur(flat, None, 0.6)
    gy, gx = np.gradient(shape * PX)
    lit = scene.bead * (1 + scene.side * np.clip(-(gx * scene.light[0] - gy * scene.light[1]), -2, 2))
    through = 1 - (1 - scene.clear) * np.clip(shape / 0.16, 0, 1)
    shadow = 1 - scene.shadow * np.clip(cv2.GaussianBlur(
        np.roll(shape, (int(scene.light[1] * 8), int(-scene.light[0] * 8)), (0, 1)), None, 7) / 0.16, 0, 1)  # fmt: skip
    base = img * np.where(there < 1, shadow, 1)
    seen = lit * (1 - scene.clear) * 2 + base * (through - (1 - scene.clear) * 0.2)
    img[:] = (1 - there) * base + there * seen


def _disc(high, there, x, y, r):
    """Pressed melt of radius r: flat, with half-round sides of half the layer's height, as seen from above."""
    a, b, c, d = int(x - r) - 1, int(x + r) + 3, int(y - r) - 1, int(y + r) + 3
    yy, xx = np.ogrid[c:d, a:b]
    rho, round_ = np.sqrt((xx - x) ** 2 + (yy - y) ** 2), min(r, 0.08 * PX)
    side = np.maximum(rho - (r - round_), 0)
    h = np.where(rho <= r, round_ + np.sqrt(np.maximum(round_**2 - side**2, 0)), 0) / PX
    np.maximum(there[c:d, a:b], np.clip(r - rho + 0.5, 0, 1), out=there[c:d, a:b])
    np.maximum(high[c:d, a:b], h, out=high[c:d, a:b])


def _seen(sheet, scene, rng, cv2):
    """Through a camera: a turn, a tilt, a lens; `p = c + (q - c)(1 + k r^2)`, r of half the diagonal."""
    columns, rows = scene.size
    focal = 0.85 * columns
    ax, ay = np.radians(scene.tilt)
    az = np.radians(scene.turn)
    rx = np.array([[1, 0, 0], [0, np.cos(ax), -np.sin(ax)], [0, np.sin(ax), np.cos(ax)]])
    ry = np.array([[np.cos(ay), 0, np.sin(ay)], [0, 1, 0], [-np.sin(ay), 0, np.cos(ay)]])
    rz = np.array([[np.cos(az), -np.sin(az), 0], [np.sin(az), np.cos(az), 0], [0, 0, 1]])
    turn = rz @ ry @ rx
    away = focal * 192.0 / rows
    camera = np.array([[focal, 0, columns / 2], [0, focal, rows / 2], [0, 0, 1]])
    to_mm = np.array([[1 / PX, 0, -HALF], [0, 1 / PX, -HALF], [0, 0, 1]])
    plane = camera @ np.column_stack([turn[:, 0], turn[:, 1], [0, 0, away]]) @ to_mm
    u, v = np.meshgrid(np.arange(1.5, columns, 4, dtype=np.float32), np.arange(1.5, rows, 4, dtype=np.float32))
    p = np.stack([u - columns / 2, v - rows / 2], -1) / (np.hypot(columns, rows) / 2)
    q = p.copy()
    for _ in range(6):  # the bend taken off
        q = p / (1 + scene.bend * np.sum(q**2, -1, keepdims=True))
    q = q * (np.hypot(columns, rows) / 2) + np.array([columns / 2, rows / 2])
    back = np.linalg.inv(plane).astype(np.float32)
    w = back[2, 0] * q[..., 0] + back[2, 1] * q[..., 1] + back[2, 2]
    mx = (back[0, 0] * q[..., 0] + back[0, 1] * q[..., 1] + back[0, 2]) / w
    my = (back[1, 0] * q[..., 0] + back[1, 1] * q[..., 1] + back[1, 2]) / w
    mx, my = (cv2.resize(m.astype(np.float32), (columns, rows)) for m in (mx, my))  # smooth: every fourth is enough
    seen = cv2.remap(sheet, mx, my, cv2.INTER_LINEAR, borderValue=0.5)
    seen = cv2.GaussianBlur(seen, None, scene.blur_px) if scene.blur_px else seen
    seen = 200 * seen[..., None] * np.array([0.9, 1.0, 0.95], np.float32)
    seen += scene.noise * rng.standard_normal(seen.shape, dtype=np.float32)
    return np.clip(seen, 0, 255).astype(np.uint8)
