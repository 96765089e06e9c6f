"""Compile everything once, at set-up, so that the first answer does not wait for it."""

import tempfile
from pathlib import Path

from pliant.records.starters import starter
from pliant.workflows.mend import mend
from pliant.workflows.workshop import feet_program

__all__ = ["warm"]


def warm() -> None:
    """Check and mend a small (invented) program, which compiles every kernel to disk."""
    with tempfile.TemporaryDirectory(prefix="pliant-") as name:
        folder = Path(name)
        (folder / "p.gcode").write_text(feet_program(layers=2), encoding="utf-8")
        (folder / "m.toml").write_text(starter("machine", "open-gap"), encoding="utf-8")
        (folder / "f.toml").write_text(starter("filament", "95A"), encoding="utf-8")
        mend(folder / "p.gcode", folder / "m.toml", folder / "f.toml")


if __name__ == "__main__":
    warm()
