"""How large a file, a function and a room may be."""

import ast
from pathlib import Path

import pliant

ROOT = Path(pliant.__file__).parent
MOST_LINES, MOST_BODY, MOST_SHARE = 400, 60, 0.1


def _functions(text):
    """Name, lines of code without the docstring, and docstring of every function of a module."""
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            said = ast.get_docstring(node) or ""
            first = node.body[1] if said and len(node.body) > 1 else node.body[0]
            yield node.name, node.end_lineno - first.lineno + 1, said


def _too_long(text):
    return [name for name, lines, said in _functions(text) if lines > MOST_BODY and "Long on purpose" not in said]


def test_limit_no_file_is_over_400_lines():
    long = {p.name: n for p in ROOT.rglob("*.py") if (n := len(p.read_text("utf-8").splitlines())) > MOST_LINES}
    assert long == {}


def test_limit_no_function_is_over_60_lines_unless_it_says_why():
    long = [f"{p.stem}.{name}" for p in ROOT.rglob("*.py") for name in _too_long(p.read_text("utf-8"))]
    assert long == []


def test_limit_the_largest_room_holds_under_a_tenth_of_the_lines():
    lines = dict[str, int]()
    for path in ROOT.rglob("*.py"):
        room = path.relative_to(ROOT).parts[0]
        lines[room] = lines.get(room, 0) + len(path.read_text("utf-8").splitlines())
    largest = max(lines, key=lambda room: lines[room])
    assert lines[largest] < MOST_SHARE * sum(lines.values()), f"{largest}: {lines[largest]} of {sum(lines.values())}"


def test_the_rule_can_fail():
    body = "    x = 1\n" * 61
    assert _too_long(f"def f():\n{body}") == ["f"]
    assert _too_long(f'def f():\n    """Do.\n\n    Long on purpose: one walk.\n    """\n{body}') == []
    assert _too_long(f'def f():\n    """Do.\n{"    more" * 70}\n    """\n    x = 1\n') == []
