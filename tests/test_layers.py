"""Imports go one way: a room imports only rooms of a lower rank, read from the import lines themselves."""

import ast
from pathlib import Path

import pliant

RANK = {
    "errors": 0, "constants": 0, "units": 0, "checks": 0, "say": 0, "progress": 0, "files": 0,
    "records": 1,
    "kernels": 2,
    "models": 3,
    "feed": 4, "program": 4, "part": 4,
    "job": 5,
    "mend": 6, "recipe": 6, "coupon": 6, "learn": 6, "book": 6,
    "report": 7,
    "workflows": 8,
    "bench": 9, "cli": 10,  # the verb `bench` starts the other
}  # fmt: skip
FLOOR_ORDER = {"errors": 0, "constants": 0, "say": 0, "progress": 0, "units": 1, "checks": 1, "files": 1}
ROOT = Path(pliant.__file__).parent


def _imports(path: Path) -> list[str]:
    found = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module and node.level == 0:
            found.append(node.module)
        elif isinstance(node, ast.Import):
            found += [alias.name for alias in node.names]
    return [name for name in found if name.startswith("pliant.")]


def _room(parts: tuple[str, ...]) -> str:
    return parts[0].removesuffix(".py")


def test_limit_imports_go_one_way():
    wrong = []
    for path in sorted(ROOT.rglob("*.py")):
        relative = path.relative_to(ROOT)
        if relative.name == "__init__.py" and len(relative.parts) == 1:
            continue
        here = _room(relative.parts)
        for name in _imports(path):
            there = name.split(".")[1]
            same_room = here == there
            floor_ok = FLOOR_ORDER.get(there, 9) < FLOOR_ORDER.get(here, -1)
            if not same_room and not floor_ok and RANK[there] >= RANK[here]:
                wrong.append(f"{relative} imports {name}")
    assert wrong == []


def test_limit_the_rule_can_fail():
    assert RANK["models"] < RANK["feed"]
    assert _imports(ROOT / "checks.py") == ["pliant.errors", "pliant.say"]
