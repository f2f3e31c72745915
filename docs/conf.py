"""How the documentation is built: sphinx-build -W docs docs/_build."""

from __future__ import annotations

from importlib import metadata

project = "blursplit"
author = "The blursplit developers"
release = metadata.version("blursplit")
extensions = [
    "myst_parser",
    "sphinx.ext.autodoc",
    "sphinx.ext.mathjax",
    "numpydoc",
]
exclude_patterns = ["_build", "changes", "tables"]
myst_enable_extensions = ["dollarmath"]
myst_heading_anchors = 3
# The sections "Parameters" and "Returns" of the docstrings follow numpydoc; its lists of class
# members would repeat what the tables of keys say.
numpydoc_show_class_members = False
autodoc_typehints = "none"
html_theme = "alabaster"
html_theme_options = {
    "description": "Whose fault is the width of a star?",
    "page_width": "72rem",
    "sidebar_width": "15rem",
}
