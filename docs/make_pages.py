"""Write what the pages take from the program: the pages of the verbs, and what the commands in them print.

`python docs/make_pages.py` after a wanted change, then read the difference; `--check` only says what is no longer so.
The verbs' pages are `--help`, word for word; the keys of the JSON are the fields of the records, what they mean is
the comment behind each. In the `console` blocks of a page the lines after `$` are run by a shell,
all of a page in one folder with the invented workshop's files in `demo/`, and what they print is put below them.
`<!-- run: COMMAND -->` is run and not shown: it stands in for the reader's editor. What the `python` blocks of a page
print goes into its `text` block.
"""

import dataclasses
import inspect
import os
import re
import subprocess
import sys
import tempfile
import typing
from pathlib import Path
from typing import Any

import click

from pliant.cli import main
from pliant.records.book import Added, Comparison, History, Listing, PastOutcomes, Shown, Transfer
from pliant.records.coupon import Coupon
from pliant.records.dry import Drying
from pliant.records.evidence import AfterPrints, WithPractice
from pliant.records.feel import Feel
from pliant.records.findings import Facts, Findings
from pliant.records.form import unit_of
from pliant.records.learned import Learned, NextCoupon
from pliant.records.many import Combination, Row, Slot
from pliant.records.mended import Mended
from pliant.records.mending import Change, Obligation
from pliant.records.part import PartFindings
from pliant.records.recipe import Recipe
from pliant.records.tonight import Tonight
from pliant.workflows.workshop import files

HERE = Path(__file__).parent
WIDTH = 100

# verb: the question it answers, exit codes 0 / 1 / 2, pages to read on. A verb that is missing here has no page,
# which is an error.
VERBS = {
    "check": (
        "Will this job feed?",
        "feeds / marginal or jams / bad input",
        ["../howto/read-the-report", "../howto/measure-your-machine", "../glossary"],
    ),
    "mend": (
        "Make it feed, and prove that the part is the same",
        "mended / target out of reach / nothing written",
        ["../mend", "../howto/mend-as-a-step"],
    ),
    "read": ("What does this program do?", "done / – / bad input", ["../glossary"]),
    "plan": ("What should I set?", "a recipe / none works / bad input", ["../plan", "../howto/when-out-of-reach"]),
    "part": ("Is this mesh a good idea in soft filament?", "good or workable / poor / bad input", ["../glossary"]),
    "feel": ("Which hardness, walls and infill for a wanted force?", "done / – / bad input", ["../models/cellular"]),
    "dry": ("How long must the spool dry?", "done / – / bad input", ["../howto/dry-a-spool", "../models/drying"]),
    "batch": ("Which programs of a folder feed?", "all feed / not all / not all read", ["../howto/check-a-folder"]),
    "coupon": ("Which test piece, with which settings?", "written / – / bad input", ["../learn"]),
    "learn": (
        "What do my readings say?",
        "learned / readings contradict / bad input",
        ["../learn", "../tutorial/command-line"],
    ),
    "next": ("Which test piece tells most?", "done / – / bad input", ["../learn"]),
    "new": ("A starter file for a record", "written / – / bad input", ["../records", "../howto/measure-your-machine"]),
    "book": (
        "What happened with this spool on this machine?",
        "done / – / bad input",
        ["../book", "../howto/share-a-book"],
    ),
    "bench": (
        "All of it as a local web page",
        "stopped / – / cannot be served",
        ["../in-the-browser", "../tutorial/first-print"],
    ),
    "demo": ("The invented workshop", "done / – / bad input", ["../tutorial/command-line"]),
}


def help_of(command: click.Command, name: str, parent: click.Context | None = None) -> str:
    """What `--help` prints, at a fixed width."""
    context = click.Context(
        command, info_name=name, parent=parent, terminal_width=WIDTH, max_content_width=WIDTH,
        help_option_names=["-h", "--help"],
    )  # fmt: skip
    return command.get_help(context).rstrip()


