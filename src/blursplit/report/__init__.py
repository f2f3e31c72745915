"""The report: page, terminal table, figures and notebook display of a result."""

from __future__ import annotations

from blursplit.report.page import page_shell, render_template

__all__ = ["page_shell", "render_template"]
