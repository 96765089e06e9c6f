"""Our words and what they mean, as the docs have them: a page, and a meaning wherever a word is pointed at."""

import re
from functools import cache
from importlib.resources import files

from markupsafe import Markup, escape
from starlette.requests import Request
from starlette.responses import Response

from pliant.bench.pages import answer

__all__ = ["glossary", "words_page"]

_COMMAND = re.compile(r"`pliant (\w+)`")
_NAMES = re.compile(r"(?:: )?(?:`[a-z_0-9]+_[a-z_0-9]*`(?:, )?)+")  # keys of records are for those who write them


@cache
def glossary() -> tuple[tuple[str, tuple[tuple[str, str], ...]], ...]:
    """Headings with their words, each with what it means in plain text and in the order of the docs."""
    text = (files("pliant.bench") / "glossary.md").read_text(encoding="utf-8")
    found = []
    for part in re.split(r"(?m)^## ", text)[1:]:
        heading, _, rest = part.partition("\n")
        entries = [e.partition("\n") for e in re.split(r"(?m)^### ", rest)[1:]]
        found.append((heading.strip(), tuple((word.strip(), _plain(meaning)) for word, _, meaning in entries)))
    return tuple(found)


def _plain(meaning: str) -> str:
    """A meaning without the marks of the docs: tables become sentences."""
    lines = [line for line in meaning.strip().splitlines() if not re.match(r"\|[ -|]+\|$", line)]
    rows = [
        " – ".join(cell.strip(" `") for cell in line.strip("| ").split("|")) + ";" for line in lines if line[:1] == "|"
    ]
    prose = " ".join(line for line in lines if line[:1] != "|")
    said = _COMMAND.sub(r"the page \1", f"{prose} {' '.join(r for r in rows if not r.startswith('name – '))}".strip())
    said = re.sub(r"\[([^\]]+)\]\([^)]+\)", r"\1", said)
    return re.sub(r"\s+", " ", _NAMES.sub("", said).replace("`", "").replace("*", "")).strip(" ;")


async def words_page(request: Request) -> Response:
    """What our words mean."""
    data = {"words": {word: meaning for _, entries in glossary() for word, meaning in entries}}
    return answer(request, "words.html", data, parts=glossary(), slug=_slug)


def _slug(word: str) -> Markup:
    return escape(re.sub(r"[^a-z]+", "-", word.lower()))
