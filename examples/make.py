"""Write the files of the example workshop (all of it invented) to a folder: `python examples/make.py FOLDER`."""

import sys
from pathlib import Path

from pliant.workflows.workshop import files
from workshop_parts import part_files


def main() -> None:
    """Write records, programs and meshes."""
    folder = Path(sys.argv[1] if len(sys.argv) > 1 else "examples/workshop")
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in files():
        (folder / name).write_text(text, encoding="utf-8")
    for name, data in part_files():
        (folder / name).write_bytes(data)


if __name__ == "__main__":
    main()
