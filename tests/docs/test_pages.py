"""The pages say what the program does: verbs, commands, keys, units, parts of a model's page."""

import json
import re
import shlex
import tomllib
from dataclasses import fields

import click
import pytest
from click.testing import CliRunner

from docs_script import DOCS, script
from json_keys import differences, table_of
from pliant.cli import main
from pliant.records import baseline, filament, machine
from pliant.records.starters import MACHINES, RECIPES, SPOOLS, starter
from pliant.records.tonight import Trying
from pliant.workflows.workshop import RECORDS, gasket_program

PAGES = script("make_pages")
# pages that are written from the program or are not ours to judge line by line
TEXTS = [p for p in [*sorted(DOCS.rglob("*.md")), DOCS.parent / "README.md"] if "_build" not in p.parts]


def test_regression_pages_of_the_verbs_are_current():
    # after a wanted change: python docs/make_pages.py
    there = {p.name: p.read_text(encoding="utf-8") for p in (DOCS / "cli").glob("*.md")}
    assert there == PAGES.verb_pages()


def test_every_verb_and_option_is_documented():
    assert PAGES.undocumented(main.commands) == []


def test_an_undocumented_verb_is_found():
    new = click.Command("polish", params=[click.Option(["--hard"])])
    found = PAGES.undocumented(main.commands | {"polish": new})
    assert [line.split(":")[0] for line in found] == ["polish", "polish", "polish --hard"]
    gone = {name: verb for name, verb in main.commands.items() if name != "check"}
    assert PAGES.undocumented(gone) == ["check: in VERBS, but no such verb"]


# -- every command that a page shows can be given


def _commands(text):
    """Commands as a reader would copy them, and those that are named in a sentence."""
    text = re.sub(r"\\\n(> )?", " ", text)
    code = re.findall(r"^(?:\s{4,}|\$ )(?:\S*/)?pliant (.*)$", text, re.M)
    code += re.findall(r"\bdo pliant (.*?);", text)
    code += re.findall(r"^pliant (.*)$", "\n".join(re.findall(r"```\n(.*?)```", text, re.S)), re.M)
    named = re.findall(r"`pliant ([a-z][^`]*)`", text)
    return [c for c in code if "…" not in c], [c for c in named if "…" not in c]


def _words(command):
    words = shlex.split(command, comments=True)
    stop = [i for i, w in enumerate(words) if w in (">", "|", "&&")]
    return words[: stop[0]] if stop else words


def _given(words):
    """Let click read the words as far as the verb; nothing runs."""
    context, verb = None, main
    while True:
        name, *words = ["pliant", *words] if context is None else words
        context = verb.make_context(name, list(words), parent=context, resilient_parsing=False)
        if not isinstance(verb, click.Group):
            return
        rest = [*context._protected_args, *context.args]
        if not rest:
            return
        _, verb, _ = verb.resolve_command(context, rest)
        words = rest


def _complaint(command, named=False):
    try:
        _given(_words(command))
    except (click.MissingParameter, click.exceptions.NoArgsIsHelpError) as error:
        return None if named else f"pliant {command}: {error.format_message()}"
    except click.ClickException as error:
        return f"pliant {command}: {error.format_message()}"
    return None


def _complaints(text):
    code, named = _commands(text)
    found = [_complaint(c) for c in code] + [_complaint(c, named=True) for c in named]
    return [c for c in found if c]


@pytest.mark.parametrize("page", TEXTS, ids=lambda p: p.relative_to(DOCS.parent).as_posix())
def test_commands_on_the_page_can_be_given(page):
    assert _complaints(page.read_text(encoding="utf-8")) == []


def test_a_wrong_command_is_found():
    wrong = "    pliant check job.gcode -m m.toml\n`pliant polish`, `pliant dry -f x --hot`\n$ pliant book shout\n"
    wrong += "```\npliant new engine\n```\n       pliant check --json \\\n> -m x\nfor x in y; do pliant batch; done\n"
    assert len(_complaints(wrong)) == 7
    right = "`pliant check --json`, `pliant mend --add coast`\n    pliant check a -m b \\\n      -f c | head -3\n"
    right += '$ pliant book history "My spool" > x  # and look\n'
    assert [len(found) for found in _commands(right)] == [2, 2]
    assert _complaints(right) == []


# -- keys and units


def _paths(value, before=""):
    """Keys of nested plain data, lists by their first entry."""
    if isinstance(value, dict):
        for key, inner in value.items():
            deeper = list(_paths(inner, f"{before}{key}."))
            yield from deeper or [before + key]
    elif isinstance(value, list) and value and isinstance(value[0], dict):
        yield from _paths(value[0], before)


