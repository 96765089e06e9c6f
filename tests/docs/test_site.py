"""The check of the built site finds what it is there to find."""

import pytest

from docs_script import script

SITE = script("check_site")
GOOD = '<a href="other.html#there">x</a><a href="#here">x</a><p id="here"><a href="https://example.org/">x</a>'
GOOD += '<img src="i.svg" alt="a picture"><img src="data:image/gif;base64,AA" alt="dot"><link href="s.css">'


@pytest.fixture
def site(tmp_path):
    (tmp_path / "other.html").write_text('<h1 id="there">x</h1>')
    (tmp_path / "i.svg").write_text("<svg/>")
    (tmp_path / "s.css").write_text("p { background: url(i.svg) }")

    def faults(more="", css="", js=""):
        (tmp_path / "index.html").write_text(GOOD + more)
        (tmp_path / "more.css").write_text(css)
        (tmp_path / "more.js").write_text(js)
        return SITE.faults(tmp_path)

    return faults


def test_a_sound_site_has_no_fault(site):
    assert site() == []


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ('<a href="gone.html">x</a>', "no such file"),
        ('<a href="other.html#gone">x</a>', "no such place"),
        ('<a href="#gone">x</a>', "no such place"),
        ('<img src="gone.png" alt="x">', "no such file"),
        ('<img src="i.svg">', "without alternative text"),
        ('<a href="../secret.html">x</a>', "no such file"),
        ('<script src="https://example.org/x.js"></script>', "loaded from elsewhere"),
        ('<link href="//example.org/x.css">', "loaded from elsewhere"),
        ('<img src="http://example.org/x.png" alt="x">', "loaded from elsewhere"),
        ('<form action="https://example.org/"></form>', "loaded from elsewhere"),
        ("<style>@import 'https://example.org/f.css';</style>", "loaded from elsewhere"),
        ('<p style="background: url(https://example.org/x.png)">', "loaded from elsewhere"),
    ],
)
def test_a_broken_page_is_found(site, more, words):
    found = site(more)
    assert len(found) == 1
    assert words in found[0]
    assert found[0].startswith("index.html: ")


@pytest.mark.parametrize(
    ("css", "js"),
    [
        ("@font-face { src: url('https://example.org/f.woff2') }", ""),
        ("p { background: url(gone.png) }", ""),
        ("", 'fetch("https://example.org/x.json")'),
        ("", 's.src = "//example.org/x.js"'),
    ],
)
def test_sheets_and_scripts_are_looked_through(site, css, js):
    assert len(site(css=css, js=js)) == 1


def test_an_empty_folder_is_no_site(tmp_path):
    assert "holds no page" in SITE.faults(tmp_path)[0]