def undocumented(verbs: dict[str, click.Command]) -> list[str]:
    """Every verb without a page or a sentence, and every option without a word of help."""
    found = [f"{name}: has no line in VERBS of docs/make_pages.py" for name in verbs if name not in VERBS]
    found += [f"{name}: in VERBS, but no such verb" for name in VERBS if name not in verbs]
    for name, verb in verbs.items():
        more = verb.commands if isinstance(verb, click.Group) else {}
        for full, command in [(name, verb), *((f"{name} {k}", c) for k, c in more.items())]:
            if not command.help:
                found.append(f"{full}: has no docstring")
            for option in command.params:
                if isinstance(option, click.Option) and not option.help:
                    found.append(f"{full} {option.opts[0]}: has no help")
    return found


def title_of(page: Path) -> str:
    """First heading of a page."""
    lines = page.read_text(encoding="utf-8").split("\n")
    return next(line.removeprefix("# ") for line in lines if line.startswith("# "))


def verb_page(name: str, command: click.Command) -> str:
    """The page of one verb."""
    asks, _, see = VERBS[name]
    top = click.Context(main, info_name="pliant", terminal_width=WIDTH, max_content_width=WIDTH)
    text = f"# {name}\n\n{asks}\n\n```text\n{help_of(command, name, top)}\n```\n"
    if isinstance(command, click.Group):
        here = click.Context(command, info_name=name, parent=top, terminal_width=WIDTH, max_content_width=WIDTH)
        for sub in command.list_commands(here):
            found = command.commands[sub]
            text += f"\n## {name} {sub}\n\n```text\n{help_of(found, sub, here)}\n```\n"
    links = ", ".join(f"[{title_of(HERE / 'cli' / f'{page}.md')}]({page}.md)" for page in see)
    return f"<!-- written by docs/make_pages.py from --help -->\n{text}\nSee also: {links}.\n"


def verb_pages() -> dict[str, str]:
    """Text of every page of the verbs, by file name."""
    pages = {f"{name}.md": verb_page(name, main.commands[name]) for name in VERBS if name in main.commands}
    rows = "\n".join(f"| [`{name}`]({name}.md) | {asks} | {exits} |" for name, (asks, exits, _) in VERBS.items())
    pages["index.md"] = (
        "<!-- written by docs/make_pages.py from --help -->\n# Verbs of the command line\n\n"
        f"| verb | what it answers | exit code 0 / 1 / 2 |\n| --- | --- | --- |\n{rows}\n\n"
        f"```text\n{help_of(main, 'pliant')}\n```\n\n"
        "Exit code 3 is a fault of pliant's own. An error is one line: what, where, what is allowed, the way out.\n\n"
        "```{toctree}\n:hidden:\n\n" + "\n".join(VERBS) + "\n```\n"
    )
    return pages


# what `--json` of a verb prints: the record, the keys that its `to_json` leaves out, and those that it adds
ALL_OF_CHECK = "all keys of `check`"
PRINTED: dict[str, tuple[Any, tuple[str, ...], dict[str, Any]]] = {
    "read": (Facts, (), {}),
    "check": (Findings, ("facts",), {"past_outcomes": PastOutcomes}),
    "mend": (Mended, ("changes", "certificate"), {
        "changes": "number of changes by pass", "change_list": Change, "certificate": Obligation,
        "certified": "whether all of the certificate holds", "tonight": Tonight,
        "after_prints": AfterPrints, "with_practice": WithPractice,
    }),
    "plan": (Recipe, (), {"values": "the soft values alone, by key"}),
    "part": (PartFindings, (), {}),
    "feel": (Feel, (), {"printed_check": "how far the model misses published pieces, in a sentence"}),
    "dry": (Drying, (), {}),
    "coupon": (Coupon, ("program", "outline_mm", "unfed_mm"), {}),
    "learn": (Learned, (), {}),
    "next": (NextCoupon, (), {}),
    "batch": (None, (), {"programs": Row, "combinations": Combination}),
    "batch --assign": (None, (), {
        "combinations": Combination, "unread": "programs that could not be read, and why", "plan": Slot,
        "objective": "what the plan is best at", "makespan_min": "when the last job is done",
        "expected_min": "sum over all jobs", "all_feed_probability": "that no first try jams",
        "gap": "of the objective, to a bound that no plan goes below; 0: the best there is",
    }),
    "book add": (Added, (), {}),
    "book retire": (Added, (), {}),
    "book record": (None, (), {"print": Added, "outcome": Added}),
    "book list": (Listing, (), {}),
    "book show": (Shown, (), {}),
    "book compare": (Comparison, (), {}),
    "book history": (History, (), {}),
    "book export": (Transfer, (), {}),
}  # fmt: skip
MORE = {
    "check": "All of the above, and:",
    "check past_outcomes": "with `--book`: how earlier prints went",
    "mend tonight": "What to do tonight with the program as it was; `before` has the same",
    "mend change_list": "the first thousand changes",
    "mend certificate": "what is proved, obligation by obligation",
    "batch --assign": "With several machines or spools; the plan, its objective and what follows only with `--assign`.",
    "book record": "With `--print` only the outcome, without its name before it.",
    "book export": "`import`, `backup`, `verify` and `rescue` print the same.",
}


