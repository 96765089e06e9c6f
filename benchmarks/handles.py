"""Time the window map under a hand against the map that `plan` draws once: prints machine, versions and ratio."""

import platform
import time

import numpy as np

from pliant.records.starters import starter
from pliant.workflows.handles import Handles
from pliant.workflows.plan import window_of


def main() -> None:
    handles = Handles.of(starter("machine"), starter("filament"), starter("recipe"))
    speeds = iter(np.linspace(4, 40, 100))

    def best(work, times=7):
        took = []
        for _ in range(times):
            begun = time.perf_counter()
            work()
            took.append(time.perf_counter() - begun)
        return min(took)

    once = best(lambda: window_of(handles.carried, handles.baseline, None))
    moved = best(lambda: handles.map_at(0.2, 0.45, float(next(speeds)), 220.0))
    print(f"{platform.machine()}, Python {platform.python_version()}, numpy {np.__version__}")
    print(f"map of plan {1e3 * once:.0f} ms; under a handle {1e3 * moved:.0f} ms; ratio {moved / once:.2f}")


if __name__ == "__main__":
    main()
