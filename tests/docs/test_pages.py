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
from pliant.cli import main
from pliant.records import baseline, filament, machine
from pliant.records.findings import Facts, Findings, Moment, Remedy
from pliant.records.mended import Flat, Mended
from pliant.records.starters import MACHINES, RECIPES, SPOOLS, starter
from pliant.workflows.workshop import RECORDS, gasket_program

PAGES = script("make_pages")
# pages that are written from the program or are not ours to judge line by line
TEXTS = [p for p in [*sorted(DOCS.rglob("*.md")), DOCS.parent / "README.md"] if "_build" not in p.parts]


def test_regression_pages_of_the_verbs_are_current():
    # after a wanted change: python docs/make_pages.py
    there = {p.name: p.read_text(encoding="utf-8") for p in (DOCS / "cli").glob("*.md")}
    assert there == PAGES.verb_pages()


def test_limit_every_verb_and_option_is_documented():
    assert PAGES.undocumented(main.commands) == []


def test_limit_an_undocumented_verb_is_found():
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
def test_limit_commands_on_the_page_can_be_given(page):
    assert _complaints(page.read_text(encoding="utf-8")) == []


def test_limit_a_wrong_command_is_found():
    wrong = "    pliant check job.gcode -m m.toml\n`pliant polish`, `pliant dry -f x --hot`\n$ pliant book shout\n"
    wrong += "```\npliant new engine\n```\n       pliant check --json \\\n> -m x\nfor x in y; do pliant batch; done\n"
    assert len(_complaints(wrong)) == 7
    right = "`pliant check --json`, `pliant mend --add coast`\n    pliant check a -m b \\\n      -f c | head -3\n"
    right += '$ pliant book history "My spool" > x  # and look\n'
    assert [len(found) for found in _commands(right)] == [2, 2]
    assert _complaints(right) == []


# -- keys and units


def _table(page, heading):
    """Rows of the table under a heading: key to unit."""
    text = (DOCS / page).read_text(encoding="utf-8").split(f"## {heading}\n", 1)[1].split("\n## ")[0]
    return {m[1]: m[2].strip() for m in re.finditer(r"^\| `([^`]+)` \| ([^|]*) \|", text, re.M)}


def _paths(value, before=""):
    """Keys of nested plain data, lists by their first entry."""
    if isinstance(value, dict):
        for key, inner in value.items():
            deeper = list(_paths(inner, f"{before}{key}."))
            yield from deeper or [before + key]
    elif isinstance(value, list) and value and isinstance(value[0], dict):
        yield from _paths(value[0], before)


FREE = {"by_mechanism", "measure_next", "changes"}  # their keys are names, not ours to list


def _listed(data):
    return {re.sub(rf"^({'|'.join(FREE)})\..*", r"\1", key) for key in _paths(data)}


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


def test_limit_every_key_of_the_json_is_listed(desk):
    folder, json_of = desk
    read, check = _table("keys.md", "read --json"), _table("keys.md", "check --json")
    mend = _table("keys.md", "mend --json")
    assert _listed(json_of("read")) == set(read)
    checked = json_of("check", "--book", folder / "book.sqlite")
    checked["past_outcomes"] = "in the book"
    assert _listed(checked) == set(read) | set(check)
    mended = json_of("mend", "-o", folder / "out.gcode")
    assert _listed(mended["before"]) <= set(read) | set(check)
    mended["before"] = mended["after"] = "as of check"
    assert _listed(mended) == set(mend)


def test_limit_every_field_of_the_records_of_findings_is_listed():
    """Also those that a small job leaves empty."""
    listed = {**_table("keys.md", "read --json"), **_table("keys.md", "check --json")}
    names = {f.name for f in fields(Facts)} | {f.name for f in fields(Findings)} - {"facts", "worst", "remedies", "end"}
    names |= {f"worst.{f.name}" for f in fields(Moment)} | {f"remedies.{f.name}" for f in fields(Remedy)}
    assert names - {"end"} <= set(listed)
    mend = _table("keys.md", "mend --json")
    assert {f"flat.{f.name}" for f in fields(Flat)} <= set(mend)
    assert {f.name for f in fields(Mended)} - {"flat", "certificate"} <= set(mend)


UNITS = [
    ("_mm_per_s2", "mm/s²"), ("_mm2_per_s", "mm²/s"), ("_mm_per_s", "mm/s"), ("_kj_per_mol", "kJ/mol"),
    ("_kg_per_m3", "kg/m³"), ("_pa_sn", "Pa·sⁿ"), ("_mpa", "MPa"), ("_mm3", "mm³"), ("_mm", "mm"), ("_deg", "°"),
    ("_c", "°C"), ("_n", "N"), ("_g", "g"), ("_s", "s"), ("_h", "h"), ("dry_h", "h"),
]  # fmt: skip


def unit_of(key):
    """Unit that a key spells."""
    last = key.rsplit(".", maxsplit=1)[-1] if "mm" not in key.split(".", maxsplit=1)[0] else key.split(".")[0]
    if last.endswith("_percent"):
        return "% of mass" if last.startswith("water") else "%"
    return next((unit for end, unit in UNITS if last.endswith(end)), "mm" if key.startswith("end.") else "–")


@pytest.mark.parametrize(
    ("page", "heading"),
    [
        ("keys.md", "read --json"), ("keys.md", "check --json"), ("keys.md", "mend --json"),
        ("records.md", "machine.toml"), ("records.md", "filament.toml"), ("records.md", "baseline.toml"),
    ],
)  # fmt: skip
def test_limit_units_are_those_that_the_keys_spell(page, heading):
    table = _table(page, heading)
    assert len(table) > 15
    assert {key: unit for key, unit in table.items() if unit != unit_of(key)} == {}


