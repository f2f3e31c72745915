"""The report: page, terminal, figures and notebook display of a result, and all its words."""

from __future__ import annotations

from blursplit.report import figures, notebook
from blursplit.report.page import page_of, render_page
from blursplit.report.summary import summarize
from blursplit.report.terminal import print_summary, progress, stages

__all__ = [
    "figures",
    "notebook",
    "page_of",
    "print_summary",
    "progress",
    "render_page",
    "stages",
    "summarize",
]
