"""Imports go one way: a room imports only rooms of a lower rank, read from the import lines themselves."""

import ast
import re
from pathlib import Path

import pliant

RANK = {
    "errors": 0, "constants": 0, "colours": 0, "units": 0, "checks": 0, "say": 0, "progress": 0, "files": 0,
    "sampling": 0, "search": 0, "ahead": 0, "version": 0, "arrays": 0,
    "records": 1,
    "kernels": 2,
    "models": 3, "language": 3,
    "feed": 4, "program": 4, "mesh": 4, "photo": 4,
    "job": 5, "piece": 5,
    "proving": 6,
    "mending": 7, "recipe": 7, "coupons": 7, "learning": 7, "book": 7,
    "report": 8,
    "workflows": 9,
    "bench": 10, "cli": 11,  # the verb `bench` starts the other
}  # fmt: skip
FLOOR_ORDER = {
    "errors": 0, "constants": 0, "colours": 0, "say": 0, "progress": 0, "units": 1, "checks": 1, "files": 1,
    "sampling": 1, "search": 0, "ahead": 1, "version": 0, "arrays": 0,
}  # fmt: skip
ROOT = Path(pliant.__file__).parent


def _in_words() -> str:
    """The table as docs/rooms.md has it."""
    ranks: dict[int, list[str]] = {}
    for room, rank in RANK.items():
        ranks.setdefault(rank, []).append(room)
    floor, *rooms = (" ".join(names) for _, names in sorted(ranks.items()))
    return " → ".join([f"floor (`{floor}`)", *(f"`{names}`" for names in rooms)])


def test_the_page_of_the_rooms_is_this_table():
    page = (Path(__file__).parents[1] / "docs" / "rooms.md").read_text(encoding="utf-8")
    assert _in_words() in page, _in_words()


def _imports(path: Path) -> list[str]:
    found = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module and node.level == 0:
            found.append(node.module)
            if node.module == "pliant":  # rooms by way of the front door
                found += [f"pliant.{alias.name}" for alias in node.names if alias.name in RANK]
        elif isinstance(node, ast.Import):
            found += [alias.name for alias in node.names]
    return [name for name in found if name.startswith("pliant.")]


def _room(parts: tuple[str, ...]) -> str:
    return parts[0].removesuffix(".py")


def test_a_room_taken_from_the_front_door_is_seen(tmp_path):
    (tmp_path / "low.py").write_text("from pliant import workflows, check\nfrom pliant.feed import chain\n")
    assert _imports(tmp_path / "low.py") == ["pliant.workflows", "pliant.feed"]


def test_imports_go_one_way():
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


def test_the_rule_can_fail():
    assert RANK["models"] < RANK["feed"]
    assert _imports(ROOT / "checks.py") == ["pliant.errors", "pliant.say"]


_OPTION = re.compile(r"(?<![\w-])--[a-z][a-z-]+|(?<![\w-])-[mfpo](?![\w-])")
_VERB = re.compile(
    r"(?:`|: |run )pliant (?:read|check|mend|plan|part|feel|dry|coupon|learn|next|batch|book|new|demo|bench)\b"
)


def _prose(path: Path) -> list[str]:
    """What a module says: its text literals, or all of a template but its rules of style."""
    text = path.read_text(encoding="utf-8")
    if path.suffix == ".py":
        tree = ast.parse(text)
        holders = (ast.Module, ast.ClassDef, ast.FunctionDef, ast.AsyncFunctionDef)
        unsaid = {id(n.body[0].value) for n in ast.walk(tree) if isinstance(n, holders) and ast.get_docstring(n)}
        said = (n for n in ast.walk(tree) if isinstance(n, ast.Constant) and isinstance(n.value, str))
        return [n.value for n in said if id(n) not in unsaid]
    return [re.sub(r"<style.*?</style>|<!--.*?-->|\{#.*?#\}|style=\"[^\"]*\"", "", text, flags=re.S)]


def _of_the_command_line(said: str) -> list[str]:
    rules = re.sub(r"var\(--[a-z-]+|--[a-z-]+:|-->|<!--", "", said)  # rules of style
    return _OPTION.findall(rules) + _VERB.findall(rules)


def test_nothing_below_the_command_line_speaks_its_words():
    wrong = []
    for path in sorted(p for p in ROOT.rglob("*") if p.suffix in (".py", ".html")):
        if _room(path.relative_to(ROOT).parts) in ("cli", "bench"):
            continue
        wrong += [f"{path.relative_to(ROOT)}: {w}" for said in _prose(path) for w in _of_the_command_line(said)]
    assert wrong == []
    assert _of_the_command_line("name it with --dialect, or `pliant book list` it") == ["--dialect", "`pliant book"]
    assert _of_the_command_line("color: var(--ink); a-b; -40") == []


def test_every_name_that_a_message_asks_for_is_known_to_the_shells():
    from pliant.bench.faults import _FIELDS
    from pliant.cli import main
    from pliant.cli.shell import _verbs, named

    def parameters(command):
        for one in getattr(command, "commands", {}).values():
            yield from parameters(one)
        yield from named(command.params)

    known = set(_verbs(main, "pliant")) | set(parameters(main))
    asked = {
        name
        for path in sorted(ROOT.rglob("*.py"))
        if _room(path.relative_to(ROOT).parts) not in ("cli", "bench", "say.py")
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Raise)
        for said in ast.walk(node)
        if isinstance(said, ast.Constant) and isinstance(said.value, str)
        for name in re.findall(r"`([a-z][a-z_0-9.]*(?:\(\))?)`", said.value)
    }
    assert asked and asked <= known
    assert set(_FIELDS) <= known


def _graph() -> dict[str, set[str]]:
    """Every module with the modules that it imports, wherever in it, `from pliant.a import b` as either."""
    modules = {".".join(("pliant", *p.relative_to(ROOT).with_suffix("").parts)): p for p in ROOT.rglob("*.py")}
    modules = {name.removesuffix(".__init__"): path for name, path in modules.items()}
    graph = {}
    for name, path in modules.items():
        found = set()
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ImportFrom) and node.module and node.level == 0:
                found |= {node.module, *(f"{node.module}.{alias.name}" for alias in node.names)}
            elif isinstance(node, ast.Import):
                found |= {alias.name for alias in node.names}
        graph[name] = {f for f in found if f in modules} - {name, "pliant"}
    return graph


def _circles(graph: dict[str, set[str]]) -> list[str]:
    """Modules that lead back to themselves."""
    left = dict(graph)
    while free := [name for name, needs in left.items() if not needs & left.keys()]:
        for name in free:
            del left[name]
    return sorted(left)


def test_no_module_leads_back_to_itself_inside_a_room_either():
    graph = _graph()
    assert _circles({n: needs for n, needs in graph.items() if n != "pliant"}) == []
    assert _circles({"a": {"b"}, "b": {"a"}, "c": {"a"}}) == ["a", "b", "c"]
    assert "pliant.kernels.load" in graph["pliant.feed.load"]


def test_the_front_door_is_for_users():
    """Inside, nothing is taken from it but rooms by their name."""
    wrong = []
    for path in sorted(ROOT.rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ImportFrom) and node.module == "pliant" and node.level == 0:
                wrong += [f"{path.name}: {a.name}" for a in node.names if not (ROOT / a.name).is_dir()
                          and not (ROOT / f"{a.name}.py").exists()]  # fmt: skip
    assert wrong == []
