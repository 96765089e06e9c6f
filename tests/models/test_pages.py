"""The pages in docs/models: their figures are those of the code, their pictures those of the script."""

import importlib.util
from pathlib import Path

import pytest

from model_figures import PHRASES

PAGES = Path(__file__).parents[2] / "docs" / "models"


def _script():
    spec = importlib.util.spec_from_file_location("make_pictures", PAGES / "make_pictures.py")
    script = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(script)
    return script


SCRIPT = _script()


@pytest.mark.parametrize("name", PHRASES)
def test_limit_figures_on_the_page_are_current(name):
    page = " ".join((PAGES / f"{name}.md").read_text(encoding="utf-8").split())
    missing = [phrase for phrase in PHRASES[name]() if phrase not in page]
    assert missing == []


@pytest.mark.parametrize("name", PHRASES)
def test_limit_page_has_its_parts(name):
    page = (PAGES / f"{name}.md").read_text(encoding="utf-8")
    for part in ("## Formula", "## Range", "## How it did against data", f"({name}.svg)", f"pliant.models.{name}"):
        assert part in page
    assert "o published" in page  # what has no measurement behind it is said


@pytest.mark.parametrize("name", SCRIPT.PICTURES)
def test_regression_pictures_are_those_of_the_script(name):
    # after a wanted change: python docs/models/make_pictures.py
    assert (PAGES / f"{name}.svg").read_text(encoding="utf-8") == SCRIPT.draw(name)