@pytest.fixture(scope="module")
def desk(tmp_path_factory):
    folder = tmp_path_factory.mktemp("keys")
    for name, text in RECORDS.items():
        (folder / name).write_text(text)
    (folder / "job.gcode").write_text(gasket_program(layers=2))

    def json_of(verb, *more):
        words = [verb, folder / "job.gcode", *more, "--json"]
        if verb != "read":
            words += ["-m", folder / "bench-2.machine.toml", "-f", folder / "85A.filament.toml"]
        result = CliRunner().invoke(main, [str(w) for w in words])
        assert result.exit_code in (0, 1), result.output
        return json.loads(result.stdout)

    return folder, json_of


def test_every_key_of_the_json_is_listed(desk):
    """And the other way round; those of the other verbs are compared where the verbs are tested."""
    folder, json_of = desk
    assert differences(json_of("read"), "read") == (set(), set())
    for _ in range(2):  # the second time the book knows of the first
        checked = json_of("check", "--book", folder / "book.sqlite")
    assert differences(checked, "read", "check") == (set(), set())
    mended = json_of("mend", "-o", folder / "out.gcode")
    assert differences(mended, "mend") == (set(), set())
    assert differences(mended["before"], "read", "check")[0] == set()


def test_a_key_that_is_not_listed_or_not_printed_is_found():
    known = {key: 1 for key in table_of("keys.md", "next --json") if "." not in key}
    ranked = {"kind": "ladder", "label": "ladder", "error": 0.1, "hue": 3}
    assert differences(known | {"ranked": [ranked], "more": []}, "next") == (
        {"ranked.hue", "more"}, {"ranked.shrinkage", "ranked.nozzle_c", "ranked.gap_mm"},
    )  # fmt: skip
    assert differences(known | {"ranked": []}, "next") == (set(), set())


def test_every_verb_with_json_has_its_keys_listed_and_compared():
    verbs = {
        f"{name} {k}".strip()
        for name, verb in main.commands.items()
        for k, command in (verb.commands.items() if isinstance(verb, click.Group) else [("", verb)])
        if any("--json" in option.opts for option in command.params)
    }
    same = {f"book {verb}" for verb in ("import", "backup", "verify", "rescue")}
    assert {verb.split(" --")[0] for verb in PAGES.PRINTED} == verbs - same
    tests = " ".join(p.read_text(encoding="utf-8") for p in DOCS.parent.glob("tests/*/test_*.py"))
    compared = re.findall(r'differences\([^\n]*?"([a-z ]+)"(?:, "([a-z]+)")?\)', tests)
    assert {v for pair in compared for v in pair} >= {v for v in verbs if not v.startswith("book")}


def test_regression_the_page_of_the_keys_is_current():
    # after a wanted change: python docs/make_pages.py
    assert (DOCS / "keys.md").read_text(encoding="utf-8") == PAGES.keys_page()


@pytest.mark.parametrize(
    ("page", "heading"),
    [
        ("records.md", "machine.toml"), ("records.md", "filament.toml"), ("records.md", "baseline.toml"),
    ],
)  # fmt: skip
def test_units_are_those_that_the_keys_spell(page, heading):
    table = table_of(page, heading)
    assert len(table) > 15
    assert {key: unit for key, unit in table.items() if unit != PAGES.unit_of(key)} == {}


def test_every_key_of_the_records_is_listed():
    plain = {k: v for k, v in baseline._PLAIN.items() if k}
    wanted = {"name", *baseline._PLAIN[""], "stops.travel_route", "part.supports", "part.raft"}
    wanted |= {f"{table}.{key}" for table, keys in plain.items() for key in keys}
    assert set(table_of("records.md", "baseline.toml")) == wanted
    assert set(table_of("records.md", "filament.toml")) == {
        "name", "starter", "shore", "scale", "nozzle_c", *filament._OPTIONAL,
    }  # fmt: skip
    listed = set(table_of("records.md", "machine.toml"))
    wanted = {"name", "starter", "drive.driven_wheels", "drive.grip_n", "hot_end.liner", "spool.pull_n"}
    wanted |= {f"motion.{k}" for k in ("max_speed_mm_per_s", "volume_mm", "origin")}
    wanted |= {f"drive.{k}" for k in machine._DRIVE} | {f"hot_end.{k}" for k in machine._HOT_END}
    wanted |= {f"motion.{k}" for k in machine._MOTION} | {"program.dialect"}
    wanted |= {f"path.{f.name}" for f in fields(machine.Span)} | {f"tries.{f.name}" for f in fields(Trying)}
    assert listed == wanted


