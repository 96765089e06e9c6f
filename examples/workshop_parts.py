"""Meshes of the example workshop's four (invented) parts, as binary STL."""

import math
from collections.abc import Iterator
from typing import Any

import numpy as np

__all__ = ["part_files"]


def _circle(x: float, y: float, r: float, n: int = 64) -> list[tuple[float, float]]:
    turn = [2 * math.pi * k / n for k in range(n)]
    return [(x + r * math.cos(a), y + r * math.sin(a)) for a in turn]


def _stl(solid: Any, title: str) -> bytes:
    mesh = solid.to_mesh()
    corner = np.asarray(mesh.vert_properties, dtype=np.float32)[:, :3][np.asarray(mesh.tri_verts)]
    record = np.zeros(len(corner), dtype=[("normal", "<f4", 3), ("corner", "<f4", (3, 3)), ("free", "<u2")])
    record["corner"] = corner
    head = f"invented example: {title}".encode().ljust(80, b" ")
    return head + np.uint32(len(corner)).tobytes() + record.tobytes()


def part_files() -> Iterator[tuple[str, bytes]]:
    """Name and bytes of every mesh."""
    from manifold3d import CrossSection, Manifold

    def plate(*loops: list[tuple[float, float]]) -> Any:
        return CrossSection(list(loops))

    ring = plate(_circle(0, 0, 42, 160), _circle(0, 0, 30, 160)[::-1])
    for k in range(8):
        a = k * math.pi / 4
        ring -= plate(_circle(36 * math.cos(a), 36 * math.sin(a), 2.4))
    yield "gasket.stl", _stl(Manifold.extrude(ring, 1.6), "ring gasket with eight bolt holes")
    dome = plate([(0.0, 0.0), (6.2, 0.0), *((6.2 - 1.6 * (h / 16) ** 2, h * 0.2) for h in range(1, 17)), (0.0, 3.2)])
    foot = Manifold.revolve(dome, 64)
    feet = Manifold.compose([foot.translate((22.0 * (k % 4), 22.0 * (k // 4), 0.0)) for k in range(12)])
    yield "feet.stl", _stl(feet, "twelve bumper feet")
    body = Manifold.extrude(plate(_circle(0, 0, 4.4), _circle(0, 0, 3.0)[::-1]), 10.0)
    for z in (1.6, 5.6):
        for k in range(6):
            arc = [k * math.pi / 3 + math.radians(16) * t / 5 for t in range(-5, 6)]
            outer = [(9.0 * math.cos(t), 9.0 * math.sin(t)) for t in arc]
            inner = [(4.0 * math.cos(t), 4.0 * math.sin(t)) for t in reversed(arc)]
            body += Manifold.extrude(plate([*outer, *inner]), 2.4).translate((0.0, 0.0, z))
    yield "strain-relief.stl", _stl(body, "finned cable strain relief")
    height = np.linspace(0.0, 12.0, 61)
    radius = 16.0 + 2.5 * np.sin(2 * math.pi * height / 4.0)
    wall = [*zip(radius, height, strict=True), *zip(radius[::-1] - 0.45, height[::-1], strict=True)]
    yield "bellows.stl", _stl(Manifold.revolve(plate([(float(r), float(z)) for r, z in wall]), 96), "thin bellows boot")