def fields_of(record: type) -> dict[str, tuple[type | None, str]]:
    """Fields of a record: the record that each holds, if it does, and the comment behind it."""
    said = dict(re.findall(r"^    (\w+): .*?(?:  # (.*))?$", inspect.getsource(record), re.M))
    hints = typing.get_type_hints(record)

    def inner(hint: Any) -> type | None:
        if dataclasses.is_dataclass(hint):
            return typing.cast(type, hint)
        return next((found for part in typing.get_args(hint) if (found := inner(part))), None)

    return {f.name: (inner(hints[f.name]), said.get(f.name, "")) for f in dataclasses.fields(record)}


def key_rows(verb: str) -> list[tuple[str, str, str]]:
    """Rows of the table of a verb: key, unit, meaning; one that only holds others is in bold."""
    record, left_out, added = PRINTED[verb]
    rows: list[tuple[str, str, str]] = []

    def tell(key: str, holds: Any, said: str) -> None:
        if isinstance(holds, type) and not (holds is Findings and key):
            lead = MORE.get(f"{verb} {key}") or said or (holds.__doc__ or "").split("\n")[0].rstrip(".")
            rows.append((f"**{key}**", "", lead))
            for name, (deeper, more) in fields_of(holds).items():
                tell(f"{key}.{name}", deeper, more)
            return
        said = ALL_OF_CHECK if holds is Findings else holds if isinstance(holds, str) else said
        unit = re.match(r"\[(.*?)\] ?", said)
        if not said.removeprefix(unit[0] if unit else ""):
            raise SystemExit(f"make_pages: {key} of {verb} says nothing of itself; put a comment behind its field")
        meaning = said.removeprefix(unit[0]) if unit else said
        rows.append((f"`{key}`", unit[1] if unit else unit_of(key), meaning))

    for name, (deeper, said) in (fields_of(record) if record else {}).items():
        if name not in left_out:
            tell(name, deeper, said)
    for name, holds in added.items():
        tell(name, holds, "")
    return [(key, unit, re.sub(r"`?\bNone\b`?", "`null`", meaning).replace(" | ", ", ")) for key, unit, meaning in rows]


def keys_page() -> str:
    """The page of the keys, from the fields of the records and the comments behind them."""
    text = "<!-- written by docs/make_pages.py from the records -->\n# Keys of the JSON\n\n"
    text += (
        "Every verb prints JSON with `--json`; the functions of the library return records whose fields have\n"
        "these names. `null` means that the number does not exist there (nothing is pushed, no speed meets the\n"
        "target), and never 0. A chance or a share goes from 0 to 1. A name in bold holds the keys below it, as\n"
        "one table or a list of them. Words are those of the [glossary](glossary.md), keys of records those of\n"
        "the [records](records.md). Keys are added and else left as they are; the [changes](changes.md) tell the\n"
        "ones that were renamed.\n"
    )
    for verb in PRINTED:
        lead = f"{MORE[verb]}\n\n" if verb in MORE else ""
        rows = "".join(f"| {key} | {unit} | {meaning} |\n" for key, unit, meaning in key_rows(verb))
        text += f"\n## {verb} --json\n\n{lead}| key | unit | what it is |\n| --- | --- | --- |\n{rows}"
    return text


def commands_of(block: str) -> list[str]:
    """The command lines of a console block, continued lines joined."""
    found: list[str] = []
    for line in block.split("\n"):
        if line.startswith("$ "):
            found.append(line[2:])
        elif found and found[-1].endswith("\\") and line.startswith("> "):
            found[-1] += "\n" + line[2:]
    return found


_PART = re.compile(r"```console\n(.*?)```|<!-- run: (.*?) -->", re.S)


