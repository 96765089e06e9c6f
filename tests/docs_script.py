"""Scripts of docs/ as modules, for the tests."""

import importlib.util
from pathlib import Path

DOCS = Path(__file__).parents[1] / "docs"


def script(name):
    """Load a script of docs/."""
    spec = importlib.util.spec_from_file_location(name, DOCS / f"{name}.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module