def test_limit_every_key_of_the_records_is_listed():
    plain = {k: v for k, v in baseline._PLAIN.items() if k}
    wanted = {"name", *baseline._PLAIN[""], "stops.travel_route", "part.supports", "part.raft"}
    wanted |= {f"{table}.{key}" for table, keys in plain.items() for key in keys}
    assert set(_table("records.md", "baseline.toml")) == wanted
    assert set(_table("records.md", "filament.toml")) == {
        "name", "starter", "shore", "scale", "nozzle_c", *filament._OPTIONAL,
    }  # fmt: skip
    listed = set(_table("records.md", "machine.toml"))
    wanted = {"name", "starter", "drive.driven_wheels", "hot_end.liner", "spool.pull_n"}
    wanted |= {f"motion.{k}" for k in ("max_speed_mm_per_s", "volume_mm", "origin")}
    wanted |= {f"drive.{k}" for k in machine._DRIVE} | {f"hot_end.{k}" for k in machine._HOT_END}
    wanted |= {f"motion.{k}" for k in machine._MOTION} | {"program.dialect"}
    wanted |= {f"path.{f.name}" for f in fields(machine.Span)}
    assert listed == wanted


@pytest.mark.parametrize(
    ("kind", "like"),
    [(k, x) for k, n in (("machine", MACHINES), ("filament", SPOOLS), ("recipe", RECIPES)) for x in n],
)
def test_limit_keys_of_the_starters_are_listed(kind, like):
    page = {"machine": "machine.toml", "filament": "filament.toml", "recipe": "baseline.toml"}[kind]
    assert set(_paths(tomllib.loads(starter(kind, like)))) <= set(_table("records.md", page))


def test_limit_formulas_are_written_with_braces():
    r"""The writer of MathML takes `\frac43` for a fraction of 43."""
    for path in (DOCS.parent / "src").rglob("*.py"):
        assert re.findall(r"\\(?:[dt]?frac|sqrt)(?![{a-z]).*", path.read_text(encoding="utf-8")) == [], path


# -- pages of the models


MODELS = sorted(p for p in (DOCS / "models").glob("*.md") if p.stem != "index")


@pytest.mark.parametrize("page", MODELS, ids=lambda p: p.stem)
def test_limit_a_model_page_has_its_parts(page):
    text = page.read_text(encoding="utf-8")
    assert re.findall(r"^## (.*)$", text, re.M)[:3] == ["Formula", "Range", "How it did against data"]
    assert re.search(rf"^!\[.{{20,}}\]\({page.stem}\.svg\)$", text, re.M)
    assert f"`pliant.models.{page.stem}`" in text
    formula = text.split("## Formula", 1)[1].split("## Range")[0]
    assert re.search(r"[=Σ∫√π²³]", formula)
    data = text.split("## How it did against data", 1)[1]
    assert re.search(r"\bno published\b", data, re.I)  # what is missing is said


def test_limit_every_model_has_a_page():
    rooms = {p.stem for p in (DOCS.parent / "src/pliant/models").glob("*.py")} - {"__init__"}
    told = " ".join(p.read_text(encoding="utf-8") for p in MODELS)
    assert {room for room in rooms if f"`pliant.models.{room}`" not in told} == set()


def test_limit_every_page_can_be_reached():
    """Sphinx warns of a page that no contents names; a link to a page that is not built is one to nowhere."""
    assert {p.stem for p in DOCS.glob("howto/*.md")} - {"index"} == set(
        re.findall(r"^([a-z-]+)$", (DOCS / "howto/index.md").read_text(encoding="utf-8"), re.M)
    )


@pytest.mark.parametrize("page", sorted((DOCS / "howto").glob("*.md")) + sorted((DOCS / "tutorial").glob("*.md")))
def test_limit_words_link_to_the_glossary_or_a_page(page):
    assert re.search(r"\]\([a-z./-]+\.md", page.read_text(encoding="utf-8")) or page.stem == "index"


@pytest.mark.parametrize("page", PAGES.console_pages() + PAGES.python_pages(), ids=lambda p: p.stem)
def test_regression_what_a_page_prints_is_current(page):
    # after a wanted change: python docs/make_pages.py
    assert PAGES.same(page.read_text(encoding="utf-8"), PAGES.fresh(page))


def test_limit_only_what_is_drawn_at_random_may_differ():
    page = (
        "$ pliant next\n 12 %\n$ pliant learn a.toml\n  now 70 %, between under 1 % and 99 %\n  k  1 to 2 -> 1 to 3\n"
    )
    assert PAGES.same(page, page.replace("70 %, between under 1", "71 %, between 2").replace("1 to 3", "1 to 4"))
    assert not PAGES.same(page, page.replace("12 %", "13 %"))
    assert not PAGES.same(page, page.replace("now", "then"))


def test_limit_a_page_that_is_not_current_is_found(tmp_path):
    page = tmp_path / "page.md"
    text = "<!-- run: echo there > f -->\n```console\n$ cat f\n{}\n$ ls demo | head -1\n75A.filament.toml\n```\n"
    page.write_text(text.format("elsewhere"))
    assert PAGES.fresh(page) == text.format("there")
    page.write_text("```console\n$ pliant check nothing.gcode -m m.toml -f f.toml\n```\n")
    with pytest.raises(SystemExit, match="ended with 2"):
        PAGES.fresh(page)
    page.write_text("```python\nprint(6 * 7)\n```\nIt prints:\n```text\n41\n```\n")
    assert "```text\n42\n```" in PAGES.fresh(page)