@pytest.mark.parametrize(
    ("kind", "like"),
    [(k, x) for k, n in (("machine", MACHINES), ("filament", SPOOLS), ("recipe", RECIPES)) for x in n],
)
def test_keys_of_the_starters_are_listed(kind, like):
    page = {"machine": "machine.toml", "filament": "filament.toml", "recipe": "baseline.toml"}[kind]
    assert set(_paths(tomllib.loads(starter(kind, like)))) <= set(table_of("records.md", page))


def test_formulas_are_written_with_braces():
    r"""The writer of MathML takes `\frac43` for a fraction of 43."""
    for path in (DOCS.parent / "src").rglob("*.py"):
        assert re.findall(r"\\(?:[dt]?frac|sqrt)(?![{a-z]).*", path.read_text(encoding="utf-8")) == [], path


# -- pages of the models


MODELS = sorted(p for p in (DOCS / "models").glob("*.md") if p.stem != "index")


@pytest.mark.parametrize("page", MODELS, ids=lambda p: p.stem)
def test_a_model_page_has_its_parts(page):
    text = page.read_text(encoding="utf-8")
    assert re.findall(r"^## (.*)$", text, re.M)[:3] == ["Formula", "Range", "How it did against data"]
    assert re.search(rf"^!\[.{{20,}}\]\({page.stem}\.svg\)$", text, re.M)
    assert f"`pliant.models.{page.stem}`" in text
    formula = text.split("## Formula", 1)[1].split("## Range")[0]
    assert re.search(r"[=Σ∫√π²³]", formula)
    data = text.split("## How it did against data", 1)[1]
    assert re.search(r"\bno published\b", data, re.I)  # what is missing is said


def test_every_model_has_a_page():
    rooms = {p.stem for p in (DOCS.parent / "src/pliant/models").glob("*.py")} - {"__init__"}
    told = " ".join(p.read_text(encoding="utf-8") for p in MODELS)
    assert {room for room in rooms if f"`pliant.models.{room}`" not in told} == set()


def test_every_page_can_be_reached():
    """Sphinx warns of a page that no contents names; a link to a page that is not built is one to nowhere."""
    assert {p.stem for p in DOCS.glob("howto/*.md")} - {"index"} == set(
        re.findall(r"^([a-z-]+)$", (DOCS / "howto/index.md").read_text(encoding="utf-8"), re.M)
    )


@pytest.mark.parametrize("page", sorted((DOCS / "howto").glob("*.md")) + sorted((DOCS / "tutorial").glob("*.md")))
def test_words_link_to_the_glossary_or_a_page(page):
    assert re.search(r"\]\([a-z./-]+\.md", page.read_text(encoding="utf-8")) or page.stem == "index"


@pytest.mark.parametrize("page", PAGES.console_pages() + PAGES.python_pages(), ids=lambda p: p.stem)
def test_regression_what_a_page_prints_is_current(page):
    # after a wanted change: python docs/make_pages.py
    assert PAGES.same(page.read_text(encoding="utf-8"), PAGES.fresh(page))


def test_only_what_is_drawn_at_random_may_differ():
    page = (
        "$ pliant next\n 12 %\n$ pliant learn a.toml\n  now 70 %, between under 1 % and 99 %\n  k  1 to 2 -> 1 to 3\n"
    )
    assert PAGES.same(page, page.replace("70 %, between under 1", "71 %, between 2").replace("1 to 3", "1 to 4"))
    assert not PAGES.same(page, page.replace("12 %", "13 %"))
    assert not PAGES.same(page, page.replace("now", "then"))


def test_a_page_that_is_not_current_is_found(tmp_path):
    page = tmp_path / "page.md"
    text = "<!-- run: echo there > f -->\n```console\n$ cat f\n{}\n$ ls demo | head -1\n75A.filament.toml\n```\n"
    page.write_text(text.format("elsewhere"))
    assert PAGES.fresh(page) == text.format("there")
    page.write_text("```console\n$ pliant check nothing.gcode -m m.toml -f f.toml\n```\n")
    with pytest.raises(SystemExit, match="ended with 2"):
        PAGES.fresh(page)
    page.write_text("```python\nprint(6 * 7)\n```\nIt prints:\n```text\n41\n```\n")
    assert "```text\n42\n```" in PAGES.fresh(page)
