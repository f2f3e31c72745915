"""The report: page, terminal table, figures and notebook display of a result."""

from __future__ import annotations

from blursplit.report import figures, notebook
from blursplit.report.page import render_page
from blursplit.report.shell import page_shell, render_template
from blursplit.report.terminal import print_summary, progress

__all__ = [
    "figures",
    "notebook",
    "page_shell",
    "print_summary",
    "progress",
    "render_page",
    "render_template",
]