def _environment(folder: Path) -> dict[str, str]:
    """What a reader with an empty account has: this pliant, no book yet."""
    source = str(Path(sys.modules["pliant"].__file__).parents[1])  # type: ignore[arg-type]
    mine = {
        "PATH": f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}", "PYTHONPATH": source,
        "PYTHONUTF8": "1", "XDG_DATA_HOME": str(folder / "data"), "XDG_CACHE_HOME": str(folder / "cache"),
    }  # fmt: skip
    return {k: v for k, v in os.environ.items() if k != "PLIANT_BOOK"} | mine


def run_page(text: str, folder: Path) -> str:
    """Run the console blocks of a page in a folder, and put what they print below each command."""
    environment = _environment(folder)

    def shell(command: str) -> str:
        done = subprocess.run(
            ["sh", "-c", command], cwd=folder, env=environment, text=True, capture_output=True, check=False
        )
        said = done.stdout + done.stderr
        if done.returncode > 1 or "Traceback" in said:
            raise SystemExit(f"make_pages: `{command}` ended with {done.returncode}:\n{said}")
        return said

    def replaced(part: re.Match[str]) -> str:
        if part[2]:
            shell(part[2])
            return part[0]
        out = ""
        for command in commands_of(part[1]):
            said = "\n".join(line.rstrip() for line in shell(command).rstrip("\n").split("\n"))
            out += "$ " + command.replace("\n", "\n> ") + "\n" + (said + "\n" if said else "")
        return f"```console\n{out}```"

    return _PART.sub(replaced, text)


def run_python(text: str, folder: Path) -> str:
    """Run the Python blocks of a page one after the other, and put what they print in its one text block."""
    code = "\n".join(re.findall(r"```python\n(.*?)```", text, re.S))
    said = subprocess.run(
        [sys.executable, "-W", "error", "-c", code], cwd=folder, env=_environment(folder), text=True,
        capture_output=True, check=True,
    ).stdout  # fmt: skip
    return re.sub(r"```text\n.*?```", lambda _: f"```text\n{said}```", text, count=1, flags=re.S)


def console_pages() -> list[Path]:
    """The pages that show what commands print."""
    return sorted(p for p in HERE.rglob("*.md") if "```console" in p.read_text(encoding="utf-8"))


def python_pages() -> list[Path]:
    """The pages that show what Python prints."""
    return sorted(p for p in HERE.rglob("*.md") if "```python" in p.read_text(encoding="utf-8"))


def fresh(page: Path) -> str:
    """A page that shows what commands or Python print, as it should read now."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        (folder / "demo").mkdir()
        for name, text in files():
            (folder / "demo" / name).write_text(text, encoding="utf-8")
        text = page.read_text(encoding="utf-8")
        return run_page(text, folder) if "```console" in text else run_python(text, folder)


def same(page: str, again: str) -> bool:
    """Whether a page reads as it should.

    `learn` draws at random: the same seed gives other digits on another processor. So from its first line on, only the
    words count, and rows that come and go by chance do not.
    """

    def comparable(text: str) -> list[str]:
        sure, found, drawn = text.partition("$ pliant learn")
        words = (re.sub(r"(under |over )?[\d.,]*\d", "#", line) for line in drawn.split("\n") if " -> " not in line)
        return [sure, found, *(re.sub(r" +", " ", line) for line in words)]

    return comparable(page) == comparable(again)


def all_pages() -> dict[Path, str]:
    """Every page that is written here, as it should read now."""
    wanted = {HERE / "cli" / name: text for name, text in verb_pages().items()}
    wanted[HERE / "keys.md"] = keys_page()
    return wanted | {page: fresh(page) for page in console_pages() + python_pages()}


if __name__ == "__main__":
    faults = undocumented(main.commands)
    stale = []
    for path, text in all_pages().items():
        if not path.exists() or not same(path.read_text(encoding="utf-8"), text):
            stale.append(str(path.relative_to(HERE)))
            if "--check" not in sys.argv[1:]:
                path.write_text(text, encoding="utf-8")
    for fault in faults:
        print(fault)
    for name in stale:
        print(f"{name}: {'is not current; run docs/make_pages.py' if '--check' in sys.argv[1:] else 'written'}")
    sys.exit(1 if faults or (stale and "--check" in sys.argv[1:]) else 0)
