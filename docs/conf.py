"""How Sphinx builds these pages: `python -m sphinx -W --keep-going docs docs/_build`. Nothing is fetched."""

import re

from docutils.nodes import SkipNode
from docutils.utils.math.latex2mathml import tex2mathml

from pliant import __version__

project, version, release = "pliant", __version__, __version__
extensions = ["myst_parser", "sphinx.ext.autodoc", "sphinx.ext.napoleon"]
exclude_patterns = ["_build", "_site"]
templates_path = ["_site"]
myst_heading_anchors = 3
highlight_language = "none"
default_role = "code"
smartquotes = False  # `--json` is two hyphens

html_theme = "basic"
html_static_path = ["_site/static"]
html_title = "pliant"
html_favicon = "../src/pliant/bench/static/icon.svg"
html_copy_source = html_show_sphinx = html_show_copyright = html_show_search_summary = False
html_use_index = html_domain_indices = False
suppress_warnings = ["ref.footnote"]  # a source that stands under References without a mark is one all the same
html_permalinks_icon = "§"
html_math_renderer = "mathml"
html_context = {
    # page that a tab leads to, its name, the folder (or pages) that belong to it
    "tabs": [
        ("tutorial/index", "begin"),
        ("howto/index", "how to"),
        ("cli/index", "verbs"),
        ("models/index", "models"),
        ("depth", "in depth"),
        ("glossary", "words"),
        ("api/index", "library"),
    ]
}

nitpicky = True
nitpick_ignore_regex = [("py:.*", ".*")]  # the docstrings name types in words: "float or ndarray"
autodoc_typehints = "none"  # the docstrings say type and unit
autodoc_member_order = "bysource"
napoleon_google_docstring = False
napoleon_use_rtype = False


def _own_footnotes(app, what, name, thing, options, lines):
    """Number footnotes by function: `[1]` of two functions on one page are two footnotes."""
    mark = name.removeprefix("pliant.").replace("_", "-").replace(".", "-")
    for i, line in enumerate(lines):
        lines[i] = re.sub(r"(\.\. )?\[(\d)\](_?)", lambda m: _footnote(m, mark), line)


def _footnote(found, mark):
    head, number, tail = found.groups()
    return f"{head or ''}[#{mark}-{number}]{tail}" if head or tail else found[0]


def _math(block):
    """A renderer of formulas: MathML, which browsers draw by themselves, so no script has to be fetched."""

    def visit(writer, node):
        writer.body.append(
            f'<div class="math" tabindex="0">{tex2mathml(node.astext(), as_block=True)}</div>'
            if block
            else tex2mathml(node.astext())
        )
        raise SkipNode

    return visit, None


def _by_keyboard(app, pagename, templatename, context, doctree):
    """What is wider than a phone scrolls, and must be reached with the Tab key for that."""
    body = re.sub(r"<(pre|table)\b", r'<\1 tabindex="0"', context.get("body", ""))
    body = re.sub(r"<p>(?=<img [^>]*\.png)", '<p tabindex="0">', body)
    context["body"] = body


def setup(app):
    """Register what is ours."""
    app.connect("html-page-context", _by_keyboard)
    app.add_html_math_renderer("mathml", inline_renderers=_math(False), block_renderers=_math(True))
    app.connect("autodoc-process-docstring", _own_footnotes)
