"""The pages in docs/models: their figures are those of the code, their pictures those of the script."""

import pytest

from docs_script import DOCS, script
from model_figures import PHRASES

PAGES = DOCS / "models"


SCRIPT = script("models/make_pictures")


@pytest.mark.parametrize("name", PHRASES)
def test_limit_figures_on_the_page_are_current(name):
    page = " ".join((PAGES / f"{name}.md").read_text(encoding="utf-8").split())
    missing = [phrase for phrase in PHRASES[name]() if phrase not in page]
    assert missing == []


@pytest.mark.parametrize("name", SCRIPT.PICTURES)
def test_regression_pictures_are_those_of_the_script(name):
    # after a wanted change: python docs/models/make_pictures.py
    assert (PAGES / f"{name}.svg").read_text(encoding="utf-8") == SCRIPT.draw(name)
