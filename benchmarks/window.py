"""Window map: one set of samples over the whole grid, against asking the chain point by point, in the same run.

python benchmarks/window.py
"""

import platform
import time
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from pliant.feed.envelope import Envelope
from pliant.feed.risk import jam_risk
from pliant.models.bead import bead_area_mm2
from pliant.recipe.window import carry, window_map
from pliant.records.filament import read_filament
from pliant.records.machine import read_machine
from pliant.records.starters import starter

SPEEDS, TEMPERATURES, ONE_BY_ONE = 40, 15, 60


def main() -> None:
    with TemporaryDirectory() as folder:
        (Path(folder) / "m.toml").write_text(starter("machine", "tube-2.0"))
        (Path(folder) / "f.toml").write_text(starter("filament", "85A"))
        machine, filament = read_machine(Path(folder) / "m.toml"), read_filament(Path(folder) / "f.toml")
    speed, celsius = np.geomspace(0.5, 60, SPEEDS), np.linspace(200, 240, TEMPERATURES)
    carry(machine, filament)  # the first call fills the series of the melt

    start = time.perf_counter()
    carried = carry(machine, filament)
    drawn = time.perf_counter() - start
    start = time.perf_counter()
    window = window_map(
        carried, bead="beads behind the outside", width_mm=0.45, squeezed_width_mm=0.45, layer_height_mm=0.2,
        speed_mm_per_s=speed,
        nozzle_c=celsius, allowed_c=(210, 230), baseline=(50, 205),
    )  # fmt: skip
    mapped = time.perf_counter() - start

    area, rng = float(bead_area_mm2(0.45, 0.2)), np.random.default_rng(3)
    picked = [(int(i), int(j)) for i, j in zip(
        rng.integers(TEMPERATURES, size=ONE_BY_ONE), rng.integers(SPEEDS, size=ONE_BY_ONE), strict=True
    )]  # fmt: skip
    start = time.perf_counter()
    told = [
        jam_risk(
            Envelope.steady([speed[j] * area], celsius[i], [0.45], [0.2], [False]), machine, filament, shares=False
        ).probability
        for i, j in picked
    ]
    each = (time.perf_counter() - start) / ONE_BY_ONE
    off = max(abs(window.jam_probability[i][j] - p) for (i, j), p in zip(picked, told, strict=True))
    print(f"{platform.machine()}, Python {platform.python_version()}, numpy {np.__version__}")
    print(
        f"samples and margins drawn once: {1e3 * drawn:.0f} ms; map of {SPEEDS} x {TEMPERATURES}: {1e3 * mapped:.0f} ms"
    )
    print(f"point by point: {1e3 * each * SPEEDS * TEMPERATURES:.0f} ms for the same map; largest difference {off:.5f}")
    print(f"ratio: {each * SPEEDS * TEMPERATURES / (drawn + mapped):.0f} times quicker")


if __name__ == "__main__":
    main()
